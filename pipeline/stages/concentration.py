"""From lab results to an hourly concentration and equally likely histories of it.

Belongs here: which results speak for a plot and year, what they have to do with those of other plots, the basis.
Does not: the model (science/concentration_model.py), what a result is in its terms (concentration_terms.py), what water that ran back
held (backward_water.py), lab files and units (samples.py), loads (loads.py).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import partial

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.science.concentration_draws import draw
from pipeline.science.concentration_model import Fitted, Series, fit
from pipeline.science.ensemble import ENSEMBLE_MEMBERS, seed_of
from pipeline.science.flow_drivers import COMMON_SD, OWN_SD, TREATMENT_SD
from pipeline.science.log_results import LogResults, usable
from pipeline.science.period_sums import interval_90
from pipeline.site import Site
from pipeline.stages.backward_water import ReceivingWater, backward_water
from pipeline.stages.concentration_terms import Grid, PlotFlow, log_results, of_batches

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]

FEW_RESULTS = 12
"""A plot with fewer results in reach is told mostly by the others."""


@dataclass(frozen=True)
class ConcentrationEnsemble:
    """Hourly concentration of one plot and analyte in one water year.

    Water that ran back is in `mg_l` and in both sets of members under the site's policy.

    Attributes:
        plot, analyte: names.
        hour_start: the year's hours of `hourly_flow`, UTC, shape (h,).
        mg_l: mean of the members, weighted by their outflow where flow was not metered; not-a-number without results, shape (h,).
        members: equally likely histories, mg/L, shape (members, h).
        members_without_laboratory: each as it would be had the laboratory made none of its errors.
        basis: where each hour's number comes from, a code of the table `concentration`, shape (h,).
        extrapolated: whether the hour's outflow lies outside the flows that results speak of, shape (h,).
        backward: numbers of the hours in which water ran back, shape (b,).
        as_left: mg/L of that water by the account of what left last, in doubt, shape (members, b).
        as_left_undoubted: the same if the account were right.
        receiving_water: mg/L of that water if it is the receiving water's, none where no result tells, shape (members, b).
        followed: factor on each member for its flow being another than the reported one, shape (members, h); none where all was metered.
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
    followed: NDArray[np.float32] | None = None


def concentration_members(
    results: pd.DataFrame,
    hours: pd.DataFrame,
    site: Site,
    year: int,
    receiving: pd.DataFrame | None = None,
    flow_members: pd.DataFrame | None = None,
) -> Iterator[ConcentrationEnsemble]:
    """Equally likely histories of the concentration of every plot and analyte in one water year.

    The logarithm is a regression on flow, season, trend and treatment, with a slow and a fast deviation, conditioned on every
    result of this water year and of one on each side: a grab on its hour, a composite on the mean of its window (weights: net flow
    where positive, or time), a censored result on what lies below its limit, one above the range on what lies above. Plots
    share what they tell of the regression, the more so the fewer results they have. Members carry what is not known of
    deviations, coefficients, the process and the laboratory's errors; those of a batch are common to its results.

    Where the flow was not metered, a member of the concentration follows the member of the flow at the same place in the list: a history
    in which the gap holds a peak has that peak's dilution. The reported concentration of such an hour is the mean over members
    weighted by their outflow, so that concentration times volume is the load.

    Source: see science/concentration_model.py.

    Args:
        results: rows of `sample_results` that speak for drainage, mg/L.
        hours: rows of `hourly_flow` of the year and of its neighbours, L.
        site: analytes, plots, treatments, policies, standard time.
        year: the water year.
        receiving: rows of `receiving_water_results`.
        flow_members: rows of `flow_members` of the year; without them the flow counts as known.

    Yields:
        Analytes in order of name, plots in order of name within each, so that one analyte's model is held at a time. A plot and
        analyte without any result in reach has empty values and the basis `no_results`.
    """
    grid = Grid.of(hours, site, year)
    if grid is None:
        return
    flow = {str(plot): rows.sort_values("hour_start") for plot, rows in hours.groupby("plot", sort=True)}
    drawn = {} if flow_members is None else {str(plot): rows for plot, rows in flow_members.groupby("plot", sort=True)}
    of_plot = {plot: PlotFlow.of(rows, drawn.get(plot), grid, site, plot) for plot, rows in flow.items()}
    ditch = _Ditch(receiving, grid, site, year)
    for analyte in sorted(site.analytes):
        model = _model(results[results["analyte"] == analyte], of_plot, grid, site)
        for plot, here in of_plot.items():
            yield _ensemble(plot, analyte, here, model, ditch, site, year)


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
    grid: Grid


def _model(results: pd.DataFrame, of_plot: Mapping[str, PlotFlow], grid: Grid, site: Site) -> _Model:
    results = grid.in_reach(results)
    positive = results.loc[results["mg_l"] > 0, "mg_l"]
    said = {plot: results[results["plot"] == plot].reset_index(drop=True) for plot in of_plot}
    said = {plot: rows for plot, rows in said.items() if len(rows)}
    if positive.empty:
        return _Model(said, None, 0.0, grid)
    level = float(np.log(positive).mean())
    lists = {plot: log_results(rows, of_plot[plot], float(positive.min()), site) for plot, rows in said.items()}
    kept = {plot: usable(each) for plot, each in lists.items()}
    said = {plot: rows.iloc[kept[plot]].reset_index(drop=True) for plot, rows in said.items()}

    treatments = np.unique(np.concatenate([of_plot[plot].treatment for plot in said]))[1:]
    design = {
        plot: np.column_stack([flow.season, flow.flow, flow.treatment[:, np.newaxis] == treatments])
        for plot, flow in of_plot.items()
        if plot in said
    }
    common = np.append(COMMON_SD, np.full(treatments.size, TREATMENT_SD[0]))
    own = np.append(OWN_SD, np.full(treatments.size, TREATMENT_SD[1]))
    series = []
    for plot in said:
        each = lists[plot].take(kept[plot])
        centred = LogResults(each.mean_of, each.log_value - level, each.sd, each.bound, each.shared_sd)
        beside = partial(of_plot[plot].drivers_beside, grid) if of_plot[plot].filled.size else None
        series.append(Series(centred, design[plot], grid.first, grid.last, beside, of_plot[plot].season.shape[1]))
    return _Model(said, fit(series, common, own), level, grid)


@dataclass
class _Ditch:
    """The receiving water of each plot; plots that have the same results share what they tell, and its draws."""

    results: pd.DataFrame | None
    grid: Grid
    site: Site
    year: int
    told: dict[tuple[str, ...], NDArray[np.float32] | None] = field(default_factory=dict)

    def members(self, plot: str, analyte: str, flow: PlotFlow) -> NDArray[np.float32] | None:
        """Equally likely histories of the plot's hours of the year, mg/L; none where no result tells, or nothing ran back."""
        if self.results is None or not (flow.net_l[flow.number] < 0).any():
            return None
        here = self.results["plot"].isna() | (self.results["plot"] == plot)
        rows = self.results[here & (self.results["analyte"] == analyte)]
        key = (analyte, *sorted(rows["sample"].astype(str)))
        if key not in self.told:
            water = ReceivingWater.of(rows, flow, self.grid, self.site)
            self.told[key] = None if water is None else water.members(self.site, analyte, self.year)
        told = self.told[key]
        return None if told is None else told[:, flow.number - self.grid.first]


def _ensemble(
    plot: str, analyte: str, flow: PlotFlow, model: _Model, ditch: _Ditch, site: Site, year: int
) -> ConcentrationEnsemble:
    said = model.said.get(plot)
    shape = (ENSEMBLE_MEMBERS, flow.number.size)
    members = without = np.full(shape, np.nan, dtype=np.float32)
    followed = None
    if said is not None and model.fitted is None:
        members, without = np.zeros(shape, dtype=np.float32), np.zeros(shape, dtype=np.float32)
    elif said is not None and model.fitted is not None:
        drawn = draw(
            model.fitted,
            list(model.said).index(plot),
            of_batches(said, site, analyte),
            seed_of(site.site, plot, analyte, str(year), "concentration"),
        )
        level = np.float32(model.level)
        at = flow.number - model.grid.first
        members, without = (np.exp(each[:, at] + level) for each in (drawn.members, drawn.without_laboratory))
        followed = None if drawn.moved is None else np.exp(drawn.moved[:, at])
    net = flow.net_l[flow.number]
    receiving = None if said is None else ditch.members(plot, analyte, flow)
    back = backward_water(net, members, without, receiving, (site.site, plot, analyte, str(year)))
    if back.receiving is not None and site.policies.backward_water == "receiving_water":
        members[:, back.hours] = without[:, back.hours] = back.receiving
    else:
        members[:, back.hours], without[:, back.hours] = back.as_left, back.without_laboratory
    return ConcentrationEnsemble(
        plot=plot,
        analyte=analyte,
        hour_start=flow.hour_start,
        mg_l=_reported(members, flow),
        members=members,
        members_without_laboratory=without,
        basis=_basis(said, flow, site),
        extrapolated=_outside_flows_sampled(net, flow, said),
        backward=back.hours,
        as_left=back.as_left,
        as_left_undoubted=back.undoubted,
        receiving_water=back.receiving,
        followed=followed,
    )


def _reported(members: NDArray[np.float32], flow: PlotFlow) -> Floats:
    """Mean concentration of the year's hours, mg/L; weighted by outflow where members of the flow differ."""
    mean = members.mean(axis=0, dtype=np.float64)
    place = np.searchsorted(flow.number, flow.filled)
    drains = flow.net_l[flow.filled] > 0
    place, outflow = place[drains], np.maximum(flow.filled_l[:, drains], 0.0)
    # One draw that drains at all is enough for a mean.
    some = outflow.sum(axis=0, dtype=np.float64)
    product = np.add.reduce(outflow * members[:, place], axis=0, dtype=np.float64)
    mean[place] = np.divide(product, some, out=mean[place], where=some > 0)
    return mean


def _basis(said: pd.DataFrame | None, flow: PlotFlow, site: Site) -> NDArray[np.object_]:
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


def _outside_flows_sampled(net_l: Floats, flow: PlotFlow, said: pd.DataFrame | None) -> NDArray[np.bool_]:
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
    bounds = interval_90(ensemble.members.mean(axis=0, dtype=np.float64), ensemble.members)
    return pd.DataFrame(
        {
            "plot": ensemble.plot,
            "analyte": ensemble.analyte,
            "hour_start": pd.DatetimeIndex(ensemble.hour_start),
            "mg_l": ensemble.mg_l,
            "mg_l_p05": np.maximum(np.minimum(bounds[0], ensemble.mg_l), 0.0),
            "mg_l_p95": np.maximum(bounds[1], ensemble.mg_l),
            "basis": ensemble.basis,
        }
    ).astype({"hour_start": "datetime64[us, UTC]"})
