"""From lab results to an hourly concentration and equally likely histories of it.

Belongs here: which results speak for a plot and year, what a result is in the model's terms, regressors of a plot, the basis.
Does not: the model (science/concentration_model.py, science/flow_drivers.py), lab files and units (stages/samples.py), loads
(stages/loads.py).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.science.concentration_model import HALF, Fitted, LogResults, Series, draw, fit, usable
from pipeline.science.conditioned_series import Points
from pipeline.science.ensemble import ENSEMBLE_MEMBERS, seed_of
from pipeline.science.flow_drivers import COMMON_SD, OWN_SD, TREATMENT_SD, flow_drivers, season_drivers
from pipeline.science.period_sums import interval_90
from pipeline.site import Site

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]

HOUR = pd.Timedelta(hours=1)
NEIGHBOUR_YEARS = 1
"""Water years on each side whose results may speak: a result far away must not move this year's numbers."""
FEW_RESULTS = 12
"""A plot with fewer results in reach is told mostly by the others."""
SURELY_DETECTED = 3.29
"""A detection limit is so many standard deviations of a result near it (two-sided risks of 5 %; Currie 1968, Anal. Chem. 40)."""
LEAST_SD, MOST_SD = 0.005, 1.0
"""Bounds of the standard deviation of a result's own error, in the logarithm."""


@dataclass(frozen=True)
class ConcentrationEnsemble:
    """Hourly concentration of one plot and analyte in one water year.

    Water that ran back is in `mg_l` and in both sets of members under the site's policy.

    Attributes:
        plot, analyte: names.
        hour_start: the year's hours of `hourly_flow`, UTC, shape (h,).
        mg_l: mean of the members, not-a-number without results, shape (h,).
        members: equally likely histories, mg/L, shape (members, h).
        members_without_laboratory: each as it would be had the laboratory made none of its errors.
        basis: where each hour's number comes from, a code of the table `concentration`, shape (h,).
        extrapolated: whether the hour's outflow lies outside the flows that results speak of, shape (h,).
        backward: numbers of the hours in which water ran back, shape (b,).
        as_left: mg/L of that water by the account of what left last, in doubt, shape (members, b).
        as_left_undoubted: the same if the account were right.
        receiving_water: mg/L of that water if it is the receiving water's, none where no result tells, shape (members, b).
    """

    plot: str
    analyte: str
    hour_start: pd.Series
    mg_l: Floats
    members: NDArray[np.float32]
    members_without_laboratory: NDArray[np.float32]
    basis: NDArray[np.object_]
    extrapolated: NDArray[np.bool_]
    backward: Indices
    as_left: NDArray[np.float32]
    as_left_undoubted: NDArray[np.float32]
    receiving_water: NDArray[np.float32] | None


def concentration_members(
    results: pd.DataFrame, hours: pd.DataFrame, site: Site, year: int, receiving: pd.DataFrame | None = None
) -> Iterator[ConcentrationEnsemble]:
    """Equally likely histories of the concentration of every plot and analyte in one water year.

    The logarithm is a regression on flow, season, trend and treatment, with a slow and a fast deviation, conditioned on every
    result of this water year and of one on each side: a grab on its hour, a composite on the mean of its window (weights: net flow
    where positive, or time), a censored result on what lies below its limit, one above the range on what lies above. Plots
    share what they tell of the regression, the more so the fewer results they have. Members carry what is not known of
    deviations, coefficients, the process and the laboratory's errors; those of a batch are common to its results.

    Source: see science/concentration_model.py.

    Args:
        results: rows of `sample_results` that speak for drainage, mg/L.
        hours: rows of `hourly_flow` of the year and of its neighbours, L.
        site: analytes, plots, treatments, policies, standard time.
        year: the water year.
        receiving: rows of `receiving_water_results`.

    Yields:
        Plots in order of name, analytes in order of name within each. A plot and analyte without any result in reach has empty
        values and the basis `no_results`.
    """
    grid = _Grid.of(hours, site, year)
    if grid is None:
        return
    flow = {str(plot): rows.sort_values("hour_start") for plot, rows in hours.groupby("plot", sort=True)}
    of_plot = {plot: _Flow.of(rows, grid, site, plot) for plot, rows in flow.items()}
    models = {analyte: _model(results[results["analyte"] == analyte], of_plot, grid, site) for analyte in site.analytes}
    for plot, here in of_plot.items():
        for analyte in sorted(site.analytes):
            yield _ensemble(plot, analyte, here, models[analyte], site, year)


@dataclass(frozen=True)
class _Grid:
    """All hours of the years in reach: when the first begins, how many there are, and which are the year's."""

    origin: pd.Timestamp
    hours: int
    first: int
    last: int

    @classmethod
    def of(cls, hours: pd.DataFrame, site: Site, year: int) -> _Grid | None:
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


@dataclass(frozen=True)
class _Flow:
    """One plot's flow and regressors.

    Attributes:
        net_l: of all hours in reach, not-a-number where it is not known.
        hour_start, number: the year's hours of the plot, and their numbers in the grid.
        drivers: regressors of all hours in reach.
        treatment: of each hour in reach, as a number; 0 for none.
    """

    net_l: Floats
    hour_start: pd.Series
    number: Indices
    drivers: Floats
    treatment: Indices

    @classmethod
    def of(cls, rows: pd.DataFrame, grid: _Grid, site: Site, plot: str) -> _Flow:
        number = grid.number(rows["hour_start"]).astype(np.int64)
        net = np.full(grid.hours, np.nan)
        inside = (number >= 0) & (number < grid.hours)
        net[number[inside]] = rows["net_l"].to_numpy(dtype=float)[inside]
        hour = np.arange(grid.hours)
        new_year = pd.Timestamp(year=grid.origin.year, month=1, day=1, tz="UTC")
        since_new_year = (grid.origin + site.utc_offset - new_year) / HOUR
        middle = (grid.first + grid.last) / 2
        drivers = np.column_stack(
            [np.ones(grid.hours), flow_drivers(net), season_drivers(since_new_year + hour, hour - middle)]
        )
        names = sorted({row.treatment for row in site.treatments})
        treatment = np.zeros(grid.hours, dtype=np.int64)
        for row in site.treatments:
            if row.plot == plot:
                since = (pd.Timestamp(row.start) - grid.origin) / HOUR
                until = grid.hours if row.end is None else (pd.Timestamp(row.end) - grid.origin) / HOUR
                treatment[(hour >= since) & (hour < until)] = 1 + names.index(row.treatment)
        this_year = (number >= grid.first) & (number < grid.last)
        return cls(net, rows["hour_start"][this_year].reset_index(drop=True), number[this_year], drivers, treatment)


@dataclass(frozen=True)
class _Model:
    """One analyte of a site, estimated.

    Attributes:
        said: rows of the results that were used, by plot, with `opens` and `closes` (hours since the origin).
        fitted: the plots that have results, in order of name; none where all results are nothing.
        level: logarithm from which the model's logarithms count.
    """

    said: Mapping[str, pd.DataFrame]
    fitted: Fitted | None
    level: float
    grid: _Grid


def _model(results: pd.DataFrame, of_plot: Mapping[str, _Flow], grid: _Grid, site: Site) -> _Model:
    opens, closes = grid.number(results["start"]), grid.number(results["end"])
    results = results.assign(opens=opens, closes=np.maximum(closes, opens))
    results = results[(results["closes"] >= 0) & (results["opens"] < grid.hours)]
    results = results.sort_values(["plot", "opens", "closes", "sample"])
    positive = results.loc[results["mg_l"] > 0, "mg_l"]
    said = {plot: results[results["plot"] == plot].reset_index(drop=True) for plot in of_plot}
    said = {plot: rows for plot, rows in said.items() if len(rows)}
    if positive.empty:
        return _Model(said, None, 0.0, grid)
    level = float(np.log(positive).mean())
    lists = {plot: _log_results(rows, of_plot[plot], float(positive.min()), site) for plot, rows in said.items()}
    kept = {plot: usable(each) for plot, each in lists.items()}
    said = {plot: rows.iloc[kept[plot]].reset_index(drop=True) for plot, rows in said.items()}

    treatments = np.unique(np.concatenate([of_plot[plot].treatment for plot in said]))[1:]
    design = {
        plot: np.column_stack([of_plot[plot].drivers, of_plot[plot].treatment[:, np.newaxis] == treatments])
        for plot in said
    }
    common = np.append(COMMON_SD, np.full(treatments.size, TREATMENT_SD[0]))
    own = np.append(OWN_SD, np.full(treatments.size, TREATMENT_SD[1]))
    series = []
    for plot in said:
        each = lists[plot].take(kept[plot])
        centred = LogResults(each.mean_of, each.log_value - level, each.sd, each.bound, each.shared_sd)
        series.append(Series(centred, design[plot], grid.first, grid.last))
    return _Model(said, fit(series, common, own), level, grid)


def _log_results(rows: pd.DataFrame, flow: _Flow, least: float, site: Site) -> LogResults:
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


def _mean_of(rows: pd.DataFrame, flow: _Flow) -> Points:
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


def _ensemble(plot: str, analyte: str, flow: _Flow, model: _Model, site: Site, year: int) -> ConcentrationEnsemble:
    said = model.said.get(plot)
    shape = (ENSEMBLE_MEMBERS, flow.number.size)
    members = without = np.broadcast_to(np.float32(np.nan), shape)
    if said is not None and model.fitted is None:
        members = without = np.zeros(shape, dtype=np.float32)
    elif said is not None and model.fitted is not None:
        drawn = draw(
            model.fitted,
            list(model.said).index(plot),
            _of_batches(said, site, analyte),
            seed_of(site.site, plot, analyte, str(year), "concentration"),
        )
        level = np.float32(model.level)
        at = flow.number - model.grid.first
        members, without = (np.exp(each[:, at] + level) for each in (drawn.members, drawn.without_laboratory))
    net = flow.net_l[flow.number]
    back = np.flatnonzero(net < 0)
    not_known = np.full((ENSEMBLE_MEMBERS, back.size), np.nan, dtype=np.float32)
    return ConcentrationEnsemble(
        plot=plot,
        analyte=analyte,
        hour_start=flow.hour_start,
        mg_l=members.mean(axis=0, dtype=np.float64),
        members=members,
        members_without_laboratory=without,
        basis=_basis(said, flow, site),
        extrapolated=_outside_flows_sampled(net, flow, said),
        backward=back,
        as_left=not_known,
        as_left_undoubted=not_known,
        receiving_water=None,
    )


def _of_batches(said: pd.DataFrame, site: Site, analyte: str) -> Floats:
    """Standard normal draws of the error of each result's batch, the same for all plots, shape (n, members / 2)."""
    if "batch" not in said:
        return np.zeros((len(said), HALF))
    names, which = np.unique(said["batch"].fillna("").astype(str), return_inverse=True)
    drawn = [seed_of(site.site, analyte, name, "batch").standard_normal(HALF) for name in names]
    return np.stack(drawn)[which]


def _basis(said: pd.DataFrame | None, flow: _Flow, site: Site) -> NDArray[np.object_]:
    """Where the number of each of the year's hours comes from."""
    if said is None:
        return np.full(flow.number.size, "no_results", dtype=object)
    touched = _touched(said, flow.net_l.size)[flow.number]
    starts, ends = np.sort(said["opens"].to_numpy()), np.sort(said["closes"].to_numpy())
    longest = site.policies.interpolation_longest_days * 24.0
    middle = flow.number + 0.5
    before = np.append(-np.inf, ends)[np.searchsorted(ends, middle)]
    after = np.append(starts, np.inf)[np.searchsorted(starts, middle)]
    apart = np.where(np.isfinite(after - before), after - before, np.minimum(middle - before, after - middle))
    far = "site_model" if len(said) < FEW_RESULTS else "modelled"
    return np.where(touched, "sampled", np.where(apart <= longest, "interpolated", far)).astype(object)


def _touched(said: pd.DataFrame, hours: int) -> NDArray[np.bool_]:
    """Whether a result touches each hour of the grid."""
    first = np.clip(np.floor(said["opens"].to_numpy()).astype(np.int64), 0, hours)
    last = np.clip(np.maximum(np.ceil(said["closes"].to_numpy()).astype(np.int64), first + 1), 0, hours)
    return np.cumsum(np.bincount(first, minlength=hours + 1) - np.bincount(last, minlength=hours + 1))[:hours] > 0


def _outside_flows_sampled(net_l: Floats, flow: _Flow, said: pd.DataFrame | None) -> NDArray[np.bool_]:
    """Whether more, or less, left in an hour than in any hour that a result touches; shape as `net_l`, L."""
    if said is None:
        return np.zeros(net_l.size, dtype=bool)
    sampled = flow.net_l[_touched(said, flow.net_l.size)]
    sampled = sampled[sampled > 0]
    if sampled.size == 0:
        return net_l > 0
    return (net_l > 0) & ((net_l < sampled.min()) | (net_l > sampled.max()))


def concentration_rows(ensemble: ConcentrationEnsemble) -> pd.DataFrame:
    """Rows of `concentration` of one plot and analyte, in order of time."""
    bounds = interval_90(ensemble.mg_l, ensemble.members)
    return pd.DataFrame(
        {
            "plot": ensemble.plot,
            "analyte": ensemble.analyte,
            "hour_start": ensemble.hour_start.to_numpy(),
            "mg_l": ensemble.mg_l,
            "mg_l_p05": np.maximum(bounds[0], 0.0),
            "mg_l_p95": bounds[1],
            "basis": ensemble.basis,
        }
    ).astype({"hour_start": "datetime64[us, UTC]"})
