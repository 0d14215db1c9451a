"""What bench tests prove, as a person reads it on the terminal, and rows to paste into calibrations.csv.

Belongs here: layout, rounding, wording.
Does not: any computation of a proof (stages/bench_proofs.py); writing into a register: people do that.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Hashable, Iterator, Mapping, Sequence
from datetime import date
from typing import Any

import pandas as pd
from rich.box import SIMPLE_HEAD
from rich.console import RenderableType
from rich.table import Table as TextTable

from pipeline.stages.bench_proofs import BenchProofs

UNKNOWN = "–"
EDITED_BY_PEOPLE = "drainledger never edits a register."

Row = Mapping[Hashable, Any]


def proofs_text(proved: BenchProofs, register: Sequence[str], today: date) -> Iterator[RenderableType]:
    """Everything that the bench files say, file by file, then rows for calibrations.csv.

    Args:
        proved: what the files prove.
        register: the columns of the site's calibrations.csv, in its order.
        today: the day of entry for the proposed rows.
    """
    for file in proved.files.to_dict("records"):
        own = proved.proofs[proved.proofs["path"] == file["path"]].to_dict("records")
        yield _heading(file, own)
        if own:
            yield _which_is_which(own)
            yield _litres_per_pulse(own)
        yield from _sentences(file, own, proved)
        yield ""
    yield from proposed_rows(proved.proofs, register, today)


def _heading(file: Row, proofs: list[Row]) -> str:
    what = f"{file['path']}: " + (f"logger {file['logger']}, " if pd.notna(file["logger"]) else "")
    if not proofs:
        return f"{what}{file['run_lines']} runs, nothing proved"
    low, high = min(one["lowest_flow_l_min"] for one in proofs), max(one["highest_flow_l_min"] for one in proofs)
    day: str = f"{file['proved']}, " if pd.notna(file["proved"]) else ""
    return f"{what}{day}{file['run_lines']} runs from {low:.3g} to {high:.3g} L/min"


def _text_table(*headings: tuple[str, bool]) -> TextTable:
    shown = TextTable(box=SIMPLE_HEAD, show_edge=False, pad_edge=False, padding=(0, 1, 0, 0))
    for heading, number in headings:
        shown.add_column(heading, justify="right" if number else "left", no_wrap=True)
    return shown


def _which_is_which(proofs: list[Row]) -> TextTable:
    shown = _text_table(
        ("column", False),
        ("is", False),
        ("second best", False),
        ("times less\nlikely", True),
        ("wiring.csv\nsays", False),
    )
    for one in proofs:
        told = {"told": one["could_be"], "no_meter": "no known meter"}.get(
            one["assignment"], f"not told: {one['could_be']}"
        )
        wired: str = UNKNOWN if pd.isna(one["wired_as"]) else one["wired_as"]
        otherwise: bool = pd.notna(one["wiring_agrees"]) and not one["wiring_agrees"]
        shown.add_row(
            one["column"],
            told,
            one["second_best"],
            _odds(one["second_best_times_less_likely"]),
            f"{wired}, OTHERWISE" if otherwise else wired,
        )
    return shown


def _odds(times: float) -> str:
    return "> 1,000,000" if times > 1e6 else f"{times:,.0f}" if times >= 10 else f"{times:.1f}"


def _litres_per_pulse(proofs: list[Row]) -> TextTable:
    shown = _text_table(
        ("\nmeter", False),
        ("litres\nper pulse", True),
        ("\n± %", True),
        ("\nruns", True),
        ("repeat-\nability %", True),
        ("linear-\nity ± %", True),
        ("regis-\nter", True),
        ("differs\n%", True),
        ("\nagrees", False),
    )
    for one in proofs:
        agrees: str = UNKNOWN if pd.isna(one["agrees"]) else "yes" if one["agrees"] else "NO"
        shown.add_row(
            one["could_be"] if one["assignment"] == "told" else f"column {one['column']}",
            _number(one["litres_per_pulse"], 3),
            _number(one["expanded_uncertainty_pct"], 2),
            str(one["runs"]),
            _number(one["repeatability_pct"], 2),
            _number(one["linearity_pct"], 2),
            _number(one["register_litres_per_pulse"], 3),
            _number(one["difference_pct"], 2, signed=True),
            agrees,
        )
    return shown


def _number(value: float | None, decimals: int, signed: bool = False) -> str:
    return UNKNOWN if pd.isna(value) else f"{value:{'+' if signed else ''}.{decimals}f}"


def _sentences(file: Row, proofs: list[Row], proved: BenchProofs) -> Iterator[str]:
    """What is to be said beside the numbers of one file."""
    if pd.notna(file["note"]):
        yield file["note"]
    for one in proofs:
        if pd.notna(one["note"]):
            yield f"{one['column']} ({one['could_be']}): {one['note']}"
    yield from _if_common(proofs)
    yield from _weighing(proved.runs[proved.runs["path"] == file["path"]])
    compared = proved.comparisons[proved.comparisons["path"] == file["path"]]
    for pair in compared.to_dict("records"):
        much, more = abs(pair["difference_pct"]), "more" if pair["difference_pct"] >= 0 else "less"
        verdict = "they agree" if pair["agree"] else "they DISAGREE"
        yield (
            f"In series, {pair['direction']}: {pair['meter']} shows {much:.2f} % {more} than {pair['other_meter']}, each by "
            f"calibrations.csv (± {pair['expanded_uncertainty_pct']:.2f} %, {pair['runs']} runs): {verdict}."
        )
    for line in proved.rejected[proved.rejected["path"] == file["path"]].to_dict("records"):
        yield f"{line['path']}, line {line['line']} is not used. {line['reason']}"


def _if_common(proofs: list[Row]) -> Iterator[str]:
    """What the uncertainties would be if the reference's were common to all runs, where that matters."""
    wider = [
        one
        for one in proofs
        if pd.notna(one["expanded_uncertainty_common_pct"])
        and pd.notna(one["expanded_uncertainty_pct"])
        and one["expanded_uncertainty_common_pct"] > 1.1 * one["expanded_uncertainty_pct"]
    ]
    if wider:
        each = ", ".join(f"{one['column']} ± {one['expanded_uncertainty_common_pct']:.2f} %" for one in wider)
        yield (
            "The reference's uncertainty is taken as new in every run. If it is one error in all of them, such as that of a tank's "
            f"certificate, the uncertainties are {each}: enter that part under reference_common_u_pct instead."
        )


def _weighing(runs: pd.DataFrame) -> Iterator[str]:
    weighed = runs[runs["reference"] == "weighed"]
    if len(weighed):
        density, buoyancy = weighed["water_density_kg_m3"], weighed["buoyancy_pct"]
        yield (
            f"Weighed water: density {density.min():.2f} to {density.max():.2f} kg/m³ by its temperature; for the buoyancy of air "
            f"{buoyancy.mean():+.3f} % were added to the balance's readings."
        )


def proposed_rows(proofs: pd.DataFrame, register: Sequence[str], today: date) -> Iterator[str]:
    """Rows for calibrations.csv, first those that differ from what stands there or are new."""
    ready = proofs[(proofs["assignment"] == "told") & proofs["expanded_uncertainty_pct"].notna()]
    agrees = ready["agrees"].fillna(False).astype(bool)
    for rows, what in (
        (
            ready[~agrees],
            f"To paste into calibrations.csv if you agree ({EDITED_BY_PEOPLE}) Set `from` to when the meter went to work, and let the "
            "row that it replaces end then:",
        ),
        (ready[agrees], "calibrations.csv agrees with these; as rows they would be:"),
    ):
        if len(rows):
            yield what
            yield "\n".join(
                [",".join(register), *(_calibration_row(row, register, today) for row in rows.to_dict("records"))]
            )


def _calibration_row(proof: Row, register: Sequence[str], today: date) -> str:
    """A row of calibrations.csv; the uncertainty rounded up to two digits."""
    uncertainty = proof["expanded_uncertainty_pct"]
    step = 10.0 ** (math.floor(math.log10(uncertainty)) - 1)
    decimals = max(0, 1 - math.floor(math.log10(uncertainty / 100 * proof["litres_per_pulse"])) + 1)
    low, high = proof["lowest_flow_l_min"], proof["highest_flow_l_min"]
    cells = {
        "meter": proof["meter"],
        "direction": proof["direction"],
        "litres_per_pulse": f"{proof['litres_per_pulse']:.{decimals}f}",
        "expanded_uncertainty_pct": f"{math.ceil(round(uncertainty / step, 6)) * step:.6g}",
        "from": proof["proved"] if pd.notna(proof["proved"]) else "",
        "to": "",
        "evidence": f"bench proof {proof['path']}: {proof['runs']} runs from {low:.3g} to {high:.3g} L/min",
        "entered": today,
    }
    text = io.StringIO()
    csv.writer(text, lineterminator="").writerow([cells.get(name, "") for name in register])
    return text.getvalue()
