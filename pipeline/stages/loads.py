"""From hourly flow and concentration to loads by day, month, water year and event.

Belongs here: which hours form a period, sums, shares, and which hours share an error.
Does not: filling flow (stages/hours.py), concentrations (stages/concentration.py), how errors add (science/uncertainty.py).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.science.uncertainty import half_widths
from pipeline.science.units import depth_mm, flow_weighted_mg_l, kg_per_ha
from pipeline.site import Site
from pipeline.stages.concentration import laboratory_share
from pipeline.tables import table

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]

ERROR_BLOCK_HOURS = 15 * 24
"""Errors of a long filled stretch are common within so many hours, and independent beyond."""
METERED = ("measured", "measured_below_range")
BETWEEN_EVENTS = "between"
NOTHING_FLOWED = 1e-9
"""Net volume as a share of all volume, either way, under which rounding is all that is left."""


@dataclass(frozen=True)
class Loads:
    """Rows of `loads_daily`, `loads_monthly`, `loads_annual` and `loads_event` for one water year."""

    daily: pd.DataFrame
    monthly: pd.DataFrame
    annual: pd.DataFrame
    event: pd.DataFrame


def loads(
    hours: pd.DataFrame,
    concentration: pd.DataFrame,
    events: pd.DataFrame,
    results: pd.DataFrame,
    site: Site,
    year: int,
) -> Loads:
    """Volumes and loads of one water year, by day, month, year and event.

    A load is the sum over hours of net volume times concentration: what ran back in carries back what it carried out, so no
    water counts twice. The period's volume is empty where one of its hours is unfilled, its load also where a concentration is
    empty; shares are taken of the hours that are known, weighted by absolute net volume. Only hours of the record count.

    Intervals (90 %), in a first form: half-widths of metered hours add linearly, the meter's calibration and error curve being the
    same all year; those of filled hours linearly within blocks of one filled stretch (at most 15 days) and in quadrature between
    blocks; those of the concentration linearly between two results, and its laboratory part around each result, in quadrature
    otherwise. Concentration errors keep the sign of the flow: water that comes back brings its error back. The groups combine in
    quadrature; the bounds need not be symmetrical.

    Args:
        hours: rows of `hourly_flow` of the water year, L.
        concentration: rows of `concentration` of the water year, mg/L.
        events: rows of `events` of the water year; events of one plot do not overlap.
        results: rows of `sample_results`: their times say how far an interpolation error reaches.
        site: areas, analytes, standard time, record, policies.
        year: the water year.

    Returns:
        The four tables. Events and the row `between` add up to the year; days and months do.

    Source: law of propagation of uncertainty, JCGM 100:2008, 5.1.2 and 5.2.2.
    """
    rows = _hours_of_all_analytes(hours, concentration, events, results, site, year)
    keys = ["plot", "analyte"]
    return Loads(
        daily=_by_period(rows, [*keys, "date"], "loads_daily"),
        monthly=_by_period(rows, [*keys, "month", "water_year"], "loads_monthly"),
        annual=_by_period(rows, [*keys, "water_year"], "loads_annual"),
        event=_by_period(rows, [*keys, "event", "water_year"], "loads_event"),
    )


def _hours_of_all_analytes(
    hours: pd.DataFrame,
    concentration: pd.DataFrame,
    events: pd.DataFrame,
    results: pd.DataFrame,
    site: Site,
    year: int,
) -> pd.DataFrame:
    """One row per plot, analyte and hour of the record: what a period's sums need, and the blocks whose errors are common."""
    first, last = (pd.Timestamp(moment) for moment in site.water_year_period(year))
    record_first, record_last = (pd.Timestamp(moment) for moment in site.record_period())
    start = hours["hour_start"]
    inside = (start >= max(first, record_first)) & (start < min(last, record_last))
    flow = hours[inside].sort_values(["plot", "hour_start"], ignore_index=True)
    local = flow["hour_start"].dt.tz_localize(None) + site.utc_offset
    flow = flow.assign(
        date=local.dt.date,
        month=local.dt.strftime("%Y-%m"),
        water_year=year,
        event=_event_of_hour(flow, events),
        filled_block=_filled_blocks(flow),
        area_ha=flow["plot"].map({plot.plot: plot.area_ha for plot in site.plots}),
    )
    rows = flow.merge(pd.DataFrame({"analyte": list(site.analytes)}), how="cross").merge(
        concentration[["plot", "analyte", "hour_start", "mg_l", "mg_l_p05", "mg_l_p95"]],
        on=["plot", "analyte", "hour_start"],
        how="left",
        validate="one_to_one",
    )
    rows = rows.sort_values(["plot", "analyte", "hour_start"], ignore_index=True)
    between_results, nearest_result = _blocks_of_results(rows, results)
    laboratory = laboratory_share(site) * rows["mg_l"]
    return rows.assign(between_results=between_results, nearest_result=nearest_result, laboratory_half_width=laboratory)


def _event_of_hour(flow: pd.DataFrame, events: pd.DataFrame) -> pd.Series:
    """Name of the event that holds each hour, `between` where none does."""
    latest = pd.merge_asof(
        flow[["plot", "hour_start"]].reset_index().sort_values("hour_start", kind="stable"),
        events[["plot", "event", "start", "end"]].sort_values("start", kind="stable"),
        left_on="hour_start",
        right_on="start",
        by="plot",
    ).set_index("index")
    return latest["event"].where(latest["hour_start"] < latest["end"], BETWEEN_EVENTS).reindex(flow.index)


def _filled_blocks(flow: pd.DataFrame) -> Indices:
    """Number of the block of filled hours to which each hour belongs; all metered hours belong to block 0.

    A stretch ends where a metered hour stands, or where the plot's hours do; from its start it is cut into blocks.
    """
    filled = ~flow["basis"].isin(METERED).to_numpy()
    new_plot = (flow["plot"] != flow["plot"].shift()).to_numpy()
    begins = filled & (new_plot | ~np.append(False, filled[:-1]))
    number = np.arange(len(flow))
    since_start = number - np.maximum.accumulate(np.where(begins, number, 0))
    new_block = begins | (filled & (since_start % ERROR_BLOCK_HOURS == 0))
    return np.where(filled, np.cumsum(new_block), 0)


def _blocks_of_results(rows: pd.DataFrame, results: pd.DataFrame) -> tuple[Indices, Indices]:
    """For each hour: the stretch between two results that it lies in, and the result that is nearest."""
    between, nearest = np.zeros(len(rows), dtype=np.int64), np.zeros(len(rows), dtype=np.int64)
    of_plot = dict(list(results.groupby(["plot", "analyte"])))
    for key, index in rows.groupby(["plot", "analyte"], sort=False).indices.items():
        if key not in of_plot:
            continue
        of_this = of_plot[key]
        middle_of_hour = (rows["hour_start"].iloc[index] + pd.Timedelta(minutes=30)).to_numpy()
        edges = np.unique(pd.concat([of_this["start"], of_this["end"]]).to_numpy())
        middle = np.unique((of_this["start"] + (of_this["end"] - of_this["start"]) / 2).to_numpy())
        between[index] = np.searchsorted(edges, middle_of_hour)
        nearest[index] = np.searchsorted(middle[:-1] + np.diff(middle) / 2, middle_of_hour)
    return between, nearest


def _by_period(rows: pd.DataFrame, key: list[str], name: str) -> pd.DataFrame:
    """Rows of one loads table: sums over the hours that share a key."""
    grouped = rows.groupby(key, sort=True)
    period, periods = np.asarray(grouped.ngroup(), dtype=np.int64), grouped.ngroups
    net = rows["net_l"].to_numpy(dtype=float)
    mg_l = rows["mg_l"].to_numpy(dtype=float)
    size = np.nan_to_num(np.abs(net))
    metered = rows["measured_fraction"].to_numpy(dtype=float)
    below_range = rows["below_range_fraction"].to_numpy(dtype=float)

    def total(values: Floats) -> Floats:
        return np.asarray(np.bincount(period, weights=values, minlength=periods), dtype=float)

    # First rows of the groups, in the order in which the groups are numbered.
    first = np.unique(period, return_index=True)[1]
    area = rows["area_ha"].to_numpy(dtype=float)[first]
    hours, all_water = total(np.ones_like(net)), total(size)
    some_water = np.where(all_water > 0, all_water, np.nan)
    volume, (volume_down, volume_up) = total(net), _volume_half_widths(rows, period, periods)
    load, (load_down, load_up) = total(net * mg_l), _load_half_widths(rows, period, periods)
    volume_mm, load_kg_ha = depth_mm(volume, area), kg_per_ha(load, area)
    net_drainage = volume > NOTHING_FLOWED * all_water
    frame = rows.loc[first, key].reset_index(drop=True)
    return frame.assign(
        hours=hours.astype(np.int64),
        volume_mm=volume_mm,
        volume_mm_p05=volume_mm - depth_mm(volume_down, area),
        volume_mm_p95=volume_mm + depth_mm(volume_up, area),
        load_kg_ha=load_kg_ha,
        load_kg_ha_p05=load_kg_ha - kg_per_ha(load_down, area),
        load_kg_ha_p95=load_kg_ha + kg_per_ha(load_up, area),
        flow_weighted_mg_l=np.where(
            net_drainage, flow_weighted_mg_l(load_kg_ha, np.where(net_drainage, volume_mm, np.nan)), np.nan
        ),
        share_measured=total(size * metered) / some_water,
        share_filled=total(size * (1 - metered)) / some_water,
        share_below_range=total(size * metered * below_range) / some_water,
        missing_days_pct=np.clip(100 * (1 - total(metered) / hours), 0.0, 100.0),
        unfilled_hours=total(np.isnan(net).astype(float)).astype(np.int64),
    )[list(table(name).names)]


def _volume_half_widths(rows: pd.DataFrame, period: Indices, periods: int) -> tuple[Floats, Floats]:
    """How far each period's volume may lie lower and higher, L."""
    down = (rows["net_l"] - rows["net_l_p05"]).to_numpy(dtype=float)
    up = (rows["net_l_p95"] - rows["net_l"]).to_numpy(dtype=float)
    return half_widths(down, up, rows["filled_block"].to_numpy(), period, periods)


def _load_half_widths(rows: pd.DataFrame, period: Indices, periods: int) -> tuple[Floats, Floats]:
    """How far each period's load may lie lower and higher, mg: flow, interpolation and laboratory in quadrature."""
    net = rows["net_l"].to_numpy(dtype=float)
    mg_l = rows["mg_l"].to_numpy(dtype=float)
    laboratory = rows["laboratory_half_width"].to_numpy(dtype=float)
    down = mg_l - rows["mg_l_p05"].to_numpy(dtype=float)
    up = rows["mg_l_p95"].to_numpy(dtype=float) - mg_l
    laboratory_down, laboratory_up = np.minimum(laboratory, down), np.minimum(laboratory, up)
    groups = (
        (
            (net - rows["net_l_p05"].to_numpy(dtype=float)) * mg_l,
            (rows["net_l_p95"].to_numpy(dtype=float) - net) * mg_l,
            "filled_block",
        ),
        (
            net * np.sqrt(np.maximum(down**2 - laboratory_down**2, 0.0)),
            net * np.sqrt(np.maximum(up**2 - laboratory_up**2, 0.0)),
            "between_results",
        ),
        (net * laboratory_down, net * laboratory_up, "nearest_result"),
    )
    lower, higher = np.zeros(periods), np.zeros(periods)
    for downwards, upwards, block in groups:
        group_lower, group_higher = half_widths(downwards, upwards, rows[block].to_numpy(), period, periods)
        lower, higher = np.hypot(lower, group_lower), np.hypot(higher, group_higher)
    return lower, higher
