"""What a laboratory may be asked for: every analyte that is known, once.

Belongs here: the name of each analyte, what it is, the element in which it is counted, the species in which results may stand.
Does not: molar masses and factors (science/concentration_units.py), how long a bottle may wait (science/holding_times.py).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True)
class Analyte:
    """One analyte.

    Attributes:
        meaning: what it is, in words.
        element: symbol of the element in which its concentration and load are counted.
        species: formulas in which a laboratory may state a result instead; each names its atoms of the element.
        equivalents_per_mole: charge of the ion, for results in equivalents; none where the charge depends on the pH, or the
            analyte is no ion.
    """

    meaning: str
    element: str
    species: tuple[str, ...] = ()
    equivalents_per_mole: int | None = None


ANALYTES: Mapping[str, Analyte] = {
    "nitrate_n": Analyte("nitrate", "N", ("NO3",), 1),
    "nitrite_n": Analyte("nitrite", "N", ("NO2",), 1),
    "nitrate_nitrite_n": Analyte("nitrate and nitrite together", "N", ("NO3",), 1),
    "ammonium_n": Analyte("ammonium and ammonia together", "N", ("NH4", "NH3"), 1),
    "kjeldahl_n": Analyte("total Kjeldahl nitrogen: ammonium and organic nitrogen", "N"),
    "total_dissolved_n": Analyte("all nitrogen that passes the filter", "N"),
    "total_n": Analyte("all nitrogen", "N"),
    "dissolved_reactive_p": Analyte(
        "dissolved reactive phosphorus: what passes the filter and reacts with molybdate", "P", ("PO4", "P2O5")
    ),
    "total_dissolved_p": Analyte("all phosphorus that passes the filter", "P", ("PO4", "P2O5")),
    "total_p": Analyte("all phosphorus", "P", ("PO4", "P2O5")),
}
"""By the name that site.yaml and the laboratory sheets use."""

PARTS: tuple[tuple[str, str], ...] = (
    ("nitrate_n", "nitrate_nitrite_n"),
    ("nitrite_n", "nitrate_nitrite_n"),
    ("nitrate_nitrite_n", "total_dissolved_n"),
    ("nitrate_n", "total_dissolved_n"),
    ("nitrate_n", "total_n"),
    ("nitrate_nitrite_n", "total_n"),
    ("ammonium_n", "kjeldahl_n"),
    ("ammonium_n", "total_n"),
    ("kjeldahl_n", "total_n"),
    ("total_dissolved_n", "total_n"),
    ("dissolved_reactive_p", "total_dissolved_p"),
    ("dissolved_reactive_p", "total_p"),
    ("total_dissolved_p", "total_p"),
)
"""Pairs of which the first is a part of the second, so that it cannot be more."""
