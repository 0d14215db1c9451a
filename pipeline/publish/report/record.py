"""How much was measured: a calendar of every day by basis, and the outages with their causes.

Belongs here: hours of each basis by plot and day, shares, outages.
Does not: the flow itself (flow.py).
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from pipeline.publish.report.packing import packed
from pipeline.publish.report.reading import Source
from pipeline.publish.report.words import Said, amount, plain, sheet
from pipeline.tables.declared.words import BASIS

BASES = tuple(BASIS)
DAY_MS = 86_400_000


def record(source: Source) -> dict[str, Any]:
    """Hours of each basis by plot and day of the site's standard time, and outages."""
    local = source.local("hour_start")
    counts = ", ".join(f"count(*) FILTER (WHERE basis = '{basis}') AS {basis}" for basis in BASES)
    days = source.ask(
        "hourly_flow",
        f"SELECT plot, epoch_ms(date_trunc('day', {local})) // {DAY_MS} AS day, {counts} FROM stored GROUP BY plot, day ORDER BY plot, day",
    )
    outages = source.frame("outages")
    if days.empty:
        return {"plots": [], "first_day": 0, "days": 0}
    first, last = int(days["day"].min()), int(days["day"].max())
    return {
        "first_day": first,
        "days": last - first + 1,
        "bases": [{"basis": basis, "meaning": meaning} for basis, meaning in BASIS.items()],
        "plots": [_plot(plot, rows, first, last) for plot in source.plots() if len(rows := days[days["plot"] == plot])],
        "outages": [
            plain([row.plot, row.start, row.end, row.cause, row.source])
            for row in outages.sort_values(["plot", "start"]).itertuples()
        ],
        "alternative": _alternative(days),
        "sheet": _shares(days),
        "outage_sheet": sheet(
            "Every stretch without a usable record",
            [
                ("Plot", "text"),
                ("From", "instant"),
                ("To", "instant"),
                ("Hours", "hours"),
                ("Cause", "text"),
                ("Known", "text"),
            ],
            (
                (row.plot, row.start, row.end, row.hours, row.cause, row.source)
                for row in outages.sort_values(["start", "plot"]).itertuples()
            ),
        ),
        "causes": _causes(outages),
    }


def _plot(plot: str, rows: pd.DataFrame, first: int, last: int) -> dict[str, Any]:
    hours = np.zeros((last - first + 1, len(BASES)))
    hours[rows["day"].to_numpy() - first] = rows[list(BASES)].to_numpy()
    return {"plot": plot, "hours": packed(hours.T.ravel())}


def _shares(days: pd.DataFrame) -> dict[str, Any]:
    """Hours by basis, plot and calendar year."""
    year = pd.to_datetime(days["day"] * DAY_MS, unit="ms").dt.year
    hours = days.assign(year=year).groupby(["plot", "year"], sort=True)[list(BASES)].sum().reset_index()
    return sheet(
        "Hours by basis, plot and calendar year",
        [("Plot", "text"), ("Year", "year"), *((basis.replace("_", " "), "count") for basis in BASES)],
        hours.itertuples(index=False),
    )


def _causes(outages: pd.DataFrame) -> dict[str, Any]:
    by_cause = outages.groupby(["cause", "source"], sort=True)["hours"].agg(["sum", "size", "max"]).reset_index()
    by_cause = by_cause.sort_values("sum", ascending=False, kind="stable")
    return sheet(
        "Outages by cause",
        [("Cause", "text"), ("Known", "text"), ("Plot-days", "days"), ("Stretches", "count"), ("Longest", "days")],
        ((row[0], row[1], row[2] / 24, row[3], row[4] / 24) for row in by_cause.itertuples(index=False)),
    )


def _alternative(days: pd.DataFrame) -> Said:
    whole = days[list(BASES)].to_numpy().sum()
    said: Said = [
        "A strip of days for each plot and water year; each day is filled in proportion to its hours of each basis. Of all plot-hours: "
    ]
    for basis in BASES:
        if hours := days[basis].sum():
            said += [amount(hours / whole, "share"), f" {basis.replace('_', ' ')}, "]
    said[-1] = str(said[-1]).rstrip(", ") + "."
    return said
