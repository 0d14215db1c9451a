"""From a CSV file to typed rows, and to everything that is wrong with it.

Belongs here: bytes to text, text to records (RFC 4180), the header, one row at a time.
Does not: what a row must satisfy (registers.py), what rows must agree on (agreement.py).
"""

from __future__ import annotations

import codecs
import csv
import io
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from itertools import islice
from pathlib import Path
from typing import Generic, TypeVar

from pydantic import ValidationError

from pipeline.site.errors import SiteError, listed, or_nearest, quoted
from pipeline.site.registers import Row
from pipeline.site.values import allowed_and_advice

LARGEST_FILE_BYTES = 50 << 20
"""A register is kept by people; a larger file is something else."""
OTHER_DELIMITERS = {";": "semicolons", "\t": "tabulators", "|": "vertical bars"}

RowT = TypeVar("RowT", bound=Row)


@dataclass(frozen=True)
class Register(Generic[RowT]):
    """A register as read: its usable rows, and the cells of all rows, by which unusable ones are still known.

    `complete` is False where the file is absent though it must be there, lacks a column, or has a line that cannot be split into
    cells: nothing then follows from what it does not say. `header` names the columns in which all names are known.
    """

    rows: tuple[RowT, ...] = ()
    cells: tuple[dict[str, str], ...] = ()
    unusable: tuple[dict[str, str], ...] = ()
    header: frozenset[str] = frozenset()
    complete: bool = False
    errors: list[SiteError] = field(default_factory=list)

    def names(self, column: str) -> set[str] | None:
        """Every name that the column gives, in usable rows or not; None if the file cannot tell."""
        if column not in self.header:
            return set() if self.complete else None  # complete without a header: a file that may be absent, and is
        return {cells[column] for cells in self.cells if cells[column]}


def read_text(path: Path, errors: list[SiteError]) -> str | None:
    """The text of a UTF-8 file, with or without byte-order mark; None where it is no text at all.

    A byte that is not UTF-8 is an error and becomes the replacement character, so that the rest can still be looked at.
    """
    advice = "Save it again as UTF-8 (spreadsheets call it «CSV UTF-8»)"
    try:
        if path.stat().st_size > LARGEST_FILE_BYTES:
            errors.append(
                SiteError(
                    path.name, None, None, f"{path.stat().st_size} bytes", "at most 50 MiB", "Is it the right file?"
                )
            )
            return None
        stored = path.read_bytes()
    except OSError as error:
        reason = error.strerror or type(error).__name__
        errors.append(
            SiteError(path.name, None, None, f"a file that cannot be read ({reason})", "a file", "Put it right")
        )
        return None
    if stored.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)) or b"\0" in stored:
        errors.append(SiteError(path.name, 1, 1, "UTF-16 or no text at all", "text in UTF-8", advice))
        return None
    stored = stored.removeprefix(codecs.BOM_UTF8)
    for number, line in enumerate(io.BytesIO(stored), start=1):
        try:
            line.decode()
        except UnicodeDecodeError as error:
            column = len(line[: error.start].decode()) + 1
            found = f"the byte {line[error.start]:#04x}, which is not UTF-8"
            errors.append(SiteError(path.name, number, column, found, "text in UTF-8", advice))
    return stored.decode(errors="replace")


def read_register(path: Path, model: type[RowT], utc_offset: timedelta) -> Register[RowT]:
    """Read one register whole.

    Args:
        path: the CSV file.
        model: what a row says.
        utc_offset: the site's standard time, for dates without an offset.

    Returns:
        The usable rows in file order, and every error of the file.
    """
    errors: list[SiteError] = []
    if not path.exists():
        if not model.may_be_absent:
            columns = ",".join(model.columns())
            advice = f"Make the file; its first line is {columns}"
            errors.append(SiteError(path.name, None, None, "no such file", "a register", advice))
        return Register(complete=model.may_be_absent, errors=errors)
    text = read_text(path, errors)
    if text is None:
        return Register(errors=errors)
    torn: list[SiteError] = []
    records = _records(path.name, text, torn)
    header_line, header = next(records, (1, []))
    header = _trimmed(header, 0)
    if torn or not _header_usable(path.name, header_line, header, model, errors):
        return Register(errors=errors + torn)
    rows, all_cells, unusable = [], [], []
    for line, record in records:
        record = _trimmed(record, len(header))
        if not any(record):
            continue
        cells = {name: cell for name, cell in reversed(list(zip(header, record, strict=False))) if name}
        all_cells.append({**dict.fromkeys(model.columns(), ""), **cells})
        row = _row(path.name, line, header, record, cells, model, utc_offset, errors)
        if row is None:
            unusable.append(all_cells[-1])
        else:
            rows.append(row)
    complete = not torn and all(name in header for name, required in model.columns().items() if required)
    named_columns = frozenset() if torn else frozenset(header)
    return Register(tuple(rows), tuple(all_cells), tuple(unusable), named_columns, complete, errors + torn)


def _records(file: str, text: str, errors: list[SiteError]) -> Iterator[tuple[int, list[str]]]:
    """The records that are not blank, each with the line on which it begins; a line that breaks the rules is told and passed."""
    lines = list(io.StringIO(text, newline=""))
    begin = 0
    while begin < len(lines):
        reader = csv.reader(islice(lines, begin, None), strict=True)
        consumed = 0
        try:
            for record in reader:
                if record:
                    yield begin + consumed + 1, [cell.strip() for cell in record]
                consumed = reader.line_num
            return
        except csv.Error as error:
            found = f"{quoted(lines[begin + consumed].strip())}, which cannot be split into cells ({error})"
            errors.append(
                SiteError(
                    file,
                    begin + consumed + 1,
                    1,
                    found,
                    "cells separated by commas; a cell with a comma or a quotation mark in it stands in quotation marks",
                    'Close every quotation mark; inside a quoted cell write it twice: ""',
                )
            )
            begin += consumed + 1


def _trimmed(record: list[str], length: int) -> list[str]:
    """Without the empty cells that spreadsheets append."""
    while len(record) > length and not record[-1]:
        record = record[:-1]
    return record


def _header_usable(file: str, line: int, header: list[str], model: type[Row], errors: list[SiteError]) -> bool:
    """Tell what is wrong with the header; False where rows could not be read under it."""
    columns = model.columns()
    accepted = listed(columns)

    def refuse(column: str | int, found: str, advice: str, allowed: str = f"the columns {accepted}") -> None:
        errors.append(SiteError(file, line, column, found, allowed, advice))

    if not header:
        refuse(1, "no column names", f"Write {','.join(columns)} in the first line")
        return False
    for delimiter, name in OTHER_DELIMITERS.items():
        if len(header) == 1 and delimiter in header[0]:
            refuse(1, f"column names separated by {name}", "Save the file again with commas", "cells separated by commas")
            return False
    for position, name in enumerate(header, start=1):
        if not name:
            refuse(position, f"no name for column {position}", "Name the column, or delete it")
    for name, count in Counter(filter(None, header)).items():
        if count > 1:
            refuse(name, f"the column {quoted(name)} {count} times", "Keep one of them", "each column once")
        if name not in columns:
            absent = [column for column in columns if column not in header]
            refuse(name, f"the column {quoted(name)}", or_nearest(name, absent, "Delete the column"))
    missing = [name for name, required in columns.items() if required and name not in header]
    for name in missing:
        refuse(name, f"no column {name}", f"Add the column {name}")
    return not set(columns).isdisjoint(header)


def _row(
    file: str,
    line: int,
    header: Sequence[str],
    record: Sequence[str],
    cells: dict[str, str],
    model: type[RowT],
    utc_offset: timedelta,
    errors: list[SiteError],
) -> RowT | None:
    """One row, or None after telling what is wrong with each of its cells."""
    columns = model.columns()
    if len(record) != len(header):
        column = header[len(record)] if len(record) < len(header) else header[-1]
        advice = "Add or delete commas; a cell that holds a comma stands in quotation marks"
        errors.append(
            SiteError(file, line, column, f"{len(record)} cells", f"{len(header)} cells, as many as columns", advice)
        )
        return None
    given = {name: cells[name] or None for name in columns if name in cells and (cells[name] or columns[name])}
    try:
        row = model.model_validate({**given, "line": line}, context={"utc_offset": utc_offset})
    except ValidationError as error:
        for detail in error.errors():
            column = str(detail["loc"][0])
            if column not in header:
                continue  # told once, at the header
            allowed, advice = allowed_and_advice(detail)
            if cells[column]:
                errors.append(SiteError(file, line, column, quoted(cells[column]), allowed, advice))
            else:
                advice = "Fill the cell, or delete the row" if detail["type"] != "site_value" else advice
                errors.append(SiteError(file, line, column, "an empty cell", allowed, advice))
        return None
    return row
