"""What a run works with: the lake, the sites, one DuckDB session, and readings that several partitions share.

Belongs here: opening and closing these, reading upstream partitions with a sentence where one is absent.
Does not: what is computed (computations.py), what is stale (freshness.py).
"""

from __future__ import annotations

import contextlib
import shutil
import tempfile
import weakref
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import duckdb
import pandas as pd

from pipeline.lake import Lake, fingerprint, open_session
from pipeline.orchestration.computations import Computation
from pipeline.orchestration.lock import hold_lake
from pipeline.orchestration.other_processes import OtherProcesses, spare_cores
from pipeline.orchestration.raw_files import Choice, HeldFileError, RawFiles
from pipeline.orchestration.stages import Stages
from pipeline.site import Site
from pipeline.stages.phrases import within
from pipeline.tables import table

if TYPE_CHECKING:
    from pipeline.orchestration.checks import CheckBook

MEMORY_LIMIT = "700MB"
"""Most memory of DuckDB's; the rest of a run (libraries, one partition as a frame) takes about as much again."""


class AbsentPartitionError(Exception):
    """A partition that is needed is not in the lake; the message names it."""


@dataclass
class _Read:
    key: str
    files: frozenset[tuple[str, str]]
    readings: Any


@dataclass
class Workbench:
    """Everything that the assets of one process share.

    `on_step` is told what is being done (words for the person who waits); `failures` collects
    what went wrong, in sentences, by computation, site and water year. `accepted` lists, by site, raw files that changed in place
    or vanished and are to be taken as they are now. `check_books` holds what checks found, by site, as far as it was read.
    `spare_cores` is how many other processes may be given work, `others` are
    those that were started.
    """

    lake: Lake
    sites: Mapping[str, Site]
    load_stages: Callable[[], Stages] = lambda: Stages.of_project()
    on_step: Callable[[str, str, int | None, str], None] | None = None
    failures: dict[tuple[str, str, int | None], str] = field(default_factory=dict)
    accepted: Mapping[str, Collection[str]] = field(default_factory=dict)
    check_books: dict[str, CheckBook] = field(default_factory=dict)
    spare_cores: int = field(default_factory=spare_cores)
    others: OtherProcesses = field(default_factory=OtherProcesses)
    _held: int = 0
    _session: duckdb.DuckDBPyConnection | None = None
    _folder: Path | None = None
    _read: _Read | None = None
    _raw: dict[str, RawFiles] = field(default_factory=dict)

    @cached_property
    def stages(self) -> Stages:
        """The stages, loaded when the first of them is needed."""
        return self.load_stages()

    @contextlib.contextmanager
    def hold(self, purpose: str, wait_seconds: float = 0.0) -> Iterator[None]:
        """Hold the lake for a run of this process; a hold within a hold is the same one.

        Raises:
            LakeBusyError: another process holds it.
        """
        with contextlib.ExitStack() as stack:
            if self._held == 0:
                stack.enter_context(hold_lake(self.lake.root, purpose, wait_seconds))
                self.lake.clear_leftovers()
                stack.callback(self.close)
            self._held += 1
            try:
                yield
            finally:
                self._held -= 1

    def say(self, what: str, site: str, year: int | None, words: str) -> None:
        """Tell who waits what is being done."""
        if self.on_step is not None:
            self.on_step(what, site, year, words)

    @property
    def session(self) -> duckdb.DuckDBPyConnection:
        """The DuckDB session; work larger than its memory goes to `folder`."""
        if self._session is None:
            self._session = open_session(spill_folder=self.folder, memory_limit=MEMORY_LIMIT)
        return self._session

    @property
    def folder(self) -> Path:
        """A folder of the session's own, removed with it; in the lake where that is held, so that a killed run leaves nothing that the
        next one does not find."""
        if self._folder is None and self._held:
            self._folder = self.lake.work.resolve()
            self._folder.mkdir(exist_ok=True)
        elif self._folder is None:
            self._folder = Path(tempfile.mkdtemp(prefix="drainledger-"))
            # Whoever only looks may forget to close: the folder goes with the workbench, or with the process.
            weakref.finalize(self, shutil.rmtree, self._folder, ignore_errors=True)
        return self._folder

    def close(self) -> None:
        """Give up the session, the readings in it, its folder, and other processes."""
        self.others.stop()
        if self._session is not None:
            self._session.close()
        if self._folder is not None:
            shutil.rmtree(self._folder, ignore_errors=True)
        self._session, self._folder, self._read = None, None, None
        self.check_books.clear()

    def raw_files(self, site: Site) -> RawFiles:
        """The site's raw files as first seen; `forget_raw_files` makes it look again."""
        if site.site not in self._raw:
            self._raw[site.site] = RawFiles(self.lake, site, self.accepted.get(site.site, ()))
        return self._raw[site.site]

    def forget_raw_files(self, site: Site) -> None:
        """Look at the raw folder and at `source_files` again when next asked."""
        self._raw.pop(site.site, None)

    def all_readings(self, site: Site) -> Any:
        """The readings of every raw file that is not held."""
        return self._readings(site, self.raw_files(site).readable_files())

    def readings(self, site: Site, start: datetime, end: datetime) -> Any:
        """The loggers' readings around a stretch of time, the same whichever other files are read with them."""
        raw = self.raw_files(site)
        return self._around(site, raw.choices(start, end, "logger"))

    def weather(self, site: Site, start: datetime, end: datetime) -> pd.DataFrame:
        """Weather by the hour around a stretch of time: `hour_start`, `rain_mm`, `air_temp_c`."""
        raw = self.raw_files(site)
        return self.stages.weather_hours(self.session, self._around(site, raw.choices(start, end, "weather")))

    def _around(self, site: Site, choices: Sequence[Choice]) -> Any:
        raw = self.raw_files(site)
        digests = raw.digests
        for choice in choices:
            for path in choice.paths:
                if path in raw.held:
                    raise HeldFileError(f"{path} is held: nothing is read from it")
        readings = self._readings(site, [(path, digests[path]) for choice in choices for path in choice.paths])
        bounds = {choice.logger: (choice.start, choice.end) for choice in choices}
        records = {}
        for logger, record in readings.records.items():
            start_end = bounds.get(logger)
            seen = within("interval_start", *start_end) if start_end is not None else "false"
            view = f"{record.readings}_around"
            self.session.execute(f"CREATE OR REPLACE TEMP VIEW {view} AS SELECT * FROM {record.readings} WHERE {seen}")
            records[logger] = replace(record, readings=view)
        return replace(readings, records=records)

    def _readings(self, site: Site, files: Sequence[tuple[str, str]]) -> Any:
        """Readings of at least these files: those that are in the session already, if they hold them all."""
        raw = self.raw_files(site)
        key = fingerprint([site.site, raw.formats()])
        if self._read is None or self._read.key != key or not self._read.files.issuperset(files):
            self._read = None
            paths = [raw.folder / path for path, _ in files]
            readings = self.stages.read_raw_files(self.session, site, raw.folder, paths, self.folder)
            self._read = _Read(key, frozenset(files), readings)
        return self._read.readings

    def relation(self, name: str, site: Site, years: Sequence[int | None]) -> duckdb.DuckDBPyRelation:
        """Stored partitions as a relation of the session."""
        return self.lake.relation(self.session, table(name), site.site, years)

    def frame(self, name: str, site: Site, years: Sequence[int | None]) -> pd.DataFrame:
        """Stored partitions as a frame."""
        return self.lake.frame(table(name), site.site, years)

    def all_present(self, computation: Computation, site: Site, year: int | None) -> None:
        """Make sure that everything which a computation needs lies in the lake.

        Raises:
            AbsentPartitionError: a partition does not.
        """
        for need in computation.needs:
            for other in need.years(site, year):
                if self.lake.made_from(table(need.table), site.site, other) is None:
                    raise AbsentPartitionError(
                        f"{need.table} of {partition_words(site.site, other)} is needed and is not in the lake. Compute it "
                        "first: materialize it on Dagster's page, or run `drainledger run`, which does all that is needed."
                    )


def partition_words(site: str, year: int | None) -> str:
    """A partition as people call it."""
    return site if year is None else f"{site}, water year {year}"
