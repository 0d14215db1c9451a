"""What the program makes of one raw file.

Belongs here: which declared layout reads the file, or where it differs from the nearest; the account of its lines, columns and
times; what of it is in the lake already.
Does not: how that is shown (publish/inspection_text.py), reading files (stages/). Nothing is written, neither file nor lake.

The file is read through a link in a folder of its own, so that it may lie anywhere and have any name.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import timedelta
from itertools import combinations
from pathlib import Path, PurePosixPath

import duckdb
import pandas as pd

from pipeline.lake import Lake, open_session
from pipeline.publish.inspection_overlap import Overlap, overlap
from pipeline.site import Gauge, Logger, Site, Wiring
from pipeline.stages.first_look import FirstLook, look_at
from pipeline.stages.intake import WEATHER, IntakeError, Readings, Record, read_raw_files, record_formats
from pipeline.stages.layout_differences import layout_differences, time_columns
from pipeline.stages.layout_proposal import LayoutProposal, NoProposalError, propose_layout
from pipeline.stages.line_format import RecordFormat

MOST_EXAMPLES = 3
MOST_HEAD_LINES = 50
"""Lines in which words are looked for that may be column names."""
FEWEST_LINES_OF_A_SUM = 20
SHARE_OF_A_SUM = 0.99


@dataclass(frozen=True)
class Reason:
    """Lines or values that could not be used for one reason: how many, and examples (line and text)."""

    reason: str
    count: int
    examples: tuple[tuple[int, str], ...]
    column: str | None = None


@dataclass(frozen=True)
class ColumnUse:
    """A column of the file and what the site says of it.

    `use` is in words; `values` and `unread` count cells that hold a value and cells that cannot be used (none where the program
    passes the column over). `wired`: a meter or gauge is on it while the file's readings last; `absent`: not in the file.
    """

    name: str
    use: str
    values: int | None = None
    unread: int | None = None
    wired: bool = False
    absent: bool = False


@dataclass(frozen=True)
class Reading:
    """The file as one declared layout reads it.

    `logger` is its logger, or `WEATHER`. `pattern`: the file lies where the logger's pattern finds it. `alike` are other loggers
    by which it could be read as well.
    """

    site: Site
    form: RecordFormat
    pattern: bool
    account: pd.Series
    names: tuple[str, ...]
    fits: bool
    columns: tuple[ColumnUse, ...]
    rejected: tuple[Reason, ...]
    unread: tuple[Reason, ...]
    steps: tuple[tuple[timedelta, int], ...]
    sums: tuple[str, ...]
    overlap: Overlap | None
    alike: tuple[str, ...] = ()

    @property
    def logger(self) -> str:
        """Name of the logger."""
        return self.form.logger


@dataclass(frozen=True)
class Inspection:
    """Everything that is known of a file.

    `reading` is by the layout that fits best, or that its place in the lake demands; none if no site is known. `differences` say
    where the file departs from that layout. `proposal` is a layout that may fit where none does, `no_proposal` says why there is
    none. `name_in_lake` is its path below the raw folder of a site, if it lies there. `failures` are sentences about what
    could not be looked at.
    """

    path: Path
    look: FirstLook
    reading: Reading | None
    differences: tuple[str, ...]
    proposal: LayoutProposal | None
    no_proposal: str | None
    layouts_tried: int
    name_in_lake: str | None
    failures: tuple[str, ...] = ()

    @property
    def fits(self) -> bool:
        """Whether a declared layout reads the file."""
        return self.reading is not None and self.reading.fits


def inspect(path: Path, sites: Sequence[Site], lake: Lake | None, workspace: Path) -> Inspection:
    """Look at one file.

    Args:
        path: the file, anywhere.
        sites: the sites whose layouts are tried.
        lake: holds what is there already; none: nothing is compared.
        workspace: an empty folder of the caller's, for links and plain copies.

    Raises:
        OSError: the file cannot be read.
    """
    look = look_at(path)
    place = _place_in_lake(path, sites, lake)
    failures: list[str] = []
    with open_session(workspace / "spill") as session:
        chosen = _chosen(session, path, look, sites, place, workspace, failures) if look.size else None
        reading = None
        if chosen is not None:
            reading = _whole_reading(session, path, look, chosen, lake, place, workspace, failures)
        proposal, why = _proposal(look)
        differences: tuple[str, ...] = ()
        if reading is not None and look.no_text is None:
            optional = reading.logger == WEATHER
            wired = [column.name for column in reading.columns if column.wired and not optional]
            layout = reading.form.layout
            differences = tuple(layout_differences(session, layout, wired, reading.names, look.encoding, proposal))
    return Inspection(
        path=path,
        look=look,
        reading=reading,
        differences=differences,
        proposal=proposal,
        no_proposal=why,
        layouts_tried=sum(len(site.logger_layouts) for site in sites),
        name_in_lake=None if place is None else place.name,
        failures=tuple(failures),
    )


def _proposal(look: FirstLook) -> tuple[LayoutProposal | None, str | None]:
    if look.no_text is not None:
        return None, f"The file is {look.no_text}"
    try:
        return propose_layout(look.first_lines), None
    except NoProposalError as error:
        return None, str(error)


@dataclass(frozen=True)
class _Place:
    """Where in a lake a file lies: the site's raw folder, the path below it, and the family of files whose pattern finds it."""

    site: Site
    raw: Path
    name: str
    form: RecordFormat | None


def _place_in_lake(path: Path, sites: Iterable[Site], lake: Lake | None) -> _Place | None:
    whole = path.resolve()
    for site in sites if lake is not None else ():
        assert lake is not None
        raw = lake.raw(site.site).resolve()
        if whole.is_relative_to(raw):
            found = (form for form in record_formats(site) if whole in raw.glob(form.files))
            return _Place(site, raw, whole.relative_to(raw).as_posix(), next(found, None))
    return None


@dataclass(frozen=True)
class _Choice:
    """The family of files as which a file is read, and others that read it as well."""

    site: Site
    form: RecordFormat
    pattern: bool
    alike: tuple[str, ...]


def _chosen(
    session: duckdb.DuckDBPyConnection,
    path: Path,
    look: FirstLook,
    sites: Sequence[Site],
    place: _Place | None,
    workspace: Path,
    failures: list[str],
) -> _Choice | None:
    """The family of files that the file belongs to by its place, or that reads most of its first lines; none if no family is like it."""
    if place is not None and place.form is not None:
        return _Choice(place.site, place.form, True, ())
    sample = path
    if not look.whole:
        sample = workspace / "sample" / path.name.removesuffix(".gz")
        sample.parent.mkdir()
        sample.write_bytes(look.first_bytes)
    words = {_word(cell) for line in look.first_lines[:MOST_HEAD_LINES] for cell in re.split(r"[;,\t|]", line)}
    tried: list[tuple[tuple[int, int, float, bool], Site, RecordFormat]] = []
    for site in [place.site] if place is not None else sites:
        for form in (*record_formats(site), *_unused_layouts(site)):
            try:
                readings = _read(session, site, form, sample, workspace)
            except (IntakeError, duckdb.Error) as error:
                failures.append(f"{form.layout_name}: {error}")
                continue
            account = readings.source_files.iloc[0]
            names = _names(form, look)
            wired = sum(column in names for column in form.columns)
            by_name = PurePosixPath(path.name).match(PurePosixPath(form.files).name)
            score = (int(account["reading_lines"]), wired, _likeness(form, words), by_name)
            tried.append((score, site, form))
    best = max(tried, key=lambda one: one[0], default=None)
    if best is None or not any(best[0][:3]):
        return None
    alike = tuple(
        form.logger for score, _, form in tried if form is not best[2] and score[:2] == best[0][:2] and score[0] > 0
    )
    return _Choice(best[1], best[2], False, alike)


def _unused_layouts(site: Site) -> Iterator[RecordFormat]:
    """Layouts that no logger has, each as a family of files of its own, without columns that matter."""
    for name in site.logger_layouts.keys() - {logger.layout for logger in site.loggers.values()}:
        yield RecordFormat(f"no logger has the layout {name}", "logger", "*", name, site.logger_layouts[name])


def _likeness(form: RecordFormat, words: set[str]) -> float:
    """Share of the columns that a family of files needs which stand among words."""
    needed = {_word(column) for column in (*time_columns(form.layout), *form.columns)}
    return len(needed & words) / len(needed)


def _word(cell: str) -> str:
    return cell.strip().strip("\"'").strip().casefold()


def _read(session: duckdb.DuckDBPyConnection, site: Site, form: RecordFormat, path: Path, workspace: Path) -> Readings:
    """Read a file as one of a family, wherever it lies and however it is called.

    Raises:
        IntakeError: the file cannot be read.
    """
    raw = workspace / "raw"
    for folder in (raw / "logger", raw / "weather", workspace / "copies"):
        folder.mkdir(parents=True, exist_ok=True)
    for link in (*(raw / "logger").iterdir(), *(raw / "weather").iterdir()):
        link.unlink()
    if form.logger == WEATHER:
        link = raw / "weather" / ("file.csv.gz" if path.suffix == ".gz" else "file.csv")
        alone = site.model_copy(update={"loggers": {}})
    else:
        link = raw / "logger" / path.name
        logger = Logger(layout=form.layout_name, files="logger/*")
        alone = site.model_copy(update={"loggers": {form.logger: logger}, "weather": None})
    link.symlink_to(path.resolve())
    return read_raw_files(session, alone, raw, [link], workspace / "copies")


def _whole_reading(
    session: duckdb.DuckDBPyConnection,
    path: Path,
    look: FirstLook,
    chosen: _Choice,
    lake: Lake | None,
    place: _Place | None,
    workspace: Path,
    failures: list[str],
) -> Reading | None:
    try:
        readings = _read(session, chosen.site, chosen.form, path, workspace)
    except (IntakeError, duckdb.Error) as error:
        failures.append(str(error))
        return None
    account = readings.source_files.iloc[0]
    record = readings.records[chosen.form.logger]
    names = _names(chosen.form, look)
    read, rejected = int(account["reading_lines"]), int(account["rejected_lines"])
    times_named = bool(names) and all(time in names for time in time_columns(chosen.form.layout))
    unread = _unread_values(session, readings.unread_values)
    return Reading(
        site=chosen.site,
        form=chosen.form,
        pattern=chosen.pattern,
        account=account,
        names=names,
        fits=read >= max(rejected, 1) or (read == rejected == 0 and times_named),
        columns=tuple(_column_uses(session, chosen.site, record, account, names, unread)),
        rejected=_reasons(session, readings.rejected_lines),
        unread=unread,
        steps=_steps(session, record),
        sums=tuple(_sums(session, record)),
        overlap=None
        if lake is None
        else overlap(session, lake, chosen.site, readings, account, place.name if place else None),
        alike=chosen.alike,
    )


def _names(form: RecordFormat, look: FirstLook) -> tuple[str, ...]:
    """The column names that a layout finds in the first lines: those of the declared line, else the first with all time columns."""
    layout = form.layout
    lines = look.first_lines
    quote = layout.quote or ""

    def cells(line: str) -> tuple[str, ...]:
        return tuple(cell.strip().strip(quote).strip() for cell in line.split(layout.delimiter))

    declared = [lines[layout.names_on_line - 1]] if len(lines) >= layout.names_on_line else []
    for line in (*declared, *lines):
        if all(time in cells(line) for time in time_columns(layout)):
            return cells(line)
    return cells(declared[0]) if declared else ()


def _reasons(session: duckdb.DuckDBPyConnection, rejected: duckdb.DuckDBPyRelation) -> tuple[Reason, ...]:
    """Rejected lines by reason; reasons that differ in the text that was found, or in numbers, are one."""
    rejected.create_view("lines_refused", replace=True)
    rows = session.execute(
        f"""
        WITH kinds AS (
            SELECT *, regexp_replace(regexp_replace(reason, '«[^»]*»', '«…»'), '[0-9]+', '…', 'g') AS kind FROM lines_refused
        )
        SELECT CASE WHEN count(DISTINCT reason) = 1 THEN any_value(reason) ELSE kind END, count(*),
            list({{'line': line, 'text': text}} ORDER BY line)[:{MOST_EXAMPLES}]
        FROM kinds GROUP BY kind ORDER BY count(*) DESC, min(line)
        """
    ).fetchall()
    return tuple(
        Reason(reason, count, tuple((one["line"], one["text"]) for one in examples)) for reason, count, examples in rows
    )


def _unread_values(session: duckdb.DuckDBPyConnection, unread: duckdb.DuckDBPyRelation) -> tuple[Reason, ...]:
    """Values that cannot be used, by column; the examples hold the reasons, which show the values."""
    unread.create_view("values_refused", replace=True)
    rows = session.execute(
        f"""
        SELECT "column", count(*), list({{'line': line, 'reason': reason}} ORDER BY line)[:{MOST_EXAMPLES}]
        FROM values_refused GROUP BY "column" ORDER BY count(*) DESC, "column"
        """
    ).fetchall()
    return tuple(
        Reason(examples[0]["reason"], count, tuple((one["line"], one["reason"]) for one in examples), column)
        for column, count, examples in rows
    )


def _column_uses(
    session: duckdb.DuckDBPyConnection,
    site: Site,
    record: Record,
    account: pd.Series,
    names: Sequence[str],
    unread: Iterable[Reason],
) -> Iterator[ColumnUse]:
    form = record.format
    sql_names = record.column_names
    counted = ", ".join(f"count({sql_name})" for sql_name in sql_names.values()) or "0"
    (counts,) = session.execute(f"SELECT {counted} FROM {record.readings}").fetchall()
    values = dict(zip(sql_names, counts, strict=False))
    refused = {one.column: one.count for one in unread}
    times = time_columns(form.layout)
    for name in names:
        if name in times:
            yield ColumnUse(name, "time")
        elif name in sql_names:
            uses = list(_uses(site, form, name, account))
            use = ", ".join(uses) or "wired at other times only"
            yield ColumnUse(name, use, values[name], refused.get(name, 0), wired=bool(uses))
        else:
            yield ColumnUse(name, "nothing is wired to it: passed over")
    for name in (*times, *form.columns):
        if name not in names:
            uses = ["time"] if name in times else list(_uses(site, form, name, account))
            if values.get(name):
                use = f"{', '.join(uses) or 'wired at other times only'} (named further down in the file)"
                yield ColumnUse(name, use, values[name], refused.get(name, 0))
            elif uses:
                yield ColumnUse(name, ", ".join(uses), wired=name not in times, absent=True)


def _uses(site: Site, form: RecordFormat, column: str, account: pd.Series) -> Iterator[str]:
    """What a column means while the file's readings last (or at any time, if it has none), in words."""
    if form.logger == WEATHER:
        yield {"rain_mm": "rain, mm", "air_temp_c": "air temperature, °C"}[column]
    rows: list[Wiring | Gauge] = [*site.wiring, *site.gauges]
    for row in rows:
        if row.logger != form.logger or row.column != column or not _meanwhile(row, account):
            continue
        if isinstance(row, Wiring):
            total = f", running total to {row.modulus:,}" if row.counts == "running" and row.modulus else ""
            yield f"meter {row.meter}, {row.direction}{total}"
        else:
            yield f"gauge {row.gauge}, {row.quantity.replace('_', ' ')} in {row.unit}"


def _meanwhile(row: Wiring | Gauge, account: pd.Series) -> bool:
    return pd.isna(account["first_time"]) or row.touches(account["first_time"], account["last_time"])


def _steps(session: duckdb.DuckDBPyConnection, record: Record) -> tuple[tuple[timedelta, int], ...]:
    """The most common steps from interval to interval, and how often each is."""
    rows = session.execute(
        f"""
        SELECT step, count(*) FROM (
            SELECT epoch_us(interval_start) - lag(epoch_us(interval_start)) OVER (ORDER BY interval_start) AS step
            FROM {record.readings}
        )
        WHERE step IS NOT NULL GROUP BY step ORDER BY count(*) DESC, step LIMIT {MOST_EXAMPLES}
        """
    ).fetchall()
    return tuple((timedelta(microseconds=step), count) for step, count in rows)


def _sums(session: duckdb.DuckDBPyConnection, record: Record) -> Iterator[str]:
    """Sentences for columns of counts that are the sum of two others where both of those count."""
    form = record.format
    sql_names = {column: record.column_names[column] for column in form.whole}
    triples = [
        (total, one, other)
        for total in sql_names
        for one, other in combinations([column for column in sql_names if column != total], 2)
    ]
    if not triples:
        return
    counts = ", ".join(
        f"{name} - lag({name}) OVER (ORDER BY interval_start) AS {name}" if column in form.large else name
        for column, name in sql_names.items()
    )
    measured = ", ".join(
        f"count(*) FILTER ({a} > 0 AND {b} > 0), count(*) FILTER ({a} > 0 AND {b} > 0 AND {c} = {a}::BIGINT + {b})"
        for c, a, b in (tuple(sql_names[column] for column in triple) for triple in triples)
    )
    (found,) = session.execute(f"SELECT {measured} FROM (SELECT {counts} FROM {record.readings})").fetchall()
    for (total, one, other), both, equal in zip(triples, found[::2], found[1::2], strict=True):
        if both >= FEWEST_LINES_OF_A_SUM and equal >= SHARE_OF_A_SUM * both:
            yield (
                f"Column {total} is the sum of {one} and {other} in {equal:,} of the {both:,} lines in which both of these count: "
                "perhaps two wires were joined, or the logger adds two channels; what it counts then belongs to no meter of its own"
            )
