"""Stages simple enough to see through, for tests of what runs them.

Belongs here: stand-ins for the stages that fill, group and estimate; the ones before them are the project's own.
Does not: any claim about hydrology.
"""

from __future__ import annotations

import dataclasses
import os
from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd

from pipeline.orchestration.stages import Stages
from pipeline.science.ensemble import ENSEMBLE_MEMBERS
from pipeline.site import Site
from pipeline.stages.bench_proofs import bench_proofs
from pipeline.stages.concentration import concentration_members
from pipeline.stages.hours import FilledHours
from pipeline.stages.intake import read_raw_files
from pipeline.stages.load_basis import load_basis
from pipeline.stages.load_methods import load_methods
from pipeline.stages.loads import loads
from pipeline.stages.meter_findings import meter_findings
from pipeline.stages.metered_hours import metered_hours
from pipeline.stages.outages import outages
from pipeline.stages.period_loads import period_loads
from pipeline.stages.pulses import gauge_readings, pulse_counts
from pipeline.stages.sample_flow import sample_flow
from pipeline.stages.samples import sample_results
from pipeline.stages.volumes import interval_flow
from pipeline.stages.weather import weather_hours
from pipeline.tables import table


def fill_hours(
    metered: pd.DataFrame,
    known_totals: pd.DataFrame,
    weather: pd.DataFrame,
    site: Site,
    year: int,
    gauges: pd.DataFrame | None = None,
) -> FilledHours:
    """The hours of one year; what is missing becomes the mean of the plot's hours in the window, in all members."""
    start, end = site.water_year_period(year)
    net = metered["net_l"].fillna(metered.groupby("plot")["net_l"].transform("mean").fillna(0.0))
    known = metered["net_l"].notna()
    filled = metered[["plot", "hour_start"]].assign(
        net_l=net,
        net_l_p05=net - 1.0,
        net_l_p95=net + 1.0,
        basis=known.map({True: "measured", False: "from_weather"}),
        measured_fraction=known.astype("float64"),
        below_range_fraction=0.0,
    )
    filled = filled[(filled["hour_start"] >= start) & (filled["hour_start"] < end)]
    members = filled.loc[filled["basis"] == "from_weather", ["plot", "hour_start", "net_l"]]
    lists = pd.Series(
        list(np.repeat(members["net_l"].to_numpy()[:, None], ENSEMBLE_MEMBERS, axis=1)), members.index, object
    )
    skill = pd.DataFrame({name: pd.Series(dtype="object") for name in table("gap_skill").names})
    return FilledHours(filled, members.assign(net_l=lists), skill)


def fill_hours_in_one_process(*given: Any) -> FilledHours:
    """The same, by the process whose number stands in the variable ONLY_PROCESS."""
    if os.environ["ONLY_PROCESS"] != str(os.getpid()):
        raise RuntimeError("this process is not asked")
    return fill_hours(*given)


def fill_hours_of_the_last_year_elsewhere(*given: Any) -> FilledHours:
    """The same, but of the last year by any process but that one."""
    site, year = given[3:5]
    if year == site.water_years()[-1] and os.environ["ONLY_PROCESS"] == str(os.getpid()):
        raise RuntimeError("another process is asked")
    return fill_hours(*given)


def events(hours: pd.DataFrame, weather: pd.DataFrame, site: Site, year: int) -> pd.DataFrame:
    """One event per plot: the first week of the year."""
    start = site.water_year_period(year)[0]
    return pd.DataFrame(
        {
            "plot": [plot.plot for plot in site.plots],
            "event": f"{year}-001",
            "start": pd.Timestamp(start),
            "end": pd.Timestamp(start) + pd.Timedelta(days=7),
            "volume_mm": 1.0,
            "peak_l_min": 1.0,
            "rain_mm": 0.0,
            "measured_fraction": 1.0,
        }
    )


def plain_stages(**others: Callable[..., Any]) -> Callable[[], Stages]:
    """Loads the plain stages, some replaced by others."""
    plain = Stages(
        read_raw_files=read_raw_files,
        pulse_counts=pulse_counts,
        gauge_readings=gauge_readings,
        weather_hours=weather_hours,
        interval_flow=interval_flow,
        metered_hours=metered_hours,
        meter_findings=meter_findings,
        outages=outages,
        fill_hours=fill_hours,
        events=events,
        sample_results=sample_results,
        sample_flow=sample_flow,
        bench_proofs=bench_proofs,
        concentration_members=concentration_members,
        loads=loads,
        period_loads=period_loads,
        load_methods=load_methods,
        load_basis=load_basis,
    )
    return lambda: dataclasses.replace(plain, **others)
