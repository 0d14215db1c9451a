"""What is said of loads in sentences: why one is empty, and what makes the others uncertain.

Belongs here: wording, and what would shrink each source of uncertainty.
Does not: the numbers (stages/loads.py), the table of loads (summary.py).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd

from pipeline.lake import Lake
from pipeline.site import Site
from pipeline.tables import table

NAMES: Mapping[str, str] = {
    "calibration": "the calibration of the meter",
    "error_curve": "the error that the meter's error curve allows",
    "below_range": "water that ran slower than the meter is accurate",
    "counting": "counting whole pulses",
    "gap_filling": "filling hours without a record",
    "sampling": "the concentration between samples",
    "laboratory": "the laboratory",
    "backward_water": "what the water that ran back carried",
}

WHAT_SHRINKS_IT: Mapping[str, str] = {
    "calibration": "a new proof of the meter, with more runs or a better reference",
    "error_curve": "a meter that is more accurate at the flows that carry most of the water",
    "below_range": "a smaller bore, or a meter that reads slower water (`drainledger size-meter` compares bores)",
    "counting": "fewer litres per pulse",
    "gap_filling": "shorter outages (a second logger, a running counter on the meter, spare parts, quicker visits)",
    "sampling": "more samples, above all at high flow, or flow-paced composites",
    "laboratory": "repeat analyses, or a method with a smaller uncertainty",
    "backward_water": "samples of the receiving water, and of what comes back, while water runs backwards",
}


def largest_uncertainties(lake: Lake, site: Site) -> list[str]:
    """For each source that is the largest of some annual load: of which, how large, and what would shrink it.

    A sentence for each analyte and source, the source of most loads first.
    """
    declared = table("uncertainty_budget")
    budget = lake.frame(declared, site.site, lake.years(declared, site.site)).dropna(subset="variance_share")
    if budget.empty:
        return []
    by_year = budget.groupby(["plot", "analyte", "water_year"], sort=True)
    several = budget["analyte"].nunique() > 1
    largest = budget.loc[by_year["variance_share"].idxmax()]
    sentences = []
    for analyte, loads in largest.groupby("analyte", sort=True):
        by_source = sorted(loads.groupby("source", sort=True), key=lambda pair: -len(pair[1]))
        for source, its in by_source:
            name = NAMES[str(source)]
            sentences.append(
                f"{name[0].upper()}{name[1:]} makes {_loads(its, len(loads), str(analyte) if several else '')} most uncertain "
                f"({_shares(its)}); what would shrink it: {WHAT_SHRINKS_IT[str(source)]}."
            )
    return sentences


def _loads(its: pd.DataFrame, of_all: int, analyte: str) -> str:
    """Some annual loads by plot and water year, or all of them."""
    of = f" of {analyte}" if analyte else ""
    if len(its) == of_all > 1:
        return f"every annual load{of}"
    plots = [
        f"{plot} in {listed([str(year) for year in rows['water_year']])}" for plot, rows in its.groupby("plot", sort=True)
    ]
    return f"the load{'s' if len(its) > 1 else ''}{of} of {', '.join(plots)}"


def _shares(its: pd.DataFrame) -> str:
    percent = (100 * its["variance_share"]).round().astype(int)
    if percent.min() == percent.max():
        return f"{percent.max()} % of the variance"
    most = its.sort_values("variance_share").iloc[-1]
    return f"{percent.min()} to {percent.max()} % of the variance, most in {most['plot']} {most['water_year']}"


def listed(words: Sequence[str]) -> str:
    """Words as a list in a sentence."""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}" if words else ""


def empty_loads(lake: Lake, site: Site) -> list[str]:
    """A sentence for every plot and water year whose load is empty: why, and what is known in its place."""
    declared = table("loads_annual")
    annual = lake.frame(declared, site.site, lake.years(declared, site.site))
    several = annual["analyte"].nunique() > 1
    empty = annual[annual["why_empty"].notna()].sort_values(["plot", "analyte", "water_year"])
    return [f"{_load(row, several)} is not known: {_why(row)}." for row in empty.to_dict("records")]


def _load(row: Mapping[Any, Any], several: bool) -> str:
    of = f" of {row['analyte']}" if several else ""
    return f"Load{of} of {row['plot']} in {row['water_year']}"


def _why(row: Mapping[Any, Any]) -> str:
    reasons = []
    if row["unfilled_hours"]:
        reasons.append(f"{row['unfilled_hours']:,} of its {row['hours']:,} hours could not be filled")
    if "no_results" in row["why_empty"]:
        reasons.append(f"no usable result of {row['analyte']} is near")
    known = [
        f"{row[name]:,.{decimals}f} {unit}"
        for name, decimals, unit in (("volume_known_mm", 0, "mm of drainage"), ("load_known_kg_ha", 1, "kg/ha"))
        if not pd.isna(row[name])
    ]
    over = f" (over the hours that are known: {' and '.join(known)})" if known else ""
    return " and ".join(reasons) + over
