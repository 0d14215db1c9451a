"""Sheets that people keep: a CSV file as cells under column names, and an account of its lines.

Belongs here: reading one file, lines whose cells cannot be told apart, giving a line a reason or a remark, numbers and times in cells.
Does not: what a cell must hold (field_book.py, laboratory_sheets.py); logger files, which are large (intake.py).
"""

from __future__ import annotations

import csv
import gzip
import re
import zlib
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from pipeline.site import Site

TIME = r"\d{4}-\d\d-\d\d(?:[T ]\d\d:\d\d(?::\d\d(?:\.\d{1,6})?)?(?:Z|[+-]\d\d:?\d\d)?)?"
NOT_UTF_8 = re.compile("[\ud800-\udfff]")
NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"
NO_TIME = "is no time; a time is written as 2020-04-21T09:30, with or without an offset."


@dataclass(frozen=True)
class Sheet:
    """One file: its data lines as cells under their names, and an account of all lines.

    Attributes:
        path: below the site's raw folder.
        cells: path, line, text, reason (a sentence, or empty while nothing is wrong) and the named columns, all text.
        columns: every column that the first line names, in lower case.
        further: those that are not in `cells`, under their names as written; all text, rows as in `cells`.
        lines, header_lines, blank_lines: counts.
    """

    path: str
    cells: pd.DataFrame
    columns: tuple[str, ...]
    further: pd.DataFrame
    lines: int
    header_lines: int
    blank_lines: int


@dataclass
class Lines:
    """The data lines of several sheets, and what was found wrong or doubtful about them so far.

    Attributes:
        rows: path, line, text, reason and the cells, one row per line, in order of path and line.
        remarks: path, line, column, remark, text: what is doubtful about lines that are used.
    """

    rows: pd.DataFrame
    _remarks: list[pd.DataFrame] = field(default_factory=list)

    @classmethod
    def of(cls, sheets: Sequence[Sheet], names: Sequence[str]) -> Lines:
        """All lines of sheets that have the same columns."""
        columns = ["path", "line", "text", "reason", *names]
        parts = [sheet.cells for sheet in sheets if len(sheet.cells)]
        rows = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=columns)
        return cls(rows.astype({**dict.fromkeys(columns, "str"), "line": "int64"}))

    @property
    def usable(self) -> pd.DataFrame:
        """The lines with which nothing is wrong so far."""
        return self.rows[self.rows["reason"] == ""]

    @property
    def remarks(self) -> pd.DataFrame:
        """Everything doubtful about lines that are used after all."""
        columns = ["path", "line", "column", "remark", "text"]
        none = pd.DataFrame(columns=columns).astype({**dict.fromkeys(columns, "str"), "line": "int64"})
        if not self._remarks:
            return none
        used = self.usable[["path", "line", "text"]]
        return pd.concat(self._remarks, ignore_index=True).merge(used, on=["path", "line"])[columns]

    def reject(self, wrong: pd.Series, sentence: str, **facts: pd.Series | str) -> None:
        """Give a reason to the lines that are wrong and have none yet: the first thing that is wrong with a line is told.

        The sentence names cells by their column in braces, and further facts by theirs.
        """
        now = self._told(wrong, sentence, facts)
        if len(now):
            self.rows.loc[now.index, "reason"] = now

    def remark(self, doubtful: pd.Series, column: str, sentence: str, **facts: pd.Series | str) -> None:
        """Note what is doubtful about lines that are used."""
        now = self._told(doubtful, sentence, facts)
        if len(now):
            noted = self.rows.loc[now.index, ["path", "line"]].assign(column=column, remark=now)
            self._remarks.append(noted.astype({"column": "str", "remark": "str"}))

    def _told(self, chosen: pd.Series, sentence: str, facts: dict[str, pd.Series | str]) -> pd.Series:
        """The sentence for each chosen line that has no reason yet."""
        now = self.rows.index[chosen.to_numpy(dtype=bool) & (self.rows["reason"] == "").to_numpy(dtype=bool)]
        if not len(now):
            return pd.Series([], index=now, dtype="str")
        told = self.rows.loc[now].assign(
            **{name: fact.loc[now] if isinstance(fact, pd.Series) else fact for name, fact in facts.items()}
        )
        return pd.Series([sentence.format_map(cells) for cells in told.to_dict("records")], index=now, dtype="str")

    def reject_copies(self, cells: Sequence[str]) -> None:
        """Lines that repeat another cell for cell."""
        usable = self.usable
        first = place(usable).groupby([usable[cell] for cell in cells], sort=False).transform("first")
        copies = usable.duplicated(list(cells)).reindex(self.rows.index, fill_value=False)
        self.reject(copies, "The line repeats {first} cell for cell; that line is used.", first=first)

    def reject_all(self, contradicting: pd.DataFrame, key: Sequence[str], sentence: str) -> None:
        """Lines of which nobody knows which is right; the sentence names the `places` of all that share a key."""
        chosen = self.rows.index.to_series().isin(contradicting.index)
        self.reject(chosen, sentence, places=places(contradicting, key))

    def numbers(self, column: str, least: float, *, whole: bool = False) -> pd.Series:
        """The numbers of an optional column, from the least on (whole ones) or above it; any other cell gets a remark and is not used."""
        texts = self.rows[column]
        number = numbers(texts)
        kind = "a whole number" if whole else "a number"
        bound = f"of {least:g} or more" if whole else f"above {least:g}"
        right = (
            number.notna() & ((number >= least) if whole else (number > least)) & (~(number % 1 > 0) if whole else True)
        )
        self.remark(
            (texts != "") & ~right,
            column,
            f"Column {column}: '{{{column}}}' is not {kind} {bound}, so it is not used. Write digits with a decimal point.",
        )
        return number.where(right)

    def instants(self, column: str, site: Site) -> pd.Series:
        """The instants of an optional column, UTC; a cell that holds none gets a remark and is not used."""
        found = instants(self.rows[column], site)
        unreadable = (self.rows[column] != "") & found.isna()
        self.remark(unreadable, column, f"Column {column}: '{{{column}}}' {NO_TIME} It is not used.")
        return found


def read_sheet(path: Path, raw_folder: Path, required: tuple[str, ...], optional: tuple[str, ...]) -> Sheet:
    """One file as cells under column names; a line whose cells cannot be told apart carries its reason.

    Files are UTF-8 text with commas (RFC 4180, one line a record), plain or .gz; columns in any order.
    """
    name = path.relative_to(raw_folder).as_posix()
    names = (*required, *optional)
    damage = ""
    try:
        content = path.read_bytes()
        content = gzip.decompress(content) if path.suffix == ".gz" else content
    except (OSError, EOFError, zlib.error) as error:
        damage = f"The file cannot be read ({error}), so nothing of it is used. Copy it again from its source."
        content = b"(not readable)"
    # Bytes that are no UTF-8 become surrogates, which no UTF-8 text holds: they are found again line by line.
    text = content.decode("utf-8", "surrogateescape").removeprefix("\ufeff")
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    if lines[-1] == "":
        lines.pop()
    numbered = [(number, line) for number, line in enumerate(lines, start=1) if line.replace(",", "").strip()]
    blank_lines = len(lines) - len(numbered)
    header = _cells(numbered[0][1]) if numbered else None
    found = [cell.casefold() for cell in header or []]
    damage = damage or (_header_damage(found, numbered[0][1], required) if numbered else "")
    header_lines = 0 if damage or not numbered else 1

    written = {cell.casefold(): cell for cell in header or []} if header_lines else {}
    other = [cell for cell in written if cell not in names]
    rows, others = [], []
    for number, line in numbered[header_lines:]:
        cells = None if damage else _cells(line)
        reason = damage or _line_damage(cells, line, len(found))
        named = {} if reason or cells is None else dict(zip(found, cells, strict=True))
        shown = line if line.isascii() else line.encode("utf-8", "surrogateescape").decode("utf-8", "replace")
        rows.append((name, number, shown, reason, *(named.get(column, "") for column in names)))
        others.append([named.get(column, "") for column in other])
    frame = pd.DataFrame(rows, columns=["path", "line", "text", "reason", *names])
    further = pd.DataFrame(others, columns=[written[column] for column in other], dtype="str")
    return Sheet(name, frame, tuple(found) if header_lines else (), further, len(lines), header_lines, blank_lines)


def _cells(line: str) -> list[str] | None:
    """Cells of one line without blanks around them; nothing where a quotation mark opens and does not close."""
    try:
        return [cell.strip() for cell in next(csv.reader([line], strict=True))]
    except csv.Error:
        return None


def _header_damage(found: list[str], line: str, required: tuple[str, ...]) -> str:
    """Why no line of a file can be read under its header, or nothing."""
    missing = [column for column in required if column not in found]
    twice = sorted({column for column in found if column and found.count(column) > 1})
    if missing:
        separator = " Its cells seem to be separated by semicolons: save the file with commas." if ";" in line else ""
        return (
            f"The file's first line lacks the column{'s' if len(missing) > 1 else ''} {', '.join(missing)}; "
            f"needed are {', '.join(required)}, so no line of the file can be used.{separator}"
        )
    if twice:
        return f"The file's first line names the column {twice[0]} twice, so no line of the file can be used. Rename one of them."
    return ""


def _line_damage(cells: list[str] | None, line: str, columns: int) -> str:
    """Why a line cannot be told apart into cells, or nothing."""
    if NOT_UTF_8.search(line):
        return "The line holds bytes that are not UTF-8 text. Save the file as UTF-8."
    if cells is None:
        return "A quotation mark opens or closes where none belongs. Close it in the same line; a record may not run over several."
    if len(cells) != columns:
        return f"The line has {len(cells)} cells where the first line names {columns} columns. Quote a text that holds a comma."
    return ""


def place(rows: pd.DataFrame) -> pd.Series:
    """Where each line stands, in words."""
    return rows["path"] + ", line " + rows["line"].astype("str")


def places(rows: pd.DataFrame, key: Sequence[str]) -> pd.Series:
    """For each line the places of all lines that share its key."""
    together = place(rows).groupby([rows[name] for name in key], sort=False)
    return together.transform(" and ".join) if len(rows) else place(rows)


def instants(texts: pd.Series, site: Site) -> pd.Series:
    """Instants in UTC; not-a-time where a text is no ISO 8601 date or time. Without an offset: the site's standard time."""
    minutes = round(site.utc_offset.total_seconds() / 60)
    offset = f"{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"
    whole = texts.where(texts.str.fullmatch(TIME), "").str.replace(" ", "T", n=1)
    whole = whole.where(whole.str.contains("T") | (whole == ""), whole + "T00:00")
    has_offset = whole.str.contains(r"T.*(?:Z|[+-]\d\d:?\d\d)$")
    whole = whole.where(has_offset | (whole == ""), whole + offset)
    return pd.to_datetime(whole, format="ISO8601", utc=True, errors="coerce").dt.as_unit("us")


def numbers(texts: pd.Series) -> pd.Series:
    """Numbers; not-a-number where a text is none, or too large to be one."""
    number = texts.where(texts.str.fullmatch(NUMBER)).astype("float64")
    return number.where(np.isfinite(number))
