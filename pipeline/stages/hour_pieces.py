"""Which part of which metering interval counts in which hour.

Belongs here: the intervals that are used, their division by hours of the site's days, and those that tell only a total.
Does not: sums of any kind (stages/metered_hours.py adds them up, stages/trace.py goes the way back).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import duckdb

from pipeline.site import Site
from pipeline.stages.outages import declared_outages
from pipeline.stages.phrases import instant, within

HOUR_US = 3_600_000_000


@dataclass(frozen=True)
class HourPieces:
    """SQL for the rows that metered hours are made of; it holds good until the next is made in the session.

    Attributes:
        pieces: rows of `interval_flow`, one for each hour that an interval lies in; `hour` (number of the hour since the period began),
            `share` (of the interval that lies in it), `since` and `length_us` (start of the interval since the period began, length
            of the piece; microseconds).
        totals: rows of `interval_flow` that tell only the total of a stretch longer than an hour.
    """

    pieces: str
    totals: str


def hour_pieces(
    session: duckdb.DuckDBPyConnection, flow: duckdb.DuckDBPyRelation, site: Site, start: datetime, end: datetime
) -> HourPieces:
    """Metering intervals cut at the hours of a period.

    An interval that lies in several hours is shared out by time. Intervals that touch a declared outage are not used; what a
    running counter tells across one is (stages/pulses.py keeps it only where the meter itself went on).

    Args:
        session: in which `flow` lives.
        flow: rows of `interval_flow` of the period, and of the time before as far as an interval may reach into the period.
        site: plots, outages, and what says which plots an outage meant.
        start: first instant of the period, with which its hours begin; whole hours before `end`.
        end: first instant after the period.
    """
    flow.create_view("flow_by_interval", replace=True)
    session.register("stretches_out", declared_outages(site, end))
    usable = f"""
        SELECT * FROM flow_by_interval AS flow
        WHERE net_l IS NOT NULL AND {within("interval_start", None, end)} AND interval_end > {instant(start)}
            AND (quality = 'spans_gap' OR NOT EXISTS (
                FROM stretches_out AS outage
                WHERE outage.plot = flow.plot::VARCHAR AND outage.start < interval_end AND outage.end > interval_start))
        """
    only_total = f"quality = 'spans_gap' AND epoch_us(interval_end) - epoch_us(interval_start) > {HOUR_US}"
    first = microseconds(start)
    numbered = f"""
        SELECT *, epoch_us(interval_start) - {first} AS since, epoch_us(interval_end) - {first} AS until
        FROM ({usable}) WHERE NOT ({only_total})
        """
    pieces = f"""
        SELECT * EXCLUDE (until), since // {HOUR_US} AS hour, until - since AS length_us, 1.0::DOUBLE AS share
        FROM ({numbered}) WHERE since >= 0 AND since // {HOUR_US} = (until - 1) // {HOUR_US}
        UNION ALL
        SELECT * EXCLUDE (until, hour), hour, least(until, (hour + 1) * {HOUR_US}) - greatest(since, hour * {HOUR_US}) AS length_us,
            length_us / (until - since) AS share
        FROM (
            SELECT *, unnest(range(greatest(since, 0) // {HOUR_US}, (until - 1) // {HOUR_US} + 1)) AS hour
            FROM ({numbered}) WHERE since < 0 OR since // {HOUR_US} <> (until - 1) // {HOUR_US}
        )
        """
    return HourPieces(pieces, f"SELECT * FROM ({usable}) WHERE {only_total}")


def microseconds(moment: datetime) -> int:
    """Microseconds since 1970."""
    return (moment - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)
