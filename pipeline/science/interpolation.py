"""Concentration in time from results in time.

Belongs here: straight lines between results, composites as windows of one value, exact means over hours.
Does not: which results count, plots, units (stages/load_methods.py), the model that loads come from (concentration_model.py).

All times are hours from one origin, as floating-point numbers.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]


@dataclass(frozen=True)
class Statements:
    """What results say of one plot and analyte, in order of time and free of overlap.

    A statement with start = end is a grab: the concentration of a moment. Any other is (a part of) a composite's window, in
    which the concentration is taken as constant, so that the flow-weighted and the time-weighted mean both are the result.

    Attributes:
        start, end: hours, shape (n,); end[i] <= start[i + 1].
        value: mg/L, shape (n,).
        error: half-width of the results' own error (laboratory, censoring), mg/L, shape (n,).
    """

    start: Floats
    end: Floats
    value: Floats
    error: Floats

    @property
    def middle(self) -> Floats:
        """The moment of a grab, the middle of a window."""
        return (self.start + self.end) / 2


def statements(start: ArrayLike, end: ArrayLike, value: ArrayLike, error: ArrayLike) -> Statements:
    """Put results in order and settle where they speak of the same water.

    Where windows of composites overlap, the mean of those that cover a stretch holds there: a result is then contradicted by
    another and its own window's mean need not be kept. Grabs of the same moment are averaged. A grab within a composite's window
    (its edges included) is set aside: the composite is the mean of the whole window, the grab one moment of it.

    Args:
        start: hours, shape (n,).
        end: hours, not before start; equal to it for a grab, shape (n,).
        value: mg/L, shape (n,).
        error: half-width of the result's own error, mg/L, shape (n,).

    Returns:
        The statements, at most 3 n of them.
    """
    a, b = np.asarray(start, dtype=float), np.asarray(end, dtype=float)
    what_is_said = np.column_stack([np.asarray(value, dtype=float), np.asarray(error, dtype=float)])
    grab = a == b

    edges = np.unique(np.concatenate([a[~grab], b[~grab]]))
    opens, closes = np.searchsorted(edges, a[~grab]), np.searchsorted(edges, b[~grab])
    covers = closes - opens
    composite = np.repeat(np.arange(covers.size), covers)
    piece = np.arange(covers.sum()) - np.repeat(np.cumsum(covers) - covers, covers) + opens[composite]
    window, piece = np.unique(piece, return_inverse=True)
    in_windows = _means(piece, what_is_said[~grab][composite], window.size)
    window_start, window_end = edges[window], edges[np.minimum(window + 1, edges.size - 1)]

    moment, which = np.unique(a[grab], return_inverse=True)
    at_moments = _means(which, what_is_said[grab], moment.size)
    # The window that begins last before a moment; before the first window it is number -1, which ends before everything.
    last_begun = np.searchsorted(window_start, moment, side="right") - 1
    free = moment > np.append(window_end, -np.inf)[last_begun]

    starts = np.concatenate([window_start, moment[free]])
    order = np.argsort(starts, kind="stable")
    stated = np.concatenate([in_windows, at_moments[free]])[order]
    return Statements(starts[order], np.concatenate([window_end, moment[free]])[order], stated[:, 0], stated[:, 1])


def _means(group: Indices, rows: Floats, groups: int) -> Floats:
    """Mean of rows by group, shape (groups, columns); every group has a row."""
    count = np.bincount(group, minlength=groups)
    return np.column_stack([np.bincount(group, weights=column, minlength=groups) / count for column in rows.T])


@dataclass(frozen=True)
class Line:
    """A line in pieces: straight within each, free to jump from one to the next, unknown in some and outside all.

    Attributes:
        knot: hours, not decreasing, shape (k + 1,).
        left, right: value at both ends of each piece, not-a-number where unknown, shape (k,).
    """

    knot: Floats
    left: Floats
    right: Floats

    def piece(self, time: ArrayLike) -> Indices:
        """Number of the piece that a time belongs to, shape (n,): that which begins there rather than that which ends; -1 outside."""
        t = np.asarray(time, dtype=float)
        number = np.searchsorted(self.knot, t, side="right") - 1
        return np.where((t < self.knot[0]) | (t > self.knot[-1]), -1, np.minimum(number, self.left.size - 1))

    def at(self, time: ArrayLike) -> Floats:
        """Values at times, shape (n,); not-a-number where unknown."""
        t = np.asarray(time, dtype=float)
        number = self.piece(t)
        length = self.knot[number + 1] - self.knot[number]
        share = np.divide(t - self.knot[number], length, out=np.zeros_like(t), where=length > 0)
        return np.where(number < 0, np.nan, self.left[number] + share * (self.right[number] - self.left[number]))

    def integrals(self, edges: ArrayLike) -> tuple[Floats, Floats]:
        """Exact integrals between successive edges, over what is known.

        Args:
            edges: hours, increasing, shape (n + 1,).

        Returns:
            Integral of the value (value times h) and the length over which it is known (h), both shape (n,).
        """
        t = np.asarray(edges, dtype=float)
        length = np.diff(self.knot)
        known = np.isfinite(self.left)
        left, right = np.where(known, self.left, 0.0), np.where(known, self.right, 0.0)
        to_knot = np.append(0.0, np.cumsum(length * (left + right) / 2))
        known_to_knot = np.append(0.0, np.cumsum(length * known))
        inside = np.clip(t, self.knot[0], self.knot[-1])
        number = self.piece(inside)
        since = inside - self.knot[number]
        share = np.divide(since, length[number], out=np.zeros_like(since), where=length[number] > 0)
        whole = to_knot[number] + since * (left[number] + (right - left)[number] * share / 2)
        return np.diff(whole), np.diff(known_to_knot[number] + known[number] * since)


def lines_between(said: Statements, values: Floats, longest_h: float) -> Line:
    """Straight lines from each statement to the next.

    Within a window the value is constant, before the first and after the last statement it holds. Nothing is drawn across more
    than `longest_h`: a longer stretch between two statements is unknown, and a value is held no longer than that. Integrals of
    such a line times a stepwise constant flow are the load estimate of linear interpolation with continuous flow.

    Args:
        said: n statements, n at least 1.
        values: what to draw (their values, or their errors), shape (n,).
        longest_h: hours.

    Returns:
        A line of 2 n + 1 pieces: held, window, between, window, ..., window, held. A grab's window has no length.
    """
    n = said.start.size
    knot = np.empty(2 * n + 2)
    knot[1:-1:2], knot[2::2] = said.start, said.end
    knot[0], knot[-1] = said.start[0] - longest_h, said.end[-1] + longest_h
    left = np.empty(2 * n + 1)
    left[0], left[1::2], left[2::2] = values[0], values, values
    right = left.copy()
    right[2:-1:2] = values[1:]
    too_long = np.flatnonzero(said.start[1:] - said.end[:-1] > longest_h)
    left[2 + 2 * too_long] = right[2 + 2 * too_long] = np.nan
    return Line(knot, left, right)
