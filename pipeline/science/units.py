"""Units: from what a laboratory writes to mg/L, from litres on a field to depth, from mg to kg/ha.

Belongs here: conversion factors and the names of units that are understood.
Does not: reading results (stages/samples.py), adding up loads (stages/loads.py).
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import ArrayLike, NDArray

NITROGEN_G_MOL = 14.007
OXYGEN_G_MOL = 15.999
"""IUPAC standard atomic weights, abridged to five digits."""

NITRATE_G_MOL = NITROGEN_G_MOL + 3 * OXYGEN_G_MOL

LITRES_PER_MM_HA = 10_000.0
"""A depth of 1 mm on 1 ha: 0.001 m times 10,000 m² is 10 m³."""

MG_PER_KG = 1e6

MG_L_PER_UNIT: Mapping[str, Mapping[str, float]] = {
    "nitrate_n": {
        "mg/L": 1.0,
        "mg/L as N": 1.0,
        "mg/L as NO3": NITROGEN_G_MOL / NITRATE_G_MOL,
        "umol/L": NITROGEN_G_MOL / 1000,
        "µmol/L": NITROGEN_G_MOL / 1000,
    },
}
"""By analyte: the units that are understood, and the mg/L (nitrate as nitrogen) in one of each."""

MG_L_PER_UNIT_OTHERWISE: Mapping[str, float] = {"mg/L": 1.0}
"""For an analyte that has no row of its own: mg/L of what its name says."""


def known_units(analyte: str) -> Mapping[str, float]:
    """Names of the units in which a result of an analyte may stand, and mg/L in one of each."""
    return MG_L_PER_UNIT.get(analyte, MG_L_PER_UNIT_OTHERWISE)


def unit_key(name: str) -> str:
    """A unit's name without what does not matter: capitals, doubled blanks, and which of its two signs stands for micro."""
    return " ".join(name.casefold().split())


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
