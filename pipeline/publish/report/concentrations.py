"""Concentrations between samples, and the samples themselves.

Belongs here: daily means of the hourly series, every result with its window, censored as such.
Does not: how a concentration is estimated (stages/concentration.py).
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from pipeline.publish.report.packing import packed
from pipeline.publish.report.reading import Source
from pipeline.publish.report.record import DAY_MS
from pipeline.publish.report.words import Said, amount, plain, sheet

FINEST_MG_L = 0.001


def concentrations(source: Source) -> dict[str, Any]:
    """By analyte and plot: daily means with the means of their bounds, and results."""
    local = source.local("hour_start")
    daily = source.ask(
        "concentration",
        f"""
        SELECT plot, analyte, epoch_ms(date_trunc('day', {local})) // {DAY_MS} AS day, avg(mg_l ORDER BY hour_start) AS mg_l,
            avg(mg_l_p05 ORDER BY hour_start) AS low, avg(mg_l_p95 ORDER BY hour_start) AS high
        FROM stored GROUP BY plot, analyte, day ORDER BY plot, analyte, day
        """,
    )
    results = source.frame("sample_results")
    water = source.frame("sample_flow").set_index("sample")["water"]
    results = results.assign(water=results["sample"].map(water).fillna(results["water"]))
    receiving = source.frame("receiving_water_results")
    made = {}
    for analyte in source.site.analytes:
        of_analyte = results[results["analyte"] == analyte].sort_values(["start", "sample"])
        plots = []
        for plot in source.plots():
            days = daily[(daily["plot"] == plot) & (daily["analyte"] == analyte)]
            of_plot = of_analyte[of_analyte["plot"] == plot]
            if days.empty and of_plot.empty:
                continue
            plots.append({"plot": plot, **_series(days), "results": _marks(of_plot)})
        made[analyte] = {
            "plots": plots,
            "alternative": _alternative(of_analyte, receiving[receiving["analyte"] == analyte]),
            "sheet": _sheet(of_analyte),
        }
    return made


def _series(days: pd.DataFrame) -> dict[str, Any]:
    if days.empty:
        return {"first_day": 0, "days": 0}
    first = int(days["day"].min())
    at = days["day"].to_numpy() - first
    series: dict[str, Any] = {"first_day": first, "days": int(at[-1]) + 1}
    for name in ("mg_l", "low", "high"):
        spread = np.full(int(at[-1]) + 1, np.nan)
        spread[at] = days[name].to_numpy(dtype=float, na_value=np.nan)
        series[name] = packed(spread, FINEST_MG_L)
    return series


def _marks(rows: pd.DataFrame) -> list[Any]:
    columns = ["kind", "start", "end", "mg_l", "censored", "above_range", "detection_limit_mg_l", "water"]
    return [plain(list(row)) for row in rows[columns].itertuples(index=False)]


def _alternative(results: pd.DataFrame, receiving: pd.DataFrame) -> Said:
    if results.empty:
        return ["0 results of samples are stored."]
    certain = results[~results["censored"].astype(bool)]
    said: Said = [
        f"{len(results):,} results of {results['plot'].nunique()} plots over the estimate between them and its 90 % interval: "
        f"{int((results['start'] == results['end']).sum()):,} of a moment, {int((results['start'] < results['end']).sum()):,} composites "
        f"drawn as their windows, {int(results['censored'].sum()):,} below their detection limit"
    ]
    if len(certain):
        said += [
            ", the others from ",
            amount(certain["mg_l"].min(), "mg_l_bare"),
            " to ",
            amount(certain["mg_l"].max(), "mg_l"),
        ]
    if len(receiving):
        said += [f"; {len(receiving):,} of them are water of the ditch"]
    return [*said, "."]


def _sheet(results: pd.DataFrame) -> dict[str, Any]:
    return sheet(
        "Results of samples. Of one below its detection limit the value is half the limit, a placeholder; of one above the range of the "
        "analysis the least that it can be",
        [
            ("Sample", "text"),
            ("Plot", "text"),
            ("Kind", "text"),
            ("From", "instant"),
            ("To", "instant"),
            ("Water", "text"),
            ("Result", "mg_l_fine"),
            ("Below detection limit", "text"),
            ("Detection limit", "mg_l_fine"),
            ("Marks", "text"),
        ],
        (
            (
                row["sample"],
                row["plot"],
                row["kind"].replace("_", " "),
                row["start"],
                row["end"],
                row["water"],
                row["mg_l"],
                "yes" if row["censored"] else "above the range" if row["above_range"] else "no",
                row["detection_limit_mg_l"],
                row["qualifiers"],
            )
            for row in results.to_dict("records")
        ),
    )
