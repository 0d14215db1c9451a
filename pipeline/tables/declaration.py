"""What a declaration of a table consists of.

Belongs here: the shape of a declaration and the rules that one must obey.
Does not: the tables themselves (declared/).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

ColumnType = Literal["text", "code", "integer", "decimal", "flag", "instant", "day", "members"]
"""text: any words. code: one of few words. integer: 64 bits. decimal: 64-bit floating point.
flag: true or false. instant: a time in UTC with microseconds. day: a calendar date in the site's standard time.
members: one 32-bit number for each member of an ensemble."""


@dataclass(frozen=True)
class Column:
    """One column: what a collaborator must know, and what a check can hold it to.

    `minimum` and `maximum` are inclusive. `codes` maps every allowed word to its meaning; a column without `codes` takes
    any value of its type. `warn_only` makes the column's range and codes a warning instead of an error.
    """

    name: str
    type: ColumnType
    meaning: str
    unit: str = ""
    nullable: bool = False
    minimum: float | None = None
    maximum: float | None = None
    codes: Mapping[str, str] | None = None
    warn_only: bool = False


@dataclass(frozen=True)
class Derived:
    """A value worked out beside the stored columns only so that an expectation can hold it to a bound.

    `sql` is an expression over the table's columns (and over `site_facts` columns that the checks join by plot or meter).
    """

    name: str
    sql: str
    meaning: str
    minimum: float | None = None
    maximum: float | None = None
    severity: Literal["error", "warning"] = "error"


@dataclass(frozen=True)
class Table:
    """One table: what a row is, its columns, its key, and where it stands on the way through the house.

    `time_column` names the column that puts a row into a water year; a table without one is kept once per site.
    `sort` is the order of the rows in the file.
    """

    name: str
    row: str
    group: str
    columns: tuple[Column, ...]
    key: tuple[str, ...]
    sort: tuple[str, ...]
    time_column: str | None = None
    derived: tuple[Derived, ...] = field(default=())
    may_be_empty: bool = True

    def __post_init__(self) -> None:
        names = [column.name for column in self.columns]
        if len(set(names)) != len(names):
            raise ValueError(f"table {self.name} declares a column twice")
        missing = [name for name in (*self.key, *self.sort) if name not in names]
        if self.time_column is not None and self.time_column not in names:
            missing.append(self.time_column)
        if missing:
            raise ValueError(f"table {self.name} names columns that it does not declare: {', '.join(missing)}")

    @property
    def names(self) -> tuple[str, ...]:
        """The column names, in order."""
        return tuple(column.name for column in self.columns)

    def column(self, name: str) -> Column:
        """The declaration of one column.

        Raises:
            KeyError: the table has no such column.
        """
        for column in self.columns:
            if column.name == name:
                return column
        raise KeyError(f"table {self.name} has no column {name}")
