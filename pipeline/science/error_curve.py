"""The error curve of a meter.

Belongs here: interpolation of a meter's relative error over flow, the flow below which it leaves a tolerance, the curve of a class
of the legal-metrology standard.
Does not: registers (site/), which meter has which curve (stages/error_curves.py), marking intervals (stages/volumes.py).

A curve is given by its points, flows that do not fall and the bound of the relative error at each. Two points of the same flow are a
step: below it the first bound holds, from it on the second.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

LITRES_PER_M3 = 1000.0
MINUTES_PER_HOUR = 60.0
TRANSITION_OF_MINIMUM = 1.6
"""Q2/Q1 of the legal-metrology standard."""
OVERLOAD_OF_PERMANENT = 1.25
"""Q4/Q3 of the legal-metrology standard."""


def error_pct(flow_l_min: ArrayLike, curve_l_min: ArrayLike, curve_pct: ArrayLike) -> NDArray[np.float64]:
    """Relative error bound of a meter at given flows.

    Straight lines between the curve's points over the logarithm of flow; above the highest point its error holds; below the
    lowest point the error grows as 1/flow, which is a constant absolute error.

    Args:
        flow_l_min: flows, L/min, any sign (the pipe does not know which way is forward), shape (n,).
        curve_l_min: the curve's flows, L/min, positive and not falling, shape (k,).
        curve_pct: error bound at these flows, %, shape (k,).

    Returns:
        Error bound, %, shape (n,); infinite at zero flow.
    """
    flow = np.abs(np.asarray(flow_l_min, dtype=float))
    at = np.asarray(curve_l_min, dtype=float)
    error = np.asarray(curve_pct, dtype=float)
    # The last point at or below each flow, and the next; of a step that is its upper side.
    below = np.maximum(np.searchsorted(at, flow, side="right") - 1, 0)
    above = np.minimum(below + 1, at.size - 1)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.log(flow / at[below]) / np.log(at[above] / at[below])
        inside = np.where(above > below, error[below] + share * (error[above] - error[below]), error[below])
        return np.where(flow < at[0], error[0] * at[0] / flow, inside)


def lowest_flow_within(tolerance_pct: float, curve_l_min: ArrayLike, curve_pct: ArrayLike) -> float:
    """Lowest flow from which on the meter stays within a tolerance.

    Args:
        tolerance_pct: the tolerance, %.
        curve_l_min: the curve's flows, L/min, positive and not falling, shape (k,).
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
    return float(at[last] * (at[last + 1] / at[last]) ** share)


def class_curve(permanent_flow_m3_h: float, ratio: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The maximum permissible errors of a water meter of the legal-metrology standard, as a curve.

    ±5 % from the minimum flow Q1 up to the transition flow Q2 = 1.6 Q1, ±2 % from Q2 to the overload flow Q4 = 1.25 Q3, for water of at
    most 30 °C: a step at Q2. Below Q1 the standard promises nothing; the curve then goes on as every curve does. The limits are those
    of a new meter when it is put on the market. Source: Directive 2014/32/EU, Annex MI-001; OIML R 49-1.

    Args:
        permanent_flow_m3_h: Q3, m3/h.
        ratio: R = Q3/Q1, above 1.6.

    Returns:
        Flows, L/min, and error bounds, %, both shape (4,): Q1, below Q2, from Q2 on, Q4.
    """
    permanent = permanent_flow_m3_h * LITRES_PER_M3 / MINUTES_PER_HOUR
    minimum = permanent / ratio
    transition = TRANSITION_OF_MINIMUM * minimum
    return (
        np.array([minimum, transition, transition, OVERLOAD_OF_PERMANENT * permanent]),
        np.array([5.0, 5.0, 2.0, 2.0]),
    )
