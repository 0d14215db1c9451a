"""What a meter makes of the water: error, pulses, running totals.

Belongs here: from true litres each way to pulses per interval and to the numbers a logger reads.
Does not: outages (failures.py), files (raw_files.py).
"""

from datetime import date

import numpy as np
from numpy.typing import NDArray

from tests.field.plan import Plan
from tests.field.plots import ERROR_CURVES, Calibration, Meter
from tests.field.weather import Floats

Counts = NDArray[np.int64]


def error_limit_share(flow_l_min: Floats, bore_mm: int) -> Floats:
    """Half-width of the meter's error curve as a share of the flow.

    Straight between its points on logarithmic axes, growing as 1/flow below the first and constant above the last.
    """
    flows, limits = np.array(ERROR_CURVES[bore_mm]).T
    positive = np.maximum(flow_l_min, 1e-9)
    limit: Floats = np.exp(np.interp(np.log(positive), np.log(flows), np.log(limits))) / 100
    return limit * np.maximum(flows[0] / positive, 1.0)


def realised_error_share(flow_l_min: Floats, meter: Meter) -> Floats:
    """The error this very meter makes: a smooth curve of its own within the limits, never less than a standstill."""
    amplitude, waves, phase = meter.error_waves
    wave = amplitude * np.sin(waves * np.log(np.maximum(flow_l_min, 0.05)) + phase)
    error = wave * error_limit_share(flow_l_min, meter.bore_mm)
    return error.clip(-1.0, 1.0).round(9)


def metered_litres(plan: Plan, true_l: Floats, meter: Meter) -> Floats:
    """Litres as the meter feels them, shape (intervals,), rounded to 0.1 mL."""
    if not plan.pulses:
        return true_l
    return np.round(true_l * (1.0 + realised_error_share(true_l / plan.interval_minutes, meter)), 4)


def litres_per_pulse_by_interval(plan: Plan, calibrations: list[Calibration]) -> Floats:
    """The true litres per pulse in each interval, shape (intervals,)."""
    litres = np.empty(plan.intervals)
    for calibration in sorted(calibrations, key=lambda c: c.first_day):
        litres[plan.interval_of(calibration.first_day) :] = calibration.true_litres_per_pulse
    return litres


def pulses(plan: Plan, metered_l: Floats, meter: Meter, direction: str) -> Counts:
    """Whole pulses per interval, shape (intervals,): the part of a pulse left over is carried into the next interval."""
    of_direction = [c for c in meter.calibrations if c.direction == direction]
    turned = np.cumsum(metered_l / litres_per_pulse_by_interval(plan, of_direction))
    # An exact count must not fall short by a rounding error of the division.
    counted = np.floor(turned + 1e-7).astype(np.int64)
    return np.diff(counted, prepend=0)


def running_totals(counted: Counts, dead: NDArray[np.bool_], first_count: int, modulus: int) -> Counts:
    """What the meter's own register shows at each interval's end, shape (intervals,).

    A dead meter counts nothing; the one that replaces it begins at zero.
    """
    counting = np.where(dead, 0, counted)
    total = first_count + np.cumsum(counting)
    revived = np.flatnonzero(dead[:-1] & ~dead[1:]) + 1
    at_revival = np.zeros(counted.size, dtype=np.int64)
    at_revival[revived] = np.diff(total[revived - 1], prepend=0)
    return (total - np.cumsum(at_revival)) % modulus


def on_channel(plan: Plan, meter: Meter, column: str) -> tuple[str, slice] | None:
    """Direction and stretch of intervals in which a meter counts on a logger column, if it ever does."""
    channels = sorted(meter.channels, key=lambda c: c.first_day)
    ends: list[date | None] = [c.first_day for c in channels[1:]] + [None]
    for channel, end in zip(channels, ends, strict=True):
        stretch = slice(plan.interval_of(channel.first_day), None if end is None else plan.interval_of(end))
        if column == channel.forward:
            return "forward", stretch
        if column == channel.reverse:
            return "reverse", stretch
    return None
