"""How long a bottle may wait before it is analysed.

Belongs here: the published limits by analyte and preservation, and which of them holds for a bottle.
Does not: when a bottle was taken and analysed (stages/).

Source of all limits: US EPA, 40 CFR Part 136, Table II (required containers, preservation techniques and holding times), stated
from memory; look them up before a report depends on one. The table asks for cooling to 6 °C or less for each of these analytes, and
where it asks for acid (sulfuric, pH under 2) for cooling as well. A composite's time runs from the end of its collection.
"""

from __future__ import annotations

from collections.abc import Mapping

TWO_DAYS_H = 48.0
FOUR_WEEKS_H = 28 * 24.0

HOLDING_LIMITS_H: Mapping[str, Mapping[str, float]] = {
    "nitrate_n": {"chilled": TWO_DAYS_H, "acidified": FOUR_WEEKS_H},
    "nitrite_n": {"chilled": TWO_DAYS_H},
    "nitrate_nitrite_n": {"acidified": FOUR_WEEKS_H},
    "ammonium_n": {"acidified": FOUR_WEEKS_H},
    "kjeldahl_n": {"acidified": FOUR_WEEKS_H},
    "total_dissolved_n": {"acidified": FOUR_WEEKS_H},
    "total_n": {"acidified": FOUR_WEEKS_H},
    "dissolved_reactive_p": {"chilled": TWO_DAYS_H},
    "total_dissolved_p": {"acidified": FOUR_WEEKS_H},
    "total_p": {"acidified": FOUR_WEEKS_H},
}
"""Longest time between taking and analysing a bottle, h, by analyte and preservation; no entry: the table asks for another
preservation. An acidified bottle of nitrate_n holds nitrate and nitrite together. Total nitrogen is not in the table: as its parts."""

FILTERING_LIMITS_H: Mapping[str, float] = {"dissolved_reactive_p": 0.25}
"""Longest time between taking a bottle and filtering it, h (15 minutes), by analyte; no entry: the table sets none."""

FILTERED_ANALYTES = ("dissolved_reactive_p", "total_dissolved_p", "total_dissolved_n")
"""Analytes that by their definition pass a filter (0.45 µm)."""
