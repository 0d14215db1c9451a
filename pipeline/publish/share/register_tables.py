"""Registers as tables: the same columns as in the site folder, typed, with times in UTC.

Belongs here: making a declaration and rows of a register from its model, so that it is shared like any table.
Does not: what a register says (site/registers.py).
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin

import pandas as pd
import pyarrow as pa
from pydantic.fields import FieldInfo

from pipeline.site import Site
from pipeline.site.registers import REGISTERS, Calibration, Row
from pipeline.tables import Column, Table
from pipeline.tables.declaration import ColumnType
from pipeline.tables.schema import arrow_schema

KEYS: Mapping[str, tuple[str, ...]] = {"plots": ("plot",), "calibrations": ("calibration",)}
"""Columns that no two rows of a register share."""

TYPES: Mapping[Any, ColumnType] = {str: "text", float: "decimal", int: "integer", datetime: "instant", date: "day"}


def register_tables(site: Site) -> list[Table]:
    """The declarations of all registers in which the site has rows, each named `register_` and the register's name."""
    return [_declared(name, model) for name, model in REGISTERS.items() if getattr(site, name)]


def register_rows(site: Site, declared: Table) -> pa.Table:
    """The rows of a register in the order of its file."""
    name = declared.name.removeprefix("register_")
    fields = _fields(REGISTERS[name])
    rows = [[getattr(row, field) for field in fields] for row in getattr(site, name)]
    return pa.Table.from_pandas(
        pd.DataFrame(rows, columns=list(declared.names)), arrow_schema(declared), preserve_index=False
    )


def _declared(name: str, model: type[Row]) -> Table:
    return Table(
        name=f"register_{name}",
        row=" ".join((model.__doc__ or "").partition("\n")[0].rstrip(".").split()),
        group="registers",
        columns=tuple(_column(column, model.model_fields[field]) for field, column in _fields(model).items()),
        key=KEYS.get(name, ()),
        sort=(),
    )


def _fields(model: type[Row]) -> dict[str, str]:
    """Fields of a row and the names of their columns; the derived name of a calibration is one, since tables use it."""
    derived = {"name": "calibration"} if model is Calibration else {}
    own = {column: column for column in model.columns()}
    by_alias = {field.alias: name for name, field in model.model_fields.items() if field.alias}
    return derived | {by_alias.get(column, column): column for column in own}


def _column(name: str, field: FieldInfo) -> Column:
    options = [option for option in get_args(field.annotation) if option is not NoneType]
    optional = get_origin(field.annotation) in (UnionType, Union)
    kind = options[0] if optional else field.annotation
    if get_origin(kind) is Annotated:
        kind = get_args(kind)[0]
    words = get_args(kind) if get_origin(kind) is Literal else ()
    extra = field.json_schema_extra if isinstance(field.json_schema_extra, dict) else {}
    return Column(
        name,
        "code" if words else TYPES[kind],
        field.description or "",
        str(extra.get("unit", "")) or ("UTC" if kind is datetime else ""),
        nullable=optional,
        codes={word: word.replace("_", " ") for word in words} or None,
    )
