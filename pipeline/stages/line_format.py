"""From a line to values: the SQL that splits and reads the lines of one family of files.

Belongs here: a layout turned into SQL over the columns `text` and `cells`: fields, times, counts, measurements, and the
sentences that say why a line or a value cannot be used.
Does not: running it over files, the account of lines (stages/intake.py), UTC (stages/clock.py).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from pipeline.site import LoggerLayout
from pipeline.site.structure import ISO_8601
from pipeline.stages.phrases import literal

HEAD = "head"
"""Stands as the problem of a line that belongs to the head of a file, or to a head that is repeated in it."""
USUAL_MISSING = (
    "", "nan", "na", "n/a", "#n/a", "#na", "null", "none", "nil", "-", "--", "---", "----", "missing", "nodata", "no data",
    "#value!", "#ref!", "#div/0!", "#num!", "#name?",
)  # fmt: skip
"""Words for missing that need no declaration: none of them can be a number."""
BETWEEN_VALUES, WITHIN_VALUE = "\x1e", "\x1f"
"""Stand between unread values, and between a value's column and its reason. (A list would move its row when it is updated.)"""
PULSE_UNITS = ("pulses", "pulse", "counts", "count")


@dataclass(frozen=True)
class RecordFormat:
    """How a family of files is read: their layout, and which of their columns matter.

    `files` is the pattern of the files' paths below the site's raw folder. `whole` columns hold counts (whole numbers, none
    negative), `decimal` columns hold measurements; other columns are passed over. `large` names the whole columns whose
    numbers may exceed 31 bits (running totals). `units` are the words that may stand behind a column's numbers.
    """

    logger: str
    kind: str
    files: str
    layout_name: str
    layout: LoggerLayout
    whole: tuple[str, ...] = ()
    decimal: tuple[str, ...] = ()
    large: frozenset[str] = frozenset()
    units: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    @property
    def columns(self) -> tuple[str, ...]:
        """The columns that matter."""
        return (*self.whole, *self.decimal)

    @property
    def times(self) -> tuple[str, ...]:
        """The columns that make up the time."""
        column = self.layout.timestamp.column
        return (column,) if isinstance(column, str) else tuple(column)


@dataclass(frozen=True)
class LineReading:
    """SQL over `text` and `cells` for the lines of files that share their column names.

    `cells` splits a line and `stamp` reads its time. `values` reads each column that matters and that the names hold; then
    `checked` is each of them or NULL, `problem` is NULL for a usable line, empty for a blank or comment line, `HEAD` for a
    line of a head, and otherwise says what is wrong, and `unread` names the values that cannot be used although their line can:
    column and reason of each, joined by `WITHIN_VALUE` and `BETWEEN_VALUES`, NULL for nearly every line.
    """

    cells: str
    stamp: str
    values: dict[str, str]
    checked: dict[str, str]
    problem: str
    unread: str


POSSIBLE_TIME = "stamp >= TIMESTAMP '1900-01-01' AND stamp < TIMESTAMP '2200-01-01'"
"""Times beyond are slips of the pen, such as the year 0020."""


def cell_type(form: RecordFormat, column: str) -> str:
    """SQL type of a column that matters."""
    if column in form.decimal:
        return "DOUBLE"
    return "BIGINT" if column in form.large else "INTEGER"


def line_reading(
    form: RecordFormat, header: tuple[str, ...] | None, width: int | None, names: Mapping[str, str]
) -> LineReading:
    """How to read the lines below a line of column names.

    Args:
        form: the family of files.
        header: the column names as the files give them; none if they stand above any names.
        width: how many names the next line of names has, for lines that stand above it; none if there is no such line.
        names: SQL name of each column that matters; `problem` and `unread` refer to the values by these names.

    Returns:
        The SQL; if the names do not fit the layout, every line's problem is a sentence about them.
    """
    layout = form.layout
    misfit = _misfit(form, header)
    if header is None or misfit is not None:
        of_head = f"WHEN len(cells) <> {width} THEN {literal(HEAD)}" if header is None and width is not None else ""
        problem = f"CASE WHEN {_blank(layout)} THEN '' {of_head} ELSE {literal(misfit or '')} END"
        return LineReading(_cells(layout), "NULL::TIMESTAMP", {}, {}, problem, "NULL::VARCHAR")
    present = {column: names[column] for column in form.columns if column in header}
    cell = {name: f"cells[{header.index(name) + 1}]" for name in (*form.times, *present)}
    times = (
        " || ' ' || ".join(f"trim({cell[name]})" for name in form.times) if len(form.times) > 1 else cell[form.times[0]]
    )
    bad = {column: _unreadable(form, column, name, cell[column]) for column, name in present.items()}
    reasons = {column: _reason(form, column, cell[column]) for column in present}
    all_there = _all_there(form, present)
    return LineReading(
        cells=_cells(layout),
        stamp=_stamp(layout, times),
        values={column: _value(form, cell[column], column) for column in present},
        checked={column: _checked(form, column, name) for column, name in present.items()},
        problem=_problem(form, header, present, times, all_there, bad, reasons),
        unread=_unread(all_there, bad, reasons),
    )


def _misfit(form: RecordFormat, header: tuple[str, ...] | None) -> str | None:
    """What is wrong with a line of names, in a sentence; none if it fits."""
    needed = (
        f"the time column {_listed(form.times)}" if len(form.times) == 1 else f"the time columns {_listed(form.times)}"
    )
    if header is None:
        return (
            f"the line stands above any line of column names; the layout {form.layout_name} needs one that holds {needed}, "
            f"with «{form.layout.delimiter}» between names: put the head back, or correct the layout"
        )
    twice = sorted({name for name in (*form.times, *form.columns) if header.count(name) > 1})
    if twice:
        return (
            f"the column names hold {_listed(twice)} twice, so that its values cannot be told apart; rename one of them"
        )
    return None


def _listed(names: Iterable[str]) -> str:
    return ", ".join(f"«{name}»" for name in names)


def _cells(layout: LoggerLayout) -> str:
    """SQL that splits `text` at the delimiter; a delimiter within quotes does not split (RFC 4180)."""
    delimiter = literal(layout.delimiter)
    plain = f"string_split(text, {delimiter})"
    if not layout.quote:
        return plain
    quote, mark, cut = literal(layout.quote), _escaped(layout.quote), _escaped(layout.delimiter)
    pattern = literal(f"{cut}({mark}(?:[^{mark}]|{mark}{mark})*{mark}|[^{cut}{mark}]*)")
    by_rule = f"regexp_extract_all({delimiter} || text, {pattern}, 1)"
    quotes = _occurrences(quote, 1)
    at_edges = (
        f"{_occurrences(f'{delimiter} || {quote}', 2)} + {_occurrences(f'{quote} || {delimiter}', 2)}"
        f" + starts_with(text, {quote})::BIGINT + ends_with(text, {quote})::BIGINT"
    )
    within_quotes = f"array_to_string(list_slice(string_split(text, {quote}), 2, -1, 2), '')"
    # Most quoted lines only wrap whole cells: those need no rule, which is forty times slower.
    return f"""CASE WHEN NOT contains(text, {quote}) THEN {plain}
        WHEN {quotes} = {at_edges} AND NOT contains({within_quotes}, {delimiter})
            THEN string_split(replace(text, {quote}, ''), {delimiter})
        WHEN array_to_string({by_rule}, {delimiter}) <> text THEN []
        ELSE list_transform({by_rule}, lambda cell: CASE WHEN starts_with(cell, {quote})
            THEN replace(cell[2:-2], {quote} || {quote}, {quote}) ELSE cell END) END"""


def _occurrences(piece: str, length: int) -> str:
    return f"(length(text) - length(replace(text, {piece}, ''))) // {length}"


def _escaped(text: str) -> str:
    return "".join(f"\\x{ord(character):02x}" if ord(character) < 128 else character for character in text)


DIRECTIVES = {
    "Y": r"\d{4}", "y": r"\d{2}", "m": r"\d{1,2}", "d": r"\d{1,2}", "j": r"\d{1,3}", "H": "24", "M": "00", "S": "00",
    "f": "0+", "b": r"\pL+", "B": r"\pL+", "a": r"\pL+", "A": r"\pL+", "%": "%",
}  # fmt: skip
ISO_PATTERN = r"\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}(:\d{2}(\.\d+)?)?"


def _stamp(layout: LoggerLayout, text: str) -> str:
    """SQL that reads a time; midnight may be written as 24:00 of the day before (ISO 8601-1:2019, 5.3.2 allows it)."""
    rule = layout.timestamp
    if rule.format == ISO_8601:
        before: str | None
        known = f"CASE WHEN regexp_full_match(trim({text}), {literal(ISO_PATTERN)}) THEN try_cast(trim({text}) AS TIMESTAMP) END"
        before, after = r"\d{4}-\d{2}-\d{2}[T ]", r":00(?::00(?:\.0+)?)?"

        def read(cell: str) -> str:
            return f"try_cast({cell} AS TIMESTAMP)"
    else:
        known = f"try_strptime({text}, {literal(rule.format)})"
        before, after = _around_hour(rule.format)

        def read(cell: str) -> str:
            return f"try_strptime({cell}, {literal(rule.format)})"

    tried = [known, read(f"trim({text})")] if rule.format != ISO_8601 else [known]
    if before is not None:
        pattern = literal(f"^({before})24({after})$")
        at_zero = f"regexp_replace(trim({text}), {pattern}, '\\1' || '00' || '\\2')"
        tried.append(f"CASE WHEN regexp_matches(trim({text}), {pattern}) THEN {read(at_zero)} + INTERVAL 1 DAY END")
    return _first_known(tried)


def _first_known(tried: list[str]) -> str:
    """SQL for the first expression that is not NULL; the later ones are computed for those rows only that need them.

    `coalesce` would compute all of them for every row.
    """
    if len(tried) == 1:
        return tried[0]
    return f"CASE WHEN {tried[0]} IS NOT NULL THEN {tried[0]} ELSE {_first_known(tried[1:])} END"


def _around_hour(form: str) -> tuple[str | None, str]:
    """Patterns for what stands before and after the hour of a time format; none where it has no hour of 24."""
    pieces = re.split(r"%-?(.)", form)
    patterns = [DIRECTIVES.get(piece, "") if place % 2 else re.escape(piece) for place, piece in enumerate(pieces)]
    if "24" not in patterns[1::2] or "" in patterns[1::2]:
        return None, ""
    hour = 1 + 2 * patterns[1::2].index("24")
    return "".join(patterns[:hour]), "".join(patterns[hour + 1 :])


def _missing(layout: LoggerLayout) -> str:
    words = dict.fromkeys([*(word.strip().lower() for word in layout.missing), *USUAL_MISSING])
    return ", ".join(literal(word) for word in words)


def _value(form: RecordFormat, cell: str, column: str) -> str:
    """SQL that reads one cell; NULL where it is missing or unreadable."""
    layout, kind = form.layout, cell_type(form, column)
    text = cell
    if layout.thousands:
        text = _without_thousands(layout, cell)
    if layout.decimal == ",":
        text = f"replace({text}, ',', '.')"
    units = "|".join(_escaped(unit) for unit in form.units.get(column, ()))
    if kind == "DOUBLE":
        number = r"[+-]?\d+(?:\.\d*)?"
        value = f"try_cast({text} AS DOUBLE)"
        if units:
            pattern = literal(rf"^\s*({number})\s*(?i:{units})\s*$")
            value = _first_known([value, f"try_cast(nullif(regexp_extract({text}, {pattern}, 1), '') AS DOUBLE)"])
    else:
        pattern = literal(rf"^\s*(\d+)(?:\.0*)?\s*(?i:{units or '$^'})?\s*$")
        plain = f"CASE WHEN NOT contains({text}, '.') THEN try_cast({text} AS {kind}) END"
        value = _first_known([plain, f"try_cast(nullif(regexp_extract({text}, {pattern}, 1), '') AS {kind})"])
    numeric = [word for word in layout.missing if _is_number(word.replace(layout.decimal, "."))]
    if numeric:
        value = f"CASE WHEN lower(trim({cell})) NOT IN ({_missing(layout)}) THEN {value} END"
    return value


def _without_thousands(layout: LoggerLayout, cell: str) -> str:
    """SQL for a cell without its thousands separators; a cell that holds one in the wrong place becomes unreadable."""
    separator = layout.thousands or ""
    marks = " \u00a0\u202f" if separator in " \u00a0\u202f" else separator
    one = f"[{_escaped(marks)}]"
    whole = literal(rf"^\s*[+-]?\d{{1,3}}(?:{one}\d{{3}})+(?:{_escaped(layout.decimal)}\d*)?[^\d]*$")
    return f"""CASE WHEN NOT regexp_matches(trim({cell}), {literal(one)}) THEN {cell}
        WHEN regexp_matches({cell}, {whole}) THEN regexp_replace({cell}, {literal(one)}, '', 'g') ELSE '?' END"""


def _is_number(word: str) -> bool:
    try:
        float(word)
    except ValueError:
        return False
    return True


def _checked(form: RecordFormat, column: str, name: str) -> str:
    return (
        f"CASE WHEN isfinite({name}) THEN {name} END"
        if column in form.decimal
        else f"CASE WHEN {name} >= 0 THEN {name} END"
    )


def _unreadable(form: RecordFormat, column: str, name: str, cell: str) -> str:
    """SQL that is true where a cell holds something that is neither an allowed value nor a word for missing."""
    wrong = f"NOT isfinite({name})" if column in form.decimal else f"{name} < 0"
    return f"(({name} IS NULL OR {wrong}) AND lower(trim({cell})) NOT IN ({_missing(form.layout)}))"


def _reason(form: RecordFormat, column: str, cell: str) -> str:
    """SQL for the sentence that says what a cell holds and what it may hold."""
    allowed = "a number" if column in form.decimal else "a whole number, 0 or more,"
    if form.units.get(column):
        allowed += f" (with or without {form.units[column][0]})"
    words = _listed(word for word in form.layout.missing if word.strip())
    known = f" such as {words}" if words else ""
    sentence = (
        f"» is neither {allowed} nor a word for missing{known}; if it means missing, add it to missing in the layout"
    )
    return f"concat('column ', {literal(column)}, ': «', {cell}, {literal(sentence)})"


def _all_there(form: RecordFormat, present: Mapping[str, str]) -> str:
    """SQL that is true where every cell holds an allowed number: the usual line, which needs no closer look."""
    sums = " + ".join(present.values()) or "0"
    counts = [f"{name} >= 0" for column, name in present.items() if column in form.whole]
    measures = [f"isfinite({name})" for column, name in present.items() if column in form.decimal]
    return " AND ".join([f"({sums}) IS NOT NULL", *counts, *measures])


def _problem(
    form: RecordFormat,
    header: tuple[str, ...],
    present: Mapping[str, str],
    times: str,
    all_there: str,
    bad: Mapping[str, str],
    reasons: Mapping[str, str],
) -> str:
    """SQL for the reason why a line cannot be used: NULL if it can, empty for a blank or comment line."""
    layout = form.layout
    time_format = "ISO 8601 without an offset" if layout.timestamp.format == ISO_8601 else layout.timestamp.format
    shown = f"concat('column ', {literal(' and '.join(form.times))}, ': «', {times}, '» is no time of the form ', {literal(time_format)}"
    advice = f"; if the file is right, correct the format of the time in layout {form.layout_name}"
    serial = f"try_cast(replace(trim({times}), ',', '.') AS DOUBLE)"
    as_day = (
        f"strftime(TIMESTAMP '1899-12-30' + to_microseconds(round({serial} * 86400)::BIGINT * 1000000), '%Y-%m-%d %H:%M')"
    )
    cases = [
        f"WHEN len(cells) = {len(header)} AND {POSSIBLE_TIME} AND {all_there} THEN NULL",
        f"WHEN {_blank(layout)} THEN ''",
        """WHEN len(cells) = 0 THEN concat('a quote is opened and not closed, or stands inside a value, ',
            'so that the line cannot be split; download the file again')""",
        f"""WHEN len(cells) <> {len(header)} THEN concat('the line has ', len(cells), CASE len(cells) WHEN 1 THEN ' value' ELSE
            ' values' END, ', and there are {len(header)} column names: the line is cut, or ',
            'values were added or lost; download the file again')""",
        f"""WHEN stamp IS NULL AND regexp_full_match(trim({times}), '[2-7][0-9]{{4}}([.,][0-9]+)?') THEN {shown},
            '; it looks like the day number of a spreadsheet, ', {as_day},
            ' if its days count from 1900: use the logger''s own file, or format the column as a time and save again')""",
        f"WHEN stamp IS NULL THEN {shown}, {literal(advice)})",
        f"WHEN NOT ({POSSIBLE_TIME}) THEN {shown}, ' between 1900 and 2199: check its year')",
    ]
    if bad:
        nothing = " AND ".join(f"{name} IS NULL" for name in present.values())
        every = ", ".join(f"CASE WHEN {bad[column]} THEN {reasons[column]} END" for column in present)
        cases.append(f"WHEN {nothing} AND ({' OR '.join(bad.values())}) THEN concat_ws('; ', {every})")
    return "CASE " + " ".join(cases) + " END"


def _unread(all_there: str, bad: Mapping[str, str], reasons: Mapping[str, str]) -> str:
    """SQL for the values that cannot be used although their line can: see `LineReading.unread`."""
    if not bad:
        return "NULL::VARCHAR"
    listed = ", ".join(
        f"CASE WHEN {wrong} THEN {unread_value(column, reasons[column])} END" for column, wrong in bad.items()
    )
    some = " OR ".join(bad.values())
    return (
        f"CASE WHEN NOT coalesce({all_there}, false) AND ({some}) THEN concat_ws({literal(BETWEEN_VALUES)}, {listed}) END"
    )


def unread_value(column: str, reason: str) -> str:
    """SQL for one value that cannot be used; `reason` is SQL too."""
    return f"concat({literal(column + WITHIN_VALUE)}, {reason})"


def _blank(layout: LoggerLayout) -> str:
    comment = f" OR starts_with(text, {literal(layout.comment)})" if layout.comment else ""
    return f"(trim(text) = ''{comment})"
