"""From pulses to litres.

Belongs here: applying the calibration in effect, the mark for flow below the meter's accurate range.
Does not: reading registers (site/), the error curve's mathematics (science/error_curve.py), filling holes (stages/hours.py).
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

import duckdb

from pipeline.science.error_curve import lowest_flow_within
from pipeline.site import Calibration, Meter, Site
from pipeline.stages.error_curves import error_curve
from pipeline.stages.phrases import literal, within, words
from pipeline.stages.pulses import change_points
from pipeline.tables.declared.words import PULSE_QUALITY


class VolumeError(Exception):
    """Pulses cannot be turned into litres; the message is a sentence for a person."""


def interval_flow(
    session: duckdb.DuckDBPyConnection, pulses: duckdb.DuckDBPyRelation, site: Site
) -> duckdb.DuckDBPyRelation:
    """Litres each way per metering interval.

    Litres are pulses times the litres per pulse in effect at the interval's start. `net_l` is forward minus reverse and may be
    negative: the receiving water backed up. An interval is below range where water ran, both ways added up, slower than
    the meter's error curve stays within the site's tolerance.

    Args:
        session: in which `pulses` lives.
        pulses: rows of `pulse_counts`; counts per interval, dimensionless.
        site: calibrations (L per pulse), meters and error curves (L/min, %), tolerance (%).

    Returns:
        Rows of `interval_flow`, in order of plot and time; volumes in L, rates in L/min; evaluated when it is read.

    Raises:
        VolumeError: a meter has pulses in an interval that no calibration covers; names meter and interval.
    """
    pulses.create_view("pulses_to_convert", replace=True)
    _all_covered(session, site)
    names = words(calibration.name for calibration in site.calibrations)
    parts = [
        _volumes(site, meter, forward, reverse, names)
        for meter in sorted(site.meters, key=lambda meter: (meter.plot, meter.start))
        for forward, reverse in _calibrations(site, meter)
    ]
    return session.sql(" UNION ALL ".join(parts))


def _calibrations(site: Site, meter: Meter) -> Iterator[tuple[Calibration, Calibration | None]]:
    """Pairs of calibrations, forward and reverse, that were in effect together, in order of time."""
    rows = [row for row in site.calibrations if row.meter == meter.meter]
    previous: tuple[Calibration | None, Calibration | None] = (None, None)
    for point in change_points(rows):
        now = {row.direction: row for row in rows if row.start <= point and (row.end is None or point < row.end)}
        pair = (now.get("forward"), now.get("reverse"))
        if pair[0] is not None and pair != previous:
            yield pair[0], pair[1]
        previous = pair


def _volumes(site: Site, meter: Meter, forward: Calibration, reverse: Calibration | None, names: str) -> str:
    """SQL for the rows of `interval_flow` of one meter under one pair of calibrations."""
    lowest = lowest_flow_within(site.policies.accuracy_tolerance_pct, *error_curve(site, meter.accuracy))
    back = f"reverse_pulses * {reverse.litres_per_pulse!r}::DOUBLE" if reverse else "reverse_pulses * 0.0::DOUBLE"
    calibrated = within("interval_start", forward.start, forward.end)
    if reverse is not None:
        calibrated += " AND " + within("interval_start", reverse.start, reverse.end)
    return f"""
        SELECT {literal(meter.plot)}::{words(plot.plot for plot in site.plots)} AS plot,
            {literal(meter.meter)}::{words(row.meter for row in site.meters)} AS meter,
            interval_start, interval_end, forward_l, reverse_l, forward_l - reverse_l AS net_l,
            (forward_l - reverse_l) / minutes AS flow_l_min, {literal(forward.name)}::{names} AS calibration,
            {literal(reverse.name) if reverse else "NULL"}::{names} AS reverse_calibration,
            coalesce(forward_l + reverse_l > 0 AND forward_l + reverse_l < {lowest!r}::DOUBLE * minutes, false) AS below_range,
            quality::{words(PULSE_QUALITY)} AS quality
        FROM (
            SELECT interval_start, interval_end, quality,
                forward_pulses * {forward.litres_per_pulse!r}::DOUBLE AS forward_l, {back} AS reverse_l,
                (epoch_us(interval_end) - epoch_us(interval_start)) / 6e7 AS minutes
            FROM pulses_to_convert
            WHERE plot = {literal(meter.plot)} AND meter = {literal(meter.meter)}
                AND {within("interval_start", meter.start, meter.end)} AND {calibrated}
        )
        """


def _all_covered(session: duckdb.DuckDBPyConnection, site: Site) -> None:
    """Hold the calibrations against the time that each meter has pulses for."""
    for meter, way, first, last in session.sql(
        """
        SELECT meter, 'forward', min(interval_start), max(interval_start)
        FROM pulses_to_convert WHERE forward_pulses > 0 GROUP BY meter
        UNION ALL
        SELECT meter, 'reverse', min(interval_start), max(interval_start)
        FROM pulses_to_convert WHERE reverse_pulses > 0 GROUP BY meter
        ORDER BY ALL
        """
    ).fetchall():
        rows = [row for row in site.calibrations if row.meter == meter and row.direction == way]
        if (at := _first_uncovered(rows, first, last)) is not None:
            raise VolumeError(
                f"calibrations.csv: meter {meter} has {way} pulses from {first:%Y-%m-%dT%H:%MZ} to {last:%Y-%m-%dT%H:%MZ}, and "
                f"no calibration covers {at:%Y-%m-%dT%H:%MZ}. Add a row for it, or extend one."
            )


def _first_uncovered(rows: list[Calibration], first: datetime, last: datetime) -> datetime | None:
    """First instant of [first, last] that no calibration covers; none if all are covered."""
    at = first
    for row in sorted(rows, key=lambda row: row.start):
        if row.start <= at:
            if row.end is None or row.end > last:
                return None
            at = max(at, row.end)
    return at
