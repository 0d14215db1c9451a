"""The loads that are published, and the hours of each.

Belongs here: finding a load by plot and period, and which hours a day, month, year, event, quarter, period or treatment of the tables is.
Does not: what a load is made of (publish/trace.py).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

import pandas as pd

from pipeline.lake import Lake
from pipeline.site import Site
from pipeline.stages.load_periods import quarter_after
from pipeline.stages.trace import TraceError
from pipeline.tables import table

KINDS = {
    "year": ("loads_annual", "water_year"),
    "month": ("loads_monthly", "month"),
    "day": ("loads_daily", "date"),
    "event": ("loads_event", "event"),
    "season": ("loads_seasonal", "first_day"),
    "period": ("loads_custom", "period"),
    "treatment": ("loads_treatment", "treatment"),
}
"""Kinds of published loads: the table, and the column that names the period."""


@dataclass(frozen=True)
class Load:
    """One published load.

    Attributes:
        kind, name: of its period, such as `year` and `2021`.
        row: the row of its table.
        area_ha: what it is a mean over, ha.
        periods: its hours, as `stages.trace.TracedYear` reads them.
        years: water years in which they lie.
    """

    kind: str
    name: str
    row: dict[str, Any]
    area_ha: float
    periods: pd.DataFrame
    years: list[int]


def find_load(
    lake: Lake, site: Site, kind: str, name: str, plot: str | None, analyte: str, year: int | None = None
) -> Load:
    """The published load of a plot (or a treatment) in a period.

    Args:
        lake, site: where it is published.
        kind: one of `KINDS`.
        name: of the period.
        plot: the plot; of a treatment none.
        analyte: the analyte.
        year: water year, where the name does not tell it: of a treatment, and of what lies between events.

    Raises:
        TraceError: there is none; the sentence names those that there are.
    """
    table_name, column = KINDS[kind]
    rows = published(lake, site, kind, lake.years(table(table_name), site.site))
    rows = rows[rows["analyte"] == analyte]
    if plot is not None:
        rows = rows[rows["plot"] == plot]
    if rows.empty:
        of_plot = f" of plot {plot}" if plot is not None else ""
        raise TraceError(
            f"{lake.tables / table_name} holds no load{of_plot} for {analyte}. `drainledger run --site {site.folder} --lake {lake.root}` "
            "computes loads; `drainledger status` shows what is there."
        )
    names = rows[column].astype(str)
    wanted = rows[(names == name) & ((rows["water_year"] == year) if year is not None else True)]
    if wanted.empty:
        known = list(dict.fromkeys(names))
        listed = ", ".join(known) if len(known) <= 12 else f"{known[0]}, {known[1]}, … {known[-1]} ({len(known)} in all)"
        raise TraceError(
            f"No {kind} {name}{f' in {year}' if year is not None else ''} is published here. Published are: {listed}."
        )
    if len(wanted) > 1:
        raise TraceError(
            f"{kind} {name} is published for several water years ({', '.join(map(str, wanted['water_year']))}): say which with --year."
            if wanted["water_year"].nunique() > 1
            else f"{kind} {name} of {wanted['water_year'].iloc[0]} has several stretches; trace its plots one by one."
        )
    row = {str(column): value for column, value in wanted.iloc[0].items()}
    periods = hours_of(kind, wanted, site).assign(label=0)
    since, until = periods["since"].min(), periods["until"].max()
    bounds = {year: site.water_year_period(year) for year in lake.years(table("hourly_flow"), site.site)}
    years = [year for year, (first, after) in bounds.items() if first < until and after > since]
    return Load(kind, name, row, float(wanted["area_ha"].iloc[0]), periods, years)


def published(lake: Lake, site: Site, kind: str, years: Sequence[int]) -> pd.DataFrame:
    """Rows of a loads table, with their water year, `name` of the period and `area_ha`."""
    table_name, column = KINDS[kind]
    declared = table(table_name)
    parts = [lake.frame(declared, site.site, [year]).assign(water_year=year) for year in years]
    filled = [part for part in parts if len(part)]
    if not filled:
        return pd.DataFrame(columns=list(dict.fromkeys([*declared.names, "water_year", "name", "area_ha"])))
    rows = pd.concat(filled, ignore_index=True)
    if kind != "treatment":
        rows["area_ha"] = rows["plot"].map({plot.plot: plot.area_ha for plot in site.plots})
    return rows.assign(name=rows[column].astype(str))


def hours_of(kind: str, rows: pd.DataFrame, site: Site) -> pd.DataFrame:
    """The hours of rows of a loads table, as `stages.trace.TracedYear` reads them; labels are those of the index."""
    times = _bounds(kind, rows, site).assign(label=rows.index, analyte=rows["analyte"].to_numpy())
    times["event"] = rows["event"].to_numpy() if kind == "event" else pd.Series([None] * len(rows), dtype="str")
    if kind == "treatment":
        return times.assign(treatment=rows["treatment"].to_numpy()).merge(
            _spells(rows, site), on=["treatment", "since", "until"]
        )
    return times.assign(plot=rows["plot"].to_numpy())


def _bounds(kind: str, rows: pd.DataFrame, site: Site) -> pd.DataFrame:
    """First instant of each row's period, and first instant after it: `since`, `until`."""
    if kind == "treatment":
        return pd.DataFrame({"since": rows["start"].to_numpy(), "until": rows["end"].to_numpy()}).astype(
            "datetime64[us, UTC]"
        )
    if kind in ("year", "event"):
        bounds = {year: site.water_year_period(year) for year in rows["water_year"].unique().tolist()}
        known = rows["water_year"].map(bounds)
    else:
        named = rows[KINDS[kind][1]]
        ends = dict(zip(named, rows["last_day"], strict=True)) if kind == "period" else {}
        days = rows["first_day"] if kind == "period" else named
        firsts = dict(zip(named, days, strict=True))
        known = named.map({name: _stretch(kind, first, ends.get(name), site) for name, first in firsts.items()})
    return pd.DataFrame(known.tolist(), columns=["since", "until"]).astype("datetime64[us, UTC]")


def _spells(rows: pd.DataFrame, site: Site) -> pd.DataFrame:
    """Treatments of plots as far as they lie in the water years of rows of `loads_treatment`: `plot`, `treatment`, `since`, `until`."""
    record_start, record_end = site.record_period()
    spells = []
    for year in rows["water_year"].unique().tolist():
        start, end = site.water_year_period(year)
        first, after = max(start, record_start), min(end, record_end)
        spells += [
            (row.plot, row.treatment, max(row.start, first), min(row.end or after, after))
            for row in site.treatments
            if row.touches(first, after)
        ]
    times = {"since": "datetime64[us, UTC]", "until": "datetime64[us, UTC]"}
    return pd.DataFrame(spells, columns=["plot", "treatment", *times]).astype(times)


def _stretch(kind: str, first: Any, last_day: Any, site: Site) -> tuple[datetime, datetime]:
    """First instant of a day, month, quarter or period of site.yaml, and first instant after it.

    Args:
        kind: which of them.
        first: its first day; of a month, its name.
        last_day: of a period of site.yaml; empty where it ends with the record.
    """
    if kind == "month":
        first = date.fromisoformat(f"{first}-01")
        after = (first + timedelta(days=32)).replace(day=1)
    elif kind == "season":
        after = quarter_after(first)
    elif kind == "day":
        after = first + timedelta(days=1)
    elif pd.isna(last_day):
        return site.midnight(first), site.record_period()[1]
    else:
        after = last_day + timedelta(days=1)
    return site.midnight(first), site.midnight(after)
