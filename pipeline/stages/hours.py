"""From metered hours to hours without holes.

Belongs here: the rule for partly metered hours, known totals across gaps, the basis and the interval of every hour.
Does not: the models that estimate (science/gap_estimate.py), what was metered (stages/metered_hours.py), outages
(stages/outages.py).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.science.ensemble import ENSEMBLE_MEMBERS, percentiles_90, seed_of, uniform_draws
from pipeline.science.gap_choice import FROM_NEIGHBOURS, FROM_WEATHER
from pipeline.science.gap_estimate import UNFILLED, GapEstimates, estimate_gaps
from pipeline.science.gap_skill import Skill
from pipeline.science.known_total import keep_total
from pipeline.science.residual_process import stretches_of
from pipeline.site import Site
from pipeline.stages.meter_errors import measured_half_width_l
from pipeline.tables import table

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

HOUR_US = 3_600_000_000
MEASURED_FROM = 0.5
"""An hour metered for at least this share counts as measured."""
BELOW_RANGE_FROM = 0.5
"""Share of an hour's metered water below range from which the hour is called so."""


@dataclass(frozen=True)
class FilledHours:
    """What the gap stage makes of a water year.

    Attributes:
        hours: rows of `hourly_flow`.
        members: rows of `flow_members`: every hour that was not measured and could be filled.
        skill: rows of `gap_skill`.
    """

    hours: pd.DataFrame
    members: pd.DataFrame
    skill: pd.DataFrame


def fill_hours(
    metered: pd.DataFrame,
    known_totals: pd.DataFrame,
    weather: pd.DataFrame,
    site: Site,
    year: int,
    gauges: pd.DataFrame | None = None,
) -> FilledHours:
    """Every plot-hour of a water year within the record, measured or estimated.

    The rules, in this order:

    1. An hour metered for at least half of its time is `measured`; its rate stands for the rest of it. It is
       `measured_below_range` where at least half of its metered water ran slower than the meter is accurate.
    2. Else its metered part counts as metered, and the rest is estimated by an ensemble of members: `bridged` across a hole of at most
       `bridge_longest_hours`, `from_neighbours`, or `from_weather` (science/gap_estimate.py). The models learn from the water years
       within `gap_window_years` of this one, and from nothing else.
    3. Where a running counter tells the total of a gap, every member is changed so that it adds up to it exactly
       (science/known_total.py): `total_known`. A total that two water years share is divided by a model that learns from just
       these years, so that both find the same division; where they are not both in the window, by time.
    4. A plot without any measured hour in the window stays `unfilled`, and so does what would be estimated for longer than
       `neighbours_longest_days` or `weather_longest_days` allow and no counter tells.

    A change of treatment gives the models terms of their own for the plot's and its donors' relations; a treatment that the
    window hardly saw measured is then estimated much like the one before it.

    An estimated hour is the mean of its members, and its interval (90 %) their 5th and 95th percentile; that of a measured hour
    comes from calibrations, error curve and the pulse that may be missing (stages/meter_errors.py); partly metered hours have
    both in quadrature. Members hold the gap's errors alone: stages/flow_ensemble.py adds the meters'.

    Args:
        metered: rows of `metered_hours` of all window years.
        known_totals: rows of `known_totals` of the same years, and of the year before.
        weather: hour_start, rain_mm, air_temp_c; may be empty.
        site: plots, treatments, meters, error curves, calibrations, policies.
        year: the water year to fill.
        gauges: rows of `gauge_readings` of the window years, of which levels of the receiving water are used; none: there are none.

    Returns:
        Rows of `hourly_flow`, `flow_members` and `gap_skill`.
    """
    window = _Window.of(metered, known_totals, weather, gauges, site, year)
    estimates = window.estimates(window.year_hours)
    volume, down, up, basis = window.metered()
    basis = np.where(window.is_measured, basis, estimates.basis)
    left_over = 1.0 - window.fraction
    ensembles = []
    for plot in range(len(window.plots)):
        ensemble = _Ensemble.of(window.net_l[plot], left_over[plot], estimates.hours[plot], estimates.members[plot])
        for first, covered, total in window.totals_of_year(plot):
            span = slice(first, first + covered.size)
            covered = np.minimum(covered, left_over[plot, span])
            filled = ~window.is_measured[plot, span] & (covered > 0)
            if not filled.any():
                continue
            # What is left of a measured hour ran at its measured rate.
            total -= float(np.sum(covered * np.where(filled, 0.0, np.nan_to_num(window.rate[plot, span]))))
            hours = first + np.flatnonzero(filled)
            ensemble.keep_total(hours, covered[filled], total, window.named(plot, "known total", first))
            known = basis[plot, hours]
            known[covered[filled] >= 0.5 * left_over[plot, hours]] = "total_known"
            basis[plot, hours] = np.where(known == UNFILLED, "total_known", known)
        basis[plot] = np.where(window.too_long(plot, basis[plot]), UNFILLED, basis[plot])
        ensemble.keep_hours(basis[plot] != UNFILLED)
        volume[plot, ensemble.hours] = ensemble.volume.mean(axis=1)
        for half_width, sign, bound in zip((down, up), (-1.0, 1.0), percentiles_90(ensemble.volume.T), strict=True):
            of_gap = sign * (bound - volume[plot, ensemble.hours])
            at = (plot, ensemble.hours)
            half_width[at] = np.hypot(half_width[at], np.maximum(of_gap, 0.0))
        ensembles.append(ensemble)
    return FilledHours(
        window.rows(volume, down, up, basis), window.member_rows(ensembles), window.skill_rows(estimates.skill)
    )


@dataclass
class _Ensemble:
    """Members of the hours of one plot that were not measured.

    Attributes:
        metered_l: the metered part of every hour of the window, shape (hours,).
        hours: ascending, shape (n,).
        rate: what runs in an hour, L, shape (n, members).
        volume: of each hour, its metered part included, L, shape (n, members).
    """

    metered_l: Floats
    hours: NDArray[np.int64]
    rate: Floats
    volume: Floats

    @classmethod
    def of(
        cls, metered_l: Floats, left_over: Floats, hours: NDArray[np.int64], members: NDArray[np.float32]
    ) -> _Ensemble:
        """From the metered part of every hour, L, the share of it that was not metered, and members of the rate in some, L per hour."""
        rate = members.astype(float)
        return cls(metered_l, hours, rate, metered_l[hours, np.newaxis] + left_over[hours, np.newaxis] * rate)

    def keep_total(self, hours: NDArray[np.int64], covered: Floats, total: float, generator: np.random.Generator) -> None:
        """Change members so that what a total covers of some hours adds up to it, L, in each of them.

        A plot that was never measured has no shape: its total is spread evenly, and may be anything up to twice as much in an hour.
        """
        if self.rate.size == 0:
            self._without_shape(hours, covered, total, generator)
            return
        at = np.searchsorted(self.hours, hours)
        modelled = covered[:, np.newaxis] * self.rate[at]
        self.volume[at] += keep_total(modelled, modelled.std(axis=1), total) - modelled

    def keep_hours(self, kept: Flags) -> None:
        """Leave out hours of which nothing is to be said, flags of shape (hours,)."""
        inside = kept[self.hours]
        self.hours, self.volume = self.hours[inside], self.volume[inside]

    def _without_shape(
        self, hours: NDArray[np.int64], covered: Floats, total: float, generator: np.random.Generator
    ) -> None:
        spread = covered[:, np.newaxis] * (1.0 + uniform_draws(generator, hours.size).T)
        every = np.union1d(self.hours, hours)
        volume = np.repeat(self.metered_l[every, np.newaxis], ENSEMBLE_MEMBERS, axis=1)
        volume[np.searchsorted(every, self.hours)] = self.volume
        volume[np.searchsorted(every, hours)] += keep_total(spread, covered, total)
        self.hours, self.volume = every, volume


def _microseconds(moment: datetime) -> int:
    return (moment - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)


def _epoch_us(times: pd.Series) -> NDArray[np.int64]:
    return times.dt.tz_convert(None).to_numpy("datetime64[us]").astype(np.int64)


@dataclass(frozen=True)
class _Window:
    """The window years as arrays: plots in order of name by hours.

    Attributes:
        first_us: start of the first hour, microseconds since 1970.
        net_l, fraction, below_range: of the metered part of each hour, shape (plots, hours); 0 where nothing was metered.
        half_width: half-width of the metered part's 90 % interval, L.
        rain_mm, air_temp_c: shape (hours,).
        level: of the receiving water, in standard deviations, not-a-number where not known, shape (plots, hours).
        treatment: number of the treatment in each hour, shape (plots, hours).
        totals: plot number, first and last instant in hours since the window's start, litres; shape (t, 4).
        year_hours: hours of the water year within the record, shape (hours,).
        year_of_hour: the water year of each hour, shape (hours,).
    """

    site: Site
    year: int
    plots: list[str]
    first_us: int
    net_l: Floats
    fraction: Floats
    below_range: Floats
    half_width: Floats
    rain_mm: Floats
    air_temp_c: Floats
    level: Floats
    treatment: NDArray[np.int64]
    totals: Floats
    year_hours: Flags
    year_of_hour: NDArray[np.int64]

    @classmethod
    def of(
        cls,
        hours: pd.DataFrame,
        totals: pd.DataFrame,
        weather: pd.DataFrame,
        gauges: pd.DataFrame | None,
        site: Site,
        year: int,
    ) -> _Window:
        """The part of the inputs that the water year may learn from."""
        reach = site.policies.gap_window_years
        years = range(year - reach, year + reach + 1)
        record_first, record_last = (_microseconds(moment) for moment in site.record_period())
        bounds = np.clip(
            [_microseconds(site.water_year_period(each)[0]) for each in (*years, years[-1] + 1)],
            record_first,
            record_last,
        )
        first, count = int(bounds[0]), int((bounds[-1] - bounds[0]) // HOUR_US)
        plots = sorted(plot.plot for plot in site.plots)
        shape = (len(plots), count)

        at = (_epoch_us(hours["hour_start"]) - first) // HOUR_US
        plot = pd.Index(plots).get_indexer(pd.Index(hours["plot"]))
        rows = np.flatnonzero((at >= 0) & (at < count) & (plot >= 0) & (hours["measured_fraction"] > 0).to_numpy())
        cell = (plot[rows], at[rows])

        def spread_out(values: Floats) -> Floats:
            whole = np.zeros(shape)
            whole[cell] = values[rows]
            return whole

        known = np.column_stack(
            [
                pd.Index(plots).get_indexer(pd.Index(totals["plot"])),
                (_epoch_us(totals["start"]) - first) / HOUR_US,
                (_epoch_us(totals["end"]) - first) / HOUR_US,
                totals["net_l"].to_numpy(dtype=float),
            ]
        )
        known = known[(known[:, 0] >= 0) & (known[:, 1] < count) & (known[:, 2] > 0)]
        weather_at = (_epoch_us(weather["hour_start"]) - first) // HOUR_US
        inside = (weather_at >= 0) & (weather_at < count)
        sky = np.full((2, count), np.nan)
        for row, name in enumerate(("rain_mm", "air_temp_c")):
            sky[row, weather_at[inside]] = weather[name].to_numpy(dtype=float)[inside]
        year_of_hour = np.repeat(np.array(years), np.diff((bounds - first) // HOUR_US))
        return cls(
            site=site,
            year=year,
            plots=plots,
            first_us=first,
            net_l=spread_out(hours["net_l"].to_numpy(dtype=float)),
            fraction=spread_out(hours["measured_fraction"].to_numpy(dtype=float)),
            below_range=spread_out(hours["below_range_fraction"].to_numpy(dtype=float)),
            half_width=spread_out(measured_half_width_l(hours, site)),
            rain_mm=sky[0],
            air_temp_c=sky[1],
            level=_water_level(gauges, plots, first, count),
            treatment=_treatment_numbers(site, plots, first + HOUR_US * np.arange(count)),
            totals=known,
            year_hours=year_of_hour == year,
            year_of_hour=year_of_hour,
        )

    @property
    def is_measured(self) -> Flags:
        """Hours metered for at least half of their time, shape (plots, hours)."""
        return self.fraction >= MEASURED_FROM

    @property
    def rate(self) -> Floats:
        """Net volume of measured hours, completed to the hour, L; not-a-number elsewhere, shape (plots, hours)."""
        return np.divide(self.net_l, self.fraction, out=np.full(self.net_l.shape, np.nan), where=self.is_measured)

    def metered(self) -> tuple[Floats, Floats, Floats, NDArray[np.str_]]:
        """Volume and half-widths of measured hours (completed) and of the metered part of others, and the basis of the former."""
        complete = np.where(self.is_measured, 1.0 / np.maximum(self.fraction, MEASURED_FROM), 1.0)
        below = (self.below_range >= BELOW_RANGE_FROM) & self.is_measured
        basis = np.where(below, "measured_below_range", np.where(self.is_measured, "measured", ""))
        half_width = complete * self.half_width
        return np.where(self.is_measured, self.rate, self.net_l), half_width, half_width.copy(), basis

    def estimates(self, hours: Flags, years: range | None = None) -> GapEstimates:
        """Estimates for the hours without a measurement among some, learning from all of the window or from some of its years.

        Args:
            hours: shape (hours,) or (plots, hours).
            years: the years to learn from; none: the window.
        """
        learn = np.ones(self.year_of_hour.size, bool) if years is None else np.isin(self.year_of_hour, years)
        # Years that follow one another are one stretch of hours.
        stretch = slice(int(np.argmax(learn)), int(learn.size - np.argmax(learn[::-1])))
        first_hour = self.first_us // HOUR_US + stretch.start
        part = estimate_gaps(
            self.rate[:, stretch],
            (~self.is_measured & hours)[:, stretch],
            (first_hour + np.arange(stretch.stop - stretch.start)) / 24.0,
            self.rain_mm[stretch],
            self.air_temp_c[stretch],
            self.level[:, stretch],
            self.treatment[:, stretch],
            self.site.policies.bridge_longest_hours,
            lambda plot, what, hour: self.named(plot, what, stretch.start + hour),
        )
        outside = ((0, 0), (stretch.start, learn.size - stretch.stop))
        return replace(
            part,
            basis=np.pad(part.basis, outside, constant_values=""),
            hours=[stretch.start + each for each in part.hours],
        )

    def named(self, plot: int | None, what: str, hour: int) -> np.random.Generator:
        """The generator for something of a plot, or of all, that begins with an hour of the window."""
        whose = "all plots" if plot is None else self.plots[plot]
        return seed_of(self.site.site, whose, what, str(self.first_us // HOUR_US + hour))

    def too_long(self, plot: int, basis: NDArray[np.str_]) -> Flags:
        """Hours of a plot that lie in gaps longer than the policies let their basis fill, shape (hours,).

        A gap counts as far as the window shows it. Outside the year, hours in which no plot is measured count as filled from weather.
        """
        policies = self.site.policies
        too_long = np.zeros(basis.shape, dtype=bool)
        from_weather = (basis == FROM_WEATHER) | (~self.is_measured.any(axis=0) & ~self.year_hours)
        for first, last in stretches_of(~self.is_measured[plot]):
            gap = slice(first, last)
            if last - first > 24 * policies.neighbours_longest_days:
                too_long[gap] |= basis[gap] == FROM_NEIGHBOURS
            if np.count_nonzero(from_weather[gap]) > 24 * policies.weather_longest_days:
                too_long[gap] |= basis[gap] == FROM_WEATHER
        return too_long

    def totals_of_year(self, of_plot: int) -> list[tuple[int, Floats, float]]:
        """Known totals of a plot within the year: first hour, share of each hour that the total covers, litres.

        A total that reaches into another water year is divided.
        """
        inside = np.flatnonzero(self.year_hours)
        if inside.size == 0:
            return []
        year_first, year_last = float(inside[0]), float(inside[-1] + 1)
        found = []
        for plot, start, end, litres in self.totals:
            since, until = max(start, year_first), min(end, year_last)
            if plot != of_plot or since >= until:
                continue
            if (since, until) != (start, end):
                litres = self._part_of_total(int(plot), start, end, since, until, litres)
            first, covered = _coverage(since, until)
            found.append((first, covered, float(litres)))
        return found

    def _part_of_total(self, plot: int, start: float, end: float, since: float, until: float, litres: float) -> float:
        """The part of a known total that belongs to this year, L; times in hours since the window's start."""
        count = self.year_of_hour.size
        by_time = litres * (until - since) / (end - start)
        if start < 0 or end > count:
            return by_time
        first, covered = _coverage(start, end)
        touched = range(int(self.year_of_hour[first]), int(self.year_of_hour[first + covered.size - 1]) + 1)
        if len(touched) > self.site.policies.gap_window_years + 1:
            return by_time  # so do the outer ones of these years, in whose window it is not whole
        wanted = np.zeros(self.net_l.shape, dtype=bool)
        wanted[plot, first : first + covered.size] = True
        estimates = self.estimates(wanted, touched)
        rate = np.full(count, np.nan)
        spread = np.zeros(count)
        rate[self.is_measured[plot]] = self.rate[plot, self.is_measured[plot]]
        rate[estimates.hours[plot]] = estimates.members[plot].mean(axis=1, dtype=float)
        spread[estimates.hours[plot]] = estimates.members[plot].std(axis=1, dtype=float)
        span = slice(first, first + covered.size)
        if np.isnan(rate[span]).any():
            return by_time
        covered = np.minimum(covered, 1.0 - self.fraction[plot, span])
        kept = keep_total(covered * rate[span], covered * spread[span], litres)
        return float(kept[self.year_hours[span]].sum())

    def rows(self, volume: Floats, down: Floats, up: Floats, basis: NDArray[np.str_]) -> pd.DataFrame:
        """The year's hours as rows of `hourly_flow`."""
        hours = np.flatnonzero(self.year_hours)
        net = np.where(basis == UNFILLED, np.nan, volume)[:, hours].ravel()
        frame = pd.DataFrame(
            {
                "plot": np.repeat(np.array(self.plots, dtype=object), hours.size),
                "hour_start": self._starts(np.tile(hours, len(self.plots))),
                "net_l": net,
                "net_l_p05": net - down[:, hours].ravel(),
                "net_l_p95": net + up[:, hours].ravel(),
                "basis": basis[:, hours].ravel().astype(object),
                "measured_fraction": self.fraction[:, hours].ravel(),
                "below_range_fraction": self.below_range[:, hours].ravel(),
            }
        )
        return frame.astype({"plot": "str", "basis": "str"})[list(table("hourly_flow").names)]

    def member_rows(self, ensembles: list[_Ensemble]) -> pd.DataFrame:
        """Members of the year's filled hours as rows of `flow_members`, plots in order."""
        hours = [ensemble.hours for ensemble in ensembles]
        members = np.concatenate([ensemble.volume for ensemble in ensembles]).astype(np.float32)
        frame = pd.DataFrame(
            {
                "plot": np.repeat(np.array(self.plots, dtype=object), [each.size for each in hours]),
                "hour_start": self._starts(np.concatenate(hours)),
                "net_l": pd.Series(list(members), dtype="object"),
            }
        )
        return frame.astype({"plot": "str"})[list(table("flow_members").names)]

    def skill_rows(self, skill: list[Skill]) -> pd.DataFrame:
        """Scores of the models that learned for this year as rows of `gap_skill`."""
        rows = [
            (
                self.plots[each.plot],
                self.year,
                " ".join([*self.plots, "water level"][donor] for donor in sorted(each.donors)) or "weather",
                each.gap_hours,
                each.model,
                metric,
                value,
            )
            for each in skill
            for metric, value in each.values.items()
            if np.isfinite(value)
        ]
        names = list(table("gap_skill").names)
        frame = pd.DataFrame(rows, columns=names).astype(
            {"water_year": "int64", "gap_hours": "int64", "value": "float64"}
        )
        return frame.sort_values(list(table("gap_skill").sort), kind="stable", ignore_index=True)

    def _starts(self, hours: NDArray[np.int64]) -> pd.DatetimeIndex:
        return pd.to_datetime(self.first_us + hours * HOUR_US, unit="us", utc=True).as_unit("us")


def _coverage(since: float, until: float) -> tuple[int, Floats]:
    """The first hour that a stretch touches, and the share of each hour that it covers."""
    first = int(np.floor(since))
    edges = np.clip(np.arange(first, int(np.ceil(until)) + 1), since, until)
    return first, np.diff(edges)


def _water_level(gauges: pd.DataFrame | None, plots: list[str], first_us: int, count: int) -> Floats:
    """Level of the water that receives each plot's drainage, in its gauge's standard deviations, shape (plots, hours).

    A gauge without a plot tells of all. An hour has the level on the straight line between readings that are at most a day apart; where
    several gauges tell, their mean.
    """
    total, known = np.zeros((len(plots), count)), np.zeros((len(plots), count))
    rows = gauges[gauges["quantity"] == "water_level"] if gauges is not None else pd.DataFrame()
    middle = np.arange(count) + 0.5
    for _, of_gauge in rows.groupby("gauge", sort=True) if len(rows) else ():
        of_gauge = of_gauge.sort_values("interval_start")
        start, end = (_epoch_us(of_gauge[name]) for name in ("interval_start", "interval_end"))
        at = ((start + end) / 2 - first_us) / HOUR_US
        value = of_gauge["value"].to_numpy(dtype=float)
        spread = value.std()
        after = np.clip(np.searchsorted(at, middle), 1, max(at.size - 1, 1))
        if at.size < 2 or spread <= 0:
            continue
        level = (np.interp(middle, at, value) - value.mean()) / spread
        near = (at[after] - at[after - 1] <= 25) & (middle >= at[0] - 1) & (middle <= at[-1] + 1)
        plot = of_gauge["plot"].iloc[-1]
        served = [plots.index(plot)] if plot in plots else list(range(len(plots)))
        total[served] += np.where(near, level, 0.0)
        known[served] += near
    return np.divide(total, known, out=np.full(total.shape, np.nan), where=known > 0)


def _treatment_numbers(site: Site, plots: list[str], hour_us: NDArray[np.int64]) -> NDArray[np.int64]:
    """Number of each plot's treatment in each hour, the same for the same treatment, 0 for none; shape (plots, hours)."""
    numbers = np.zeros((len(plots), hour_us.size), dtype=np.int64)
    names = sorted({row.treatment for row in site.treatments})
    for row in site.treatments:
        during = hour_us >= _microseconds(row.start)
        if row.end is not None:
            during &= hour_us < _microseconds(row.end)
        numbers[plots.index(row.plot), during] = 1 + names.index(row.treatment)
    return numbers
