"""Bench proofs: known volumes run through the meters before they go to the field.

Belongs here: runs, reference volumes and what each logger column counted.
Does not: the meters' errors (meters.py), the calibration register (site_folder.py).
"""

from datetime import date, timedelta

import numpy as np
import pandas as pd

from tests.field.meters import realised_error_share
from tests.field.plan import Plan
from tests.field.plots import Logger, Meter

FORWARD_FLOWS_L_MIN = (9.0, 25.0, 60.0, 120.0, 240.0, 60.0, 120.0, 240.0)
REVERSE_FLOWS_L_MIN = (25.0, 60.0, 120.0, 60.0)
REFERENCE_U_L = 0.6


def bench_proof(plan: Plan, logger: Logger, meters: list[Meter], proved: date, in_use_from: date) -> pd.DataFrame:
    """One proof: all meters of a logger in series, forward runs and then reverse runs, by a weighed tank.

    The person writes down which way the water ran and which meters were in line, since nobody knows yet which wire is whose.
    `reference_u_l` is the standard uncertainty of the reference volume. Meters are wired to the columns of `in_use_from`.
    """
    generator = plan.stream(f"bench {logger.logger} {proved}")
    flow = np.array(FORWARD_FLOWS_L_MIN + REVERSE_FLOWS_L_MIN)
    backward = np.arange(flow.size) >= len(FORWARD_FLOWS_L_MIN)
    wanted = np.clip(flow * 15.0, 400.0, 2000.0)
    volume = np.round(wanted * generator.uniform(0.97, 1.03, flow.size), 2)
    reference = np.round(volume + REFERENCE_U_L * generator.standard_normal(flow.size), 1)
    runs = pd.DataFrame(
        {
            "run": np.arange(1, flow.size + 1),
            "direction": np.where(backward, "reverse", "forward"),
            "in_line": ";".join(meter.meter for meter in meters),
            "reference_l": [f"{value:.1f}" for value in reference],
            "reference_u_l": REFERENCE_U_L,
            "seconds": np.round(volume / flow * 60).astype(int),
        }
    )
    for name in logger.count_columns:
        runs[name] = 0
    for meter in meters:
        error = realised_error_share(flow, meter) if plan.pulses else np.zeros(flow.size)
        channel = meter.channel_on(plan.first_day)
        for direction, name, runs_that_way in (
            ("forward", channel.forward, ~backward),
            ("reverse", channel.reverse, backward),
        ):
            calibration = next(c for c in meter.calibrations if c.direction == direction and c.first_day == in_use_from)
            turned = volume * (1 + error) / calibration.true_litres_per_pulse
            begun = generator.random(flow.size)
            runs[name] += np.where(runs_that_way, np.floor(turned + begun).astype(int), 0)
    return runs


def bench_proofs(plan: Plan, logger: Logger, meters: list[Meter]) -> dict[date, pd.DataFrame]:
    """All proofs of a logger's meters by their date: before the record, and before each recalibrated meter went back."""
    proofs = {}
    for in_use_from in sorted({c.first_day for meter in meters for c in meter.calibrations}):
        proved = in_use_from - timedelta(days=6)
        on_bench = [m for m in meters if any(c.first_day == in_use_from for c in m.calibrations)]
        proofs[proved] = bench_proof(plan, logger, on_bench, proved, in_use_from)
    return proofs
