"""The laboratory's sheets: what was found in which bottle, and how far it can be used.

Belongs here: what a line of lab/*.csv must hold, units and qualifiers, revised reports, lines that contradict one another.
Does not: cells and lines as such (sheets.py), bottles (field_book.py), means of repeat analyses (samples.py), the quality of a
batch (laboratory_batches.py).
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from pipeline.science.concentration_units import known_units, unit_key, units_in_words
from pipeline.site import Site
from pipeline.site.analytes import ANALYTES
from pipeline.stages.field_book import bottles_by_name
from pipeline.stages.remarks import look_up, written
from pipeline.stages.sheets import NO_TIME, Lines, Sheet, instants, numbers, place
from pipeline.tables.declared.samples import QUALITY_CONTROL_ROLES

LAB_COLUMNS = ("sample", "analyte", "value", "unit")
OPTIONAL_LAB_COLUMNS = ("qualifier", "detection_limit", "analysed", "batch", "role", "reported", "added")

ROLES = ("result", *QUALITY_CONTROL_ROLES)
WITHOUT_BOTTLE = ("field_blank", "lab_blank", "control_sample")
"""Roles whose sample need not stand in a field book."""
OF_ONE_BOTTLE = ("result", "field_duplicate")
"""Roles of which a bottle has one value per analyte, whatever the batch."""
KNOWN_AMOUNT = ("matrix_spike", "control_sample")

QUALIFIER_MEANINGS: Mapping[str, str] = {
    "censored": "less than the detection limit",
    "above_range": "more than the value: above the range of the analysis",
    "estimated": "the value is an estimate",
    "censored_estimate": "less than the detection limit, which is an estimate itself",
    "late": "analysed after its holding time",
    "blank": "the analyte was found in the blank too",
    "diluted": "diluted before the analysis",
    "unusable": "not to be used",
}
QUALIFIERS: Mapping[str, str] = {
    "<": "censored",
    "ND": "censored",
    "U": "censored",
    "BDL": "censored",
    "UJ": "censored_estimate",
    ">": "above_range",
    "J": "estimated",
    "E": "estimated",
    "H": "late",
    "B": "blank",
    "D": "diluted",
    "R": "unusable",
}
"""What a laboratory's marks mean, in capitals. From memory of the data qualifiers of the US EPA's national functional guidelines
(U, J, UJ, R) and of common practice, no source (the others); a site gives its laboratory's own in site.yaml."""
CENSORED = ("censored", "censored_estimate")
ESTIMATED = ("estimated", "censored_estimate")
BETWEEN_MARKS = re.compile(r"[\s,;/+&]+")


def read_laboratory_sheets(sheets: Sequence[Sheet], books: Lines, site: Site) -> Lines:
    """The lines of all laboratory sheets in mg/L, each with what it says or the reason why it cannot be used.

    Adds to the cells: role (an empty one is `result`; that of a bottle which the field book calls a duplicate `field_duplicate`),
    value_mg_l (not-a-number for a censored result), mg_l (of a censored one half its limit), censored, above_range, estimated,
    late, in_blank, detection_limit_mg_l, added_mg_l, analysed, reported (UTC), analysed_within_day (whether only the day is known).
    An empty batch becomes none.
    """
    lines = Lines.of(sheets, (*LAB_COLUMNS, *OPTIONAL_LAB_COLUMNS))
    _read_cells(lines, site)
    _reject_unknown_bottles(lines, books)
    _keep_latest_report(lines)
    _reject_unreadable(lines, site)
    lines.reject_copies([*LAB_COLUMNS, *OPTIONAL_LAB_COLUMNS])
    _reject_sheets_that_disagree(lines)
    _convert(lines)
    _reject_contradictions(lines)
    _doubt_values(lines)
    _doubt_times(lines, books)
    return lines


def qualifier_meanings(site: Site) -> dict[str, str]:
    """What each mark means at this site: the site's own words first."""
    return dict(QUALIFIERS) | {word.upper(): meaning for word, meaning in site.policies.laboratory_qualifiers.items()}


def _read_cells(lines: Lines, site: Site) -> None:
    """Roles, marks, numbers, factors and instants beside the cells they come from."""
    rows = lines.rows
    meanings = qualifier_meanings(site)
    marks = rows["qualifier"].map(lambda text: tuple(mark for mark in BETWEEN_MARKS.split(text.upper()) if mark))
    meant = marks.map(lambda found: {meanings[mark] for mark in found if mark in meanings})
    factors = {name: _factors(name) for name in site.analytes}
    factor = pd.Series(
        [factors.get(analyte, {}).get(unit_key(unit), np.nan) for analyte, unit in zip(rows["analyte"], rows["unit"], strict=True)],
        index=rows.index,
        dtype="float64",
    )  # fmt: skip

    def says(*those: str) -> pd.Series:
        return meant.map(lambda found: not found.isdisjoint(those)).astype(bool)

    lines.rows = rows.assign(
        role=rows["role"].str.casefold().mask(rows["role"] == "", "result"),
        known_marks=marks.map(lambda found: all(mark in meanings for mark in found)).astype(bool),
        censored=says(*CENSORED),
        above_range=says("above_range"),
        estimated=says(*ESTIMATED),
        late=says("late"),
        in_blank=says("blank"),
        unusable=says("unusable"),
        value_number=numbers(rows["value"]),
        limit_number=numbers(rows["detection_limit"]),
        added_number=numbers(rows["added"]),
        factor=factor,
        reported_at=instants(rows["reported"], site),
        analysed_at=instants(rows["analysed"], site),
        # What is told of a line names what stands in it.
        analysed_within_day=~rows["analysed"].str.contains(":"),
    )


def _factors(analyte: str) -> dict[str, float]:
    return {unit_key(name): factor for name, factor in _units(analyte).items()}


def _units(analyte: str) -> Mapping[str, float]:
    known = ANALYTES[analyte]
    return known_units(known.element, known.species, known.equivalents_per_mole)


def _reject_unknown_bottles(lines: Lines, books: Lines) -> None:
    """Results of bottles that no field book holds, or that hold water of no plot; some roles need no field book."""
    rows = lines.rows
    bottles, rejected_place = bottles_by_name(books)
    rejected_at = look_up(rows["sample"], rejected_place)
    duplicate = rows["sample"].isin(bottles.index[bottles["duplicate_of"] != ""])
    water = look_up(rows["sample"], bottles["water"])
    needs_bottle = ~rows["role"].isin(WITHOUT_BOTTLE)
    lines.reject(rows["sample"] == "", "Column sample is empty: it is not known which bottle was analysed.")
    lines.reject(~rows["role"].isin(ROLES), "Column role: '{role}' is not one of {known}.", known=", ".join(ROLES))
    lines.reject(
        needs_bottle & rejected_at.notna(),
        "Sample '{sample}' stands in a field book, but its line could not be used ({place}).",
        place=rejected_at,
    )
    lines.reject(
        needs_bottle & water.isna(),
        "Sample '{sample}' stands in no field book: its plot and time are not known. Enter it in samples/.",
    )
    lines.reject(
        (rows["role"] == "result") & (water == "blank"),
        "Sample '{sample}' has no plot in its field book, so this is no result of a plot. Enter the plot, or the role "
        "field_blank, or for water of the ditch 'receiving' in the field book's column water.",
    )
    lines.rows = rows.assign(role=rows["role"].mask((rows["role"] == "result") & duplicate, "field_duplicate"))


def _keep_latest_report(lines: Lines) -> None:
    """Of the lines for one sample, analyte and role, those of the latest report; one without a date counts as the earliest.

    What a laboratory calls its blanks, spikes and standards may return in every batch: those are kept apart by batch.
    """
    rows = lines.rows
    lines.reject((rows["reported"] != "") & rows["reported_at"].isna(), "Column reported: '{reported}' " + NO_TIME)
    usable = lines.usable
    of_batch = usable["batch"].mask(usable["role"].isin(OF_ONE_BOTTLE), "")
    key = [usable["sample"], usable["analyte"], usable["role"], of_batch]
    reported = usable["reported_at"]
    latest = reported.groupby(key).transform("max")
    former = latest.notna() & ~(reported == latest)
    by = place(usable).where(reported == latest).groupby(key).transform("first")
    lines.reject(
        former.reindex(rows.index, fill_value=False),
        "The laboratory revised this result: the report of {on} stands ({by}), and this line is kept here only.",
        on=latest.dt.strftime("%Y-%m-%d").reindex(rows.index),
        by=by.reindex(rows.index),
    )


def _reject_unreadable(lines: Lines, site: Site) -> None:
    """Lines whose cells do not say what was found."""
    rows = lines.rows
    units = look_up(rows["analyte"], pd.Series({name: units_in_words(_units(name)) for name in site.analytes}))
    value, limit, censored = rows["value_number"], rows["limit_number"], rows["censored"]
    has_value, has_limit = rows["value"] != "", rows["detection_limit"] != ""
    no_number = "' is no number. Write digits with a decimal point; 'less than' goes into the column qualifier."
    lines.reject(
        ~rows["analyte"].isin(site.analytes),
        "Column analyte: '{analyte}' is not one of site.yaml's analytes: {known}.",
        known=", ".join(site.analytes),
    )
    lines.reject(
        ~rows["known_marks"],
        "Column qualifier: '{qualifier}' is not known; allowed are nothing, and {known}. Add the laboratory's own marks to "
        "laboratory_qualifiers in site.yaml.",
        known=_marks_in_words(qualifier_meanings(site)),
    )
    lines.reject(
        rows["unusable"],
        "The laboratory says that the result is not to be used (qualifier '{qualifier}').",
    )
    lines.reject(
        censored & rows["above_range"],
        "Column qualifier: '{qualifier}' says both less than the detection limit and above the range. Ask the laboratory.",
    )
    lines.reject(
        rows["factor"].isna(), "Column unit: '{unit}' is not known for {analyte}; known are {units}.", units=units
    )
    lines.reject(
        ~has_value & ~censored,
        "Column value is empty, and the column qualifier does not say that it is below the detection limit.",
    )
    lines.reject(has_value & value.isna(), "Column value: '{value}" + no_number)
    lines.reject(has_limit & limit.isna(), "Column detection_limit: '{detection_limit}" + no_number)
    lines.reject(value < 0, "Column value: '{value}' is negative; a concentration is not.")
    lines.reject(limit < 0, "Column detection_limit: '{detection_limit}' is negative; a limit is not.")
    known_amount = rows["role"].isin(KNOWN_AMOUNT)
    lines.reject(
        known_amount & ~(rows["added_number"] > 0),
        "Column added: '{added}' is no number above 0. A {role} needs the concentration that was added (of a control sample: that "
        "it has), in the line's unit.",
    )
    lines.remark(
        ~known_amount & (rows["added"] != ""),
        "added",
        "Column added is entered, but the role {role} has none; it is not used.",
    )
    _take_limits_of_batch(lines)
    larger = np.fmax(lines.rows["value_number"], lines.rows["limit_number"])
    lines.reject(
        censored & ~(larger > 0),
        "The result is less than a limit that is not given: enter it in the column detection_limit.",
    )


def _marks_in_words(meanings: Mapping[str, str]) -> str:
    by_meaning: dict[str, list[str]] = {}
    for mark, meaning in meanings.items():
        by_meaning.setdefault(meaning, []).append(mark)
    return "; ".join(f"{', '.join(marks)} ({QUALIFIER_MEANINGS[meaning]})" for meaning, marks in by_meaning.items())


def _take_limits_of_batch(lines: Lines) -> None:
    """A censored result without any limit takes that of its batch, where all other lines of the batch state one and the same."""
    rows, usable = lines.rows, lines.usable
    stated = usable[(usable["limit_number"] > 0) & (usable["batch"] != "")]
    one = stated.groupby(["batch", "analyte", "unit"])["limit_number"].agg(["min", "max"]).reset_index()
    one = one[one["min"] == one["max"]]
    found = rows[["batch", "analyte", "unit"]].merge(one, on=["batch", "analyte", "unit"], how="left")["min"]
    found.index = rows.index
    lacking = rows["censored"] & ~(np.fmax(rows["value_number"], rows["limit_number"]) > 0) & found.notna()
    lines.remark(
        lacking,
        "detection_limit",
        "The result is less than a limit that is not given; that of the other results of batch {batch}, {limit} {unit}, stands for it.",
        limit=written(found, "{:g}"),
    )
    lines.rows = rows.assign(limit_number=rows["limit_number"].mask(lacking, found))


def _reject_sheets_that_disagree(lines: Lines) -> None:
    """One analysis with different values in different files: a revised sheet that does not say so, or a slip of the pen."""
    usable = lines.usable
    usable = usable[(usable["analysed"] != "") & usable["role"].isin(OF_ONE_BOTTLE)]
    key = ["sample", "analyte", "role", "batch", "analysed", "reported"]
    files = usable.groupby(key)["path"].transform("nunique")
    lines.reject_all(
        usable[files > 1],
        key,
        "The same analysis of sample '{sample}' has different values in different files ({places}); it is not known which is "
        "right, so none is used. Enter in the column reported when the laboratory reported each: the latest then stands.",
    )


def _convert(lines: Lines) -> None:
    """Values, limits and added amounts in mg/L."""
    rows = lines.rows
    factor, censored = rows["factor"], rows["censored"].copy()
    value, limit = rows["value_number"], rows["limit_number"]
    # A laboratory that writes 0 beside a limit found less than that limit.
    nothing = ~censored & (value == 0) & (limit > 0)
    lines.remark(
        nothing,
        "value",
        "Column value: 0 is taken as less than the detection limit, {detection_limit} {unit}: nothing says more.",
    )
    lines.remark(
        ~censored & (value == 0) & ~(limit > 0),
        "value",
        "Column value: 0 is used as it stands; a laboratory knows a limit below which it cannot tell. Enter it in detection_limit.",
    )
    censored |= nothing
    known_limit = (limit.where(~censored, np.fmax(value, limit))) * factor
    below = ~censored & (value < limit)
    lines.remark(
        below & ~rows["estimated"],
        "value",
        "Column value: {value} lies below the detection limit, {detection_limit}, and nothing marks it; it is used as an estimate.",
    )
    measured = (value * factor).where(~censored)
    lines.rows = rows.assign(
        batch=rows["batch"].mask(rows["batch"] == ""),
        censored=censored,
        estimated=rows["estimated"] | below,
        value_mg_l=measured,
        mg_l=measured.where(~censored, known_limit / 2),
        detection_limit_mg_l=known_limit,
        added_mg_l=(rows["added_number"] * factor).where(rows["role"].isin(KNOWN_AMOUNT)),
    )


def _reject_contradictions(lines: Lines) -> None:
    """Repeat analyses of which one says 'less than the limit' or 'above the range', and another says otherwise."""
    usable = lines.usable[lines.usable["role"] == "result"]
    key = [usable["sample"], usable["analyte"]]
    measured = usable["value_mg_l"].where(~usable["above_range"])
    lowest_limit = usable["detection_limit_mg_l"].where(usable["censored"]).groupby(key).transform("min")
    highest_range = usable["value_mg_l"].where(usable["above_range"]).groupby(key).transform("max")
    highest, lowest = (measured.groupby(key).transform(which) for which in ("max", "min"))
    contradicting = (
        (np.fmax(highest, highest_range) > lowest_limit) | (lowest < highest_range) | (highest_range > lowest_limit)
    )
    lines.reject_all(
        usable[contradicting],
        ["sample", "analyte"],
        "The results of sample '{sample}' contradict one another: one is less than a limit that another exceeds, or more than "
        "another ({places}); it is not known which is right, so none is used.",
    )


def _doubt_values(lines: Lines) -> None:
    """What the laboratory's marks say of results that are used."""
    rows = lines.rows
    lines.remark(
        rows["above_range"],
        "qualifier",
        "The result lies above the range of the analysis: its value is the least that it can be. Have the bottle diluted and "
        "analysed again, if it is kept.",
    )
    lines.remark(rows["late"], "qualifier", "The laboratory says that the bottle was analysed after its holding time.")
    lines.remark(
        rows["in_blank"] & (rows["role"] == "result"),
        "qualifier",
        "The laboratory found the analyte in its blank too; compare the blanks of batch {batch_or_none}.",
        batch_or_none=rows["batch"].fillna("(none)"),
    )


def _doubt_times(lines: Lines, books: Lines) -> None:
    """Analyses that cannot have been when they are said to have been."""
    rows = lines.rows
    unreadable = (rows["analysed"] != "") & rows["analysed_at"].isna()
    lines.remark(unreadable, "analysed", "Column analysed: '{analysed}' " + NO_TIME + " The holding time is not known.")
    taken = look_up(rows["sample"], bottles_by_name(books)[0]["end"])
    # A day without time of day may mean its last minute.
    latest = rows["analysed_at"].where(~rows["analysed_within_day"], rows["analysed_at"] + pd.Timedelta(days=1))
    early = latest < taken
    lines.remark(
        early,
        "analysed",
        "Column analysed: {analysed} lies before the bottle was taken; the holding time is not known. Check the day, and the sample.",
    )
    lines.rows = rows.assign(analysed_at=rows["analysed_at"].mask(early))
