"""Pieces of SQL that several stages need and that parameters cannot bind.

Belongs here: a quoted text, the type of a column of few words, an instant.
Does not: whole queries (in the stage that runs them).
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime


def literal(text: str) -> str:
    """A text as an SQL literal."""
    return "'" + text.replace("'", "''") + "'"


def words(values: Iterable[str]) -> str:
    """The SQL type of a column of few words: they are then written once per file and not once per row."""
    return "ENUM(" + ", ".join(literal(value) for value in sorted(set(values)) or [""]) + ")"


def instant(moment: datetime) -> str:
    """An instant as an SQL literal."""
    return f"TIMESTAMPTZ {literal(moment.isoformat())}"


def within(column: str, start: datetime | None, end: datetime | None) -> str:
    """SQL that is true where an instant lies in [start, end); an end that is not given is open."""
    bounds = []
    if start is not None:
        bounds.append(f"{column} >= {instant(start)}")
    if end is not None:
        bounds.append(f"{column} < {instant(end)}")
    return " AND ".join(bounds) or "true"
