"""From field books and laboratory sheets to results that can be used.

Belongs here: reading samples/*.csv and lab/*.csv, what is wrong with a line, units, detection limits, repeat analyses, and which
results tell about a plot and which about the method.
Does not: conversion factors (science/units.py), concentrations in time (stages/concentration.py).
"""

from __future__ import annotations

import csv
import gzip
import re
import zlib
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from pipeline.science.units import known_units, unit_key
from pipeline.site import Site
from pipeline.tables import table

KINDS = ("grab", "flow_composite", "time_composite")
ROLES = ("result", "field_duplicate", "lab_duplicate", "field_blank", "lab_blank")
BLANKS = ("field_blank", "lab_blank")
CENSORED = ("<", "nd", "u")

SAMPLE_COLUMNS = ("sample", "plot", "kind", "from", "to")
LAB_COLUMNS = ("sample", "analyte", "value", "unit")
OPTIONAL_LAB_COLUMNS = ("qualifier", "detection_limit", "analysed", "batch", "role")

TIME = r"\d{4}-\d\d-\d\d(?:[T ]\d\d:\d\d(?::\d\d(?:\.\d{1,6})?)?(?:Z|[+-]\d\d:?\d\d)?)?"
NOT_UTF_8 = re.compile("[\ud800-\udfff]")
NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"


@dataclass(frozen=True)
class SampleResults:
    """What the field books and laboratory sheets gave.

    Attributes:
        results: rows of `sample_results`.
        quality_control: rows of `quality_control`.
        rejected: rows of `rejected_results`.
        files: one row per file: path, lines, header_lines, blank_lines, used_lines, rejected_lines; the last four make up lines.
    """

    results: pd.DataFrame
    quality_control: pd.DataFrame
    rejected: pd.DataFrame
    files: pd.DataFrame


@dataclass(frozen=True)
class _Sheet:
    """One file: its data lines as cells under their names, and an account of all lines.

    Attributes:
        cells: path, line, text, reason (a sentence, or empty while nothing is wrong) and the named columns, all text.
        lines, header_lines, blank_lines: counts.
    """

    path: str
    cells: pd.DataFrame
    lines: int
    header_lines: int
    blank_lines: int


def sample_results(
    site: Site, raw_folder: Path, sample_paths: Iterable[Path], lab_paths: Iterable[Path]
) -> SampleResults:
    """Usable lab results of a site, in mg/L.

    Files are UTF-8 text with commas (RFC 4180, one line a record), plain or .gz; columns in any order, further ones ignored.
    Times are ISO 8601; without an offset they are the site's standard time, and a bare date is its midnight. Samples (bottles)
    are known by name across all files.

    - A grab has a moment, a composite a window.
    - A result is censored where its qualifier is "<", "ND" or "U": less than its detection limit or its value, whichever is
      larger. Half of that limit stands as a placeholder.
    - Repeat analyses (role `result`, same sample and analyte) are averaged. Where some are censored, the others are averaged
      and must not lie above the limits of these; if they do, all are rejected.
    - Field duplicates, lab duplicates and blanks are quality control: they enter no mean and no concentration.
    - A line that repeats another cell for cell is a copy, and is rejected. Two lines that enter one sample differently are
      both rejected, and with them the sample's results: nobody knows which is right.

    Args:
        site: plots, analytes, standard time.
        raw_folder: the site's raw folder, `raw/<site>/`; paths in the tables are below it.
        sample_paths: the field books.
        lab_paths: the laboratory sheets.

    Returns:
        Results, quality control, rejected lines with their reasons, and an account of the lines of each file: every line is
        header, blank, used or rejected.
    """
    books = [_read(path, raw_folder, SAMPLE_COLUMNS, ()) for path in sorted(sample_paths)]
    sheets = [_read(path, raw_folder, LAB_COLUMNS, OPTIONAL_LAB_COLUMNS) for path in sorted(lab_paths)]
    samples = _check_samples(_together(books, SAMPLE_COLUMNS), site)
    lab = _check_lab(_together(sheets, (*LAB_COLUMNS, *OPTIONAL_LAB_COLUMNS)), samples, site)
    _reject_contradictions(lab)

    every_line = pd.concat([samples, lab], ignore_index=True)
    rejected = every_line.loc[every_line["reason"] != "", list(table("rejected_results").names)]
    used = lab[lab["reason"] == ""]
    quality_control = used.loc[used["role"] != "result", list(table("quality_control").names)]
    return SampleResults(
        results=_results(used[used["role"] == "result"], samples),
        quality_control=quality_control.sort_values(["path", "line"], ignore_index=True),
        rejected=rejected.sort_values(["path", "line"], ignore_index=True),
        files=_account([*books, *sheets], every_line),
    )


def _read(path: Path, raw_folder: Path, required: tuple[str, ...], optional: tuple[str, ...]) -> _Sheet:
    """One file as cells under column names; a line whose cells cannot be told apart carries its reason."""
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

    rows = []
    for number, line in numbered[header_lines:]:
        cells = None if damage else _cells(line)
        reason = damage or _line_damage(cells, line, len(found))
        named = {} if reason or cells is None else dict(zip(found, cells, strict=True))
        shown = line if line.isascii() else line.encode("utf-8", "surrogateescape").decode("utf-8", "replace")
        rows.append((name, number, shown, reason, *(named.get(column, "") for column in names)))
    frame = pd.DataFrame(rows, columns=["path", "line", "text", "reason", *names])
    return _Sheet(name, frame, len(lines), header_lines, blank_lines)


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


def _together(sheets: list[_Sheet], names: tuple[str, ...]) -> pd.DataFrame:
    texts = ["path", "text", "reason", *names]
    empty = pd.DataFrame(columns=["path", "line", "text", "reason", *names])
    parts = [sheet.cells for sheet in sheets if len(sheet.cells)]
    return (pd.concat(parts, ignore_index=True) if parts else empty).astype(
        {**dict.fromkeys(texts, "str"), "line": "int64"}
    )


def _reject(rows: pd.DataFrame, wrong: pd.Series, sentence: str, **facts: pd.Series | str) -> None:
    """Give a reason to the lines that are wrong and have none yet: the first thing that is wrong with a line is told.

    The sentence names cells by their column in braces, and further facts by theirs.
    """
    now = rows.index[wrong & (rows["reason"] == "")]
    if len(now):
        told = rows.loc[now].assign(
            **{name: fact.loc[now] if isinstance(fact, pd.Series) else fact for name, fact in facts.items()}
        )
        rows.loc[now, "reason"] = [sentence.format_map(cells) for cells in told.to_dict("records")]


def _place(rows: pd.DataFrame) -> pd.Series:
    return rows["path"] + ", line " + rows["line"].astype("str")


def _places(rows: pd.DataFrame, key: list[str]) -> pd.Series:
    """For each line the places of all lines that share its key."""
    together = _place(rows).groupby([rows[name] for name in key], sort=False)
    return together.transform(" and ".join) if len(rows) else _place(rows)


def _reject_copies(rows: pd.DataFrame, cells: list[str]) -> None:
    usable = rows[rows["reason"] == ""]
    first = _place(usable).groupby([usable[cell] for cell in cells], sort=False).transform("first")
    copies = usable.duplicated(cells).reindex(rows.index, fill_value=False)
    _reject(rows, copies, "The line repeats {first} cell for cell; that line is used.", first=first)


def _check_samples(rows: pd.DataFrame, site: Site) -> pd.DataFrame:
    """The field books, with `start` and `end` (UTC) and the reason why a line cannot be used."""
    plots = [plot.plot for plot in site.plots]
    composite = rows["kind"].isin(["flow_composite", "time_composite"])
    start, end = _instants(rows["from"], site), _instants(rows["to"], site)
    no_time = "' is no time; a time is written as 2020-04-21T09:30, with or without an offset."

    _reject(rows, rows["sample"] == "", "Column sample is empty: the bottle has no name that a result could refer to.")
    _reject(
        rows,
        (rows["plot"] != "") & ~rows["plot"].isin(plots),
        "Column plot: '{plot}' is no plot of plots.csv; known are {known} (empty for a blank).",
        known=", ".join(plots),
    )
    _reject(rows, ~rows["kind"].isin(KINDS), "Column kind: '{kind}' is not one of {known}.", known=", ".join(KINDS))
    _reject(rows, rows["from"] == "", "Column from is empty: it is not known when the water was taken.")
    _reject(rows, start.isna(), "Column from: '{from}" + no_time)
    _reject(rows, (rows["to"] != "") & end.isna(), "Column to: '{to}" + no_time)
    _reject(
        rows,
        composite & (rows["to"] == ""),
        "Column to is empty: a composite needs the end of its window. Enter it, or call the sample a grab.",
    )
    _reject(
        rows,
        composite & (end <= start),
        "Column to: '{to}' is not after from, '{from}'; a window ends after it begins.",
    )
    _reject(
        rows,
        ~composite & (rows["to"] != "") & (end != start),
        "Column to: a grab has one moment, but '{to}' is entered beside '{from}'. Leave it empty, or call the sample a "
        "composite.",
    )
    _reject_copies(rows, list(SAMPLE_COLUMNS))
    usable = rows[rows["reason"] == ""]
    of_one_name = usable[usable.duplicated("sample", keep=False)]
    _reject(
        rows,
        rows.index.to_series().isin(of_one_name.index),
        "Sample '{sample}' is entered differently in {places}; it is not known which is right, so neither is used. Keep "
        "one of them, or give each bottle its own name.",
        places=_places(of_one_name, ["sample"]),
    )
    return rows.assign(start=start, end=end.where(composite, start))


def _instants(texts: pd.Series, site: Site) -> pd.Series:
    """Instants in UTC; not-a-time where a text is no ISO 8601 date or time."""
    minutes = round(site.utc_offset.total_seconds() / 60)
    offset = f"{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"
    whole = texts.where(texts.str.fullmatch(TIME), "").str.replace(" ", "T", n=1)
    whole = whole.where(whole.str.contains("T") | (whole == ""), whole + "T00:00")
    has_offset = whole.str.contains(r"T.*(?:Z|[+-]\d\d:?\d\d)$")
    whole = whole.where(has_offset | (whole == ""), whole + offset)
    return pd.to_datetime(whole, format="ISO8601", utc=True, errors="coerce").dt.as_unit("us")


def _numbers(texts: pd.Series) -> pd.Series:
    """Numbers; not-a-number where a text is none, or too large to be one."""
    number = texts.where(texts.str.fullmatch(NUMBER)).astype("float64")
    return number.where(np.isfinite(number))


def _check_lab(rows: pd.DataFrame, samples: pd.DataFrame, site: Site) -> pd.DataFrame:
    """The laboratory sheets in mg/L, with the reason why a line cannot be used.

    Adds value_mg_l (not-a-number for a censored result), mg_l, censored, detection_limit_mg_l; an empty role is `result`.
    """
    rows["role"] = rows["role"].str.casefold().mask(rows["role"] == "", "result")
    value, limit = _numbers(rows["value"]), _numbers(rows["detection_limit"])
    censored = rows["qualifier"].str.casefold().isin(CENSORED)
    factors = {analyte: {unit_key(name): f for name, f in known_units(analyte).items()} for analyte in site.analytes}
    factor = pd.Series(
        [factors.get(analyte, {}).get(unit_key(unit), np.nan) for analyte, unit in zip(rows["analyte"], rows["unit"], strict=True)],
        index=rows.index,
        dtype="float64",
    )  # fmt: skip
    units = rows["analyte"].map({analyte: ", ".join(known_units(analyte)) for analyte in site.analytes})
    has_value, has_limit = rows["value"] != "", rows["detection_limit"] != ""
    larger = np.fmax(value, limit)
    no_number = "' is no number. Write digits with a decimal point; 'less than' goes into the column qualifier."

    _reject(rows, rows["sample"] == "", "Column sample is empty: it is not known which bottle was analysed.")
    _reject(
        rows,
        ~rows["analyte"].isin(site.analytes),
        "Column analyte: '{analyte}' is not one of site.yaml's analytes: {known}.",
        known=", ".join(site.analytes),
    )
    _reject(rows, ~rows["role"].isin(ROLES), "Column role: '{role}' is not one of {known}.", known=", ".join(ROLES))
    _reject(
        rows,
        ~censored & (rows["qualifier"] != ""),
        "Column qualifier: '{qualifier}' is not known; allowed are nothing, and <, ND or U (all three: less than the "
        "detection limit).",
    )
    _reject(rows, factor.isna(), "Column unit: '{unit}' is not known for {analyte}; known are {units}.", units=units)
    _reject(
        rows,
        ~has_value & ~censored,
        "Column value is empty, and the column qualifier does not say that it is below the detection limit.",
    )
    _reject(rows, has_value & value.isna(), "Column value: '{value}" + no_number)
    _reject(rows, has_limit & limit.isna(), "Column detection_limit: '{detection_limit}" + no_number)
    _reject(rows, value < 0, "Column value: '{value}' is negative; a concentration is not.")
    _reject(rows, limit < 0, "Column detection_limit: '{detection_limit}' is negative; a limit is not.")
    _reject(
        rows,
        censored & ~(larger > 0),
        "The result is less than a limit that is not given: enter it in the column detection_limit.",
    )
    _reject_unknown_bottles(rows, samples)
    cells = [*LAB_COLUMNS, *OPTIONAL_LAB_COLUMNS]
    _reject_copies(rows, cells)
    known_limit = limit.where(~censored, larger) * factor
    return rows.assign(
        batch=rows["batch"].mask(rows["batch"] == ""),
        value_mg_l=(value * factor).where(~censored),
        mg_l=(value * factor).where(~censored, known_limit / 2),
        censored=censored,
        detection_limit_mg_l=known_limit,
    )


def _reject_unknown_bottles(rows: pd.DataFrame, samples: pd.DataFrame) -> None:
    """Results of bottles that no field book holds, or that hold water of no plot; blanks need no field book."""
    usable = samples[samples["reason"] == ""]
    unusable = samples[(samples["reason"] != "") & ~samples["sample"].isin(usable["sample"])]
    rejected_at = rows["sample"].map(_place(unusable).groupby(unusable["sample"]).first())
    of_plot = rows["sample"].map(usable.set_index("sample")["plot"])
    from_plot = ~rows["role"].isin(BLANKS)
    _reject(
        rows,
        from_plot & rejected_at.notna(),
        "Sample '{sample}' stands in a field book, but its line could not be used ({place}).",
        place=rejected_at,
    )
    _reject(
        rows,
        from_plot & of_plot.isna(),
        "Sample '{sample}' stands in no field book: its plot and time are not known. Enter it in samples/.",
    )
    _reject(
        rows,
        (rows["role"] == "result") & (of_plot == ""),
        "Sample '{sample}' has no plot in its field book, so this is no result of a plot. Enter the plot, or the role "
        "field_blank.",
    )


def _reject_contradictions(rows: pd.DataFrame) -> None:
    """Repeat analyses of which one says 'less than the limit' and another lies above that limit."""
    usable = rows[(rows["reason"] == "") & (rows["role"] == "result")]
    key = [usable["sample"], usable["analyte"]]
    lowest_limit = usable["detection_limit_mg_l"].where(usable["censored"]).groupby(key).transform("min")
    highest_value = usable["value_mg_l"].groupby(key).transform("max")
    contradicting = usable[highest_value > lowest_limit]
    _reject(
        rows,
        rows.index.to_series().isin(contradicting.index),
        "The results of sample '{sample}' contradict one another: one is less than a limit that another exceeds ({places}); "
        "it is not known which is right, so none is used.",
        places=_places(contradicting, ["sample", "analyte"]),
    )


def _results(used: pd.DataFrame, samples: pd.DataFrame) -> pd.DataFrame:
    """One row per sample and analyte: the mean of what its repeat analyses measured, or half the lowest limit."""
    measured_at_all = used["value_mg_l"].groupby([used["sample"], used["analyte"]]).transform("count") > 0
    speaking = used[~used["censored"] | ~measured_at_all]
    repeats = speaking.groupby(["sample", "analyte"], as_index=False).agg(
        mean=("value_mg_l", "mean"),
        smallest=("value_mg_l", "min"),
        largest=("value_mg_l", "max"),
        censored=("censored", "all"),
        detection_limit_mg_l=("detection_limit_mg_l", "min"),
        results=("mg_l", "size"),
    )
    relative = 100 * (repeats["largest"] - repeats["smallest"]) / repeats["mean"].where(repeats["mean"] > 0)
    both_nothing = (repeats["mean"] == 0) & (repeats["results"] > 1)
    repeats = repeats.assign(
        mg_l=repeats["mean"].where(~repeats["censored"], repeats["detection_limit_mg_l"] / 2),
        relative_difference_pct=relative.mask(both_nothing, 0.0).where(repeats["results"] > 1),
    )
    bottles = samples.loc[samples["reason"] == "", ["sample", "plot", "kind", "start", "end"]]
    rows = repeats.merge(bottles, on="sample", validate="many_to_one")
    rows = rows.sort_values(list(table("sample_results").sort), ignore_index=True)
    return rows[list(table("sample_results").names)]


def _account(sheets: list[_Sheet], every_line: pd.DataFrame) -> pd.DataFrame:
    rejected = every_line["path"][every_line["reason"] != ""].value_counts()
    files = pd.DataFrame(
        {
            "path": [sheet.path for sheet in sheets],
            "lines": [sheet.lines for sheet in sheets],
            "header_lines": [sheet.header_lines for sheet in sheets],
            "blank_lines": [sheet.blank_lines for sheet in sheets],
        }
    )
    rejected_lines = files["path"].map(rejected).fillna(0).astype("int64")
    return files.assign(used_lines=[len(sheet.cells) for sheet in sheets] - rejected_lines, rejected_lines=rejected_lines)
