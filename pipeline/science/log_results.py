"""Results in the logarithm: means over hours made linear.

Belongs here: what a result says of logarithms, which results count, the tangent of the logarithm of a weighted mean.
Does not: conditioning on them (concentration_model.py), units, samples and plots (stages/concentration_terms.py).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.science.conditioned_series import Observations, Points, System
from pipeline.science.exponential_memory import PARTS

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]

BLOCKS = 6
"""A composite's window touches the deviations at so many hours."""
DENSE = 60
"""A composite whose window holds more grabs than this tells nothing new, and is set aside."""
MOST_BOUNDS = 400
"""Bounds of a series that count; of more, some at even distances: a long run of results below the limit says one thing."""


@dataclass(frozen=True)
class LogResults:
    """Results of one series, sorted by nothing in particular.

    Attributes:
        mean_of: the hours that each is a mean of, with weights, hour by hour.
        log_value: logarithm of the result or bound, shape (n,).
        sd: standard deviation of its error, in the logarithm, shape (n,).
        bound: 0 a value, -1 the truth lies below, 1 above, shape (n,).
        shared_sd: part of `sd` that results may have in common, shape (n,).
    """

    mean_of: Points
    log_value: Floats
    sd: Floats
    bound: Indices
    shared_sd: Floats

    def __len__(self) -> int:
        return self.log_value.size

    def take(self, rows: Indices) -> LogResults:
        """Some of the results, rows ascending."""
        number = np.full(len(self), -1)
        number[rows] = np.arange(rows.size)
        points = self.mean_of
        kept = number[points.observation] >= 0
        return LogResults(
            Points(number[points.observation[kept]], points.hour[kept], points.weight[kept]),
            self.log_value[rows],
            self.sd[rows],
            self.bound[rows],
            self.shared_sd[rows],
        )


def usable(results: LogResults) -> Indices:
    """The results that a series is conditioned on: all but composites whose windows grabs fill already, and all too many bounds."""
    points = results.mean_of
    count = np.bincount(points.observation, minlength=len(results))
    first = np.append(0, np.cumsum(count))[:-1]
    opens, closes = points.hour[first], points.hour[first + count - 1]
    grabs = np.sort(opens[count == 1])
    within = np.searchsorted(grabs, closes, side="right") - np.searchsorted(grabs, opens)
    kept = (count == 1) | (within <= DENSE)
    bounded = np.flatnonzero(kept & (results.bound != 0))
    if bounded.size > MOST_BOUNDS:
        in_time = bounded[np.argsort(opens[bounded], kind="stable")]
        kept[in_time] = False
        kept[in_time[np.linspace(0, bounded.size - 1, MOST_BOUNDS).astype(np.int64)]] = True
    return np.flatnonzero(kept)


@dataclass(frozen=True)
class Tangent:
    """Results as linear statements at a given series.

    Attributes:
        blocks: hours whose deviations they touch.
        offset: logarithm of the mean less the mean of logarithms, shape (n,).
        design: shape (n, p).
    """

    blocks: Points
    offset: Floats
    design: Floats

    @classmethod
    def of(cls, results: LogResults, design: Floats, series: Floats) -> Tangent:
        """The tangent at a series of logarithms, both with a row an hour."""
        points = results.mean_of
        n = len(results)
        size = np.bincount(points.observation, minlength=n)
        first = np.append(0, np.cumsum(size))[:-1]
        log = series[points.hour]
        top = np.maximum.reduceat(log, first)
        amount = points.weight * np.exp(log - top[points.observation])
        total = np.add.reduceat(amount, first)
        share = amount / total[points.observation]
        offset = np.log(total) + top - np.add.reduceat(share * log, first)

        place = np.arange(points.hour.size) - first[points.observation]
        number = np.minimum(size, BLOCKS)
        block_of = (
            np.append(0, np.cumsum(number))[points.observation]
            + place * number[points.observation] // size[points.observation]
        )
        blocks = int(number.sum())
        weight = np.bincount(block_of, share, minlength=blocks).astype(float)
        centre = np.bincount(block_of, share * points.hour, minlength=blocks)
        plain = np.bincount(block_of, points.hour, minlength=blocks) / np.bincount(block_of, minlength=blocks)
        hour = np.where(weight > 0, centre / np.where(weight > 0, weight, 1.0), plain)
        whole = np.add.reduceat(share[:, np.newaxis] * design[points.hour], first, axis=0)
        return cls(Points(np.repeat(np.arange(n), number), np.rint(hour).astype(np.int64), weight), offset, whole)

    def observations(self, value: Floats, variance: Floats) -> Observations:
        """Logarithms of results, and variances of their errors, as linear statements, shape (n,)."""
        return Observations(self.blocks, value - self.offset, variance, self.design)


def mean_at(points: Points, states: Floats, system: System) -> Floats:
    """Weighted mean deviations under each observation, from states, shape (n, m)."""
    place = PARTS * np.searchsorted(system.knot, points.hour)
    first = np.flatnonzero(np.diff(points.observation, prepend=-1))
    both = (states[place] + states[place + 1]) * points.weight[:, np.newaxis]
    return np.asarray(np.add.reduceat(both, first, axis=0))
