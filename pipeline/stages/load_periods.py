"""Which hours form a day, a month, a water year, an event, a quarter, a period of site.yaml, a spell of treatment.

Belongs here: the site's calendar, and the runs of hours that every one of these periods holds whole or not at all.
Does not: sums (science/period_sums.py), what is summed (stages/loads.py).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.science.period_sums import Periods, run_starts
from pipeline.site import Site

Indices = NDArray[np.int64]

BETWEEN_EVENTS = "between"
DAY_US = 86_400_000_000
EPOCH = date(1970, 1, 1)
QUARTERS = ("Dec-Feb", "Mar-May", "Jun-Aug", "Sep-Nov")


@dataclass(frozen=True)
class Named:
    """Periods, and the columns that tell them apart, one row each."""

    periods: Periods
    columns: pd.DataFrame


@dataclass(frozen=True)
class Calendar:
    """The runs of one plot's hours in one water year, in order of time.

    Attributes:
        starts: where runs begin among the hours, shape (runs,).
        day: days since 1970 in the site's standard time, shape (runs,).
        event: name of the event, or `between`, shape (runs,).
        spell: row of the plot's treatment in `spells`, -1 where none is stated, shape (runs,).
        spells: `treatment`, and its `start` and `end` within the hours, in order of time.
    """

    starts: Indices
    day: Indices
    event: NDArray[np.object_]
    spell: Indices
    spells: pd.DataFrame

    @classmethod
    def of(cls, plot: str, hour_start: pd.Series, events: pd.DataFrame, site: Site) -> Calendar:
        """Runs of a plot's hours.

        Args:
            plot: its name.
            hour_start: successive hours of one water year, UTC, at least one.
            events: rows of `events` of the plot; none of them overlap.
            site: standard time, treatments.
        """
        hour = _microseconds(hour_start)
        day = (hour + site.utc_offset // timedelta(microseconds=1)) // DAY_US
        in_order = events.sort_values("start", kind="stable")
        event = _within(hour, _microseconds(in_order["start"]), _microseconds(in_order["end"]))
        spells = _spells(plot, hour_start.iloc[0], hour_start.iloc[-1] + pd.Timedelta(hours=1), site)
        spell = _within(hour, _microseconds(spells["start"]), _microseconds(spells["end"]))
        starts = run_starts(day, event, spell)
        names = np.append(in_order["event"].to_numpy(dtype=object), BETWEEN_EVENTS)
        return cls(starts, day[starts], names[event[starts]], spell[starts], spells)

    def days(self) -> Named:
        """By `date`."""
        periods, first = Periods.of_labels(self.day)
        return Named(periods, pd.DataFrame({"date": _dates(self.day[first])}))

    def months(self) -> Named:
        """By `month`, as YYYY-MM."""
        label = np.array([f"{day:%Y-%m}" for day in _dates(self.day)], dtype=object)
        periods, first = Periods.of_labels(label)
        return Named(periods, pd.DataFrame({"month": label[first]}))

    def year(self) -> Named:
        """The water year as a whole."""
        return Named(Periods(np.arange(self.starts.size), np.array([0])), pd.DataFrame(index=[0]))

    def events(self) -> Named:
        """By `event`; what lies between events is `between`."""
        periods, first = Periods.of_labels(self.event)
        return Named(periods, pd.DataFrame({"event": self.event[first]}))

    def treatments(self) -> Named:
        """By `treatment`, `start` and `end`."""
        treated = np.flatnonzero(self.spell >= 0)
        periods, first = Periods.of_labels(self.spell[treated])
        columns = self.spells.iloc[self.spell[treated][first]].reset_index(drop=True)
        return Named(Periods(treated[periods.run], periods.begin), columns)

    def own_periods(self, site: Site) -> Named:
        """By `period`: those of site.yaml that the hours touch."""
        names, runs = [], []
        for period in site.periods:
            until = np.inf if period.end is None else (period.end - EPOCH).days
            inside = np.flatnonzero((self.day >= (period.start - EPOCH).days) & (self.day < until))
            if inside.size:
                names.append(period.name)
                runs.append(inside)
        begin = np.cumsum([0, *(inside.size for inside in runs)])[:-1]
        whole = np.concatenate(runs) if runs else np.empty(0, dtype=np.int64)
        return Named(Periods(whole, begin.astype(np.int64)), pd.DataFrame({"period": pd.Series(names, dtype="object")}))


def _spells(plot: str, first: pd.Timestamp, after: pd.Timestamp, site: Site) -> pd.DataFrame:
    """A plot's treatments, cut to the hours from `first` to before `after`."""
    rows = sorted((row for row in site.treatments if row.plot == plot), key=lambda row: row.start)
    spells = pd.DataFrame(
        {
            "treatment": pd.Series([row.treatment for row in rows], dtype="object"),
            "start": pd.Series([max(pd.Timestamp(row.start), first) for row in rows], dtype="datetime64[us, UTC]"),
            "end": pd.Series([min(pd.Timestamp(row.end or after), after) for row in rows], dtype="datetime64[us, UTC]"),
        }
    )
    return spells[spells["start"] < spells["end"]].reset_index(drop=True)


def _microseconds(times: pd.Series) -> Indices:
    return times.dt.tz_convert(None).to_numpy("datetime64[us]").astype(np.int64)


def _within(hour: Indices, begins: Indices, ends: Indices) -> Indices:
    """Number of the stretch that holds each hour, -1 where none does; stretches stand in order and do not overlap."""
    latest = np.searchsorted(begins, hour, side="right") - 1
    return np.where((latest >= 0) & (hour < np.append(ends, hour[-1])[latest]), latest, -1).astype(np.int64)


def _dates(days: Indices) -> list[date]:
    return days.astype("datetime64[D]").tolist()


def quarter_of_month(month: str) -> tuple[str, date]:
    """The quarter of the year from December that holds a month: its name, and its first day.

    Args:
        month: as YYYY-MM.
    """
    year, number = int(month[:4]), int(month[5:])
    quarter = number % 12 // 3
    return QUARTERS[quarter], date(year, 3 * quarter, 1) if quarter else date(year - (number < 3), 12, 1)


def quarter_after(first_day: date) -> date:
    """First day of the quarter after one that begins on a day."""
    return date(first_day.year + (first_day.month == 12), first_day.month % 12 + 3, 1)
