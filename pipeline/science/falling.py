"""Whether a series falls, told robustly.

Belongs here: the slope of a series and whether it is surely negative. Arrays in, numbers out.
Does not: which series, what follows from it (stages/health.py).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

CONFIDENCE = 0.95


@dataclass(frozen=True)
class Slope:
    """Slope per unit of x, and the ends of its confidence interval."""

    slope: float
    low: float
    high: float

    @property
    def surely_negative(self) -> bool:
        """Whether the whole interval lies below zero."""
        return self.high < 0


def robust_slope(x: ArrayLike, y: ArrayLike) -> Slope:
    """The median of the slopes between all pairs of points, with a 95 % interval by Kendall's tau.

    A few wild values do not move it. Source: Sen 1968, J. Am. Stat. Assoc. 63, as `scipy.stats.theilslopes` has it.

    Args:
        x: places, shape (n,), n >= 3.
        y: values, shape (n,), no NaN.

    Raises:
        ValueError: fewer than three points.
    """
    places, values = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    if places.size < 3:
        raise ValueError(f"a slope with an interval needs three points, and {places.size} are given")
    found = stats.theilslopes(values, places, alpha=CONFIDENCE)
    return Slope(float(found.slope), float(found.low_slope), float(found.high_slope))
