"""What residuals say about the next estimate.

Belongs here: how residuals spread by the size of the estimate, how long they persist, what the residuals at a gap's edges say
about the hours inside it.
Does not: producing residuals (blocked_validation.py), putting estimates together (gap_estimate.py).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

PROBABILITIES: Floats = (np.arange(40) + 0.5) / 40
"""Equally likely steps of a residual distribution; the 5th and 95th percentile lie between steps."""

_CLASS_EDGES = np.array([0.0, 0.2, 0.4, 0.6, 0.75, 0.87, 0.95, 1.0])
_FEWEST_PER_CLASS = 60
EDGE_HOURS = 6
"""Measured hours at each edge whose residuals are averaged and carried into the gap."""
LARGEST_STANDARDISED = 4.0
"""Largest standardised residual that counts."""

_HOURS_OF_DOUBT = 200.0
_LAGS_H = np.array([1, 2, 3, 6, 12, 24, 48, 96, 168])


@dataclass(frozen=True)
class ResidualSpread:
    """Residual quantiles by the size of the estimate.

    Attributes:
        estimate: typical estimate of each class, increasing, shape (c,).
        quantiles: residuals at `PROBABILITIES` in each class, shape (c, p).
    """

    estimate: Floats
    quantiles: Floats

    @classmethod
    def of(cls, estimates: ArrayLike, residuals: ArrayLike) -> ResidualSpread:
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
        slices = [order[first:last] for first, last in pairwise(bounds)]
        return cls(
            np.array([x[rows].mean() for rows in slices]),
            np.stack([np.quantile(e[rows], PROBABILITIES) for rows in slices]),
        )

    def centre_and_scale(self, estimates: ArrayLike) -> tuple[Floats, Floats]:
        """Mean and standard deviation of the residuals of estimates, shape (n,) to two of (n,); between classes as in `at`.

        Where residuals hardly spread (a dry drain), a tenth of their overall spread stands in, so that nothing is divided by
        nothing.
        """
        x = np.asarray(estimates, dtype=float)
        least = 0.1 * float(np.sqrt(np.mean(self.quantiles**2))) + 1e-12
        scale = np.maximum(self.quantiles.std(axis=1), least)
        return np.interp(x, self.estimate, self.quantiles.mean(axis=1)), np.interp(x, self.estimate, scale)

    def at(self, estimates: ArrayLike) -> Floats:
        """Residual quantiles for estimates, shape (n,) to (n, p); straight between classes, constant beyond them."""
        x = np.asarray(estimates, dtype=float)
        if self.estimate.size == 1:
            return np.broadcast_to(self.quantiles[0], (x.size, self.quantiles.shape[1]))
        position = np.interp(x, self.estimate, np.arange(self.estimate.size))
        lower = np.minimum(position.astype(int), self.estimate.size - 2)
        share = (position - lower)[:, np.newaxis]
        return (1 - share) * self.quantiles[lower] + share * self.quantiles[lower + 1]


@dataclass(frozen=True)
class Persistence:
    """How long standardised residuals persist: correlation share * exp(-lag / time constant), with 1 at lag 0.

    The part that does not persist (1 - share) is new every hour.
    """

    share: float
    time_constant_h: float

    @classmethod
    def of(cls, standardised: ArrayLike) -> Persistence:
        """From hourly standardised residuals in order of time, not-a-number where there is none, shape (n,).

        The correlations at lags from an hour to a week are fitted by a straight line of their logarithms, weighted by their
        size; correlations under 0.05 count as none.
        """
        z = np.asarray(standardised, dtype=float)
        variance = np.nanmean(z**2) if np.isfinite(z).any() else 0.0
        if not variance > 0:
            return cls(0.0, 1.0)
        lags, correlations = [], []
        for lag in _LAGS_H[z.size > _LAGS_H]:
            product = z[lag:] * z[:-lag]
            if np.isfinite(product).sum() >= _FEWEST_PER_CLASS:
                lags.append(lag)
                correlations.append(np.nanmean(product) / variance)
        correlation = np.array(correlations)
        positive = correlation > 0.05
        # Only the lags before the correlation first vanishes belong to its decay.
        positive &= np.logical_and.accumulate(positive)
        if positive.sum() < 2:
            return cls(0.0, 1.0)
        slope, intercept = np.polyfit(np.array(lags)[positive], np.log(correlation[positive]), 1, w=correlation[positive])
        return cls(float(np.clip(np.exp(intercept), 0.0, 0.99)), float(np.clip(-1.0 / min(slope, -1e-4), 1.0, 1000.0)))

    def mean_given_edges(
        self, hours_from_left: ArrayLike, hours_from_right: ArrayLike, left: ArrayLike, right: ArrayLike, averaged: int
    ) -> Floats:
        """Mean of the residual inside a gap, given the residuals at its edges.

        The conditional mean of Gaussian variables (any statistics text; simple kriging with two data). The variance that would be
        left is not used: residuals of a storm are less alike than those of the year, and intervals narrowed by it held the
        truth too seldom.

        Args:
            hours_from_left, hours_from_right: distance to the edges, h, shape (n,).
            left, right: mean residual at the edges, not-a-number where an edge has none, shape (n,).
            averaged: how many hours each edge residual is the mean of: their new part averages out.

        Returns:
            Means in the unit of the edge residuals, shape (n,).
        """
        a, k = self.share, self.time_constant_h
        if a == 0:
            return np.zeros(np.shape(left))
        to_left, to_right = np.asarray(hours_from_left, dtype=float), np.asarray(hours_from_right, dtype=float)
        e_left, e_right = np.asarray(left, dtype=float), np.asarray(right, dtype=float)
        c_left = np.where(np.isfinite(e_left), a * np.exp(-to_left / k), 0.0)
        c_right = np.where(np.isfinite(e_right), a * np.exp(-to_right / k), 0.0)
        between = np.where(np.isfinite(e_left) & np.isfinite(e_right), a * np.exp(-(to_left + to_right) / k), 0.0)
        own = a + (1 - a) / averaged
        determinant = own**2 - between**2
        w_left = (own * c_left - between * c_right) / determinant
        w_right = (own * c_right - between * c_left) / determinant
        return w_left * np.nan_to_num(e_left) + w_right * np.nan_to_num(e_right)


@dataclass(frozen=True)
class EdgeResiduals:
    """Residuals that may be carried from the edges of a gap into it.

    Attributes:
        residual, standardised: mean over the `EDGE_HOURS` hours up to each hour and from each hour on, shape (2, hours).
        persistence: of the standardised residuals.
    """

    residual: Floats
    standardised: Floats
    persistence: Persistence

    @classmethod
    def of(cls, residual: ArrayLike, typical: ArrayLike) -> EdgeResiduals:
        """From hourly residuals and their typical size, not-a-number where there is none, both of shape (hours,)."""
        e, size = np.asarray(residual, dtype=float), np.asarray(typical, dtype=float)
        # A single outlier at an edge must not carry far.
        z = np.clip(e / size, -LARGEST_STANDARDISED, LARGEST_STANDARDISED)
        return cls(
            np.stack([_running_mean(e), _running_mean(e[::-1])[::-1]]),
            np.stack([_running_mean(z), _running_mean(z[::-1])[::-1]]),
            Persistence.of(z),
        )

    def carried(self, hours: ArrayLike, left: ArrayLike, right: ArrayLike, typical: ArrayLike) -> Floats:
        """What to add to estimates inside gaps.

        A residual is carried in proportion to the typical size of residuals, but never more than it was at the edge: a trifle at
        the edge of a dry spell is no flood later.

        Args:
            hours: the hours to estimate, shape (n,).
            left, right: the last hour before the gap (-1: none) and the first after it (number of hours: none), shape (n,).
            typical: typical size of residuals in these hours, shape (n,).

        Returns:
            Corrections in the residuals' unit, shape (n,).
        """
        at, first, last = np.asarray(hours), np.asarray(left), np.asarray(right)
        size = np.asarray(typical, dtype=float)
        count = self.residual.shape[1]
        edge = np.stack([np.clip(first, 0, count - 1), np.clip(last, 0, count - 1)])
        there = np.stack([first >= 0, last < count])
        side = np.array([[0], [1]])
        z = np.where(there, self.standardised[side, edge], np.nan)
        e = np.where(there, self.residual[side, edge], np.nan)
        limited = np.copysign(np.minimum(np.abs(z) * size, np.abs(e)), e)
        return self.persistence.mean_given_edges(at - first, last - at, limited[0], limited[1], EDGE_HOURS)


def _running_mean(values: Floats) -> Floats:
    """Mean of the last `EDGE_HOURS` values up to each, of those that there are; not-a-number where there is none."""
    known = np.isfinite(values)
    total = np.cumsum(np.where(known, values, 0.0))
    number = np.cumsum(known)
    total[EDGE_HOURS:] -= total[:-EDGE_HOURS].copy()
    number[EDGE_HOURS:] -= number[:-EDGE_HOURS].copy()
    return np.divide(total, number, out=np.full(values.size, np.nan), where=number > 0)


def seasonal_scale(day: ArrayLike, standardised: ArrayLike, at_day: ArrayLike) -> Floats:
    """How much larger or smaller residuals are in a season than their size alone tells.

    Root mean square of standardised residuals by twelfths of the year, each smoothed with its neighbours, drawn towards 1 where
    hours are few, straight between the twelfths.

    Args:
        day: days since a fixed date, shape (n,).
        standardised: residuals over their typical size, shape (n,).
        at_day: days wanted, shape (m,).

    Returns:
        Factors, shape (m,).
    """
    twelfth = 365.2425 / 12
    z = np.minimum(np.abs(np.asarray(standardised, dtype=float)), LARGEST_STANDARDISED)
    which = (np.asarray(day, dtype=float) // twelfth).astype(int) % 12
    squares = np.bincount(which, z**2, minlength=12)
    count = np.bincount(which, minlength=12).astype(float)
    weight = np.array([0.5, 1.0, 0.5])
    squares = sum(w * np.roll(squares, shift) for w, shift in zip(weight, (-1, 0, 1), strict=True))
    count = sum(w * np.roll(count, shift) for w, shift in zip(weight, (-1, 0, 1), strict=True))
    scale = np.sqrt((squares + _HOURS_OF_DOUBT) / (count + _HOURS_OF_DOUBT))
    position = (np.asarray(at_day, dtype=float) / twelfth - 0.5) % 12
    return np.interp(position, np.arange(13), np.append(scale, scale[0]))
