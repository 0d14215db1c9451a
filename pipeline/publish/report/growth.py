"""How the load grew over each water year, with its interval at the end of every month.

Belongs here: daily loads, and percentiles of members added up month by month.
Does not: loads of whole years (yearly.py), members of months (stages/loads.py).
"""

from __future__ import annotations

from datetime import date
from typing import Any

import numpy as np
import pandas as pd

from pipeline.publish.report.packing import packed
from pipeline.publish.report.reading import Source
from pipeline.publish.report.record import DAY_MS
from pipeline.publish.report.words import Said, amount, milliseconds, sheet
from pipeline.science.period_sums import interval_90
from pipeline.science.units import kg_per_ha

FINEST_KG_HA = 1e-5


def growth(source: Source) -> dict[str, Any]:
    """Daily loads by analyte and plot, and the interval of what had left since the water year began, at the end of each month."""
    daily = source.frame("loads_daily")[["plot", "analyte", "date", "load_kg_ha"]]
    members = source.frame("load_members")
    months = members[members["kind"] == "month"]
    made = {}
    for analyte in source.site.analytes:
        plots = []
        for plot in source.plots():
            days = daily[(daily["plot"] == plot) & (daily["analyte"] == analyte)].sort_values("date")
            if days.empty:
                continue
            of_plot = months[(months["plot"] == plot) & (months["analyte"] == analyte)]
            first = days["date"].iloc[0]
            place = (pd.to_datetime(days["date"]) - pd.Timestamp(first)).dt.days.to_numpy()
            loads = np.full(int(place[-1]) + 1, np.nan)
            loads[place] = days["load_kg_ha"]
            plots.append(
                {
                    "plot": plot,
                    "first": milliseconds(source.site.midnight(first)),
                    "daily": packed(loads, FINEST_KG_HA),
                    "months": _months(source, of_plot, plot, days["date"].iloc[-1]),
                }
            )
        made[analyte] = {"plots": plots, "alternative": _alternative(plots), "sheet": _sheet(plots)}
    return made


def _months(source: Source, rows: pd.DataFrame, plot: str, last: date) -> list[list[Any]]:
    """Water year, month, its end, and what had left by then with its interval; a year ends where a month's load is not known.

    `last` is the last day of the record: the last month may not be over.
    """
    found = []
    for year in sorted(rows["water_year"].unique()):
        of_year = rows[rows["water_year"] == year].sort_values("period")
        known = (of_year["load_hours"] == of_year["hours"]).to_numpy().cumprod().astype(bool)
        of_year = of_year[known]
        if of_year.empty:
            continue
        members = np.cumsum(np.stack(list(of_year["members_mg"])).astype(float), axis=0).T
        load = np.cumsum(of_year["load_mg"].to_numpy())
        low, high = interval_90(load, members)
        area = source.area()[plot]
        for month, *numbers in zip(of_year["period"], load, low, high, strict=True):
            found.append(
                [
                    int(year),
                    month,
                    min(_end_of(source, month, int(year)), milliseconds(source.site.midnight(last)) + DAY_MS),
                    *(float(kg_per_ha(one, area)) for one in numbers),
                ]
            )
    return found


def _end_of(source: Source, month: str, year: int) -> int:
    """First instant after a month, or after the part of it that the water year holds."""
    in_year, in_month = map(int, month.split("-"))
    after = date(in_year + in_month // 12, in_month % 12 + 1, 1)
    return min(milliseconds(source.site.midnight(after)), milliseconds(source.site.water_year_period(year)[1]))


def _alternative(plots: list[dict[str, Any]]) -> Said:
    said: Said = [
        "Load since the beginning of each water year, one line a plot, with its 90 % interval at month ends. By the end of the last "
        "month known: "
    ]
    for one in plots:
        last = {year: load for year, _, _, load, _, _ in one["months"]}
        for year, load in last.items():
            said += [f"{one['plot']} {year} ", amount(load, "kg_ha"), ", "]
    said[-1] = "."
    return said


def _sheet(plots: list[dict[str, Any]]) -> dict[str, Any]:
    return sheet(
        "Load from the beginning of the water year to the end of each month, with its 90 % interval",
        [("Plot", "text"), ("Water year", "year"), ("Month", "text"), ("Load since the year began", "kg_ha_fine")],
        ((one["plot"], year, month, numbers) for one in plots for year, month, _, *numbers in one["months"]),
    )
