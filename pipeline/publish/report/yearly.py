"""What left each plot, by water year: the first section of the page.

Belongs here: annual loads and volumes, treatments beside one another, the sentences above them.
Does not: how much of them was measured (record.py), what makes them uncertain (doubt.py).
"""

from __future__ import annotations

from typing import Any

import pandas as pd

from pipeline.publish.load_words import empty_loads, listed
from pipeline.publish.report.reading import Source
from pipeline.publish.report.words import Said, amount, plain, sheet, with_interval
from pipeline.site.analytes import ANALYTES

COLUMNS = (
    ("Plot", "text"),
    ("Water year", "year"),
    ("Treatment", "text"),
    ("Load", "kg_ha"),
    ("Drainage", "mm"),
    ("Flow-weighted mean", "mg_l"),
    ("Measured", "share"),
    ("Filled", "share"),
    ("Below range", "share"),
    ("Ran back", "mm"),
    ("Not metered", "percent"),
)
TREATMENT_COLUMNS = (
    ("Treatment", "text"),
    ("From", "day"),
    ("To", "day"),
    ("Plots", "count"),
    ("Area", "ha"),
    ("Load", "kg_ha"),
    ("Drainage", "mm"),
    ("Flow-weighted mean", "mg_l"),
    ("Measured", "share"),
)


def yearly(source: Source) -> dict[str, Any]:
    """Annual loads and volumes of every plot, and means of treatments, by analyte."""
    annual, treatments = source.frame("loads_annual"), source.frame("loads_treatment")
    return {
        analyte: _of_analyte(source, annual[annual["analyte"] == analyte], treatments[treatments["analyte"] == analyte])
        for analyte in source.site.analytes
    }


def analyte_title(name: str) -> str:
    """An analyte in words, such as Nitrate (as N)."""
    meaning = ANALYTES[name].meaning.split(":")[0]
    return f"{meaning[0].upper()}{meaning[1:]} (as {ANALYTES[name].element})"


def _of_analyte(source: Source, annual: pd.DataFrame, treatments: pd.DataFrame) -> dict[str, Any]:
    years = sorted(annual["water_year"].unique()) if len(annual) else []
    order = {plot: number for number, plot in enumerate(source.plots())}
    rows = sorted(annual.to_dict("records"), key=lambda row: (row["water_year"], order[row["plot"]]))
    spells = sorted(treatments.to_dict("records"), key=lambda row: (row["start"], row["treatment"]))
    named = [(row, _treatment(source, row["plot"], int(row["water_year"]))) for row in rows]
    whole = {_key(row): row for row in spells if _whole_year(source, row)}
    return {
        "years": [
            {
                "year": plain(year),
                "groups": [
                    {
                        "treatment": treatment,
                        "mean": _mean(whole.get((treatment, year))),
                        "plots": [
                            {
                                "plot": row["plot"],
                                "load": with_interval(row, "load_kg_ha"),
                                "volume": with_interval(row, "volume_mm"),
                                "why_empty": plain(row["why_empty"]),
                            }
                            for row, has in named
                            if row["water_year"] == year and has == treatment
                        ],
                    }
                    for treatment in dict.fromkeys(sorted(has for row, has in named if row["water_year"] == year))
                ],
            }
            for year in years
        ],
        "said": _headline(rows),
        "alternative": _alternative(rows, [row for row in spells if _whole_year(source, row)]),
        "sheet": sheet(
            "Loads and drainage by plot and water year, with 90 % intervals",
            COLUMNS,
            (
                (
                    row["plot"],
                    row["water_year"],
                    treatment,
                    with_interval(row, "load_kg_ha"),
                    with_interval(row, "volume_mm"),
                    row["flow_weighted_mg_l"],
                    row["share_measured"],
                    row["share_filled"],
                    row["share_below_range"],
                    row["volume_backward_mm"],
                    row["missing_days_pct"],
                )
                for row, treatment in sorted(named, key=lambda one: (order[one[0]["plot"]], one[0]["water_year"]))
            ),
        ),
        "treatments": sheet(
            "Means of all plots that had a treatment at the same time, weighted by area, with 90 % intervals",
            TREATMENT_COLUMNS,
            (
                (
                    row["treatment"],
                    row["start"],
                    row["end"],
                    row["plots"],
                    row["area_ha"],
                    with_interval(row, "load_kg_ha"),
                    with_interval(row, "volume_mm"),
                    row["flow_weighted_mg_l"],
                    row["share_measured"],
                )
                for row in spells
            ),
        ),
        "empty": empty_loads(source.lake, source.site),
    }


def _treatment(source: Source, plot: str, year: int) -> str:
    """Treatments of a plot in a water year, one after the other; an empty text where none is entered."""
    start, end = source.site.water_year_period(year)
    first, last = source.site.record_period()
    rows = [row for row in source.site.treatments if row.plot == plot and row.touches(max(start, first), min(end, last))]
    return ", then ".join(dict.fromkeys(row.treatment for row in rows))


def _key(row: dict[Any, Any]) -> tuple[str, int]:
    return row["treatment"], row["water_year"]


def _whole_year(source: Source, row: dict[Any, Any]) -> bool:
    """Whether a treatment's stretch is all of the water year that the record holds."""
    start, end = source.site.water_year_period(int(row["water_year"]))
    first, last = source.site.record_period()
    return bool(row["start"] <= max(start, first) and row["end"] >= min(end, last))


def _mean(row: dict[Any, Any] | None) -> dict[str, Any] | None:
    if row is None:
        return None
    return {
        "load": with_interval(row, "load_kg_ha"),
        "volume": with_interval(row, "volume_mm"),
        "plots": plain(row["plots"]),
    }


def _headline(rows: list[dict[Any, Any]]) -> Said:
    known = [row for row in rows if not pd.isna(row["load_kg_ha"])]
    if not known:
        return ["No load of a whole water year is known yet."]
    said: Said = []
    for year in sorted({row["water_year"] for row in known}):
        of_year = sorted((row["load_kg_ha"], row["plot"]) for row in known if row["water_year"] == year)
        (least, lowest), (most, highest) = of_year[0], of_year[-1]
        said.append(f"{'Water year ' if not said else ''}{year}: ")
        if len(of_year) > 1:
            said += [amount(least, "kg_ha_bare"), f" ({lowest}) to ", amount(most, "kg_ha"), f" ({highest}); "]
        else:
            said += [amount(least, "kg_ha"), f" ({lowest}); "]
    said[-1] = str(said[-1]).removesuffix("; ") + "."
    return said


def _alternative(rows: list[dict[Any, Any]], means: list[dict[Any, Any]]) -> Said:
    """What the figure shows, for people who do not see it."""
    if not rows:
        return ["No annual load is stored."]
    plots = list(dict.fromkeys(row["plot"] for row in rows))
    said: Said = [
        f"Load and drainage of {listed(plots)} in {len({row['water_year'] for row in rows})} water years, each a mark with its "
        "90 % interval as a line; a shaded band is the mean of a treatment's plots. "
    ]
    for row in means:
        said += [f"{row['water_year']}, {row['treatment']}: ", amount(row["load_kg_ha"], "kg_ha"), ". "]
    return said
