"""Invented hourly weather of a humid continental climate.

Belongs here: rain, air temperature, snow cover, the water that reaches the soil, evaporative demand, soil frost.
Does not: what soil and drains make of it (water.py), what the gauge records of it (raw_files.py).

Figures are invented to look like the north of a maize belt: about 870 mm of rain and snow a year, most of it from April
to August, a mean of 9 to 10 °C, frozen soil in most winters. Results of transcendental functions are rounded before
anything is built on them, so that the last bit of a machine's exp() cannot change a byte of what is written.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from tests.field.plan import Plan, day_of_year
from tests.field.recorded_weather import recorded_weather

Floats = NDArray[np.float64]

LONGEST_STORM_HOURS = 36


@dataclass(frozen=True)
class Weather:
    """Hourly series over spin-up and record, each of shape (hours,).

    Attributes:
        rain_mm: rain and melted equivalent of snowfall.
        upstream_rain_mm: the same over the ditch's catchment: the site's rain and storms of its own.
        air_temp_c: mean air temperature.
        snowpack_mm: water equivalent of the snow at the hour's end.
        water_input_mm: rain that fell as rain, and melt.
        upstream_input_mm: the same over the ditch's catchment.
        evaporative_demand_mm: what crop and bare soil would evaporate if water were no limit.
        frozen: whether the top of the soil is frozen.
    """

    rain_mm: Floats
    upstream_rain_mm: Floats
    air_temp_c: Floats
    snowpack_mm: Floats
    water_input_mm: Floats
    upstream_input_mm: Floats
    evaporative_demand_mm: Floats
    frozen: NDArray[np.bool_]


def autoregressive(
    generator: np.random.Generator,
    shape: tuple[int, ...],
    hours_to_forget: float,
    deviation: float,
    axis: int = -1,
) -> Floats:
    """A stationary first-order autoregressive series along one axis, zero mean."""
    memory = np.exp(-1.0 / hours_to_forget)
    innovation = np.sqrt(1.0 - memory**2)
    shocks = np.moveaxis(generator.standard_normal(shape) * deviation * innovation, axis, -1)
    shocks[..., 0] /= innovation
    return np.moveaxis(lfilter([1.0], [1.0, -memory], shocks, axis=-1), -1, axis)


def storms(generator: np.random.Generator, day: Floats, per_year: float, mean_depth_mm: float) -> Floats:
    """Rain of storms that arrive by chance, in wet and dry spells; summer storms are shorter and heavier."""
    hours = day.size
    summer = 0.5 + 0.5 * np.cos(2 * np.pi * (day - 190) / 365.25)
    early_summer = np.cos(2 * np.pi * (day - 155) / 365.25)
    spell = np.exp(autoregressive(generator, (hours,), 24 * 12, 0.4) - 0.4**2 / 2)
    arrival = generator.random(hours) < per_year / 8766 * (1 + 0.38 * early_summer) * spell
    start = np.flatnonzero(arrival)
    longest = np.clip(np.ceil(generator.exponential(12 - 8 * summer[start])).astype(int), 1, LONGEST_STORM_HOURS)
    depth = generator.gamma(0.9, mean_depth_mm * (0.75 + 0.5 * summer[start]) / 0.9)
    share = generator.gamma(0.9, 1.0, (start.size, LONGEST_STORM_HOURS))
    share[np.arange(LONGEST_STORM_HOURS) >= longest[:, None]] = 0.0
    share /= share.sum(axis=1, keepdims=True)
    rain = np.zeros(hours + LONGEST_STORM_HOURS)
    np.add.at(rain, start[:, None] + np.arange(LONGEST_STORM_HOURS), share * depth[:, None])
    return rain[:hours]


def snow(rain_mm: Floats, air_temp_c: Floats) -> tuple[Floats, Floats]:
    """Snowpack at each hour's end and water that reaches the soil, both mm, by the degree-hour method."""
    rain_share = np.clip((air_temp_c + 0.5) / 2.0, 0.0, 1.0)
    snowfall = rain_mm * (1.0 - rain_share)
    melt_possible = 0.13 * np.maximum(air_temp_c - 0.3, 0.0)
    pack = np.zeros_like(rain_mm)
    held = 0.0
    for hour, (fallen, possible) in enumerate(zip(snowfall.tolist(), melt_possible.tolist(), strict=True)):
        held = max(held + fallen - possible, 0.0)
        pack[hour] = held
    return pack, rain_mm - np.diff(pack, prepend=0.0)


def invent_weather(plan: Plan) -> Weather:
    """The weather of a plan, spin-up included."""
    local = plan.hours_local_spun_up
    day = day_of_year(local)
    hour_of_day = day % 1.0 * 24
    generator = plan.stream("weather")
    season = np.cos(2 * np.pi * (day - 201) / 365.25)

    if plan.weather == "recorded":
        rain, temperature = recorded_weather(plan)
    else:
        rain = np.round(storms(generator, day, per_year=104, mean_depth_mm=8.6), 3)
        synoptic = autoregressive(generator, (day.size,), 60, 1.0) * (4.6 - 1.3 * season)
        cloud = lfilter([1 / 9], [1.0, -8 / 9], np.minimum(rain, 2.0))
        diurnal = (4.8 - 2.5 * np.clip(cloud, 0, 1)) * np.cos(2 * np.pi * (hour_of_day - 15) / 24)
        temperature = np.round(9.6 + 14.2 * season + synoptic + diurnal, 2)
    temperature = np.round(temperature - plan.colder_c, 2)
    elsewhere = storms(plan.stream("upstream storms"), day, per_year=40, mean_depth_mm=13.0)
    upstream = np.round(0.85 * rain + elsewhere, 3)

    snowpack, water_input = snow(rain, temperature)
    _, upstream_input = snow(upstream, temperature)

    # Demand from daily mean temperature and extraterrestrial radiation (form of Oudin and others 2005, J. Hydrology 303),
    # spread over the daylight hours and scaled by the crop.
    daily_mean = temperature.reshape(-1, 24).mean(axis=1).repeat(24)
    radiation = 28.5 + 13.5 * np.cos(2 * np.pi * (day - 172) / 365.25)
    potential = radiation / 2.45 * np.maximum(daily_mean + 5.0, 0.0) / 100
    crop = 0.66 + 0.58 * np.exp(-(((day - 202) / 50.0) ** 2))
    daylight = np.maximum(np.sin(np.pi * (hour_of_day + 0.5 - 6) / 13), 0.0) * (hour_of_day < 19)
    daylight = daylight.reshape(-1, 24) / daylight.reshape(-1, 24).sum(axis=1, keepdims=True)
    demand = np.round(potential * crop * daylight.ravel(), 6)

    soil_temperature = lfilter([1 / 240], [1.0, -239 / 240], temperature - 10.0) + 10.0
    return Weather(
        rain_mm=rain,
        upstream_rain_mm=upstream,
        air_temp_c=temperature,
        snowpack_mm=snowpack,
        water_input_mm=water_input,
        upstream_input_mm=upstream_input,
        evaporative_demand_mm=demand,
        frozen=np.round(soil_temperature, 6) < -1.0,
    )
