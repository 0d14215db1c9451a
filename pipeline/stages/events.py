"""From hours to drainage events.

Belongs here: events of each plot by the site's policies, their names across plots, volume, peak and rain.
Does not: the rule's mathematics (science/event_rule.py), loads of events (stages/loads.py).
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.science.event_rule import event_hours, match_events
from pipeline.science.units import LITRES_PER_MM_HA, depth_mm
from pipeline.site import Site
from pipeline.tables import table

Floats = NDArray[np.float64]

HOUR_US = 3_600_000_000
RAIN_BEFORE_H = 24


def events(hours: pd.DataFrame, weather: pd.DataFrame, site: Site, year: int) -> pd.DataFrame:
    """Events of one water year, plot by plot, named alike where plots answered the same storm.

    A plot's event begins when its hourly flow rises to `event_threshold_mm_per_day` and ends when it has receded below
    `event_recession_share` of its peak, or below the threshold, whichever is higher; lulls shorter than
    `event_separation_hours` do not end it. Events of different plots that hold each other's peak hour, give or take half of
    those hours, are one site-wide event; it has at most one event of each plot. Names count up within the water year in order of
    start. Events that run at an end of the year are cut there, so that events and the hours between them are the year exactly.

    Args:
        hours: rows of `hourly_flow` of the year, without holes.
        weather: hour_start, rain_mm; may be empty. It should begin a day before the year.
        site: areas and policies.
        year: the water year.

    Returns:
        Rows of `events`. The volume of an event with an unfilled hour is empty, and so is the rain where an hour of it is missing.
    """
    flow = hours.sort_values(["plot", "hour_start"], ignore_index=True)
    start_us = flow["hour_start"].dt.tz_convert(None).to_numpy("datetime64[us]").astype(np.int64)
    net = flow["net_l"].to_numpy(dtype=float)
    policies = site.policies
    area_ha = {plot.plot: plot.area_ha for plot in site.plots}
    bounds = []
    for name, rows in flow.groupby("plot", sort=True).indices.items():
        threshold = policies.event_threshold_mm_per_day * LITRES_PER_MM_HA * area_ha[str(name)] / 24.0
        first, last = event_hours(net[rows], threshold, policies.event_recession_share, policies.event_separation_hours)
        bounds.append(np.column_stack([first, last]) + rows[0])
    first, last = np.concatenate([np.empty((0, 2), dtype=np.int64), *bounds]).T
    if first.size == 0:
        return _empty()

    length = last - first
    event = np.repeat(np.arange(first.size), length)
    row = np.repeat(first - np.cumsum(length) + length, length) + np.arange(length.sum())
    highest_first = np.lexsort((row, -np.nan_to_num(net[row], nan=-np.inf), event))
    peak_row = row[highest_first][np.unique(event, return_index=True)[1]]
    plot = flow["plot"].iloc[first].to_numpy()
    since, until = start_us[first], start_us[last - 1] + HOUR_US
    number = match_events(
        pd.factorize(plot)[0],
        since // HOUR_US,
        until // HOUR_US,
        start_us[peak_row] // HOUR_US,
        policies.event_separation_hours // 2,
    )
    frame = pd.DataFrame(
        {
            "plot": plot,
            "event": [f"{year}-{each + 1:03d}" for each in number],
            "start": pd.to_datetime(since, unit="us", utc=True).as_unit("us"),
            "end": pd.to_datetime(until, unit="us", utc=True).as_unit("us"),
            "volume_mm": depth_mm(
                np.bincount(event, weights=net[row]), flow["plot"].iloc[first].map(area_ha).to_numpy(dtype=float)
            ),
            "peak_l_min": net[peak_row] / 60.0,
            "rain_mm": _rain(weather, since - RAIN_BEFORE_H * HOUR_US, until),
            "measured_fraction": np.clip(
                np.bincount(event, weights=flow["measured_fraction"].to_numpy(dtype=float)[row]) / length, 0.0, 1.0
            ),
        }
    )
    return frame.astype({"plot": "str", "event": "str"})[list(table("events").names)]


def _rain(weather: pd.DataFrame, since_us: NDArray[np.int64], until_us: NDArray[np.int64]) -> Floats:
    """Rain of the hours that begin within [since, until), mm; not-a-number where one of them is missing."""
    known = weather[weather["rain_mm"].notna()].sort_values("hour_start")
    at = known["hour_start"].dt.tz_convert(None).to_numpy("datetime64[us]").astype(np.int64)
    total = np.append(0.0, np.cumsum(known["rain_mm"].to_numpy(dtype=float)))
    first, last = np.searchsorted(at, since_us), np.searchsorted(at, until_us)
    complete = (last - first) * HOUR_US == until_us - since_us
    return np.where(complete, np.maximum(total[last] - total[first], 0.0), np.nan)


def _empty() -> pd.DataFrame:
    times = pd.Series(dtype="datetime64[us, UTC]")
    kinds = {"plot": "str", "event": "str", "start": times.dtype, "end": times.dtype}
    return pd.DataFrame({name: pd.Series(dtype=kinds.get(name, "float64")) for name in table("events").names})
