"""What makes the loads uncertain, what to do about it, and how much the choice of method matters.

Belongs here: the uncertainty budget, the trade's estimators beside the reported load.
Does not: wording that the terminal shares (load_words.py, load_methods_text.py), the numbers (stages/).
"""

from __future__ import annotations

from typing import Any

import pandas as pd

from pipeline.publish.load_methods_text import HOW_TO_READ, NAMES, stored_methods
from pipeline.publish.load_words import NAMES as SOURCES
from pipeline.publish.load_words import WHAT_SHRINKS_IT
from pipeline.publish.report.reading import Source
from pipeline.publish.report.words import Said, amount, plain, sheet, with_interval


def budget(source: Source) -> dict[str, Any]:
    """By analyte: shares of the variance of each annual load by source, and advice."""
    rows = source.frame("uncertainty_budget")
    return {analyte: _budget_of(source, rows[rows["analyte"] == analyte]) for analyte in source.site.analytes}


def _budget_of(source: Source, rows: pd.DataFrame) -> dict[str, Any]:
    known = rows.dropna(subset="variance_share")
    order = {plot: place for place, plot in enumerate(source.plots())}
    shares = known.pivot_table(index=["plot", "water_year"], columns="source", values="variance_share", sort=True)
    used = [name for name in SOURCES if name in shares and (shares[name] > 0).any()]
    keys = sorted(shares.index, key=lambda key: (key[1], order.get(key[0], 0)))
    return {
        "sources": [{"source": name, "name": SOURCES[name]} for name in used],
        "rows": [[plot, plain(year), [plain(shares.loc[(plot, year), name]) for name in used]] for plot, year in keys],
        "advice": _advice(known),
        "alternative": _budget_alternative(shares, used),
        "sheet": sheet(
            "Sources of the uncertainty of each annual load",
            [
                ("Plot", "text"),
                ("Water year", "year"),
                ("Source", "text"),
                ("Standard deviation", "kg_ha_fine"),
                ("Share of the variance", "share"),
            ],
            (
                (
                    row["plot"],
                    row["water_year"],
                    SOURCES.get(row["source"], row["source"]),
                    row["sd_kg_ha"],
                    row["variance_share"],
                )
                for row in rows.to_dict("records")
            ),
        ),
    }


def _advice(known: pd.DataFrame) -> list[Said]:
    """Sources in the order of the loads in which they are the largest, and what would shrink each."""
    if known.empty:
        return []
    largest = known.loc[known.groupby(["plot", "water_year"])["variance_share"].idxmax()]
    counts = {str(name): int(count) for name, count in largest["source"].value_counts().items()}
    return [
        [
            f"{SOURCES[name][0].upper()}{SOURCES[name][1:]}: the largest source in {count} of {len(largest)} loads, on average ",
            amount(float(known.loc[known["source"] == name, "variance_share"].mean()), "share"),
            f" of the variance. What would shrink it: {WHAT_SHRINKS_IT[name].replace('`', '')}.",
        ]
        for name, count in counts.items()
    ]


def _budget_alternative(shares: pd.DataFrame, used: list[str]) -> Said:
    if shares.empty:
        return ["No budget is stored: 0 loads of whole years are known."]
    said: Said = [f"A bar for each of {len(shares)} annual loads, parted by where the variance comes from. On average: "]
    for name in sorted(used, key=lambda name: -shares[name].mean()):
        said += [amount(float(shares[name].mean()), "share"), f" {SOURCES[name]}, "]
    said[-1] = str(said[-1]).rstrip(", ") + "."
    return said


def methods(source: Source) -> dict[str, Any]:
    """By analyte: the load of each plot and year by each method."""
    rows = stored_methods(source.lake, source.site)
    made = {}
    for analyte in source.site.analytes:
        of_analyte = rows[rows["analyte"] == analyte]
        known = of_analyte[of_analyte["load_kg_ha"].notna()]
        names = [name for name in NAMES if name in set(known["method"])]
        made[analyte] = {
            "methods": [{"method": name, "name": NAMES[name][0]} for name in names],
            "rows": [
                [plot, plain(year), {row["method"]: with_interval(row, "load_kg_ha") for row in one.to_dict("records")}]
                for year in sorted(known["water_year"].unique())
                for plot in source.plots()
                if len(one := known[(known["water_year"] == year) & (known["plot"] == plot)])
            ],
            "how_to_read": HOW_TO_READ,
            "alternative": _methods_alternative(known, names),
            "sheet": sheet(
                "The load of each plot and year by each method, with its 90 % interval where it has one",
                [
                    ("Plot", "text"),
                    ("Water year", "year"),
                    ("Method", "text"),
                    ("Load", "kg_ha"),
                    ("Why there is none", "text"),
                ],
                (
                    (
                        row["plot"],
                        row["water_year"],
                        NAMES[row["method"]][0],
                        with_interval(row, "load_kg_ha"),
                        row["why_empty"],
                    )
                    for row in of_analyte.to_dict("records")
                ),
            ),
        }
    return made


def _methods_alternative(known: pd.DataFrame, names: list[str]) -> Said:
    if len(names) < 2:
        return ["0 estimators stand beside the reported loads: `drainledger run` computes them."]
    reported = known[known["method"] == "reported"].set_index(["plot", "water_year"])["load_kg_ha"]
    beside = known[known["method"] != "reported"].set_index(["plot", "water_year"])
    ratio = (beside["load_kg_ha"] / reported.reindex(beside.index) - 1).groupby(beside["method"]).mean()
    said: Said = [f"Marks of {len(names)} methods for each plot and year. On average, against the reported load: "]
    for name in names[1:]:
        said += [f"{NAMES[name][0]} ", amount(100 * float(ratio[name]), "percent_signed"), ", "]
    said[-1] = "."
    return said
