"""What each partition is made from, and whether the stored one is made from that.

Belongs here: fingerprints of partitions, their states, the order in which stale ones can be computed.
Does not: computing them (assets.py), judging their content (checks.py).

A partition's fingerprint is that of everything that decides its rows: versions of the stages, declarations of the tables, the
raw files and register rows that touch its period, the policies, and the fingerprints of the partitions that it needs. It
is known before anything is computed, so that a change is followed through all tables by arithmetic alone.
Versions of libraries are no part of it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal

from pipeline.lake import Lake, fingerprint
from pipeline.orchestration.checks import CheckBook, declaration_text
from pipeline.orchestration.computations import COMPUTATIONS, Computation, computation_of, period_of_years
from pipeline.orchestration.raw_files import RawFiles, UnreadFilesError
from pipeline.orchestration.stages import VERSIONS
from pipeline.site import Site
from pipeline.tables import table

State = Literal["fresh", "unchecked", "failing", "stale", "missing", "blocked", "held", "waiting"]
"""fresh: made from what is there now, and its checks passed. unchecked: made from what is there now, not checked yet.
failing: made from what is there now, and a check of severity error failed. stale: made from something else. missing: not
in the lake. blocked: stale or missing, and a partition that it needs is failing, so that it is not computed.
held: stale or missing, and it, or a partition that it needs, would be made from a raw file that changed in place or vanished.
waiting: raw files have changed; whether this partition is made from them shows once they are read."""

Upstream = Callable[[str, int | None], str | None]


@dataclass(frozen=True)
class PartitionState:
    """One partition and its state; `because` names the failing partition that blocks it, or the raw file that is held."""

    table: str
    year: int | None
    state: State
    because: str = ""

    @property
    def to_do(self) -> bool:
        """Whether a run has something to do for it."""
        return self.state in ("unchecked", "stale", "missing", "waiting")


def made_from(computation: Computation, raw: RawFiles, site: Site, year: int | None, upstream: Upstream) -> str | None:
    """Fingerprint of everything that one partition of a computation's tables is made from.

    Args:
        computation: the computation.
        raw: the raw files as they are now.
        site: the registers as they are now.
        year: water year; none for tables kept once per site.
        upstream: gives the fingerprint of a needed partition (None: not known).

    Returns:
        64 hexadecimal digits; None where it cannot be known before raw files or another partition have been read.
    """
    reaches = [need.years(site, year) for need in computation.needs if need.reach != "site"]
    years: list[int | None] = max(reaches, key=len, default=[year])
    start, end = period_of_years(site, years)
    needed: dict[str, str] = {}
    for need in computation.needs:
        if need.by_file:
            continue
        for other in need.years(site, year):
            known = upstream(need.table, other)
            if known is None:
                return None
            needed[f"{need.table} {other}"] = known
    try:
        settings = computation.settings(raw, site, year) if computation.settings else None
    except UnreadFilesError:
        return None
    return fingerprint(
        {
            "tables": [declaration_text(table(name)) for name in computation.tables],
            "versions": {stage: VERSIONS[stage] for stage in computation.stages},
            "period": [start, end, *(site.water_year_period(year) if year is not None else ())],
            "registers": {
                register: _rows(site, register, columns, start, end)
                for register, columns in computation.registers.items()
            },
            "policies": {name: getattr(site.policies, name) for name in computation.policies},
            "settings": settings,
            "needed": needed,
        }
    )


def made_from_now(
    computation: Computation, raw: RawFiles, site: Site, year: int | None, upstream: Upstream
) -> tuple[str, ...]:
    """The fingerprints with which a stored partition is up to date; the first is that of one which is computed now.

    There are two where rows of held files are kept: an account that was made before these files changed still tells of them.
    None where it cannot be known yet.
    """
    ways = (raw, raw.as_read()) if raw.held and not computation.needs else (raw,)
    found = (made_from(computation, way, site, year, upstream) for way in ways)
    return tuple(fingerprint for fingerprint in found if fingerprint is not None)


def held_file(computation: Computation, raw: RawFiles, site: Site, year: int | None) -> str:
    """The first held raw file that a partition would be computed from; an empty text where there is none."""
    try:
        files = computation.reads(raw, site, year) if computation.reads else []
    except UnreadFilesError:
        return ""
    return next((path for path, _ in files if path in raw.held), "")


def stretches(years: Iterable[int | None]) -> Iterator[list[int]]:
    """Runs of consecutive water years."""
    stretch: list[int] = []
    for year in (year for year in years if year is not None):
        if stretch and year != stretch[-1] + 1:
            yield stretch
            stretch = []
        stretch.append(year)
    if stretch:
        yield stretch


def _rows(site: Site, register: str, columns: Iterable[str], start: datetime, end: datetime) -> list[dict[str, Any]]:
    """The rows of a register that touch a period, as far as a computation reads them.

    A row's end after the period is the same to the period as no end: closing a row later makes nothing stale.
    """
    rows = []
    for row in site.fingerprint_rows(register, start, end):
        plain = {column: row[column] for column in columns}
        if plain.get("to") is not None and datetime.fromisoformat(plain["to"]) >= end:
            plain["to"] = None
        rows.append(plain)
    return rows


class Freshness:
    """The states of all partitions of one site, against the raw files and registers as they are now."""

    def __init__(self, lake: Lake, site: Site, raw: RawFiles) -> None:
        self.lake = lake
        self.site = site
        self.raw = raw
        self.book = CheckBook(lake, site)
        self._expected: dict[tuple[str, int | None], tuple[str, ...]] = {}
        self._states: dict[tuple[str, int | None], PartitionState] = {}

    def expected(self, name: str, year: int | None) -> str | None:
        """What a partition would be made from if it and all that it needs were computed now; None: not known yet."""
        return next(iter(self._up_to_date(computation_of(name), year)), None)

    def _up_to_date(self, computation: Computation, year: int | None) -> tuple[str, ...]:
        key = (computation.name, year)
        if key not in self._expected:
            self._expected[key] = made_from_now(computation, self.raw, self.site, year, self.expected)
        return self._expected[key]

    def state(self, name: str, year: int | None) -> PartitionState:
        """The state of one partition."""
        key = (name, year)
        if key not in self._states:
            self._states[key] = self._state(name, year)
        return self._states[key]

    def _state(self, name: str, year: int | None) -> PartitionState:
        stored = self.lake.made_from(table(name), self.site.site, year)
        computation = computation_of(name)
        expected = self._up_to_date(computation, year)
        if stored in expected:
            verdict = self.book.verdict(name, year)
            if verdict is None:
                return PartitionState(name, year, "unchecked")
            return PartitionState(name, year, "failing" if verdict.broken else "fresh")
        if blocker := self._blocker(computation, year):
            return PartitionState(name, year, "blocked", blocker)
        if held := self._held(computation, year):
            return PartitionState(name, year, "held", held)
        if stored is None:
            return PartitionState(name, year, "missing")
        return PartitionState(name, year, "stale" if expected else "waiting")

    def _blocker(self, computation: Computation, year: int | None) -> str:
        for need in computation.needs:
            for other in need.years(self.site, year):
                above = self.state(need.table, other)
                if above.state == "failing":
                    return need.table if other is None else f"{need.table} {other}"
                if above.state == "blocked":
                    return above.because
        return ""

    def _held(self, computation: Computation, year: int | None) -> str:
        above = (self.state(need.table, other) for need in computation.needs for other in need.years(self.site, year))
        return held_file(computation, self.raw, self.site, year) or next(
            (one.because for one in above if one.state == "held"), ""
        )

    def all(self) -> list[PartitionState]:
        """Every partition of every table, computations in order, then years."""
        return [
            self.state(name, year)
            for computation in COMPUTATIONS
            for name in computation.tables
            for year in computation.years(self.site)
        ]

    def to_do(self, computation: Computation) -> list[int | None]:
        """Partitions of a computation's tables that a run has something to do for."""
        return [
            year
            for year in computation.years(self.site)
            if any(self.state(name, year).to_do for name in computation.tables)
        ]

    def ready(self, computation: Computation, year: int | None) -> bool:
        """Whether everything that one partition needs is fresh."""
        return all(
            self.state(need.table, other).state == "fresh"
            for need in computation.needs
            for other in need.years(self.site, year)
        )
