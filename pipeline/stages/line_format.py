"""From a line to values: the SQL that splits and reads the lines of one family of files.

Belongs here: a layout turned into SQL over the columns `text` and `cells`: fields, times, counts, measurements, and the
sentence that says why a line cannot be used.
Does not: running it over files, the account of lines (stages/intake.py).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import timedelta

from pipeline.site import LoggerLayout, Site
from pipeline.site.structure import ISO_8601
from pipeline.stages.phrases import literal


@dataclass(frozen=True)
class RecordFormat:
    """How a family of files is read: their layout, and which of their columns matter.

    `files` is the pattern of the files' paths below the site's raw folder. `whole` columns hold counts (whole numbers, none
    negative), `decimal` columns hold measurements; other columns are passed over. `large` names the whole columns whose
    numbers may exceed 31 bits (running totals).
    """

    logger: str
    kind: str
    files: str
    layout_name: str
    layout: LoggerLayout
    whole: tuple[str, ...] = ()
    decimal: tuple[str, ...] = ()
    large: frozenset[str] = frozenset()

    @property
    def columns(self) -> tuple[str, ...]:
        """The columns that matter."""
        return (*self.whole, *self.decimal)


@dataclass(frozen=True)
class LineReading:
    """SQL over `text` and `cells` for the lines of files that share a header.

    `cells` splits a line, `stamp` reads its time, `values` reads each column that matters and that the header names,
    `problem` is NULL for a usable line, empty for a blank or comment line, and otherwise says what is wrong.
    """

    cells: str
    stamp: str
    values: dict[str, str]
    problem: str


def line_reading(form: RecordFormat, header: tuple[str, ...], names: dict[str, str]) -> LineReading:
    """How to read the lines below a header.

    Args:
        form: the family of files.
        header: the column names as the files give them.
        names: SQL name of each column that matters; `problem` refers to the values by these names.

    Returns:
        The SQL; if the header does not fit the layout, every line's problem is a sentence about the header.
    """
    layout = form.layout
    stamps = _as_list(layout.timestamp.column)
    misfit = _misfit(form, header, stamps)
    if misfit is not None:
        problem = f"CASE WHEN {_blank(layout)} THEN '' ELSE {literal(misfit)} END"
        return LineReading(_cells(layout), "NULL::TIMESTAMP", {}, problem)
    present = {column: names[column] for column in form.columns if column in header}
    cell = {name: f"cells[{header.index(name) + 1}]" for name in (*stamps, *present)}
    return LineReading(
        cells=_cells(layout),
        stamp=_stamp(layout, [cell[name] for name in stamps]),
        values={column: _value(form, cell[column], column) for column in present},
        problem=_problem(form, header, present, cell),
    )


def _misfit(form: RecordFormat, header: tuple[str, ...], stamps: list[str]) -> str | None:
    """What is wrong with a header, in a sentence; none if it fits."""
    absent = [name for name in stamps if name not in header]
    if absent:
        return f"the file's header names {_listed(header)}; the layout {form.layout_name} needs a time column {_listed(absent)}"
    twice = sorted({name for name in (*stamps, *form.columns) if header.count(name) > 1})
    if twice:
        return f"the file's header names {_listed(twice)} twice, so that its values cannot be told apart"
    return None


def cell_type(form: RecordFormat, column: str) -> str:
    """SQL type of a column that matters."""
    if column in form.decimal:
        return "DOUBLE"
    return "BIGINT" if column in form.large else "INTEGER"


def _listed(names: Iterable[str]) -> str:
    return ", ".join(f"«{name}»" for name in names) or "no columns"


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


def _stamp(layout: LoggerLayout, cells: list[str]) -> str:
    text = cells[0] if len(cells) == 1 else "concat_ws(' ', " + ", ".join(cells) + ")"
    if layout.timestamp.format == ISO_8601:
        return f"try_cast(trim({text}) AS TIMESTAMP)"
    return f"try_strptime({text}, {literal(layout.timestamp.format)})"


def _missing(layout: LoggerLayout) -> str:
    return ", ".join(literal(word.strip()) for word in layout.missing) or "''"


def _value(form: RecordFormat, cell: str, column: str) -> str:
    """SQL that reads one cell; NULL where it is missing or unreadable."""
    layout = form.layout
    text = f"replace({cell}, ',', '.')" if layout.decimal == "," else cell
    kind = cell_type(form, column)
    value = f"try_cast({text} AS {kind})"
    if kind != "DOUBLE":
        value = f"CASE WHEN NOT contains({text}, '.') THEN {value} END"
    numeric = [word for word in layout.missing if _is_number(word.replace(layout.decimal, "."))]
    if numeric:
        value = f"CASE WHEN trim({cell}) NOT IN ({_missing(layout)}) THEN {value} END"
    return value


def _is_number(word: str) -> bool:
    try:
        float(word)
    except ValueError:
        return False
    return True


def _problem(form: RecordFormat, header: tuple[str, ...], present: dict[str, str], cell: dict[str, str]) -> str:
    """SQL for the reason why a line cannot be used: NULL if it can, '' for a blank or comment line."""
    layout = form.layout
    times = layout.timestamp.column if isinstance(layout.timestamp.column, str) else " ".join(layout.timestamp.column)
    cases = [
        f"WHEN len(cells) = {len(header)} AND stamp IS NOT NULL AND {_all_there(form, present)} THEN NULL",
        f"WHEN {_blank(layout)} THEN ''",
        f"""WHEN len(cells) <> {len(header)} THEN CASE
            WHEN len(cells) = 0 THEN 'a quote is opened and not closed, or stands inside a value'
            ELSE concat('the line has ', len(cells), ' values, the header names {len(header)} columns') END""",
        f"""WHEN stamp IS NULL THEN concat('column ', {literal(times)}, ': «',
            {" || ' ' || ".join(cell[name] for name in _as_list(layout.timestamp.column))},
            '» is no time of the form ', {literal(layout.timestamp.format)})""",
    ]
    for column, name in present.items():
        allowed = "a number" if column in form.decimal else "a whole number, 0 or more,"
        words = ", ".join(f"«{word}»" for word in layout.missing if word.strip())
        sentence = f"» is neither {allowed} nor a word for missing" + (f" ({words})" if words else "")
        low = f"OR {name} < 0" if column in form.whole else f"OR NOT isfinite({name})"
        cases.append(
            f"""WHEN ({name} IS NULL AND trim({cell[column]}) NOT IN ({_missing(layout)})) {low}
                THEN concat('column ', {literal(column)}, ': «', {cell[column]}, {literal(sentence)})"""
        )
    return "CASE " + " ".join(cases) + " END"


def _all_there(form: RecordFormat, present: dict[str, str]) -> str:
    """SQL that is true where every cell holds an allowed number: the usual line, which needs no closer look."""
    sums = " + ".join(present.values()) or "0"
    counts = [f"{name} >= 0" for column, name in present.items() if column in form.whole]
    measures = [f"isfinite({name})" for column, name in present.items() if column in form.decimal]
    return " AND ".join([f"({sums}) IS NOT NULL", *counts, *measures])


def _blank(layout: LoggerLayout) -> str:
    comment = f" OR starts_with(text, {literal(layout.comment)})" if layout.comment else ""
    return f"(trim(text) = ''{comment})"


def _as_list(names: str | list[str]) -> list[str]:
    return [names] if isinstance(names, str) else list(names)


def interval_bounds(site: Site, form: RecordFormat, stamp: str) -> tuple[str, str]:
    """SQL for the start and end of a stamp's interval, in UTC."""
    layout, rule = form.layout, form.layout.timestamp
    if rule.timezone is not None:
        moment = f"timezone({literal(rule.timezone)}, {stamp})"
        shift = 0
    else:
        moment = f"make_timestamptz(epoch_us({stamp}) {{shift:+d}})"
        shift = -_microseconds(rule.utc_offset or timedelta())
    clocks = [row for row in site.clocks if row.logger == form.logger]
    length = _microseconds(layout.interval)

    def at(extra: int) -> str:
        if rule.timezone is not None:
            known = f"make_timestamptz(epoch_us({moment}) {extra:+d})" if extra or clocks else moment
        else:
            known = moment.format(shift=shift + extra)
        for row in clocks:
            true = moment.format(shift=shift)
            within = f"{true} >= '{row.start.isoformat()}'::TIMESTAMPTZ"
            if row.end is not None:
                within += f" AND {true} < '{row.end.isoformat()}'::TIMESTAMPTZ"
            moved = f"make_timestamptz(epoch_us({true}) {extra + round(row.shift_s * 1e6):+d})"
            known = f"CASE WHEN {within} THEN {moved} ELSE {known} END"
        return known

    return (at(-length), at(0)) if rule.stamps == "end" else (at(0), at(length))


def _microseconds(length: timedelta) -> int:
    return length // timedelta(microseconds=1)
