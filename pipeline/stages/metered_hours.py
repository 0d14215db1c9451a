"""From metering intervals to hours of what was metered.

Belongs here: hourly sums of metered water, how much of it ran below range, the limit of the error curve's error on it, and
totals that a running counter tells across a gap.
Does not: litres (stages/volumes.py), which intervals are used and how hours divide them (stages/hour_pieces.py), filling hours
(stages/hours.py), what the limits mean for a sum (science/uncertainty.py).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from math import log

import duckdb
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.site import Meter, Site
from pipeline.stages.error_curves import error_curve
from pipeline.stages.hour_pieces import HOUR_US, hour_pieces, microseconds
from pipeline.stages.phrases import literal, within
from pipeline.tables import table

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class MeteredHours:
    """What the meters say of a period.

    Attributes:
        hours: rows of `metered_hours`: every plot-hour of the period.
        known_totals: rows of `known_totals`: stretches longer than an hour of which a running counter tells only the total.
    """

    hours: pd.DataFrame
    known_totals: pd.DataFrame


def metered_hours(
    session: duckdb.DuckDBPyConnection, flow: duckdb.DuckDBPyRelation, site: Site, start: datetime, end: datetime
) -> MeteredHours:
    """Hourly sums of what was metered, and the totals of what was not.

    An interval that lies in several hours is shared out by time; what it shares with hours outside the period is theirs. Intervals
    that touch a declared outage are not used; what a running counter tells across one is (stages/pulses.py keeps it only where
    the meter itself went on). Hours begin with the period, so that they make up the site's days.

    The limit of the error curve's error is taken interval by interval, at the rate at which water ran both ways added up: within
    an hour of little flow and much, each part errs by its own limit. It is at most all of the water.

    An hour under two meters or calibrations names those that metered most of its water, the earlier ones where that is the same.

    Args:
        session: in which `flow` lives.
        flow: rows of `interval_flow` of the period, and of the time before as far as an interval may reach into the period.
        site: plots, meters, error curves, calibrations, outages.
        start: first instant of the period; whole hours before `end`.
        end: first instant after the period.

    Returns:
        Every plot-hour of the period, and the totals that begin in it, each in order of plot and time.
    """
    parts = hour_pieces(session, flow, site, start, end)
    session.register("plots_of_site", pd.DataFrame({"plot": sorted(plot.plot for plot in site.plots)}))
    session.register(
        "pulses_in_litres",
        pd.DataFrame(
            {
                "name": pd.Series([row.name for row in site.calibrations], dtype="str"),
                "litres_per_pulse": pd.Series([row.litres_per_pulse for row in site.calibrations], dtype="float64"),
            }
        ),
    )
    first = microseconds(start)
    hours = session.sql(
        f"""
        WITH pieces AS (
            SELECT *, {_error_limit(site)} AS error_curve_l
            FROM (SELECT *, forward_l + reverse_l AS gross_l, (epoch_us(interval_end) - epoch_us(interval_start)) / 6e7 AS minutes
                FROM ({parts.pieces}))
        ),
        sums AS (
            -- Whole microlitres add up to the same last digit in whatever order the threads take them.
            SELECT plot, hour, meter, calibration, reverse_calibration, min(since) AS since, sum(length_us) AS length_us,
                sum((share * forward_l * 1e6)::BIGINT) AS forward_ul,
                sum((share * reverse_l * 1e6)::BIGINT) AS reverse_ul,
                forward_ul + reverse_ul AS gross_ul,
                sum((share * (forward_l + reverse_l) * 1e6)::BIGINT) FILTER (below_range) AS below_range_ul,
                sum((share * error_curve_l * 1e6)::BIGINT) AS error_curve_ul
            FROM pieces GROUP BY ALL
        ),
        by_hour AS (
            SELECT plot::VARCHAR AS plot, hour,
                first(meter::VARCHAR ORDER BY gross_ul DESC, since) AS meter,
                first(calibration::VARCHAR ORDER BY gross_ul DESC, since) AS calibration,
                first(reverse_calibration::VARCHAR ORDER BY gross_ul DESC, since) AS reverse_calibration,
                sum(forward_ul) / 1e6 AS forward_l, sum(reverse_ul) / 1e6 AS reverse_l,
                (sum(forward_ul) - sum(reverse_ul)) / 1e6 AS net_l,
                least(sum(length_us), {HOUR_US}) / {HOUR_US} AS measured_fraction,
                sum(below_range_ul) / nullif(sum(gross_ul), 0) AS below_range_fraction,
                sum(error_curve_ul) / 1e6 AS error_curve_l
            FROM sums GROUP BY plot, hour
        )
        SELECT plot, make_timestamptz({first} + hour * {HOUR_US}) AS hour_start, meter, calibration, reverse_calibration,
            forward_l, reverse_l, net_l, coalesce(measured_fraction, 0.0) AS measured_fraction,
            coalesce(below_range_fraction, 0.0) AS below_range_fraction, error_curve_l,
            CASE WHEN reverse_l > 0 THEN greatest(forth.litres_per_pulse, back.litres_per_pulse)
                ELSE forth.litres_per_pulse END AS counting_l
        FROM plots_of_site CROSS JOIN (SELECT range AS hour FROM range({(microseconds(end) - first) // HOUR_US}))
        LEFT JOIN by_hour USING (plot, hour)
        LEFT JOIN pulses_in_litres AS forth ON forth.name = calibration
        LEFT JOIN pulses_in_litres AS back ON back.name = reverse_calibration
        ORDER BY plot, hour
        """
    ).df()
    totals = session.sql(
        f"""
        SELECT plot::VARCHAR AS plot, interval_start AS start, interval_end AS end, net_l
        FROM ({parts.totals}) WHERE {within("interval_start", start, None)} ORDER BY plot, start
        """
    ).df()
    return MeteredHours(hours[list(table("metered_hours").names)], totals[list(table("known_totals").names)])


def _error_limit(site: Site) -> str:
    """SQL for the limit of the error curve's error on an interval's water, L; empty where a meter has no curve."""
    cases = []
    for accuracy in sorted({meter.accuracy for meter in site.meters}):
        meters = " OR ".join(f"({_is(meter)})" for meter in site.meters if meter.accuracy == accuracy)
        cases.append(f"WHEN {meters} THEN {_limit_by_curve(*error_curve(site, accuracy))}")
    return f"least(gross_l, CASE {' '.join(cases)} END)"


def _is(meter: Meter) -> str:
    return f"""plot = {literal(meter.plot)} AND meter = {literal(meter.meter)}
        AND {within("interval_start", meter.start, meter.end)}"""


def _limit_by_curve(flow_l_min: Floats, limit_pct: Floats) -> str:
    """The curve of science/error_curve.py times `gross_l`, as SQL: straight lines in the logarithm of the rate, 1/rate below."""
    points = list(zip(flow_l_min.tolist(), (limit_pct / 100).tolist(), strict=True))
    lowest_flow, lowest = points[0]
    cases = [f"WHEN gross_l < {lowest_flow!r} * minutes THEN {lowest_flow * lowest!r} * minutes"]
    for (flow, limit), (next_flow, next_limit) in pairwise(points):
        if next_flow > flow:
            slope = (next_limit - limit) / log(next_flow / flow)
            cases.append(
                f"WHEN gross_l < {next_flow!r} * minutes "
                f"THEN gross_l * ({limit!r} + {slope!r} * ln(gross_l / ({flow!r} * minutes)))"
            )
    return f"CASE {' '.join(cases)} ELSE gross_l * {points[-1][1]!r} END"
