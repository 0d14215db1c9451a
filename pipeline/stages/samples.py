"""From field books and laboratory sheets to results that can be used.

Belongs here: which results tell about a plot and which about the method, repeat analyses, how long a bottle waited, what one result is
worth, and the account of every line.
Does not: what a line must hold (field_book.py, laboratory_sheets.py), the quality of a batch (laboratory_batches.py), what flowed
while a sample was taken (sample_flow.py), concentrations in time (concentration.py).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from pipeline.science.holding_times import FILTERED_ANALYTES, FILTERING_LIMITS_H, HOLDING_LIMITS_H
from pipeline.science.laboratory_precision import standard_uncertainty_mg_l
from pipeline.site import Site
from pipeline.site.analytes import PARTS
from pipeline.stages.field_book import OPTIONAL_SAMPLE_COLUMNS, SAMPLE_COLUMNS, read_field_books, samples
from pipeline.stages.laboratory_batches import NO_BATCH, laboratory_batches, quality_control
from pipeline.stages.laboratory_sheets import LAB_COLUMNS, OPTIONAL_LAB_COLUMNS, read_laboratory_sheets
from pipeline.stages.remarks import look_up, written
from pipeline.stages.sheets import Lines, Sheet, read_sheet
from pipeline.tables import table

COVERAGE = 2.0
"""A part is called larger than its whole where it is so by more than this many standard uncertainties of their difference."""


@dataclass(frozen=True)
class SampleResults:
    """What the field books and laboratory sheets gave.

    Attributes:
        results: rows of `sample_results`.
        samples: rows of `samples`.
        quality_control: rows of `quality_control`.
        batches: rows of `laboratory_batches`.
        rejected: rows of `rejected_results`.
        remarks: rows of `result_remarks`.
        files: one row per file: path, lines, header_lines, blank_lines, used_lines, rejected_lines; the last four make up lines.
    """

    results: pd.DataFrame
    samples: pd.DataFrame
    quality_control: pd.DataFrame
    batches: pd.DataFrame
    rejected: pd.DataFrame
    remarks: pd.DataFrame
    files: pd.DataFrame


def sample_results(
    site: Site, raw_folder: Path, sample_paths: Iterable[Path], lab_paths: Iterable[Path]
) -> SampleResults:
    """Usable lab results of a site, in mg/L of the element that the analyte is counted in.

    Files are UTF-8 text with commas (RFC 4180, one line a record), plain or .gz; columns in any order, further ones ignored.
    Times are ISO 8601; without an offset they are the site's standard time, and a bare date is its midnight. Samples (bottles)
    are known by name across all files.

    - A grab and a discrete bottle of a sampler have a moment, a composite a window.
    - A result is censored where a qualifier says less than the detection limit: less than that limit or its value, whichever is
      larger (without either: than the one limit of its batch). Half of that limit stands as a placeholder. A result above the
      range of the analysis stands with its value, the least that it can be.
    - Of several reports of a sample's analyte the latest (column `reported`) stands; the former are rejected, with that reason.
    - Repeat analyses (role `result`, same sample, analyte and report) are averaged. Where some are censored or above the range, the
      others are averaged and must not contradict these; if they do, all are rejected.
    - Duplicates, blanks, spikes and standards are quality control: they enter no mean and no concentration.
    - A line that repeats another cell for cell is a copy, and is rejected. Two lines that enter one sample differently are
      both rejected, and with them the sample's results: nobody knows which is right. So are different values of one analysis in
      different files.
    - A bottle's waiting time runs from its end to its analysis (of a bare date: from its midnight, so that it is the least possible)
      and is held to 40 CFR Part 136, Table II, or to the policy `holding_hours`. Of a bottle whose preservation is not entered only
      what every preservation allows is called within, and what none allows exceeded.

    Args:
        site: plots, analytes, standard time, record, policies.
        raw_folder: the site's raw folder, `raw/<site>/`; paths in the tables are below it.
        sample_paths: the field books.
        lab_paths: the laboratory sheets.

    Returns:
        The tables, and an account of the lines of each file: every line is header, blank, used or rejected.
    """
    books = [read_sheet(path, raw_folder, SAMPLE_COLUMNS, OPTIONAL_SAMPLE_COLUMNS) for path in sorted(sample_paths)]
    sheets = [read_sheet(path, raw_folder, LAB_COLUMNS, OPTIONAL_LAB_COLUMNS) for path in sorted(lab_paths)]
    book_lines = read_field_books(books, site)
    lab_lines = read_laboratory_sheets(sheets, book_lines, site)

    bottles = samples(book_lines)
    used = lab_lines.usable
    means = _means_of_repeats(used[used["role"] == "result"]).merge(bottles, on="sample", validate="many_to_one")
    control = quality_control(used[used["role"] != "result"], means, bottles)
    batches = laboratory_batches(used, control, site)
    results = _with_uncertainty(_with_holding(means, site), batches)
    _remark_on_bottles(lab_lines, results, book_lines)

    every_line = pd.concat([book_lines.rows, lab_lines.rows], ignore_index=True)
    declared = table("sample_results")
    return SampleResults(
        results=results.sort_values(list(declared.sort), ignore_index=True)[list(declared.names)],
        samples=bottles,
        quality_control=control,
        batches=batches,
        rejected=_by_line(every_line[every_line["reason"] != ""], "rejected_results"),
        remarks=_by_line(pd.concat([book_lines.remarks, lab_lines.remarks], ignore_index=True), "result_remarks"),
        files=_account([*books, *sheets], every_line),
    )


def _means_of_repeats(used: pd.DataFrame) -> pd.DataFrame:
    """One row per sample and analyte: the mean of what its repeat analyses measured, or the bound that they give.

    `path` and `line` are those of the analysis that was made last.
    """
    key = ["sample", "analyte"]
    measured = ~used["censored"] & ~used["above_range"]
    groups = [used["sample"], used["analyte"]]
    any_measured = measured.groupby(groups).transform("any")
    any_above = used["above_range"].groupby(groups).transform("any")
    speaking = used[measured | (~any_measured & (used["above_range"] | ~any_above))]
    speaking = speaking.sort_values("analysed_at", kind="stable", na_position="first")
    repeats = speaking.groupby(key, as_index=False).agg(
        mean=("value_mg_l", "mean"),
        smallest=("value_mg_l", "min"),
        largest=("value_mg_l", "max"),
        censored=("censored", "all"),
        above_range=("above_range", "all"),
        estimated=("estimated", "any"),
        late=("late", "any"),
        detection_limit_mg_l=("detection_limit_mg_l", "min"),
        results=("mg_l", "size"),
        analysed=("analysed_at", "last"),
        path=("path", "last"),
        line=("line", "last"),
    )
    last = speaking.drop_duplicates(key, keep="last")[[*key, "batch", "qualifier"]]
    relative = 100 * (repeats["largest"] - repeats["smallest"]) / repeats["mean"].where(repeats["mean"] > 0)
    both_nothing = (repeats["mean"] == 0) & (repeats["results"] > 1)
    value = repeats["mean"].where(~repeats["above_range"], repeats["largest"])
    repeats = repeats.assign(
        mg_l=value.where(~repeats["censored"], repeats["detection_limit_mg_l"] / 2),
        relative_difference_pct=relative.mask(both_nothing, 0.0).where(repeats["results"] > 1),
    ).merge(last, on=key)
    return repeats.assign(qualifiers=repeats["qualifier"].mask(repeats["qualifier"] == "")).rename(
        columns={"path": "lab_path", "line": "lab_line"}
    )


def _with_holding(results: pd.DataFrame, site: Site) -> pd.DataFrame:
    """How long each bottle waited, how long it may have, and what follows."""
    waited = _hours(results["analysed"] - results["end"]).clip(lower=0.0)
    limits = {name: _holding_limits(name, site) for name in site.analytes}
    preserved = results["preserved"].fillna("")
    limit = pd.Series(
        [limits[analyte].get(how, np.nan) for analyte, how in zip(results["analyte"], preserved, strict=True)],
        index=results.index,
        dtype="float64",
    )
    longest = {
        name: (max(found.values(), default=np.nan), min(found.values(), default=np.nan)) for name, found in limits.items()
    }
    of_analyte = pd.DataFrame.from_dict(longest, orient="index", columns=["most", "least"], dtype="float64")
    most, least = (look_up(results["analyte"], of_analyte[column]) for column in of_analyte)
    not_entered = preserved == ""
    exceeded = (waited > limit) | (not_entered & (waited > most)) | results["late"]
    within = (waited <= limit) | (not_entered & (waited <= least))
    unsuitable = ~not_entered & limit.isna()
    state = np.select([exceeded, unsuitable, within], ["exceeded", "unsuitable", "within"], "unknown")
    return results.assign(
        holding_h=waited,
        holding_limit_h=limit.mask(not_entered & (waited > most), most),
        holding=pd.Series(state, index=results.index, dtype="str"),
    )


def _holding_limits(analyte: str, site: Site) -> Mapping[str, float]:
    of_site: Mapping[str, Mapping[str, float]] = site.policies.holding_hours  # type: ignore[assignment]
    return of_site.get(analyte, HOLDING_LIMITS_H[analyte])


def _with_uncertainty(results: pd.DataFrame, batches: pd.DataFrame) -> pd.DataFrame:
    """What one result is worth, from its batch."""
    of_batch = batches[["batch", "analyte", "random_uncertainty_pct", "batch_uncertainty_pct"]]
    named = results["batch"].fillna(NO_BATCH)
    rows = results.assign(of_batch=named).merge(
        of_batch.rename(columns={"batch": "of_batch"}), on=["of_batch", "analyte"], how="left", validate="many_to_one"
    )
    single = standard_uncertainty_mg_l(rows["mg_l"], rows["detection_limit_mg_l"], rows["random_uncertainty_pct"])
    of_mean = pd.Series(single, index=rows.index) / np.sqrt(rows["results"])
    return rows.assign(uncertainty_mg_l=of_mean.mask(rows["censored"] | rows["above_range"]))


def _remark_on_bottles(lab: Lines, results: pd.DataFrame, books: Lines) -> None:
    """What is doubtful about results that are used: bottles that waited too long or were not filtered, parts above their whole."""
    rows = lab.rows
    of_line = rows[["path", "line"]].merge(
        results.rename(columns={"path": "book_path", "line": "book_line", "lab_path": "path", "lab_line": "line"}),
        on=["path", "line"],
        how="left",
    )
    of_line.index = rows.index
    lab.remark(
        of_line["holding_h"] > of_line["holding_limit_h"],
        "analysed",
        "Analysed at least {waited} days after the bottle was taken; {analyte} may wait {limit} days{how}.",
        waited=written(of_line["holding_h"] / 24, "{:.1f}"),
        limit=written((of_line["holding_limit_h"] / 24), "{:g}"),
        how=(" when " + of_line["preserved"]).fillna(", however preserved"),
    )
    lab.remark(
        of_line["holding"] == "unsuitable",
        "analysed",
        "The bottle was preserved otherwise ({preservation}) than the holding time of {analyte} asks for.",
        preservation=of_line["preserved"].fillna(""),
    )
    dissolved = of_line["analyte"].isin(FILTERED_ANALYTES)
    not_filtered = rows["sample"].isin(books.usable.loc[books.usable["not_filtered"], "sample"])
    lab.remark(
        dissolved & not_filtered,
        "analyte",
        "{analyte} is what passes a filter, but by the field book sample {sample} was not filtered.",
    )
    stood = _hours(of_line["filtered"] - of_line["end"])
    limit_h = look_up(of_line["analyte"], pd.Series(FILTERING_LIMITS_H))
    lab.remark(
        stood > limit_h,
        "analyte",
        "Sample {sample} was filtered {stood} h after it was taken; for {analyte} it should be within {limit} h.",
        stood=written(stood, "{:.1f}"),
        limit=written(limit_h, "{:g}"),
    )
    asked = set(results["analyte"])
    for part, whole in ((part, whole) for part, whole in PARTS if asked >= {part, whole}):
        pair = _part_and_whole(results, part, whole)
        greater = pair[
            pair["part_mg_l"] - pair["mg_l"] > COVERAGE * np.hypot(pair["part_uncertainty"], pair["uncertainty_mg_l"])
        ]
        here = rows[["path", "line"]].merge(
            greater[["path", "line", "mg_l", "part_mg_l"]], on=["path", "line"], how="left"
        )
        here.index = rows.index
        lab.remark(
            here["part_mg_l"].notna(),
            "value",
            "Sample {sample} holds more {part} ({of_part} mg/L) than {analyte} ({of_whole} mg/L), of which it is a part.",
            part=part,
            of_part=written(here["part_mg_l"], "{:.3g}"),
            of_whole=written(here["mg_l"], "{:.3g}"),
        )


def _part_and_whole(results: pd.DataFrame, part: str, whole: str) -> pd.DataFrame:
    """Samples of which both a part and the whole were measured; path and line are those of the whole."""
    measured = results[~results["censored"] & ~results["above_range"]]
    of_part = measured.loc[measured["analyte"] == part, ["sample", "mg_l", "uncertainty_mg_l"]]
    of_whole = measured.loc[measured["analyte"] == whole, ["sample", "mg_l", "uncertainty_mg_l", "lab_path", "lab_line"]]
    of_part = of_part.rename(columns={"mg_l": "part_mg_l", "uncertainty_mg_l": "part_uncertainty"})
    return of_whole.rename(columns={"lab_path": "path", "lab_line": "line"}).merge(of_part, on="sample")


def _hours(times: pd.Series) -> pd.Series:
    return times.dt.total_seconds() / 3600


def _by_line(rows: pd.DataFrame, name: str) -> pd.DataFrame:
    declared = table(name)
    return rows.sort_values(list(declared.sort), ignore_index=True)[list(declared.names)]


def _account(sheets: list[Sheet], every_line: pd.DataFrame) -> pd.DataFrame:
    rejected = every_line["path"][every_line["reason"] != ""].value_counts()
    files = pd.DataFrame(
        {
            "path": [sheet.path for sheet in sheets],
            "lines": [sheet.lines for sheet in sheets],
            "header_lines": [sheet.header_lines for sheet in sheets],
            "blank_lines": [sheet.blank_lines for sheet in sheets],
        }
    )
    rejected_lines = look_up(files["path"], rejected).fillna(0).astype("int64")
    return files.assign(used_lines=[len(sheet.cells) for sheet in sheets] - rejected_lines, rejected_lines=rejected_lines)
