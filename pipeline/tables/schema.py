"""From a declaration to a storage schema.

Belongs here: the Arrow schema (types, nullability, unit and meaning of each column as field metadata).
Does not: writing or reading a file (lake/).
"""

from __future__ import annotations

import pyarrow as pa

from pipeline.tables.declaration import Column, ColumnType, Table

ARROW_TYPES: dict[ColumnType, pa.DataType] = {
    "text": pa.string(),
    "code": pa.string(),
    "integer": pa.int64(),
    "decimal": pa.float64(),
    "flag": pa.bool_(),
    "instant": pa.timestamp("us", tz="UTC"),
    "day": pa.date32(),
    "members": pa.list_(pa.float32()),
}

SQL_TYPES: dict[ColumnType, str] = {
    "text": "VARCHAR",
    "code": "VARCHAR",
    "integer": "BIGINT",
    "decimal": "DOUBLE",
    "flag": "BOOLEAN",
    "instant": "TIMESTAMPTZ",
    "day": "DATE",
    "members": "FLOAT[]",
}


def arrow_field(column: Column) -> pa.Field:
    """One column as an Arrow field; unit and meaning go into its metadata."""
    metadata = {"meaning": column.meaning}
    if column.unit:
        metadata["unit"] = column.unit
    return pa.field(column.name, ARROW_TYPES[column.type], nullable=column.nullable, metadata=metadata)


def arrow_schema(table: Table) -> pa.Schema:
    """The table's Arrow schema, columns in declared order."""
    return pa.schema([arrow_field(column) for column in table.columns])
