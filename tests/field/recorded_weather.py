"""Real daily weather, spread over the hours.

Belongs here: the daily record of an open data package, and how its days become hours.
Does not: snow, evaporation, frost (weather.py); weather that is invented (the same).

The record is NOAA's daily precipitation and temperature of a coastal city with wet winters and dry summers, 2012 to 2015, as
the package `vega_datasets` carries it: no network is needed.
"""

import numpy as np
from numpy.typing import NDArray

from tests.field.plan import Plan

Floats = NDArray[np.float64]

FIRST_DAY, LAST_DAY = np.datetime64("2012-01-01"), np.datetime64("2015-12-31")
WARMEST_HOUR = 15


def recorded_weather(plan: Plan) -> tuple[Floats, Floats]:
    """Rain (mm per hour) and air temperature (°C) of the recorded days, spin-up included, shape (hours,) each.

    A day's rain falls in one to three spells of a random length and unevenness; its sum is kept to 0.001 mm an hour. Temperature
    swings between the day's lowest and highest as a cosine that is warmest at three in the afternoon.

    Raises:
        ValueError: the plan's days, spin-up included, are not all in the record.
    """
    from vega_datasets import data

    days = plan.hours_local_spun_up[::24].astype("datetime64[D]")
    if days[0] < FIRST_DAY or days[-1] > LAST_DAY:
        raise ValueError(f"recorded weather reaches from {FIRST_DAY} to {LAST_DAY}, not from {days[0]} to {days[-1]}")
    record = data.seattle_weather()
    row = (days - FIRST_DAY).astype(int)
    depth, lowest, highest = (
        record[name].to_numpy(dtype=float)[row] for name in ("precipitation", "temp_min", "temp_max")
    )

    generator = plan.stream("hours of recorded rain")
    hour = np.arange(24)
    share = np.zeros((days.size, 24))
    for _ in range(3):
        start = generator.integers(0, 24, (days.size, 1))
        length = generator.integers(1, 10, (days.size, 1))
        falls = (hour >= start) & (hour < start + length)
        share += falls * generator.gamma(0.9, 1.0, share.shape) * (generator.random((days.size, 1)) < 0.5)
    # A day whose spells all failed to come has one hour of rain.
    share[share.sum(axis=1) == 0, WARMEST_HOUR] = 1.0
    rain = depth[:, None] * share / share.sum(axis=1, keepdims=True)

    middle, swing = (highest + lowest) / 2, (highest - lowest) / 2
    at = np.arange(days.size * 24) / 24
    noon = np.arange(days.size) + 0.5
    temperature = np.interp(at, noon, middle) + np.interp(at, noon, swing) * np.cos(
        2 * np.pi * (np.tile(hour, days.size) - WARMEST_HOUR) / 24
    )
    return np.round(rain.ravel(), 3), np.round(temperature, 2)
