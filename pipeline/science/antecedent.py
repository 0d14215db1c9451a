"""What fell before, and how much of it still counts.

Belongs here: fading sums of rain, snow that waits and melts.
Does not: reading weather (stages/weather.py), regression on these sums (gap_estimate.py).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.signal import lfilter

Floats = NDArray[np.float64]


def antecedent_sum(inflow: ArrayLike, time_constant_h: float) -> Floats:
    """Exponentially fading sum of an hourly depth: the storage of a linear reservoir that receives it.

    S(t) = S(t - 1 h) exp(-1 h / k) + inflow(t). Without inflow the storage recedes as exp(-t / k), the recession of a linear
    reservoir as in any hydrology text. The sum starts empty.

    Args:
        inflow: depth per hour, mm, shape (n,).
        time_constant_h: k, hours.

    Returns:
        Sums, mm, shape (n,).
    """
    return lfilter([1.0], [1.0, -np.exp(-1.0 / time_constant_h)], np.asarray(inflow, dtype=float))


def antecedent_mean(values: ArrayLike, time_constant_h: float) -> Floats:
    """Exponentially fading mean of an hourly quantity, in the quantity's unit, shape (n,).

    The mean starts at the first value, as if it had always been so.
    """
    series = np.asarray(values, dtype=float)
    if series.size == 0:
        return series.copy()
    kept = np.exp(-1.0 / time_constant_h)
    return lfilter([1.0 - kept], [1.0, -kept], series, zi=[kept * series[0]])[0]


def water_reaching_soil(
    rain_mm: ArrayLike, air_temp_c: ArrayLike, melt_mm_per_degree_day: float = 3.0, freezing_c: float = 0.0
) -> Floats:
    """Rain and snow-melt: what falls in frost waits and melts by degree-hours above freezing.

    The degree-day method of any hydrology text; 3 mm per degree and day lies within the range that handbooks give for open
    land (common practice, no source). The snow on the ground is a store that cannot fall below nothing, S(t) =
    max(0, S(t-1) + snow - melt); its closed form is the distance of the running balance from its lowest point so far.

    Args:
        rain_mm: precipitation per hour as water, mm, shape (n,).
        air_temp_c: air temperature, degrees Celsius, shape (n,).

    Returns:
        Liquid water per hour, mm, shape (n,), never negative; its sum and the snow left make up the precipitation.
    """
    rain = np.asarray(rain_mm, dtype=float)
    warm = np.asarray(air_temp_c, dtype=float) - freezing_c
    snow = np.where(warm < 0, rain, 0.0)
    balance = np.cumsum(snow - np.maximum(warm, 0.0) * melt_mm_per_degree_day / 24.0)
    on_ground = balance - np.minimum(np.minimum.accumulate(balance), 0.0)
    # Rounding of the running balance must not appear as negative water.
    return np.maximum(rain - np.diff(on_ground, prepend=0.0), 0.0)
