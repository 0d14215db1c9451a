"""What is to be invented: the plan, its calendar and its streams of chance.

Belongs here: sizes, dates, seeds; nothing that happens in the field.
Does not: any physics (weather.py, water.py, nitrate.py) or instrument (meters.py, failures.py).
"""

import zlib
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

HOUR = np.timedelta64(1, "h")
UTC_OFFSET_HOURS = -6
SAMPLING_PLANS = ("weekly", "hourly")
WEATHERS = ("invented", "recorded")
SOILS = ("one_store", "spread_capacity")


@dataclass(frozen=True)
class Plan:
    """Size, seed and honesty of one invented field; the defaults are the committed demo.

    Attributes:
        seed: everything random follows from it; the same plan gives the same bytes.
        years: water years of record, each from 1 October.
        first_year: calendar year in which the record begins.
        plots: number of drained plots, at least 1.
        interval_minutes: metering interval; divides 60.
        outages: False gives a record without any failure: no dead meter, no lost line, no damaged file.
        pulses: False gives meters without error that count hundredths of a litre: as good as exact.
        sampling: "weekly" grabs with event composites and a fallible laboratory, or "hourly" exact grabs.
        site: name of the site, and of its folders.
        spin_up_days: simulated before the record so that soil and ditch have forgotten where they began.
        weather: "invented", or "recorded": daily rain and temperature of a real place (recorded_weather.py), by chance spread over
            the hours; these years are few, so that first_year is the year in which they begin.
        colder_c: by how much the air is colder, degrees Celsius: 8 makes winters of lasting snow.
        soil: "one_store" (water.py) or "spread_capacity" (other_soil.py): two physics of the same field.
    """

    seed: int = 140
    years: int = 3
    first_year: int = 2019
    plots: int = 5
    interval_minutes: int = 10
    outages: bool = True
    pulses: bool = True
    sampling: str = "weekly"
    site: str = "sedge-hollow"
    spin_up_days: int = 150
    weather: str = "invented"
    colder_c: float = 0.0
    soil: str = "one_store"

    def __post_init__(self) -> None:
        if self.years < 1 or self.plots < 1 or self.spin_up_days < 0:
            raise ValueError("a plan needs at least one year and one plot, and no negative spin-up")
        if self.interval_minutes < 1 or 60 % self.interval_minutes:
            raise ValueError(f"interval_minutes must divide 60, not {self.interval_minutes}")
        if self.sampling not in SAMPLING_PLANS:
            raise ValueError(f"sampling must be one of {SAMPLING_PLANS}, not {self.sampling!r}")
        if self.weather not in WEATHERS:
            raise ValueError(f"weather must be one of {WEATHERS}, not {self.weather!r}")
        if self.soil not in SOILS:
            raise ValueError(f"soil must be one of {SOILS}, not {self.soil!r}")

    @property
    def first_day(self) -> date:
        return date(self.first_year, 10, 1)

    @property
    def last_day(self) -> date:
        return date(self.first_year + self.years, 9, 30)

    @property
    def hours(self) -> int:
        return ((self.last_day - self.first_day).days + 1) * 24

    @property
    def intervals_per_hour(self) -> int:
        return 60 // self.interval_minutes

    @property
    def intervals(self) -> int:
        return self.hours * self.intervals_per_hour

    @property
    def spin_up_hours(self) -> int:
        return self.spin_up_days * 24

    @property
    def start_local(self) -> np.datetime64:
        """Midnight of the first day in the site's standard time, without offset."""
        return np.datetime64(self.first_day, "s")

    @cached_property
    def hours_local(self) -> NDArray[np.datetime64]:
        """Start of each hour of the record in the site's standard time, shape (hours,)."""
        return self.start_local + np.arange(self.hours) * HOUR

    @cached_property
    def hours_local_spun_up(self) -> NDArray[np.datetime64]:
        """Start of each simulated hour, spin-up included, shape (spin_up_hours + hours,)."""
        return self.start_local + np.arange(-self.spin_up_hours, self.hours) * HOUR

    def day_in_record(self, share: float) -> date:
        """The day that lies a share of the record after its first day."""
        return self.first_day + timedelta(days=round(share * self.hours / 24))

    def interval_of(self, day: date) -> int:
        """Index of the first metering interval of a day."""
        return (day - self.first_day).days * 24 * self.intervals_per_hour

    def stream(self, name: str) -> np.random.Generator:
        """A stream of chance of its own for one concern, so that a change in one leaves the others alone."""
        return np.random.Generator(np.random.PCG64([self.seed, zlib.crc32(name.encode())]))


def to_utc(local: NDArray[np.datetime64]) -> NDArray[np.datetime64]:
    """From the site's standard time to UTC."""
    return local - UTC_OFFSET_HOURS * HOUR


def day_of_year(local: NDArray[np.datetime64]) -> NDArray[np.float64]:
    """Days since 1 January, with fraction."""
    year_start = local.astype("datetime64[Y]").astype("datetime64[s]")
    return (local.astype("datetime64[s]") - year_start) / np.timedelta64(86400, "s")
