"""Units: from litres on a field to depth, from mg to kg/ha.

Belongs here: conversion factors of volumes, areas and masses.
Does not: units of concentration (concentration_units.py), adding up loads (stages/loads.py).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

LITRES_PER_MM_HA = 10_000.0
"""A depth of 1 mm on 1 ha: 0.001 m times 10,000 m² is 10 m³."""

MG_PER_KG = 1e6


def depth_mm(volume_l: ArrayLike, area_ha: ArrayLike) -> NDArray[np.float64]:
    """Volume as depth over a field.

    Args:
        volume_l: litres, any sign, any shape.
        area_ha: hectares, positive, a shape that broadcasts.

    Returns:
        Depth, mm.
    """
    return np.asarray(volume_l, dtype=float) / LITRES_PER_MM_HA / np.asarray(area_ha, dtype=float)


def kg_per_ha(mass_mg: ArrayLike, area_ha: ArrayLike) -> NDArray[np.float64]:
    """Mass per area.

    Args:
        mass_mg: milligrams (litres times mg/L), any sign, any shape.
        area_ha: hectares, positive, a shape that broadcasts.

    Returns:
        kg/ha.
    """
    return np.asarray(mass_mg, dtype=float) / MG_PER_KG / np.asarray(area_ha, dtype=float)


def flow_weighted_mg_l(load_kg_ha: ArrayLike, volume_mm: ArrayLike) -> NDArray[np.float64]:
    """Load divided by volume: 1 kg/ha in 1 mm is 100 mg/L.

    Args:
        load_kg_ha: loads, any shape.
        volume_mm: depths of the same water, not zero, same shape.

    Returns:
        mg/L.
    """
    return np.asarray(load_kg_ha, dtype=float) * MG_PER_KG / LITRES_PER_MM_HA / np.asarray(volume_mm, dtype=float)
