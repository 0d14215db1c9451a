"""From a logger's stamps to UTC.

Belongs here: fixed offsets, IANA zones with their doubled and missing hours, known clock errors and drift, the ends of an
interval.
Does not: reading a stamp's text (stages/line_format.py).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import duckdb

from pipeline.site import ClockShift, LoggerLayout, Site
from pipeline.stages.line_format import RecordFormat
from pipeline.stages.phrases import instant, literal


def microseconds(length: timedelta) -> int:
    """A length of time as a whole number of microseconds."""
    return length // timedelta(microseconds=1)


def interval_bounds(site: Site, form: RecordFormat) -> tuple[str, str]:
    """SQL for the start and end of a line's interval, in UTC.

    It refers to the columns `stamp`, `length_us` (NULL: the layout's interval) and, for a layout with a zone, `offset_us` (NULL:
    the zone's usual offset). A known clock error moves both ends by the shift in force at the stamp; a drifting shift moves
    each end by the shift at that end, so that intervals stay without gap or overlap.
    """
    layout = form.layout
    clocks = [row for row in site.clocks if row.logger == form.logger]
    length = f"coalesce(length_us, {microseconds(layout.interval)})"
    stamp = _utc_us(layout)
    ends = (f"{stamp} - {length}", stamp) if layout.timestamp.stamps == "end" else (stamp, f"{stamp} + {length}")
    start, end = (f"make_timestamptz({_true_us(clocks, stamp, moment)})" for moment in ends)
    return start, end


def _utc_us(layout: LoggerLayout) -> str:
    """SQL for a stamp in UTC by the logger's own clock, in microseconds since 1970."""
    rule = layout.timestamp
    if rule.timezone is None:
        return f"(epoch_us(stamp) {-microseconds(rule.utc_offset or timedelta()):+d})"
    usual = f"epoch_us(timezone({literal(rule.timezone)}, stamp))"
    return f"(CASE WHEN offset_us IS NULL THEN {usual} ELSE epoch_us(stamp) - offset_us END)"


def _true_us(clocks: list[ClockShift], stamp: str, moment: str) -> str:
    """SQL for a moment of the logger's clock with its known error taken out."""
    true = moment
    for row in clocks:
        begins = microseconds(row.start - datetime(1970, 1, 1, tzinfo=UTC))
        within = f"make_timestamptz({stamp}) >= {instant(row.start)}"
        if row.end is not None:
            within += f" AND make_timestamptz({stamp}) < {instant(row.end)}"
        shift = f"{round(row.shift_s * 1e6)}"
        if row.shift_at_end_s is not None and row.end is not None:
            rate = (row.shift_at_end_s - row.shift_s) / (row.end - row.start).total_seconds()
            shift = f"({shift} + round({rate!r}::DOUBLE * ({moment} - {begins}))::BIGINT)"
        true = f"CASE WHEN {within} THEN {moment} + {shift} ELSE {true} END"
    return true


@dataclass(frozen=True)
class Change:
    """A change of a zone's offset: the local times between `low` and `high` exist twice (or not at all)."""

    low: datetime
    high: datetime
    before: timedelta
    after: timedelta

    @property
    def doubled(self) -> bool:
        """Whether the clock was put back."""
        return self.after < self.before


def offset_changes(timezone: str, first: datetime, last: datetime) -> Iterator[Change]:
    """Every change of a zone's offset between two local times, found by halving days to the second.

    Source: the IANA time zone database through the standard library.
    """
    zone = ZoneInfo(timezone)

    def offset(at: datetime) -> timedelta:
        return at.astimezone(zone).utcoffset() or timedelta()

    day = first.replace(tzinfo=UTC) - timedelta(days=2)
    while day < last.replace(tzinfo=UTC) + timedelta(days=2):
        a, b = day, day + timedelta(days=1)
        day = b
        if offset(a) == offset(b):
            continue
        while b - a > timedelta(seconds=1):
            middle = (a + (b - a) / 2).replace(microsecond=0)
            a, b = (middle, b) if offset(middle) == offset(a) else (a, middle)
        before, after = offset(a), offset(b)
        local = b.replace(tzinfo=None)
        yield Change(min(local + before, local + after), max(local + before, local + after), before, after)


def resolve_zone(session: duckdb.DuckDBPyConnection, form: RecordFormat, lines: str) -> None:
    """Settle the stamps of a clock that followed summer time.

    A stamp in the hour that is missing cannot be: its line is marked with a problem. In the hour that is doubled the order of
    records tells: once the time has stepped back, it is the second round. Where the file holds only one round, it is the
    first if the record before joins on, the second if the record after does; if both or neither do, the line is
    marked with a problem, since either hour would be a guess.
    """
    timezone = form.layout.timestamp.timezone
    if timezone is None:
        return
    first, last = session.execute(f"SELECT min(stamp), max(stamp) FROM {lines} WHERE problem IS NULL").fetchall()[0]
    if first is None:
        return
    length = microseconds(form.layout.interval)
    for change in offset_changes(timezone, first, last):
        window = f"stamp >= TIMESTAMP '{change.low}' AND stamp < TIMESTAMP '{change.high}'"
        if not change.doubled:
            session.execute(
                f"""
                UPDATE {lines} SET problem = concat('the time ', strftime(stamp, '%Y-%m-%d %H:%M'), ' did not exist in ',
                    {literal(timezone)}, ': the clock was put forward over it; check the layout''s timezone or utc_offset')
                WHERE problem IS NULL AND {window}
                """
            )
            continue
        session.execute(
            f"""
            CREATE OR REPLACE TEMP TABLE rounds AS
            WITH neighbours AS (
                SELECT rowid AS row, file, stamp, epoch_us(stamp) AS us,
                    lag(epoch_us(stamp)) OVER in_file AS before, lead(epoch_us(stamp)) OVER in_file AS after
                FROM {lines} WHERE problem IS NULL
                    AND stamp >= TIMESTAMP '{change.low}' - INTERVAL 2 DAY AND stamp < TIMESTAMP '{change.high}' + INTERVAL 2 DAY
                WINDOW in_file AS (PARTITION BY file ORDER BY rowid)
            ),
            doubled AS (
                SELECT *, sum(coalesce(us <= before, false)::INTEGER) OVER (
                    PARTITION BY file ORDER BY row ROWS UNBOUNDED PRECEDING) AS round
                FROM neighbours WHERE {window}
            ),
            judged AS (
                SELECT *, max(round) OVER whole AS last_round,
                    coalesce(first_value(us - before) OVER (whole ORDER BY row) = {length}, false) AS joins_before,
                    coalesce(last_value(after - us) OVER (whole ORDER BY row
                        ROWS BETWEEN UNBOUNDED PRECEDING AND UNBOUNDED FOLLOWING) = {length}, false) AS joins_after
                FROM doubled WINDOW whole AS (PARTITION BY file)
            )
            SELECT row, CASE
                WHEN last_round = 1 THEN round
                WHEN last_round = 0 AND joins_before AND NOT joins_after THEN 0
                WHEN last_round = 0 AND joins_after AND NOT joins_before THEN 1 END AS round
            FROM judged
            """
        )
        session.execute(
            f"""
            UPDATE {lines} SET offset_us = CASE round WHEN 0 THEN {microseconds(change.before)} ELSE {microseconds(change.after)} END
            FROM rounds WHERE {lines}.rowid = rounds.row AND round IS NOT NULL
            """
        )
        session.execute(
            f"""
            UPDATE {lines} SET problem = concat('the time ', strftime(stamp, '%Y-%m-%d %H:%M'), ' existed twice in ',
                {literal(timezone)}, ' as the clock was put back, and the records beside it do not tell which one is meant')
            FROM rounds WHERE {lines}.rowid = rounds.row AND round IS NULL
            """
        )
        session.execute("DROP TABLE rounds")
