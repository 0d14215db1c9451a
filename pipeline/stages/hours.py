"""From metered hours to hours without holes.

Belongs here: the rule for partly metered hours, known totals across gaps, the basis and the interval of every hour.
Does not: the models that estimate (science/gap_estimate.py), what was metered (stages/metered_hours.py), outages
(stages/outages.py).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.science.gap_estimate import UNFILLED, GapEstimates, estimate_gaps
from pipeline.science.known_total import keep_total
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


def fill_hours(
    metered: pd.DataFrame, known_totals: pd.DataFrame, weather: pd.DataFrame, site: Site, year: int
) -> pd.DataFrame:
    """Every plot-hour of a water year within the record, measured or estimated.

    The rules, in this order:

    1. An hour metered for at least half of its time is `measured`; its rate stands for the rest of it. It is
       `measured_below_range` where at least half of its metered water ran slower than the meter is accurate.
    2. Else its metered part counts as metered, and the rest is estimated: `bridged` across a hole of at most
       `bridge_longest_hours`, `from_neighbours`, or `from_weather` (science/gap_estimate.py). The models learn from the water years
       within `gap_window_years` of this one, and from nothing else.
    3. Where a running counter tells the total of a gap, the estimates are changed so that they add up to it exactly
       (science/known_total.py): `total_known`. A total that two water years share is divided by a model that learns from just
       these years, so that both find the same division; where they are not both in the window, by time.
    4. A plot without any measured hour in the window stays `unfilled`.

    A change of treatment gives the models terms of their own for the plot's and its donors' relations; a treatment that the
    window hardly saw measured is then estimated much like the one before it.

    Intervals (90 %). Measured hours: calibrations, error curve and the pulse that may be missing (stages/meter_errors.py). Estimated
    hours: from blocked cross-validation.
    Partly metered hours: both in quadrature. Hours of a known total keep the interval of their estimate, scaled with it: it tells
    how well their timing is known, and overstates the uncertainty of their sum.

    Args:
        metered: rows of `metered_hours` of all window years.
        known_totals: rows of `known_totals` of the same years, and of the year before.
        weather: hour_start, rain_mm, air_temp_c; may be empty.
        site: plots, treatments, meters, error curves, calibrations, policies.
        year: the water year to fill.

    Returns:
        Rows of `hourly_flow`.
    """
    window = _Window.of(metered, known_totals, weather, site, year)
    volume, down, up, basis = window.metered()
    estimates = window.estimates(window.year_hours)
    rate = np.where(window.is_measured, window.rate, estimates.volume)
    left_over = 1.0 - window.fraction
    filled = ~window.is_measured
    volume = np.where(filled, volume + left_over * rate, volume)
    down = np.where(filled, np.hypot(down, left_over * (estimates.volume - estimates.lower)), down)
    up = np.where(filled, np.hypot(up, left_over * (estimates.upper - estimates.volume)), up)
    basis = np.where(filled, estimates.basis, basis)
    pinned = np.zeros_like(left_over)
    for plot, first, covered, total in window.totals_of_year():
        span = (plot, slice(first, first + covered.size))
        covered = np.minimum(covered, left_over[span])
        if not covered.any():
            continue
        # A plot that was never measured has no shape: its total is spread evenly, and may be anything up to twice as much in an hour.
        unknown = np.isnan(rate[span])
        modelled = covered * np.where(unknown.any(), 1.0, rate[span])
        spread = np.where(filled[span] & ~unknown, estimates.upper[span] - estimates.lower[span], 0.0)
        kept = keep_total(modelled, covered * spread, total)
        volume[span] = np.where(unknown, np.nan_to_num(volume[span], nan=0.0), volume[span] - modelled) + kept
        scale = np.clip(np.abs(kept) / np.maximum(np.abs(modelled), 1e-9), 0.2, 5.0)
        for half_width in (down, up):
            scaled = half_width[span] * np.where(filled[span] & (covered > 0), scale, 1.0)
            half_width[span] = np.where(np.isnan(scaled), np.abs(kept), scaled)
        pinned[span] += covered
    basis = np.where(filled & (pinned > 0) & (pinned >= 0.5 * left_over), "total_known", basis)
    return window.rows(volume, down, up, basis)


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
    treatment: NDArray[np.int64]
    totals: Floats
    year_hours: Flags
    year_of_hour: NDArray[np.int64]

    @classmethod
    def of(cls, hours: pd.DataFrame, totals: pd.DataFrame, weather: pd.DataFrame, site: Site, year: int) -> _Window:
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
        wanted = ~self.is_measured & hours
        part = estimate_gaps(
            self.rate[:, stretch],
            wanted[:, stretch],
            np.asarray(self.first_us / HOUR_US + np.arange(self.year_of_hour.size)[stretch], dtype=np.float64) / 24.0,
            self.rain_mm[stretch],
            self.air_temp_c[stretch],
            self.treatment[:, stretch],
            self.site.policies.bridge_longest_hours,
        )
        if years is None:
            return part
        outside = ((0, 0), (stretch.start, learn.size - stretch.stop))
        return GapEstimates(
            np.pad(part.volume, outside, constant_values=np.nan),
            np.pad(part.lower, outside, constant_values=np.nan),
            np.pad(part.upper, outside, constant_values=np.nan),
            np.pad(part.basis, outside, constant_values=""),
        )

    def totals_of_year(self) -> list[tuple[int, int, Floats, float]]:
        """Known totals within the year: plot number, first hour, share of each hour that the total covers, litres.

        A total that reaches into another water year is divided.
        """
        inside = np.flatnonzero(self.year_hours)
        if inside.size == 0:
            return []
        year_first, year_last = float(inside[0]), float(inside[-1] + 1)
        found = []
        for plot, start, end, litres in self.totals:
            since, until = max(start, year_first), min(end, year_last)
            if since >= until:
                continue
            if (since, until) != (start, end):
                litres = self._part_of_total(int(plot), start, end, since, until, litres)
            first, covered = _coverage(since, until)
            found.append((int(plot), first, covered, float(litres)))
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
        span = (plot, slice(first, first + covered.size))
        rate = np.where(self.is_measured[span], self.rate[span], estimates.volume[span])
        if np.isnan(rate).any():
            return by_time
        covered = np.minimum(covered, 1.0 - self.fraction[span])
        spread = np.nan_to_num(estimates.upper[span] - estimates.lower[span])
        kept = keep_total(covered * rate, covered * spread, litres)
        return float(kept[self.year_hours[span[1]]].sum())

    def rows(self, volume: Floats, down: Floats, up: Floats, basis: NDArray[np.str_]) -> pd.DataFrame:
        """The year's hours as rows of `hourly_flow`."""
        hours = np.flatnonzero(self.year_hours)
        starts = pd.to_datetime(self.first_us + hours * HOUR_US, unit="us", utc=True).as_unit("us")
        unfilled = (basis == UNFILLED)[:, hours].ravel()
        net = np.where(unfilled, np.nan, volume[:, hours].ravel())
        frame = pd.DataFrame(
            {
                "plot": np.repeat(np.array(self.plots, dtype=object), hours.size),
                "hour_start": np.tile(starts, len(self.plots)),
                "net_l": net,
                "net_l_p05": net - down[:, hours].ravel(),
                "net_l_p95": net + up[:, hours].ravel(),
                "basis": basis[:, hours].ravel().astype(object),
                "measured_fraction": self.fraction[:, hours].ravel(),
                "below_range_fraction": self.below_range[:, hours].ravel(),
            }
        )
        return frame.astype({"plot": "str", "basis": "str"})[list(table("hourly_flow").names)]


def _coverage(since: float, until: float) -> tuple[int, Floats]:
    """The first hour that a stretch touches, and the share of each hour that it covers."""
    first = int(np.floor(since))
    edges = np.clip(np.arange(first, int(np.ceil(until)) + 1), since, until)
    return first, np.diff(edges)


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
