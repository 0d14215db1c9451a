"""From bench files to what they prove of meters.

Belongs here: which runs speak for which meter, the volume that meters in series stand for, litres per pulse beside the registers,
meters in series beside one another, what a person should look at.
Does not: reading a bench file (bench_files.py), which column is which (bench_columns.py), the mathematics
(science/bench_regression.py), the report (publish/proofs.py).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from itertools import combinations
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import pandas as pd

from pipeline.science.bench_regression import (
    COUNTING_VARIANCE,
    BenchResult,
    linearity,
    litres_per_pulse,
    repeatability,
    runs_at_one_flow,
)
from pipeline.site import Calibration, Site, Wiring
from pipeline.stages.bench_columns import (
    Bench,
    Flags,
    Floats,
    MeterDirection,
    examine,
    limit,
    widest_limit,
    words,
)
from pipeline.stages.bench_files import BenchFile, read_bench_file
from pipeline.tables import table

RowT = TypeVar("RowT", Calibration, Wiring)
Row = dict[str, Any]

MOST_TIMES = 1e9
"""Odds beyond this are not told: the model of the evidence is not that good."""

TAKES_OVER_WITHIN = timedelta(days=180)
"""A calibration that begins within this time after a proof is the one for which the proof was made."""

FEWEST_RUNS = 3

SURPRISING = 3.0
"""Standard uncertainties beyond the error curve at which a run is pointed out."""


@dataclass(frozen=True)
class BenchProofs:
    """What the bench files of a site prove.

    Attributes:
        proofs: rows of `meter_proofs`.
        comparisons: rows of `meter_comparisons`.
        runs: rows of `bench_runs`.
        files: rows of `bench_files`.
        rejected: rows of `rejected_bench_lines`.
    """

    proofs: pd.DataFrame
    comparisons: pd.DataFrame
    runs: pd.DataFrame
    files: pd.DataFrame
    rejected: pd.DataFrame


def bench_proofs(site: Site, raw_folder: Path, paths: Iterable[Path]) -> BenchProofs:
    """What bench tests prove: which column is which meter and direction, and its litres per pulse.

    Args:
        site: meters, error curves, wiring, calibrations, standard time.
        raw_folder: the site's raw folder, `raw/<site>/`; paths in the tables are below it.
        paths: the bench files.

    Returns:
        Proofs with their uncertainty and their comparison with the registers, meters in series compared with one another, every
        run of every counting column, and an account of all files and lines.
    """
    files = [read_bench_file(path, raw_folder, site) for path in sorted(paths)]
    benches = [examine(file, site) for file in files if len(file.runs)]
    registers = _Registers(site, benches)
    results = {bench.file.path: [_prove(bench, column, registers) for column in bench.counting] for bench in benches}
    remarks = {file.path: list(file.remarks) for file in files}
    for bench in benches:
        remarks[bench.file.path] += _remarks(bench, [proof for proof, _ in results[bench.file.path]])
    return BenchProofs(
        proofs=_frame("meter_proofs", [proof for found in results.values() for proof, _ in found]),
        comparisons=_frame(
            "meter_comparisons", [row for bench in benches for row in _compare_in_series(bench, registers)]
        ),
        runs=_frame("bench_runs", [row for found in results.values() for _, rows in found for row in rows]),
        files=_frame("bench_files", [_account(file, remarks[file.path]) for file in files]),
        rejected=_frame("rejected_bench_lines", [row for file in files for row in file.rejected.to_dict("records")]),
    )


def _frame(name: str, rows: Sequence[Any]) -> pd.DataFrame:
    declared = table(name)
    kinds = {"text": "str", "code": "str", "decimal": "float64", "flag": "boolean", "integer": "Int64", "day": "object"}
    frame = pd.DataFrame(list(rows), columns=list(declared.names))
    frame = frame.astype({column.name: kinds[column.type] for column in declared.columns})
    return frame.sort_values(list(declared.sort), ignore_index=True)


def _account(file: BenchFile, remarks: Sequence[str]) -> Row:
    return {
        "path": file.path,
        "file_id": file.file_id,
        "logger": file.logger,
        "proved": file.proved,
        "lines": file.lines,
        "header_lines": file.header_lines,
        "blank_lines": file.blank_lines,
        "run_lines": len(file.runs),
        "rejected_lines": len(file.rejected),
        "note": " ".join(remarks) or None,
    }


# What the registers say


class _Registers:
    """The rows of wiring.csv and calibrations.csv to which a proof speaks."""

    def __init__(self, site: Site, benches: Sequence[Bench]) -> None:
        self.site = site
        self._days: dict[MeterDirection, list[date]] = {}
        for bench in benches:
            for meter in (bench.told(column) for column in bench.counting):
                if meter is not None and bench.file.proved is not None:
                    self._days.setdefault(meter, []).append(bench.file.proved)

    def calibration(self, meter: MeterDirection, day: date | None) -> Calibration | None:
        """The calibration of calibrations.csv that a proof of that day speaks to."""
        rows = [row for row in self.site.calibrations if (row.meter, row.direction) == meter]
        later = (other for other in self._days.get(meter, []) if day is not None and other > day)
        return self._for_proof(rows, day, min(later, default=None))

    def wiring(self, logger: str | None, column: str, day: date | None) -> Wiring | None:
        """What wiring.csv says of a column around that day."""
        return self._for_proof(
            [row for row in self.site.wiring if (row.logger, row.column) == (logger, column)], day, None
        )

    def _for_proof(self, rows: Sequence[RowT], day: date | None, next_proof: date | None) -> RowT | None:
        """The row that begins on a day or soon after, and before the next proof; else the one in force; else the first later one.

        Of a day that is not known: the row that began last.
        """
        if day is None:
            return max(rows, key=lambda row: row.start, default=None)
        moment = datetime.combine(day, time(), tzinfo=UTC) - self.site.utc_offset
        later = sorted((row for row in rows if row.start >= moment), key=lambda row: row.start)
        if next_proof is not None:
            later = [row for row in later if row.start < moment + (next_proof - day)]
        in_force = next((row for row in rows if row.start < moment and (row.end is None or row.end > moment)), None)
        if later and (in_force is None or later[0].start <= moment + TAKES_OVER_WITHIN):
            return later[0]
        return in_force


# The volume that ran


@dataclass(frozen=True)
class _Reference:
    """The volume that ran in some runs, and how sure it is.

    Attributes:
        kind: volume, weighed, mixed, series, or none.
        runs: which runs, shape (all runs,).
        volume_l, u_l: volume and its standard uncertainty, independent from run to run, L, shape (these runs,).
        common_u: standard uncertainties from sources that are one error in all runs, as shares, shape (sources, these runs).
        curve_limit: limit of the error that other meters' error curves add, as a share, same shape.
    """

    kind: str
    runs: Flags
    volume_l: Floats
    u_l: Floats
    common_u: Floats
    curve_limit: Floats


def _measured(bench: Bench, runs: Flags) -> _Reference:
    """By tank or balance."""
    rows = bench.file.runs[runs]
    kinds = sorted(set(rows["reference"]))
    return _Reference(
        kind=kinds[0] if len(kinds) == 1 else "mixed",
        runs=runs,
        volume_l=rows["reference_l"].to_numpy(dtype=float),
        u_l=rows["reference_u_l"].to_numpy(dtype=float),
        common_u=rows["common_u"].to_numpy(dtype=float)[None, :],
        curve_limit=np.zeros(len(rows)),
    )


def _in_series(bench: Bench, runs: Flags, others: Sequence[int], registers: _Registers) -> _Reference | None:
    """By other meters in line and their calibrations, weighted by their variances; none where no such meter counted."""
    known = [
        (other, meter[0], row)
        for other in others
        if (meter := bench.told(other)) and (row := registers.calibration(meter, bench.file.proved))
    ]
    if not known:
        return None
    used = runs & bench.active[[other for other, _, _ in known]].any(axis=0)
    if not used.any():
        return None
    seconds = bench.file.runs["seconds"].to_numpy(dtype=float)[used]
    count = np.array([np.where(bench.active[other, used], bench.pulses[other, used], 0.0) for other, _, _ in known])
    volume = count * np.array([row.litres_per_pulse for _, _, row in known])[:, None]
    calibration = np.array([row.expanded_uncertainty_pct / 200 for _, _, row in known])[:, None]
    flow = np.maximum(volume, 1e-3) / seconds * 60
    curve = np.array([limit(registers.site, name, at) for (_, name, _), at in zip(known, flow, strict=True)])
    of_count = np.sqrt(COUNTING_VARIANCE) / np.maximum(count, 1.0)
    weight = np.where(count > 0, 1 / (calibration**2 + curve**2 / 3 + of_count**2), 0.0)
    weight = weight / weight.sum(axis=0)
    ran = (weight * volume).sum(axis=0)

    def together(share: Floats) -> Floats:
        return np.sqrt(((weight * share) ** 2).sum(axis=0))

    return _Reference("series", used, ran, together(of_count) * ran, weight * calibration, together(curve))


def _own_runs(bench: Bench, column: int) -> Flags:
    """The runs that speak for a column: those in which it counts, and which ran its way where that is known."""
    direction = bench.direction(column)
    ways = bench.file.runs["direction"].to_numpy()
    its_way = np.isin(ways, ["", direction]) if direction else np.ones(ways.size, dtype=bool)
    active = bench.active[column]
    return active & its_way if (active & its_way).any() else active


def _reference(bench: Bench, column: int, registers: _Registers) -> _Reference:
    """What a column's counts are held against: tank or balance where there is one, else the other meters in line."""
    own = _own_runs(bench, column)
    referenced = own & ~np.isnan(bench.volume_l)
    if referenced.any():
        return _measured(bench, referenced)
    others = [other for other in bench.counting if other != column]
    unknown = np.full(int(own.sum()), np.nan)
    return _in_series(bench, own, others, registers) or _Reference("none", own, unknown, unknown, unknown, unknown)


# Litres per pulse


def _prove(bench: Bench, column: int, registers: _Registers) -> tuple[Row, list[Row]]:
    """The row of `meter_proofs` of one column, and its rows of `bench_runs`."""
    reference = _reference(bench, column, registers)
    runs = reference.runs
    pulses = bench.pulses[column, runs]
    proof: Row = dict.fromkeys(table("meter_proofs").names) | {
        "path": bench.file.path,
        "proved": bench.file.proved,
        "logger": bench.file.logger,
        "column": bench.names[column],
        "runs": int(runs.sum()),
        "reference": reference.kind,
        **_assignment(bench, column),
        **_wired_as(bench, column, registers),
    }
    if reference.kind == "none":
        flow = bench.flow_l_min[runs]
        deviation = np.full(flow.size, np.nan)
        notes = [
            "No run of it has a reference, and no other meter whose litres per pulse stand in calibrations.csv was in line: its own "
            "stay unknown."
        ]
    else:
        flow = reference.volume_l / bench.file.runs["seconds"].to_numpy(dtype=float)[runs] * 60
        likeliest = bench.possible(column)[0]
        site = registers.site
        curve = limit(site, likeliest[0], flow) if likeliest else widest_limit(site, flow)
        result = litres_per_pulse(
            pulses, reference.volume_l, reference.u_l, flow, np.hypot(curve, reference.curve_limit), reference.common_u
        )
        proof |= _result(result, pulses, reference, flow)
        proof["expanded_uncertainty_common_pct"] = _if_common(pulses, reference, flow, curve)
        proof |= _beside_register(bench.told(column), result, proof, registers)
        deviation = result.deviation
        notes = _notes(bench, column, reference, result, flow, np.hypot(curve, reference.curve_limit), site)
    proof |= {"lowest_flow_l_min": float(flow.min()), "highest_flow_l_min": float(flow.max())}
    proof["note"] = " ".join(notes) or None
    return proof, _run_rows(bench, column, reference, flow, deviation)


def _percent(share: float) -> float | None:
    return 100 * share if np.isfinite(share) else None


def _result(result: BenchResult, pulses: Floats, reference: _Reference, flow: Floats) -> Row:
    at_flow = runs_at_one_flow(flow)
    found: Row = {
        "litres_per_pulse": result.litres_per_pulse,
        "reference_u_pct": 100 * result.reference,
        "counting_u_pct": 100 * result.counting,
        "error_curve_u_pct": 100 * result.error_curve,
    }
    if flow.size > 1:
        found |= {
            "repeatability_u_pct": 100 * result.repeatability,
            "repeatability_pct": _percent(repeatability(result.deviation, at_flow)),
            "linearity_pct": _percent(linearity(pulses, reference.volume_l, at_flow)),
            "reduced_chi_square": result.reduced_chi_square,
        }
        if np.isfinite(result.expanded_uncertainty):
            found["expanded_uncertainty_pct"] = 100 * result.expanded_uncertainty
            found["coverage_factor"] = result.coverage_factor
    return found


def _if_common(pulses: Floats, reference: _Reference, flow: Floats, curve: Floats) -> float | None:
    """Expanded uncertainty, in %, if the stated uncertainty of a tank or balance were one and the same error in all runs."""
    if reference.kind == "series" or flow.size < 2:
        return None
    stated = np.full(flow.size, reference.u_l.sum() / reference.volume_l.sum())
    common = np.vstack([reference.common_u, stated])
    return _percent(
        litres_per_pulse(pulses, reference.volume_l, np.zeros(flow.size), flow, curve, common).expanded_uncertainty
    )


def _assignment(bench: Bench, column: int) -> Row:
    told, possible = bench.told(column), bench.possible(column)
    second, less = bench.second_best(column)
    return {
        "meter": told[0] if told else None,
        "direction": bench.direction(column),
        "assignment": "told" if told else "ambiguous" if len(possible) > 1 else "no_meter",
        "could_be": " or ".join(map(words, possible)),
        "second_best": words(second),
        "second_best_times_less_likely": float(np.exp(min(less, np.log(MOST_TIMES)))),
    }


def _wired_as(bench: Bench, column: int, registers: _Registers) -> Row:
    row = registers.wiring(bench.file.logger, bench.names[column], bench.file.proved)
    if row is None:
        return {}
    wired, told = (row.meter, row.direction), bench.told(column)
    return {"wired_as": words(wired), "wiring_agrees": None if told is None else told == wired}


def _beside_register(told: MeterDirection | None, result: BenchResult, proof: Row, registers: _Registers) -> Row:
    """The calibration to which a proof speaks, and how far apart the two are (normalized error: ISO 13528, E_n)."""
    row = registers.calibration(told, proof["proved"]) if told else None
    if row is None:
        return {}
    difference = 100 * (row.litres_per_pulse / result.litres_per_pulse - 1)
    found: Row = {
        "register_calibration": row.name,
        "register_litres_per_pulse": row.litres_per_pulse,
        "register_expanded_uncertainty_pct": row.expanded_uncertainty_pct,
        "difference_pct": difference,
    }
    if proof["expanded_uncertainty_pct"] is not None:
        both = float(np.hypot(proof["expanded_uncertainty_pct"], row.expanded_uncertainty_pct))
        found |= {"normalized_error": difference / both, "agrees": abs(difference) <= both}
    return found


def _run_rows(bench: Bench, column: int, reference: _Reference, flow: Floats, deviation: Floats) -> list[Row]:
    rows = bench.file.runs[reference.runs]
    told = (
        rows.assign(
            path=bench.file.path,
            column=bench.names[column],
            direction=bench.direction(column),
            pulses=bench.pulses[column, reference.runs],
            reference=reference.kind if reference.kind in ("series", "none") else rows["reference"],
            reference_l=reference.volume_l,
            reference_u_l=reference.u_l,
            flow_l_min=flow,
            deviation_pct=np.where(np.isfinite(deviation), 100 * deviation, np.nan),
        )
        .reindex(columns=list(table("bench_runs").names))
        .to_dict("list")
    )
    return [dict(zip(map(str, told), cells, strict=True)) for cells in zip(*told.values(), strict=True)]


# Meters in series


def _compare_in_series(bench: Bench, registers: _Registers) -> list[Row]:
    """Each two meters that counted the same water, both by their calibrations."""
    told = [(column, meter) for column in bench.counting if (meter := bench.told(column))]
    found = []
    for (one, meter), (other, other_meter) in combinations(sorted(told, key=lambda pair: pair[1]), 2):
        row = registers.calibration(meter, bench.file.proved)
        if meter[1] != other_meter[1] or row is None:
            continue
        reference = _in_series(bench, _own_runs(bench, one) & _own_runs(bench, other), [other], registers)
        if reference is None or reference.runs.sum() < 2:
            continue
        flow = reference.volume_l / bench.file.runs["seconds"].to_numpy(dtype=float)[reference.runs] * 60
        curve = np.hypot(limit(registers.site, meter[0], flow), reference.curve_limit)
        result = litres_per_pulse(
            bench.pulses[one, reference.runs], reference.volume_l, reference.u_l, flow, curve, reference.common_u
        )
        if not np.isfinite(result.expanded_uncertainty):
            continue
        difference = 100 * (row.litres_per_pulse / result.litres_per_pulse - 1)
        uncertainty = float(np.hypot(100 * result.expanded_uncertainty, row.expanded_uncertainty_pct))
        found.append(
            {
                "path": bench.file.path,
                "proved": bench.file.proved,
                "direction": meter[1],
                "meter": meter[0],
                "other_meter": other_meter[0],
                "runs": int(reference.runs.sum()),
                "difference_pct": difference,
                "expanded_uncertainty_pct": uncertainty,
                "agree": abs(difference) <= uncertainty,
            }
        )
    return found


# What a person should look at


def _listed(names: Iterable[object]) -> str:
    every = [str(name) for name in names]
    return ("run " if len(every) == 1 else "runs ") + ", ".join(every)


def _notes(
    bench: Bench, column: int, reference: _Reference, result: BenchResult, flow: Floats, curve: Floats, site: Site
) -> list[str]:
    runs, name = bench.file.runs["run"].to_numpy(), reference.runs
    notes = []
    if flow.size == 1:
        notes.append("One run says nothing of repeatability, so that no uncertainty is stated: make at least three.")
    elif not np.isfinite(result.expanded_uncertainty):
        notes.append("So few pulses were counted that nearly any litres per pulse would do: run more water.")
    elif flow.size < FEWEST_RUNS:
        notes.append("Two runs say little of repeatability, and the interval is wide for it: make at least three.")
    stray = (np.nan_to_num(bench.pulses[column]) > 0) & ~bench.active[column]
    if stray.any():
        count = int(bench.pulses[column, stray].sum())
        notes.append(f"{count} stray pulses in {_listed(runs[stray])} are left out.")
    if missed := list(runs[_missed(bench, column)]):
        notes.append(
            f"It did not count in {_listed(missed)}, as it should have: look for a loose wire, a sticking rotor, or a flow that is "
            "too low to turn it."
        )
    known = np.sqrt(
        (reference.u_l / reference.volume_l) ** 2 + COUNTING_VARIANCE / np.maximum(bench.pulses[column, name], 1) ** 2
    )
    far = np.abs(result.deviation) > curve + SURPRISING * np.hypot(known, result.repeatability)
    if far.any() and flow.size >= FEWEST_RUNS:
        each = ", ".join(
            f"run {run} by {100 * share:+.1f} %"
            for run, share in zip(runs[name][far], result.deviation[far], strict=True)
        )
        notes.append(
            f"Further off the other runs than error curve and uncertainties explain: {each}. Look at what was noted."
        )
    likeliest = bench.possible(column)[0]
    top = max((row.top_l_min for row in site.meters if likeliest and row.meter == likeliest[0]), default=np.inf)
    if (flow > top).any():
        notes.append(f"Faster than the meter's top flow of {top:g} L/min: {_listed(runs[name][flow > top])}.")
    return notes


def _missed(bench: Bench, column: int) -> Flags:
    """Runs in which a column did not count although its meter was in line, as written down or as its fellows' counts suggest."""
    told = bench.told(column)
    ways = bench.file.runs["direction"].to_numpy()
    if told is None:
        return np.zeros(ways.size, dtype=bool)
    in_line = np.array([here is not None and told[0] in here for here in bench.file.in_line])
    return (ways == told[1]) & in_line & ~bench.active[column]


def _remarks(bench: Bench, proofs: Sequence[Row]) -> list[str]:
    """Sentences on a bench test as a whole."""
    remarks = []
    ways = bench.file.runs["direction"].to_numpy()
    if (ways == "").all() and bench.counting:
        remarks.append(
            "The file does not say which way the water ran (column direction): its first run is taken as forward, unless litres per "
            "pulse say otherwise."
        )
    possible = {meter for column in bench.counting for meter in bench.possible(column)}
    for meter in sorted({meter for here in bench.file.in_line if here for meter in here}):
        for way in ("forward", "reverse"):
            ran = [
                run
                for run, one, here in zip(bench.file.runs["run"], ways, bench.file.in_line, strict=True)
                if one == way and here and meter in here
            ]
            if ran and (meter, way) not in possible:
                remarks.append(
                    f"{meter} was in line in {len(ran)} {way} runs, but no column counts as it would: look for a broken wire, a dead "
                    "sensor, or a column that is not in the file."
                )
    off = [proof["difference_pct"] for proof in proofs if proof["agrees"] is False and proof["reference"] != "series"]
    compared = [proof for proof in proofs if proof["agrees"] is not None and proof["reference"] != "series"]
    if len(off) > 1 and len(off) == len(compared) and abs(np.mean(off)) > 3 * np.std(off):
        remarks.append(
            f"By calibrations.csv every meter shows about {np.mean(off):+.1f} % beside the reference: check the reference before you "
            "doubt every meter."
        )
    if not bench.counting:
        remarks.append("No column counts a pulse in any run that can be used.")
    return remarks
