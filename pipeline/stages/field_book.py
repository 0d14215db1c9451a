"""The field books: which bottle is which water.

Belongs here: what a line of samples/*.csv must hold, and what is wrong with one.
Does not: cells and lines as such (sheets.py), results (laboratory_sheets.py), what flowed meanwhile (sample_flow.py).
"""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from pipeline.site import Site
from pipeline.stages.sheets import NO_TIME, Lines, Sheet, instants, place
from pipeline.tables import table
from pipeline.tables.declared.samples import PRESERVATION, SAMPLE_KINDS

COMPOSITES = ("flow_composite", "time_composite")
WATERS = ("drainage", "receiving")

SAMPLE_COLUMNS = ("sample", "plot", "kind", "from", "to")
OPTIONAL_SAMPLE_COLUMNS = (
    "bottle",
    "note",
    "water",
    "duplicate_of",
    "pacing_l",
    "pacing_min",
    "aliquots",
    "aliquots_possible",
    "preserved",
    "filtered",
)
NOT_FILTERED = "no"
INCIDENTAL = ("bottle", "note")
"""Columns in which two lines of one sample may differ: the first line's words stand."""


def read_field_books(sheets: Sequence[Sheet], site: Site) -> Lines:
    """The lines of all field books, each with what it says or the reason why it cannot be used.

    Adds to the cells: start, end (UTC; equal for a grab or a discrete bottle), water (drainage, receiving, or blank where no plot is
    named), pacing_l, pacing_min, aliquots, aliquots_possible (numbers), filtered (UTC), not_filtered.
    """
    lines = Lines.of(sheets, (*SAMPLE_COLUMNS, *OPTIONAL_SAMPLE_COLUMNS))
    rows = lines.rows
    plots = [plot.plot for plot in site.plots]
    composite = rows["kind"].isin(COMPOSITES)
    start, end = instants(rows["from"], site), instants(rows["to"], site)
    rows["water"] = rows["water"].str.casefold()
    rows["preserved"] = rows["preserved"].str.casefold()

    lines.reject(rows["sample"] == "", "Column sample is empty: the bottle has no name that a result could refer to.")
    lines.reject(
        (rows["plot"] != "") & ~rows["plot"].isin(plots),
        "Column plot: '{plot}' is no plot of plots.csv; known are {known} (empty for a blank, and for water of the ditch).",
        known=", ".join(plots),
    )
    lines.reject(
        ~rows["kind"].isin(SAMPLE_KINDS), "Column kind: '{kind}' is not one of {known}.", known=", ".join(SAMPLE_KINDS)
    )
    lines.reject(rows["from"] == "", "Column from is empty: it is not known when the water was taken.")
    lines.reject(start.isna(), "Column from: '{from}' " + NO_TIME)
    lines.reject((rows["to"] != "") & end.isna(), "Column to: '{to}' " + NO_TIME)
    lines.reject(
        composite & (rows["to"] == ""),
        "Column to is empty: a composite needs the end of its window. Enter it, or call the sample a grab.",
    )
    lines.reject(
        composite & (end <= start),
        "Column to: '{to}' is not after from, '{from}'; a window ends after it begins.",
    )
    lines.reject(
        ~composite & (rows["to"] != "") & (end != start),
        "Column to: a grab has one moment, as has a discrete bottle, but '{to}' is entered beside '{from}'. Leave it empty, or "
        "call the sample a composite.",
    )
    lines.reject(
        ~rows["water"].isin(("", *WATERS)),
        "Column water: '{water}' is not one of {known} (empty: the plot's drainage).",
        known=", ".join(WATERS),
    )
    lines.reject(
        (rows["water"] == "drainage") & (rows["plot"] == ""),
        "Column plot is empty, but drainage comes from a plot. Enter the plot, or leave the column water empty for a blank.",
    )
    lines.reject_copies([name for name in (*SAMPLE_COLUMNS, *OPTIONAL_SAMPLE_COLUMNS) if name not in INCIDENTAL])
    usable = lines.usable
    lines.reject_all(
        usable[usable.duplicated("sample", keep=False)],
        ["sample"],
        "Sample '{sample}' is entered differently in {places}; it is not known which is right, so neither is used. Keep "
        "one of them, or give each bottle its own name.",
    )
    lines.rows = rows.assign(start=start, end=end.where(composite, start))
    _read_optional(lines, site)
    _doubt_times(lines, site)
    return lines


def _read_optional(lines: Lines, site: Site) -> None:
    """Optional cells as values; one that cannot be read is not used, and its line keeps its other cells."""
    rows = lines.rows
    of_flow, of_time = rows["kind"] == "flow_composite", rows["kind"] == "time_composite"
    for column, owner, kind in (("pacing_l", of_flow, "flow_composite"), ("pacing_min", of_time, "time_composite")):
        lines.remark(
            (rows[column] != "") & ~owner,
            column,
            f"Column {column} is entered, but only a {kind} has it; it is not used.",
        )
    no_other = ~rows["duplicate_of"].isin(lines.usable["sample"]) | (rows["duplicate_of"] == rows["sample"])
    lines.remark(
        (rows["duplicate_of"] != "") & no_other,
        "duplicate_of",
        "Column duplicate_of: '{duplicate_of}' is no other sample of the field books, so that nothing is compared with it.",
    )
    lines.remark(
        ~rows["preserved"].isin(("", *PRESERVATION)),
        "preserved",
        "Column preserved: '{preserved}' is not one of {known}; the preservation counts as unknown.",
        known=", ".join(PRESERVATION),
    )
    values = {
        "pacing_l": lines.numbers("pacing_l", 0.0).where(of_flow),
        "pacing_min": lines.numbers("pacing_min", 0.0).where(of_time),
        "aliquots": lines.numbers("aliquots", 0.0, whole=True),
        "aliquots_possible": lines.numbers("aliquots_possible", 1.0, whole=True),
        "not_filtered": rows["filtered"].str.casefold() == NOT_FILTERED,
    }
    rows["filtered"] = rows["filtered"].mask(values["not_filtered"], "")
    values["filtered"] = lines.instants("filtered", site)
    values["water"] = (
        rows["water"].mask(rows["water"] == "", "drainage").mask((rows["water"] == "") & (rows["plot"] == ""), "blank")
    )
    lines.rows = rows.assign(**values)


def _doubt_times(lines: Lines, site: Site) -> None:
    """Bottles outside the record, and bottles that were filtered before they were taken."""
    rows = lines.rows
    first = pd.Timestamp(site.record_period()[0])
    outside = rows["start"] < first
    if site.last_day is not None:
        outside |= rows["end"] > pd.Timestamp(site.record_period()[1])
    lines.remark(
        outside,
        "from",
        "The sample lies outside the site's record ({first} to {last}); check its year.",
        first=str(site.first_day),
        last=str(site.last_day or "today"),
    )
    lines.remark(
        rows["filtered"] < rows["start"],
        "filtered",
        "Column filtered: the bottle was filtered before its water was taken, at {from}; check both times.",
    )


def samples(lines: Lines) -> pd.DataFrame:
    """Rows of `samples`: every usable bottle of the field books, with what its line says."""
    usable = lines.usable
    empty_as_none = {name: usable[name].mask(usable[name] == "") for name in ("plot", "bottle", "duplicate_of", "note")}
    bottles = usable.assign(
        **empty_as_none,
        preserved=usable["preserved"].where(usable["preserved"].isin(PRESERVATION)),
        aliquots=usable["aliquots"].astype("Int64"),
        aliquots_possible=usable["aliquots_possible"].astype("Int64"),
    )
    declared = table("samples")
    return bottles.sort_values(list(declared.sort), ignore_index=True)[list(declared.names)]


def bottles_by_name(lines: Lines) -> tuple[pd.DataFrame, pd.Series]:
    """Usable lines by sample; and, of samples none of whose lines can be used, the place of the first one."""
    usable = lines.usable
    unusable = lines.rows[(lines.rows["reason"] != "") & ~lines.rows["sample"].isin(usable["sample"])]
    return usable.set_index("sample"), place(unusable).groupby(unusable["sample"]).first()
