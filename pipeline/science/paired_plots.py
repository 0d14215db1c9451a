"""Paired plots: what a treatment did, told by a plot that did not have it.

Belongs here: regression of treated on control, its shift from calibration to treatment, analysis of covariance, autocorrelation, the
part of the loads' own uncertainty that scatter does not show.
Does not: which pairs count, whether the design can carry a comparison (stages/paired_plots.py), words (publish/comparison.py).

Source: Clausen and Spooner 1993, Paired watershed study design, EPA 841-F-93-009; for residuals that carry over from pair to pair,
Zellner and Tiao 1964, Bayesian analysis of the regression model with autocorrelated errors, J. Am. Stat. Assoc. 59 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq
from scipy.special import stdtr

Floats = NDArray[np.float64]

SHARED_LEVEL = 0.9
CARRIED: Floats = (np.arange(25) + 0.5) / 25 * 0.98
"""Autocorrelations that are looked at: pairs that push one another apart are not believed in."""
BEFOREHAND: Floats = 1 / np.sqrt(1 - CARRIED**2)
"""How likely each is before any pair is seen (reference prior: Berger and Yang 1994, Econometric Theory 10; from memory)."""
FAR = 1e3
"""Bounds are looked for within so many standard errors."""


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
    """A difference between two lines, as far as it is known: Student's t about a centre, for each autocorrelation that may be.

    Attributes:
        centre: in the unit of treated, shape (k,).
        spread: standard error, of scatter between pairs and of the loads' uncertainty that scatter does not show, shape (k,).
        weight: how likely each autocorrelation is, shape (k,); sums to 1.
        degrees_of_freedom: of Student's t.
    """

    centre: Floats
    spread: Floats
    weight: Floats
    degrees_of_freedom: float

    @property
    def value(self) -> float:
        """The best estimate, in the unit of treated."""
        return float(self.weight @ self.centre)

    @property
    def standard_error(self) -> float:
        """All autocorrelations together."""
        return float(np.sqrt(self.weight @ (self.spread**2 + (self.centre - self.value) ** 2)))

    def interval(self, level: float = SHARED_LEVEL) -> tuple[float, float]:
        """Bounds within which it lies at this level."""
        if self.standard_error == 0:
            return self.value, self.value
        return self._quantile((1 - level) / 2), self._quantile((1 + level) / 2)

    @property
    def p_value(self) -> float:
        """How often chance alone would move it so far from nothing, two-sided."""
        if self.standard_error == 0:
            return 0.0 if self.value else 1.0
        return 2 * min(self._below(0.0), 1 - self._below(0.0))

    def _below(self, value: float) -> float:
        return float(self.weight @ stdtr(self.degrees_of_freedom, (value - self.centre) / self.spread))

    def _quantile(self, share: float) -> float:
        reach = FAR * float(self.spread.max()) + float(np.ptp(self.centre))
        low, high = self.value - reach, self.value + reach
        return float(brentq(lambda value: self._below(value) - share, low, high, xtol=1e-9 * reach, rtol=1e-12))


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
        autocorrelation: of the residuals of successive pairs, its mean over all that may be.
        effective_pairs: how many independent pairs tell as much of a mean, n (1 - r) / (1 + r) (Bayley and Hammersley 1946, Supplement to
            the Journal of the Royal Statistical Society 8).
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

    An intercept and a slope for either period and one variance; what a pair is off carries over to the next with an autocorrelation r.
    For a known r generalized least squares tells every number, Student's t with n - 4 degrees of freedom how surely. Short series tell
    little of r, and an estimate put in its place would be too low (Kendall 1954, Biometrika 41) and make intervals too narrow: each r is
    weighted by its likelihood with lines and variance integrated out (the restricted likelihood) and by a prior that favours none, and
    numbers are known by all of them together.

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
    # Counted from the mean control of the treatment period, where the shift is read.
    middle = float(x[late].mean())
    both = np.column_stack([np.ones(x.size), x - middle, late, late * (x - middle)])
    lines = _Lines.of(both, y)
    parallel = _Lines.of(both[:, :3], y)
    level, slope, moved, turned = lines.mean
    residuals = y - both @ lines.mean
    r = float(lines.weight @ CARRIED)
    shared = _shared_variance(both, late, slope, turned, treated_members, control_members)
    before = ~late
    return Comparison(
        calibration=Line(level - slope * middle, slope),
        treatment=Line(level + moved - (slope + turned) * middle, slope + turned),
        r_squared=1 - float(residuals[before] @ residuals[before]) / max(float(np.var(y[before])) * before.sum(), 1e-300),
        residual=float(np.sqrt(residuals @ residuals / (x.size - both.shape[1]))),
        shift=lines.shift(np.array([0.0, 0.0, 1.0, 0.0]), shared),
        slope_change=lines.shift(np.array([0.0, 0.0, 0.0, 1.0])),
        intercept_change=lines.shift(np.array([0.0, 0.0, 1.0, -middle])),
        common_slope_shift=parallel.shift(np.array([0.0, 0.0, 1.0]), shared),
        autocorrelation=r,
        effective_pairs=x.size * (1 - r) / (1 + r),
        loads_error=float(np.sqrt(shared)),
    )


def shift_at(comparison: Comparison, control: float) -> float:
    """Distance of the treatment line from the calibration line at a value of the control."""
    return float(comparison.treatment.at(control) - comparison.calibration.at(control))


@dataclass(frozen=True)
class _Lines:
    """Regression for each autocorrelation of `CARRIED`.

    Attributes:
        coefficients: shape (k, p).
        covariance: shape (k, p, p).
        weight: how likely each autocorrelation is, shape (k,).
        degrees_of_freedom: of the variance.
    """

    coefficients: Floats
    covariance: Floats
    weight: Floats
    degrees_of_freedom: int

    @classmethod
    def of(cls, design: Floats, y: Floats) -> _Lines:
        """Generalized least squares of successive pairs, by differences that have no autocorrelation left (Prais and Winsten 1954)."""
        told = np.column_stack([design, y])
        fresh = np.sqrt(1 - CARRIED**2)[:, np.newaxis, np.newaxis]
        white = np.broadcast_to(told, (CARRIED.size, *told.shape)).copy()
        white[:, 1:] = (told[1:] - CARRIED[:, np.newaxis, np.newaxis] * told[:-1]) / fresh
        x, value = white[..., :-1], white[..., -1:]
        inverse = np.linalg.inv(x.transpose(0, 2, 1) @ x)
        coefficients = inverse @ (x.transpose(0, 2, 1) @ value)
        freedom = design.shape[0] - design.shape[1]
        beside = np.sum((value - x @ coefficients) ** 2, axis=(1, 2))
        # Pairs that lie on their lines exactly tell nothing of r.
        squares = np.maximum(beside, 1e-24 * max(float(y @ y), 1e-300))
        log_likelihood = (
            -(design.shape[0] - 1) * np.log(fresh[:, 0, 0])
            + np.linalg.slogdet(inverse)[1] / 2
            - freedom / 2 * np.log(squares)
        )
        weight = BEFOREHAND * np.exp(log_likelihood - log_likelihood.max())
        covariance = inverse * (beside / freedom)[:, np.newaxis, np.newaxis]
        return cls(coefficients[..., 0], covariance, weight / weight.sum(), freedom)

    @property
    def mean(self) -> Floats:
        """Coefficients, all autocorrelations together."""
        return np.asarray(self.weight @ self.coefficients, dtype=float)

    def shift(self, contrast: Floats, more: float = 0.0) -> Shift:
        """A weighted sum of coefficients, with a variance that scatter does not show."""
        own = np.einsum("i,kij,j->k", contrast, self.covariance, contrast)
        return Shift(self.coefficients @ contrast, np.sqrt(own + more), self.weight, self.degrees_of_freedom)


def _shared_variance(
    both: Floats,
    late: NDArray[np.bool_],
    slope: float,
    turned: float,
    treated_members: ArrayLike | None,
    control_members: ArrayLike | None,
) -> float:
    """Variance of the shift over members, less what independent errors of that size would give.

    Args:
        both: regressors, of which the third is the shift.
        late: pairs of the treatment period.
        slope, turned: the calibration's slope, and by how much the treatment's is larger.
        treated_members, control_members: shape (members, n).
    """
    if treated_members is None or control_members is None:
        return 0.0
    y, x = np.asarray(treated_members, dtype=float), np.asarray(control_members, dtype=float)
    # To first order: errors of the control move a pair by the slope of its period.
    moved = y - (slope + late * turned) * x
    moved -= moved.mean(axis=0)
    inverse = np.linalg.inv(both.T @ both)
    shifts = moved @ (both @ inverse[:, 2])
    beside = moved - moved @ both @ inverse @ both.T
    independent = float(np.mean(np.sum(beside**2, axis=1))) / (late.size - both.shape[1])
    return max(float(np.var(shifts, ddof=1)) - independent * float(inverse[2, 2]), 0.0)
