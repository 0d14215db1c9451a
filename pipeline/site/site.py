"""The experiment: its structure and its registers, and what follows from them alone.

Belongs here: water years, the record's period, the rows that touch a period.
Does not: reading or validating the folder (loading.py).
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Any

from pipeline.site.authorship import Citation, Person
from pipeline.site.registers import (
    REGISTERS,
    AccuracyClass,
    AccuracyPoint,
    Calibration,
    ClockShift,
    Dated,
    Gauge,
    Meter,
    Outage,
    Plot,
    Treatment,
    Wiring,
)
from pipeline.site.structure import Logger, LoggerLayout, OwnPeriod, Policies, WeatherRecord
from pipeline.site.values import DAY, Strict


class Site(Strict):
    """One experiment.

    `utc_offset` is that of the site's standard time; `water_year_starts` is month and day; `first_day` and `last_day` are
    both within the record, a `last_day` of None means that it goes on. Rows stand in the order of their files.
    """

    site: str
    title: str
    folder: Path
    utc_offset: timedelta
    water_year_starts: tuple[int, int]
    first_day: date
    last_day: date | None
    analytes: tuple[str, ...]
    logger_layouts: dict[str, LoggerLayout]
    loggers: dict[str, Logger]
    weather: WeatherRecord | None
    policies: Policies
    periods: tuple[OwnPeriod, ...]
    licence: str | None
    creators: tuple[Person, ...]
    contact: Person | None
    citation: Citation
    plots: tuple[Plot, ...]
    treatments: tuple[Treatment, ...]
    meters: tuple[Meter, ...]
    accuracy: tuple[AccuracyPoint, ...]
    accuracy_classes: tuple[AccuracyClass, ...]
    wiring: tuple[Wiring, ...]
    gauges: tuple[Gauge, ...]
    calibrations: tuple[Calibration, ...]
    outages: tuple[Outage, ...]
    clocks: tuple[ClockShift, ...]

    def water_years(self, today: date | None = None) -> list[int]:
        """The water years that the record touches; each is named for the calendar year in which it ends.

        Args:
            today: the day up to which a record without `last_day` goes; by default today in the site's standard time.
        """
        return list(range(self._water_year(self.first_day), self._water_year(self._last_day(today)) + 1))

    def water_year_period(self, year: int) -> tuple[datetime, datetime]:
        """First instant of a water year, and first instant after it; midnights of the site's standard time, in UTC."""
        month, day = self.water_year_starts
        starts = year if (month, day) == (1, 1) else year - 1
        return self.midnight(date(starts, month, day)), self.midnight(date(starts + 1, month, day))

    def record_period(self, today: date | None = None) -> tuple[datetime, datetime]:
        """First instant of the record, and first instant after its last day, in UTC.

        Args:
            today: the day up to which a record without `last_day` goes; by default today in the site's standard time.
        """
        return self.midnight(self.first_day), self.midnight(self._last_day(today)) + DAY

    def years_touched(self, start: date, end: date | None) -> list[int]:
        """The water years of the record that a stretch of days touches, as far as it lies within the record.

        Args:
            start: first day, in the site's standard time.
            end: first day after it; none: it goes on.
        """
        record_first, record_last = self.record_period()
        since = max(self.midnight(start), record_first)
        until = record_last if end is None else min(self.midnight(end), record_last)
        periods = {year: self.water_year_period(year) for year in self.water_years()}
        return [year for year, (first, after) in periods.items() if max(first, since) < min(after, until)]

    def fingerprint_rows(self, register: str, start: datetime, end: datetime) -> list[dict[str, Any]]:
        """What a register says about [start, end), as plain values under the names of the file's columns.

        Line numbers are left out, so that a row which only moves changes no fingerprint. Rows without dates all count.

        Args:
            register: the register's name without .csv.
            start: first instant of the period.
            end: first instant after it.

        Raises:
            KeyError: there is no such register.
        """
        left_out = REGISTERS[register].not_columns
        return [
            row.model_dump(mode="json", by_alias=True, exclude=set(left_out))
            for row in getattr(self, register)
            if not isinstance(row, Dated) or row.touches(start, end)
        ]

    def midnight(self, day: date) -> datetime:
        """First instant of a day of the site's standard time, in UTC."""
        return datetime.combine(day, time(), tzinfo=UTC) - self.utc_offset

    def _last_day(self, today: date | None) -> date:
        if self.last_day is not None:
            return self.last_day
        return max(today or (datetime.now(UTC) + self.utc_offset).date(), self.first_day)

    def _water_year(self, day: date) -> int:
        in_later_part = (day.month, day.day) >= self.water_year_starts
        return day.year + (in_later_part and self.water_year_starts != (1, 1))
