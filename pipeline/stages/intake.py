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

from pipeline.site import LoggerLayout, Site, TimestampRule, WeatherRecord
from pipeline.site.structure import ISO_8601
from pipeline.stages.line_format import LineReading, RecordFormat, cell_type, interval_bounds, line_reading
from pipeline.stages.phrases import literal, words
from pipeline.stages.raw_text import FIELD_SEPARATOR, RawText, scan
from pipeline.stages.repeats import collapse_repeats, steps_back
from pipeline.tables import table
from pipeline.tables.schema import SQL_TYPES

LONGEST_LINE_BYTES = 4 << 20
KEPT_TEXT = 2000
BATCH_LINES = 1_500_000
"""Lines whose text is held at a time, unless one file has more."""
EMPTY_COUNTS = pd.DataFrame(
    columns=["file", "delivered", "blank_lines", "reading_lines", "rejected_lines", "first_time", "last_time"]
)
WEATHER = "weather files"
"""Stands where a logger's name stands for the files of the weather record."""


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
    readings = f"readings_{number}"
    types = "".join(f", {name} {cell_type(form, column)}" for column, name in names.items())
    session.execute(
        f"""
        CREATE OR REPLACE TEMP TABLE {readings} (
            file_id {file_ids}, file USMALLINT, line UINTEGER, interval_start TIMESTAMPTZ, interval_end TIMESTAMPTZ{types})
        """
    )
    by_header: dict[tuple[str, ...], list[RawText]] = {}
    for file in files:
        by_header.setdefault(_header(file, form.layout), []).append(file)
    accounts = []
    first = 0
    for header, group in by_header.items():
        reading = line_reading(form, header, names)
        for batch in _batches(group):
            accounts.append(_read_batch(session, site, form, batch, first, reading, names, readings))
            first += len(batch)
    account = pd.concat(accounts, ignore_index=True) if accounts else _account(form, [], 0, EMPTY_COUNTS)
    session.register("files_read", account)
    session.execute(
        f"""
        CREATE OR REPLACE TEMP TABLE files_{number} AS
        SELECT *, row_number() OVER (ORDER BY last_time NULLS FIRST, path)::USMALLINT AS download
        FROM files_read ORDER BY file
        """
    )
    session.unregister("files_read")
    _order_in_time(session, readings, f"files_{number}")
    conflicts = collapse_repeats(session, readings, f"files_{number}", list(names.values()), f"conflicts_{number}")
    if conflicts:
        ordered = [file for group in by_header.values() for file in group]
        account = _move_conflicts(session, account, ordered, number)
    return Record(form, readings, names, conflicts), account


def _batches(files: list[RawText]) -> Iterator[list[RawText]]:
    """Runs of files with no more than `BATCH_LINES` lines together, so that only so much text is held at a time."""
    batch: list[RawText] = []
    lines = 0
    for file in files:
        if batch and lines + file.lines > BATCH_LINES:
            yield batch
            batch, lines = [], 0
        batch.append(file)
        lines += file.lines
    if batch:
        yield batch


def _header(file: RawText, layout: LoggerLayout) -> tuple[str, ...]:
    """The column names as the file gives them; empty if it is too short to have any."""
    if len(file.head) < layout.names_on_line:
        return ()
    cells = file.head[layout.names_on_line - 1].split(layout.delimiter)
    return tuple(cell.strip().strip(layout.quote or "").strip() for cell in cells)


def _read_batch(
    session: duckdb.DuckDBPyConnection,
    site: Site,
    form: RecordFormat,
    files: list[RawText],
    first: int,
    reading: LineReading,
    names: dict[str, str],
    readings: str,
) -> pd.DataFrame:
    """Read files that share a header: usable lines go to the table `readings`, unusable ones to `rejected_lines`.

    Returns:
        The account of the files, which are numbered from `first` on.
    """
    values = "".join(
        f", {reading.values.get(column, 'NULL')}::{cell_type(form, column)} AS {name}" for column, name in names.items()
    )
    columns = "".join(f", {name}" for name in names.values())
    session.execute(
        f"""
        CREATE OR REPLACE TEMP TABLE lines AS
        WITH whole_lines AS ({_whole_lines()}),
        split_lines AS (SELECT file_index, text, {reading.cells} AS cells FROM whole_lines),
        read_lines AS (SELECT file_index, text, cells, {reading.stamp} AS stamp{values} FROM split_lines)
        SELECT file_index::USMALLINT AS file, stamp{columns}, {reading.problem} AS problem,
            CASE WHEN problem IS NOT NULL AND problem <> '' THEN text[:{KEPT_TEXT}] END AS text
        FROM read_lines
        """,
        {"paths": [str(file.readable) for file in files]},
    )
    # Lines stand in the order of the files and within them; the counts below prove that none is missing.
    begins = [0, *itertools.accumulate(file.lines for file in files)]
    first_rows = f"({begins}::BIGINT[])[file + 1]"
    below_header = f"rowid - {first_rows} >= {form.layout.lines_before_data}"
    start, end = interval_bounds(site, form, "stamp")
    counts = session.sql(
        f"""
        SELECT file, count(*) AS delivered,
            count(*) FILTER (problem = '' AND {below_header}) AS blank_lines,
            count(*) FILTER (problem IS NULL AND {below_header}) AS reading_lines,
            count(*) FILTER (problem <> '' AND {below_header}) AS rejected_lines,
            min({start}) FILTER (problem IS NULL AND {below_header}) AS first_time,
            max({end}) FILTER (problem IS NULL AND {below_header}) AS last_time
        FROM lines GROUP BY file
        """
    ).df()
    account = _account(form, files, first, counts)
    session.register("files_of_batch", account)
    session.execute(
        f"""
        INSERT INTO rejected_lines
        WITH unusable AS (
            SELECT file + {first} AS file, rowid - {first_rows} + 1 AS line, problem, text FROM lines
            WHERE problem <> '' AND {below_header}
        )
        SELECT file_id, path, line,
            problem || CASE WHEN damage <> '' AND line = lines THEN '; ' || damage ELSE '' END, text
        FROM unusable JOIN files_of_batch USING (file)
        """
    )
    session.unregister("files_of_batch")
    ids = ", ".join(literal(file.file_id) for file in files)
    session.execute(
        f"""
        INSERT INTO {readings}
        SELECT ([{ids}]::VARCHAR[])[file + 1], file + {first}, rowid - {first_rows} + 1, {start}, {end}{columns}
        FROM lines WHERE problem IS NULL AND {below_header}
        """
    )
    session.execute("DROP TABLE lines")
    return account


def _account(form: RecordFormat, files: list[RawText], first: int, counts: pd.DataFrame) -> pd.DataFrame:
    """The account of every file.

    Raises:
        IntakeError: more or fewer lines were read than the file has; names it.
    """
    facts = pd.DataFrame(
        {
            "file": pd.array(range(len(files)), dtype="int64"),
            "file_id": pd.array([file.file_id for file in files], dtype="str"),
            "path": pd.array([file.name for file in files], dtype="str"),
            "lines": pd.array([file.lines for file in files], dtype="int64"),
            "header_lines": pd.array([min(form.layout.lines_before_data, file.lines) for file in files], dtype="int64"),
            "damage": pd.array([file.damage or "" for file in files], dtype="str"),
        }
    )
    facts["kind"], facts["logger"], facts["layout"] = form.kind, form.logger, form.layout_name
    account = facts.merge(counts.astype({"file": "int64"}), on="file", how="left")
    whole = ["delivered", "blank_lines", "reading_lines", "rejected_lines"]
    account[whole] = account[whole].fillna(0).astype("int64")
    wrong = account[account["delivered"] != account["lines"]]
    if len(wrong):
        file = wrong.iloc[0]
        raise IntakeError(
            f"{file['path']} has {file['lines']} lines, but {file['delivered']} were read: the file changed while it was read, "
            "or holds line ends that are not understood. Run again; if it stays so, keep the file and report it."
        )
    account["file"] += first
    return account


def _whole_lines() -> str:
    """SQL that gives every line of the files $paths as it stands, in order."""
    return f"""
        SELECT file_index, coalesce(text, '') AS text
        FROM read_csv(
            $paths, columns = {{'text': 'VARCHAR'}}, delim = '{FIELD_SEPARATOR}', quote = '', escape = '', comment = '',
            header = false, auto_detect = false, max_line_size = {LONGEST_LINE_BYTES})"""


def _order_in_time(session: duckdb.DuckDBPyConnection, readings: str, files: str) -> None:
    """Put the readings in order of time; lines of one interval stand in order of download."""
    if not steps_back(session, readings, "<"):
        return
    session.execute(
        f"""
        CREATE OR REPLACE TEMP TABLE sorted_readings AS
        SELECT readings.* FROM {readings} AS readings JOIN {files} AS files USING (file)
        ORDER BY interval_start, download, line
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
                "paths": [str(files[int(file)].readable)],
                "file_id": row["file_id"],
                "path": row["path"],
                "file": int(file),
            },
        )
    counts = account["file"].map(moved.set_index("file")["moved"]).fillna(0).astype("int64")
    return account.assign(
        reading_lines=account["reading_lines"] - counts, rejected_lines=account["rejected_lines"] + counts
    )
