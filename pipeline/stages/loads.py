"""From members of flow and of concentration to loads by period.

Belongs here: what is summed over a period, the columns of the loads tables, what is said where a load is not known, the budget.
Does not: members of flow (stages/flow_ensemble.py) and of concentration (stages/concentration.py), which hours form a period
(stages/load_periods.py), percentiles and sums (science/period_sums.py), periods that more than one water year holds
(stages/period_loads.py).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.science.ensemble import ENSEMBLE_MEMBERS
from pipeline.science.period_sums import Periods, interval_90, sums_of_runs
from pipeline.science.side_by_side import one_ahead
from pipeline.science.uncertainty import MeterDraws
from pipeline.science.units import depth_mm, flow_weighted_mg_l, kg_per_ha
from pipeline.science.variance_shares import variance_shares
from pipeline.site import Site
from pipeline.stages.concentration import ConcentrationEnsemble, concentration_rows
from pipeline.stages.flow_ensemble import FlowEnsemble, draws_of, flow_ensembles
from pipeline.stages.load_periods import Calendar
from pipeline.tables import table

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

NOTHING_FLOWED = 1e-9
"""Net volume as a share of all volume, either way, under which rounding is all that is left."""
WHY_EMPTY = np.array([None, "unfilled_hours", "no_results", "unfilled_hours_and_no_results"], dtype=object)


@dataclass(frozen=True)
class Loads:
    """Rows for one water year of the tables of these names (`concentration`, `loads_daily` and so on)."""

    concentration: pd.DataFrame
    daily: pd.DataFrame
    monthly: pd.DataFrame
    annual: pd.DataFrame
    event: pd.DataFrame
    treatment: pd.DataFrame
    members: pd.DataFrame
    budget: pd.DataFrame


@dataclass(frozen=True)
class Sums:
    """What is added up over hours, by run of hours or by period.

    Attributes:
        numbers: by name (`NUMBERS`), shape (periods,).
        volume_l: members of the net volume of hours that are known, L, shape (members, periods).
        load_mg: members of the load of hours of which flow and concentration are known, mg, shape (members, periods).
    """

    numbers: dict[str, Floats]
    volume_l: Floats
    load_mg: Floats

    def by(self, periods: Periods) -> Sums:
        """The sums of periods."""
        return Sums(
            {name: periods.sums(values) for name, values in self.numbers.items()},
            periods.sums(self.volume_l),
            periods.sums(self.load_mg),
        )

    @classmethod
    def side_by_side(cls, parts: Sequence[Sums]) -> Sums:
        """The periods of several sums one after the other."""
        return cls(
            {name: np.concatenate([part.numbers[name] for part in parts]) for name in NUMBERS},
            np.concatenate([part.volume_l for part in parts], axis=1),
            np.concatenate([part.load_mg for part in parts], axis=1),
        )


NUMBERS = (
    "hours",
    "metered_hours",
    "flow_hours",
    "sampled_hours",
    "load_hours",
    "net_l",
    "load_mg",
    "gross_l",
    "measured_l",
    "below_range_l",
    "extrapolated_l",
    "backward_l",
    "backward_mg",
    "as_left_mg",
    "receiving_water_mg",
)
"""`flow_hours`, `sampled_hours`, `load_hours`: hours of which flow, concentration, both are known. `gross_l`: hourly net volumes
without their signs. `backward_l`, `backward_mg`: of hours in which more ran back than drained. `as_left_mg`, `receiving_water_mg`: what
the latter would be under either policy."""


def loads(
    ensembles: Iterable[ConcentrationEnsemble],
    hours: pd.DataFrame,
    metered: pd.DataFrame,
    flow_members: pd.DataFrame,
    events: pd.DataFrame,
    site: Site,
    year: int,
) -> Loads:
    """Volumes, loads and their uncertainty in one water year, by day, month, year, event and treatment.

    The reported load is the sum over hours of hourly mean flow times hourly mean concentration (where flow was not metered, the mean
    over members weighted by their outflow): what ran back in carries back what
    it carried out, so no water counts twice. Its interval (90 %) comes from members: each is a history of the flow times a history of
    the concentration, hour by hour, summed over the period; the 5th and 95th percentiles of the sums are moved by what chance has
    set their mean off the reported load (JCGM 101:2008, 7.7). Errors that hours share (a calibration, a meter's error curve, a gap
    model, a sample) are one and the same in all hours of a member, so that they do not average out.

    A period's volume is empty where one of its hours is unfilled, its load also where a concentration is not known, and `why_empty`
    says which; beside them stand the sums over the hours that are known. Shares are taken of the hours that are known, weighted
    by absolute net volume. Only hours of the record count.

    The budget takes one source of uncertainty at a time, all others standing at their means: the variance of the annual load that it
    makes, over the sum of these variances (JCGM 100:2008, H.1.5).

    One plot and analyte is worked on while the next one's concentration is drawn, so that memory holds a few arrays of members times
    hours of one year beside the flow of every plot.

    Args:
        ensembles: concentration of each plot and analyte, at the plot's hours of the water year.
        hours: rows of `hourly_flow` that hold the water year.
        metered: rows of `metered_hours` of the same hours.
        flow_members: rows of `flow_members` of the water year.
        events: rows of `events` of the water year; events of one plot do not overlap.
        site: areas, treatments, meters, calibrations, analytes, standard time, record, periods.
        year: the water year.

    Returns:
        The tables of the water year. Events and the row `between` add up to the year; days and months do.
    """
    made = _Made(site, year, {plot.plot: plot.area_ha for plot in site.plots})
    coming = one_ahead(ensembles)
    flows = {
        flow.plot: _Flow.of(flow, draws_of(flow, site, year), events, site)
        for flow in flow_ensembles(hours, metered, flow_members, site, year)
    }
    for ensemble in coming:
        if ensemble.plot in flows:
            made.add(flows[ensemble.plot], ensemble)
    return made.tables()


@dataclass(frozen=True)
class _Flow:
    """One plot's flow, its calendar, its members and the sums of these, which all analytes share."""

    ensemble: FlowEnsemble
    calendar: Calendar
    members: Singles
    volume_l: Floats

    @classmethod
    def of(cls, ensemble: FlowEnsemble, draws: MeterDraws, events: pd.DataFrame, site: Site) -> _Flow:
        calendar = Calendar.of(ensemble.plot, ensemble.hour_start, events[events["plot"] == ensemble.plot], site)
        members = ensemble.members(draws)
        return cls(ensemble, calendar, members, sums_of_runs(members, calendar.starts))

    def sums(self, concentration: _Concentration) -> Sums:
        """Sums by run of hours."""
        flow, starts = self.ensemble, self.calendar.starts
        known, sampled = np.isfinite(flow.net_l), np.isfinite(concentration.mg_l)
        net = np.where(known, flow.net_l, 0.0)
        load = net * np.where(sampled, concentration.mg_l, 0.0)
        gross, back = np.abs(net), net < 0
        measured = gross * flow.measured
        by_hour = {
            "hours": np.ones(net.size),
            "metered_hours": flow.measured,
            "flow_hours": known,
            "sampled_hours": sampled,
            "load_hours": known & sampled,
            "net_l": net,
            "load_mg": load,
            "gross_l": gross,
            "measured_l": measured,
            "below_range_l": measured * flow.below_range,
            "extrapolated_l": gross * concentration.extrapolated,
            "backward_l": net * back,
            "backward_mg": load * back,
            "as_left_mg": net * concentration.as_left_mg_l,
            "receiving_water_mg": net * concentration.receiving_water_mg_l,
        }
        members = sums_of_runs(self.members * concentration.members, starts)
        numbers = {name: sums_of_runs(np.asarray(by_hour[name], dtype=float), starts) for name in NUMBERS}
        return Sums(numbers, self.volume_l, members)


@dataclass(frozen=True)
class _Concentration:
    """The part of a `ConcentrationEnsemble` that belongs to a flow's hours, shapes (n,) and (members, n).

    Attributes:
        mg_l: mean; not-a-number where it is not known.
        members, without_laboratory: 0 where it is not known.
        extrapolated: whether the hour's flow lies outside those sampled.
        followed: factor on members for their flow being another than the reported one; none where all was metered.
        doubt: what members of hours in which water ran back have over those of the account of what left; elsewhere 0.
        as_left_mg_l, receiving_water_mg_l: mean of the water that ran back under either policy, 0 where none did; not-a-number where
            it is not told.
    """

    mg_l: Floats
    members: Singles
    without_laboratory: Singles
    extrapolated: NDArray[np.bool_]
    followed: Singles | None
    doubt: Singles
    as_left_mg_l: Floats
    receiving_water_mg_l: Floats

    @classmethod
    def at(cls, hour_start: pd.Series, ensemble: ConcentrationEnsemble, policy: str) -> _Concentration:
        """At the hours of a flow.

        Raises:
            ValueError: the ensemble has no such hour.
        """
        place = pd.Index(ensemble.hour_start).get_indexer(pd.Index(hour_start))
        if (place < 0).any():
            absent = hour_start.iloc[int(np.argmax(place < 0))]
            raise ValueError(f"no concentration of {ensemble.analyte} at {ensemble.plot} in the hour from {absent}")
        count, back = ensemble.mg_l.size, ensemble.backward
        as_left = np.zeros(count)
        as_left[back] = ensemble.as_left.mean(axis=0, dtype=np.float64)
        receiving = np.full(count, np.nan)
        doubt = np.zeros((ENSEMBLE_MEMBERS, count), dtype=np.float32)
        doubt[:, back] = np.nan_to_num(ensemble.as_left - ensemble.as_left_undoubted)
        if ensemble.receiving_water is not None:
            receiving = np.zeros(count)
            receiving[back] = ensemble.receiving_water.mean(axis=0, dtype=np.float64)
            if policy == "receiving_water":
                doubt[:, back] = ensemble.receiving_water
        # Most often all hours, in order: then nothing is copied.
        at = slice(None) if np.array_equal(place, np.arange(count)) else place
        parts = [part[:, at] for part in (ensemble.members, ensemble.members_without_laboratory, doubt)]
        if np.isnan(ensemble.mg_l).any():
            parts = [np.nan_to_num(part) for part in parts]
        members, without_laboratory, doubt = parts
        return cls(
            mg_l=ensemble.mg_l[at],
            members=members,
            without_laboratory=without_laboratory,
            extrapolated=ensemble.extrapolated[at],
            followed=None if ensemble.followed is None else ensemble.followed[:, at],
            doubt=doubt,
            as_left_mg_l=as_left[at],
            receiving_water_mg_l=receiving[at],
        )


@dataclass
class _Made:
    """Rows of the tables as plot after plot and analyte after analyte add to them."""

    site: Site
    year: int
    area_ha: dict[str, float]
    parts: dict[str, list[pd.DataFrame]] = field(default_factory=dict)
    spells: list[tuple[pd.DataFrame, Sums]] = field(default_factory=list)

    def add(self, flow: _Flow, ensemble: ConcentrationEnsemble) -> None:
        """One plot and analyte."""
        calendar, plot = flow.calendar, flow.ensemble.plot
        concentration = _Concentration.at(flow.ensemble.hour_start, ensemble, self.site.policies.backward_water)
        sums = flow.sums(concentration)
        of_series: dict[str, Any] = {"plot": plot, "analyte": ensemble.analyte, "water_year": self.year}
        for name, named in (
            ("loads_daily", calendar.days()),
            ("loads_monthly", calendar.months()),
            ("loads_annual", calendar.year()),
            ("loads_event", calendar.events()),
        ):
            rows = load_columns(sums.by(named.periods), self.area_ha[plot])
            self._keep(name, named.columns.assign(**of_series), rows)
        for kind, named in (("month", calendar.months()), ("own", calendar.own_periods(self.site))):
            rows = _member_columns(sums.by(named.periods))
            columns = named.columns.set_axis(["period"], axis=1)
            self._keep("load_members", columns.assign(kind=kind, **of_series), rows)
        spells = calendar.treatments()
        self.spells.append((spells.columns.assign(**of_series), sums.by(spells.periods)))
        self._keep("concentration", concentration_rows(ensemble))
        annual = self.parts["loads_annual"][-1]
        if annual["why_empty"].isna().all():
            self._keep(
                "uncertainty_budget", _budget(flow.ensemble, concentration, self.area_ha[plot]).assign(**of_series)
            )

    def _keep(self, name: str, *columns: pd.DataFrame) -> None:
        self.parts.setdefault(name, []).append(pd.concat(columns, axis=1))

    def tables(self) -> Loads:
        """All that was added, in the declared order of rows."""
        if self.spells:
            self._keep("loads_treatment", self._by_treatment())
        return Loads(
            *(
                in_order(name, self.parts.get(name, []))
                for name in (
                    "concentration",
                    "loads_daily",
                    "loads_monthly",
                    "loads_annual",
                    "loads_event",
                    "loads_treatment",
                    "load_members",
                    "uncertainty_budget",
                )
            )
        )

    def _by_treatment(self) -> pd.DataFrame:
        """Means over the plots that had the same treatment at the same time, weighted by area."""
        keys = ["analyte", "treatment", "start", "end", "water_year"]
        rows = pd.concat([columns for columns, _ in self.spells], ignore_index=True)
        grouped = rows.groupby(keys, sort=True)
        periods, first = Periods.of_labels(grouped.ngroup())
        sums = Sums.side_by_side([sums for _, sums in self.spells]).by(periods)
        area = periods.sums(rows["plot"].map(self.area_ha))
        plots = periods.sums(np.ones(len(rows)))
        named = rows.iloc[first][keys].reset_index(drop=True).assign(plots=plots.astype(np.int64), area_ha=area)
        return pd.concat([named, load_columns(sums, area)], axis=1)


def in_order(name: str, parts: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Rows of a table, columns and rows in the declared order."""
    declared = table(name)
    filled = [part for part in parts if len(part)]
    if not filled:
        return pd.DataFrame({column: pd.Series(dtype="object") for column in declared.names})
    whole = pd.concat(filled, ignore_index=True)[list(declared.names)]
    return whole.sort_values(list(declared.sort), kind="stable", ignore_index=True)


def load_columns(sums: Sums, area_ha: float | Floats) -> pd.DataFrame:
    """The columns that all loads tables share, one row a period.

    Args:
        sums: by period.
        area_ha: of what was summed over, ha, one or shape (periods,).
    """
    of = sums.numbers
    hours, gross = of["hours"], of["gross_l"]
    some_water = np.where(gross > 0, gross, np.nan)
    volume, load = depth_mm(of["net_l"], area_ha), kg_per_ha(of["load_mg"], area_ha)
    volume_low, volume_high = interval_90(volume, depth_mm(sums.volume_l, area_ha))
    load_low, load_high = interval_90(load, kg_per_ha(sums.load_mg, area_ha))
    unfilled, unsampled = of["flow_hours"] < hours, of["sampled_hours"] < hours
    drained = ~unfilled & ~unsampled & (of["net_l"] > NOTHING_FLOWED * gross)

    def known(values: Floats, *empty: NDArray[np.bool_]) -> Floats:
        return np.where(np.logical_or.reduce(empty), np.nan, values)

    return pd.DataFrame(
        {
            "hours": hours.astype(np.int64),
            "volume_mm": known(volume, unfilled),
            "volume_mm_p05": known(volume_low, unfilled),
            "volume_mm_p95": known(volume_high, unfilled),
            "load_kg_ha": known(load, unfilled, unsampled),
            "load_kg_ha_p05": known(load_low, unfilled, unsampled),
            "load_kg_ha_p95": known(load_high, unfilled, unsampled),
            "why_empty": WHY_EMPTY[unfilled + 2 * unsampled],
            "volume_known_mm": known(volume, of["flow_hours"] == 0),
            "load_known_kg_ha": known(load, of["load_hours"] == 0),
            "flow_weighted_mg_l": flow_weighted_mg_l(load, np.where(drained, volume, np.nan)),
            "share_measured": of["measured_l"] / some_water,
            "share_filled": (gross - of["measured_l"]) / some_water,
            "share_below_range": of["below_range_l"] / some_water,
            "share_extrapolated": np.where(of["sampled_hours"] > 0, of["extrapolated_l"] / some_water, np.nan),
            "missing_days_pct": np.clip(100 * (1 - of["metered_hours"] / hours), 0.0, 100.0),
            "unfilled_hours": (hours - of["flow_hours"]).astype(np.int64),
            "volume_backward_mm": known(depth_mm(of["backward_l"], area_ha), of["flow_hours"] == 0),
            "load_backward_kg_ha": known(kg_per_ha(of["backward_mg"], area_ha), of["load_hours"] == 0),
            **{
                f"load_{policy}_kg_ha": known(
                    load + kg_per_ha(of[f"{policy}_mg"] - of["backward_mg"], area_ha), unfilled, unsampled
                )
                for policy in ("as_left", "receiving_water")
            },
        }
    )


def _budget(flow: FlowEnsemble, concentration: _Concentration, area_ha: float) -> pd.DataFrame:
    """Rows of `uncertainty_budget` of one plot and analyte, without their key."""
    weight = np.where(np.isfinite(concentration.mg_l), concentration.mg_l, 0.0)
    net = np.where(np.isfinite(flow.net_l), flow.net_l, 0.0)
    whole, exact, doubt = (
        _loads_of(part, net) for part in (concentration.members, concentration.without_laboratory, concentration.doubt)
    )
    between_samples, of_gaps = exact, {}
    if concentration.followed is not None:
        # What concentration has from the flow that is not known is the gap's doing: with the reported flow it would not be there.
        apart = concentration.without_laboratory / concentration.followed
        between_samples = _loads_of(apart, net)
        following = concentration.followed / concentration.followed.mean(axis=0) * weight.astype(np.float32)
        of_flow = _loads_of(following, net)
        of_flow += np.add.reduce(flow.deviation * following[:, flow.filled], axis=1, dtype=np.float64)
        of_gaps = {"gap_filling": float(np.std(of_flow, ddof=1))}
    of_concentration = {"sampling": between_samples - doubt, "laboratory": whole - exact, "backward_water": doubt}
    milligrams = (
        flow.standard_deviations(weight)
        | of_gaps
        | {source: float(np.std(effect, ddof=1)) for source, effect in of_concentration.items()}
    )
    deviations = {source: float(kg_per_ha(value, area_ha)) for source, value in milligrams.items()}
    shares = variance_shares(deviations)
    return pd.DataFrame(
        {
            "source": list(deviations),
            "sd_kg_ha": list(deviations.values()),
            "variance_share": [shares[source] for source in deviations],
        }
    )


def _loads_of(concentration: Singles, net_l: Floats) -> Floats:
    """Load of each member of a concentration under one flow, mg, shape (members,)."""
    return np.add.reduce(concentration * net_l.astype(np.float32), axis=1, dtype=np.float64)


def _member_columns(sums: Sums) -> pd.DataFrame:
    """Columns of `load_members`: what a longer period is made of."""
    drawn = {"members_l": sums.volume_l, "members_mg": sums.load_mg}
    lists = {name: pd.Series(list(values.T.astype(np.float32)), dtype="object") for name, values in drawn.items()}
    return pd.DataFrame(sums.numbers | lists)
