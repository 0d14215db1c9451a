"""Bench files: what a person wrote down of a bench test.

Belongs here: what a line of bench/*.csv must hold and what is wrong with one, which logger and day a file is of, the volume that each
run's reference stands for.
Does not: cells and lines as such (sheets.py), what the runs say of meters (bench_proofs.py).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd

from pipeline.lake.fingerprint import file_digest
from pipeline.science.water_density import (
    CONVENTIONAL_AIR_KG_M3,
    HIGHEST_WATER_C,
    LOWEST_WATER_C,
    air_density_kg_m3,
    buoyancy_correction,
    water_density_kg_m3,
    weighed_volume_l,
)
from pipeline.site import Site
from pipeline.site.errors import or_nearest
from pipeline.stages.sheets import Lines, Sheet, numbers, read_sheet

REQUIRED = ("run", "seconds")
OPTIONAL = (
    "reference_l",
    "reference_u_l",
    "reference_kg",
    "reference_u_kg",
    "reference_common_u_pct",
    "water_temp_c",
    "air_temp_c",
    "air_pressure_hpa",
    "direction",
    "in_line",
    "logger",
    "date",
    "note",
)
DIRECTIONS = ("forward", "reverse")
DAY = re.compile(r"(?<!\d)\d{4}-\d\d-\d\d(?!\d)")
MOST_PULSES = 1e12

UNKNOWN_LOGGER = (
    "It is not known whose columns these are, so that any meter of the site may be meant: begin the file's name with the logger's, "
    "or add a column logger."
)
UNKNOWN_DAY = (
    "The day of the test is not known, so that it is held against the calibrations that began last: write it into the file's name as "
    "YYYY-MM-DD, or add a column date."
)


@dataclass(frozen=True)
class BenchFile:
    """One bench test: a logger's columns over several runs.

    Attributes:
        path: below the site's raw folder; file_id: SHA-256 of its bytes.
        logger, proved: whose columns and when; none where that is not known.
        runs: one row per usable run: line, run, direction (forward, reverse, or blank where the file has no such column), seconds,
            reference (volume, weighed, or blank for none), reference_l, reference_u_l (L), common_u (share), water_density_kg_m3,
            buoyancy_pct; what does not apply is not-a-number.
        in_line: meters in line in each run, none where not written down.
        pulses: counts, one column per logger column, rows as in `runs`; not-a-number where nothing was recorded.
        rejected: path, line, reason, text of the lines that cannot be used.
        lines, header_lines, blank_lines: counts; with the runs and the rejected lines, header and blank lines make up all lines.
        remarks: sentences on the file as a whole.
    """

    path: str
    file_id: str
    logger: str | None
    proved: date | None
    runs: pd.DataFrame
    in_line: tuple[frozenset[str] | None, ...]
    pulses: pd.DataFrame
    rejected: pd.DataFrame
    lines: int
    header_lines: int
    blank_lines: int
    remarks: tuple[str, ...]


def read_bench_file(path: Path, raw_folder: Path, site: Site) -> BenchFile:
    """One bench file.

    A line is a run. Beside the columns named here every column is one of the logger's, and holds the pulses that it counted in the
    run. The logger is named in the column `logger`, or its name begins the file's name, or it alone has such columns; the day stands in
    the column `date`, or in the file's name as YYYY-MM-DD.

    Args:
        path: the file.
        raw_folder: the site's raw folder; paths are given below it.
        site: loggers, meters, gauges and wiring.
    """
    sheet = read_sheet(path, raw_folder, REQUIRED, OPTIONAL)
    lines = Lines.of([sheet], (*REQUIRED, *OPTIONAL))
    remarks: list[str] = []
    logger, why_no_logger = _logger(sheet, site)
    proved, why_no_day = _day(sheet)
    for found, why, unknown in (
        (logger, why_no_logger, f"{UNKNOWN_LOGGER} Loggers of the site: {', '.join(site.loggers)}."),
        (proved, why_no_day, UNKNOWN_DAY),
    ):
        if why:
            lines.reject(pd.Series(True, index=lines.rows.index), why)
        elif found is None and len(lines.rows):
            remarks.append(unknown)
    _check_runs(lines, sheet, site)
    pulses = _read_pulses(lines, sheet, site, logger, remarks)
    lines.rows = lines.rows.join(sheet.further.add_prefix("further "))
    lines.reject_copies([*REQUIRED, *OPTIONAL, *(f"further {name}" for name in sheet.further)])
    used = lines.usable
    return BenchFile(
        path=sheet.path,
        file_id=file_digest(path),
        logger=logger,
        proved=proved,
        runs=_references(used).reset_index(drop=True),
        in_line=tuple(_names_in(text, site) or None for text in used["in_line"]),
        pulses=pulses.loc[used.index].reset_index(drop=True),
        rejected=lines.rows.loc[lines.rows["reason"] != "", ["path", "line", "reason", "text"]],
        lines=sheet.lines,
        header_lines=sheet.header_lines,
        blank_lines=sheet.blank_lines,
        remarks=tuple(remarks),
    )


def _logger(sheet: Sheet, site: Site) -> tuple[str | None, str]:
    """The logger, if it is known, and what is wrong with what the file says of it."""
    known = ", ".join(site.loggers)
    written = sorted(set(sheet.cells["logger"]) - {""})
    if len(written) > 1:
        return None, f"Column logger names {' and '.join(written)}: a bench file is of one logger. Make a file for each."
    if written:
        if written[0] in site.loggers:
            return written[0], ""
        advice = or_nearest(written[0], site.loggers, "Write the logger into site.yaml first")
        return None, f"Column logger: '{written[0]}' is no logger of site.yaml; known are {known}. {advice}."
    name = sheet.path.rpartition("/")[2]
    beginning = [one for one in site.loggers if re.match(re.escape(one) + r"(?![A-Za-z0-9])", name)]
    if beginning:
        return max(beginning, key=len), ""
    names = set(map(str, sheet.further))
    having = {row.logger for row in site.wiring if row.column in names} or set(site.loggers)
    return (having.pop() if len(having) == 1 else None), ""


def _day(sheet: Sheet) -> tuple[date | None, str]:
    """The day of the test, if it is known, and what is wrong with what the file says of it."""
    written = sorted(set(sheet.cells["date"]) - {""})
    if len(written) > 1:
        return None, f"Column date names {' and '.join(written)}: a bench file is of one day. Make a file for each."
    texts = written or DAY.findall(sheet.path.rpartition("/")[2])[:1]
    if not texts:
        return None, ""
    try:
        if not DAY.fullmatch(texts[0]):
            raise ValueError
        return date.fromisoformat(texts[0]), ""
    except ValueError:
        return None, f"'{texts[0]}' is no day: write year, month and day, such as 2019-09-25."


def _names_in(text: str, site: Site) -> frozenset[str]:
    """The meters that a cell of the column in_line names, separated by semicolons or blanks."""
    known = {meter.meter for meter in site.meters}
    whole = [name.strip() for name in text.split(";") if name.strip()]
    return frozenset(whole) if set(whole) <= known else frozenset(text.replace(";", " ").split())


def _check_runs(lines: Lines, sheet: Sheet, site: Site) -> None:
    """Give each line the first reason why it cannot be used, and turn its cells into numbers."""
    rows = lines.rows
    columns = set(sheet.columns)
    lines.reject(rows["run"] == "", "Column run is empty: give each run a number.")
    for column, least, most, what in (
        ("seconds", 0.0, np.inf, "the length of the run in seconds, more than 0"),
        ("reference_l", 0.0, np.inf, "the reference volume in litres, more than 0 (empty: no reference)"),
        (
            "reference_kg",
            0.0,
            np.inf,
            "what the balance showed, tare taken off, in kilograms, more than 0 (empty: not weighed)",
        ),
        ("reference_u_l", -np.inf, np.inf, "a standard uncertainty in litres, 0 or more"),
        ("reference_u_kg", -np.inf, np.inf, "a standard uncertainty in kilograms, 0 or more"),
        ("reference_common_u_pct", -np.inf, 50.0, "a standard uncertainty in per cent, 0 or more and less than 50"),
        ("water_temp_c", -np.inf, np.inf, "a temperature in degrees Celsius"),
        ("air_temp_c", -40.0, 60.0, "a temperature in degrees Celsius, from -40 to 60"),
        ("air_pressure_hpa", 300.0, 1100.0, "the pressure at the place in hectopascals, from 300 to 1100"),
    ):
        value = numbers(rows[column])
        if column == "seconds":
            lines.reject(rows[column] == "", "Column seconds is empty: without the run's length its flow is not known.")
        negative = value < 0 if "_u_" in column else pd.Series(False, index=rows.index)
        lines.reject(
            (rows[column] != "") & ~((value > least) & (value < most) & ~negative),
            f"Column {column}: '{{{column}}}' is not {what}. Write digits with a decimal point, without unit.",
        )
        rows[f"{column} value"] = value
    lines.reject(
        (rows["reference_l"] != "") & (rows["reference_kg"] != ""),
        "Both reference_l and reference_kg are entered; keep the one that was measured and empty the other.",
    )
    for unit in ("l", "kg"):
        reference, uncertainty = f"reference_{unit}", f"reference_u_{unit}"
        lines.reject(
            (rows[reference] != "") & (rows[uncertainty] == ""),
            f"Column {uncertainty} is empty: a reference of unknown uncertainty proves nothing. Enter its standard uncertainty, "
            "such as the smallest division divided by 3.5 (a rectangular distribution).",
        )
        lines.reject(
            rows[f"{uncertainty} value"] > 0.5 * rows[f"{reference} value"],
            f"Column {uncertainty}: '{{{uncertainty}}}' is more than half of the reference, '{{{reference}}}'. Check both.",
        )
    weighed = rows["reference_kg"] != ""
    temperature = rows["water_temp_c value"]
    lines.reject(
        weighed & (rows["water_temp_c"] == ""),
        "Column water_temp_c is empty: weighed water is a volume only at a known temperature.",
    )
    lines.reject(
        weighed & ~((temperature >= LOWEST_WATER_C) & (temperature <= HIGHEST_WATER_C)),
        f"Column water_temp_c: '{{water_temp_c}}' is not from {LOWEST_WATER_C:g} to {HIGHEST_WATER_C:g} °C, where the density of "
        "water is known.",
    )
    lines.reject(
        weighed & ((rows["air_temp_c"] == "") != (rows["air_pressure_hpa"] == "")),
        "Of air_temp_c and air_pressure_hpa one is entered; the density of the air needs both, or neither (1.2 kg/m³).",
    )
    if "direction" in columns:
        rows["direction"] = rows["direction"].str.casefold()
        lines.reject(
            ~rows["direction"].isin(DIRECTIONS),
            "Column direction: '{direction}' is not forward or reverse. Enter which way the water ran, or leave the column out.",
        )
    meters = sorted({meter.meter for meter in site.meters})
    unknown = rows["in_line"].map(lambda text: ", ".join(sorted(_names_in(text, site) - set(meters)))).astype("str")
    lines.reject(
        unknown != "",
        "Column in_line: {unknown} is no meter of meters.csv; known are {known}. Separate names with a semicolon.",
        unknown=unknown,
        known=", ".join(meters),
    )


def _read_pulses(lines: Lines, sheet: Sheet, site: Site, logger: str | None, remarks: list[str]) -> pd.DataFrame:
    """Counts of the logger's columns; a cell that holds none rejects its line."""
    gauges = {row.column for row in site.gauges if row.logger == logger}
    wired = {row.column for row in site.wiring if row.logger == logger}
    pulses = {}
    for column, texts in sheet.further.items():
        name = str(column)
        count = numbers(texts)
        right = (count >= 0) & (count % 1 == 0) & (count < MOST_PULSES)
        if name in gauges or (name not in wired and not right.any()):
            if name not in gauges and (texts != "").any():
                advice = or_nearest(name, OPTIONAL, "Rename it if it is a count")
                remarks.append(
                    f"Column {name or '(without a name)'} is wired to no meter and holds no whole numbers: it is not used. {advice}."
                )
            continue
        lines.reject(
            (texts != "") & ~right,
            "Column {column}: '{cell}' is no count. A count is a whole number of pulses, 0 or more; correct the cell, or empty it "
            "if the column was not recorded in this run.",
            column=name,
            cell=texts,
        )
        pulses[name] = count.where(right)
    return pd.DataFrame(pulses, index=lines.rows.index, dtype="float64")


def _references(rows: pd.DataFrame) -> pd.DataFrame:
    """Usable runs with the volume that their reference stands for."""
    weighed = rows["reference_kg"] != ""
    density = water_density_kg_m3(rows["water_temp_c value"].where(weighed))
    air = np.nan_to_num(
        air_density_kg_m3(rows["air_temp_c value"], rows["air_pressure_hpa value"]), nan=CONVENTIONAL_AIR_KG_M3
    )
    volume = weighed_volume_l(rows["reference_kg value"], rows["water_temp_c value"], air)
    return pd.DataFrame(
        {
            "line": rows["line"],
            "run": rows["run"],
            "direction": rows["direction"],
            "seconds": rows["seconds value"],
            "reference": np.where(weighed, "weighed", np.where(rows["reference_l"] != "", "volume", "")),
            "reference_l": rows["reference_l value"].where(~weighed, volume),
            "reference_u_l": rows["reference_u_l value"].where(~weighed, rows["reference_u_kg value"] / density * 1000),
            "common_u": rows["reference_common_u_pct value"].fillna(0.0) / 100,
            "water_density_kg_m3": density,
            "buoyancy_pct": 100 * buoyancy_correction(density, air),
        }
    )
