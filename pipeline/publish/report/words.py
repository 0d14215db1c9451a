"""Sentences, numbers and sheets as the page takes them: data that its script sets as text, in the reader's units.

Belongs here: the form in which they travel.
Does not: what they say (the modules beside it), units in which they are shown (parts/base.js).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime
from typing import Any

import numpy as np
import pandas as pd

Part = str | dict[str, Any]
Said = list[Part]
"""Text and amounts in turn."""


def plain(value: Any) -> Any:
    """A value as JSON has it: none where it is empty, instants in milliseconds since 1970 (UTC), days as text."""
    if isinstance(value, str | bool | dict):
        return value
    if isinstance(value, list | tuple):
        return [plain(one) for one in value]
    if value is None or value is pd.NaT or (isinstance(value, float | np.floating) and not np.isfinite(value)):
        return None
    if isinstance(value, np.bool_):
        return bool(value)
    if isinstance(value, int | np.integer):
        return int(value)
    if isinstance(value, float | np.floating):
        return float(value)
    if isinstance(value, datetime):
        return milliseconds(value)
    if isinstance(value, date):
        return value.isoformat()
    return None if pd.isna(value) else str(value)


def milliseconds(moment: datetime) -> int:
    """Milliseconds since 1970, UTC."""
    return round(moment.timestamp() * 1000)


def amount(value: Any, quantity: str) -> dict[str, Any]:
    """A number within a sentence, with what it is: the page writes its unit."""
    return {"v": plain(value), "q": quantity}


def with_interval(row: Mapping[Any, Any], name: str) -> list[float | None]:
    """A value and its 90 % interval."""
    return [plain(row[column]) for column in (name, f"{name}_p05", f"{name}_p95")]


def sheet(caption: str, columns: Sequence[tuple[str, str]], rows: Iterable[Sequence[Any]]) -> dict[str, Any]:
    """The table behind a figure.

    Args:
        caption: what a row is.
        columns: heading and quantity of each column, a word of `QUANTITIES` in parts/base.js.
        rows: values; a list of three is a value with its interval.
    """
    return {
        "caption": caption,
        "columns": [list(column) for column in columns],
        "rows": [plain(list(row)) for row in rows],
    }
