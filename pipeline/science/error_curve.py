"""The error curve of a meter.

Belongs here: interpolation of a meter's relative error over flow, and the flow below which it leaves a tolerance.
Does not: registers (site/), marking intervals (stages/volumes.py).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray


def error_pct(flow_l_min: ArrayLike, curve_l_min: ArrayLike, curve_pct: ArrayLike) -> NDArray[np.float64]:
    """Relative error bound of a meter at given flows.

    Straight lines between the curve's points over the logarithm of flow; above the highest point its error holds; below the
    lowest point the error grows as 1/flow, which is a constant absolute error.

    Args:
        flow_l_min: flows, L/min, any sign (the pipe does not know which way is forward), shape (n,).
        curve_l_min: the curve's flows, L/min, positive and increasing, shape (k,).
        curve_pct: error bound at these flows, %, shape (k,).

    Returns:
        Error bound, %, shape (n,); infinite at zero flow.
    """
    flow = np.abs(np.asarray(flow_l_min, dtype=float))
    at = np.asarray(curve_l_min, dtype=float)
    error = np.asarray(curve_pct, dtype=float)
    with np.errstate(divide="ignore"):
        inside = np.interp(np.log(np.maximum(flow, at[0])), np.log(at), error)
        return np.where(flow < at[0], error[0] * at[0] / flow, inside)


def lowest_flow_within(tolerance_pct: float, curve_l_min: ArrayLike, curve_pct: ArrayLike) -> float:
    """Lowest flow from which on the meter stays within a tolerance.

    Args:
        tolerance_pct: the tolerance, %.
        curve_l_min: the curve's flows, L/min, positive and increasing, shape (k,).
        curve_pct: error bound at these flows, %, shape (k,).

    Returns:
        Flow, L/min; infinite where the curve's highest point is outside the tolerance.
    """
    at = np.asarray(curve_l_min, dtype=float)
    error = np.asarray(curve_pct, dtype=float)
    outside = np.flatnonzero(error > tolerance_pct)
    if outside.size == 0:
        return float(at[0] * error[0] / tolerance_pct)
    last = int(outside[-1])
    if last == error.size - 1:
        return float("inf")
    share = (error[last] - tolerance_pct) / (error[last] - error[last + 1])
    return float(np.exp(np.log(at[last]) + share * (np.log(at[last + 1]) - np.log(at[last]))))
