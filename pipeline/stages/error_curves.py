"""Which error curve a meter has.

Belongs here: from what meters.csv names, the points of accuracy.csv or the class of accuracy_classes.csv.
Does not: the curve's mathematics (science/error_curve.py), what it is used for.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.science.error_curve import class_curve
from pipeline.site import Site

Floats = NDArray[np.float64]


def error_curve(site: Site, accuracy: str) -> tuple[Floats, Floats]:
    """Points of the curve of a name in meters.csv.

    Args:
        site: points and classes.
        accuracy: the name; it is one of theirs.

    Returns:
        Flows, L/min, and bounds of the relative error, %, both shape (k,), k at least 1.
    """
    for row in site.accuracy_classes:
        if row.accuracy == accuracy:
            return class_curve(row.q3_m3_h, row.ratio)
    # In the register's order, which is that of flow: of a step's two points the first is its lower side.
    points = [(row.flow_l_min, row.error_pct) for row in site.accuracy if row.accuracy == accuracy]
    flow_l_min, limit_pct = np.array(points).T
    return flow_l_min, limit_pct
