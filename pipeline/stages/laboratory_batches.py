"""How well the laboratory worked: duplicates, blanks, spikes and standards, batch by batch.

Belongs here: which results are pairs, what each batch shows, the rule by which a batch warns, the uncertainty of its results.
Does not: the arithmetic (science/laboratory_precision.py), reading sheets (laboratory_sheets.py).
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipeline.science.laboratory_precision import (
    recovery_pct,
    relative_bias_pct,
    relative_difference_pct,
    relative_standard_deviation_pct,
)
from pipeline.site import Site
from pipeline.stages.remarks import look_up, remarks, written
from pipeline.tables import table

NO_BATCH = "(none)"
"""Stands for the batch of lines that name none."""
WELL_ABOVE_LIMIT = 5.0
"""Pairs tell a relative precision where their mean is at least so many detection limits. US EPA national functional guidelines for
inorganic data (from memory)."""
FEWEST_PAIRS = 8
"""From fewer pairs no precision is read. Common practice, no source."""
FEWEST_RECOVERIES = 5
"""From fewer recoveries no bias is read. Common practice, no source."""
KINDS_OF_PAIR = ("field_duplicate", "lab_duplicate")
BLANKS = ("field_blank", "lab_blank")


def quality_control(used: pd.DataFrame, results: pd.DataFrame, bottles: pd.DataFrame) -> pd.DataFrame:
    """Rows of `quality_control`: every duplicate, blank, spike and standard beside what it is compared with.

    A laboratory duplicate is compared with the result of its bottle; a field duplicate with that of the bottle which its field book
    names, else of the first other bottle of the same plot, time and kind, else with the result under its own name; a spike with the
    result of its bottle, from which the recovery follows. A bottle without a result of its own (a duplicate that was analysed
    twice) is compared by its duplicate's value.

    Args:
        used: usable lines of the laboratory that are no results, from `read_laboratory_sheets`.
        results: sample, analyte, plot, kind, start, end, mg_l, censored.
        bottles: rows of `samples`.
    """
    rows = used.reset_index(drop=True)
    own = rows[rows["role"] == "field_duplicate"].drop_duplicates(["sample", "analyte"])
    known = pd.concat(
        [results[["sample", "analyte", "mg_l", "censored"]], own[["sample", "analyte", "mg_l", "censored"]]]
    )
    known = known.drop_duplicates(["sample", "analyte"]).rename(
        columns={"sample": "paired_with", "mg_l": "paired_mg_l", "censored": "paired_censored"}
    )
    partner = rows["sample"].where(rows["role"].isin(("lab_duplicate", "matrix_spike")))
    rows = rows.assign(
        paired_with=partner.where(rows["role"] != "field_duplicate", _partners_in_the_field(rows, results, bottles))
    )
    rows = rows.merge(known, on=["paired_with", "analyte"], how="left", validate="many_to_one")
    unpaired = rows["paired_mg_l"].isna()
    both = ~unpaired & ~rows["censored"] & ~rows["paired_censored"].fillna(True).astype(bool)
    pair = both & rows["role"].isin(KINDS_OF_PAIR)
    before = rows["paired_mg_l"].where(rows["role"] == "matrix_spike", 0.0)
    recovery = pd.Series(recovery_pct(rows["mg_l"], before, rows["added_mg_l"]), index=rows.index)
    rows = rows.assign(
        paired_with=rows["paired_with"].mask(unpaired),
        relative_difference_pct=pd.Series(relative_difference_pct(rows["mg_l"], rows["paired_mg_l"]), index=rows.index).where(pair),
        # A spiked bottle that held less than the limit held between nothing and that: half of it is what `mg_l` says.
        recovery_pct=recovery.where(~rows["censored"]),
    )  # fmt: skip
    declared = table("quality_control")
    return rows.sort_values(list(declared.sort), ignore_index=True)[list(declared.names)]


def _partners_in_the_field(rows: pd.DataFrame, results: pd.DataFrame, bottles: pd.DataFrame) -> pd.Series:
    """For each line the bottle of which it is a field duplicate, by the field book, by plot and time, or by its own name."""
    named = look_up(rows["sample"], bottles.set_index("sample")["duplicate_of"])
    taken = ["plot", "kind", "start", "end"]
    of_line = rows[["sample", "analyte"]].merge(bottles[["sample", *taken]], on="sample", how="left")
    others = of_line.reset_index().merge(
        results[["sample", "analyte", *taken]], on=["analyte", *taken], suffixes=("", "_other")
    )
    others = others[others["sample"] != others["sample_other"]].sort_values("sample_other")
    beside = others.groupby("index")["sample_other"].first().reindex(of_line.index)
    beside.index = rows.index
    return named.fillna(beside).fillna(rows["sample"])


def laboratory_batches(lines: pd.DataFrame, control: pd.DataFrame, site: Site) -> pd.DataFrame:
    """Rows of `laboratory_batches`: what each batch shows of precision and bias, analyte by analyte.

    A batch warns where a pair differs by more than `lab_duplicate_limit_pct` or `field_duplicate_limit_pct` (pairs whose mean is at
    least five detection limits), where a blank holds the detection limit or more, and where a recovery differs from
    100 % by more than `spike_recovery_limit_pct` or `control_recovery_limit_pct`.

    The random part of a result's uncertainty is the relative standard deviation that field duplicates show, of the batch where it
    has 8 pairs, else of all batches where these have 8; else the same of laboratory duplicates; else half of
    `laboratory_uncertainty_pct`. The part that a batch's results share is the root mean square of recovery minus 100 % of all
    control samples where there are 5, else of all spikes where there are 5, else nothing.

    Args:
        lines: usable lines of the laboratory, from `read_laboratory_sheets`.
        control: rows of `quality_control`.
        site: policies.
    """
    key = ["batch", "analyte"]
    lines = lines.assign(batch=lines["batch"].fillna(NO_BATCH))
    control = control.assign(batch=control["batch"].fillna(NO_BATCH))
    is_result = lines["role"] == "result"
    batches = lines.assign(
        a_result=is_result,
        a_censored=is_result & lines["censored"],
        limit=lines["detection_limit_mg_l"].where(is_result & (lines["detection_limit_mg_l"] > 0)),
    ).groupby(key, as_index=False).agg(
        first_analysed=("analysed_at", "min"),
        last_analysed=("analysed_at", "max"),
        results=("a_result", "sum"),
        censored=("a_censored", "sum"),
        detection_limit_lowest_mg_l=("limit", "min"),
        detection_limit_highest_mg_l=("limit", "max"),
    )  # fmt: skip
    of_batch = _shown(control, key).reset_index()
    batches = batches.merge(of_batch, on=key, how="left")
    counts = ["lab_duplicate_pairs", "field_duplicate_pairs", "blanks", "blanks_above_limit", "spikes", "controls"]
    batches[counts] = batches[counts].fillna(0).astype("int64")
    batches = _with_uncertainty(batches, _shown(control, ["analyte"]), site)
    batches = _with_warnings(batches, site)
    declared = table("laboratory_batches")
    return batches.sort_values(list(declared.sort), ignore_index=True)[list(declared.names)]


def _shown(control: pd.DataFrame, key: list[str]) -> pd.DataFrame:
    """What duplicates, blanks, spikes and control samples show, by batch and analyte or by analyte."""
    limit, role = control["detection_limit_mg_l"], control["role"]
    mean = (control["mg_l"] + control["paired_mg_l"]) / 2
    difference = control["relative_difference_pct"].where(~(mean < WELL_ABOVE_LIMIT * limit))
    of_laboratory, of_field = (difference.where(role == kind) for kind in ("lab_duplicate", "field_duplicate"))
    blank = control["mg_l"].where(role.isin(BLANKS))
    spoilt = blank.where(~control["censored"] & ((blank >= limit) | (limit.isna() & (blank > 0))))
    spike, standard = (control["recovery_pct"].where(role == kind) for kind in ("matrix_spike", "control_sample"))
    shown = (
        control[key]
        .assign(
            of_laboratory=of_laboratory,
            of_field=of_field,
            of_laboratory_squared=of_laboratory**2,
            of_field_squared=of_field**2,
            blank=blank,
            spoilt=spoilt,
            spike=spike,
            standard=standard,
            spike_away=(spike - 100).abs(),
            standard_away=(standard - 100).abs(),
            spike_squared=(spike - 100) ** 2,
            standard_squared=(standard - 100) ** 2,
        )
        .groupby(key)
        .agg(
            lab_duplicate_pairs=("of_laboratory", "count"),
            lab_duplicate_largest_pct=("of_laboratory", "max"),
            lab_duplicate_square=("of_laboratory_squared", "mean"),
            field_duplicate_pairs=("of_field", "count"),
            field_duplicate_largest_pct=("of_field", "max"),
            field_duplicate_square=("of_field_squared", "mean"),
            blanks=("blank", "count"),
            blank_mean_mg_l=("blank", "mean"),
            blanks_above_limit=("spoilt", "count"),
            blank_highest_mg_l=("spoilt", "max"),
            spikes=("spike", "count"),
            spike_recovery_pct=("spike", "mean"),
            spike_away_pct=("spike_away", "max"),
            spike_square=("spike_squared", "mean"),
            controls=("standard", "count"),
            control_recovery_pct=("standard", "mean"),
            control_away_pct=("standard_away", "max"),
            control_square=("standard_squared", "mean"),
        )
    )
    return shown.assign(
        lab_duplicate_deviation_pct=relative_standard_deviation_pct(shown["lab_duplicate_square"]),
        field_duplicate_deviation_pct=relative_standard_deviation_pct(shown["field_duplicate_square"]),
        spike_bias_pct=relative_bias_pct(shown["spike_square"]),
        control_bias_pct=relative_bias_pct(shown["control_square"]),
    )


def _with_uncertainty(batches: pd.DataFrame, of_analyte: pd.DataFrame, site: Site) -> pd.DataFrame:
    """What one result of each batch is worth, and what tells it."""
    analyte = batches["analyte"]
    random = pd.Series(np.nan, index=batches.index)
    source = pd.Series("policy", index=batches.index, dtype="str")
    for role in KINDS_OF_PAIR:
        of_all = of_analyte[f"{role}_deviation_pct"].where(of_analyte[f"{role}_pairs"] >= FEWEST_PAIRS)
        own = batches[f"{role}_deviation_pct"].where(batches[f"{role}_pairs"] >= FEWEST_PAIRS)
        value = own.fillna(look_up(analyte, of_all))
        source = source.mask(random.isna() & value.notna(), f"{role}s")
        random = random.fillna(value)
    shared = pd.Series(np.nan, index=batches.index)
    for kind in ("control", "spike"):
        bias = of_analyte[f"{kind}_bias_pct"].where(of_analyte[f"{kind}s"] >= FEWEST_RECOVERIES)
        shared = shared.fillna(look_up(analyte, bias))
    return batches.assign(
        random_uncertainty_pct=random.fillna(site.policies.laboratory_uncertainty_pct / 2),
        uncertainty_from=source,
        batch_uncertainty_pct=shared.fillna(0.0),
    )


def _with_warnings(batches: pd.DataFrame, site: Site) -> pd.DataFrame:
    policies = site.policies
    found = [
        (
            batches["lab_duplicate_largest_pct"] > policies.lab_duplicate_limit_pct,
            "laboratory duplicates differ by up to " + written(batches["lab_duplicate_largest_pct"], "{:.0f} %"),
        ),
        (
            batches["field_duplicate_largest_pct"] > policies.field_duplicate_limit_pct,
            "field duplicates differ by up to " + written(batches["field_duplicate_largest_pct"], "{:.0f} %"),
        ),
        (
            batches["blanks_above_limit"] > 0,
            batches["blanks_above_limit"].astype("str")
            + " of "
            + batches["blanks"].astype("str")
            + " blanks hold the analyte, up to "
            + written(batches["blank_highest_mg_l"], "{:.3g} mg/L"),
        ),
        (
            batches["spike_away_pct"] > policies.spike_recovery_limit_pct,
            "the recovery of a spike differs from 100 % by " + written(batches["spike_away_pct"], "{:.0f} %"),
        ),
        (
            batches["control_away_pct"] > policies.control_recovery_limit_pct,
            "a control sample differs from what it holds by " + written(batches["control_away_pct"], "{:.0f} %"),
        ),
    ]
    warnings = sum(warns.astype("int64") for warns, _ in found)
    return batches.assign(warnings=warnings, remark=remarks(batches.index, found, "; "))
