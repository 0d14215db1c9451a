"""Stretches without a usable record.

Belongs here: declared outages by plot, and the holes that the record itself shows.
Does not: filling them (stages/hours.py), finding lies in the record (a meter that reports zeros).
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import duckdb
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.site import Outage, Site
from pipeline.stages.phrases import instant, literal, within
from pipeline.tables import table


def outages(
    session: duckdb.DuckDBPyConnection, flow: duckdb.DuckDBPyRelation, site: Site, start: datetime, end: datetime
) -> pd.DataFrame:
    """Declared and detected outages of every plot within a period.

    A declared outage counts whole, even where records exist inside it: they are not used. What else the record lacks is
    `detected`: intervals that no file holds, and those that a running counter only spans.

    Args:
        session: in which `flow` lives.
        flow: rows of `interval_flow`.
        site: outages by plot, meter or logger; meters and wiring that say which plot they meant at the time.
        start: first instant of the period; an outage that began before it is cut there.
        end: first instant after the period; an outage that goes on is cut there.

    Returns:
        Rows of `outages`; `hours` is the length within the period. Stretches of one plot do not overlap.
    """
    flow.create_view("flow_to_look_through", replace=True)
    first, last = _microseconds(start), _microseconds(end)
    parts = []
    for plot in site.plots:
        missing = _missing(session, plot.plot, start, end)
        declared = [
            (max(_microseconds(a), first), min(_microseconds(b), last), cause)
            for a, b, cause in _declared(site, plot.plot, start, end)
        ]
        parts.append(_stretches(plot.plot, missing, [row for row in declared if row[0] < row[1]]))
    frame = pd.concat(parts, ignore_index=True)
    frame["hours"] = (frame["end"] - frame["start"]).dt.total_seconds() / 3600
    return frame[list(table("outages").names)]


def declared_outages(site: Site, end: datetime) -> pd.DataFrame:
    """Declared outages by plot.

    Args:
        site: outages by plot, meter or logger; meters and wiring that say which plot they meant at the time.
        end: first instant after the time that matters; an outage that goes on is cut there.

    Returns:
        plot, start, end; stretches of one plot may overlap.
    """
    rows = [
        (plot.plot, since, until)
        for plot in site.plots
        for since, until, _ in _declared(site, plot.plot, datetime.min.replace(tzinfo=UTC), end)
    ]
    times = {name: [row[place] for row in rows] for place, name in ((1, "start"), (2, "end"))}
    return pd.DataFrame(
        {
            "plot": pd.Series([row[0] for row in rows], dtype="str"),
            **{name: pd.Series(values, dtype="datetime64[us, UTC]") for name, values in times.items()},
        }
    )


def _microseconds(moment: datetime) -> int:
    return (moment - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)


def _missing(session: duckdb.DuckDBPyConnection, plot: str, start: datetime, end: datetime) -> list[tuple[int, int]]:
    """Holes between usable intervals of one plot, in microseconds since 1970."""
    return session.sql(
        f"""
        WITH usable AS (
            SELECT interval_start, interval_end FROM flow_to_look_through
            WHERE plot = {literal(plot)} AND net_l IS NOT NULL AND quality <> 'spans_gap'
                AND {within("interval_start", start, end)}
            UNION ALL SELECT {instant(start)}, {instant(start)}
            UNION ALL SELECT {instant(end)}, {instant(end)}
        ),
        in_time AS (
            SELECT interval_start, max(interval_end) OVER (
                ORDER BY interval_start, interval_end ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING) AS covered_to
            FROM usable
        )
        SELECT epoch_us(covered_to), epoch_us(interval_start) FROM in_time WHERE covered_to < interval_start ORDER BY 1
        """
    ).fetchall()


def _declared(site: Site, plot: str, start: datetime, end: datetime) -> list[tuple[datetime, datetime, str]]:
    """Declared outages that meant one plot: by its name, its meter at the time, or the logger that its meter was wired to."""
    found = []
    for outage in site.outages:
        for a, b in _meant(site, outage, plot):
            since, until = max(outage.start, a), min(outage.end or end, b or end)
            if since < until and since < end and until > start:
                found.append((since, until, outage.cause))
    return found


def _meant(site: Site, outage: Outage, plot: str) -> list[tuple[datetime, datetime | None]]:
    """Times during which an outage's scope meant the plot."""
    meters = [meter for meter in site.meters if meter.plot == plot]
    if outage.scope == "plot":
        return [(outage.start, outage.end)] if outage.name == plot else []
    if outage.scope == "meter":
        return [(meter.start, meter.end) for meter in meters if meter.meter == outage.name]
    return [
        (max(meter.start, wire.start), _earlier(meter.end, wire.end))
        for meter in meters
        for wire in site.wiring
        if wire.logger == outage.name and wire.meter == meter.meter
    ]


def _earlier(a: datetime | None, b: datetime | None) -> datetime | None:
    return min((end for end in (a, b) if end is not None), default=None)


def _stretches(plot: str, missing: list[tuple[int, int]], declared: list[tuple[int, int, str]]) -> pd.DataFrame:
    """Cut time at every boundary, name each piece, and join neighbours of one name; what is declared goes before what is missing."""
    bounds = np.unique(np.array([edge for row in (*missing, *declared) for edge in row[:2]], dtype=np.int64))
    starts, ends = bounds[:-1], bounds[1:]
    causes = ["missing records", *(cause for _, _, cause in declared)]
    label = np.full(starts.size, -1)
    for number, rows in ((0, missing), *((number, [row[:2]]) for number, row in enumerate(declared, start=1))):
        edges = np.array(rows, dtype=np.int64).reshape(-1, 2)
        label[_covered(starts, edges)] = number
    joins = np.flatnonzero(label[1:] == label[:-1]) + 1
    kept = np.setdiff1d(np.arange(starts.size), joins)
    last = np.append(kept[1:] - 1, starts.size - 1) if kept.size else kept
    named = label[kept] >= 0
    kept, last = kept[named], last[named]
    return pd.DataFrame(
        {
            "plot": plot,
            "start": pd.to_datetime(starts[kept], unit="us", utc=True).as_unit("us"),
            "end": pd.to_datetime(ends[last], unit="us", utc=True).as_unit("us"),
            "cause": pd.array([causes[number] for number in label[kept]], dtype="str"),
            "source": pd.array(np.where(label[kept] == 0, "detected", "declared").tolist(), dtype="str"),
        }
    )


def _covered(starts: NDArray[np.int64], edges: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Which pieces begin inside one of the stretches; the stretches are in order and do not overlap."""
    if not len(edges):
        return np.zeros(starts.size, dtype=bool)
    place = np.searchsorted(edges[:, 0], starts, side="right") - 1
    return (place >= 0) & (starts < edges[np.maximum(place, 0), 1])
