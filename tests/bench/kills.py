"""Runs killed at random instants, and runs on a disk that fills up: what stands afterwards, and what the next run makes of it.

Belongs here: a small site whose registers change, runs of it that are killed (SIGKILL, the whole process group) or find no room, the
account of what was found.
Does not: assertions for every day (tests/test_crashes.py holds a handful of these).

    python -m tests.bench.kills                      200 kills of the computations, 40 of whole runs with Dagster, 60 full disks
    python -m tests.bench.kills --kills 50 --whole 0 --full 0 --seed 7 --keep kills.json

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
from collections.abc import Callable, Iterator
from pathlib import Path

import pyarrow.parquet as pq

from pipeline.lake import Lake
from pipeline.orchestration import checks
from pipeline.orchestration.assets import make_partition
from pipeline.orchestration.computations import COMPUTATIONS
from pipeline.orchestration.runs import bring_up_to_date
from pipeline.orchestration.stages import Stages
from pipeline.orchestration.workbench import Workbench
from pipeline.site import load_site
from pipeline.tables.expectations import Outcome
from tests.two_weeks import write_two_weeks

NO_FIXED_BYTES = ("checks/", "dictionary.csv")
"""The checks of a run that was killed are those of some partitions; the dictionary is written by whole runs only."""
RUNS = ("alone", "whole")
REMOUNT = 32
"""`MS_REMOUNT` of mount(2)."""


def run(root: Path, kind: str) -> list[str]:
    """Bring the site up to date; gives what failed. `alone`: its computations one by one; `whole`: through Dagster, as the command does."""
    site = load_site(root / "configs" / "small")
    bench = Workbench(Lake(root / "lake"), {site.site: site})
    if kind == "whole":
        outcome = bring_up_to_date(bench)
        return outcome.failures or ([] if outcome.succeeded else ["not everything is fresh"])
    with bench.hold("a study"):
        for computation in COMPUTATIONS:
            for year in computation.years(site):
                make_partition(bench, computation, site, year)
                for name in computation.tables:
                    checks.check(bench, site, name, year)
    return []


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

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.start = {kind: folder / f"start-{kind}" for kind in RUNS}
        self.seconds: dict[tuple[str, str], float] = {}
        empty = folder / "empty"
        write_two_weeks(empty)
        for kind in RUNS:
            shutil.copytree(empty, self.start[kind])
            self._undisturbed(self.start[kind], kind)
            change(self.start[kind])
        self.before = digests(self.start["alone"] / "lake" / "tables")
        change(empty)
        self.empty = empty
        done = folder / "done"
        shutil.copytree(empty, done)
        self.seconds["alone", "empty"] = self._undisturbed(done, "alone")
        self.after = digests(done / "lake" / "tables")
        for kind in RUNS:
            trial = folder / "trial"
            shutil.copytree(self.start[kind], trial)
            self.seconds[kind, "changed"] = self._undisturbed(trial, kind)
            same = {name: digest for name, digest in digests(trial / "lake" / "tables").items() if name in self.after}
            assert same == self.after, [name for name in self.after if same.get(name) != self.after[name]]
            shutil.rmtree(trial)

    def _undisturbed(self, root: Path, kind: str) -> float:
        began = time.monotonic()
        ended, told = in_a_child(lambda: run(root, kind))
        assert (ended, told) == (0, []), told
        return time.monotonic() - began

    def kill(self, kind: str, state: str, draw: random.Random) -> dict[str, object]:
        """One run, killed; and the next one."""
        root = self.folder / "cycle"
        shutil.copytree(self.start[kind] if state == "changed" else self.empty, root)
        instant = draw.uniform(0.0, 1.05 * self.seconds[kind, state])
        child = start_child(lambda: run(root, kind))
        time.sleep(instant)
        with contextlib.suppress(ProcessLookupError):
            os.killpg(child, signal.SIGKILL)
        _, status = os.waitpid(child, 0)
        before = self.before if state == "changed" else {}
        found = faults(root, before, self.after)
        written = digests(root / "lake" / "tables") if (root / "lake" / "tables").exists() else {}
        left = litter(root)
        return {
            "kind": f"{kind}, {state}",
            "killed": os.waitstatus_to_exitcode(status) == -signal.SIGKILL,
            "share": instant / self.seconds[kind, state],
            "new": sum(written.get(name) == digest != before.get(name) for name, digest in self.after.items()),
            "litter": len(left),
            "faults": found + self.next_run(root, kind),
        }

    def next_run(self, root: Path, kind: str) -> list[str]:
        """Complete a disturbed run; gives what is wrong with the result."""
        ended, told = in_a_child(lambda: run(root, kind))
        found = [] if (ended, told) == (0, []) else [f"the next run ended with {ended}: {told}"]
        now = digests(root / "lake" / "tables")
        found += [f"{name} differs after the next run" for name in self.after if now.get(name) != self.after[name]]
        found += [f"the next run left {path}" for path in litter(root)]
        shutil.rmtree(root)
        return found

    def fill(self, room_kb: int) -> dict[str, object]:
        """One run on a file system with so much room beside the lake as it is; then room is made, and the next one."""
        root = self.folder / "cycle"
        with small_disk(root) as limit:
            shutil.copytree(self.start["alone"], root, dirs_exist_ok=True)
            limit(room_kb)
            ended, told = in_a_child(lambda: run(root, "alone"))
            found = faults(root, self.before, self.after)
            sentence = told if isinstance(told, str) else ""
            if ended and "disk is full" not in sentence:
                found.append(f"the run on a full disk said: {told}")
            kept = self.folder / "kept"
            shutil.copytree(root, kept)
        kept.rename(root)
        return {
            "kind": "full disk",
            "killed": bool(ended),
            "share": room_kb,
            "new": 0,
            "litter": 0,
            "said": sentence,
            "faults": found + self.next_run(root, "alone"),
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
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--whole", type=int, default=40)
    parser.add_argument("--full", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", type=Path, help="file to which the account of each run is added")
    parser.add_argument("--folder", type=Path, help="where the lakes lie (default: memory, where there is any)")
    given = parser.parse_args(arguments)
    checks.check_partition = lambda *_: [Outcome("everything", True, "error", "not asked")]
    Stages.of_project()
    draw = random.Random(given.seed)
    memory = Path("/dev/shm")
    rows: list[dict[str, object]] = json.loads(given.keep.read_text()) if given.keep and given.keep.exists() else []
    with tempfile.TemporaryDirectory(dir=given.folder or (memory if memory.is_dir() else None)) as folder:
        study = Study(Path(folder))
        jobs = [lambda: study.kill("alone", draw.choice(["changed", "empty"]), draw)] * given.kills
        jobs += [lambda: study.kill("whole", "changed", draw)] * given.whole
        jobs += [lambda: study.fill(draw.randrange(0, 160, 4))] * given.full
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
