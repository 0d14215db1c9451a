"""site.yaml: the structure of an experiment.

Belongs here: the shape of site.yaml, the layouts of delimited text, the policies with their defaults.
Does not: the registers (registers.py), finding keys in the file (marked_yaml.py), reading raw files (stages/).
"""

from __future__ import annotations

import codecs
import re
from datetime import date, timedelta
from pathlib import PurePosixPath
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo

from pydantic import AfterValidator, BeforeValidator, Field, ValidationInfo, field_validator

from pipeline.site.analytes import ANALYTES
from pipeline.site.authorship import Citation, Creators, Person
from pipeline.site.errors import listed, or_nearest
from pipeline.site.values import (
    HOUR,
    Day,
    Interval,
    Name,
    Number,
    Offset,
    Percentage,
    PositiveNumber,
    Strict,
    WholeNumber,
    refusal,
)

FILE = "site.yaml"
ISO_8601 = "ISO 8601"
"""Stands as a time format for stamps that are written by ISO 8601 (date, then T or a blank, then the time)."""

DIRECTIVES = {
    "Y": "year", "y": "year", "m": "month", "-m": "month", "b": "month", "B": "month", "d": "day", "-d": "day",
    "j": "day of year", "-j": "day of year", "H": "hour", "-H": "hour", "I": "hour of 12", "-I": "hour of 12",
    "p": "half of the day", "M": "minute", "-M": "minute", "S": "second", "-S": "second", "f": "fraction",
    "a": "weekday", "A": "weekday", "%": "%",
}  # fmt: skip
DIRECTIVE = re.compile(r"%(-?.)", re.DOTALL)
THOUSANDS = {
    ",": "a comma",
    ".": "a point",
    "'": "an apostrophe",
    " ": "a blank",
    "\u00a0": "a no-break blank",
    "\u202f": "a narrow no-break blank",
}
"""Marks that may stand between groups of three digits, and their names."""

Stamps = Literal["start", "end"]


def _site_name(text: str) -> str:
    if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9_-]{0,99}", text):
        raise refusal(
            "letters, digits, - and _, beginning with a letter or digit",
            "Write a short name such as reed-fen: it becomes part of the names of folders",
        )
    return text


SiteName = Annotated[str, AfterValidator(_site_name)]


def _month_and_day(value: Any) -> Any:
    if not isinstance(value, str):
        return value
    parts = re.fullmatch(r"([0-9]{2})-([0-9]{2})", value)
    try:
        if not parts:
            raise ValueError
        day = date(2001, int(parts[1]), int(parts[2]))  # no leap year: the day must exist in every year
    except ValueError:
        raise refusal("month and day (MM-DD) of a day that every year has", 'Write for example "10-01"') from None
    return day.month, day.day


def _one_character(text: str) -> str:
    if len(text) != 1 or text in "\r\n\0":
        raise refusal("one character", r'Put it in quotes; a tabulator is "\t"')
    return text


def _thousands_mark(text: str) -> str:
    if text not in THOUSANDS:
        raise refusal(
            f"one character: {', '.join(THOUSANDS.values())}",
            r'Put the character between the groups of three digits in quotes (a no-break blank is "\u00a0"), or leave thousands out',
        )
    return text


def _text_encoding(text: str) -> str:
    try:
        known = codecs.lookup(text)
        readable = getattr(known, "_is_text_encoding", True) and isinstance(b" ".decode(text, "replace"), str)
    except (LookupError, ValueError):
        readable = False
    if not readable:
        raise refusal(
            "the name of a text encoding, such as utf-8, latin-1, cp1252 or utf-16",
            "Write the encoding in which the logger's software saves its files",
        )
    return text


def _file_pattern(text: str) -> str:
    parts = PurePosixPath(text).parts
    unclear = any(part == ".." or ("**" in part and part != "**") for part in parts)
    if (
        not parts
        or unclear
        or text.startswith(("/", "~"))
        or "\\" in text
        or not text.isprintable()
        or text.endswith("**")
    ):
        raise refusal(
            "a pattern of file names below the site's raw folder, with / between folders",
            'Write for example "logger/east_*.csv"',
        )
    return text


def _stamp_columns(value: Any) -> Any:
    names = [value] if isinstance(value, str) else value
    if not isinstance(names, list) or not names or not all(isinstance(name, str) and name.strip() for name in names):
        raise refusal("the name of a column, or a list of names", "Write the name as the file's header has it")
    if len(set(names)) != len(names):
        raise refusal("a list of different names", "Name each column once")
    return value


def _time_format(text: str) -> str:
    if text == ISO_8601:
        return text
    advice = 'Write each part with its directive, such as "%Y-%m-%d %H:%M" for 2019-10-01 14:30'
    used = DIRECTIVE.findall(text)
    unknown = [f"%{directive}" for directive in used if directive not in DIRECTIVES]
    if unknown or text.count("%") != sum(1 + (directive == "%") for directive in used):
        known = " ".join(f"%{directive}" for directive in DIRECTIVES)
        raise refusal(f"the directives {known}", f"Replace {', '.join(unknown) or 'the open %'}. {advice}")
    parts = [DIRECTIVES[directive] for directive in used if directive != "%"]
    twice = sorted({part for part in parts if parts.count(part) > 1})
    if twice:
        raise refusal("a format that gives each part once", f"Give the {twice[0]} once. {advice}")
    has_date = "year" in parts and ("day of year" in parts or {"month", "day"} <= set(parts))
    has_hour = "hour" in parts or {"hour of 12", "half of the day"} <= set(parts)
    if not (has_date and has_hour):
        raise refusal("a format that gives year, month, day and the time of day (or the word ISO 8601)", advice)
    return text


def _time_zone(text: str) -> str:
    try:
        if text.casefold() in ("localtime", "factory"):
            raise ValueError("stands for no place")
        ZoneInfo(text)
    except (KeyError, ValueError, OSError):
        raise refusal(
            "a name from the IANA time zone database, such as America/Chicago",
            "Write the zone that the logger's clock followed; for a clock that never changes write utc_offset instead",
        ) from None
    return text


class SiteClock(Strict):
    """The site's standard time."""

    utc_offset: Offset


class TimestampRule(Strict):
    """How a line says when.

    `column` is one column, or several whose texts are joined by one blank; `format` reads that text; `stamps` says which end
    of its interval a stamp marks; the logger's clock kept either a fixed offset or a time zone.
    """

    column: Annotated[str | list[str], BeforeValidator(_stamp_columns)]
    format: Annotated[str, AfterValidator(_time_format)]
    stamps: Stamps
    utc_offset: Offset | None = None
    timezone: Annotated[Annotated[str, AfterValidator(_time_zone)] | None, Field(validate_default=True)] = None

    @field_validator("timezone")
    @classmethod
    def _offset_or_zone(cls, timezone: str | None, info: ValidationInfo) -> str | None:
        if "utc_offset" in info.data and (info.data["utc_offset"] is None) == (timezone is None):
            raise refusal(
                "exactly one of utc_offset and timezone",
                'Write utc_offset: "-06:00" for a clock that never changes, or timezone: America/Chicago for one that follows summer time',
            )
        return timezone


class LoggerLayout(Strict):
    """How one kind of delimited text is laid out.

    `lines_before_data` lines come before the first reading, `names_on_line` (from 1) of them names the columns; lines that
    begin with `comment` are comments; a cell that is one of the words `missing` has no value. `thousands` is the mark between
    groups of three digits, where the numbers have one.
    """

    delimiter: Annotated[str, AfterValidator(_one_character)]
    quote: Annotated[str, AfterValidator(_one_character)] | None = '"'
    encoding: Annotated[str, AfterValidator(_text_encoding)] = "utf-8"
    decimal: Annotated[Literal[".", ","], Field(validate_default=True)] = "."
    thousands: Annotated[str, AfterValidator(_thousands_mark)] | None = None
    lines_before_data: Annotated[WholeNumber, Field(ge=1, le=10_000)]
    names_on_line: Annotated[WholeNumber, Field(ge=1)]
    comment: Annotated[str, Field(min_length=1, max_length=20)] | None = None
    timestamp: TimestampRule
    interval: Interval
    missing: list[str] = Field(default_factory=lambda: [""])

    @field_validator("quote", "decimal", "thousands")
    @classmethod
    def _not_the_delimiter(cls, mark: str | None, info: ValidationInfo) -> str | None:
        if mark is not None and mark == info.data.get("delimiter"):
            raise refusal(
                f"another character than the delimiter {mark!r}",
                "Look at one line of the file and correct one of the two",
            )
        return mark

    @field_validator("thousands")
    @classmethod
    def _not_another_mark(cls, mark: str | None, info: ValidationInfo) -> str | None:
        for other, meaning in (("decimal", "the decimal mark"), ("quote", "the quote")):
            if mark is not None and mark == info.data.get(other):
                raise refusal(
                    f"another character than {meaning} {mark!r}",
                    f"Look at a large number in the file and correct thousands or {other}",
                )
        return mark

    @field_validator("names_on_line")
    @classmethod
    def _names_before_data(cls, line: int, info: ValidationInfo) -> int:
        before = info.data.get("lines_before_data")
        if before is not None and line > before:
            raise refusal(
                f"a line from 1 to {before} (lines_before_data)",
                "Count the lines before the first reading; the line with the names is one of them",
            )
        return line

    @field_validator("interval")
    @classmethod
    def _minutes_if_needed(cls, interval: timedelta, info: ValidationInfo) -> timedelta:
        rule = info.data.get("timestamp")
        if rule is not None and rule.format != ISO_8601 and interval % HOUR and not re.search("%-?M", rule.format):
            raise refusal(
                f"full hours with the time format {rule.format!r}, which gives no minutes",
                "Correct the interval or the format",
            )
        return interval


class Logger(Strict):
    """A logger: its layout, and the pattern of its files' paths below the site's raw folder."""

    layout: Name
    files: Annotated[str, AfterValidator(_file_pattern)]


class WeatherRecord(Strict):
    """The weather files: their interval, and which end of it a stamp marks."""

    interval: Interval
    stamps: Stamps


def _analyte(name: str) -> str:
    if name not in ANALYTES:
        raise refusal(
            f"one of the known analytes {listed(ANALYTES)}",
            or_nearest(name, ANALYTES, "Name what the laboratory measured"),
        )
    return name


AnalyteName = Annotated[Name, AfterValidator(_analyte)]
Preservation = Literal["none", "chilled", "acidified", "frozen"]
QualifierMeaning = Literal[
    "censored", "above_range", "estimated", "censored_estimate", "late", "blank", "diluted", "unusable"
]


class Policies(Strict):
    """Choices of method that a site may make; each has a default."""

    accuracy_tolerance_pct: PositiveNumber = Field(
        default=5.0,
        description="An interval's flow is below range where the meter's error curve leaves plus or minus this (%).",
    )
    bridge_longest_hours: Annotated[WholeNumber, Field(ge=0)] = Field(
        default=6, description="Longest hole that is bridged from its two edges (hours)."
    )
    neighbours_longest_days: Annotated[WholeNumber, Field(ge=0)] = Field(
        default=366,
        description="Longest gap whose hours are filled from other plots (days); those of a longer one stay unfilled.",
    )
    weather_longest_days: Annotated[WholeNumber, Field(ge=0)] = Field(
        default=120,
        description="Most hours of a gap that are filled from weather alone (days); where more would have to be, they stay unfilled.",
    )
    gap_window_years: Annotated[WholeNumber, Field(ge=0, le=100)] = Field(
        default=1, description="Water years on each side of the one filled that a gap model may learn from."
    )
    detected_outages: Literal["gap", "report"] = Field(
        default="gap",
        description="What a meter that is found silent or stuck does to the hours: gap (they are filled like any outage), or report "
        "(its counts stand; the finding is told).",
    )
    event_threshold_mm_per_day: PositiveNumber = Field(
        default=1.0, description="An event begins when the hourly flow rises through this (mm per day)."
    )
    event_recession_share: Annotated[Number, Field(ge=0, lt=1)] = Field(
        default=0.1,
        description="An event ends when flow has receded to this share of its peak, or under the threshold, whichever is higher.",
    )
    event_separation_hours: Annotated[WholeNumber, Field(ge=0)] = Field(
        default=12, description="Lulls shorter than this do not end an event (hours)."
    )
    interpolation_longest_days: Annotated[WholeNumber, Field(ge=1)] = Field(
        default=28,
        description="Hours between two samples further apart than this are called modelled, not interpolated (days).",
    )
    backward_water: Literal["as_left", "receiving_water"] = Field(
        default="as_left",
        description="What water that runs back carries: what left last, or the receiving water where samples of it tell.",
    )
    laboratory_uncertainty_pct: Percentage = Field(
        default=5.0,
        description="Expanded (k = 2) relative uncertainty of one laboratory result unless duplicates say otherwise (%).",
    )
    laboratory_qualifiers: dict[Name, QualifierMeaning] = Field(
        default={}, description="What marks of the site's own laboratory mean, beside those that are known."
    )
    holding_hours: dict[AnalyteName, dict[Preservation, PositiveNumber]] = Field(
        default={},
        description="Longest time between taking and analysing a bottle (hours), by analyte and preservation, in place of 40 CFR "
        "Part 136, Table II.",
    )
    lab_duplicate_limit_pct: PositiveNumber = Field(
        default=20.0,
        description="A batch warns where a laboratory duplicate differs by more than this (% of the pair's mean).",
    )
    field_duplicate_limit_pct: PositiveNumber = Field(
        default=30.0,
        description="A batch warns where a field duplicate differs by more than this (% of the pair's mean).",
    )
    spike_recovery_limit_pct: PositiveNumber = Field(
        default=25.0, description="A batch warns where the recovery of a spike differs from 100 % by more than this."
    )
    control_recovery_limit_pct: PositiveNumber = Field(
        default=20.0, description="A batch warns where a control sample differs from what it holds by more than this (%)."
    )
    composite_tolerance_pct: Percentage = Field(
        default=10.0,
        description="Aliquots of a composite fit its window where they differ from those asked for by at most this, and one (%).",
    )


class OwnPeriod(Strict):
    """A stretch of days for which loads are wanted, such as a season of drainage or the years before a change.

    `start` and `end` are `from` and `to` of the file; `to` is the first day that does not belong any more, empty: to the record's end.
    """

    name: Name
    start: Day = Field(alias="from")
    end: Day | None = Field(alias="to", default=None)

    @field_validator("end")
    @classmethod
    def _end_after_start(cls, end: date | None, info: ValidationInfo) -> date | None:
        start = info.data.get("start")
        if end is not None and start is not None and end <= start:
            raise refusal(
                f"a day after {start} (from): the first day that does not belong to the period any more",
                "Correct one of the two, or leave to out if the period goes on to the end of the record",
            )
        return end


def _own_periods(periods: list[OwnPeriod]) -> list[OwnPeriod]:
    names = [period.name for period in periods]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise refusal(
            "periods with different names",
            f"Rename one of those that are called {', '.join(twice)}: a name stands for one period",
        )
    return periods


def _analytes(names: list[str]) -> list[str]:
    if not names or len(set(names)) != len(names):
        raise refusal("a list of at least one analyte, each once", "Write for example [nitrate_n]")
    return names


class SiteStructure(Strict):
    """What site.yaml says."""

    site: SiteName
    title: Name
    clock: SiteClock
    water_year_starts: Annotated[tuple[int, int], BeforeValidator(_month_and_day)]
    first_day: Day
    last_day: Day | None = None
    analytes: Annotated[list[AnalyteName], AfterValidator(_analytes)]
    logger_layouts: dict[Name, LoggerLayout]
    loggers: dict[Name, Logger]
    weather: WeatherRecord | None = None
    policies: Policies = Policies()
    periods: Annotated[list[OwnPeriod], AfterValidator(_own_periods)] = Field(default_factory=list)
    licence: Name | None = None
    creators: Creators
    contact: Person | None = None
    citation: Citation = Citation()

    @field_validator("last_day")
    @classmethod
    def _not_before_first_day(cls, last_day: date | None, info: ValidationInfo) -> date | None:
        first_day = info.data.get("first_day")
        if last_day is not None and first_day is not None and last_day < first_day:
            raise refusal(f"{first_day} (first_day) or a later day", "Correct one of the two, or leave last_day out")
        return last_day

    @field_validator("periods")
    @classmethod
    def _periods_of_the_record(cls, periods: list[OwnPeriod], info: ValidationInfo) -> list[OwnPeriod]:
        first_day, last_day = info.data.get("first_day"), info.data.get("last_day")
        outside = [
            period.name
            for period in periods
            if (first_day is not None and period.end is not None and period.end <= first_day)
            or (last_day is not None and period.start > last_day)
        ]
        if outside:
            raise refusal(
                f"periods that share a day with the record, which goes from {first_day} to {last_day or 'today'}",
                f"Correct from and to of {', '.join(outside)}, or delete them",
            )
        return periods
