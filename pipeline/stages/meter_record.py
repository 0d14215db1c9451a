"""A record of meters as arrays, and what is said of it.

Belongs here: the window's hours and blocks, what a finding consists of, words that findings share.
Does not: looking for lies (stages/silences.py, stages/departures.py, stages/count_lies.py), tables (stages/meter_findings.py).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.science.signed_root import signed_root
from pipeline.site import Site

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Indices = NDArray[np.int64]

HOUR_US = 3_600_000_000
BLOCK_HOURS = 12
BLOCK_DAYS = BLOCK_HOURS / 24
M2_PER_HA = 10_000.0
THAW_DAYS = 3
"""Days after a day of frost in which zeros are no evidence yet."""


@dataclass(frozen=True)
class Finding:
    """One finding: a row of `meter_findings`, times in microseconds since 1970."""

    plot: str
    meter: str
    direction: str | None
    kind: str
    start: int
    end: int
    evidence: float
    told: int
    factor: float | None
    others: str | None
    finding: str
    check: str


@dataclass(frozen=True)
class Record:
    """What the meters said of the window years, hour by hour: plots in order of name by hours, whole days.

    Attributes:
        plots: names; area_ha: shape (plots,).
        first_us: start of the first hour, microseconds since 1970.
        net_l, gross_l: of the metered part of each hour, 0 where nothing was metered, shape (plots, hours).
        fraction: share of each hour that was metered, shape (plots, hours).
        rain_mm, air_temp_c: shape (hours,), not-a-number where missing.
        treatment: number of the treatment in each hour, 0 for none, shape (plots, hours).
    """

    plots: list[str]
    area_ha: Floats
    first_us: int
    net_l: Floats
    gross_l: Floats
    fraction: Floats
    rain_mm: Floats
    air_temp_c: Floats
    treatment: Indices

    def time(self, hour: int) -> int:
        """Start of an hour, microseconds since 1970."""
        return self.first_us + hour * HOUR_US

    @property
    def day(self) -> Floats:
        """Start of each hour in days since 1970, shape (hours,)."""
        return np.asarray(self.first_us / HOUR_US + np.arange(self.fraction.shape[1]), dtype=np.float64) / 24.0

    @property
    def context(self) -> Indices:
        """Number of the treatment in each block, shape (plots, blocks)."""
        return self.treatment[:, ::BLOCK_HOURS]

    def blocks_of(self, start: int, end: int) -> slice:
        """Blocks that a stretch of time touches; times in microseconds since 1970."""
        block_us = BLOCK_HOURS * HOUR_US
        return slice(max((start - self.first_us) // block_us, 0), max(-((self.first_us - end) // block_us), 0))

    def root(self) -> Floats:
        """Signed root of the flow of each block, mm per day; not-a-number where less than half of it was metered, shape (plots, blocks)."""
        metered = self._by_block(self.fraction)
        rate = np.divide(
            self._by_block(self.net_l), metered, out=np.full(metered.shape, np.nan), where=metered >= BLOCK_HOURS / 2
        )
        return signed_root(rate * 24.0 / (self.area_ha[:, np.newaxis] * M2_PER_HA))

    def hour_root(self, plot: int, hour: int) -> float:
        """Root of the forward flow of one hour, mm per day, 0 where water ran back; not-a-number where it was not metered."""
        if not 0 <= hour < self.fraction.shape[1] or self.fraction[plot, hour] < 0.5:
            return float("nan")
        return float(
            np.sqrt(
                max(self.net_l[plot, hour], 0.0) / self.fraction[plot, hour] * 24.0 / (self.area_ha[plot] * M2_PER_HA)
            )
        )

    def frozen(self) -> Flags:
        """Blocks of days whose mean temperature is below zero, and of the days after them, shape (blocks,)."""
        day = self.air_temp_c.reshape(-1, 24)
        known = np.isfinite(day)
        mean = np.where(known, day, 0.0).sum(axis=1) / np.maximum(known.sum(axis=1), 1)
        frost = known.any(axis=1) & (mean < 0)
        lasting = frost.copy()
        for days in range(1, THAW_DAYS + 1):
            lasting[days:] |= frost[:-days]
        return np.repeat(lasting, 24 // BLOCK_HOURS)

    def _by_block(self, hourly: Floats) -> Floats:
        return hourly.reshape(len(hourly), -1, BLOCK_HOURS).sum(axis=2)


def record_of(metered: pd.DataFrame, weather: pd.DataFrame, site: Site, year: int) -> Record:
    """The hours of the water years within `gap_window_years` of one, as arrays."""
    reach = site.policies.gap_window_years
    starts, ends = zip(*(period_of(site, each) for each in site.water_years() if abs(each - year) <= reach), strict=True)
    first, hours = microseconds(starts[0]), (microseconds(ends[-1]) - microseconds(starts[0])) // HOUR_US
    plots = sorted(plot.plot for plot in site.plots)
    at = (_epoch_us(metered["hour_start"]) - first) // HOUR_US
    plot = pd.Index(plots).get_indexer(pd.Index(metered["plot"]))
    fraction = metered["measured_fraction"].to_numpy(dtype=float)
    rows = np.flatnonzero((at >= 0) & (at < hours) & (plot >= 0) & (fraction > 0))

    def spread_out(values: Floats) -> Floats:
        whole = np.zeros((len(plots), hours))
        whole[plot[rows], at[rows]] = values[rows]
        return whole

    forward, reverse = (spread_out(metered[name].to_numpy(dtype=float)) for name in ("forward_l", "reverse_l"))
    sky = np.full((2, hours), np.nan)
    weather_at = (_epoch_us(weather["hour_start"]) - first) // HOUR_US
    inside = (weather_at >= 0) & (weather_at < hours)
    for row, name in enumerate(("rain_mm", "air_temp_c")):
        sky[row, weather_at[inside]] = weather[name].to_numpy(dtype=float)[inside]
    area = {row.plot: row.area_ha for row in site.plots}
    return Record(
        plots=plots,
        area_ha=np.array([area[name] for name in plots]),
        first_us=first,
        net_l=forward - reverse,
        gross_l=forward + reverse,
        fraction=spread_out(fraction),
        rain_mm=sky[0],
        air_temp_c=sky[1],
        treatment=_treatments(site, plots, first + HOUR_US * np.arange(hours)),
    )


def period_of(site: Site, year: int) -> tuple[datetime, datetime]:
    """The part of a water year that lies within the record."""
    start, end = site.water_year_period(year)
    first, last = site.record_period()
    return max(start, first), min(end, last)


def microseconds(moment: datetime) -> int:
    """Microseconds since 1970."""
    return (moment - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)


def _epoch_us(times: pd.Series) -> Indices:
    return times.dt.tz_convert(None).to_numpy("datetime64[us]").astype(np.int64)


def _treatments(site: Site, plots: list[str], hour_us: Indices) -> Indices:
    numbers = np.zeros((len(plots), hour_us.size), dtype=np.int64)
    names = sorted({row.treatment for row in site.treatments})
    for row in site.treatments:
        during = hour_us >= microseconds(row.start)
        if row.end is not None:
            during &= hour_us < microseconds(row.end)
        numbers[plots.index(row.plot), during] = 1 + names.index(row.treatment)
    return numbers


def length(hours: int) -> str:
    """A length of time in words."""
    return f"{hours} hours" if hours < 48 else f"{hours / 24:.1f} days"


def meter_of(site: Site, plot: str, moment_us: int) -> str:
    """The meter of a plot at a time, or the nearest in time."""
    meters = [meter for meter in site.meters if meter.plot == plot]
    there = [
        meter
        for meter in meters
        if microseconds(meter.start) <= moment_us and (meter.end is None or moment_us < microseconds(meter.end))
    ]
    return (there or sorted(meters, key=lambda meter: abs(microseconds(meter.start) - moment_us)))[0].meter
