"""Paired plots: what a treatment did, told by a plot that did not have it.

Belongs here: regression of treated on control, its shift from calibration to treatment, analysis of covariance, autocorrelation, the
part of the loads' own uncertainty that scatter does not show.
Does not: which pairs count, whether the design can carry a comparison (stages/paired_plots.py), words (publish/comparison.py).

Source: Clausen and Spooner 1993, Paired watershed study design, EPA 841-F-93-009.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import t as student

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

SHARED_LEVEL = 0.9
MOST_AUTOCORRELATION = 0.9


@dataclass(frozen=True)
class Line:
    """A straight line of treated on control: intercept and slope."""

    intercept: float
    slope: float

    def at(self, control: ArrayLike) -> Floats:
        """Treated that the line expects of control."""
        return np.asarray(self.intercept + self.slope * np.asarray(control, dtype=float))


@dataclass(frozen=True)
class Shift:
    """A difference between two lines, with its standard error.

    Attributes:
        value: in the unit of treated.
        standard_error: of scatter between pairs, made larger by autocorrelation, and of the loads' uncertainty that scatter does not show.
        degrees_of_freedom: of Student's t.
    """

    value: float
    standard_error: float
    degrees_of_freedom: float

    def interval(self, level: float = SHARED_LEVEL) -> tuple[float, float]:
        """Bounds within which it lies at this level."""
        half_width = float(student.ppf((1 + level) / 2, self.degrees_of_freedom)) * self.standard_error
        return self.value - half_width, self.value + half_width

    @property
    def p_value(self) -> float:
        """How often chance alone would move it so far from nothing, two-sided."""
        if self.standard_error == 0:
            return 0.0 if self.value else 1.0
        return float(2 * student.sf(abs(self.value) / self.standard_error, self.degrees_of_freedom))


@dataclass(frozen=True)
class Comparison:
    """What pairs of a calibration and a treatment period say.

    Attributes:
        calibration, treatment: the lines of either period.
        r_squared: of the calibration line.
        residual: standard deviation of pairs about the two lines.
        shift: of treated at the mean control of the treatment period: the mean there less what calibration expects.
        slope_change, intercept_change: treatment line less calibration line (analysis of covariance with both).
        common_slope_shift: distance of two parallel lines (analysis of covariance with one slope).
        autocorrelation: of the residuals of successive pairs, corrected for its bias; not less than 0.
        effective_pairs: how many independent pairs tell as much.
        loads_error: standard error of the shift by the loads' own uncertainty, as far as scatter does not show it.
    """

    calibration: Line
    treatment: Line
    r_squared: float
    residual: float
    shift: Shift
    slope_change: Shift
    intercept_change: Shift
    common_slope_shift: Shift
    autocorrelation: float
    effective_pairs: float
    loads_error: float


def compare(
    treated: ArrayLike,
    control: ArrayLike,
    after: ArrayLike,
    treated_members: ArrayLike | None = None,
    control_members: ArrayLike | None = None,
) -> Comparison:
    """Regress treated on control before and after a change, and say by how much the treated moved.

    Ordinary least squares with an intercept and a slope for either period and one variance. The variance of every number is
    multiplied by (1 + r) / (1 - r) and the pairs are counted as n (1 - r) / (1 + r), r being the lag-one autocorrelation of the residuals
    within a period (Bayley and Hammersley 1946, Supplement to the Journal of the Royal Statistical Society 8), corrected for its bias in
    short series, -(1 + 3 r) / n (Kendall 1954, Biometrika 41; both from memory), where that is positive.

    Members carry the loads' own uncertainty: each makes a shift of its own. Errors that are independent from pair to pair are in the
    scatter of the pairs already; so much of the members' variance as the scatter of their own deviations about the lines accounts for is
    not counted twice. What is left are errors that pairs share, such as a new calibration in one period.

    Args:
        treated, control: values of pairs in order of time (or their logarithms), shape (n,).
        after: whether a pair lies in the treatment period, shape (n,).
        treated_members, control_members: equally likely values in place of these, member by member, shape (members, n); none: known.

    Raises:
        ValueError: a period has fewer than three pairs, or control does not vary in it.
    """
    y, x, late = np.asarray(treated, dtype=float), np.asarray(control, dtype=float), np.asarray(after, dtype=bool)
    for period in (late, ~late):
        if period.sum() < 3 or np.ptp(x[period]) == 0:
            raise ValueError("each period needs three pairs or more, of several values of the control")
    middle = float(x[late].mean())
    both = np.column_stack([np.ones(x.size), x, late, late * x])
    parallel = both[:, :3]
    at_middle, slopes, intercepts = (
        np.array(row, dtype=float) for row in ([0, 0, 1, middle], [0, 0, 0, 1], [0, 0, 1, 0])
    )

    coefficients, inverse = _fit(both, y)
    residuals = y - both @ coefficients
    r = _autocorrelation(residuals, late)
    inflation = (1 + r) / (1 - r)
    effective = x.size / inflation
    freedom = max(effective - both.shape[1], 1.0)
    variance = float(residuals @ residuals) / (x.size - both.shape[1])
    shared = _shared_variance(both, late, at_middle, treated_members, control_members, coefficients)

    def shift(contrast: Floats, value: float, more: float = 0.0) -> Shift:
        own = variance * inflation * float(contrast @ inverse @ contrast)
        return Shift(value, float(np.sqrt(own + more)), freedom)

    level, slope, moved, turned = (float(number) for number in coefficients)
    together, its_inverse = _fit(parallel, y)
    of_parallel = y - parallel @ together
    parallel_variance = float(of_parallel @ of_parallel) / (x.size - 3) * inflation * float(its_inverse[2, 2])
    before = ~late
    return Comparison(
        calibration=Line(level, slope),
        treatment=Line(level + moved, slope + turned),
        r_squared=1 - float(residuals[before] @ residuals[before]) / max(float(np.var(y[before])) * before.sum(), 1e-300),
        residual=float(np.sqrt(variance)),
        shift=shift(at_middle, moved + turned * middle, shared),
        slope_change=shift(slopes, turned),
        intercept_change=shift(intercepts, moved),
        common_slope_shift=Shift(float(together[2]), float(np.sqrt(parallel_variance + shared)), max(effective - 3, 1.0)),
        autocorrelation=r,
        effective_pairs=effective,
        loads_error=float(np.sqrt(shared)),
    )


def shift_at(comparison: Comparison, control: float) -> float:
    """Distance of the treatment line from the calibration line at a value of the control."""
    return float(comparison.treatment.at(control) - comparison.calibration.at(control))


def _fit(design: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Least squares: coefficients, and the inverse of the normal matrix."""
    inverse: Floats = np.linalg.inv(design.T @ design).astype(np.float64)
    return inverse @ design.T @ y, inverse


def _autocorrelation(residuals: Floats, late: Flags) -> float:
    """Of successive residuals of the same period, corrected for bias, between 0 and `MOST_AUTOCORRELATION`."""
    same = late[1:] == late[:-1]
    found = float(residuals[1:][same] @ residuals[:-1][same]) / max(float(residuals @ residuals), 1e-300)
    # Each period has a mean of its own, so that it is the length of one period that makes the bias.
    corrected = found + (1 + 3 * max(found, 0.0)) / (residuals.size / 2)
    return float(np.clip(corrected, 0.0, MOST_AUTOCORRELATION))


def _shared_variance(
    both: Floats,
    late: Flags,
    at_middle: Floats,
    treated_members: ArrayLike | None,
    control_members: ArrayLike | None,
    coefficients: Floats,
) -> float:
    """Variance of the shift over members, less what independent errors of that size would give."""
    if treated_members is None or control_members is None:
        return 0.0
    y, x = np.asarray(treated_members, dtype=float), np.asarray(control_members, dtype=float)
    # To first order: errors of the control move a pair by the slope of its period.
    slope = coefficients[1] + late * coefficients[3]
    moved = y - slope * x
    moved -= moved.mean(axis=0)
    inverse = np.linalg.inv(both.T @ both)
    shifts = moved @ (both @ inverse @ at_middle)
    beside = moved - moved @ both @ inverse @ both.T
    independent = float(np.mean(np.sum(beside**2, axis=1))) / (late.size - both.shape[1])
    return max(float(np.var(shifts, ddof=1)) - independent * float(at_middle @ inverse @ at_middle), 0.0)
