"""A transform of flow that keeps its sign, and the way back without bias.

Belongs here: the signed root, its inverse, the smearing mean.
Does not: where residuals come from (residuals.py, blocked_validation.py).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


def signed_root(flow: ArrayLike, order: float = 2.0) -> Floats:
    """Root of the size, with the sign kept: backward flow stays backward.

    Args:
        flow: any shape, any unit, any sign.
        order: 2 for the square root, 3 for the cube root.

    Returns:
        sign(flow) |flow|^(1/order), same shape.
    """
    values = np.asarray(flow, dtype=float)
    size = np.sqrt(np.abs(values)) if order == 2 else np.abs(values) ** (1 / order)
    return np.copysign(size, values)


def signed_power(root: ArrayLike, order: float = 2.0) -> Floats:
    """The inverse of `signed_root`, same shape."""
    values = np.asarray(root, dtype=float)
    size = np.square(values) if order == 2 else np.abs(values) ** order
    return np.copysign(size, values)


def smeared_mean(predicted: ArrayLike, residuals: ArrayLike, back: Callable[[Floats], Floats]) -> Floats:
    """Mean on the original scale of predictions made on a transformed one.

    The mean of the back-transformed is not the back-transformed mean. The smearing estimate averages the back-transformed
    predictions over the residuals. Source: Duan 1983, Journal of the American Statistical Association 78.

    Args:
        predicted: predictions on the transformed scale, shape (n,).
        residuals: residuals on the transformed scale, equally likely; shape (m,) for all, or (n, m) for each its own.
        back: the inverse transform.

    Returns:
        Means on the original scale, shape (n,).
    """
    centre = np.asarray(predicted, dtype=float)[:, np.newaxis]
    return back(centre + np.asarray(residuals, dtype=float)).mean(axis=1)
