"""From raw text to readings: which line says what, and what became of every line.

Belongs here: reading logger files by their declared layout, one pass of DuckDB over many files at a time; the account of each
file; the lines that could not be used, each with its reason; collapsing what several files hold twice.
Does not: bytes and encodings (stages/raw_text.py), which column is which meter (stages/pulses.py).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

import duckdb
import pandas as pd

from pipeline.site import LoggerLayout, Site, TimestampRule, WeatherRecord
from pipeline.site.structure import ISO_8601
from pipeline.stages.phrases import literal, words
from pipeline.stages.raw_text import FIELD_SEPARATOR, RawText, scan
from pipeline.tables import table
from pipeline.tables.schema import SQL_TYPES

LONGEST_LINE_BYTES = 4 << 20
KEPT_TEXT = 2000
WEATHER = "weather files"
"""Stands where a logger's name stands for the files of the weather record."""


class IntakeError(Exception):
    """Raw files cannot be read; the message is a sentence for a person."""


@dataclass(frozen=True)
class RecordFormat:
    """How a family of files is read: their layout, and which of their columns matter.

    `whole` columns hold counts (whole numbers, none negative), `decimal` columns hold measurements. Other columns are passed
    over. `files` is the pattern of the files' paths below the site's raw folder. `large` names the whole columns whose numbers may exceed 31 bits (running totals).
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
class Record:
    """All readings of one logger, in the session.

    `readings` names a session table with one row per interval, in order of time: file_id, line, interval_start, interval_end,
    one column per column that matters (`column_names`), and `conflict`, the list of columns on which the files disagree
    (NULL for nearly every row).
    """

    format: RecordFormat
    readings: str
    column_names: dict[str, str]
    has_conflicts: bool


@dataclass(frozen=True)
class Readings:
    """What intake makes of raw files: a record per logger, and the account of every file and line."""

    records: dict[str, Record]
    source_files: pd.DataFrame
    rejected_lines: duckdb.DuckDBPyRelation


def record_formats(site: Site) -> list[RecordFormat]:
    """How every family of a site's raw files is read.

    One format per logger: its layout, and every column that is wired to a meter or a gauge at any time. One for the weather
    files, whose layout this project defines, if the site has any.
    """
    formats = []
    for name, logger in site.loggers.items():
        wired = [row for row in site.wiring if row.logger == name]
        whole = dict.fromkeys(row.column for row in wired)
        decimal = dict.fromkeys(row.column for row in site.gauges if row.logger == name and row.column not in whole)
        formats.append(
            RecordFormat(
                logger=name,
                kind="logger",
                files=logger.files,
                layout_name=logger.layout,
                layout=site.logger_layouts[logger.layout],
                whole=tuple(whole),
                decimal=tuple(decimal),
                large=frozenset(row.column for row in wired if row.counts == "running"),
            )
        )
    if site.weather is not None:
        formats.append(_weather_format(site, site.weather))
    return formats


def _weather_format(site: Site, weather: WeatherRecord) -> RecordFormat:
    rule = TimestampRule(column="time", format=ISO_8601, stamps=weather.stamps, utc_offset=site.utc_offset, timezone=None)
    layout = LoggerLayout(
        delimiter=",", lines_before_data=1, names_on_line=1, timestamp=rule, interval=weather.interval, missing=[""]
    )
    return RecordFormat(
        logger=WEATHER,
        kind="weather",
        files="weather/*.csv*",
        layout_name=WEATHER,
        layout=layout,
        decimal=("rain_mm", "air_temp_c"),
    )


def raw_paths(site: Site, raw_folder: Path) -> list[Path]:
    """Every raw file that holds readings, by the declared patterns, in order of name."""
    return sorted({path for form in record_formats(site) for path in raw_folder.glob(form.files) if path.is_file()})


def read_raw_files(
    session: duckdb.DuckDBPyConnection, site: Site, raw_folder: Path, paths: Iterable[Path], copies: Path
) -> Readings:
    """Read raw files into the session.

    Args:
        session: where the readings go; they live in it only, until the next call.
        site: layouts, wiring, gauges, known clock errors.
        raw_folder: the site's raw folder, `raw/<site>/`; never written.
        paths: the files to read; each belongs to the first logger whose pattern it matches.
        copies: a folder of the session's own, for plain copies of files that are not plain UTF-8.

    Returns:
        Readings per logger and the account of every file and line.

    Raises:
        IntakeError: a file cannot be opened or matches no pattern; names it.
    """
    left = set(paths)
    scanned: list[tuple[RecordFormat, list[RawText]]] = []
    for form in record_formats(site):
        chosen = sorted(left.intersection(raw_folder.glob(form.files)))
        left.difference_update(chosen)
        scanned.append((form, [_scan(path, raw_folder, form.layout, copies) for path in chosen]))
    if left:
        raise IntakeError(f"{min(left)} matches no file pattern in site.yaml, and is no weather file")
    rejected = table("rejected_lines")
    declared = ", ".join(f'"{column.name}" {SQL_TYPES[column.type]}' for column in rejected.columns)
    session.execute(f"CREATE OR REPLACE TEMP TABLE rejected_lines ({declared})")
    file_ids = words(file.file_id for _, files in scanned for file in files)
    records: dict[str, Record] = {}
    accounts: list[pd.DataFrame] = []
    for number, (form, files) in enumerate(scanned):
        records[form.logger], account = _read_record(session, site, form, files, file_ids, number)
        accounts.append(account)
    columns = list(table("source_files").names)
    source_files = pd.concat(accounts, ignore_index=True)[columns].sort_values("path", ignore_index=True)
    return Readings(records, source_files, session.sql("FROM rejected_lines ORDER BY path, line"))


def _scan(path: Path, raw_folder: Path, layout: LoggerLayout, copies: Path) -> RawText:
    try:
        return scan(
            path, path.relative_to(raw_folder).as_posix(), layout.encoding, max(layout.lines_before_data, 1), copies
        )
    except OSError as error:
        raise IntakeError(
            f"{path} cannot be read: {error.strerror or error}. Check the file and its permissions."
        ) from error


def _read_record(
    session: duckdb.DuckDBPyConnection,
    site: Site,
    form: RecordFormat,
    files: list[RawText],
    file_ids: str,
    number: int,
) -> tuple[Record, pd.DataFrame]:
    names = {column: f"c{position}" for position, column in enumerate(form.columns)}
    lines = f"lines_{number}"
    types = ", ".join(f"{name} {_cell_type(form, column)}" for column, name in names.items())
    session.execute(
        f"""CREATE OR REPLACE TEMP TABLE {lines} (
            file USMALLINT, stamp TIMESTAMP, {types}{"," if types else ""} problem VARCHAR, text VARCHAR)"""
    )
    by_header: dict[tuple[str, ...], list[RawText]] = {}
    for file in files:
        by_header.setdefault(_header(file, form.layout), []).append(file)
    ordered = [file for group in by_header.values() for file in group]
    first = 0
    for header, group in by_header.items():
        _parse(session, form, header, group, lines, names, first)
        first += len(group)
    account = _account(session, site, form, ordered, file_ids, lines, number)
    readings = _order_in_time(session, site, form, file_ids, lines, names, number)
    session.execute(f"DROP TABLE {lines}")
    conflicts = _collapse_repeats(session, readings, names, number)
    if conflicts:
        account = _move_conflicts(session, account, ordered, number)
    return Record(form, readings, names, conflicts), account


def _cell_type(form: RecordFormat, column: str) -> str:
    if column in form.decimal:
        return "DOUBLE"
    return "BIGINT" if column in form.large else "INTEGER"


def _header(file: RawText, layout: LoggerLayout) -> tuple[str, ...]:
    """The column names as the file gives them; empty if it is too short to have any."""
    if len(file.head) < layout.names_on_line:
        return ()
    cells = file.head[layout.names_on_line - 1].split(layout.delimiter)
    return tuple(cell.strip().strip(layout.quote or "").strip() for cell in cells)


def _parse(
    session: duckdb.DuckDBPyConnection,
    form: RecordFormat,
    header: tuple[str, ...],
    files: list[RawText],
    lines: str,
    names: dict[str, str],
    first: int,
) -> None:
    """Split and read every line of files that share a header; append them to `lines` in file and line order."""
    layout = form.layout
    stamps = [layout.timestamp.column] if isinstance(layout.timestamp.column, str) else layout.timestamp.column
    absent = [name for name in stamps if name not in header]
    twice = sorted({name for name in (*stamps, *form.columns) if header.count(name) > 1})
    misfit = None
    if absent:
        misfit = f"the file's header names {_listed(header)}; the layout {form.layout_name} needs a time column {_listed(absent)}"
    elif twice:
        misfit = f"the file's header names {_listed(twice)} twice, so that its values cannot be told apart"
    present = {} if misfit else {column: names[column] for column in form.columns if column in header}
    position = {name: place + 1 for place, name in enumerate(header)}
    cell = {name: f"cells[{position[name]}]" for name in (*stamps, *present) if name in position and not misfit}
    values = {column: _value(form, cell[column], column) for column in present}
    stamp = "NULL::TIMESTAMP" if misfit else _stamp(layout, [cell[name] for name in stamps])
    problem = (
        f"CASE WHEN {_blank(layout)} THEN '' ELSE {literal(misfit)} END"
        if misfit
        else _problem(form, header, present, cell)
    )
    select = ", ".join(f"{values[column]} AS {name}" for column, name in present.items())
    chosen = ", ".join(present.values())
    session.execute(
        f"""
        INSERT INTO {lines} BY NAME
        WITH whole_lines AS ({_whole_lines()}),
        split_lines AS (
            SELECT (file_index + {first})::USMALLINT AS file, text, {_cells(layout)} AS cells FROM whole_lines
        ),
        read_lines AS (
            SELECT file, text, cells, {stamp} AS stamp{"," if select else ""} {select} FROM split_lines
        )
        SELECT file, stamp{"," if chosen else ""} {chosen}, {problem} AS problem,
            CASE WHEN problem IS NOT NULL AND problem <> '' THEN text[:{KEPT_TEXT}] END AS text
        FROM read_lines
        """,
        {"paths": [str(file.readable) for file in files]},
    )


def _whole_lines() -> str:
    """SQL that gives every line of the files $paths as it stands, in order."""
    return f"""
        SELECT file_index, coalesce(text, '') AS text
        FROM read_csv(
            $paths, columns = {{'text': 'VARCHAR'}}, delim = '{FIELD_SEPARATOR}', quote = '', escape = '', comment = '',
            header = false, auto_detect = false, max_line_size = {LONGEST_LINE_BYTES})"""


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
    kind = _cell_type(form, column)
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


def _account(
    session: duckdb.DuckDBPyConnection,
    site: Site,
    form: RecordFormat,
    files: list[RawText],
    file_ids: str,
    lines: str,
    number: int,
) -> pd.DataFrame:
    """The account of every file; leaves the session table `files_<number>`, which numbers the files in order of their last
    reading, so that of two files the later download is the one that ends later."""
    layout = form.layout
    facts = pd.DataFrame(
        {
            "file": pd.array(range(len(files)), dtype="uint16"),
            "file_id": pd.array([file.file_id for file in files], dtype="str"),
            "path": pd.array([file.name for file in files], dtype="str"),
            "lines": pd.array([file.lines for file in files], dtype="int64"),
            "header_lines": pd.array([min(layout.lines_before_data, file.lines) for file in files], dtype="int64"),
            "damage": pd.array([file.damage or "" for file in files], dtype="str"),
        }
    )
    facts["kind"], facts["logger"], facts["layout"] = form.kind, form.logger, form.layout_name
    session.register("facts", facts)
    start, end = _interval_bounds(site, form, "stamp")
    session.execute(
        f"""
        CREATE OR REPLACE TEMP TABLE files_{number} AS
        WITH starts AS (SELECT file, min(rowid) AS first_row, count(*) AS delivered FROM {lines} GROUP BY file),
        counted AS (
            SELECT lines.file,
                count(*) FILTER (problem = '') AS blank_lines,
                count(*) FILTER (problem IS NULL) AS reading_lines,
                count(*) FILTER (problem <> '') AS rejected_lines,
                min({start}) FILTER (problem IS NULL) AS first_time,
                max({end}) FILTER (problem IS NULL) AS last_time
            FROM {lines} AS lines JOIN starts USING (file) JOIN facts USING (file)
            WHERE lines.rowid - first_row >= header_lines
            GROUP BY lines.file
        )
        SELECT facts.*, first_row, coalesce(delivered, 0) AS delivered,
            coalesce(blank_lines, 0) AS blank_lines, coalesce(reading_lines, 0) AS reading_lines,
            coalesce(rejected_lines, 0) AS rejected_lines, first_time, last_time,
            row_number() OVER (ORDER BY last_time NULLS FIRST, path)::USMALLINT AS download
        FROM facts LEFT JOIN starts USING (file) LEFT JOIN counted USING (file)
        ORDER BY file
        """
    )
    session.unregister("facts")
    session.execute(
        f"""
        INSERT INTO rejected_lines
        SELECT file_id, path, lines.rowid - first_row + 1 AS line,
            problem || CASE WHEN damage <> '' AND lines.rowid - first_row + 1 = files.lines THEN '; ' || damage ELSE '' END,
            text
        FROM {lines} AS lines JOIN files_{number} AS files USING (file)
        WHERE problem <> '' AND lines.rowid - first_row >= header_lines
        """
    )
    account = session.sql(f"FROM files_{number} ORDER BY file").df()
    wrong = account[account["delivered"] != account["lines"]]
    if len(wrong):
        file = wrong.iloc[0]
        raise IntakeError(
            f"{file['path']} has {file['lines']} lines, but {file['delivered']} were read: the file changed while it was read, "
            "or holds line ends that are not understood. Run again; if it stays so, keep the file and report it."
        )
    return account


def _interval_bounds(site: Site, form: RecordFormat, stamp: str) -> tuple[str, str]:
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


def _order_in_time(
    session: duckdb.DuckDBPyConnection,
    site: Site,
    form: RecordFormat,
    file_ids: str,
    lines: str,
    names: dict[str, str],
    number: int,
) -> str:
    """Session table of usable lines in order of time; lines of one interval stand in order of download."""
    start, end = _interval_bounds(site, form, "stamp")
    columns = "".join(f", {name}" for name in names.values())
    readings = f"readings_{number}"
    # Looked up in lists, since a join need not keep the order of rows.
    files = session.execute(
        f"SELECT file_id, download, coalesce(first_row, 0), header_lines FROM files_{number} ORDER BY file"
    ).fetchall()
    if files:
        ids = f"([{', '.join(literal(file[0]) for file in files)}]::{file_ids}[])"
        downloads, firsts, headers = (f"({[file[place] for file in files]}::BIGINT[])" for place in (1, 2, 3))
    else:
        ids, downloads, firsts, headers = f"([]::{file_ids}[])", *["([]::BIGINT[])"] * 3
    above = f"(rowid - {firsts}[file + 1])"
    session.execute(
        f"""
        CREATE OR REPLACE TEMP TABLE {readings} AS
        SELECT {ids}[file + 1] AS file_id, {downloads}[file + 1]::USMALLINT AS download, ({above} + 1)::UINTEGER AS line,
            {start} AS interval_start, {end} AS interval_end{columns}
        FROM {lines}
        WHERE problem IS NULL AND {above} >= {headers}[file + 1]
        """
    )
    if _steps_back(session, readings, "<"):
        session.execute(
            f"""
            CREATE OR REPLACE TEMP TABLE sorted_readings AS
            FROM {readings} ORDER BY interval_start, download, line
            """
        )
        session.execute(f"DROP TABLE {readings}")
        session.execute(f"ALTER TABLE sorted_readings RENAME TO {readings}")
    return readings


def _steps_back(session: duckdb.DuckDBPyConnection, readings: str, relation: str) -> bool:
    """Whether any row's interval starts before (`<`), or not after (`<=`), that of the row above it."""
    found = session.execute(
        f"""
        SELECT count(*) FROM (SELECT interval_start, lag(interval_start) OVER () AS above FROM {readings})
        WHERE interval_start {relation} above
        """
    ).fetchall()
    return bool(found[0][0])


def _collapse_repeats(session: duckdb.DuckDBPyConnection, readings: str, names: dict[str, str], number: int) -> bool:
    """Leave one row per interval.

    Files overlap, and are downloaded twice. Lines of one interval that agree are one reading; a value that is missing in one
    of them is taken from the others. Where they disagree, the line of the latest download is used, the disagreeing
    lines go to the session table `conflicts_<number>`, and the row says in which columns.

    Returns:
        Whether any lines disagreed.
    """
    if not _steps_back(session, readings, "<="):
        session.execute(f"ALTER TABLE {readings} ADD COLUMN conflict VARCHAR[]")
        return False
    cells = list(names.values())
    differs = " OR ".join(f"repeats.{name} <> latest.{name}" for name in cells) or "false"
    merged = "".join(f", arg_max({name}, rank) FILTER (NOT disagrees) AS {name}" for name in cells)
    listed = ", ".join(f"CASE WHEN count(DISTINCT {name}) > 1 THEN '{name}' END" for name in cells)
    carried = "".join(f", {name}" for name in cells)
    session.execute(
        f"""
        CREATE OR REPLACE TEMP TABLE repeats AS
        SELECT *, download::BIGINT << 32 | line AS rank,
            row_number() OVER (PARTITION BY interval_start ORDER BY download DESC, line DESC) AS age
        FROM {readings}
        WHERE interval_start IN (SELECT interval_start FROM {readings} GROUP BY interval_start HAVING count(*) > 1)
        """
    )
    session.execute(
        f"""
        CREATE OR REPLACE TEMP TABLE compared AS
        SELECT repeats.*, coalesce({differs}, false) AS disagrees,
            latest.download AS used_download, latest.line AS used_line
        FROM repeats JOIN repeats AS latest ON latest.interval_start = repeats.interval_start AND latest.age = 1
        """
    )
    session.execute(
        f"""
        CREATE OR REPLACE TEMP TABLE single_readings AS
        SELECT file_id, download, line, interval_start, interval_end{carried}, NULL::VARCHAR[] AS conflict
        FROM {readings} ANTI JOIN repeats USING (interval_start)
        UNION ALL
        SELECT arg_max(file_id, rank), max(download), arg_max(line, rank), interval_start,
            arg_max(interval_end, rank){merged},
            nullif(list_filter([{listed}]::VARCHAR[], lambda name: name IS NOT NULL), []) AS conflict
        FROM compared GROUP BY interval_start
        ORDER BY interval_start
        """
    )
    session.execute(
        f"""
        CREATE OR REPLACE TEMP TABLE conflicts_{number} AS
        SELECT download, line, interval_start, used_download, used_line FROM compared WHERE disagrees
        """
    )
    session.execute(f"DROP TABLE {readings}")
    session.execute(f"ALTER TABLE single_readings RENAME TO {readings}")
    session.execute("DROP TABLE compared")
    session.execute("DROP TABLE repeats")
    found = session.execute(f"SELECT count(*) FROM conflicts_{number}").fetchall()
    return bool(found[0][0])


def _move_conflicts(
    session: duckdb.DuckDBPyConnection, account: pd.DataFrame, files: list[RawText], number: int
) -> pd.DataFrame:
    """Move lines that a later download contradicts from the readings to the rejected lines."""
    moved = session.sql(f"SELECT download, count(*) AS moved FROM conflicts_{number} GROUP BY download").df()
    for download in moved["download"]:
        row = account.loc[account["download"] == download].iloc[0]
        session.execute(
            f"""
            INSERT INTO rejected_lines
            WITH whole_lines AS ({_whole_lines()}),
            numbered AS (SELECT text, row_number() OVER () AS line FROM whole_lines)
            SELECT $file_id, $path, numbered.line,
                concat('the interval that starts ', strftime(interval_start, '%Y-%m-%dT%H:%MZ'),
                    ' stands with other values in line ', used_line, ' of ', used.path,
                    ', which was downloaded later and is used'),
                numbered.text[:{KEPT_TEXT}]
            FROM numbered JOIN conflicts_{number} AS conflicts ON conflicts.line = numbered.line
            JOIN files_{number} AS used ON used.download = used_download
            WHERE conflicts.download = $download
            """,
            {
                "paths": [str(files[int(row["file"])].readable)],
                "file_id": row["file_id"],
                "path": row["path"],
                "download": int(download),
            },
        )
    counts = account["download"].map(moved.set_index("download")["moved"]).fillna(0).astype("int64")
    return account.assign(
        reading_lines=account["reading_lines"] - counts, rejected_lines=account["rejected_lines"] + counts
    )
