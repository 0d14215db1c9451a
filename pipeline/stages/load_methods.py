"""The load of a year by each of the estimators that the trade uses, side by side.

Belongs here: which results count for which estimator, the pairs of flow and concentration that they make, why an estimate is empty.
Does not: the estimators (science/load_estimators.py), which results speak for a plot (stages/sample_flow.py), the project's own
loads (stages/loads.py).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.science.interpolation import Statements, lines_between, statements
from pipeline.science.load_estimators import (
    FEWEST_OF_CURVE,
    FEWEST_PAIRS,
    Estimate,
    composite_mean,
    flow_weighted_mean,
    interpolated_load,
    rating_curve_mean,
    strata_bounds,
    stratified_ratio_estimate,
    time_weighted_load,
)
from pipeline.science.units import kg_per_ha
from pipeline.site import Site
from pipeline.tables import table

Floats = NDArray[np.float64]

HOURS_PER_DAY = 24.0
ANY_LENGTH_H = 1e6
"""These estimators draw a line between two results however far apart they are: longer than any record."""
HOUR = pd.Timedelta(hours=1)
MILLIGRAMS = {
    "load_kg_ha": "load",
    "standard_error_kg_ha": "standard_error",
    "load_kg_ha_p05": "p05",
    "load_kg_ha_p95": "p95",
}


def load_methods(results: pd.DataFrame, hours: pd.DataFrame, site: Site, year: int) -> pd.DataFrame:
    """Annual load of every plot and analyte by every estimator.

    All take the reported hourly flow, filled hours too, and results as they stand (one below the detection limit at half of it).
    A result and the flow at its time make a pair: a grab or a bottle the flow of its hour, several on one day of the site's
    standard time their means, a composite the mean flow of its window; net flow below nothing counts as nothing. Results of the water
    year count; for the line between results also the last one before it and the first one after. A window holds its composite's
    value throughout.

    Estimators of a mean concentration give the load as this mean times the net volume of the year. The standard error, where a method
    has one, is that of sampling alone, as if the results were a random sample of the year: the flow counts as known.

    Args:
        results: rows of `sample_results` that speak for the drainage of plots, mg/L.
        hours: rows of `hourly_flow` of the water year, L.
        site: analytes, areas, standard time, record.
        year: the water year.

    Returns:
        Rows of `load_methods`, one for every plot with hours, analyte and method.
    """
    first, last = (pd.Timestamp(moment) for moment in site.water_year_period(year))
    record_first, record_last = (pd.Timestamp(moment) for moment in site.record_period())
    since, until = max(first, record_first), min(last, record_last)
    inside = hours[(hours["hour_start"] >= since) & (hours["hour_start"] < until)]
    area_ha = {plot.plot: plot.area_ha for plot in site.plots}
    rows: list[dict[str, Any]] = []
    for plot, of_plot in inside.groupby("plot", sort=True):
        flow = of_plot.sort_values("hour_start")
        for analyte in site.analytes:
            said = results[(results["plot"] == plot) & (results["analyte"] == analyte)]
            for row in _of_series(_Series.of(said, flow, since, until, site)):
                rows.append({"plot": plot, "analyte": analyte, "water_year": year, "area_ha": area_ha[str(plot)], **row})
    declared = table("load_methods")
    if not rows:
        return pd.DataFrame({name: pd.Series(dtype="object") for name in declared.names})
    frame = pd.DataFrame(rows)
    for column, milligrams in MILLIGRAMS.items():
        frame[column] = kg_per_ha(frame[milligrams], frame["area_ha"])
    return frame.sort_values(list(declared.sort), ignore_index=True)[list(declared.names)]


@dataclass(frozen=True)
class _Series:
    """Flow and results of one plot and analyte, times in hours from the first hour.

    Attributes:
        net_l: of successive hours, not-a-number where unfilled, shape (h,).
        line: what the results in reach say, for the line between them.
        in_year: how many results begin in the year.
        pair_l_h, pair_mg_l: flow and concentration of the year's pairs, shape (n,).
        windows: the year's composites, free of overlap.
    """

    net_l: Floats
    line: Statements | None
    in_year: int
    pair_l_h: Floats
    pair_mg_l: Floats
    windows: Statements | None

    @classmethod
    def of(cls, said: pd.DataFrame, flow: pd.DataFrame, since: pd.Timestamp, until: pd.Timestamp, site: Site) -> _Series:
        begin = flow["hour_start"].iloc[0]
        net = flow["net_l"].to_numpy(dtype=float)
        in_reach = said.sort_values(["start", "end"], kind="stable")
        of_year = in_reach[(in_reach["start"] >= since) & (in_reach["start"] < until)]
        before, after = in_reach[in_reach["start"] < since], in_reach[in_reach["start"] >= until]
        # The last one before the year is the one that ends last: its window may reach into it.
        around = pd.concat([before.sort_values("end", kind="stable").tail(1), of_year, after.head(1)])
        start, end, value = _times(around, begin)
        line = statements(start, end, value, np.zeros(value.size)) if len(of_year) else None
        start, end, value = _times(of_year, begin)
        composite = end > start
        windows = None
        if composite.any():
            windows = statements(start[composite], end[composite], value[composite], np.zeros(composite.sum()))
        day = (of_year["start"] + site.utc_offset).dt.floor("D")
        return cls(net, line, len(of_year), *_pairs(start, end, value, day, np.nan_to_num(net)), windows)


def _times(results: pd.DataFrame, begin: pd.Timestamp) -> tuple[Floats, Floats, Floats]:
    """Start and end, in hours from `begin`, and value of each result."""
    start, end = (np.asarray((results[name] - begin) / HOUR, dtype=float) for name in ("start", "end"))
    return start, end, np.asarray(results["mg_l"], dtype=float)


def _pairs(start: Floats, end: Floats, value: Floats, day: pd.Series, net_l: Floats) -> tuple[Floats, Floats]:
    """Flow, L/h, and concentration, mg/L, of each pair, in order of time."""
    outflow = np.append(0.0, np.cumsum(np.maximum(net_l, 0.0)))
    first = np.clip(np.floor(start).astype(int), 0, net_l.size - 1)
    last = np.clip(np.ceil(end).astype(int), first + 1, net_l.size)
    mean_flow = (outflow[last] - outflow[first]) / (last - first)
    moment = start == end
    # Each composite is a pair of its own; moments of one day together are one.
    unit = np.where(moment, day.rank(method="dense").to_numpy(dtype=float), -1.0 - np.arange(start.size))
    pairs = pd.DataFrame({"unit": unit, "start": start, "flow": mean_flow, "load": mean_flow * value, "value": value})
    merged = pairs.groupby("unit", sort=False).mean().sort_values("start", kind="stable")
    # The flow-weighted mean of a day's bottles; their plain mean where nothing flowed.
    flow, load = merged["flow"].to_numpy(), merged["load"].to_numpy()
    return flow, np.where(flow > 0, load / np.where(flow > 0, flow, 1.0), merged["value"].to_numpy())


def _of_series(series: _Series) -> Iterator[dict[str, Any]]:
    """One row for each method: `method`, `load`, `standard_error`, `p05`, `p95` (mg), `results`, `strata`, `why_empty`."""
    hour = np.arange(series.net_l.size + 1.0)
    net = np.nan_to_num(series.net_l)
    unfilled = bool(np.isnan(series.net_l).any())
    volume, outflow, days = net.sum(), np.maximum(net, 0.0), net.size / HOURS_PER_DAY
    pair_flow, pair_mg_l = series.pair_l_h, series.pair_mg_l

    def row(
        method: str,
        results: int,
        enough: bool,
        estimate: Callable[[], Estimate],
        instead: str = "few_results",
        **more: Any,
    ) -> dict[str, Any]:
        empty = "unfilled_hours" if unfilled else "no_results" if not series.in_year else None if enough else instead
        made = Estimate(float("nan")) if empty else estimate()
        low, high = made.interval_90()
        nothing: dict[str, Any] = {"strata": None, "share_in_windows": None}
        return {
            "method": method,
            "load": made.value,
            "standard_error": made.standard_error,
            "p05": low,
            "p95": high,
            "results": results,
            "why_empty": empty,
            **nothing,
            **({} if empty else more),
        }

    line = np.zeros(net.size)
    if series.line is not None:
        line = lines_between(series.line, series.line.value, ANY_LENGTH_H).integrals(hour)[0]
    yield row("linear_interpolation", series.in_year, True, lambda: interpolated_load(net, line))
    yield row("time_weighted_mean", series.in_year, True, lambda: time_weighted_load(net, line))

    pairs, enough = pair_flow.size, pair_flow.size >= FEWEST_PAIRS and bool(pair_flow.sum() > 0)
    yield row("flow_weighted_mean", pairs, enough, lambda: flow_weighted_mean(pair_flow, pair_mg_l, days).times(volume))
    bounds = strata_bounds(pair_flow, net)
    yield row(
        "ratio_estimator",
        pairs,
        enough,
        lambda: stratified_ratio_estimate(pair_flow, pair_mg_l, net, bounds, HOURS_PER_DAY),
        strata=bounds.size + 1,
    )
    of_curve = pair_flow[(pair_flow > 0) & (pair_mg_l > 0)]
    enough = of_curve.size >= FEWEST_OF_CURVE and bool(np.ptp(of_curve) > 0) and bool(outflow.any())
    yield row("rating_curve", of_curve.size, enough, lambda: rating_curve_mean(pair_flow, pair_mg_l, net).times(volume))

    windows = series.windows
    if windows is None:
        yield row("composite_by_volume", 0, False, lambda: Estimate(0.0), "no_composites")
        return
    run_out = np.append(0.0, np.cumsum(outflow))
    inside = np.interp(windows.end, hour, run_out) - np.interp(windows.start, hour, run_out)
    yield row(
        "composite_by_volume",
        windows.value.size,
        bool(inside.sum() > 0),
        lambda: composite_mean(inside, windows.value).times(volume),
        share_in_windows=float(inside.sum() / outflow.sum()) if outflow.any() else None,
    )
