"""Rows of any declared table, invented from its declaration alone, with texts that mean harm.

Belongs here: rows that keep to types, ranges, codes and keys, as many as a test wants.
Does not: any claim about drainage; promises (test_*.py).
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from pipeline.lake import Lake
from pipeline.tables import Column, Table

HOSTILE = (
    "=1+1", "+1", "-2+3", "@SUM(A1)", "\t=1", "\r=1", "\n=1", "'=1", "'", "''", " =1", '"=1"', "a;=1", "a;'=1", "a\n=1", "a\t\t=1", ";=;'",
    "＝1", "x,y", 'say "no"', "line\r\nline", "<script>alert(1)</script>", "<img src=x onerror=alert(1)>", "[a](javascript:alert(1))",
    "| a | b |", "`code`", "../../etc/passwd", "C:\\x", "naïve – 10 µg", "\u202egnp.exe", "plain",
)  # fmt: skip
"""Texts that a spreadsheet, a page or a path might take for more than text."""


def invented_rows(table: Table, count: int, first: int = 0) -> pd.DataFrame:
    """Rows that keep to a declaration, numbered from `first`, no key twice; every third value is missing where it may be."""
    random = np.random.default_rng(first + 1)
    numbers = range(first, first + count)
    return pd.DataFrame({column.name: _values(table, column, numbers, random) for column in table.columns})


def invented_lake(lake: Lake, tables: list[Table], site: str, years: tuple[int, ...], count: int) -> None:
    """Write invented rows of tables into a lake."""
    for table in tables:
        for place, year in enumerate((None,) if table.time_column is None else years):
            rows = invented_rows(table, count, place * count)
            if table.time_column is not None and table.column(table.time_column).type == "integer":
                rows[table.time_column] = year
            lake.write_frame(table, rows, "0" * 64, site, year)


def _values(table: Table, column: Column, numbers: range, random: np.random.Generator) -> list[Any]:
    count, in_key = len(numbers), column.name in table.key
    values: list[Any]
    if column.type in ("text", "code") and column.codes is not None:
        values = [list(column.codes)[number % len(column.codes)] for number in numbers]
    elif column.type in ("text", "code"):
        texts = (*HOSTILE, *(("",) if column.type == "text" and not in_key else ()))
        values = [texts[number % len(texts)] + (str(number) if in_key else "") for number in numbers]
    elif column.type == "integer":
        low = int(column.minimum or 0)
        values = [low + number for number in numbers]
    elif column.type == "decimal":
        drawn = random.normal(size=count) * 10.0 ** random.integers(-9, 9, count)
        values = list(np.clip(drawn, column.minimum, column.maximum) if _bounded(column) else drawn)
    elif column.type == "flag":
        values = [number % 2 == 0 for number in numbers]
    elif column.type == "instant":
        values = list(
            pd.date_range("2019-11-01", periods=numbers.stop, freq="6h", tz="UTC").as_unit("us")[numbers.start :]
        )
    else:
        values = [day.date() for day in pd.date_range("2019-11-01", periods=numbers.stop, freq="D")[numbers.start :]]
    return [None if column.nullable and number % 3 == 2 else value for number, value in zip(numbers, values, strict=True)]


def _bounded(column: Column) -> bool:
    return column.minimum is not None or column.maximum is not None
