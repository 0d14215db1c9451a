"""What lab results and flows are in the terms of the concentration model.

Belongs here: the hours of the years in reach, regressors of a plot, the hours that a result is a mean of, its logarithm and error.
Does not: the model (science/concentration_model.py), which results speak for what (sample_flow.py), members (concentration.py).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.science.concentration_draws import HALF
from pipeline.science.conditioned_series import Points
from pipeline.science.ensemble import ENSEMBLE_MEMBERS, seed_of
from pipeline.science.flow_drivers import drivers_beside, flow_drivers, season_drivers
from pipeline.science.log_results import LogResults
from pipeline.site import Site

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Indices = NDArray[np.int64]

HOUR = pd.Timedelta(hours=1)
NEIGHBOUR_YEARS = 1
"""Water years on each side whose results may speak: a result far away must not move this year's numbers."""
SURELY_DETECTED = 3.29
"""A detection limit is so many standard deviations of a result near it (two-sided risks of 5 %; Currie 1968, Anal. Chem. 40)."""
LEAST_SD, MOST_SD = 0.005, 1.0
"""Bounds of the standard deviation of a result's own error, in the logarithm."""


@dataclass(frozen=True)
class Grid:
    """All hours of the years in reach: when the first begins, how many there are, and which are the year's."""

    origin: pd.Timestamp
    hours: int
    first: int
    last: int

    @classmethod
    def of(cls, hours: pd.DataFrame, site: Site, year: int) -> Grid | None:
        """Of rows of `hourly_flow`; none where none of them is of the year."""
        first, last = (pd.Timestamp(moment) for moment in site.water_year_period(year))
        inside = hours["hour_start"][(hours["hour_start"] >= first) & (hours["hour_start"] < last)]
        if inside.empty:
            return None
        some = inside.min()
        begins = pd.Timestamp(site.water_year_period(year - NEIGHBOUR_YEARS)[0])
        ends = pd.Timestamp(site.water_year_period(year + NEIGHBOUR_YEARS)[1])
        origin = some - -(-(some - begins) // HOUR) * HOUR
        count = -(-(ends - origin) // HOUR)
        return cls(origin, count, int((some - origin) // HOUR), int((inside.max() - origin) // HOUR) + 1)

    def number(self, times: pd.Series) -> Floats:
        """Hours since the origin."""
        return np.asarray((times - self.origin) / HOUR, dtype=float)

    def in_reach(self, results: pd.DataFrame) -> pd.DataFrame:
        """Results of the years in reach, in order, with `opens` and `closes` (hours since the origin)."""
        opens, closes = self.number(results["start"]), self.number(results["end"])
        results = results.assign(opens=opens, closes=np.maximum(closes, opens))
        results = results[(results["closes"] >= 0) & (results["opens"] < self.hours)]
        return results.sort_values(["plot", "opens", "closes", "sample"], ignore_index=True)


@dataclass(frozen=True)
class PlotFlow:
    """One plot's flow and regressors.

    Attributes:
        net_l: of all hours in reach, not-a-number where it is not known.
        hour_start, number: the year's hours of the plot, and their numbers in the grid.
        season: a constant, two harmonics of the year and a trend, of all hours in reach.
        flow: regressors that follow from the flow.
        treatment: of each hour in reach, as a number; 0 for none.
        filled: hours of the year whose flow is known by its members only, ascending.
        filled_l: these, L, shape (members, filled).
    """

    net_l: Floats
    hour_start: pd.Series
    number: Indices
    season: Floats
    flow: Floats
    treatment: Indices
    filled: Indices
    filled_l: Singles

    @classmethod
    def of(cls, rows: pd.DataFrame, drawn: pd.DataFrame | None, grid: Grid, site: Site, plot: str) -> PlotFlow:
        """Of a plot's rows of `hourly_flow`, in order of time, and of `flow_members` of the year."""
        number = grid.number(rows["hour_start"]).astype(np.int64)
        net = np.full(grid.hours, np.nan)
        inside = (number >= 0) & (number < grid.hours)
        net[number[inside]] = rows["net_l"].to_numpy(dtype=float)[inside]
        hour = np.arange(grid.hours)
        new_year = pd.Timestamp(year=grid.origin.year, month=1, day=1, tz="UTC")
        since_new_year = (grid.origin + site.utc_offset - new_year) / HOUR
        middle = (grid.first + grid.last) / 2
        season = season_drivers(since_new_year + hour, hour - middle)
        season = np.column_stack([np.ones(grid.hours), season])
        names = sorted({row.treatment for row in site.treatments})
        treatment = np.zeros(grid.hours, dtype=np.int64)
        for row in site.treatments:
            if row.plot == plot:
                since = (pd.Timestamp(row.start) - grid.origin) / HOUR
                until = grid.hours if row.end is None else (pd.Timestamp(row.end) - grid.origin) / HOUR
                treatment[(hour >= since) & (hour < until)] = 1 + names.index(row.treatment)
        this_year = (number >= grid.first) & (number < grid.last)
        year_hours = rows["hour_start"][this_year].reset_index(drop=True)
        filled, filled_l = _members_of(drawn, grid, net)
        return cls(net, year_hours, number[this_year], season, flow_drivers(net), treatment, filled, filled_l)

    def drivers_beside(self, grid: Grid, members: Indices) -> Singles:
        """How far what some members' flows tell lies from what the flow tells, in the year's hours, shape (m,) to (4, m, hours)."""
        histories = np.repeat(self.net_l[np.newaxis, grid.first : grid.last], members.size, axis=0)
        histories[:, self.filled - grid.first] = self.filled_l[members]
        return drivers_beside(self.net_l, grid.first, histories)


def _members_of(drawn: pd.DataFrame | None, grid: Grid, net_l: Floats) -> tuple[Indices, Singles]:
    """Hours of the year that have members, ascending, and these, shape (members, hours)."""
    if drawn is None or drawn.empty:
        return np.empty(0, dtype=np.int64), np.empty((ENSEMBLE_MEMBERS, 0), dtype=np.float32)
    drawn = drawn.sort_values("hour_start")
    number = grid.number(drawn["hour_start"]).astype(np.int64)
    inside = (number >= grid.first) & (number < grid.last)
    inside[inside] = np.isfinite(net_l[number[inside]])
    lists = drawn["net_l"].to_numpy()[inside]
    filled = np.stack(list(lists)).T if lists.size else np.empty((ENSEMBLE_MEMBERS, 0))
    return number[inside], np.asarray(filled, dtype=np.float32)


def log_results(rows: pd.DataFrame, flow: PlotFlow, least: float, site: Site) -> LogResults:
    """What results say of hourly logarithms.

    Args:
        rows: results of one plot with `opens`, `closes`.
        flow: of the plot.
        least: the smallest positive result of the analyte; a result of nothing with no limit lies below a half of it.
        site: policies.
    """
    value = rows["mg_l"].to_numpy(dtype=float)
    limit = rows["detection_limit_mg_l"].to_numpy(dtype=float)
    censored = rows["censored"].to_numpy(dtype=bool)
    above = rows["above_range"].to_numpy(dtype=bool) if "above_range" in rows else np.zeros(value.size, dtype=bool)
    above = above & (value > 0)
    bound = np.where(above, 1, np.where(censored | (value <= 0), -1, 0))
    below_what = np.where(limit > 0, limit, np.where(value > 0, 2 * value, least / 2))
    stated = np.where(bound < 0, below_what, value)

    policy = site.policies.laboratory_uncertainty_pct / 100 / 2
    own = np.full(value.size, policy)
    if "uncertainty_mg_l" in rows:
        told = rows["uncertainty_mg_l"].to_numpy(dtype=float) / stated
        own = np.where(np.isfinite(told), told, own)
    near_limit = np.where(bound < 0, np.nan_to_num(limit / stated) / SURELY_DETECTED, 0.0)
    own = np.clip(np.hypot(own, near_limit), LEAST_SD, MOST_SD)
    shared = np.zeros(value.size)
    if "batch_uncertainty_pct" in rows:
        shared = np.where(bound == 0, np.nan_to_num(rows["batch_uncertainty_pct"].to_numpy(dtype=float)) / 100, 0.0)
    return LogResults(_mean_of(rows, flow), np.log(stated), np.hypot(own, shared), bound, shared)


def _mean_of(rows: pd.DataFrame, flow: PlotFlow) -> Points:
    """Hours that results are means of: a grab's hour; those of a window by flow where it is positive, or by time."""
    last_hour = flow.net_l.size - 1
    opens = rows["opens"].clip(0, last_hour).to_numpy()
    closes = rows["closes"].clip(0, last_hour + 1).to_numpy()
    first = np.floor(opens).astype(np.int64)
    count = np.maximum(np.ceil(closes).astype(np.int64) - first, 1)
    begin = np.append(0, np.cumsum(count))
    result = np.repeat(np.arange(count.size), count)
    hour = np.arange(begin[-1]) - begin[result] + first[result]
    time = np.minimum(hour + 1, closes[result]) - np.maximum(hour, opens[result])
    time = np.where(count[result] == 1, 1.0, np.maximum(time, 0.0))
    flowed = np.maximum(np.nan_to_num(flow.net_l), 0.0)[hour] * time
    by_flow = (rows["kind"] == "flow_composite").to_numpy() & (np.bincount(result, flowed) > 0)
    weight = np.where(by_flow[result], flowed, time)
    return Points(result, hour, weight / np.bincount(result, weight)[result])


def of_batches(said: pd.DataFrame, site: Site, analyte: str) -> Floats:
    """Standard normal draws of the error of each result's batch, the same for all plots, shape (n, members / 2)."""
    if "batch" not in said:
        return np.zeros((len(said), HALF))
    names, which = np.unique(said["batch"].fillna("").astype(str), return_inverse=True)
    drawn = [seed_of(site.site, analyte, name, "batch").standard_normal(HALF) for name in names]
    return np.stack(drawn)[which]
