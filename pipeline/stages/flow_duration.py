"""From a plot's interval flow to classes of flow and their times.

Belongs here: which intervals count as a measurement of flow, their classes, and how much of the record they cover.
Does not: what the classes are used for (stages/meter_sizing.py), the curve's mathematics (science/flow_duration.py).
"""

from __future__ import annotations

from dataclasses import dataclass

import duckdb
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.site import Site

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class FlowRecord:
    """A plot's measured flow by class. Arrays have one entry a class, in order of increasing flow.

    Attributes:
        flow_l_min: rate at which water went through the meter, both ways added up, L/min; 0 is a class of its own.
        hours: time of the class.
        forward_l, reverse_l: volumes of the class, L.
        interval_minutes: the most frequent length of an interval; none where nothing was measured.
        measured_hours: measured time by water year.
        period_hours: length of the record's period by water year.
    """

    flow_l_min: Floats
    hours: Floats
    forward_l: Floats
    reverse_l: Floats
    interval_minutes: float | None
    measured_hours: dict[int, float]
    period_hours: dict[int, float]


def flow_record(
    session: duckdb.DuckDBPyConnection,
    flow: duckdb.DuckDBPyRelation,
    outages: duckdb.DuckDBPyRelation,
    site: Site,
    plot: str,
    years: list[int],
) -> FlowRecord:
    """Gather the measured flow of one plot.

    An interval counts by its own length. Not counted are intervals without a reading, those that touch an outage, and differences of a
    running total across missing records, whose volume is known and whose flow is not.

    Args:
        session: in which the relations live.
        flow: rows of `interval_flow`; volumes in L.
        outages: rows of `outages`; stretches of one plot do not overlap.
        site: water years and the period of the record.
        plot: the plot.
        years: water years from which the rows are.

    Returns:
        The record; all arrays are empty where nothing was measured.
    """
    flow.create_view("flow_of_all_plots", replace=True)
    outages.create_view("outages_of_all_plots", replace=True)
    month, day = site.water_year_starts
    # Rows are counted, not added up: whole numbers come out the same in whichever order threads deliver them.
    rows = session.execute(
        """
        WITH outage AS (
            SELECT "start" AS outage_start, "end" AS outage_end FROM outages_of_all_plots WHERE plot = $plot
        ),
        measured AS (
            SELECT interval_start, interval_end, forward_l, reverse_l FROM flow_of_all_plots
            WHERE plot = $plot AND net_l IS NOT NULL AND quality <> 'spans_gap'
        ),
        counted AS (
            SELECT forward_l, reverse_l, epoch_us(interval_end) - epoch_us(interval_start) AS microseconds,
                interval_start + to_seconds($offset_s) AS local_start
            FROM measured ASOF LEFT JOIN outage ON outage_start < interval_end
            WHERE outage_end IS NULL OR outage_end <= interval_start
        )
        SELECT forward_l, reverse_l, microseconds,
            year(local_start) + ($starts <> 101 AND 100 * month(local_start) + day(local_start) >= $starts)::INTEGER AS water_year,
            count(*) AS intervals
        FROM counted GROUP BY ALL ORDER BY ALL
        """,
        {"plot": plot, "offset_s": site.utc_offset.total_seconds(), "starts": 100 * month + day},
    ).df()
    first, last = site.record_period()
    periods = {
        year: (min(last, end) - max(first, start)).total_seconds() / 3600
        for year in years
        for start, end in [site.water_year_period(year)]
    }
    return _by_class(rows, periods)


def _by_class(rows: pd.DataFrame, period_hours: dict[int, float]) -> FlowRecord:
    """One entry per distinct flow, from rows of distinct volumes, lengths and years with their number."""
    forward_l, reverse_l = (np.asarray(rows[name], dtype=float) for name in ("forward_l", "reverse_l"))
    count = np.asarray(rows["intervals"], dtype=float)
    minutes = np.asarray(rows["microseconds"], dtype=float) / 6e7
    hours = count * minutes / 60
    years = np.asarray(rows["water_year"], dtype=np.int64)
    flow, which = np.unique((forward_l + reverse_l) / minutes, return_inverse=True)
    lengths, length = np.unique(minutes, return_inverse=True)

    def sums(values: Floats) -> Floats:
        return np.bincount(which, weights=values, minlength=flow.size).astype(float)

    return FlowRecord(
        flow_l_min=flow,
        hours=sums(hours),
        forward_l=sums(count * forward_l),
        reverse_l=sums(count * reverse_l),
        interval_minutes=float(lengths[np.argmax(np.bincount(length, weights=count))]) if lengths.size else None,
        measured_hours={year: float(hours[years == year].sum()) for year in period_hours},
        period_hours=period_hours,
    )
