"""How the stations of a site do: who has gone silent, whose supply falls, how much of the last days was measured.

Belongs here: the facts, from tables alone, and when one of them needs somebody.
Does not: wording, raw files that nobody has read yet (publish/health.py), what a meter did wrong (stages/meter_findings.py).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import duckdb
import pandas as pd

from pipeline.science.falling import robust_slope
from pipeline.site import Site

LAST_DAYS = 7
SUPPLY_DAYS = 30
FEWEST_SUPPLY_DAYS = 10
FALL_THAT_MATTERS = 0.02
"""Share of its own height by which a supply's lowest voltage of the day falls in `SUPPLY_DAYS`, above which it needs somebody: 0.25 V
of 12 V. Common practice, no source."""
SILENT_AFTER_USUAL = 2.0
LEAST_SILENCE = timedelta(days=1)
"""A record is silent where its last reading is older than twice the usual time between its downloads, and older than this."""
AHEAD = timedelta(hours=2)
"""A reading later than now by more than this tells of a wrong clock."""


@dataclass(frozen=True)
class RecordHealth:
    """One logger, or the weather record. `usual` is the median time between the ends of its files; none where it has one file."""

    name: str
    last_reading: datetime | None
    usual: timedelta | None
    silent_for: timedelta | None
    ahead: bool


@dataclass(frozen=True)
class PlotHealth:
    """One plot: share of the last seven days that was metered, its meter's last interval on record, and its last pulse either way."""

    plot: str
    measured_share: float
    last_interval: datetime | None
    last_pulse: datetime | None


@dataclass(frozen=True)
class SupplyHealth:
    """One gauge of a supply voltage: its last reading, and how the lowest voltage of the day went in its last 30 days.

    `change` is that of the fitted line over those days, in the gauge's unit; none where too few days are on record.
    """

    gauge: str
    unit: str
    last_reading: datetime
    last_value: float
    lowest: float
    change: float | None
    falling: bool


@dataclass(frozen=True)
class StationHealth:
    """All of a site at a moment; `ended`: the moment is the end of a record that is over."""

    moment: datetime
    ended: bool
    records: tuple[RecordHealth, ...]
    plots: tuple[PlotHealth, ...]
    supplies: tuple[SupplyHealth, ...]


def station_health(
    source_files: pd.DataFrame,
    pulses: duckdb.DuckDBPyRelation,
    gauges: duckdb.DuckDBPyRelation,
    hours: duckdb.DuckDBPyRelation,
    site: Site,
    now: datetime,
) -> StationHealth:
    """How the stations do.

    Args:
        source_files: all rows of the table.
        pulses: rows of `pulse_counts`, at least of the last year.
        gauges: rows of `gauge_readings`, at least of the last 30 days.
        hours: rows of `hourly_flow`, at least of the last seven days.
        site: the experiment.
        now: the moment, in UTC. For a record that is over, its end stands instead.

    Returns:
        The facts. An hour of the last seven days that no table holds counts as not measured.
    """
    record_end = site.record_period(now.date())[1]
    ended = site.last_day is not None and record_end <= now
    moment = record_end if ended else now
    return StationHealth(
        moment,
        ended,
        tuple(_records(source_files, site, moment)),
        tuple(_plots(pulses, hours, site, moment)),
        tuple(_supplies(gauges, site)),
    )


def _records(source_files: pd.DataFrame, site: Site, moment: datetime) -> list[RecordHealth]:
    named = [("logger", logger) for logger in site.loggers] + ([("weather", "weather files")] if site.weather else [])
    known = source_files.dropna(subset="last_time")
    return [
        _record(name, known.loc[(known["kind"] == kind) & (known["logger"] == name), "last_time"], moment)
        for kind, name in named
    ]


def _record(name: str, ends: pd.Series[Any], moment: datetime) -> RecordHealth:
    if ends.empty:
        return RecordHealth(name, None, None, None, False)
    last = ends.max().to_pydatetime()
    apart = ends.drop_duplicates().sort_values().diff().dropna()
    usual = pd.Timedelta(apart.median()).to_pytimedelta() if not apart.empty else None
    longest = max(SILENT_AFTER_USUAL * usual if usual else LEAST_SILENCE, LEAST_SILENCE)
    age = moment - last
    return RecordHealth(name, last, usual, age if age > longest else None, -age > AHEAD)


def _plots(
    pulses: duckdb.DuckDBPyRelation, hours: duckdb.DuckDBPyRelation, site: Site, moment: datetime
) -> list[PlotHealth]:
    since = moment - timedelta(days=LAST_DAYS)
    last = {
        plot: (interval, pulse)
        for plot, interval, pulse in pulses.filter("coalesce(forward_pulses, reverse_pulses) IS NOT NULL")
        .aggregate(
            """plot, max(interval_end),
            max(interval_end) FILTER (coalesce(forward_pulses, 0) + coalesce(reverse_pulses, 0) > 0)"""
        )
        .fetchall()
    }
    metered = dict(
        hours.filter(
            (duckdb.ColumnExpression("hour_start") >= duckdb.ConstantExpression(since))
            & (duckdb.ColumnExpression("hour_start") < duckdb.ConstantExpression(moment))
        )
        .aggregate("plot, sum(measured_fraction)")
        .fetchall()
    )
    whole = LAST_DAYS * 24
    return [
        PlotHealth(one.plot, min(metered.get(one.plot, 0.0) / whole, 1.0), *last.get(one.plot, (None, None)))
        for one in site.plots
    ]


def _supplies(gauges: duckdb.DuckDBPyRelation, site: Site) -> list[SupplyHealth]:
    units = {row.gauge: row.unit for row in site.gauges}
    voltages = gauges.filter("quantity = 'supply_voltage'")
    shift = site.utc_offset.total_seconds()
    days = voltages.query(
        "voltages",
        f"""
        SELECT gauge, CAST(interval_start + INTERVAL ({shift}) SECOND AS DATE) AS day, min(value) AS lowest,
            max(interval_end) AS last_reading, arg_max(value, interval_end) AS last_value
        FROM voltages
        GROUP BY gauge, day
        QUALIFY day > max(day) OVER (PARTITION BY gauge) - {SUPPLY_DAYS}
        ORDER BY gauge, day
        """,
    )
    assert days is not None
    return [_supply(str(gauge), units.get(str(gauge), ""), rows) for gauge, rows in days.df().groupby("gauge", sort=True)]


def _supply(gauge: str, unit: str, days: pd.DataFrame) -> SupplyHealth:
    last = days.iloc[-1]
    change, falling = None, False
    if len(days) >= FEWEST_SUPPLY_DAYS:
        place = (days["day"] - days["day"].iloc[0]).dt.days
        slope = robust_slope(place, days["lowest"])
        change = slope.slope * float(place.iloc[-1])
        falling = slope.surely_negative and -change > FALL_THAT_MATTERS * abs(float(days["lowest"].median()))
    return SupplyHealth(
        gauge,
        unit,
        last["last_reading"].to_pydatetime(),
        float(last["last_value"]),
        float(last["lowest"]),
        change,
        falling,
    )
