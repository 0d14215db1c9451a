"""The estimators of a load that the trade uses, each from a flow record without holes and a few results.

Belongs here: one function for each estimator, its standard error where it has one, strata of flow.
Does not: which results count, units of time and plot (stages/load_methods.py), the project's own model (stages/concentration.py).

A pair is what one result says: the flow at its time and its concentration. Loads are in the unit of flow times that of concentration,
per unit of time where a mean is meant and in all where a sum is: L and mg/L give mg.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import t as student

Floats = NDArray[np.float64]

FEWEST_PAIRS = 2
"""Two pairs make a line, a variance, a ratio with an error."""
FEWEST_IN_STRATUM = 5
"""A stratum with fewer pairs is put together with the one beside it. Common practice, no source."""
MOST_STRATA = 3
FEWEST_OF_CURVE = 6
"""Pairs from which a rating curve is drawn. Common practice, no source."""


@dataclass(frozen=True)
class Estimate:
    """An estimated sum or mean.

    Attributes:
        value: the estimate.
        standard_error: of sampling alone, as if the results were a random sample; not-a-number where the method has none.
        degrees_of_freedom: of that error.
    """

    value: float
    standard_error: float = float("nan")
    degrees_of_freedom: float = float("nan")

    def interval_90(self) -> tuple[float, float]:
        """5th and 95th percentiles by Student's t; not-a-number without a standard error."""
        half_width = float(student.ppf(0.95, self.degrees_of_freedom)) * self.standard_error
        return self.value - half_width, self.value + half_width

    def times(self, factor: float) -> Estimate:
        """The estimate in another unit, or of so many times as much."""
        return Estimate(self.value * factor, self.standard_error * abs(factor), self.degrees_of_freedom)


def interpolated_load(volume: ArrayLike, concentration: ArrayLike) -> Estimate:
    """Linear interpolation with continuous flow: the sum of each step's volume times the concentration on a line between results.

    It has no standard error of its own: how far the concentration leaves the line is not in the results.
    Source: Williams and others 2015, Journal of Hydrology 530 (for drained fields; as an old method, Walling and Webb 1981, IAHS
    Publication 133; the latter from memory).

    Args:
        volume: net volume of each step, L, any sign, shape (n,).
        concentration: mean of the line over each step, mg/L, shape (n,).

    Returns:
        mg.
    """
    return Estimate(float(np.dot(np.asarray(volume, dtype=float), np.asarray(concentration, dtype=float))))


def time_weighted_load(volume: ArrayLike, concentration: ArrayLike) -> Estimate:
    """The time-weighted mean concentration times the whole volume, as if concentration and flow had nothing to do with each other.

    Each result counts by the time for which it stands, half-way to its neighbours, which is the mean of the line between results. No
    standard error of its own. Source: Walling and Webb 1981, IAHS Publication 133 (from memory).

    Args:
        volume: net volume of each step, L, steps of one length, shape (n,).
        concentration: mean of the line over each step, mg/L, shape (n,).

    Returns:
        mg.
    """
    return Estimate(float(np.sum(volume)) * float(np.asarray(concentration, dtype=float).mean()))


def flow_weighted_mean(flow: ArrayLike, concentration: ArrayLike, steps: float = np.inf) -> Estimate:
    """Flow-weighted mean concentration: the sum of flow times concentration over the sum of flow, of the pairs.

    Its standard error is that of a ratio of two means to first order (Cochran 1977, Sampling Techniques, 3rd ed., 6.4; from memory).

    Args:
        flow: flow of each pair, L per unit of time, not negative, shape (n,).
        concentration: mg/L, shape (n,).
        steps: how many steps there were from which the pairs are; their finite number makes the error smaller.

    Returns:
        mg/L.

    Raises:
        ValueError: fewer than two pairs, or nothing flowed.
    """
    q, load = _pairs(flow, concentration)
    ratio = load.sum() / q.sum()
    residual = load - ratio * q
    error = np.sqrt(max(1 / q.size - 1 / steps, 0.0) * (residual @ residual) / (q.size - 1)) / q.mean()
    return Estimate(float(ratio), float(error), q.size - 1.0)


def ratio_estimate(flow: ArrayLike, concentration: ArrayLike, mean_flow: float, steps: float = np.inf) -> Estimate:
    """Mean load by Beale's ratio estimator: the ratio of the pairs' loads and flows times the true mean flow, corrected for bias.

    With x flow, y load, means over the n pairs, s their covariances (n - 1), R the ratio of the means and d = 1/n - 1/N for N steps:
    R mean_flow (1 + d s_xy / (x y)) / (1 + d s_xx / x²); its bias is of the order of 1/n². The variance is the one that Tin gives to
    the order of 1/n².
    Sources: Beale 1962, Industrial Organization 31; Tin 1965, Journal of the American Statistical Association 60; the variance as in
    Richards 1998, Estimation of pollutant loads in rivers and streams, US EPA (formulas from memory, held to simulation).

    Args:
        flow: flow of each pair, L per unit of time, not negative, shape (n,).
        concentration: mg/L, shape (n,).
        mean_flow: true mean flow of all steps, L per unit of time.
        steps: number N of steps from which the pairs are.

    Returns:
        Mean load, mg per unit of time.

    Raises:
        ValueError: fewer than two pairs, or nothing flowed.
    """
    x, y = _pairs(flow, concentration)
    n, mean_x, mean_y = x.size, x.mean(), y.mean()
    if mean_y == 0:
        return Estimate(0.0, 0.0, n - 1.0)
    share = max(1 / n - 1 / steps, 0.0)
    # Deviations relative to the means: moments of the two, the first number for flow, the second for load.
    u, v = x / mean_x - 1, y / mean_y - 1
    xx, xy, yy = ((u * u).sum() / (n - 1), (u * v).sum() / (n - 1), (v * v).sum() / (n - 1))
    xxx, xxy, xyy = ((u**3).sum() / (n - 1), (u * u * v).sum() / (n - 1), (u * v * v).sum() / (n - 1))
    relative = (
        share * (xx + yy - 2 * xy)
        + share**2 * (2 * xx**2 - 4 * xx * xy + xy**2 + xx * yy)
        + 2 * share / steps * (xxx - 2 * xxy + xyy)
    )
    error = mean_y / mean_x * np.sqrt(max(relative, 0.0))
    ratio = float(corrected_ratio(x, y, steps))
    return Estimate(ratio * mean_flow, float(error * abs(mean_flow)), n - 1.0)


def corrected_ratio(flow: ArrayLike, load: ArrayLike, steps: float = np.inf) -> Floats:
    """Beale's ratio of load to flow, corrected for bias, along the last axis: see `ratio_estimate`.

    Args:
        flow: flow of each pair, not negative, shape (..., n), n at least 2.
        load: flow times concentration, same shape.
        steps: number of steps from which the pairs are.

    Returns:
        mg/L, shape (...,); not-a-number where nothing flowed.
    """
    x, y = np.asarray(flow, dtype=float), np.asarray(load, dtype=float)
    n = x.shape[-1]
    share = max(1 / n - 1 / steps, 0.0)
    mean_x, mean_y = x.mean(axis=-1), y.mean(axis=-1)
    off_x, off_y = x - mean_x[..., np.newaxis], y - mean_y[..., np.newaxis]
    xx, xy = ((off_x * off).sum(axis=-1) / (n - 1) for off in (off_x, off_y))
    with np.errstate(invalid="ignore", divide="ignore"):
        # With s_xy / (x y) and s_xx / x² multiplied out, so that no load at all is a ratio of nothing.
        return np.asarray((mean_y + share * xy / mean_x) / (mean_x + share * xx / mean_x))


def stratified_ratio_estimate(
    flow: ArrayLike, concentration: ArrayLike, volume: ArrayLike, bounds: ArrayLike, steps_per_unit: float = 1.0
) -> Estimate:
    """Load of a whole record by a ratio estimate in each stratum of flow, added up.

    Strata are independent: variances add up. Source: as `ratio_estimate`; strata as in Cochran 1977, Sampling Techniques, 6.10
    (separate ratio estimate; from memory).

    Args:
        flow: flow of each pair, L per step, not negative, shape (n,).
        concentration: mg/L, shape (n,).
        volume: net volume of each step, L, any sign, shape (m,).
        bounds: flows that part the strata, ascending, as from `strata_bounds`; a flow on a bound is in the upper stratum.
        steps_per_unit: steps that one pair stands for: their number over this is the finite population of pairs.

    Returns:
        mg.

    Raises:
        ValueError: a stratum has fewer than two pairs, or nothing flowed in them.
    """
    q, c, litres = (np.asarray(values, dtype=float) for values in (flow, concentration, volume))
    of_pair, of_step = np.searchsorted(bounds, q, side="right"), np.searchsorted(bounds, litres, side="right")
    parts = []
    for stratum in range(np.size(bounds) + 1):
        here, then = of_pair == stratum, litres[of_step == stratum]
        steps = max(then.size / steps_per_unit, 1.0)
        if then.size:
            parts.append(ratio_estimate(q[here], c[here], then.mean(), steps).times(then.size))
    freedom = sum(part.degrees_of_freedom for part in parts)
    error = float(np.sqrt(sum(part.standard_error**2 for part in parts)))
    return Estimate(sum(part.value for part in parts), error, freedom)


def strata_bounds(flow: ArrayLike, volume: ArrayLike) -> Floats:
    """Flows that part the record into strata of equal volume, as many as the pairs allow.

    Three strata, or two, or one: the most in which each has `FEWEST_IN_STRATUM` pairs, and one that flowed.

    Args:
        flow: flow of each pair, L per step, shape (n,).
        volume: net volume of each step, L, shape (m,).

    Returns:
        Ascending, shape (strata - 1,).
    """
    pairs = np.asarray(flow, dtype=float)
    running = np.sort(np.asarray(volume, dtype=float))
    running = running[running > 0]
    if running.size == 0:
        return np.empty(0)
    below = np.cumsum(running) / running.sum()
    for strata in range(MOST_STRATA, 1, -1):
        bounds = np.unique(running[np.searchsorted(below, np.arange(1, strata) / strata)])
        stratum = np.searchsorted(bounds, pairs, side="right")
        flowing = np.bincount(stratum[pairs > 0], minlength=strata)
        if (
            bounds.size == strata - 1
            and np.bincount(stratum, minlength=strata).min() >= FEWEST_IN_STRATUM
            and flowing.all()
        ):
            return np.asarray(bounds)
    return np.empty(0)


def rating_curve_mean(flow: ArrayLike, concentration: ArrayLike, volume: ArrayLike) -> Estimate:
    """Flow-weighted mean concentration by a rating curve: ordinary least squares of ln concentration on ln flow, with smearing.

    The concentration of a step is exp(a + b ln flow) times the mean of exp(residuals), which takes out the bias of going back from
    logarithms whatever the residuals' distribution (Duan 1983, Journal of the American Statistical Association 78). The standard
    error is that of leaving out one pair at a time (jackknife: Efron 1982, The Jackknife, the Bootstrap and Other Resampling Plans;
    from memory).

    Args:
        flow: flow of each pair, L per step, shape (n,); pairs without flow or concentration have no logarithm and do not count.
        concentration: mg/L, shape (n,).
        volume: volume of each step, L, shape (m,); steps with no outflow do not count.

    Returns:
        mg/L, weighted by the volume of the steps that flowed.

    Raises:
        ValueError: fewer than `FEWEST_OF_CURVE` pairs that count, all of one flow, or no step flowed.
    """
    q, c, litres = (np.asarray(values, dtype=float) for values in (flow, concentration, volume))
    usable = (q > 0) & (c > 0)
    x, y, litres = np.log(q[usable]), np.log(c[usable]), litres[litres > 0]
    if x.size < FEWEST_OF_CURVE or np.ptp(x) == 0 or litres.size == 0:
        raise ValueError(f"a rating curve needs {FEWEST_OF_CURVE} pairs of several flows")
    log_volume = np.log(litres)

    def mean(kept: NDArray[np.bool_]) -> float:
        middle, height = x[kept].mean(), y[kept].mean()
        off, over = x[kept] - middle, y[kept] - height
        spread = off @ off
        # Where the pair that is left out was the only one of another flow, the curve is level.
        slope = off @ over / spread if spread > 0 else 0.0
        smearing = np.exp(over - slope * off).mean()
        return float(np.average(np.exp(height + slope * (log_volume - middle)), weights=litres) * smearing)

    one = np.arange(x.size)
    left_out = np.array([mean(one != pair) for pair in one])
    error = np.sqrt((x.size - 1) / x.size * np.sum((left_out - left_out.mean()) ** 2))
    return Estimate(mean(one >= 0), float(error), x.size - 2.0)


def composite_mean(volume: ArrayLike, concentration: ArrayLike) -> Estimate:
    """Flow-weighted mean concentration of composites: each counts by the volume of its window.

    Its standard error is that of a ratio of two means, the composites being a random sample of the water.
    Source: practice of edge-of-field monitoring (Harmel and others 2006, Transactions of the ASABE 49; from memory); the error as in
    `flow_weighted_mean`.

    Args:
        volume: volume of each window, L, not negative, shape (n,).
        concentration: mg/L, shape (n,).

    Returns:
        mg/L.

    Raises:
        ValueError: no composite, or nothing flowed in their windows.
    """
    litres, c = np.asarray(volume, dtype=float), np.asarray(concentration, dtype=float)
    if litres.size == 1 and litres[0] > 0:
        return Estimate(float(c[0]))
    return flow_weighted_mean(litres, c)


def _pairs(flow: ArrayLike, concentration: ArrayLike) -> tuple[Floats, Floats]:
    """Flow and load of each pair."""
    q, c = np.asarray(flow, dtype=float), np.asarray(concentration, dtype=float)
    if q.size < FEWEST_PAIRS or not q.sum() > 0:
        raise ValueError(f"at least {FEWEST_PAIRS} pairs are needed, and that water flowed in one of them")
    return q, q * c
