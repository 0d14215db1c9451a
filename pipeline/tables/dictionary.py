"""The data dictionary: every table and column explained to a collaborator.

Belongs here: turning declarations into rows that a person reads in a spreadsheet.
Does not: writing the file (lake/).
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable

from pipeline.tables.declaration import Column, Table

HEADER = ("table", "a_row_is", "column", "type", "unit", "part_of_key", "may_be_empty", "allowed", "meaning")

_TYPE_WORDS = {
    "text": "text",
    "code": "code",
    "integer": "whole number",
    "decimal": "number",
    "flag": "true or false",
    "instant": "time (UTC)",
    "day": "date",
    "members": "list of numbers",
}


def _allowed(column: Column) -> str:
    if column.codes is not None:
        return "; ".join(f"{code}: {meaning}" for code, meaning in column.codes.items())
    if column.minimum is not None and column.maximum is not None:
        return f"{column.minimum:g} to {column.maximum:g}"
    if column.minimum is not None:
        return f"{column.minimum:g} or more"
    if column.maximum is not None:
        return f"{column.maximum:g} or less"
    return ""


def dictionary_csv(tables: Iterable[Table]) -> str:
    """The dictionary as RFC 4180 text, one line per table and column."""
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow(HEADER)
    for table in tables:
        for column in table.columns:
            writer.writerow(
                (
                    table.name,
                    table.row,
                    column.name,
                    _TYPE_WORDS[column.type],
                    column.unit,
                    "yes" if column.name in table.key else "no",
                    "yes" if column.nullable else "no",
                    _allowed(column),
                    column.meaning,
                )
            )
    return text.getvalue()
