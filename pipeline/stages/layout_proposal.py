"""From the first lines of an unknown delimited text to a layout that may fit it.

Belongs here: telling delimiter, quote, marks within numbers, names, times and words for missing from lines alone; the block for
site.yaml that says so, with what a person has to decide marked in it.
Does not: reading a file by a declared layout (stages/intake.py), which layouts a site declares (site/), files and encodings.

The time is the best evidence: where lines are cut at the wrong character, no cell holds a whole time any more.
"""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from itertools import pairwise

from pipeline.site.values import DAY, HOUR, UNITS_OF_TIME
from pipeline.stages.number_shapes import NUMBER_WITH_UNIT, marks_in, missing_words, value_columns
from pipeline.stages.time_shapes import TimeFormat, best_format, dates_in, times_in, times_of_day_in

DELIMITERS = (";", "\t", ",", "|", " ")
QUOTES = ('"', "'")
COMMENT_MARKS = ("#", "//", "%", "!", "*", "--")
TO_DECIDE = "TO DECIDE"
ASSUMED_INTERVAL = timedelta(minutes=10)
"""Stands where the lines do not show an interval, for a person to correct."""
WIDEST_SAMPLE = 60
"""Lines in which columns of times are looked for; all lines are then read by what was found."""
UNITS = frozenset(
    {
        "v", "mv", "ma", "m", "cm", "mm", "m3", "l", "l/s", "l/min", "m3/h", "pulses", "pulse", "counts",
        "count", "degc", "deg c", "c", "°c", "%", "s", "min", "h", "avg", "tot", "total", "max", "utc", "yyyy-mm-dd", "hh:mm",
        "hh:mm:ss",
    }
)  # fmt: skip
TIME_WORDS = re.compile(
    r"time|date|stamp|when|clock|zeit|datum|uhr|hora|fecha|heure|jour|hour|day|year|tid|dato|tijd|utc", re.IGNORECASE
)
PARTS_OF_TIME = (
    (("year", "yyyy"), "%Y"), (("month", "mon"), "%m"), (("day", "dom"), "%d"),
    (("day of year", "doy", "yday", "julian day", "jday"), "%j"),
    (("hour", "hh"), "%H"), (("minute", "min"), "%M"), (("second", "sec"), "%S"), (("hhmm", "time"), "%H%M"),
)  # fmt: skip
"""Names of columns that hold one part of a time each, and the part."""


class NoProposalError(Exception):
    """No layout can be proposed; the message is a sentence that says why."""


@dataclass(frozen=True)
class LayoutProposal:
    """A layout that may fit.

    `names` are the column names; where the lines hold none (not `named`), names made up for them. `first_reading` is the line
    (from 1) of the first reading, `first_stamp` its time as written; `rival_formats` read the times as well as `time_format`.
    `decimal` and `interval` are none where the lines do not show them. `obstacles` are sentences about what keeps any layout from
    reading the file as it is. `remarks` are sentences by the layout's keys: why a
    key has its value, or, beginning with `TO_DECIDE`, what cannot be known from the lines.
    """

    delimiter: str
    quote: str | None
    decimal: str | None
    thousands: str | None
    comment: str | None
    lines_before_data: int
    names_on_line: int
    names: tuple[str, ...]
    time_columns: tuple[str, ...]
    time_format: str
    rival_formats: tuple[str, ...]
    utc_offset: str | None
    interval: timedelta | None
    missing: tuple[str, ...]
    lines: int
    reading_lines: int
    named: bool
    first_reading: int
    first_stamp: str
    obstacles: tuple[str, ...] = ()
    remarks: dict[str, str] = field(default_factory=dict)

    def block(self, name: str, utc_offset: str, encoding: str = "utf-8") -> str:
        """The layout as YAML, to be pasted under `logger_layouts` in site.yaml.

        Args:
            name: the layout's name.
            utc_offset: stands, such as "-06:00", where the lines do not say what the clock kept.
            encoding: in which the file is read.
        """
        column = [_yaml(one) for one in self.time_columns]
        known_offset = self.utc_offset or utc_offset
        keys = {
            "delimiter": _yaml(self.delimiter),
            "quote": None if self.quote == '"' else "null" if self.quote is None else _yaml(self.quote),
            "encoding": None if encoding == "utf-8" else encoding,
            "decimal": _yaml(self.decimal or ("," if self.thousands == "." else ".")),
            "thousands": None if self.thousands is None else _yaml(self.thousands),
            "lines_before_data": str(self.lines_before_data),
            "names_on_line": str(self.names_on_line),
            "comment": None if self.comment is None else _yaml(self.comment),
            "timestamp": "",
            "  column": column[0] if len(column) == 1 else f"[{', '.join(column)}]",
            "  format": _yaml(self.time_format),
            "  stamps": "end",
            "  utc_offset": _yaml(known_offset),
            "interval": length_of_time(self.interval or ASSUMED_INTERVAL),
            "missing": f"[{', '.join(map(_yaml, self.missing))}]",
        }
        found = f"from {self.lines:,} lines, {self.reading_lines:,} of them readings"
        lines = [f"  # Proposed {found}; {TO_DECIDE} marks what the lines do not tell."]
        if self.obstacles:
            lines.append("  # It cannot read the file as it is; `drainledger inspect` says why.")
        lines += [f"  {_yaml(name) if not re.fullmatch(r'[A-Za-z][A-Za-z0-9_-]*', name) else name}:"]
        for key, value in keys.items():
            indent = "    " + key[: len(key) - len(key.lstrip())]
            remark = self.remarks.get(key.strip())
            if value is None:
                continue
            if remark:
                lines.append(f"{indent}# {_one_line(remark)}")
            lines.append(f"{indent}{key.strip()}: {value}".rstrip())
        return "\n".join(lines) + "\n"


def propose_layout(lines: Sequence[str]) -> LayoutProposal:
    """Propose a layout from the first lines of a text.

    Args:
        lines: a few hundred lines in file order, from the first, without line ends.

    Returns:
        The layout under which most lines can be read.

    Raises:
        NoProposalError: no line holds a time beside other values; says what was found instead.
    """
    lines = [line.removeprefix("\ufeff") if number == 0 else line for number, line in enumerate(lines)]
    if not any(line.strip() for line in lines):
        raise NoProposalError("The text holds no line that is not blank")
    best: _Cut | None = None
    for delimiter in DELIMITERS:
        for quote in (*QUOTES, None):
            if quote not in (None, '"') and not _wraps_cells(lines, delimiter, quote):
                continue
            cut = _cut(lines, delimiter, quote)
            if cut is not None and (best is None or cut.better_than(best)):
                best = cut
    if best is None:
        raise NoProposalError(_nothing_found(lines))
    return _described(lines, best)


@dataclass(frozen=True)
class _Cut:
    """Lines cut at one character: the cells of each line (none where it cannot be cut), and the columns that say when."""

    delimiter: str
    quote: str | None
    rows: list[list[str] | None]
    times: TimeFormat
    columns: tuple[int, ...]
    others: tuple[int, ...]

    @property
    def readings(self) -> list[int]:
        """The numbers (from 0) of the lines that hold a reading."""
        return list(self.times.read)

    @property
    def width(self) -> int:
        return len(self.rows[self.readings[0]] or ())

    def better_than(self, other: _Cut) -> bool:
        """More lines with a time; then fewer cells that still wear quotes; then the earlier one."""
        return (len(self.readings), -self.quoted_cells) > (len(other.readings), -other.quoted_cells)

    @property
    def quoted_cells(self) -> int:
        return sum(
            len(cell) > 1 and cell[0] == cell[-1] and cell[0] in QUOTES
            for row in self.rows[:WIDEST_SAMPLE]
            for cell in row or ()
        )


def _cells(line: str, delimiter: str, quote: str | None) -> list[str] | None:
    """The cells of a line by RFC 4180, none if a quote is opened and not closed."""
    if quote is None or quote not in line:
        return line.split(delimiter)
    try:
        return next(csv.reader([line], delimiter=delimiter, quotechar=quote, strict=True), None)
    except csv.Error:
        return None


def _wraps_cells(lines: Iterable[str], delimiter: str, quote: str) -> bool:
    return any(line.startswith(quote) or f"{delimiter}{quote}" in line for line in lines)


def _cut(lines: Sequence[str], delimiter: str, quote: str | None) -> _Cut | None:
    rows = [_cells(line, delimiter, quote) if delimiter in line else None for line in lines]
    widths = Counter(len(row) for row in rows if row is not None)
    best: _Cut | None = None
    for width, _ in widths.most_common(3):
        alike = {number: row for number, row in enumerate(rows) if row is not None and len(row) == width}
        found = _time_columns(alike, rows)
        if found is None:
            continue
        columns, others, times = found
        if len(columns) < width and (best is None or len(times.read) > len(best.readings)):
            best = _Cut(delimiter, quote, rows, times, columns, others)
    return best


_Times = tuple[tuple[int, ...], tuple[int, ...], TimeFormat]


def _sample(rows: dict[int, list[str]]) -> list[list[str]]:
    """Rows spread over all, the last among them: a head is short."""
    every = max(len(rows) // WIDEST_SAMPLE, 1)
    return list(rows.values())[::-1][::every]


def _time_columns(alike: dict[int, list[str]], rows: list[list[str] | None]) -> _Times | None:
    """The columns that say when in rows of one width, further columns of whole times, and the times read from them."""
    sample = _sample(alike)
    width = len(sample[0])

    def share(column: int, read: object) -> float:
        return sum(bool(read(row[column].strip())) for row in sample) / len(sample)  # type: ignore[operator]

    whole = {column: share(column, times_in) for column in range(width)}
    if max(whole.values()) > 0:
        likely = [column for column in range(width) if whole[column] == max(whole.values())]
        read = {number: times_in(row[likely[0]].strip()) for number, row in alike.items()}
        others = tuple(column for column in likely[1:] if whole[column] >= 0.5)
        form = best_format(read)
        return None if form is None else ((likely[0],), others, form)
    dates = {column: share(column, dates_in) for column in range(width)}
    clocks = {column: share(column, times_of_day_in) for column in range(width)}
    date = max(range(width), key=lambda column: (dates[column], -column))
    if dates[date] > 0:
        clock = max(
            (column for column in range(width) if column != date),
            key=lambda column: (clocks[column] >= dates[date], column == date + 1, clocks[column], -column),
            default=None,
        )
        if clock is not None and clocks[clock] > 0:
            joined = {number: times_in(f"{row[date].strip()} {row[clock].strip()}") for number, row in alike.items()}
            form = best_format(joined)
            return None if form is None else ((date, clock), (), form)
    return _named_parts(alike, rows)


def _named_parts(alike: dict[int, list[str]], rows: list[list[str] | None]) -> _Times | None:
    """Columns that are named for one part of the time each."""
    for names in rows:
        if names is None:
            continue
        lower = [name.strip().strip("\"'").strip().lower() for name in names]
        parts = {
            directive: lower.index(word) for words, directive in PARTS_OF_TIME for word in words[::-1] if word in lower
        }
        if "%Y" not in parts or ("%j" not in parts and not {"%m", "%d"} <= parts.keys()):
            continue
        day = ["%Y", "%j"] if "%j" in parts else ["%Y", "%m", "%d"]
        clock = ["%H", "%M"] if {"%H", "%M"} <= parts.keys() else ["%H%M"] if "%H%M" in parts else None
        if clock is None:
            continue
        if clock == ["%H", "%M"] and "%S" in parts:
            clock.append("%S")
        used = [*day, *clock]
        columns = tuple(parts[directive] for directive in used)
        time_format = " ".join(used)
        read = {
            number: _joined_parts([row[column].strip() for column in columns], time_format)
            for number, row in alike.items()
            if len(row) > max(columns)
        }
        form = best_format(read)
        return None if form is None else (columns, (), form)
    return None


def _joined_parts(cells: list[str], time_format: str) -> dict[str, datetime]:
    if not all(cell.isdecimal() and cell.isascii() for cell in cells) or (
        time_format.endswith("%H%M") and len(cells[-1]) != 4
    ):
        return {}
    try:
        return {time_format: datetime.strptime(" ".join(cells), time_format)}
    except ValueError:
        return {}


def _described(lines: Sequence[str], cut: _Cut) -> LayoutProposal:
    """Everything that the lines tell once it is known where they are cut and which columns say when."""
    obstacles: list[str] = []
    remarks: dict[str, str] = {}
    choice = cut.times
    readings = list(choice.read)
    first = readings[0]
    rows = [row for number in readings if (row := cut.rows[number]) is not None]
    named = _names_line(cut, first)
    names = _unique(cut, named, obstacles, first)
    if named is None:
        lines_before_data = names_on_line = first + 1
        remarks["names_on_line"] = (
            f"{TO_DECIDE}: the lines hold no column names; these two numbers hold once a line of names stands there"
        )
    else:
        lines_before_data, names_on_line = first, named + 1
        remarks["names_on_line"] = f"the line reads {', '.join(names[:8])}{', …' if len(names) > 8 else ''}"
    others = [column for column in range(cut.width) if column not in cut.columns]
    values = value_columns(rows, others)
    marks = marks_in(values.values(), cut.delimiter)
    obstacles += marks.obstacles
    remarks |= {key: f"{TO_DECIDE}: {doubt}" for key, doubt in marks.doubts.items()}
    interval = _interval(list(choice.read.values()), obstacles, remarks)
    missing = missing_words(values.values())
    if cut.others:
        listed = ", ".join(names[column] for column in cut.others)
        remarks["column"] = f"{TO_DECIDE}: times stand in {listed} too; take the column whose clock is known"
    remarks["format"] = f"read as {choice.read[first]:%Y-%m-%d %H:%M:%S} in line {first + 1}"
    if choice.why:
        remarks["format"] = f"{choice.why}; {remarks['format']}"
    if choice.rivals:
        rivals = " or ".join(choice.rivals)
        remarks["format"] = (
            f"{TO_DECIDE}: day, month and year cannot be told apart in these lines; it may be {rivals} as well; "
            f"{remarks['format']}"
        )
    remarks["stamps"] = f"{TO_DECIDE}: end if a stamp marks the end of its interval, start if it marks the begin"
    remarks["utc_offset"] = (
        "as the stamps say"
        if choice.utc_offset
        else f"{TO_DECIDE}: what the clock kept; for a clock that follows summer time write timezone: and an IANA name instead"
    )
    units = sorted({cell for cells in values.values() for cell in cells if NUMBER_WITH_UNIT.fullmatch(cell)})
    if units:
        remarks["missing"] = (
            f"numbers such as {units[0]} carry their unit; gauges.csv must give the unit in the same letters"
        )
    return LayoutProposal(
        delimiter=cut.delimiter,
        quote=cut.quote,
        decimal=marks.decimal,
        thousands=marks.thousands,
        comment=_comment(lines, cut, named, readings),
        lines_before_data=lines_before_data,
        names_on_line=names_on_line,
        names=names,
        time_columns=tuple(names[column] for column in cut.columns),
        time_format=choice.form,
        rival_formats=choice.rivals,
        utc_offset=choice.utc_offset,
        interval=interval,
        missing=missing,
        lines=len(lines),
        reading_lines=len(readings),
        named=named is not None,
        first_reading=first + 1,
        first_stamp=" ".join(rows[0][column].strip() for column in cut.columns),
        obstacles=tuple(obstacles),
        remarks=remarks,
    )


def _names_line(cut: _Cut, first: int) -> int | None:
    """The line above the first reading that names the columns, counted from 0; none if no line can."""
    best: tuple[float, int] | None = None
    for number in range(first):
        row = cut.rows[number]
        if row is None or len(row) != cut.width:
            continue
        cells = [cell.strip().strip("\"'").strip() for cell in row]
        given = [cell for cell in cells if cell]
        named = {cells[column] for column in cut.columns}
        if "" in named or len(named) < len(cut.columns) or len(given) < len(cells) / 2:
            continue
        times = sum(bool(TIME_WORDS.search(cells[column])) for column in cut.columns)
        numbers = sum(bool(re.fullmatch(r"[+-]?[\d.,]+", cell)) for cell in given)
        units = sum(
            cell.lower().strip("[]()") in UNITS or (cell[0], cell[-1]) in (("[", "]"), ("(", ")")) for cell in given
        )
        score = 2 * times + (len(set(given)) - 4 * numbers - units) / len(cells)
        if numbers < len(given) / 2 and (best is None or score > best[0]):
            best = (score, number)
    return best[1] if best else None


def _unique(cut: _Cut, named: int | None, obstacles: list[str], first: int) -> tuple[str, ...]:
    """The names of the columns, made up where the lines have none."""
    if named is not None:
        names = tuple(cell.strip().strip(cut.quote or "").strip() for cell in cut.rows[named] or ())
        twice = sorted({name for name in names if name and names.count(name) > 1})
        if twice:
            obstacles.append(
                f"line {named + 1} names {', '.join(twice)} twice; values of such columns cannot be told apart, so that none of "
                "them may be wired: have the logger write different names"
            )
        return names
    parts = ("date", "time") if len(cut.columns) == 2 else ("time",)
    made_up = dict(zip(cut.columns, parts, strict=False))
    names = tuple(made_up.get(column, f"column_{column + 1}") for column in range(cut.width))
    near = [
        number
        for number in range(first)
        if (row := cut.rows[number]) is not None and len(row) > 1 and sum(map(bool, row)) > 1
    ]
    if near:
        found = len(cut.rows[near[-1]] or ())
        what = (
            f"line {near[-1] + 1} looks like column names, and holds {found} of them where the readings have {cut.width} values; "
            "no layout can say which value belongs to which name"
        )
    else:
        what = "the file has no line of column names above its readings, and every layout needs one"
    obstacles.append(
        f"{what}: have the logger write one name for each value, or put a line such as «{cut.delimiter.join(names)}» above the "
        f"first reading (line {first + 1}) in a copy, and use the copy"
    )
    return names


def _interval(times: list[datetime], obstacles: list[str], remarks: dict[str, str]) -> timedelta | None:
    """The most common step from line to line."""
    steps = Counter(after - before for before, after in pairwise(times) if after > before)
    if not steps:
        remarks["interval"] = f"{TO_DECIDE}: the lines do not show how long an interval is"
        return None
    (step, count), all_steps = steps.most_common(1)[0], len(times) - 1
    if not _can_be_declared(step):
        remarks["interval"] = f"{TO_DECIDE}: the most common step from line to line, {step}, cannot be declared"
        obstacles.append(
            f"the most common step from line to line is {step}; an interval must divide an hour, or be a number of hours that "
            "divides a day: perhaps the logger writes a line only when something happens"
        )
        return None
    remarks["interval"] = f"in {count:,} of {all_steps:,} steps from line to line"
    if count * 2 < all_steps:
        remarks["interval"] = f"{TO_DECIDE}: only {remarks['interval']}"
    return step


def _can_be_declared(step: timedelta) -> bool:
    whole_seconds = not step % timedelta(seconds=1)
    return whole_seconds and (not HOUR % step or (not DAY % step and not step % HOUR))


def _comment(lines: Sequence[str], cut: _Cut, named: int | None, readings: list[int]) -> str | None:
    """The mark with which lines begin that are neither names nor readings, if any mark is common to some."""
    read = {*readings, named}
    marks = Counter(
        mark
        for number, line in enumerate(lines)
        if number not in read
        for mark in COMMENT_MARKS
        if line.startswith(mark) and mark != cut.delimiter
    )
    return marks.most_common(1)[0][0] if marks else None


def _nothing_found(lines: Sequence[str]) -> str:
    """Why no cut of the lines gives readings, in a sentence."""
    shown = next(line for line in reversed(lines) if line.strip()).strip()
    example = f"«{shown[:80]}{'…' if len(shown) > 80 else ''}»"
    if times_in(shown):
        return f"A line such as {example} holds a time and nothing else"
    for delimiter in DELIMITERS:
        cells = [cell.strip().strip("\"'") for cell in shown.split(delimiter)]
        if len(cells) > 1 and any(dates_in(cell) for cell in cells):
            return f"A line such as {example} holds a date without a time of day; no layout can read that"
        if len(cells) > 1 and re.fullmatch(r"[2-7]\d{4}(?:[.,]\d+)?", cells[0]):
            return (
                f"A line such as {example} seems to begin with the day number of a spreadsheet; no layout can read that: use the "
                "logger's own file, or format the column as date and time and save again"
            )
        if len(cells) > 1 and re.fullmatch(r"1\d{9}(?:\d{3})?", cells[0]):
            return (
                f"A line such as {example} seems to begin with seconds since 1970; no layout can read that: have the logger's "
                "software write date and time"
            )
    return f"No line holds a date and a time of day beside other values; the last one is {example}"


def length_of_time(length: timedelta) -> str:
    """A length of time as site.yaml writes it, such as 10min."""
    unit = next(unit for unit in reversed(UNITS_OF_TIME) if not length % UNITS_OF_TIME[unit])
    return f"{length // UNITS_OF_TIME[unit]}{unit}"


def _yaml(text: str) -> str:
    """A text as a double-quoted scalar of YAML 1.1."""
    return '"' + "".join(_escaped(text)) + '"'


def _escaped(text: str) -> Iterator[str]:
    for character in text:
        code = ord(character)
        if character in '"\\':
            yield f"\\{character}"
        elif character == "\t":
            yield "\\t"
        elif character.isprintable():
            yield character
        else:
            yield f"\\u{code:04x}" if code <= 0xFFFF else f"\\U{code:08x}"


def _one_line(text: str) -> str:
    """A remark as the text of a YAML comment."""
    return "".join(character if character.isprintable() else " " for character in text)
