"""What a meter of another bore would make of the same water.

Belongs here: carrying an error curve over to another bore, the trade's value where no curve is trusted, the uncertainty of a volume.
Does not: interpolation of a curve (science/error_curve.py), head loss (science/pipe_hydraulics.py).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.science.error_curve import error_pct

Floats = NDArray[np.float64]

TRADE_VELOCITY_M_S = 0.015
TRADE_ERROR_PCT = 5.0
"""A propeller meter in a full pipe stays within ±5 % down to about 1.5 cm/s (common practice, no source)."""


def flow_at_same_velocity(flow_l_min: ArrayLike, bore_mm: ArrayLike, other_bore_mm: ArrayLike) -> Floats:
    """Flow that runs through another bore at the velocity that a flow has in a known one.

    Meters of one construction err alike at one velocity, not at one flow: a curve's flows go with the square of the bore.

    Args:
        flow_l_min: flows through the known bore, L/min, shape (k,).
        bore_mm: the known bore, mm.
        other_bore_mm: the other bore, mm.

    Returns:
        L/min, shape (k,).
    """
    return (
        np.asarray(flow_l_min, dtype=float)
        * (np.asarray(other_bore_mm, dtype=float) / np.asarray(bore_mm, dtype=float)) ** 2
    )


def error_curve_limit_l(flow_l_min: ArrayLike, gross_l: ArrayLike, curve_l_min: ArrayLike, curve_pct: ArrayLike) -> float:
    """Most that an error curve allows a metered volume to be wrong by: every litre with the limit at its flow, at most all of it.

    The error is one and the same for all water of a meter, so that the limits add linearly (JCGM 100:2008, 5.2.2, note 1).

    Args:
        flow_l_min: flow of each class of water, L/min, shape (n,).
        gross_l: litres of each class, both ways added up, shape (n,).
        curve_l_min: the curve's flows, L/min, positive and increasing, shape (k,).
        curve_pct: error limit at these flows, %, shape (k,).

    Returns:
        Litres.
    """
    limit = np.minimum(error_pct(flow_l_min, curve_l_min, curve_pct), 100.0) / 100
    return float(np.sum(limit * np.asarray(gross_l, dtype=float)))


def expanded_uncertainty_l(error_limit_l: float, *expanded_l: float) -> float:
    """Expanded uncertainty (coverage factor 2) of a volume from an error limit and independent expanded uncertainties.

    The limit counts as a rectangular distribution, whose standard uncertainty is limit/√3 (JCGM 100:2008, 4.3.7); independent parts
    combine in quadrature (5.1.2).

    Args:
        error_limit_l: half-width within which the error lies for certain, L.
        expanded_l: expanded uncertainties at a coverage factor of 2, L.

    Returns:
        Litres.
    """
    return float(2 * np.hypot(error_limit_l / np.sqrt(3), np.linalg.norm(expanded_l) / 2 if expanded_l else 0.0))
