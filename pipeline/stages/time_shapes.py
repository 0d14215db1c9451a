"""Texts that look like times, and the formats by which they may be read.

Belongs here: every format of site.yaml that fits a text, and which of them fits the times of a file.
Does not: which column holds times (stages/layout_proposal.py), reading times by a declared format (stages/line_format.py).
"""

from __future__ import annotations

import calendar
import contextlib
import re
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from itertools import pairwise

from pipeline.site.structure import DIRECTIVE, ISO_8601
from pipeline.site.values import DAY, YEARS

MONTHS = {name.lower(): number for number, name in enumerate(calendar.month_name) if name} | {
    name.lower(): number for number, name in enumerate(calendar.month_abbr) if name
}
YEAR_FIRST = re.compile(r"(?P<Y>\d{4})(?P<cut>[-/. ])(?P<m>\d{1,2})(?P=cut)(?P<d>\d{1,2})(?!\d)", re.ASCII)
YEAR_LAST = re.compile(r"(\d{1,2})(?P<cut>[-/. ])(\d{1,2})(?P=cut)(\d{4}|\d{2})(?!\d)", re.ASCII)
RUN_TOGETHER = re.compile(r"(?:\d{8}|\d{6})(?=\D|\d{4}$|\d{6}$|$)", re.ASCII)
MONTH_NAMED = re.compile(r"(?P<d>\d{1,2})(?P<cut>[-/. ])(?P<b>[A-Za-z]{3,9})(?P=cut)(?P<Y>\d{4}|\d{2})(?!\d)", re.ASCII)
MONTH_FIRST = re.compile(r"(?P<b>[A-Za-z]{3,9})(?P<cut>[ -])(?P<d>\d{1,2})(?P<comma>,? |-)(?P<Y>\d{4})(?!\d)", re.ASCII)
YEAR_AND_NAME = re.compile(r"(?P<Y>\d{4})(?P<cut>[-/. ])(?P<b>[A-Za-z]{3,9})(?P=cut)(?P<d>\d{1,2})(?!\d)", re.ASCII)
DAY_OF_YEAR = re.compile(r"(?P<Y>\d{4})(?P<cut>[-/. ]?)(?P<j>\d{3})(?!\d)", re.ASCII)

BETWEEN = re.compile(r" {1,2}|[T_:/;-]|, ?|")
CLOCK = re.compile(
    r"(\d{1,2})(?P<cut>[:.h])(\d{2})(?:(?P<cut2>[:.])(\d{2})(?:(?P<point>[.,])(\d{1,6}))?)?(?:(?P<blank> ?)(?P<half>[AaPp][Mm]))?",
    re.ASCII,
)
CLOCK_RUN_TOGETHER = re.compile(r"(\d{2})(\d{2})(\d{2})?", re.ASCII)
ZONE = re.compile(r" ?(?:Z|UTC|GMT|[+-]\d{2}:?\d{2})$", re.ASCII)
ISO_TEXT = re.compile(r"\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}(:\d{2}(\.\d+)?)?", re.ASCII)


def _day(year: str, month: str | int, day: str) -> date | None:
    """A day that the calendar has; two-digit years by POSIX: 69 to 99 are 1969 to 1999."""
    whole = int(year) if len(year) == 4 else int(year) + (1900 if int(year) >= 69 else 2000)
    try:
        return date(whole, int(month), int(day)) if whole in YEARS else None
    except ValueError:
        return None


def _day_of_year(year: str, day: str) -> date | None:
    first = _day(year, 1, "1")
    found = None if first is None else first + DAY * (int(day) - 1)
    return found if first is not None and found is not None and found.year == first.year else None


def _year(text: str) -> str:
    return "%Y" if len(text) == 4 else "%y"


def _dates_at_begin(text: str) -> Iterator[tuple[int, str, date | None]]:
    """Every way to read the begin of a text as a date: its length, the format, the day."""
    if found := YEAR_FIRST.match(text):
        cut = found["cut"]
        yield found.end(), f"%Y{cut}%m{cut}%d", _day(found["Y"], found["m"], found["d"])
    if found := YEAR_LAST.match(text):
        first, cut, second, last = found[1], found["cut"], found[3], found[4]
        year = _year(last)
        yield found.end(), f"%d{cut}%m{cut}{year}", _day(last, second, first)
        yield found.end(), f"%m{cut}%d{cut}{year}", _day(last, first, second)
        if len(first) == len(last) == 2:
            yield found.end(), f"%y{cut}%m{cut}%d", _day(first, second, last)
    if found := RUN_TOGETHER.match(text):
        digits = found[0]
        size = len(digits) - 4
        year = "%Y" if size == 4 else "%y"
        yield found.end(), f"{year}%m%d", _day(digits[:size], digits[size:-2], digits[-2:])
        yield found.end(), f"%d%m{year}", _day(digits[4:], digits[2:4], digits[:2])
        yield found.end(), f"%m%d{year}", _day(digits[4:], digits[:2], digits[2:4])
    for pattern, form in (
        (MONTH_NAMED, "%d{cut}{month}{cut}{year}"),
        (MONTH_FIRST, "{month}{cut}%d{comma}{year}"),
        (YEAR_AND_NAME, "{year}{cut}{month}{cut}%d"),
    ):
        if (found := pattern.match(text)) and found["b"].lower() in MONTHS:
            day = _day(found["Y"], MONTHS[found["b"].lower()], found["d"])
            known = found.groupdict() | {"year": _year(found["Y"])}
            if len(found["b"]) == 3:
                yield found.end(), form.format(month="%b", **known), day
            if len(found["b"]) != 3 or found["b"].lower() == "may":
                yield found.end(), form.format(month="%B", **known), day
    if found := DAY_OF_YEAR.match(text):
        yield found.end(), f"%Y{found['cut']}%j", _day_of_year(found["Y"], found["j"])


def dates_in(text: str) -> dict[str, date]:
    """Every format by which the whole text is a date, and that date."""
    return {form: day for length, form, day in _dates_at_begin(text) if length == len(text) and day and length != 6}


def times_of_day_in(text: str) -> dict[str, timedelta]:
    """Every format by which the whole text is a time of day, and the time since midnight (24:00 is a whole day)."""
    found: dict[str, timedelta] = {}
    if shape := CLOCK.fullmatch(text):
        hour, cut, minute, second = shape[1], shape["cut"], shape[3], shape[5]
        form = f"%H{cut}%M" + (f"{shape['cut2']}%S" if second else "") + (f"{shape['point']}%f" if shape["point"] else "")
        fraction = float(f"0.{shape[7]}") if shape["point"] else 0.0
        if shape["half"]:
            form = form.replace("%H", "%I") + f"{shape['blank']}%p"
            if not 1 <= int(hour) <= 12:
                return found
            hour = str(int(hour) % 12 + 12 * (shape["half"].lower() == "pm"))
    elif shape := CLOCK_RUN_TOGETHER.fullmatch(text):
        hour, minute, second, fraction = shape[1], shape[2], shape[3], 0.0
        form = "%H%M" + ("%S" if second else "")
    else:
        return found
    since = timedelta(hours=int(hour), minutes=int(minute), seconds=int(second or 0) + fraction)
    if int(minute) < 60 and int(second or 0) < 60 and since <= DAY:
        found[form] = since
    return found


def times_in(text: str) -> dict[str, datetime]:
    """Every format of site.yaml by which the whole text is a date with a time of day, and that time."""
    found: dict[str, datetime] = {}
    for length, form, day in _dates_at_begin(text):
        between = BETWEEN.match(text, length)
        if day is None or between is None:
            continue
        rest = text[between.end() :]
        zone = ZONE.search(rest)
        together = not between[0]
        if together and not (rest.isdecimal() and form.replace("%", "").isalpha()):
            continue
        for clock in {rest, rest[: zone.start()] if zone else rest}:
            for clock_form, since in times_of_day_in(clock).items():
                whole_form = f"{form}{between[0]}{clock_form}{rest[len(clock) :]}"
                found[whole_form] = datetime.combine(day, time()) + since
    if ISO_TEXT.fullmatch(text):
        with contextlib.suppress(ValueError):
            found[ISO_8601] = datetime.fromisoformat(text[:26])
    return found


@dataclass(frozen=True)
class TimeFormat:
    """The format that fits the times of a file best.

    `read` is the time of each line that it reads, by line and in order. `why` says what decided between it and the same parts
    in another order, if anything had to; `rivals` are formats between which nothing decides.
    """

    form: str
    read: dict[int, datetime]
    why: str | None = None
    rivals: tuple[str, ...] = ()

    @property
    def utc_offset(self) -> str | None:
        """What the stamps say of their clock, such as -06:00; none if nothing."""
        zone = ZONE.search(self.form)
        if zone is None or self.form == ISO_8601:
            return None
        said = zone[0].strip()
        return "+00:00" if said in ("Z", "UTC", "GMT") else f"{said[:3]}:{said[-2:]}"


def best_format(times: Mapping[int, Mapping[str, datetime]]) -> TimeFormat | None:
    """The format that reads most lines; where the order of day, month and year is open, what the order of lines says.

    Args:
        times: what `times_in` says of each line's time, by number of line (from 0), in order.

    Returns:
        The format; none if no line has a time.
    """
    read: dict[str, dict[int, datetime]] = {}
    for line, known in times.items():
        for form, moment in known.items():
            read.setdefault(form, {})[line] = moment
    if not read:
        return None
    likely = max(read, key=lambda form: (len(read[form]), form != ISO_8601))
    family = [form for form in read if _parts(form) == _parts(likely)]
    oddities = {form: _oddities(read[form], len(times)) for form in family}
    best = min(family, key=lambda form: (oddities[form], -len(read[form])))
    rivals = tuple(
        form for form in family if form != best and oddities[form] == oddities[best] and read[form] != read[best]
    )
    why = None
    others = [form for form in family if form != best and form not in rivals and read[form] != read[best]]
    if others:
        nearest = min(others, key=lambda form: oddities[form])
        unread = next((line for line in read[best] if line not in read[nearest]), None)
        why = f"{_order(best)}: " + (
            "only so do the lines follow one another in even steps"
            if unread is None
            else f"line {unread + 1} cannot be read in another order"
        )
    return TimeFormat(best, read[best], why, rivals)


def _parts(form: str) -> tuple[list[str], list[str]]:
    """Directives of a format and what stands between them, each sorted: equal for formats that differ in order alone."""
    return sorted(DIRECTIVE.findall(form)), sorted(DIRECTIVE.split(form)[::2])


def _order(form: str) -> str:
    names = {"d": "day", "m": "month", "b": "month", "B": "month", "y": "year", "Y": "year"}
    return ", ".join(names[directive] for directive in DIRECTIVE.findall(form) if directive in names)


def _oddities(read: Mapping[int, datetime], lines: int) -> int:
    """Lines that cannot be read, and steps other than the usual one."""
    steps = Counter(after - before for before, after in pairwise(read.values()))
    usual = max((count for step, count in steps.items() if step > timedelta()), default=0)
    return lines - len(read) + sum(steps.values()) - usual
