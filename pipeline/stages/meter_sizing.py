"""From a plot's measured flow to what meters of several bores would make of it.

Belongs here: the candidates, and for each the velocity, head loss, accurate range and uncertainty on the measured flow record.
Does not: gathering the record (stages/flow_duration.py), formulas (science/), advice, table and picture (publish/sizing.py).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.science.error_curve import lowest_flow_within
from pipeline.science.flow_duration import exceeded_flow
from pipeline.science.meter_range import (
    TRADE_ERROR_PCT,
    TRADE_VELOCITY_M_S,
    error_curve_limit_l,
    expanded_uncertainty_l,
    flow_at_same_velocity,
)
from pipeline.science.pipe_hydraulics import full_pipe_capacity_l_min, head_loss, velocity_m_s
from pipeline.site import Calibration, Meter, Site
from pipeline.stages.error_curves import error_curve
from pipeline.stages.flow_duration import FlowRecord

Floats = NDArray[np.float64]

TRADE_BORES_MM = (40.0, 50.0, 65.0, 80.0, 100.0, 125.0, 150.0, 200.0, 250.0, 300.0)
"""Nominal sizes in which full-pipe meters are sold (common practice, no source). A meter's own bore may differ by some per cent."""

THROAT_BORES = 10.0
"""Length of the throat where none is given, in bores: straight pipe before and behind the meter (common practice, no source)."""


class SizingError(Exception):
    """The candidates cannot be compared; the message is a sentence for a person."""


@dataclass(frozen=True)
class Conditions:
    """What is assumed of the pipe, the water and the meter.

    Attributes:
        exceeded_pct: shares of the measured time whose exceeded flow is looked at, %, besides the highest flow.
        angle_deg: included angle of both reducers, degrees; 180 is a sudden change.
        throat_mm: length of the throat, mm; none: THROAT_BORES times the bore.
        roughness_mm: roughness of the throat's wall, mm.
        temperature_c: water temperature, °C.
        accurate_range: from where on a candidate is accurate: the error curve of the meter in use, or the trade's value.
        slope: fall of the main, m/m; none: that of meters.csv, if it says one.
        manning_n: Manning's coefficient of the main, s/m^(1/3).
        head_m: head that may be lost at the meter, m; none: not known.
    """

    exceeded_pct: tuple[float, ...] = (1.0, 5.0, 50.0)
    angle_deg: float = 30.0
    throat_mm: float | None = None
    roughness_mm: float = 0.0015
    temperature_c: float = 10.0
    accurate_range: Literal["meter", "trade"] = "meter"
    slope: float | None = None
    manning_n: float = 0.015
    head_m: float | None = None


@dataclass(frozen=True)
class Sizing:
    """Candidates of one plot.

    Attributes:
        site, plot: the experiment and the plot.
        meter: the meter in use.
        conditions: what was assumed.
        record: the flow that was measured.
        flows_l_min: the highest flow, then those exceeded for `conditions.exceeded_pct` of the measured time, L/min.
        candidates: one row a bore, smallest first. bore_mm, in_use; velocity_m_s and head_loss_m (lists along `flows_l_min`);
            contraction_m, friction_m, enlargement_m (head lost at the highest flow); accurate_from_l_min (infinite: nowhere);
            water_below_range, running_time_below_range (shares); error_curve_l, calibration_l, expanded_l (of the measured
            volume); time_above_head (share of the measured time; not there without head_m).
        net_l, gross_l: measured volumes, forward minus reverse and both added up, L.
        top_velocity_m_s: velocity of the top flow of the meter in use, m/s.
        step_l_min: one pulse in an interval of the usual length, L/min.
        capacity_l_min: what the main carries when it just runs full; none without a slope.
    """

    site: Site
    plot: str
    meter: Meter
    conditions: Conditions
    record: FlowRecord
    flows_l_min: Floats
    candidates: pd.DataFrame
    net_l: float
    gross_l: float
    top_velocity_m_s: float
    step_l_min: float
    capacity_l_min: float | None


def meter_in_use(site: Site, plot: str) -> Meter:
    """The latest meter of a plot.

    Raises:
        SizingError: there is no such plot, or it never had a meter; says which plots there are.
    """
    if plot not in {row.plot for row in site.plots}:
        raise SizingError(
            f"{site.folder / 'plots.csv'} has no plot {plot}. Its plots are {', '.join(row.plot for row in site.plots)}."
        )
    meters = [row for row in site.meters if row.plot == plot]
    if not meters:
        raise SizingError(f"{site.folder / 'meters.csv'} has no meter of plot {plot}. Add a row for it.")
    return max(meters, key=lambda row: row.start)


def bores_to_compare(site: Site, meter: Meter, bores_mm: Sequence[float] | None) -> list[float]:
    """The candidates and the bore in use, smallest first.

    Args:
        site: says in which file the meter stands.
        meter: the meter in use, and its main.
        bores_mm: candidates, mm; none: the trade's sizes up to the main's bore.

    Raises:
        SizingError: a bore is larger than the main.
    """
    where = f"{site.folder / 'meters.csv'}, line {meter.line}"
    if meter.bore_mm > meter.main_mm:
        raise SizingError(
            f"{where}: meter {meter.meter} has bore_mm {meter.bore_mm:g} in a main of main_mm {meter.main_mm:g}. A meter's bore is no "
            "larger than its main; correct the two."
        )
    for bore in bores_mm or ():
        if bore > meter.main_mm:
            raise SizingError(
                f"A bore of {bore:g} mm is larger than the main of {meter.main_mm:g} mm ({where}). In a throat wider than its main water "
                "slows down, the meter reads worse and silt settles; compare bores up to the main's."
            )
    chosen = bores_mm if bores_mm is not None else [bore for bore in TRADE_BORES_MM if bore <= meter.main_mm]
    return sorted({*chosen, meter.bore_mm})


def meter_sizing(
    site: Site, plot: str, record: FlowRecord, bores_mm: Sequence[float] | None, conditions: Conditions
) -> Sizing:
    """Compare candidate bores on a plot's measured flow.

    A candidate is a meter of the same construction as the one in use: it errs alike at the same velocity and is calibrated as well as the
    calibrations last in force. Water that ran back counts by its size.

    Args:
        site: meters, error curves, calibrations and the tolerance that bounds the accurate range.
        plot: the plot.
        record: its measured flow.
        bores_mm: candidates, mm; none: the trade's sizes up to the main's bore. The bore in use is always among them.
        conditions: what is assumed of pipe, water and meter.

    Raises:
        SizingError: no such plot, a bore larger than the main, or a record in which no water ran.
    """
    meter = meter_in_use(site, plot)
    if conditions.slope is None:
        conditions = replace(conditions, slope=meter.slope)
    bores = np.array(bores_to_compare(site, meter, bores_mm))
    gross_l = record.forward_l + record.reverse_l
    if not gross_l.sum() > 0:
        raise SizingError(
            f"In {record.hours.sum():,.0f} measured hours no water ran through the meter of plot {plot}: there is nothing to size one by."
        )
    shares = np.array([0.0, *conditions.exceeded_pct]) / 100
    flows = exceeded_flow(record.flow_l_min, record.hours, shares)
    throat_mm = bores * THROAT_BORES if conditions.throat_mm is None else np.full(bores.size, conditions.throat_mm)

    def lost(flow_l_min: Floats) -> tuple[Floats, ...]:
        parts = head_loss(
            flow_l_min,
            bores[:, None],
            meter.main_mm,
            throat_mm[:, None],
            conditions.roughness_mm,
            conditions.angle_deg,
            conditions.temperature_c,
        )
        return (*parts, parts.total_m)

    contraction, friction, enlargement, total = lost(flows)
    rows = pd.DataFrame(
        {
            "bore_mm": bores,
            "in_use": bores == meter.bore_mm,
            "velocity_m_s": list(velocity_m_s(flows, bores[:, None])),
            "head_loss_m": list(total),
            "contraction_m": contraction[:, 0],
            "friction_m": friction[:, 0],
            "enlargement_m": enlargement[:, 0],
        }
    )
    if conditions.head_m is not None:
        above = lost(record.flow_l_min)[-1] > conditions.head_m
        rows["time_above_head"] = above @ record.hours / record.hours.sum()
    in_force = _last_calibrations(site, meter)
    volumes = {"forward": record.forward_l.sum(), "reverse": record.reverse_l.sum()}
    calibration = [row.expanded_uncertainty_pct / 100 * volumes[row.direction] for row in in_force]
    ranges = [_range(site, meter, record, bore, conditions) for bore in bores]
    for name in ("accurate_from_l_min", "water_below_range", "running_time_below_range", "error_curve_l"):
        rows[name] = [row[name] for row in ranges]
    rows["calibration_l"] = float(np.linalg.norm(calibration))
    rows["expanded_l"] = [expanded_uncertainty_l(row["error_curve_l"], *calibration) for row in ranges]
    litres = max((row.litres_per_pulse for row in in_force), default=0.0)
    return Sizing(
        site=site,
        plot=plot,
        meter=meter,
        conditions=conditions,
        record=record,
        flows_l_min=flows,
        candidates=rows,
        net_l=float(record.forward_l.sum() - record.reverse_l.sum()),
        gross_l=float(gross_l.sum()),
        top_velocity_m_s=float(velocity_m_s(meter.top_l_min, meter.bore_mm)),
        step_l_min=litres / record.interval_minutes if record.interval_minutes else 0.0,
        capacity_l_min=None
        if conditions.slope is None
        else float(full_pipe_capacity_l_min(meter.main_mm, conditions.slope, conditions.manning_n)),
    )


def _last_calibrations(site: Site, meter: Meter) -> list[Calibration]:
    """The latest calibration of the meter in each direction that has one."""
    rows = sorted((row for row in site.calibrations if row.meter == meter.meter), key=lambda row: row.start)
    return list({row.direction: row for row in rows}.values())


def _range(site: Site, meter: Meter, record: FlowRecord, bore_mm: float, conditions: Conditions) -> dict[str, float]:
    """What lies below the accurate range of a bore, and the most by which its error curve lets the volume be wrong."""
    if conditions.accurate_range == "trade":
        at_l_min = np.array([TRADE_VELOCITY_M_S / float(velocity_m_s(1.0, bore_mm))])
        limit_pct = np.array([TRADE_ERROR_PCT])
    else:
        own_l_min, limit_pct = error_curve(site, meter.accuracy)
        at_l_min = flow_at_same_velocity(own_l_min, meter.bore_mm, bore_mm)
    lowest = lowest_flow_within(site.policies.accuracy_tolerance_pct, at_l_min, limit_pct)
    gross_l = record.forward_l + record.reverse_l
    running = record.flow_l_min > 0
    below = running & (record.flow_l_min < lowest)
    return {
        "accurate_from_l_min": lowest,
        "water_below_range": float(gross_l[below].sum() / gross_l.sum()),
        "running_time_below_range": float(record.hours[below].sum() / record.hours[running].sum()),
        "error_curve_l": error_curve_limit_l(record.flow_l_min[running], gross_l[running], at_l_min, limit_pct),
    }
