"""Rows as comma-separated text that every reader reads and no spreadsheet executes.

Belongs here: how a value is written into a cell (RFC 4180), the mark that keeps a spreadsheet from taking text for a formula.
Does not: which rows (package.py), what the columns mean (tables/).

A spreadsheet takes a cell that begins with = + - @ for a formula, whatever the file meant, and some also begin a new cell after a
semicolon, a tabulator or a line's end inside a text. So an apostrophe stands before such a text, and after such a mark inside it. A text
that has an apostrophe there by itself gets one more, so that taking one away at each of these places gives the text back.
Numbers and times are never marked: a negative number stays a number.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import duckdb
import pyarrow as pa

from pipeline.tables import Column, Table

FORMULA_MARKS = "=+\\-@＝＋－＠"
"""What a spreadsheet takes for the beginning of a formula; the last four are the wide forms of East Asian keyboards."""

INSIDE = rf"([;\t\r\n])([ \"]*[{FORMULA_MARKS}'])"
AT_START = rf"^([ \"]*[{FORMULA_MARKS}']|[\t\r\n])"
MUST_BE_QUOTED = '[",\r\n]'
ROWS_AT_ONCE = 61_440


def guarded(text: str) -> str:
    """A text as it is written into a cell: marked where a spreadsheet would execute it."""
    return re.sub(AT_START, r"'\1", re.sub(INSIDE, r"\1'\2", text))


def unguarded(cell: str) -> str:
    """The text that was written into a cell by `guarded`."""
    return re.sub(r"^'", "", re.sub(r"([;\t\r\n])'", r"\1", cell))


def write_csv(rows: duckdb.DuckDBPyRelation, table: Table, path: Path, wrote: Callable[[int], None]) -> int:
    """Write rows as RFC 4180 text in UTF-8: a head of column names, CRLF after every line, times by ISO 8601 in UTC.

    A missing value is an empty cell. In a column that may be missing, a text without words is a lone apostrophe.

    Args:
        rows: the declared columns; DuckDB streams them in bounded memory.
        table: their declaration.
        path: the file, which is written whole.
        wrote: told how many rows have been written since it was told last.

    Returns:
        The number of rows.
    """
    fractions = _columns_with_fractions(rows, table)
    cells = [_quoted(_cell(column, column.name in fractions)) for column in table.columns]
    line = f"concat_ws(',', {', '.join(cells)}) || chr(13) || chr(10)"
    written = 0
    with path.open("wb") as stream:
        stream.write((",".join(table.names) + "\r\n").encode())
        for batch in rows.project(f"{line} AS line").to_arrow_reader(ROWS_AT_ONCE):
            stream.write(_joined(batch.column(0)))
            written += batch.num_rows
            wrote(batch.num_rows)
    return written


def _joined(lines: pa.Array) -> memoryview:
    """The texts of an array one after the other, as they already lie in memory."""
    lines = lines.cast(pa.large_string())
    offsets = memoryview(lines.buffers()[1]).cast("q")
    first, after = offsets[lines.offset], offsets[lines.offset + len(lines)]
    return memoryview(lines.buffers()[2] or b"")[first:after]


def _columns_with_fractions(rows: duckdb.DuckDBPyRelation, table: Table) -> set[str]:
    """Columns of instants in which some instant is no whole second: all of theirs are written with six decimals."""
    instants = [column.name for column in table.columns if column.type == "instant"]
    if not instants:
        return set()
    asked = ", ".join(f'coalesce(bool_or(epoch_us("{name}") % 1000000 <> 0), false)' for name in instants)
    (found,) = rows.aggregate(asked).fetchall()
    return {name for name, fractional in zip(instants, found, strict=True) if fractional}


def _cell(column: Column, with_fraction: bool) -> str:
    name = f'"{column.name}"'
    if column.type == "instant":
        return f"coalesce(strftime({name}, '%Y-%m-%dT%H:%M:%S{'.%f' if with_fraction else ''}Z'), '')"
    if column.type == "decimal":
        # The standard's words for numbers that are none; Python's and DuckDB's shortest text of a number reads back as itself.
        words = f"WHEN isnan({name}) THEN 'NaN' WHEN isinf({name}) THEN if({name} > 0, 'INF', '-INF')"
        return f"CASE WHEN {name} IS NULL THEN '' {words} ELSE {name}::VARCHAR END"
    if column.type in ("text", "code"):
        marked = f"regexp_replace({name}::VARCHAR, {_sql(INSIDE)}, '\\1''\\2', 'g')"
        marked = f"regexp_replace({marked}, {_sql(AT_START)}, '''\\1')"
        return f"CASE WHEN {name} IS NULL THEN '' WHEN {name} = '' THEN {_wordless(column)} ELSE {marked} END"
    return f"coalesce({name}::VARCHAR, '')"


def _wordless(column: Column) -> str:
    return "''''" if column.nullable else "''"


def _quoted(cell: str) -> str:
    return (
        f"CASE WHEN regexp_matches({cell}, {_sql(MUST_BE_QUOTED)}) "
        f"""THEN '"' || replace({cell}, '"', '""') || '"' ELSE {cell} END"""
    )


def _sql(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"
