"""From hourly flow to equally likely histories of it.

Belongs here: which error applies to which hour of a plot: calibrations, error curve and counting to what was metered and to what was
estimated from it, the gap models' members to what was not metered.
Does not: estimating (stages/hours.py), adding up (stages/loads.py), concentrations (stages/concentration.py).

A member of the flow is the reported flow, or the gap model's member where that hour was not measured, plus errors:

- one of each calibration (normal, expanded uncertainty at a coverage factor of 2), for all water of the time in which it was in force,
  since what fills a gap was learned from the same meter; forward and reverse pulses have calibrations of their own;
- one of each meter within its error curve (rectangular): the meter reads too much or too little at all flows alike;
- one of counting at every full hour: the part of a pulse that has run but is not counted yet, which the next hour counts.

Errors of calibration and curve are relative to the reported volume: what they do to a gap's own error is of second order.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.science.ensemble import ENSEMBLE_MEMBERS
from pipeline.science.error_curve import error_pct
from pipeline.science.uncertainty import (
    STANDARD_OF_LIMIT,
    MeterDraws,
    MeteredWater,
    SharedErrors,
    meter_error_members,
    shared_errors,
    standard_uncertainty_by_source,
)
from pipeline.site import Calibration, Meter, Site
from pipeline.stages.error_curves import error_curve
from pipeline.stages.meter_errors import meter_draws, metered_water

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Indices = NDArray[np.int64]
Flags = NDArray[np.bool_]

LITRES = ("forward_l", "reverse_l", "error_curve_l", "counting_l")
METERED = ("measured", "measured_below_range")
MINUTES = 60.0
SHORTEST_PART = 1 / 60
"""Of an hour, for the rate at which what was not metered of it ran."""


@dataclass(frozen=True)
class FlowEnsemble:
    """Hourly flow of one plot in one water year, as far as it lies within the record.

    Attributes:
        plot: name.
        hour_start: UTC, shape (n,).
        net_l: reported flow, L; not-a-number where the hour is unfilled, shape (n,).
        measured: share of each hour that was metered, shape (n,).
        below_range: share of its metered water that ran slower than the meter is accurate, shape (n,).
        filled: numbers of the hours that have members of a gap model, shape (f,).
        deviation: of these members from the reported flow, L, shape (members, f).
        errors: of calibrations, meters and counting, by hour.
        slow: hours whose water, metered or estimated, ran slower than the meter is accurate, shape (n,).
    """

    plot: str
    hour_start: pd.Series
    net_l: Floats
    measured: Floats
    below_range: Floats
    filled: Indices
    deviation: Singles
    errors: SharedErrors
    slow: Flags

    def members(self, draws: MeterDraws) -> Singles:
        """Equally likely flows, L, shape (members, n); an unfilled hour has 0.

        Args:
            draws: of the errors, as from `meter_draws`.
        """
        known = np.isfinite(self.net_l)
        members = meter_error_members(self.errors, draws).astype(np.float32, order="C")
        members[:, self.filled] += self.deviation
        members += np.where(known, self.net_l, 0.0).astype(np.float32)
        members[:, ~known] = 0.0
        return members

    def standard_deviations(self, weight: Floats) -> dict[str, float]:
        """Standard deviation that each source alone gives a weighted sum of hours.

        To first order for the meters, whose errors enter linearly; that of the members for what was not metered. Parts of one meter's
        error that fall into hours of accurate and of slow flow share out its variance by their sizes: they have none of their own.

        Args:
            weight: one an hour, shape (n,), such as the reported concentration: the sum is then a load.
        """
        weight = np.where(np.isfinite(self.net_l), weight, 0.0)
        whole, slow = (self.errors.weighted(each) for each in (weight, weight * self.slow))
        by_source = standard_uncertainty_by_source(whole)
        of_meter, below = whole.error_curve.toarray(), slow.error_curve.toarray()
        share = np.divide(
            np.abs(below), np.abs(below) + np.abs(of_meter - below), out=np.zeros_like(below), where=below != 0
        )
        of_slow = STANDARD_OF_LIMIT * float(np.linalg.norm(of_meter * np.sqrt(share)))
        of_fast = STANDARD_OF_LIMIT * float(np.linalg.norm(of_meter * np.sqrt(1 - share)))
        gaps = np.add.reduce(self.deviation * weight[self.filled].astype(np.float32), axis=1, dtype=np.float64)
        return {
            "calibration": float(by_source["calibration"][0]),
            "error_curve": of_fast,
            "below_range": of_slow,
            "counting": float(by_source["counting"][0]),
            "gap_filling": float(np.std(gaps, ddof=1)),
        }


def flow_ensembles(
    hours: pd.DataFrame, metered: pd.DataFrame, flow_members: pd.DataFrame, site: Site, year: int
) -> Iterator[FlowEnsemble]:
    """The flow of each plot with all that is not known of it, plots in order of name.

    Meters and calibrations count as far as they touch this water year or one on each side.

    Args:
        hours: rows of `hourly_flow` that hold the water year.
        metered: rows of `metered_hours` of the same hours.
        flow_members: rows of `flow_members`; an hour without a row has the reported flow in all members.
        site: meters, error curves, calibrations, policies.
        year: the water year; hours outside it or outside the record do not count.
    """
    first, last = (pd.Timestamp(moment) for moment in site.water_year_period(year))
    record_first, record_last = (pd.Timestamp(moment) for moment in site.record_period())
    since, until = max(first, record_first), min(last, record_last)

    def of_year(rows: pd.DataFrame) -> dict[str, pd.DataFrame]:
        inside = rows[(rows["hour_start"] >= since) & (rows["hour_start"] < until)]
        in_order = inside.sort_values(["plot", "hour_start"], kind="stable")
        return {str(plot): of_plot for plot, of_plot in in_order.groupby("plot", sort=True)}

    near = _near(site, year)
    of_meters, of_models = of_year(metered), of_year(flow_members)
    for plot, flow in of_year(hours).items():
        told = flow[["plot", "hour_start"]].merge(
            of_meters.get(plot, metered.iloc[:0]), on=["plot", "hour_start"], how="left", validate="one_to_one"
        )
        yield _of_plot(plot, flow, told, of_models.get(plot, flow_members.iloc[:0]), near)


def _near(site: Site, year: int) -> Site:
    """The site with the meters and calibrations that touch a water year or one on each side."""
    since, until = site.water_year_period(year - 1)[0], site.water_year_period(year + 1)[1]
    return site.model_copy(
        update={
            register: tuple(row for row in getattr(site, register) if row.touches(since, until))
            for register in ("meters", "calibrations")
        }
    )


def draws_of(flow: FlowEnsemble, site: Site, year: int) -> MeterDraws:
    """Draws of the errors of a plot's year: those of calibrations and meters are the same in all plots and years."""
    return meter_draws(flow.errors, _near(site, year), flow.plot, str(year))


def _of_plot(plot: str, flow: pd.DataFrame, told: pd.DataFrame, models: pd.DataFrame, site: Site) -> FlowEnsemble:
    start = flow["hour_start"].reset_index(drop=True)
    net = flow["net_l"].to_numpy(dtype=float)
    measured = flow["basis"].isin(METERED).to_numpy()
    place = pd.Index(start).get_indexer(pd.Index(models["hour_start"]))
    # A measured hour has no members of a model, and one without an estimate has none that counts.
    usable = (place >= 0) & ~measured[place] & np.isfinite(net[place])
    filled = place[usable]
    drawn = np.empty((0, ENSEMBLE_MEMBERS))
    if usable.any():
        drawn = np.stack(models["net_l"].to_numpy()[usable])
    deviation = np.ascontiguousarray((drawn - net[filled, np.newaxis]).T, dtype=np.float32)

    # The rate of a measured hour stands for the rest of it, and so does its error. What a meter said while it is known to have
    # told nothing (a detected outage) is no part of the hour.
    fraction = flow["measured_fraction"].to_numpy(dtype=float)
    counts = np.where(measured, 1.0 / np.where(fraction > 0, fraction, 1.0), (fraction > 0).astype(float))
    litres = {name: np.nan_to_num(told[name].to_numpy(dtype=float)) * counts for name in LITRES}
    water = metered_water(told.assign(**litres, meter=told["meter"].where(counts > 0)), site)
    estimated = np.where(measured | np.isnan(net), 0.0, net - (water.forward_l - water.reverse_l))
    of_estimated, too_slow = _estimated_water(
        plot, start, estimated, estimated / np.maximum(1.0 - fraction, SHORTEST_PART), water, site
    )
    hour = np.arange(net.size)
    metered, unmetered = (shared_errors(each, hour, net.size) for each in (water, of_estimated))
    return FlowEnsemble(
        plot=plot,
        hour_start=start,
        net_l=net,
        measured=fraction,
        below_range=flow["below_range_fraction"].to_numpy(dtype=float),
        filled=filled,
        deviation=deviation,
        errors=SharedErrors(
            metered.calibration + unmetered.calibration, metered.error_curve + unmetered.error_curve, metered.counting
        ),
        slow=np.where(estimated == 0, (flow["basis"] == "measured_below_range").to_numpy(), too_slow),
    )


def _estimated_water(
    plot: str, start: pd.Series, net_l: Floats, rate_l_h: Floats, like: MeteredWater, site: Site
) -> tuple[MeteredWater, Flags]:
    """What was estimated, as if the meter of its time had metered it.

    It has the forward calibration that was in force last (before the first one, the first), for water that ran back too, and the
    error that the curve of the meter in place allows at its mean rate. The models have counting in their residuals.

    Returns:
        The water, and the hours in which the curve leaves the site's tolerance.
    """
    meters = sorted((meter for meter in site.meters if meter.plot == plot), key=lambda meter: (meter.start, meter.meter))
    dated = [(max(row.start, meter.start), row.name) for meter in meters for row in _forward_calibrations(site, meter)]
    calibration = _last_before(start, sorted(dated))
    in_place = _last_before(start, [(meter.start, place) for place, meter in enumerate(meters)])
    error = np.zeros(net_l.size)
    for place, meter in enumerate(meters):
        here = (in_place == place) & (net_l != 0)
        error[here] = error_pct(rate_l_h[here] / MINUTES, *error_curve(site, meter.accuracy))
    named = pd.DataFrame(
        {
            "plot": plot,
            "hour_start": start,
            "meter": [None if place is None else meters[place].meter for place in in_place],
            "calibration": calibration,
            "reverse_calibration": calibration,
            "forward_l": np.maximum(net_l, 0.0),
            "reverse_l": np.maximum(-net_l, 0.0),
            "error_curve_l": np.abs(net_l) * np.minimum(error, 100.0) / 100,
            "counting_l": 0.0,
        }
    )
    return metered_water(named, site), error > site.policies.accuracy_tolerance_pct


def _forward_calibrations(site: Site, meter: Meter) -> Iterator[Calibration]:
    """The forward calibrations that a meter had while it was on its plot."""
    for row in site.calibrations:
        ends_before = row.end is not None and row.end <= meter.start
        begins_after = meter.end is not None and row.start >= meter.end
        if row.meter == meter.meter and row.direction == "forward" and not (ends_before or begins_after):
            yield row


def _last_before(start: pd.Series, dated: Sequence[tuple[datetime, Any]]) -> NDArray[np.object_]:
    """What came last at or before each hour; before the first, the first; None where there is nothing, shape (n,)."""
    if not dated:
        return np.full(len(start), None, dtype=object)
    since = pd.DatetimeIndex([moment for moment, _ in dated]).as_unit("us")
    what = np.array([each for _, each in dated], dtype=object)
    return what[np.maximum(since.searchsorted(start, side="right") - 1, 0)]
