"""A small invented site, its lake, and runs on them, for tests of what runs the stages.

Belongs here: writing the field once per test session, computing its lake once, copies that a test may damage.
Does not: promises (test_*.py).
"""

from __future__ import annotations

import atexit
import functools
import shutil
import tempfile
from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path

import pytest

from pipeline.orchestration import checks
from pipeline.orchestration.runs import Outcome as RunOutcome
from pipeline.orchestration.runs import bring_up_to_date
from pipeline.orchestration.workbench import Workbench
from pipeline.tables.expectations import Outcome
from tests.field import Plan, simulate, write_field
from tests.plain_stages import plain_stages
from tests.site_on_disk import SiteOnDisk

SITE = "sedge-hollow"
YEARS = (2020, 2021, 2022)


@dataclass
class Field(SiteOnDisk):
    """A lake and a site folder on disk, and what the last run did."""

    name = SITE

    def bench(self, other_processes: int = 0, **stages: object) -> Workbench:
        """A workbench with plain stages, some replaced."""
        return Workbench(self.lake, {SITE: self.site}, load_stages=plain_stages(**stages), spare_cores=other_processes)

    def run(
        self, accepted: Collection[str] = (), other_processes: int = 0, **stages: object
    ) -> tuple[RunOutcome, list[tuple[str, int | None, str]]]:
        """Bring the lake up to date; gives the outcome and every step: table, water year, what was done."""
        bench = self.bench(other_processes, **stages)
        bench.accepted = {SITE: accepted}
        steps: list[tuple[str, int | None, str]] = []
        bench.on_step = lambda what, site, year, words: steps.append((what, year, words))
        return bring_up_to_date(bench), steps


def no_expectations(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let every check pass unasked, in tests of something else: Great Expectations takes half of a small run's time."""
    monkeypatch.setattr(checks, "check_partitions", _everything_passes)


def _everything_passes(session: object, parts: Collection[object], elsewhere: object) -> dict[object, list[Outcome]]:
    return {key: [Outcome("everything", True, "error", "not asked")] for key in parts}


def computed(steps: list[tuple[str, int | None, str]]) -> set[tuple[str, int | None]]:
    """What was computed: first table of each computation, and water year."""
    return {(what, year) for what, year, words in steps if words == "computing"}


def _kept_folder() -> Path:
    folder = tempfile.mkdtemp(prefix="drainledger-tests-")
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return Path(folder)


@functools.cache
def raw_field(years: int = len(YEARS)) -> Field:
    """The invented site as it came: raw files and site folder, nothing computed. Not to be changed."""
    root = _kept_folder()
    write_field(simulate(Plan(years=years, plots=2, interval_minutes=60)), root / "lake", root / "configs")
    field = Field(root)
    if years < len(YEARS):
        return field
    with (field.folder / "site.yaml").open("a") as site:
        site.write(
            "periods:\n  - {name: winter, from: 2019-12-10, to: 2020-04-01}\n  - {name: two years, from: 2020-01-01, to: 2021-10-01}\n"
        )
    return field


@functools.cache
def computed_field(years: int = len(YEARS)) -> Field:
    """The same with all tables computed by the plain stages and no expectation asked. Not to be changed."""
    field = copy_of(raw_field(years), _kept_folder() / "copy")
    with pytest.MonkeyPatch.context() as patch:
        no_expectations(patch)
        outcome, _ = field.run()
    assert outcome.succeeded, outcome
    return field


def copy_of(field: Field, root: Path) -> Field:
    """A copy that a test may change."""
    shutil.copytree(field.root, root)
    return Field(root)
