"""From lab results to an hourly concentration.

Belongs here: which results speak for a plot and year, the season's mean where none is near, the first interval, the basis.
Does not: the lines themselves (science/interpolation.py), lab files and units (stages/samples.py), loads (stages/loads.py).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.science.ensemble import ENSEMBLE_MEMBERS, seed_of, standard_normal_draws
from pipeline.science.interpolation import (
    Statements,
    distance_from_statements,
    left_out_residuals,
    lines_between,
    statements,
)
from pipeline.science.period_sums import interval_90
from pipeline.science.uncertainty import HALF_WIDTH_90_OF_EXPANDED
from pipeline.site import Site
from pipeline.tables import table

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]

NEIGHBOUR_YEARS = 1
"""Water years on each side whose results may speak: a result far away must not move this year's numbers."""
FEWEST_RESULTS = 3
"""A season with fewer results has no mean of its own; the mean of all results stands in."""
FEWEST_RESIDUALS = 8
"""From fewer residuals no 90 % interval is read."""
UNJUDGED = 1.0
"""Relative half-width where nothing tells how far results scatter: from nothing to twice the value. Common practice, no source."""
CENSORED_HALF_WIDTH = 0.9
"""A censored result lies anywhere between nothing and its limit; 90 % of that is 0.9 of half the limit to each side."""


@dataclass(frozen=True)
class _Plot:
    """What the results say of one plot and analyte, and how they scatter about their season."""

    said: Statements
    season_mean: Floats
    scatter: Floats


def concentration(results: pd.DataFrame, hours: pd.DataFrame, site: Site, year: int) -> pd.DataFrame:
    """Hourly concentration of every plot and analyte in one water year.

    The concentration runs straight from result to result (grab moments, edges of composite windows); an hour has the exact
    mean of that line. Within a composite's window it is constant, so that the flow-weighted mean of the window (weights: net
    flow where positive) is the result; a grab within the window is set aside, and where windows overlap their mean holds. Before
    the first and after the last result the value holds. Across more than `interpolation_longest_days` nothing is drawn (or
    held): the flow-weighted mean of the results of the same season (quarter of the year from December) stands there, weighted
    by the mean positive flow at the time of each result. Results of this water year and of one on each side speak.

    The 90 % interval grows from the result's own error (the laboratory's; for a censored result the whole range under its limit)
    by the 90th percentile of the relative errors that leaving out each result shows, in full half-way between two results. In a
    composite's window it is the interval of the window's mean, not of single hours. Few results: errors of all plots together.

    Grabs taken while water ran backwards are used like any other, although what they hold is ditch water.

    Source: linear interpolation with continuous flow, Williams and others 2015, Journal of Hydrology.

    Args:
        results: rows of `sample_results`, mg/L.
        hours: rows of `hourly_flow` of the year and of its neighbours, L.
        site: analytes, plots, policies, standard time.
        year: the water year.

    Returns:
        Rows of `concentration` for the year's hours in `hours`, mg/L (nitrate as nitrogen); a plot and analyte without any result
        in reach has empty values and the basis `no_results`.
    """
    first, last = (pd.Timestamp(moment) for moment in site.water_year_period(year))
    reach_start = pd.Timestamp(site.water_year_period(year - NEIGHBOUR_YEARS)[0])
    reach_end = pd.Timestamp(site.water_year_period(year + NEIGHBOUR_YEARS)[1])
    in_reach = results[(results["end"] >= reach_start) & (results["start"] < reach_end)]
    flow = {str(plot): rows.sort_values("hour_start") for plot, rows in hours.groupby("plot", sort=True)}
    longest_h = site.policies.interpolation_longest_days * 24.0

    parts = []
    for analyte in site.analytes:
        of_analyte = in_reach[in_reach["analyte"] == analyte]
        known = {
            plot: _what_is_said(of_analyte[of_analyte["plot"] == plot], rows, reach_start, site)
            for plot, rows in flow.items()
            if (of_analyte["plot"] == plot).any()
        }
        residuals = {plot: np.abs(left_out_residuals(this.said, longest_h)) for plot, this in known.items()}
        for plot, rows in flow.items():
            this_year = rows["hour_start"][(rows["hour_start"] >= first) & (rows["hour_start"] < last)]
            part = pd.DataFrame({"plot": plot, "analyte": analyte, "hour_start": this_year.to_numpy()})
            if plot in known:
                of_line = _ninety_per_cent(residuals[plot], residuals)
                of_season = _ninety_per_cent(known[plot].scatter, {name: this.scatter for name, this in known.items()})
                start = _in_hours(this_year, reach_start)
                season = _season(this_year, site)
                part = part.assign(**_hourly(known[plot], start, season, of_line, of_season, longest_h, site))
            else:
                part = part.assign(mg_l=np.nan, mg_l_p05=np.nan, mg_l_p95=np.nan, basis="no_results")
            parts.append(part)
    names = list(table("concentration").names)
    if not parts:
        return pd.DataFrame(columns=names)
    whole = pd.concat(parts, ignore_index=True).sort_values(["plot", "analyte", "hour_start"], ignore_index=True)
    whole["hour_start"] = pd.to_datetime(whole["hour_start"], utc=True).dt.as_unit("us")
    return whole[names]


def laboratory_share(site: Site) -> float:
    """Relative half-width of the 90 % interval of one lab result."""
    return site.policies.laboratory_uncertainty_pct / 100 * HALF_WIDTH_90_OF_EXPANDED


def _in_hours(times: pd.Series, origin: pd.Timestamp) -> Floats:
    return np.asarray((times - origin) / pd.Timedelta(hours=1), dtype=float)


def _season(times: pd.Series, site: Site) -> Indices:
    """Quarter of the year in the site's standard time: 0 from December, 1 from March, 2 from June, 3 from September."""
    return ((times + site.utc_offset).dt.month.to_numpy() % 12 // 3).astype(np.int64)


def _what_is_said(results: pd.DataFrame, flow: pd.DataFrame, origin: pd.Timestamp, site: Site) -> _Plot:
    start, end = _in_hours(results["start"], origin), _in_hours(results["end"], origin)
    value = results["mg_l"].to_numpy(dtype=float)
    own_error = value * np.where(results["censored"].to_numpy(dtype=bool), CENSORED_HALF_WIDTH, laboratory_share(site))
    said = statements(start, end, value, own_error)

    weight = _positive_flow(flow, start, end, origin)
    season = _season(results["start"] + (results["end"] - results["start"]) / 2, site)
    everything = _weighted_mean(value, weight)
    in_season = [season == quarter for quarter in range(4)]
    mean = np.array(
        [_weighted_mean(value[here], weight[here]) if here.sum() >= FEWEST_RESULTS else everything for here in in_season]
    )
    expected = mean[season]
    scatter = np.divide(np.abs(value - expected), expected, out=np.zeros_like(value), where=expected > 0)
    return _Plot(said, mean, scatter)


def _positive_flow(flow: pd.DataFrame, start: Floats, end: Floats, origin: pd.Timestamp) -> Floats:
    """Mean positive net flow, L/h, of the hours that each result touches; 0 where none is known."""
    hour = _in_hours(flow["hour_start"], origin)
    litres = np.append(0.0, np.cumsum(np.maximum(flow["net_l"].fillna(0.0).to_numpy(dtype=float), 0.0)))
    first = np.searchsorted(hour + 1, start, side="right")
    last = np.maximum(np.searchsorted(hour, start, side="right"), np.searchsorted(hour, end, side="left"))
    return (litres[last] - litres[first]) / np.maximum(last - first, 1)


def _weighted_mean(value: Floats, weight: Floats) -> float:
    return float(np.average(value, weights=weight) if weight.sum() > 0 else value.mean())


def _ninety_per_cent(own: Floats, of_all: dict[str, Floats]) -> float:
    """90th percentile of relative errors: the plot's own, of all plots where it has few, of nobody where all have few."""
    errors = own if own.size >= FEWEST_RESIDUALS else np.concatenate(list(of_all.values()))
    return float(np.quantile(errors, 0.9)) if errors.size >= FEWEST_RESIDUALS else UNJUDGED


def _hourly(
    this: _Plot,
    start: Floats,
    season: Indices,
    line_error: float,
    season_error: float,
    longest_h: float,
    site: Site,
) -> dict[str, NDArray]:
    """Value, interval and basis of hours that begin at `start` (hours from the origin)."""
    said = this.said
    line = lines_between(said, said.value, longest_h)
    # Hours of the year stand one after the other, unless the record of a plot begins or ends within it.
    edges = np.unique(np.append(start, start + 1))
    place = np.searchsorted(edges, start)
    integral, known_h = (whole[place] for whole in line.integrals(edges))
    value = np.maximum(integral + (1 - known_h) * this.season_mean[season], 0.0)

    middle = start + 0.5
    distance, piece = distance_from_statements(said, middle, longest_h)
    drawn = np.isfinite(line.at(middle))
    own = np.where(
        drawn, lines_between(said, said.error, longest_h).at(middle), laboratory_share(site) * this.season_mean[season]
    )
    held = (piece == 0) | (piece == line.left.size - 1)
    amplitude = np.where(drawn & ~held, line_error, season_error)
    half_width = np.hypot(own, amplitude * np.where(drawn, distance, 1.0) * value)

    in_window = drawn & (piece % 2 == 1)
    of_grabs = said.start[said.start == said.end]
    has_grab = np.searchsorted(of_grabs, start) < np.searchsorted(of_grabs, start + 1)
    basis = np.where(in_window | has_grab, "sampled", np.where(drawn, "interpolated", "seasonal_mean"))
    return {
        "mg_l": value,
        "mg_l_p05": np.maximum(value - half_width, 0.0),
        "mg_l_p95": value + half_width,
        "basis": basis,
    }


# Members


@dataclass(frozen=True)
class ConcentrationEnsemble:
    """Hourly concentration of one plot and analyte in one water year.

    Water that ran back is in `mg_l` and in both sets of members under the site's policy; `under` gives the members for a policy.

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

    A member moves the line within its interval by one error between two results, and by one of the laboratory around each. Water that
    ran back has the concentration of its hour: which water it was is not told.

    Args:
        results: rows of `sample_results`, mg/L.
        hours: rows of `hourly_flow` of the year and of its neighbours, L.
        site: analytes, plots, policies, standard time.
        year: the water year.
        receiving: rows of `receiving_water_results`; this model makes nothing of them.
    """
    of_results = dict(list(results.groupby(["plot", "analyte"])))
    sure = HALF_WIDTH_90_OF_EXPANDED * 2
    for (plot, analyte), rows in concentration(results, hours, site, year).groupby(["plot", "analyte"], sort=True):
        value, low, high = (rows[name].to_numpy(dtype=float) for name in ("mg_l", "mg_l_p05", "mg_l_p95"))
        members = without = np.broadcast_to(np.float32(np.nan), (ENSEMBLE_MEMBERS, value.size))
        if np.isfinite(value).all():
            said = of_results[plot, analyte]
            middle = (rows["hour_start"] + pd.Timedelta(minutes=30)).to_numpy()
            edges = np.unique(pd.concat([said["start"], said["end"]]).to_numpy())
            middles = np.unique((said["start"] + (said["end"] - said["start"]) / 2).to_numpy())
            between = np.searchsorted(edges, middle)
            nearest = np.searchsorted(middles[:-1] + np.diff(middles) / 2, middle)
            own = laboratory_share(site) * value / sure
            generator = seed_of(site.site, str(plot), str(analyte), str(year), "concentration")
            of_line = standard_normal_draws(generator, edges.size + 1)[:, between]
            of_laboratory = standard_normal_draws(generator, middles.size)[:, nearest]
            width = np.where(of_line > 0, high - value, value - low) / sure
            line = np.sqrt(np.maximum(width**2 - own**2, 0.0)) * of_line
            without = np.maximum(value + line, 0.0).astype(np.float32)
            members = np.maximum(value + line + own * of_laboratory, 0.0).astype(np.float32)
        of_plot = hours[hours["plot"] == plot].sort_values("hour_start")
        net = rows[["hour_start"]].merge(of_plot, on="hour_start", how="left")["net_l"].to_numpy(dtype=float)
        back = np.flatnonzero(net < 0)
        not_known = np.full((ENSEMBLE_MEMBERS, back.size), np.nan, dtype=np.float32)
        yield ConcentrationEnsemble(
            plot=str(plot),
            analyte=str(analyte),
            hour_start=rows["hour_start"],
            mg_l=value,
            members=members,
            members_without_laboratory=without,
            basis=rows["basis"].to_numpy(dtype=object),
            extrapolated=_outside_flows_sampled(net, of_plot, of_results.get((plot, analyte))),
            backward=back,
            as_left=not_known,
            as_left_undoubted=not_known,
            receiving_water=None,
        )


def _outside_flows_sampled(net_l: Floats, flow: pd.DataFrame, results: pd.DataFrame | None) -> NDArray[np.bool_]:
    """Whether more, or less, left in an hour than in any hour that a result touches; shape as `net_l`, L."""
    if results is None or flow.empty:
        return np.zeros(net_l.size, dtype=bool)
    begins, ends = flow["hour_start"].iloc[0], flow["hour_start"].iloc[-1] + pd.Timedelta(hours=1)
    results = results[(results["end"] >= begins) & (results["start"] < ends)]
    first = np.maximum(flow["hour_start"].searchsorted(results["start"], side="right") - 1, 0)
    last = np.maximum(flow["hour_start"].searchsorted(results["end"], side="left"), first + 1)
    touched = np.cumsum(
        np.bincount(first, minlength=len(flow) + 1)[:-1] - np.bincount(last, minlength=len(flow) + 1)[: len(flow)]
    )
    sampled = flow["net_l"].to_numpy(dtype=float)[touched > 0]
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
