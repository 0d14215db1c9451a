"""From residuals to standard normal scores and back, by the size of the estimate.

Belongs here: the table of residuals at equally spaced normal scores in classes of the estimate, and reading it both ways.
Does not: how scores hang together in time (residual_process.py), where residuals come from (gap_models.py).

A residual's score is the standard normal quantile of its place among the residuals of estimates of about the same size (normal score
transform, any geostatistics text). The table knows skewed residuals, residuals that grow with flow, and a dry drain's that hardly
spread, and needs no distribution: members that are drawn as scores and taken back have the residuals' own distribution, so that
their mean on the original scale is the smearing estimate (Duan 1983, Journal of the American Statistical Association 78).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]

SCORES: Floats = np.linspace(-3.0, 3.0, 25)
"""Scores at which residuals are kept; beyond them the table goes on straight."""
LARGEST_SCORE = 3.0
_PLACES = 120
_WEIGHTS: Floats = np.exp(-np.square(SCORES) / 2) / np.exp(-np.square(SCORES) / 2).sum()
_STEP = float(SCORES[1] - SCORES[0])
_CLASS_EDGES = np.array([0.0, 0.2, 0.4, 0.6, 0.75, 0.87, 0.95, 1.0])
_FEWEST_PER_CLASS = 60
_HOURS_OF_DOUBT = 200.0


@dataclass(frozen=True)
class NormalScores:
    """Residuals by size of the estimate.

    Attributes:
        estimate: typical estimate of each class, increasing, shape (c,).
        residual: residuals at `SCORES` in each class, shape (c, s).
    """

    estimate: Floats
    residual: Floats

    @classmethod
    def of(cls, estimates: ArrayLike, residuals: ArrayLike) -> NormalScores:
        """From residuals of estimates, both shape (n,), n at least 1.

        Estimates are sorted into classes, narrower towards the high ones, where the water is.
        """
        x = np.asarray(estimates, dtype=float)
        e = np.asarray(residuals, dtype=float)
        order = np.argsort(x, kind="stable")
        bounds = np.unique(np.round(_CLASS_EDGES * x.size).astype(int))
        if np.diff(bounds).min() < _FEWEST_PER_CLASS:
            count = max(1, min(_CLASS_EDGES.size - 1, x.size // _FEWEST_PER_CLASS))
            bounds = np.unique(np.round(np.linspace(0, x.size, count + 1)).astype(int))
        classes = [order[first:last] for first, last in pairwise(bounds)]
        places = ndtr(SCORES)
        return cls(
            np.array([x[rows].mean() for rows in classes]), np.stack([_quantiles(e[rows], places) for rows in classes])
        )

    def at(self, estimates: ArrayLike) -> Floats:
        """Residuals at `SCORES` for estimates, shape (n,) to (n, s); straight between classes, constant beyond them, not-a-number
        where the estimate is."""
        x = np.asarray(estimates, dtype=float)
        if self.estimate.size == 1:
            return np.broadcast_to(self.residual[0], (x.size, SCORES.size))
        lower, share = self._place(x)
        share = share[:, np.newaxis]
        return (1 - share) * self.residual[lower] + share * self.residual[lower + 1]

    def mean(self, estimates: ArrayLike, back: Callable[[Floats], Floats], widening: float = 1.0) -> Floats:
        """Mean of what estimates and their residuals are on another scale (the smearing estimate), shape (n,) to (n,).

        Args:
            estimates: on the scale of the residuals, shape (n,).
            back: from that scale to the other.
            widening: factor on the residuals' scores.
        """
        x = np.asarray(estimates, dtype=float)
        known = np.isfinite(x)
        if not known.any():
            return np.full(x.shape, np.nan)
        return np.interp(x, *self.means(x[known].min(), x[known].max(), back, widening))

    def means(
        self, lowest: float, highest: float, back: Callable[[Floats], Floats], widening: float = 1.0
    ) -> tuple[Floats, Floats]:
        """Estimates from the lowest to the highest and the means of these: a smooth function of the estimate alone, both shape (p,)."""
        at = np.unique(np.concatenate([np.linspace(lowest, highest, _PLACES), self.estimate]))
        scores = np.broadcast_to(widening * SCORES, (at.size, SCORES.size))
        return at, np.asarray(back(at[:, np.newaxis] + self.residuals(at, scores)) @ _WEIGHTS)

    def scores(self, estimates: ArrayLike, residuals: ArrayLike) -> Floats:
        """Normal scores of residuals of estimates, both shape (n,) to (n,), within plus and minus 3.

        Residuals that many share (a dry drain's) have the middle one of the scores that they may have.
        """
        x, e = np.asarray(estimates, dtype=float), np.asarray(residuals, dtype=float)
        lower, share = self._place(x)
        below = self._count(np.less, e, lower, share)
        up_to = below.copy()
        tied = np.flatnonzero(self._one(np.minimum(below, SCORES.size - 1), lower, share) == e)
        up_to[tied] = self._count(np.less_equal, e[tied], lower[tied], share[tied])
        last = np.clip(below, 1, SCORES.size - 1)
        low, high = self._one(last - 1, lower, share), self._one(last, lower, share)
        part = np.clip((e - low) / np.maximum(high - low, 1e-300), 0.0, 1.0)
        between = SCORES[last - 1] + part * _STEP
        shared = (SCORES[np.minimum(below, SCORES.size - 1)] + SCORES[np.maximum(up_to - 1, 0)]) / 2
        return np.where(up_to > below + 1, shared, between)

    def _place(self, x: Floats) -> tuple[Indices, Floats]:
        """Between which classes estimates lie: the lower one, and the share of the way to the next, both shape (n,)."""
        if self.estimate.size == 1:
            return np.zeros(x.size, dtype=np.int64), np.zeros(x.size)
        position = np.interp(x, self.estimate, np.arange(self.estimate.size))
        lower = np.minimum(np.nan_to_num(position).astype(np.int64), self.estimate.size - 2)
        return lower, position - lower

    def _one(self, score: Indices, lower: Indices, share: Floats) -> Floats:
        """The residual at one of `SCORES`, given by its number, for each of some places, shape (n,); what `at` has in that column."""
        if self.estimate.size == 1:
            return np.asarray(self.residual[0, score])
        place = lower * SCORES.size + score
        return np.asarray((1 - share) * self.residual.take(place) + share * self.residual.take(place + SCORES.size))

    def _count(self, holds: np.ufunc, e: Floats, lower: Indices, share: Floats) -> Indices:
        """At how many of `SCORES`, from the first on, a comparison of the residual with another holds, both shape (n,).

        They ascend, so that halving finds the place: of thousands in a quarter to little more than half of a table's time.
        """
        count = np.zeros(e.size, dtype=np.int64)
        for step in 1 << np.arange(SCORES.size.bit_length())[::-1]:
            further = count + step
            holding = holds(self._one(np.minimum(further, SCORES.size) - 1, lower, share), e)
            count = np.where((further <= SCORES.size) & holding, further, count)
        return count

    def residuals(self, estimates: ArrayLike, scores: ArrayLike) -> Floats:
        """Residuals of scores, shapes (n,) and (n, m) to (n, m), in double precision."""
        table = self.at(estimates)
        z = np.clip(np.asarray(scores), -LARGEST_SCORE, LARGEST_SCORE)
        position = (z - SCORES[0]) / _STEP
        lower = np.clip(position.astype(np.int64), 0, SCORES.size - 2)
        low = np.take_along_axis(table, lower, axis=1)
        return low + (position - lower) * (np.take_along_axis(table, lower + 1, axis=1) - low)


def _quantiles(values: Floats, shares: Floats) -> Floats:
    """Straight between values at shares of the way from the least to the largest, as numpy's default; sorting once takes less."""
    return np.interp(shares * (values.size - 1), np.arange(values.size), np.sort(values))


def seasonal_scale(day: ArrayLike, score: ArrayLike, at_day: ArrayLike) -> Floats:
    """How much wider than usual scores spread in each season.

    The root mean square of the scores by month, over three months weighted 1:2:1, straight between the months' middles. A month with
    few hours counts as usual: `_HOURS_OF_DOUBT` ordinary hours are added to each.

    Args:
        day: days since a fixed date, shape (n,).
        score: normal scores of these times, shape (n,).
        at_day: where the factor is wanted, shape (m,).

    Returns:
        Factors, shape (m,).
    """
    twelfth = 365.2425 / 12
    z = np.asarray(score, dtype=float)
    which = (np.asarray(day, dtype=float) // twelfth).astype(int) % 12
    squares = np.bincount(which, z**2, minlength=12)
    count = np.bincount(which, minlength=12).astype(float)
    weight = np.array([0.5, 1.0, 0.5])
    squares = sum(w * np.roll(squares, shift) for w, shift in zip(weight, (-1, 0, 1), strict=True))
    count = sum(w * np.roll(count, shift) for w, shift in zip(weight, (-1, 0, 1), strict=True))
    scale = np.sqrt((squares + _HOURS_OF_DOUBT) / (count + _HOURS_OF_DOUBT))
    position = (np.asarray(at_day, dtype=float) / twelfth - 0.5) % 12
    return np.interp(position, np.arange(13), np.append(scale, scale[0]))
