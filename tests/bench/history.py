"""What one corrected calibration costs on a long record: partitions computed and left alone, and time as a share of a full run.

Belongs here: an invented field of many plots and years, one row of one meter corrected for one year, what a run then does.
Does not: promises (tests/test_history.py); nothing is asserted about seconds.

Run by hand, on 8 plots and 20 water years of 10-minute readings unless told otherwise:

    python -m tests.bench.history --work FOLDER

The work is kept in FOLDER and goes on where it stopped, so that it may be done in parts (`--minutes`). Times are those of the
process's own work (CPU), which other work on the machine hardly changes, and wall time beside them.
"""

from __future__ import annotations

import argparse
import csv
import hashlib
import json
import resource
import shutil
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from typing import Any

from pipeline.lake import Lake
from pipeline.orchestration import checks
from pipeline.orchestration.computations import COMPUTATIONS, computation_of
from pipeline.orchestration.runs import bring_up_to_date
from pipeline.orchestration.workbench import Workbench
from pipeline.site import Site, load_site
from pipeline.tables.expectations import Outcome
from tests.field import Plan, simulate, write_field

SITE = "sedge-hollow"
INTERVAL_LEVEL = ("source_files", "pulse_counts", "interval_flow", "metered_hours", "outages")
"""Computations that read or write rows of the metering interval."""


class Study:
    """The folder in which the study lies, and what was measured so far."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.lake = Lake(folder / "lake")
        self.configs = folder / "configs" / SITE

    @property
    def site(self) -> Site:
        """The registers as they are now."""
        return load_site(self.configs)

    def done(self, what: str) -> bool:
        """Whether a part of the study was finished."""
        return (self.folder / f"{what}.done").exists()

    def finish(self, what: str) -> None:
        """Write down that a part was finished."""
        (self.folder / f"{what}.done").touch()

    def steps(self, run: str) -> list[dict[str, Any]]:
        """Every step of a run, over all parts in which it was done."""
        path = self.folder / f"{run}.jsonl"
        return [json.loads(line) for line in path.read_text().splitlines()] if path.exists() else []

    def digests(self) -> dict[str, str]:
        """SHA-256 of every table file."""
        return {
            path.relative_to(self.lake.tables).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
            for path in sorted(self.lake.tables.rglob("*.parquet"))
        }


def write(study: Study, plots: int, years: int) -> None:
    """An invented field whose meters are proved anew for every water year."""
    plan = Plan(plots=plots, years=years, first_year=date.today().year - years - 1)
    write_field(simulate(plan), study.lake.root, study.configs.parent)
    site = study.site
    with (study.configs / "calibrations.csv").open("w", newline="") as register:
        rows = csv.writer(register)
        rows.writerow(
            ["meter", "direction", "litres_per_pulse", "expanded_uncertainty_pct", "from", "to", "evidence", "entered"]
        )
        for row in site.calibrations:
            for year in site.water_years():
                start, end = site.water_year_period(year)
                first, last = max(row.start, start), min(row.end or end, end)
                if first < last:
                    days = [(instant + site.utc_offset).date().isoformat() for instant in (first, last)]
                    rows.writerow(
                        [
                            row.meter,
                            row.direction,
                            row.litres_per_pulse,
                            row.expanded_uncertainty_pct,
                            *days,
                            "bench",
                            days[0],
                        ]
                    )


def correct(study: Study) -> tuple[str, int]:
    """4 % more litres per pulse in one row of one meter, for one year in the middle; gives the meter's plot and the year."""
    site = study.site
    year = site.water_years()[len(site.water_years()) // 2]
    start, end = site.water_year_period(year)
    row = next(row for row in site.calibrations if row.direction == "forward" and row.start == start and row.end == end)
    path = study.configs / "calibrations.csv"
    lines = path.read_text().splitlines(keepends=True)
    was = f",{row.litres_per_pulse},"
    assert lines[row.line - 1].count(was) == 1
    lines[row.line - 1] = lines[row.line - 1].replace(was, f",{row.litres_per_pulse * 1.04},")
    path.write_text("".join(lines))
    return next(meter.plot for meter in site.meters if meter.meter == row.meter), year


@contextmanager
def _clock(study: Study, run: str) -> Iterator[Any]:
    """Notes what every step of a run took, as it ends; a run that is stopped in the middle loses its last step only."""
    with (study.folder / f"{run}.jsonl").open("a") as log:
        current: list[Any] = []

        def step(what: str, site: str, year: int | None, words: str) -> None:
            if current:
                begun = current.pop()
                begun["cpu_s"] += time.process_time()
                begun["wall_s"] += time.monotonic()
                log.write(json.dumps(begun) + "\n")
                log.flush()
            peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
            begun = {"what": what, "year": year, "words": words, "peak_mb": peak}
            current.append(begun | {"cpu_s": -time.process_time(), "wall_s": -time.monotonic()})

        yield step
        step("end", "", None, "end")


def leave_out_checks() -> None:
    """Let every check pass unasked: expectations cost the same share of a full run and of a correction, and much of both."""
    checks.check_partitions = lambda session, parts: {
        key: [Outcome("everything", True, "error", "not asked")] for key in parts
    }


def run(study: Study, name: str) -> None:
    """Bring the lake up to date, or go on with that."""
    if study.done(name):
        return
    # Work is counted by this process.
    bench = Workbench(study.lake, {SITE: study.site}, spare_cores=0)
    with _clock(study, name) as step:
        bench.on_step = step
        outcome = bring_up_to_date(bench)
    if not outcome.succeeded:
        raise SystemExit("\n".join([*outcome.failures, *(f"{site} {one}" for site, one in outcome.failing)]))
    study.finish(name)


def report(study: Study, plot: str, year: int, before: dict[str, str], fresh_s: tuple[float, float]) -> None:
    """Print what was computed and left alone, what it took, and which years kept their bytes."""
    full, again = study.steps("full"), study.steps("corrected")
    after = study.digests()
    print(f"corrected: one calibration row of a meter of {plot}, water year {year}\n")
    print(f"{'tables of':18} {'computed':>9} {'of':>4}  {'years':24} {'changed rows':24} {'CPU s':>7} {'of full':>8}")
    for computation in COMPUTATIONS:
        made = {step["year"] for step in again if step["what"] == computation.name and step["words"] == "computing"}
        changed = {
            int(path.split("year=")[1].split("/")[0])
            for path in after
            if path.partition("/")[0] in computation.tables and "year=" in path and after[path] != before.get(path)
        }
        cost, whole = (_seconds(steps, [computation.name]) for steps in (again, full))
        print(
            f"{computation.name:18} {len(made):9} {len(computation.years(study.site)):4}  {_years(made, year):24} "
            f"{_years(changed, year):24} {cost:7.2f} {_share(cost, whole):>8}"
        )
    interval = [_seconds(steps, INTERVAL_LEVEL) for steps in (again, full)]
    names = [computation.name for computation in COMPUTATIONS]
    everything = [_seconds(steps, names) for steps in (again, full)]
    looks = [sum(s["cpu_s"] for s in steps if s["words"] == "checking") for steps in (again, full)]
    for words, key in (("CPU", "cpu_s"), ("wall", "wall_s")):
        total = [sum(step[key] for step in steps) for steps in (again, full)]
        print(f"{words}, everything with checks and records: {total[0]:.0f} s of {total[1]:.0f} s: {_share(*total)}")
    print(f"CPU, interval level: {interval[0]:.1f} s of {interval[1]:.1f} s: {_share(*interval)} (aim: at most 5 %)")
    print(
        f"CPU, all computations: {everything[0]:.1f} s of {everything[1]:.1f} s: {_share(*everything)} (aim: at most 35 %)"
    )
    print(f"CPU, checks and records: {looks[0]:.1f} s of {looks[1]:.1f} s: {_share(*looks)}")
    kept = Counter(path.partition("/")[0] for path in after if after[path] == before.get(path))
    print(f"files left as they were, to the byte: {sum(kept.values())} of {len(after)}")
    window = study.site.policies.gap_window_years
    far = {
        path
        for path in after
        if path.startswith("hourly_flow/") and abs(int(path.split("year=")[1].split("/")[0]) - year) > window
    }
    moved = sorted(path for path in far if after[path] != before.get(path))
    print(
        f"hourly flow outside the gap models' window: {len(far) - len(moved)} of {len(far)} years unchanged to the byte"
    )
    print(f"nothing changed: `drainledger run` took {fresh_s[0]:.1f} s ({fresh_s[1]:.1f} s of CPU), imports included")
    print(f"most memory of a process: full run {max(step['peak_mb'] for step in full):.0f} MB")
    first, last = full[: len(full) // 4], full[-len(full) // 4 :]
    print(f"mean wall time of a step: first quarter {_mean(first):.2f} s, last quarter {_mean(last):.2f} s")


def _mean(steps: list[dict[str, Any]]) -> float:
    return sum(step["wall_s"] for step in steps) / max(1, len(steps))


def _seconds(steps: list[dict[str, Any]], names: Any) -> float:
    """CPU seconds of computing; a step lasts until the next one is said, so that writing and Dagster's records are in it."""
    tables = {name for given in names for name in computation_of(given).tables}
    return sum(step["cpu_s"] for step in steps if step["what"] in tables and step["words"] == "computing")


def _share(part: float, whole: float) -> str:
    return f"{100 * part / whole:.1f} %" if whole else "–"


def _years(years: set[Any], corrected: int) -> str:
    """Years as distances from the corrected one."""
    return (
        " ".join("site" if year is None else f"{year - corrected:+d}" for year in sorted(years, key=lambda y: y or 0))
        or "–"
    )


def main() -> None:
    """Go on with the study in its folder, as far as the minutes reach."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--work", type=Path, required=True, help="folder of the study; it is made where there is none")
    parser.add_argument("--plots", type=int, default=8)
    parser.add_argument("--years", type=int, default=20)
    parser.add_argument("--unchecked", action="store_true", help="leave out the expectations on tables")
    parser.add_argument("--minutes", type=float, help="stop after so many minutes; the next call goes on")
    options = parser.parse_args()
    if options.minutes is not None:
        arguments = [*sys.argv[1:]]
        place = arguments.index("--minutes")
        del arguments[place : place + 2]
        try:
            subprocess.run(
                [sys.executable, "-m", "tests.bench.history", *arguments], timeout=60 * options.minutes, check=False
            )
        except subprocess.TimeoutExpired:
            print("stopped; the same command goes on")
        return
    if options.unchecked:
        leave_out_checks()
    study = Study(options.work)
    if not study.done("written"):
        shutil.rmtree(study.folder, ignore_errors=True)
        study.folder.mkdir(parents=True)
        write(study, options.plots, options.years)
        study.finish("written")
    run(study, "full")
    noted = study.folder / "before.json"
    if not study.done("noted"):
        places = ["--lake", str(study.lake.root), "--site", str(study.configs)]
        began = time.monotonic(), resource.getrusage(resource.RUSAGE_CHILDREN).ru_utime
        subprocess.run([sys.executable, "-m", "pipeline.cli", "run", *places], check=True, capture_output=True)
        seconds = time.monotonic() - began[0], resource.getrusage(resource.RUSAGE_CHILDREN).ru_utime - began[1]
        noted.write_text(json.dumps({"digests": study.digests(), "fresh_s": seconds, "corrected": correct(study)}))
        study.finish("noted")
    before = json.loads(noted.read_text())
    run(study, "corrected")
    report(study, *before["corrected"], before["digests"], before["fresh_s"])


if __name__ == "__main__":
    main()
