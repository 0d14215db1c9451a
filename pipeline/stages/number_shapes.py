"""Texts that look like numbers, and the marks within them.

Belongs here: which columns hold numbers, their decimal mark and the mark between groups of three digits, words for missing.
Does not: reading numbers by a declared layout (stages/line_format.py).
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from pipeline.site.structure import THOUSANDS

MOST_MISSING_WORDS = 12
LONGEST_MISSING_WORD = 20
USUAL_MISSING = frozenset(
    {
        "nan", "na", "n/a", "#n/a", "#na", "null", "none", "nil", "missing", "nodata", "no data", "err", "error", "over",
        "overrange", "out of range", "#value!", "#ref!", "#div/0!",
    }
)  # fmt: skip
NUMERIC_MISSING = re.compile(r"-9{2,5}(?:[.,](?:0+|9+))?")
"""Numbers that loggers write where they have none (common practice, no source)."""
NUMBER_WITH_UNIT = re.compile(r"[+-]?[0-9][0-9.,]*\s?(?:[^\W\d_]{1,7}[^\d\s]{0,4}|%|°\w?)")


def value_columns(rows: Sequence[Sequence[str]], others: Iterable[int]) -> dict[int, list[str]]:
    """The cells of the columns that hold values: numbers, or nothing but words for missing."""
    values = {}
    for column in others:
        cells = [row[column].strip() for row in rows]
        given = [cell for cell in cells if cell]
        numbers = sum(_looks_like_a_number(cell) for cell in given)
        if numbers * 2 >= len(given) or numbers > 2 or all(_is_usual_missing(cell) for cell in given):
            values[column] = cells
    return values


def _looks_like_a_number(cell: str) -> bool:
    return bool(re.fullmatch(rf"[+-]?[0-9.,][0-9.,{''.join(THOUSANDS)}]*(?:[eE][+-]?\d+)?", cell)) or bool(
        NUMBER_WITH_UNIT.fullmatch(cell)
    )


def _is_usual_missing(cell: str) -> bool:
    return cell.lower() in USUAL_MISSING or not any(character.isalnum() for character in cell)


@dataclass(frozen=True)
class Marks:
    """The decimal mark and the mark between groups of three digits, each if the numbers show one.

    `doubts` are sentences about a mark that may mean the other, by `decimal` or `thousands`; `obstacles` say that a mark within
    numbers separates values as well.
    """

    decimal: str | None = None
    thousands: str | None = None
    doubts: dict[str, str] = field(default_factory=dict)
    obstacles: tuple[str, ...] = ()


def marks_in(columns: Iterable[list[str]], delimiter: str) -> Marks:
    """The marks under which most numbers can be read.

    Args:
        columns: cells of the columns that hold values.
        delimiter: the character that separates values.
    """
    columns = list(columns)
    marked = Counter(
        cell
        for cells in columns
        for cell in cells
        if _looks_like_a_number(cell) and not cell.isdecimal() and not NUMBER_WITH_UNIT.fullmatch(cell)
    )
    readings = {
        (decimal, thousands): sum(
            count for cell, count in marked.items() if _number_pattern(decimal, thousands).fullmatch(cell)
        )
        for thousands in (None, *THOUSANDS)
        for decimal in (".", ",")
        if thousands != decimal
    }
    decimal, thousands = max(readings, key=lambda marks: readings[marks])
    if not readings[decimal, thousands]:
        return Marks()
    doubts: dict[str, str] = {}
    groups = [cell for cell in marked if "." in cell or "," in cell]
    rival = (",", ".") if decimal == "." else (".", ",")
    if thousands is None and groups and readings[rival] == readings[decimal, thousands]:
        if _grouped_above_999(columns):
            doubts["thousands"] = (
                f"numbers of up to three digits have no mark, all others three digits behind it, as «{groups[0]}»; if those are "
                f'decimals, leave thousands out and write "{decimal}" under decimal'
            )
            decimal, thousands = rival
        elif not all(cell.lstrip("+-").startswith("0") for cell in groups):
            doubts["decimal"] = f"«{groups[0]}» has three decimals, or else {THOUSANDS[decimal]} between thousands"
    found = {"decimal": decimal if any(decimal in cell for cell in marked) else None, "thousands": thousands}
    obstacles = [
        f"{THOUSANDS[mark]} stands both between values and within numbers ({key}), as in «{next(iter(marked))}»: no layout can tell "
        "the two apart; have the logger's software or the spreadsheet save with another delimiter"
        for key, mark in found.items()
        if mark == delimiter
    ]
    decimal_mark, thousands_mark = (None if mark == delimiter else mark for mark in found.values())
    return Marks(decimal_mark, thousands_mark, doubts, tuple(obstacles))


def _grouped_above_999(columns: Iterable[list[str]]) -> bool:
    """Whether columns hold numbers without a mark, all of up to three digits, beside others with one, none of which begins with 0."""
    some = False
    for cells in columns:
        plain = [cell for cell in cells if cell.isdecimal()]
        marked = [cell for cell in cells if ("." in cell or "," in cell) and _looks_like_a_number(cell)]
        if marked:
            some = some or bool(plain)
            if any(len(cell) > 3 for cell in plain) or any(cell.lstrip("+-").startswith("0") for cell in marked):
                return False
    return some


def _number_pattern(decimal: str, thousands: str | None) -> re.Pattern[str]:
    point = re.escape(decimal)
    if thousands is None:
        return re.compile(rf"[+-]?(?:\d+(?:{point}\d*)?|{point}\d+)(?:[eE][+-]?\d+)?")
    mark = re.escape(thousands)
    return re.compile(rf"[+-]?(?:[1-9]\d{{0,2}}(?:{mark}\d{{3}})+|\d{{1,3}})(?:{point}\d*)?")


def missing_words(columns: Iterable[list[str]]) -> tuple[str, ...]:
    """Words that stand where a number should, the most common first; the empty cell last."""
    found: Counter[str] = Counter()
    for cells in columns:
        found.update(
            cell
            for cell in cells
            if cell
            and len(cell) <= LONGEST_MISSING_WORD
            and (NUMERIC_MISSING.fullmatch(cell) or not _looks_like_a_number(cell))
        )
    words = [word for word, count in found.most_common() if count > 1 or _is_usual_missing(word) or word[0] == "-"]
    return (*words[:MOST_MISSING_WORDS], "")
