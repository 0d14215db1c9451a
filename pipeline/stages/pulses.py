"""From readings to counts: which column was which meter, when.

Belongs here: applying the wiring by date, counts per interval and differences of running totals, other gauges' readings.
Does not: reading lines (stages/intake.py), litres (stages/volumes.py).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime

import duckdb

from pipeline.site import Calibration, Meter, Site, Wiring
from pipeline.stages.intake import Readings, Record
from pipeline.stages.phrases import instant, literal, within, words
from pipeline.tables import table
from pipeline.tables.declared.words import PULSE_QUALITY
from pipeline.tables.schema import SQL_TYPES

CHANCE_OF_RESET = 0.05
"""Across missing records the counter may have lost its power. A reset leaves any difference modulo the modulus, all equally
likely; one below this share of the modulus is called a rollover, and is a reset in no more than this share of resets."""


@dataclass(frozen=True)
class Stretch:
    """A time during which one meter drained one plot and its wires stayed where they were; `end` is exclusive."""

    meter: Meter
    start: datetime
    end: datetime | None
    forward: Wiring | None
    reverse: Wiring | None


def _touches(row: Wiring | Meter | Calibration, start: datetime) -> bool:
    return row.start <= start and (row.end is None or start < row.end)


def change_points(rows: Iterable[Wiring | Meter | Calibration]) -> list[datetime]:
    """Every instant at which one of the rows begins or ends, ascending."""
    rows = list(rows)
    return sorted({row.start for row in rows} | {row.end for row in rows if row.end is not None})


def stretches(site: Site) -> Iterator[Stretch]:
    """All stretches of constant wiring, in order of plot, meter and time."""
    meters = sorted(site.meters, key=lambda meter: (meter.plot, meter.meter, meter.start))
    for meter in meters:
        wires = [wire for wire in site.wiring if wire.meter == meter.meter]
        points = change_points([meter, *wires])
        for start, end in zip(points, [*points[1:], None], strict=True):
            if not _touches(meter, start):
                continue
            now = {wire.direction: wire for wire in wires if _touches(wire, start)}
            if now:
                yield Stretch(meter, start, end, now.get("forward"), now.get("reverse"))


def pulse_counts(
    session: duckdb.DuckDBPyConnection, readings: Readings, site: Site, start: datetime, end: datetime
) -> duckdb.DuckDBPyRelation:
    """Pulses of every meter, each way, for intervals that start within a period.

    A running total is differenced from reading to reading. A fall is a rollover where the difference modulo the modulus is
    possible at the meter's top flow; otherwise the counter was reset, and the interval is unknown. Across missing
    records the difference is kept as one row that spans them (`spans_gap`), unless the counter could have gone round
    more than once, or it fell so that a reset explains the fall as well as a rollover does (`CHANCE_OF_RESET`). Across a
    declared outage of the meter or its plot no difference is known: the meter may have been out, or exchanged.

    Args:
        session: holds the readings.
        readings: wide readings per logger; counts are dimensionless.
        site: wiring by date, meters (plot, top flow), calibrations (only for what is physically possible).
        start: first instant of the period.
        end: first instant after it.

    Returns:
        Rows of `pulse_counts`, in order of plot, meter and time; evaluated when it is read.
    """
    parts = [
        _counts(site, stretch, readings.records[wire.logger], start, end)
        for stretch in stretches(site)
        if (wire := stretch.forward or stretch.reverse) is not None and wire.logger in readings.records
    ]
    return session.sql(" UNION ALL ".join(parts) if parts else _nothing("pulse_counts"))


def gauge_readings(
    session: duckdb.DuckDBPyConnection, readings: Readings, site: Site, start: datetime, end: datetime
) -> duckdb.DuckDBPyRelation:
    """Readings of all gauges, for intervals that start within a period, each in its gauge's declared unit.

    Args:
        session: holds the readings.
        readings: wide readings per logger.
        site: gauges by date.
        start: first instant of the period.
        end: first instant after it.

    Returns:
        Rows of `gauge_readings`, in order of gauge and time; evaluated when it is read.
    """
    names = words(gauge.gauge for gauge in site.gauges)
    quantities = words(gauge.quantity for gauge in site.gauges)
    plots = words(plot.plot for plot in site.plots)
    parts = []
    for gauge in sorted(site.gauges, key=lambda gauge: (gauge.gauge, gauge.start)):
        record = readings.records.get(gauge.logger)
        if record is None:
            continue
        value = record.column_names[gauge.column]
        plot = literal(gauge.plot) if gauge.plot else "NULL"
        parts.append(
            f"""
            SELECT {literal(gauge.gauge)}::{names} AS gauge, {literal(gauge.quantity)}::{quantities} AS quantity,
                {plot}::{plots} AS plot, interval_start, interval_end, {value}::DOUBLE AS value, file_id, line::BIGINT AS line
            FROM {record.readings}
            WHERE {value} IS NOT NULL AND {within("interval_start", gauge.start, gauge.end)}
                AND {within("interval_start", start, end)}
            """
        )
    return session.sql(" UNION ALL ".join(parts) if parts else _nothing("gauge_readings"))


def _nothing(name: str) -> str:
    columns = ", ".join(f'NULL::{SQL_TYPES[column.type]} AS "{column.name}"' for column in table(name).columns)
    return f"SELECT {columns} WHERE false"


def _counts(site: Site, stretch: Stretch, record: Record, start: datetime, end: datetime) -> str:
    """SQL for the rows of `pulse_counts` of one stretch."""
    wires = {"forward": stretch.forward, "reverse": stretch.reverse}
    wired = {way: record.column_names[wire.column] for way, wire in wires.items() if wire is not None}
    running = {way: wire for way, wire in wires.items() if wire is not None and wire.counts == "running"}
    conflict = "'ok'"
    if record.has_conflicts:
        listed = ", ".join(literal(name) for name in wired.values())
        conflict = f"CASE WHEN list_has_any(conflict, [{listed}]) THEN 'conflict' ELSE 'ok' END"
    counted = " OR ".join(f"{name} IS NOT NULL" for name in wired.values())
    rows = f"""
        SELECT interval_start, interval_end, interval_start AS since, {", ".join(f"{c} AS {w}" for w, c in wired.items())},
            {conflict} AS quality, file_id, line
        FROM {record.readings}
        WHERE {within("interval_start", stretch.start, stretch.end)} AND ({counted})
        """
    if running:
        rows = _differences(site, stretch, rows, wired, running)
    ways = {
        way: f"{way}::BIGINT" if way in wired else ("NULL::BIGINT" if way == "forward" else "0::BIGINT") for way in wires
    }
    return f"""
        SELECT {literal(stretch.meter.plot)}::{words(plot.plot for plot in site.plots)} AS plot,
            {literal(stretch.meter.meter)}::{words(meter.meter for meter in site.meters)} AS meter,
            since AS interval_start, interval_end, {ways["forward"]} AS forward_pulses, {ways["reverse"]} AS reverse_pulses,
            quality::{words(PULSE_QUALITY)} AS quality, file_id, line::BIGINT AS line
        FROM ({rows})
        WHERE {within("since", start, end)}
        """


def _meter_was_out(site: Site, stretch: Stretch) -> str:
    """SQL that is true where a difference spans part of a declared outage of the meter itself or of its plot."""
    names = {("meter", stretch.meter.meter), ("plot", stretch.meter.plot)}
    spans = [
        f"(interval_end > {instant(row.start)}" + (f" AND since < {instant(row.end)})" if row.end is not None else ")")
        for row in site.outages
        if (row.scope, row.name) in names
    ]
    return " OR ".join(spans) or "false"


def _differences(site: Site, stretch: Stretch, rows: str, wired: dict[str, str], running: dict[str, Wiring]) -> str:
    """SQL that turns running totals into counts since the reading before."""
    minutes = "(epoch_us(interval_end) - epoch_us(since)) / 6e7"
    out = _meter_was_out(site, stretch)
    columns = []
    for way in wired:
        if way not in running:
            columns.append(f"CASE WHEN since = started THEN {way} END AS {way}")
            continue
        modulus = running[way].modulus or 0
        litres = min(
            (
                calibration.litres_per_pulse
                for calibration in site.calibrations
                if calibration.meter == stretch.meter.meter and calibration.direction == way
            ),
            default=None,
        )
        risen = f"{way}::BIGINT - {way}_before"
        difference = f"CASE WHEN {risen} < 0 THEN {risen} + {modulus} ELSE {risen} END"
        possible = f"{minutes} * {stretch.meter.top_l_min} / {litres} + 1" if litres else "0"
        by_chance = f"{risen} < 0 AND since < started AND {difference} > {CHANCE_OF_RESET * modulus}"
        columns.append(
            f"""CASE WHEN {difference} <= {possible} AND {possible} < {modulus} AND NOT ({by_chance}) AND NOT ({out})
                THEN {difference} END AS {way}"""
        )
    both = " AND ".join(f"{way} IS NOT NULL" for way in running)
    counted = " OR ".join(f"{way} IS NOT NULL" for way in wired)
    before = ", ".join(f"lag({way}) OVER in_time AS {way}_before" for way in running)
    return f"""
        SELECT * FROM (
            SELECT since, interval_end, {", ".join(columns)}, file_id, line,
                CASE WHEN since < started THEN 'spans_gap' ELSE quality END AS quality
            FROM (
                SELECT * EXCLUDE (since), interval_start AS started, lag(interval_end) OVER in_time AS since, {before}
                FROM ({rows})
                WHERE {both}
                WINDOW in_time AS (ORDER BY interval_start)
            )
            WHERE since <= started
        )
        WHERE {counted}
        """
