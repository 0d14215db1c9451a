"""Stretches without a usable record.

Belongs here: declared outages by plot, the holes that the record itself shows, the stretches in which a meter is found to have
lied, and which metered hours these take back.
Does not: filling them (stages/hours.py), finding lies in the record (stages/meter_findings.py).
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

MISSING = "missing records"
OUTAGE_KINDS = ("silence", "stuck_counter")
"""Kinds of findings in which nothing that the meter said is usable."""


def outages(
    session: duckdb.DuckDBPyConnection,
    flow: duckdb.DuckDBPyRelation,
    findings: pd.DataFrame,
    site: Site,
    start: datetime,
    end: datetime,
) -> pd.DataFrame:
    """Declared and detected outages of every plot within a period.

    A declared outage counts whole, even where records exist inside it: they are not used. What else the record lacks is
    `detected`: intervals that no file holds, those that a running counter only spans, and, under the policy `detected_outages: gap`,
    those in which the meter is found to have been silent or stuck. What is declared goes before what is missing, and that before
    what is found.

    Args:
        session: in which `flow` lives.
        flow: rows of `interval_flow`.
        findings: rows of `meter_findings`.
        site: outages by plot, meter or logger; meters and wiring that say which plot they meant at the time; the policy.
        start: first instant of the period; an outage that began before it is cut there.
        end: first instant after the period; an outage that goes on is cut there.

    Returns:
        Rows of `outages`; `hours` is the length within the period. Stretches of one plot do not overlap.
    """
    flow.create_view("flow_to_look_through", replace=True)
    first, last = _microseconds(start), _microseconds(end)
    parts = []
    lies = findings[findings["kind"].isin(OUTAGE_KINDS) & (site.policies.detected_outages == "gap")]
    for plot in site.plots:
        found = [
            (
                max(_microseconds(row["start"]), first),
                min(_microseconds(row["end"]), last),
                _cause(row["kind"], row["meter"]),
            )
            for row in lies[lies["plot"] == plot.plot].to_dict("records")
        ]
        missing = _missing(session, plot.plot, start, end)
        declared = [
            (max(_microseconds(a), first), min(_microseconds(b), last), cause)
            for a, b, cause in _declared(site, plot.plot, start, end)
        ]
        found, declared = ([row for row in rows if row[0] < row[1]] for rows in (found, declared))
        parts.append(_stretches(plot.plot, found, missing, declared))
    frame = pd.concat(parts, ignore_index=True)
    frame["hours"] = (frame["end"] - frame["start"]).dt.total_seconds() / 3600
    return frame[list(table("outages").names)]


def without_lies(
    metered: pd.DataFrame, known_totals: pd.DataFrame, outages: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """What is left of metered hours and known totals where a meter is found to have lied.

    An hour that such a stretch touches is not metered: it has no volume and a measured fraction of 0. A total that reaches into one
    is not known: the counter that tells it is the same meter's.

    Args:
        metered: rows of `metered_hours`.
        known_totals: rows of `known_totals`.
        outages: rows of `outages` of the same years.

    Returns:
        Rows of `metered_hours`, as many and in the same order, and those rows of `known_totals` that stand.
    """
    lies = outages[(outages["source"] == "detected") & (outages["cause"] != MISSING)]
    if lies.empty:
        return metered, known_totals
    hour = pd.Timedelta(hours=1)
    out = _touched(metered["plot"], metered["hour_start"], metered["hour_start"] + hour, lies)
    metered = metered.copy()
    metered.loc[out, [name for name in metered.columns if name not in ("plot", "hour_start")]] = None
    metered.loc[out, ["measured_fraction", "below_range_fraction"]] = 0.0
    told_by_liar = _touched(known_totals["plot"], known_totals["start"], known_totals["end"], lies)
    return metered, known_totals[~told_by_liar]


def _touched(plot: pd.Series, start: pd.Series, end: pd.Series, stretches: pd.DataFrame) -> NDArray[np.bool_]:
    """Which rows share any time with one of the stretches of their plot."""
    touched = np.zeros(len(plot), dtype=bool)
    for row in stretches.itertuples():
        touched |= ((plot == row.plot) & (start < row.end) & (end > row.start)).to_numpy()
    return touched


def _cause(kind: str, meter: str) -> str:
    return {
        "silence": f"silence: meter {meter} counted nothing while water ran",
        "stuck_counter": f"stuck counter: meter {meter} repeated one count",
    }[kind]


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


def _stretches(
    plot: str, found: list[tuple[int, int, str]], missing: list[tuple[int, int]], declared: list[tuple[int, int, str]]
) -> pd.DataFrame:
    """Cut time at every boundary, name each piece, and join neighbours of one name; later lists go before earlier ones."""
    bounds = np.unique(np.array([edge for row in (*found, *missing, *declared) for edge in row[:2]], dtype=np.int64))
    starts, ends = bounds[:-1], bounds[1:]
    named_rows = [
        *(([row[:2]], row[2], "detected") for row in found),
        (missing, MISSING, "detected"),
        *(([row[:2]], row[2], "declared") for row in declared),
    ]
    label = np.full(starts.size, -1)
    for number, (rows, _, _) in enumerate(named_rows):
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
            "cause": pd.array([named_rows[number][1] for number in label[kept]], dtype="str"),
            "source": pd.array([named_rows[number][2] for number in label[kept]], dtype="str"),
        }
    )


def _covered(starts: NDArray[np.int64], edges: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Which pieces begin inside one of the stretches; the stretches are in order and do not overlap."""
    if not len(edges):
        return np.zeros(starts.size, dtype=bool)
    place = np.searchsorted(edges[:, 0], starts, side="right") - 1
    return (place >= 0) & (starts < edges[np.maximum(place, 0), 1])
