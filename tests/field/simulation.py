"""The invented field as a whole, and its truth.

Belongs here: putting weather, water, nitrate, instruments and failures together; true loads.
Does not: any of these themselves, any file (raw_files.py, site_folder.py).
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tests.field.failures import Failures, invent_failures, missing_readings
from tests.field.laboratory import (
    event_composites,
    exact_results,
    fallible_results,
    hourly_grabs,
    weekly_grabs,
)
from tests.field.meters import Counts, metered_litres, pulses
from tests.field.nitrate import nitrate_mg_l
from tests.field.other_soil import balance_other_soil
from tests.field.plan import Plan, to_utc
from tests.field.plots import Logger, Meter, Plot, invent_loggers, invent_meters, invent_plots
from tests.field.water import Water, balance_water, column, outlet_flow
from tests.field.weather import Floats, Weather, invent_weather

WATER_BALANCE = {"one_store": balance_water, "spread_capacity": balance_other_soil}


@dataclass(frozen=True)
class Field:
    """An invented field: its truth, and what its instruments recorded.

    Arrays are indexed by plot in the order of `plots` (meters stand in the same order); hours and intervals cover the
    record.

    Attributes:
        times_hourly: start of each hour, UTC, shape (hours,).
        weather: hour_start (UTC), rain_mm, air_temp_c: truth, not what the gauge recorded.
        forward_l, reverse_l: true litres each way per metering interval, shape (plots, intervals).
        net_l: true net litres per hour, shape (plots, hours).
        nitrate_mg_l: true mg/L as N per hour, shape (plots, hours).
        metered_forward_l, metered_reverse_l: litres as the meters feel them, error included, shape (plots, intervals).
        forward_pulses, reverse_pulses: pulses of meters that never fail, shape (plots, intervals).
        missing: whether the files lack a reading, shape (plots, intervals). A running total tells the count of an interval
            only where the reading before it is there too: the first one after a gap tells the count of the whole gap.
        samples, lab: the field book and the laboratory's results, as their files show them.
        water, full_weather: balance and weather with spin-up.
    """

    plan: Plan
    plots: list[Plot]
    meters: list[Meter]
    loggers: list[Logger]
    times_hourly: NDArray[np.datetime64]
    weather: pd.DataFrame
    forward_l: Floats
    reverse_l: Floats
    net_l: Floats
    nitrate_mg_l: Floats
    metered_forward_l: Floats
    metered_reverse_l: Floats
    forward_pulses: Counts
    reverse_pulses: Counts
    failures: Failures
    missing: NDArray[np.bool_]
    samples: pd.DataFrame
    lab: pd.DataFrame
    water: Water
    full_weather: Weather

    def true_loads(self) -> pd.DataFrame:
        """True net volume and nitrate-N load: plot, water_year (the year in which it ends), volume_mm, load_kg_ha.

        A load is the sum over hours of net litres times mg/L; backward water takes back what left.
        """
        month = self.plan.hours_local.astype("datetime64[M]").astype(int)
        year = (month + 3) // 12 + 1970
        years = np.unique(year)
        begins = np.searchsorted(year, years)
        area_m2 = column(self.plots, "area_ha")[:, None] * 10_000
        volume_mm = np.add.reduceat(self.net_l, begins, axis=1) / area_m2
        load_kg = np.add.reduceat(self.net_l * self.nitrate_mg_l, begins, axis=1) / 1e6
        return pd.DataFrame(
            {
                "plot": np.repeat([plot.plot for plot in self.plots], years.size),
                "water_year": np.tile(years, len(self.plots)),
                "volume_mm": volume_mm.ravel(),
                "load_kg_ha": (load_kg / area_m2 * 10_000).ravel(),
            }
        )


def simulate(plan: Plan) -> Field:
    """Invent the field of a plan. The same plan gives the same field."""
    plots = invent_plots(plan)
    meters = invent_meters(plan, plots)
    loggers = invent_loggers(plan)
    full_weather = invent_weather(plan)
    record = slice(plan.spin_up_hours, None)
    rain, temperature = full_weather.rain_mm[record], full_weather.air_temp_c[record]

    water = WATER_BALANCE[plan.soil](plan, plots, full_weather)
    forward_l, reverse_l = outlet_flow(plan, plots, water)
    net_l = (forward_l - reverse_l).reshape(len(plots), plan.hours, -1).sum(axis=2)
    nitrate = nitrate_mg_l(plan, plots, water)

    metered = {
        direction: np.stack([metered_litres(plan, litres[meter.plot], meter) for meter in meters])
        for direction, litres in (("forward", forward_l), ("reverse", reverse_l))
    }
    counted = {
        direction: np.stack([pulses(plan, metered[direction][meter.plot], meter, direction) for meter in meters])
        for direction in metered
    }
    failures = invent_failures(plan, meters, loggers, rain, temperature)
    missing = missing_readings(meters, failures)

    if plan.sampling == "hourly":
        samples, lab = exact_results(plan, hourly_grabs(plan, plots, nitrate))
    else:
        taken = [
            weekly_grabs(plan, plots, net_l, nitrate),
            event_composites(plan, plots, forward_l, nitrate, missing),
        ]
        samples, lab = fallible_results(plan, pd.concat(taken, ignore_index=True))
    times = to_utc(plan.hours_local)
    return Field(
        plan=plan,
        plots=plots,
        meters=meters,
        loggers=loggers,
        times_hourly=times,
        weather=pd.DataFrame({"hour_start": times, "rain_mm": rain, "air_temp_c": temperature}),
        forward_l=forward_l,
        reverse_l=reverse_l,
        net_l=net_l,
        nitrate_mg_l=nitrate,
        metered_forward_l=metered["forward"],
        metered_reverse_l=metered["reverse"],
        forward_pulses=counted["forward"],
        reverse_pulses=counted["reverse"],
        failures=failures,
        missing=missing,
        samples=samples,
        lab=lab,
        water=water,
        full_weather=full_weather,
    )
