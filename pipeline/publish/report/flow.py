"""The flow: every metering interval and every hour of the record, with rain and what gauges read.

Belongs here: series for the viewer that goes from years to one night, packed.
Does not: which nights are worth a look (backwater.py).
"""

from __future__ import annotations

from typing import Any, cast

import numpy as np
import pandas as pd

from pipeline.publish.report.packing import packed
from pipeline.publish.report.reading import Source
from pipeline.publish.report.record import BASES
from pipeline.publish.report.words import plain, sheet
from pipeline.tables import table

HOUR_MS = 3_600_000
LITRES = 0.1
"""Resolution of hourly volumes on the page, L."""

FEWEST_OF_A_LENGTH = 50
"""Intervals of one length under one calibration that are worth a grid of their own."""

MOST_INTERVAL_TEXT = 2_500_000
"""Characters that the metering intervals may take on the page: years that do not fit are shown by the hour."""


def hours(source: Source) -> dict[str, Any]:
    """Net volume of every hour with its 90 % interval and basis, by plot; rain and water level by the hour."""
    codes = ", ".join(f"'{basis}'" for basis in BASES)
    rows = source.ask(
        "hourly_flow",
        f"""
        SELECT plot, epoch_ms(hour_start) // {HOUR_MS} AS hour, net_l, net_l - net_l_p05 AS below, net_l_p95 - net_l AS above,
            list_position([{codes}], basis::VARCHAR) AS basis
        FROM stored ORDER BY plot, hour
        """,
    )
    if rows.empty:
        return {"first_hour": 0, "hours": 0, "plots": {}, "levels": []}
    # Hours of a site whose standard time is not a whole number of hours from UTC start within a UTC hour.
    part_of_hour = source.offset.total_seconds() * -1000 % HOUR_MS
    first, last = int(rows["hour"].min()), int(rows["hour"].max())
    plots = {}
    for plot, of_plot in rows.groupby("plot", sort=True):
        at = of_plot["hour"].to_numpy() - first
        plots[plot] = {
            name: packed(_spread(at, of_plot[name], last - first + 1), LITRES) for name in ("net_l", "below", "above")
        } | {"basis": packed(_spread(at, of_plot["basis"], last - first + 1))}
    return {
        "first_hour": first * HOUR_MS + part_of_hour,
        "hours": last - first + 1,
        "plots": plots,
        "rain": _rain(source, first, last),
        "levels": _levels(source, first, last),
    }


def _spread(at: np.ndarray[Any, Any], values: pd.Series, count: int) -> np.ndarray[Any, Any]:
    """Values at their places, not-a-number elsewhere."""
    spread = np.full(count, np.nan)
    spread[at] = values.to_numpy(dtype=float, na_value=np.nan)
    return spread


def _rain(source: Source, first: int, last: int) -> dict[str, Any] | None:
    """Rain by the hour, of the weather record."""
    if source.declared("weather_hours") is None:
        return None
    rows = source.ask(
        "weather_hours",
        f"SELECT epoch_ms(hour_start) // {HOUR_MS} AS hour, rain_mm FROM stored WHERE rain_mm IS NOT NULL ORDER BY hour",
    )
    rows = rows[(rows["hour"] >= first) & (rows["hour"] <= last)]
    if rows.empty:
        return None
    return packed(_spread(rows["hour"].to_numpy() - first, rows["rain_mm"], last - first + 1), 0.1, differences=False)


def _levels(source: Source, first: int, last: int) -> list[dict[str, Any]]:
    """Hourly means of gauges of the water level."""
    rows = source.ask(
        "gauge_readings",
        f"""
        SELECT gauge, epoch_ms(interval_start) // {HOUR_MS} AS hour, avg("value" ORDER BY interval_start) AS level
        FROM stored WHERE quantity = 'water_level' GROUP BY gauge, hour ORDER BY gauge, hour
        """,
    )
    units = {gauge.gauge: gauge.unit for gauge in source.site.gauges}
    rows = rows[(rows["hour"] >= first) & (rows["hour"] <= last)]
    return [
        {
            "gauge": gauge,
            "unit": units.get(str(gauge), ""),
            "level": packed(_spread(of_gauge["hour"].to_numpy() - first, of_gauge["level"], last - first + 1), 0.001),
        }
        for gauge, of_gauge in rows.groupby("gauge", sort=True)
    ]


def intervals(source: Source) -> dict[str, Any]:
    """Forward and backward volume of every metering interval, by plot, as pulses on a grid of time.

    Intervals of one length under one pair of calibrations are one grid; what lies off all grids is listed one by one. Of a record too
    long for the page the latest water years are taken.
    """
    years = source.lake.years(table("interval_flow"), source.site.site)
    made: list[dict[str, Any]] = []
    since = None
    size = 0
    for year in reversed(years):
        of_year = _intervals_of(source, year)
        size += sum(
            len(grid[way]["text"])
            for plot in of_year.values()
            for grid in plot["grids"]
            for way in ("forward", "reverse")
        )
        if size > MOST_INTERVAL_TEXT:
            break
        made.append(of_year)
        since = source.site.water_year_period(year)[0]
    plots: dict[str, Any] = {}
    for of_year in reversed(made):
        for plot, parts in of_year.items():
            for kind, rows in parts.items():
                plots.setdefault(plot, {"grids": [], "single": []})[kind] += rows
    return {"since": plain(since), "whole": len(made) == len(years), "plots": plots}


def _intervals_of(source: Source, year: int) -> dict[str, Any]:
    litres: dict[Any, float] = {row.name: row.litres_per_pulse for row in source.site.calibrations}
    rows = source.ask(
        "interval_flow",
        """
        SELECT plot, epoch_ms(interval_start) AS start, epoch_ms(interval_end) - epoch_ms(interval_start) AS length,
            calibration::VARCHAR AS calibration, reverse_calibration::VARCHAR AS reverse_calibration, forward_l, reverse_l
        FROM stored
        WHERE forward_l IS NOT NULL ORDER BY plot, start
        """,
        [year],
    )
    plots: dict[str, Any] = {}
    keys = ["plot", "length", "calibration", "reverse_calibration"]
    for key, grid in rows.groupby(keys, sort=True, dropna=False):
        plot, length, forward, reverse = cast(tuple[Any, ...], key)
        of_plot = plots.setdefault(plot, {"grids": [], "single": []})
        if len(grid) < FEWEST_OF_A_LENGTH:
            of_plot["single"] += plain(grid[["start", "length", "forward_l", "reverse_l"]].to_numpy().tolist())
            continue
        first = int(grid["start"].iloc[0])
        at = (grid["start"].to_numpy() - first) // length
        count = int(at[-1]) + 1
        of_plot["grids"].append(
            {
                "start": first,
                "length": int(length),
                "n": count,
                "forward": packed(_spread(at, grid["forward_l"], count), _step(grid["forward_l"], litres.get(forward))),
                "reverse": packed(
                    _spread(at, grid["reverse_l"].fillna(0.0), count), _step(grid["reverse_l"], litres.get(reverse))
                ),
            }
        )
    return plots


def _step(volumes: pd.Series, litres_per_pulse: float | None) -> float:
    """Litres of a pulse, of which volumes are whole multiples; a hundredth of a litre where the register has changed since."""
    if litres_per_pulse:
        pulses = volumes.dropna().to_numpy() / litres_per_pulse
        if np.allclose(pulses, np.rint(pulses), rtol=0, atol=1e-6):
            return litres_per_pulse
    return 0.01


def monthly(source: Source) -> dict[str, Any]:
    """Water each way by plot and month: the table behind the viewer."""
    local = source.local("hour_start")
    metered = source.ask(
        "metered_hours",
        f"""
        SELECT plot, strftime({local}, '%Y-%m') AS month, sum(forward_l ORDER BY hour_start) AS forward_l,
            sum(reverse_l ORDER BY hour_start) AS reverse_l
        FROM stored GROUP BY plot, month
        """,
    )
    net = source.ask(
        "hourly_flow",
        f"""
        SELECT plot, strftime({local}, '%Y-%m') AS month,
            CASE WHEN count(*) = count(net_l) THEN sum(net_l ORDER BY hour_start) END AS net_l,
            min(net_l) / 60 AS lowest_l_min, max(net_l) / 60 AS highest_l_min
        FROM stored GROUP BY plot, month ORDER BY plot, month
        """,
    )
    rows = net.merge(metered, on=["plot", "month"], how="left")
    return sheet(
        "Water by plot and month: metered forward, metered backward, net of all hours (filled ones too), lowest and highest hour",
        [
            ("Plot", "text"),
            ("Month", "text"),
            ("Forward, metered", "l"),
            ("Backward, metered", "l"),
            ("Net, all hours", "l"),
            ("Lowest hour", "l_min"),
            ("Highest hour", "l_min"),
        ],
        rows[["plot", "month", "forward_l", "reverse_l", "net_l", "lowest_l_min", "highest_l_min"]].itertuples(
            index=False
        ),
    )
