"""Extending one record from another without losing its variance.

Belongs here: the line that maintains mean and variance.
Does not: which records serve (gap_estimate.py), transforms (signed_root.py).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike


def variance_keeping_line(donor: ArrayLike, target: ArrayLike) -> tuple[float, float]:
    """Maintenance of variance extension: a line whose estimates vary as the record does.

    Least squares shrinks estimates towards the mean by the correlation; high and low flows are lost. Here the slope is
    sign(r) s_target / s_donor and the line passes through both means, so that over the common hours the estimates have the
    target's own mean and sample variance. Source: Hirsch 1982, Water Resources Research 18 (type 1).

    Args:
        donor: concurrent values of the donor, shape (n,).
        target: concurrent values of the record to extend, shape (n,).

    Returns:
        Slope and intercept. A donor that never varies tells nothing: slope 0, intercept the target's mean.

    Raises:
        ValueError: fewer than two values, or different lengths.
    """
    x = np.asarray(donor, dtype=float)
    y = np.asarray(target, dtype=float)
    if x.shape != y.shape or x.ndim != 1 or x.size < 2:
        raise ValueError(f"two concurrent records of at least two values are needed, not shapes {x.shape} and {y.shape}")
    x_mean, y_mean = x.mean(), y.mean()
    x_spread, y_spread = x.std(), y.std()
    # A spread of rounding errors only is no spread.
    if x_spread <= 1e-12 * max(1.0, float(np.abs(x).max())):
        return 0.0, float(y_mean)
    sign = np.sign(np.dot(x - x_mean, y - y_mean))
    slope = float(sign * y_spread / x_spread)
    return slope, float(y_mean - slope * x_mean)
