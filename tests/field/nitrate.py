"""Nitrate in the drain water.

Belongs here: the true hourly concentration at each outlet, and the truth about backward water.
Does not: sampling and laboratory (laboratory.py), loads (simulation.py).

The concentration moves about a level of the plot: up in late spring when the soil has mineralised and been dressed, down
as the season's drainage leaches the store, up again in the first flush after dry weeks, down at peaks when new water
runs through (first through macropores), and it drifts. Water that the ditch pushes back carries what left: the
concentration at the outlet in that hour. A load is therefore the sum of net volume times concentration, and water that
runs back and out again is not counted twice.
"""

import numpy as np

from tests.field.plan import Plan, day_of_year
from tests.field.plots import Plot
from tests.field.water import Water, column, linear_reservoir
from tests.field.weather import Floats, autoregressive

LOWEST_MG_L = 0.8
HIGHEST_MG_L = 32.0


def nitrate_mg_l(plan: Plan, plots: list[Plot], water: Water) -> Floats:
    """True mg/L as N at each outlet, mean of the hour, shape (plots, hours of record), rounded to 0.1 µg/L."""
    day = day_of_year(plan.hours_local_spun_up)
    generator = plan.stream("nitrate")
    hours = day.size
    count = len(plots)
    season = 0.26 * np.cos(2 * np.pi * (day - 158) / 365.25) + 0.07 * np.cos(4 * np.pi * (day - 150) / 365.25)
    seasonal = season * generator.uniform(0.8, 1.2, (count, 1))

    leaving = np.maximum(water.drain_mm, 0.0)
    leached_mm = linear_reservoir(leaving, 24 * 45.0)[1]
    exhaustion = -0.0042 * (leached_mm - 35.0)
    soil_wetness = water.soil_mm / column(plots, "field_capacity_mm")[:, None]
    stored_up = linear_reservoir(np.clip(0.8 - soil_wetness, 0.0, 0.5), 24 * 30.0)[1] / (24 * 30.0)
    flush = 1.2 * stored_up * np.clip(linear_reservoir(leaving, 72.0)[0] / 0.1, 0.0, 1.0)
    new_share = np.maximum(leaving - linear_reservoir(leaving, 120.0)[0], 0.0) / (leaving + 0.02)
    dilution = -generator.uniform(0.8, 1.2, (count, 1)) * (0.8 * new_share + 0.3 * water.quick_share)
    standing = -0.22 * linear_reservoir(water.raised.astype(float), 24 * 12.0)[0]

    drift = autoregressive(generator, (1, hours), 24 * 40, 0.09) + autoregressive(
        generator, (count, hours), 24 * 25, 0.09
    )
    flicker = autoregressive(generator, (count, hours), 9, 0.03)
    moved = seasonal + exhaustion + flush + dilution + standing + drift + flicker
    level: Floats = column(plots, "nitrate_mg_l")[:, None] * np.exp(moved)
    return level.clip(LOWEST_MG_L, HIGHEST_MG_L).round(4)[:, plan.spin_up_hours :]
