"""Bringing a lake up to date from the command line, through Dagster, in this process.

Belongs here: which runs a stale lake needs, in which order, and starting them.
Does not: what is stale (freshness.py), what a run does (assets.py), showing it to a person (cli.py).
"""

from __future__ import annotations

import logging
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.orchestration.computations import COMPUTATIONS, Computation, computation_of
from pipeline.orchestration.freshness import Freshness, PartitionState, stretches
from pipeline.orchestration.history import write_history
from pipeline.orchestration.instance import open_records, process_tag, unusable_records
from pipeline.orchestration.making import worth_a_process
from pipeline.orchestration.raw_files import HeldFile
from pipeline.orchestration.workbench import Workbench
from pipeline.site import Site
from pipeline.tables import TABLES
from pipeline.tables.dictionary import dictionary_csv

if TYPE_CHECKING:
    from dagster import DagsterEvent, DagsterInstance, JobDefinition

DICTIONARY = "dictionary.csv"
OF_YEARS = ("pipeline.stages.hours", "pipeline.stages.concentration", "pipeline.stages.loads")
OF_CHECKS = ("great_expectations",)
"""What other processes import for the years that they are given, and one of them for the checks, which takes three seconds."""


@dataclass
class Outcome:
    """What a run came to: runs of Dagster's that it took, what failed in sentences, the states that it left, and the
    raw files that are held."""

    runs: int = 0
    failures: list[str] = field(default_factory=list)
    states: dict[str, list[PartitionState]] = field(default_factory=dict)
    held: dict[str, list[HeldFile]] = field(default_factory=dict)

    @property
    def failing(self) -> list[tuple[str, PartitionState]]:
        """Partitions that fail a check of severity error, by site."""
        return [(site, one) for site, states in self.states.items() for one in states if one.state == "failing"]

    @property
    def succeeded(self) -> bool:
        """Whether every partition of every table is fresh, and made from the raw files as they are now."""
        if any(self.held.values()):
            return False
        return not self.failures and all(one.state == "fresh" for states in self.states.values() for one in states)


def look(bench: Workbench, site: Site) -> Freshness:
    """The states of a site's partitions, as the lake is now."""
    return Freshness(bench.lake, site, bench.raw_files(site))


def look_again(bench: Workbench, site: Site) -> Freshness:
    """The same, after the raw folder has been looked at anew."""
    bench.forget_raw_files(site)
    return look(bench, site)


def bring_up_to_date(bench: Workbench, expect: Callable[[int], None] | None = None) -> Outcome:
    """Compute and check what is stale, missing or unchecked at all sites of a workbench, and nothing else.

    The tables that are kept once per site go first, since they tell which raw files touch which year; then all water years
    in one run. If a partition fails, its dependents are left out and the rest is done computation by computation.

    Args:
        bench: lake and sites.
        expect: told how many steps (computations of a partition, checks of one) are to come, whenever that is known anew.

    Returns:
        What came of it; every failure is in it, none is raised.

    Raises:
        LakeBusyError: another run holds the lake.
        LakeError: the lake, or the folder of Dagster's records in it, cannot be read or written.
    """
    outcome = Outcome()
    with bench.hold("`drainledger run`"):
        found = {name: look(bench, site) for name, site in bench.sites.items()}
        if steps := sum(_steps(freshness) for freshness in found.values()):
            if expect is not None:
                expect(steps)
            _start_others(bench, found)
            with _quiet_dagster(), _Runner(bench).open() as runner:
                for site in bench.sites.values():
                    _bring_site_up_to_date(bench, site, runner)
                outcome.runs = runner.runs
        text = dictionary_csv(TABLES)
        path = bench.lake.tables / DICTIONARY
        if not path.exists() or path.read_bytes() != text.encode():
            bench.lake.write_text(DICTIONARY, text)
        for site in bench.sites.values():
            write_history(bench.lake, site)
        outcome.failures = list(bench.failures.values())
        outcome.held = {name: list(bench.raw_files(site).held.values()) for name, site in bench.sites.items()}
        outcome.states = {name: look(bench, site).all() for name, site in bench.sites.items()}
    return outcome


def _start_others(bench: Workbench, found: Mapping[str, Freshness]) -> None:
    """Start other processes where there are long years to share, by the states of every site's partitions."""
    long_years = (
        sum(worth_a_process(bench, computation, bench.sites[name], year) for year in freshness.to_do(computation))
        for name, freshness in found.items()
        for computation in COMPUTATIONS
    )
    # This process works on one of the years itself.
    if (wanted := min(bench.spare_cores, max(long_years, default=0) - 1)) > 0:
        bench.others.start([OF_CHECKS + OF_YEARS, *[OF_YEARS] * (wanted - 1)])


def _bring_site_up_to_date(bench: Workbench, site: Site, runner: _Runner) -> None:
    once = [computation for computation in COMPUTATIONS if not computation.by_year]
    by_year = [computation for computation in COMPUTATIONS if computation.by_year]
    freshness = look(bench, site)
    chosen = [computation for computation in once if freshness.to_do(computation)]
    if chosen:
        runner.run_site(chosen, site)
    freshness = look_again(bench, site)
    stale = {computation.name: freshness.to_do(computation) for computation in by_year}
    years = sorted({year for found in stale.values() for year in found if year is not None})
    stopped = any(one.state in ("failing", "blocked", "held", "waiting") for one in freshness.all())
    if years and not stopped and runner.run_years([c for c in by_year if stale[c.name]], site, years):
        return
    for computation in by_year:
        freshness = look(bench, site)
        ready = [
            year
            for year in freshness.to_do(computation)
            if freshness.ready(computation, year) and (computation.name, site.site, year) not in bench.failures
        ]
        for stretch in stretches(ready):
            runner.run_years([computation], site, stretch)


def _steps(freshness: Freshness) -> int:
    """Computations and checks that are to come, as far as is known before they begin."""
    states = freshness.all()
    checks = sum(one.to_do for one in states)
    computed = {(computation_of(one.table).name, one.year) for one in states if one.to_do and one.state != "unchecked"}
    return checks + len(computed)


class _Runner:
    """Starts Dagster's runs in this process, on the records in the lake's own folder."""

    job: JobDefinition
    instance: DagsterInstance

    def __init__(self, bench: Workbench) -> None:
        self.bench = bench
        self.runs = 0

    @contextmanager
    def open(self) -> Iterator[_Runner]:
        """Dagster is imported here, since it takes a second."""
        from pipeline.orchestration.build import build_definitions

        self.job = build_definitions(self.bench).resolve_implicit_global_asset_job_def()
        with open_records(self.bench.lake.root) as instance:
            self.instance = instance
            yield self

    def run_site(self, computations: Sequence[Computation], site: Site) -> bool:
        """Run computations of tables that are kept once per site."""
        return self._run(computations, partition_key=site.site)

    def run_years(self, computations: Sequence[Computation], site: Site, years: Sequence[int]) -> bool:
        """Run computations of tables that are kept by water year, over all years from the first to the last."""
        from pipeline.orchestration.partitions import range_tags

        return self._run(computations, tags=range_tags(site.site, years))

    def _run(
        self,
        computations: Sequence[Computation],
        partition_key: str | None = None,
        tags: dict[str, str] | None = None,
    ) -> bool:
        from dagster import AssetKey

        self.runs += 1
        try:
            result = self.job.execute_in_process(
                asset_selection=[AssetKey(name) for computation in computations for name in computation.tables],
                partition_key=partition_key,
                tags=(tags or {}) | process_tag(),
                instance=self.instance,
                raise_on_error=False,
                run_config={"loggers": {"console": {"config": {"log_level": "CRITICAL"}}}},
            )
        except Exception as error:
            # What a computation raises is in the result; this came of Dagster's own work.
            raise unusable_records(Path(self.instance.root_directory), error) from error
        if any(_interrupted(event) for event in result.all_events):
            raise KeyboardInterrupt
        return result.success


def _interrupted(event: DagsterEvent) -> bool:
    """Whether an event says that a person stopped the run: Dagster takes the signal for itself."""
    error = getattr(event.event_specific_data, "error", None)
    return event.is_failure and error is not None and error.cls_name == "DagsterExecutionInterruptedError"


@contextmanager
def _quiet_dagster() -> Iterator[None]:
    """Keep Dagster's own log off the person's terminal; everything stands in its records."""
    logger = logging.getLogger("dagster")
    level, logger.level = logger.level, logging.CRITICAL
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            yield
        finally:
            logger.level = level
