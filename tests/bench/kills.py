"""Runs killed at random instants, and runs on a disk that fills up: what stands afterwards, and what the next run makes of it.

Belongs here: a small site whose registers change, runs of it that are killed (SIGKILL, the whole process group) or find no room, the
account of what was found.
Does not: assertions for every day (tests/test_crashes.py holds a handful of these).

    python -m tests.bench.kills                      200 kills of runs that write, 40 that compute, 20 of whole runs, 40 full disks
    python -m tests.bench.kills --written 50 --alone 0 --whole 0 --full 0 --seed 7 --keep kills.json

Runs are of three kinds. `written`: everything but the stages, whose rows are known beforehand, so that most instants are instants of
writing. `alone`: the computations, one by one. `whole`: through Dagster, as the command does it.

After every kill each table must be readable, be byte for byte the one of the state before or the one of the state after, and say in
its own metadata which it is; the next run must end in the undisturbed state, byte for byte, and leave no litter. `--keep` adds to a file,
so that a long study can be made in parts.

Checks of Great Expectations are let pass unasked (they write nothing but the `checks` table, which is written all the same).
"""

from __future__ import annotations

import argparse
import contextlib
import ctypes
import hashlib
import json
import os
import random
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow.parquet as pq

from pipeline.lake import Lake
from pipeline.orchestration import checks
from pipeline.orchestration.computations import COMPUTATIONS, Computation
from pipeline.orchestration.making import make_partition
from pipeline.orchestration.runs import bring_up_to_date
from pipeline.orchestration.stages import Stages
from pipeline.orchestration.workbench import Workbench
from pipeline.site import Site, load_site
from pipeline.tables import table
from pipeline.tables.expectations import Outcome
from pipeline.tables.schema import SQL_TYPES
from tests.two_weeks import write_two_weeks

NO_FIXED_BYTES = ("checks/", "dictionary.csv")
"""The checks of a run that was killed are those of some partitions; the dictionary is written by whole runs only."""
RUNS = ("written", "alone", "whole")
REMOUNT = 32
"""`MS_REMOUNT` of mount(2)."""


Rows = dict[tuple[str, int | None], pd.DataFrame]


def run(root: Path, kind: str, rows: Rows) -> list[str]:
    """Bring the site up to date in one of three ways; gives what failed.

    Args:
        root: holds site folder and lake.
        kind: one of `RUNS`.
        rows: of every table and water year when all is done, for runs that only write.
    """
    site = load_site(root / "configs" / "small")
    bench = Workbench(Lake(root / "lake"), {site.site: site})
    if kind == "whole":
        outcome = bring_up_to_date(bench)
        return outcome.failures or ([] if outcome.succeeded else ["not everything is fresh"])
    with bench.hold("a study"):
        for computation in COMPUTATIONS:
            used = replace(computation, make=_known_rows(computation, rows)) if kind == "written" else computation
            for year in computation.years(site):
                make_partition(bench, used, site, year)
                for name in computation.tables:
                    checks.check(bench, site, name, year)
    return []


def _known_rows(computation: Computation, rows: Rows) -> Callable[[Workbench, Site, int | None], Any]:
    """Gives the rows that the computation would make; those of long tables as a relation, so that both ways of writing are used."""

    def make(bench: Workbench, site: Site, year: int | None) -> dict[str, Any]:
        made: dict[str, Any] = {name: rows[name, year] for name in computation.tables}
        for name in set(made) & {"pulse_counts", "interval_flow", "rejected_lines"}:
            columns = ", ".join(
                f'"{column.name}"::{SQL_TYPES[column.type]} AS "{column.name}"' for column in table(name).columns
            )
            made[name] = bench.session.from_df(made[name]).project(columns)
        return made

    return make


def in_a_child(work: Callable[[], object]) -> tuple[int, object]:
    """Do something in a process group of its own; gives how it ended and what it gave."""
    reader, writer = os.pipe()
    child = start_child(work, writer)
    os.close(writer)
    with os.fdopen(reader) as stream:
        told = stream.read()
    _, status = os.waitpid(child, 0)
    return os.waitstatus_to_exitcode(status), json.loads(told) if told else None


def start_child(work: Callable[[], object], writer: int | None = None) -> int:
    """A forked child that leads a process group of its own; all libraries are loaded in it already."""
    child = os.fork()
    if child:
        return child
    os.setpgid(0, 0)
    code = 1
    try:
        answer = work()
        if writer is not None:
            os.write(writer, json.dumps(answer).encode())
        code = 0
    except BaseException as error:
        if writer is not None:
            os.write(writer, json.dumps(f"{type(error).__name__}: {error}").encode())
    finally:
        os._exit(code)


def digests(tables: Path) -> dict[str, str]:
    """SHA-256 of every file that a reader of the lake sees."""
    return {
        path.relative_to(tables).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(tables.rglob("*"))
        if path.is_file() and not path.name.startswith(".")
    }


def litter(root: Path) -> list[str]:
    """What a run must not leave behind."""
    hidden = [path for path in (root / "lake" / "tables").rglob(".*") if path.is_file()]
    work = root / "lake" / ".work"
    return [path.relative_to(root).as_posix() for path in (*hidden, *([work] if work.exists() else []))]


def faults(root: Path, before: dict[str, str], after: dict[str, str]) -> list[str]:
    """What is wrong with the tables of a lake whose run did not end."""
    tables = root / "lake" / "tables"
    found = []
    now = digests(tables) if tables.exists() else {}
    for name in sorted(before.keys() - now.keys()):
        found.append(f"{name} is gone")
    for name, digest in now.items():
        if name.endswith(".parquet"):
            try:
                pq.ParquetFile(tables / name).read()
            except Exception as error:
                found.append(f"{name} cannot be read: {error}")
                continue
        if not name.startswith(NO_FIXED_BYTES) and digest not in (before.get(name), after.get(name)):
            found.append(f"{name} is neither the former nor the new one")
    return found


class Study:
    """The site in two states: before and after a calibration, an outage and a raw file changed; and from nothing."""

    def __init__(self, folder: Path, kinds: Sequence[str]) -> None:
        self.folder = folder
        self.rows: Rows = {}
        self.seconds: dict[tuple[str, str], float] = {}
        self.after: dict[str, dict[str, str]] = {}
        self.empty, self.start = folder / "empty", folder / "start"
        write_two_weeks(self.empty)
        shutil.copytree(self.empty, self.start)
        self._undisturbed(self.start, "whole" if "whole" in kinds else "alone")
        self.before = digests(self.start / "lake" / "tables")
        for state in (self.start, self.empty):
            change(state)
        done = folder / "done"
        shutil.copytree(self.start, done)
        self._undisturbed(done, "alone")
        self.rows = _stored_rows(done)
        for kind in kinds:
            for state in ("changed", "empty"):
                trial = folder / "trial"
                shutil.copytree(self.start if state == "changed" else self.empty, trial)
                self.seconds[kind, state] = self._undisturbed(trial, kind)
                self.after[f"{kind}, {state}"] = digests(trial / "lake" / "tables")
                shutil.rmtree(trial)

    def _undisturbed(self, root: Path, kind: str) -> float:
        began = time.monotonic()
        ended, told = in_a_child(lambda: run(root, kind, self.rows))
        assert (ended, told) == (0, []), told
        return time.monotonic() - began

    def kill(self, kind: str, state: str, draw: random.Random) -> dict[str, object]:
        """One run, killed; and the next one."""
        root = self.folder / "cycle"
        shutil.copytree(self.start if state == "changed" else self.empty, root)
        instant = draw.uniform(0.0, 1.05 * self.seconds[kind, state])
        child = start_child(lambda: run(root, kind, self.rows))
        time.sleep(instant)
        with contextlib.suppress(ProcessLookupError):
            os.killpg(child, signal.SIGKILL)
        _, status = os.waitpid(child, 0)
        before = self.before if state == "changed" else {}
        after = self.after[f"{kind}, {state}"]
        found = faults(root, before, after)
        written = digests(root / "lake" / "tables") if (root / "lake" / "tables").exists() else {}
        left = litter(root)
        return {
            "kind": f"{kind}, {state}",
            "killed": os.waitstatus_to_exitcode(status) == -signal.SIGKILL,
            "share": instant / self.seconds[kind, state],
            "new": sum(written.get(name) == digest != before.get(name) for name, digest in after.items()),
            "litter": len(left),
            "faults": found + self.next_run(root, kind, after),
        }

    def next_run(self, root: Path, kind: str, after: dict[str, str]) -> list[str]:
        """Complete a disturbed run; gives what is wrong with the result."""
        ended, told = in_a_child(lambda: run(root, kind, self.rows))
        found = [] if (ended, told) == (0, []) else [f"the next run ended with {ended}: {told}"]
        now = digests(root / "lake" / "tables")
        found += [f"{name} differs after the next run" for name in after if now.get(name) != after[name]]
        found += [f"the next run left {path}" for path in litter(root)]
        shutil.rmtree(root)
        return found

    def fill(self, kind: str, room_kb: int) -> dict[str, object]:
        """One run on a file system with so much room beside the lake as it is; then room is made, and the next one."""
        root = self.folder / "cycle"
        with small_disk(root) as limit:
            shutil.copytree(self.start, root, dirs_exist_ok=True)
            limit(room_kb)
            ended, told = in_a_child(lambda: run(root, kind, self.rows))
            after = self.after[f"{kind}, changed"]
            found = faults(root, self.before, after)
            sentence = told if isinstance(told, str) else ""
            if ended and "disk is full" not in sentence:
                found.append(f"the run on a full disk said: {told}")
            kept = self.folder / "kept"
            shutil.copytree(root, kept)
        kept.rename(root)
        return {
            "kind": f"{kind}, full disk",
            "killed": bool(ended),
            "share": room_kb,
            "new": 0,
            "litter": 0,
            "said": sentence,
            "faults": found + self.next_run(root, kind, after),
        }


def _stored_rows(root: Path) -> Rows:
    """Every partition of the lake as a frame."""
    lake, site = Lake(root / "lake"), load_site(root / "configs" / "small")
    return {
        (name, year): lake.frame(table(name), site.site, [year])
        for computation in COMPUTATIONS
        for name in computation.tables
        for year in computation.years(site)
    }


def change(root: Path) -> None:
    """Change a register and a raw file, so that a part of the tables is stale."""
    register = root / "configs" / "small" / "calibrations.csv"
    text = register.read_text()
    register.write_text(
        text.replace("M2,forward,7.0,1.0,2019-10-01,,", "M2,forward,7.0,1.0,2019-10-01,2020-09-29,")
        + "M2,forward,7.28,1.0,2020-09-29,,bench,2020-10-05\n"
    )
    late = root / "lake" / "raw" / "small" / "logger" / "east_3.csv"
    late.write_text("logger east\nwhen;a;b;c;d;volt\n2020-09-29 08:00;7;0;---;---;12.4\n")


@contextlib.contextmanager
def small_disk(folder: Path) -> Iterator[Callable[[int], None]]:
    """A file system in memory, mounted at a folder; gives what limits it to so many kB beside what it holds by then.

    Raises:
        OSError: it may not be mounted; that takes an administrator.
    """
    folder.mkdir()
    system = ctypes.CDLL(None, use_errno=True)

    def mount(kilobytes: int, flags: int) -> None:
        options = f"size={kilobytes}k".encode()
        if system.mount(b"tmpfs", os.fsencode(folder), b"tmpfs", flags, options):
            raise OSError(ctypes.get_errno(), os.strerror(ctypes.get_errno()), str(folder))

    def limit(kilobytes: int) -> None:
        facts = os.statvfs(folder)
        used = (facts.f_blocks - facts.f_bfree) * facts.f_frsize // 1024
        mount(used + kilobytes, REMOUNT)

    mount(1 << 20, 0)
    try:
        yield limit
    finally:
        if system.umount2(os.fsencode(folder), 0):
            raise OSError(ctypes.get_errno(), os.strerror(ctypes.get_errno()), str(folder))
        folder.rmdir()


def report(rows: list[dict[str, object]]) -> None:
    """Print the account."""
    for kind in dict.fromkeys(str(row["kind"]) for row in rows):
        of = [row for row in rows if row["kind"] == kind]
        stopped = [row for row in of if row["killed"]]
        new = Counter("none" if not row["new"] else "some" for row in stopped)
        wrong = [row for row in of if row["faults"]]
        print(
            f"{kind}: {len(of)} runs, {len(stopped)} stopped before their end (no new table yet: {new['none']}, some: {new['some']}; "
            f"with an unfinished file or folder: {sum(bool(row['litter']) for row in stopped)}); after {len(wrong)} something was wrong"
        )
        for row in wrong[:5]:
            print("   ", *row["faults"][:5], sep="\n    ")  # type: ignore[index]
    for sentence in dict.fromkeys(str(row["said"]) for row in rows if row.get("said")):
        print(f"said of a full disk: {sentence}")
        break


def main(arguments: list[str] | None = None) -> int:
    """Make the study, or a part of it."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    for kind, number in zip(RUNS, (200, 40, 20), strict=True):
        parser.add_argument(f"--{kind}", type=int, default=number, help="kills of runs of this kind")
    parser.add_argument("--full", type=int, default=40, help="runs on a disk that fills up")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", type=Path, help="file to which the account of each run is added")
    parser.add_argument("--folder", type=Path, help="where the lakes lie (default: memory, where there is any)")
    given = parser.parse_args(arguments)
    checks.check_partitions = lambda session, parts: {
        key: [Outcome("everything", True, "error", "not asked")] for key in parts
    }
    Stages.of_project()
    draw = random.Random(given.seed)
    memory = Path("/dev/shm")
    rows: list[dict[str, object]] = json.loads(given.keep.read_text()) if given.keep and given.keep.exists() else []
    with tempfile.TemporaryDirectory(dir=given.folder or (memory if memory.is_dir() else None)) as folder:
        wanted = {kind: getattr(given, kind) for kind in RUNS}
        study = Study(Path(folder), [kind for kind in RUNS if wanted[kind]] or ["written"])
        jobs: list[Callable[[], dict[str, object]]] = []
        for kind, number in wanted.items():
            jobs += [partial(study.kill, kind, state, draw) for state in draw.choices(["changed", "empty"], k=number)]
        jobs += [
            partial(study.fill, next(iter(study.after)).split(",")[0], draw.randrange(0, 160, 4))
            for _ in range(given.full)
        ]
        for number, job in enumerate(jobs, start=1):
            rows.append(job())
            if sys.stderr.isatty():
                print(f"\r{number} of {len(jobs)}", end="", file=sys.stderr)
            if given.keep:
                given.keep.write_text(json.dumps(rows))
    report(rows)
    return int(any(row["faults"] for row in rows))


if __name__ == "__main__":
    sys.exit(main())
