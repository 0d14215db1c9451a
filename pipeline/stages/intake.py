"""From raw text to readings: which line says what, and what became of every line.

Belongs here: reading raw files by their declared layout, one pass of DuckDB over many files at a time; the account of each file;
the lines that could not be used, each with its reason.
Does not: bytes and encodings (stages/raw_text.py), what a line says (stages/line_format.py), what several files hold twice
(stages/repeats.py), which column is which meter (stages/pulses.py).
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

import duckdb
import pandas as pd

from pipeline.site import Gauge, LoggerLayout, Site, TimestampRule, WeatherRecord, Wiring
from pipeline.site.structure import ISO_8601
from pipeline.stages.clock import interval_bounds, resolve_zone
from pipeline.stages.line_format import (
    BETWEEN_VALUES,
    HEAD,
    PULSE_UNITS,
    WITHIN_VALUE,
    LineReading,
    RecordFormat,
    cell_type,
    line_reading,
    unread_value,
)
from pipeline.stages.phrases import literal, words
from pipeline.stages.raw_text import FIELD_SEPARATOR, NameLine, RawText, Section, scan
from pipeline.stages.record_order import judge_order
from pipeline.stages.repeats import collapse_repeats, steps_back
from pipeline.tables import table
from pipeline.tables.schema import SQL_TYPES

LONGEST_LINE_BYTES = 4 << 20
KEPT_TEXT = 2000
BATCH_LINES = 1_500_000
"""Lines whose text is held at a time, unless one file has more."""
WEATHER = "weather files"
"""Stands where a logger's name stands for the files of the weather record."""
MOST_FILES = 60_000
"""Sections that are read at a time."""
NO_COUNTS = pd.DataFrame(
    columns=["file", "header_lines", "blank_lines", "reading_lines", "rejected_lines", "first_time", "last_time"]
)
NO_NOTES = pd.DataFrame({"file": pd.Series(dtype="int64"), "note": pd.Series(dtype="str")})


class IntakeError(Exception):
    """Raw files cannot be read; the message is a sentence for a person."""


@dataclass(frozen=True)
class Record:
    """All readings of one logger, in the session.

    `readings` names a session table with one row per interval, in order of time: file_id, file, line, interval_start,
    interval_end, one column per column that matters (`column_names`), and, where `has_conflicts`, `conflict`: the list of
    columns on which the files disagree.
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
    unread_values: duckdb.DuckDBPyRelation


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
                units=_units(site, name, tuple(whole)),
            )
        )
    if site.weather is not None:
        formats.append(_weather_format(site, site.weather))
    return formats


def _units(site: Site, logger: str, whole: tuple[str, ...]) -> dict[str, tuple[str, ...]]:
    """The words that may stand behind a column's numbers: a gauge's declared unit, or a word for pulses."""
    gauged: dict[str, tuple[str, ...]] = {}
    for row in site.gauges:
        if row.logger == logger:
            gauged[row.column] = tuple(dict.fromkeys((*gauged.get(row.column, ()), row.unit)))
    return gauged | dict.fromkeys(whole, PULSE_UNITS)


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
        scanned.append((form, [_scan(path, raw_folder, form, copies) for path in chosen]))
    if left:
        raise IntakeError(f"{min(left)} matches no file pattern in site.yaml, and is no weather file")
    for name in ("rejected_lines", "unread_values"):
        declared = ", ".join(f'"{column.name}" {SQL_TYPES[column.type]}' for column in table(name).columns)
        session.execute(f"CREATE OR REPLACE TEMP TABLE {name} ({declared})")
    file_ids = words(file.file_id for _, files in scanned for file in files)
    records: dict[str, Record] = {}
    accounts: list[pd.DataFrame] = []
    for number, (form, files) in enumerate(scanned):
        records[form.logger], account = _read_record(session, site, form, files, file_ids, number)
        accounts.append(account)
    columns = list(table("source_files").names)
    source_files = pd.concat(accounts, ignore_index=True)[columns].sort_values("path", ignore_index=True)
    return Readings(
        records,
        source_files,
        session.sql("FROM rejected_lines ORDER BY path, line"),
        session.sql('FROM unread_values ORDER BY path, line, "column"'),
    )


def _scan(path: Path, raw_folder: Path, form: RecordFormat, copies: Path) -> RawText:
    layout = form.layout
    name_line = NameLine(
        delimiter=layout.delimiter,
        quote=layout.quote,
        times=form.times,
        above=layout.names_on_line - 1,
        below=layout.lines_before_data - layout.names_on_line,
    )
    try:
        return scan(path, path.relative_to(raw_folder).as_posix(), layout.encoding, name_line, copies)
    except OSError as error:
        raise IntakeError(
            f"{path} cannot be read: {error.strerror or error}. Check the file and its permissions."
        ) from error


@dataclass(frozen=True)
class _Part:
    """A section of a file, the number of the file in its record, and the last line where it has no line end."""

    file: int
    section: Section
    open_end: str | None


def _read_record(
    session: duckdb.DuckDBPyConnection,
    site: Site,
    form: RecordFormat,
    files: list[RawText],
    file_ids: str,
    number: int,
) -> tuple[Record, pd.DataFrame]:
    names = {column: f"c{position}" for position, column in enumerate(form.columns)}
    readings = f"readings_{number}"
    types = "".join(f", {name} {cell_type(form, column)}" for column, name in names.items())
    session.execute(
        f"""
        CREATE OR REPLACE TEMP TABLE {readings} (
            file_id {file_ids}, file USMALLINT, line UINTEGER, interval_start TIMESTAMPTZ, interval_end TIMESTAMPTZ{types})
        """
    )
    parts: dict[tuple[tuple[str, ...] | None, int | None], list[_Part]] = {}
    for place, file in enumerate(files):
        for section in file.sections:
            alike = (section.names, section.width if section.names is None else None)
            open_end = file.open_end if section is file.sections[-1] else None
            parts.setdefault(alike, []).append(_Part(place, section, open_end))
    counts, notes = [NO_COUNTS], [NO_NOTES]
    for (header, width), of_header in parts.items():
        reading = line_reading(form, header, width, names)
        for batch in _batches(of_header):
            counted, noted = _read_batch(session, site, form, files, batch, reading, header, names, readings)
            counts.append(counted)
            notes.append(noted)
    account = _account(site, form, files, pd.concat(counts), pd.concat(notes))
    session.register("files_read", account)
    session.execute(
        f"""
        CREATE OR REPLACE TEMP TABLE files_{number} AS
        SELECT *, row_number() OVER (ORDER BY last_time NULLS FIRST, path)::USMALLINT AS download
        FROM files_read ORDER BY file
        """
    )
    session.unregister("files_read")
    key = "interval_end" if form.layout.timestamp.stamps == "end" else "interval_start"
    _order_in_time(session, readings, f"files_{number}", key)
    conflicts = collapse_repeats(session, readings, f"files_{number}", key, list(names.values()), f"conflicts_{number}")
    if conflicts:
        account = _move_conflicts(session, account, files, number)
    return Record(form, readings, names, conflicts), account


def _batches(parts: list[_Part]) -> Iterator[list[_Part]]:
    """Runs of sections with no more than `BATCH_LINES` lines together, so that only so much text is held at a time."""
    batch: list[_Part] = []
    lines = 0
    for part in parts:
        if batch and (lines + part.section.lines > BATCH_LINES or len(batch) == MOST_FILES):
            yield batch
            batch, lines = [], 0
        batch.append(part)
        lines += part.section.lines
    if batch:
        yield batch


def _read_batch(
    session: duckdb.DuckDBPyConnection,
    site: Site,
    form: RecordFormat,
    files: list[RawText],
    batch: list[_Part],
    reading: LineReading,
    header: tuple[str, ...] | None,
    names: dict[str, str],
    readings: str,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Read sections that share their column names: usable lines go to `readings`, unusable ones to `rejected_lines`, single
    values that cannot be used to `unread_values`.

    Returns:
        Counts of lines and first and last times by file; notes by file.
    """
    read = "".join(
        f", {reading.values.get(column, 'NULL')}::{cell_type(form, column)} AS {name}" for column, name in names.items()
    )
    checked = "".join(f", {reading.checked.get(column, name)} AS {name}" for column, name in names.items())
    columns = "".join(f", {name}" for name in names.values())
    session.execute(
        f"""
        CREATE OR REPLACE TEMP TABLE lines AS
        WITH whole_lines AS ({_whole_lines()}),
        split_lines AS (SELECT file_index, text, {reading.cells} AS cells FROM whole_lines),
        read_lines AS (SELECT file_index, text, cells, {reading.stamp} AS stamp{read} FROM split_lines),
        judged_lines AS (
            SELECT file_index, text, stamp{checked}, {reading.problem} AS problem, {reading.unread} AS unread FROM read_lines
        )
        SELECT file_index::USMALLINT AS file, stamp{columns}, problem, CASE WHEN problem IS NULL THEN unread END AS unread,
            CASE WHEN problem IS NOT NULL OR unread IS NOT NULL THEN text[:{KEPT_TEXT}] END AS text,
            NULL::BIGINT AS length_us, NULL::BIGINT AS offset_us
        FROM judged_lines
        """,
        {"paths": [str(part.section.readable) for part in batch]},
    )
    # Lines stand in the order of the sections and within them; the counts below prove that none is missing.
    begins = [0, *itertools.accumulate(part.section.lines for part in batch)]
    _mark_heads(session, batch, begins)
    _distrust_open_ends(session, form, batch, begins, header, names)
    notes = judge_order(session, form, "lines")
    resolve_zone(session, form, "lines")
    start, end = interval_bounds(site, form)
    counts = session.sql(
        f"""
        SELECT file, count(*) AS delivered, min(rowid) AS first_row, max(rowid) AS last_row,
            count(*) FILTER (problem = {literal(HEAD)}) AS header_lines,
            count(*) FILTER (problem = '') AS blank_lines,
            count(*) FILTER (problem IS NULL) AS reading_lines,
            count(*) FILTER (problem NOT IN ('', {literal(HEAD)})) AS rejected_lines,
            min({start}) FILTER (problem IS NULL) AS first_time,
            max({end}) FILTER (problem IS NULL) AS last_time
        FROM lines GROUP BY file
        """
    ).df()
    _all_delivered(files, batch, begins, counts)
    # Facts of a section are looked up in lists, since a join need not keep the order of rows.
    place = f"({[part.file for part in batch]}::BIGINT[])[file + 1]"
    above = [begin - part.section.first_line for begin, part in zip(begins, batch, strict=False)]
    line = f"(rowid - ({above}::BIGINT[])[file + 1] + 1)"
    file_id = f"([{', '.join(literal(files[part.file].file_id) for part in batch)}]::VARCHAR[])[file + 1]"
    path = f"([{', '.join(literal(files[part.file].name) for part in batch)}]::VARCHAR[])[file + 1]"
    session.execute(
        f"""
        INSERT INTO rejected_lines
        SELECT {file_id}, {path}, {line}, problem, text FROM lines WHERE problem NOT IN ('', {literal(HEAD)})
        """
    )
    session.execute(
        f"""
        INSERT INTO unread_values
        SELECT file_id, path, line, split_part(one, {literal(WITHIN_VALUE)}, 1), split_part(one, {literal(WITHIN_VALUE)}, 2), text
        FROM (
            SELECT {file_id} AS file_id, {path} AS path, {line} AS line, text,
                unnest(string_split(unread, {literal(BETWEEN_VALUES)})) AS one
            FROM lines WHERE unread IS NOT NULL AND problem IS NULL
        )
        """
    )
    session.execute(
        f"""
        INSERT INTO {readings}
        SELECT {file_id}, {place}, {line}, {start}, {end}{columns} FROM lines WHERE problem IS NULL
        """
    )
    session.execute("DROP TABLE lines")
    of_file = dict(enumerate(part.file for part in batch))
    return counts.assign(file=counts["file"].map(of_file)), notes.assign(file=notes["file"].map(of_file))


def _mark_heads(session: duckdb.DuckDBPyConnection, batch: list[_Part], begins: list[int]) -> None:
    """Mark the lines of heads: the first of a section for certain, those beside them unless they can be read."""
    certain: list[int] = []
    likely: list[int] = []
    for begin, part in zip(begins, batch, strict=False):
        section = part.section
        certain.extend(range(begin, begin + section.head))
        likely.extend(range(begin + section.head, begin + min(section.head + section.below, section.lines)))
        likely.extend(range(begin + max(section.lines - section.tail, section.head), begin + section.lines))
    for rows, condition in ((certain, "true"), (likely, "problem <> ''")):
        if rows:
            session.execute(
                f"UPDATE lines SET problem = {literal(HEAD)}, unread = NULL WHERE {condition} AND rowid IN (SELECT unnest($rows))",
                {"rows": rows},
            )


def _distrust_open_ends(
    session: duckdb.DuckDBPyConnection,
    form: RecordFormat,
    batch: list[_Part],
    begins: list[int],
    header: tuple[str, ...] | None,
    names: dict[str, str],
) -> None:
    """A file that ends within a line may have lost digits of that line's last value: do not use it, unless it is 0."""
    if not header or header[-1] not in names:
        return
    column, name = header[-1], names[header[-1]]
    reason = f"column {column}: the file ends within this line, so that the value may be cut short; download it again"
    for begin, part in zip(begins, batch, strict=False):
        if part.open_end is not None:
            session.execute(
                f"""
                UPDATE lines SET {name} = NULL, text = $text,
                    unread = concat_ws({literal(BETWEEN_VALUES)}, unread, {unread_value(column, literal(reason))})
                WHERE rowid = $row AND problem IS NULL AND {name} IS NOT NULL AND {name} <> 0
                """,
                {"row": begin + part.section.lines - 1, "text": part.open_end[:KEPT_TEXT]},
            )


def _all_delivered(files: list[RawText], batch: list[_Part], begins: list[int], counts: pd.DataFrame) -> None:
    """Hold the lines that were read, and their places, against those that were counted.

    Raises:
        IntakeError: more or fewer lines were read than the file has; names it.
    """
    places = counts[["file", "delivered", "first_row", "last_row"]].itertuples(index=False, name=None)
    read = {place: found for place, *found in places}
    for place, (begin, part) in enumerate(zip(begins, batch, strict=False)):
        found = read.get(place, [0, -1, -1])
        if found != [part.section.lines, begin, begin + part.section.lines - 1]:
            raise IntakeError(
                f"{files[part.file].name} has {part.section.lines} lines after line {part.section.first_line}, but {found[0]} were "
                "read: the file changed while it was read, or holds line ends that are not understood. Run again; if it stays "
                "so, keep the file and report it."
            )


def _account(
    site: Site, form: RecordFormat, files: list[RawText], counts: pd.DataFrame, notes: pd.DataFrame
) -> pd.DataFrame:
    """The account of every file."""
    facts = pd.DataFrame(
        {
            "file": pd.array(range(len(files)), dtype="int64"),
            "file_id": pd.array([file.file_id for file in files], dtype="str"),
            "path": pd.array([file.name for file in files], dtype="str"),
            "bytes": pd.array([file.bytes for file in files], dtype="int64"),
            "lines": pd.array([file.lines for file in files], dtype="int64"),
        }
    )
    facts["kind"], facts["logger"], facts["layout"] = form.kind, form.logger, form.layout_name
    whole = ["header_lines", "blank_lines", "reading_lines", "rejected_lines"]
    by_file = (
        counts.astype({"file": "int64"})
        .groupby("file")
        .agg(dict.fromkeys(whole, "sum") | {"first_time": "min", "last_time": "max"})
    )
    account = facts.merge(by_file, left_on="file", right_index=True, how="left")
    account[whole] = account[whole].fillna(0).astype("int64")
    said = {place: list(file.notes) for place, file in enumerate(files)}
    for file, note in zip(notes["file"], notes["note"], strict=True):
        said[file].append(note)
    for place, first, last in zip(account["file"], account["first_time"], account["last_time"], strict=True):
        said[place].extend(_absent_columns(site, form, files[place], first, last))
    account["note"] = pd.array(["; ".join(said[place]) or None for place in account["file"]], dtype="str")
    return account


def _absent_columns(
    site: Site, form: RecordFormat, file: RawText, first: pd.Timestamp, last: pd.Timestamp
) -> Iterator[str]:
    """Sentences for columns that are wired while the file's readings last, and that the file does not name."""
    known = {name for section in file.sections for name in section.names or ()}
    if pd.isna(first) or form.kind != "logger":
        return
    rows: list[Wiring | Gauge] = [*site.wiring, *site.gauges]
    for row in rows:
        wired = row.logger == form.logger and row.start < last and (row.end is None or row.end > first)
        if wired and row.column not in known:
            to = f"meter {row.meter} {row.direction}" if isinstance(row, Wiring) else f"gauge {row.gauge}"
            yield f"column «{row.column}» is wired to {to}, and the file has no such column"


def _whole_lines() -> str:
    """SQL that gives every line of the files $paths as it stands, in order."""
    return f"""
        SELECT file_index, coalesce(text, '') AS text
        FROM read_csv(
            $paths, columns = {{'text': 'VARCHAR'}}, delim = '{FIELD_SEPARATOR}', quote = '', escape = '', comment = '',
            header = false, auto_detect = false, max_line_size = {LONGEST_LINE_BYTES})"""


def _order_in_time(session: duckdb.DuckDBPyConnection, readings: str, files: str, key: str) -> None:
    """Put the readings in order of time; lines of one interval stand in order of download."""
    if not steps_back(session, readings, key, "<"):
        return
    session.execute(
        f"""
        CREATE OR REPLACE TEMP TABLE sorted_readings AS
        SELECT readings.* FROM {readings} AS readings JOIN {files} AS files USING (file)
        ORDER BY {key}, download, line
        """
    )
    session.execute(f"DROP TABLE {readings}")
    session.execute(f"ALTER TABLE sorted_readings RENAME TO {readings}")


def _move_conflicts(
    session: duckdb.DuckDBPyConnection, account: pd.DataFrame, files: list[RawText], number: int
) -> pd.DataFrame:
    """Move lines that a later download contradicts from the readings to the rejected lines."""
    moved = session.sql(f"SELECT file, count(*) AS moved FROM conflicts_{number} GROUP BY file").df()
    for file in moved["file"]:
        row = account.loc[account["file"] == file].iloc[0]
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
            JOIN files_{number} AS used ON used.file = used_file
            WHERE conflicts.file = $file
            """,
            {
                "paths": [str(section.readable) for section in files[int(file)].sections],
                "file_id": row["file_id"],
                "path": row["path"],
                "file": int(file),
            },
        )
    counts = account["file"].map(moved.set_index("file")["moved"]).fillna(0).astype("int64")
    return account.assign(
        reading_lines=account["reading_lines"] - counts, rejected_lines=account["rejected_lines"] + counts
    )
