"""From a declaration to a Table Schema, as the Data Package standard defines it.

Belongs here: types, units, meanings, constraints and keys of a table's columns in the words of that standard.
Does not: which tables are shared, how their cells are written (publish/share/).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pipeline.tables.declaration import Column, ColumnType, Table

STANDARD_TYPES: Mapping[ColumnType, tuple[str, str]] = {
    "text": ("string", "default"),
    "code": ("string", "default"),
    "integer": ("integer", "default"),
    "decimal": ("number", "default"),
    "flag": ("boolean", "default"),
    "instant": ("datetime", "default"),
    "day": ("date", "default"),
    "members": ("array", "default"),
}
"""Type and format of the Table Schema for each type of column; the default format of times is ISO 8601."""

MAY_BE_NO_WORDS = "Never missing: an empty cell is a text without words."


def table_schema(table: Table) -> dict[str, Any]:
    """The Table Schema of a table whose missing values are empty cells.

    A `text` column that is never missing may hold a text without words, which a file of delimited text writes as an empty
    cell too: it has no constraint `required`, and its description says so.
    """
    return {
        "fields": [_field(column) for column in table.columns],
        "missingValues": [""],
        "primaryKey": list(table.key),
    }


def _field(column: Column) -> dict[str, Any]:
    kind, form = STANDARD_TYPES[column.type]
    wordless = column.type == "text" and not column.nullable and column.codes is None
    field: dict[str, Any] = {
        "name": column.name,
        "type": kind,
        "format": form,
        "description": f"{column.meaning} {MAY_BE_NO_WORDS}" if wordless else column.meaning,
    }
    if column.unit:
        field["unit"] = column.unit
    if column.codes is not None:
        field["categories"] = [{"value": code, "label": meaning} for code, meaning in column.codes.items()]
    constraints: dict[str, Any] = {} if column.nullable or wordless else {"required": True}
    if not column.warn_only:
        if column.minimum is not None:
            constraints["minimum"] = _whole_where_integer(column.minimum, kind)
        if column.maximum is not None:
            constraints["maximum"] = _whole_where_integer(column.maximum, kind)
        if column.codes is not None:
            constraints["enum"] = list(column.codes)
    if constraints:
        field["constraints"] = constraints
    return field


def _whole_where_integer(bound: float, kind: str) -> float | int:
    return int(bound) if kind == "integer" else bound
