"""What each partition is made from, and whether the stored one is made from that.

Belongs here: origins and fingerprints of partitions, their states, the order in which stale ones can be computed.
Does not: computing them (assets.py), judging their content (checks.py), saying in words what changed (causes.py).

A partition's origin is everything that decides its rows: versions of the stages, declarations of the tables, the raw files and
register rows that touch its period, the policies, and the content of the partitions that it needs. Its fingerprint is the
digest of that. What is needed counts by its rows and not by where these came from: a partition that is computed anew and comes out
as it was leaves alone what lies downstream. Versions of libraries are no part of it.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from typing import Any, Literal

from pipeline.lake import Lake, Stored, canonical_text, fingerprint
from pipeline.orchestration.checks import CheckBook, declaration_text
from pipeline.orchestration.computations import (
    COMPUTATIONS,
    Computation,
    Need,
    computation_of,
    period_of_years,
    rows_in_reach,
)
from pipeline.orchestration.raw_files import RawFiles, UnreadFilesError
from pipeline.orchestration.stages import VERSIONS
from pipeline.site import Site
from pipeline.tables import table

State = Literal["fresh", "unchecked", "failing", "stale", "missing", "blocked", "held", "waiting", "follows"]
"""fresh: made from what is there now, and its checks passed. unchecked: made from what is there now, not checked yet.
failing: made from what is there now, and a check of severity error failed. stale: made from something else. missing: not
in the lake. blocked: stale or missing, and a partition that it needs is failing, so that it is not computed.
held: stale or missing, and it, or a partition that it needs, would be made from a raw file that changed in place or vanished.
waiting: raw files have changed; whether this partition is made from them shows once they are read. follows: a partition that it
needs is to be computed; whether this one is shows once that one's rows are there."""

SETTLED: tuple[State, ...] = ("fresh", "unchecked", "failing")
"""States of partitions whose rows stay as they are."""

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
        return self.state in ("unchecked", "stale", "missing", "waiting", "follows")


@dataclass(frozen=True)
class Origin:
    """Everything that a partition is made from, part by part, as plain values.

    `needed` gives the content of each needed partition, None where it is not known yet; `settings` is None where the computation
    has none, and where they show only once raw files have been read (`files_unread`).
    """

    parts: dict[str, Any]
    files_unread: bool

    @property
    def known(self) -> bool:
        """Whether all of it is known now."""
        return not self.files_unread and None not in self.parts["needed"].values()

    @cached_property
    def text(self) -> str:
        """The parts as canonical JSON."""
        return canonical_text(self.parts)

    @property
    def plain(self) -> dict[str, Any]:
        """The parts as they read when they come back from a file."""
        plain: dict[str, Any] = json.loads(self.text)
        return plain

    @cached_property
    def fingerprint(self) -> str:
        """64 hexadecimal digits."""
        return fingerprint(self.parts)

    def own_parts_differ(self, stored: dict[str, Any]) -> bool:
        """Whether a stored partition was made from something else, as far as is known without what is computed first."""
        now, before = self.plain, dict(stored)
        needed, needed_before = now.pop("needed"), before.pop("needed", {})
        if self.files_unread:
            now.pop("settings"), before.pop("settings", None)
        known = {key: content for key, content in needed.items() if content is not None}
        return bool(
            now != before
            or needed.keys() != needed_before.keys()
            or any(needed_before[key] != content for key, content in known.items())
        )


def origin_of(computation: Computation, raw: RawFiles, site: Site, year: int | None, upstream: Upstream) -> Origin:
    """Everything that one partition of a computation's tables is made from.

    Args:
        computation: the computation.
        raw: the raw files as they are now.
        site: the registers as they are now.
        year: water year; none for tables kept once per site.
        upstream: gives the content of a needed partition (None: not known).
    """
    reaches = [need.years(site, year) for need in computation.needs if need.reach != "site"]
    years: list[int | None] = max(reaches, key=len, default=[year])
    start, end = period_of_years(site, years)
    needed: dict[str, str | None] = {}
    for need in computation.needs:
        for other in [] if need.by_file else need.years(site, year):
            content = upstream(need.table, other)
            if need.in_reach and content is not None:
                content = _content_in_reach(raw.lake, need.table, site, year, content)
            needed[needed_key(need.table, other)] = content
    files_unread = False
    settings = None
    try:
        settings = computation.settings(raw, site, year) if computation.settings else None
    except UnreadFilesError:
        files_unread = True
    parts = {
        "tables": {name: fingerprint(declaration_text(name)) for name in computation.tables},
        "versions": {stage: VERSIONS[stage] for stage in computation.stages},
        "period": [start, end, *(site.water_year_period(year) if year is not None else ())],
        "registers": {
            register: _rows(site, register, columns, start, end) for register, columns in computation.registers.items()
        },
        "policies": {name: getattr(site.policies, name) for name in computation.policies},
        "settings": settings,
        "needed": needed,
    }
    return Origin(parts, files_unread)


_IN_REACH: dict[tuple[Lake, str, str], str] = {}
"""Digests of rows in reach that were worked out before, by lake, content of the whole table, table and years."""


def _content_in_reach(lake: Lake, name: str, site: Site, year: int | None, content: str) -> str:
    """Digest of the rows of a table kept once per site that a year has in reach; `content` is that of the whole table."""
    reach = period_of_years(site, Need(name, "neighbours").years(site, year))
    key = (lake, content, fingerprint([name, site.site, *reach]))
    if key not in _IN_REACH:
        rows = rows_in_reach(lake.frame(table(name), site.site), site, year)
        _IN_REACH[key] = hashlib.sha256(rows.to_csv(index=False).encode()).hexdigest()
    return _IN_REACH[key]


def needed_key(name: str, year: int | None) -> str:
    """A needed partition as an origin calls it."""
    return name if year is None else f"{name} {year}"


def origins_now(
    computation: Computation, raw: RawFiles, site: Site, year: int | None, upstream: Upstream
) -> tuple[Origin, ...]:
    """The origins with which a stored partition is up to date; the first is that of one which is computed now.

    There are two where rows of held files are kept: an account that was made before these files changed still tells of them.
    """
    ways = (raw, raw.as_read()) if raw.held and not computation.needs else (raw,)
    return tuple(origin_of(computation, way, site, year, upstream) for way in ways)


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


def _rows(site: Site, register: str, columns: Sequence[str], start: datetime, end: datetime) -> dict[str, list[Any]]:
    """The rows of a register that touch a period, as far as a computation reads them.

    A row's end after the period is the same to the period as no end: closing a row later makes nothing stale.
    """
    rows = []
    for row in site.fingerprint_rows(register, start, end):
        plain = {column: row[column] for column in columns}
        if plain.get("to") is not None and datetime.fromisoformat(plain["to"]) >= end:
            plain["to"] = None
        rows.append(list(plain.values()))
    return {"columns": list(columns), "rows": rows}


class Freshness:
    """The states of all partitions of one site, against the raw files and registers as they are now."""

    def __init__(self, lake: Lake, site: Site, raw: RawFiles) -> None:
        self.lake = lake
        self.site = site
        self.raw = raw
        self.book = CheckBook(lake, site)
        self._origins: dict[tuple[str, int | None], tuple[Origin, ...]] = {}
        self._stored: dict[tuple[str, int | None], Stored | None] = {}
        self._states: dict[tuple[str, int | None], PartitionState] = {}

    def stored(self, name: str, year: int | None) -> Stored | None:
        """What the stored partition says of itself, as first seen."""
        key = (name, year)
        if key not in self._stored:
            self._stored[key] = self.lake.stored(table(name), self.site.site, year)
        return self._stored[key]

    def origins(self, computation: Computation, year: int | None) -> tuple[Origin, ...]:
        """The origins with which a partition is up to date; what is still to be computed has no content in them."""
        key = (computation.name, year)
        if key not in self._origins:
            self._origins[key] = origins_now(computation, self.raw, self.site, year, self._settled_content)
        return self._origins[key]

    def _settled_content(self, name: str, year: int | None) -> str | None:
        stored = self.stored(name, year)
        return stored.content if stored is not None and self.state(name, year).state in SETTLED else None

    def state(self, name: str, year: int | None) -> PartitionState:
        """The state of one partition."""
        key = (name, year)
        if key not in self._states:
            self._states[key] = self._state(name, year)
        return self._states[key]

    def _state(self, name: str, year: int | None) -> PartitionState:
        stored = self.stored(name, year)
        computation = computation_of(name)
        origins = self.origins(computation, year)
        if stored is not None and stored.made_from in (origin.fingerprint for origin in origins if origin.known):
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
        if all(origin.known or origin.own_parts_differ(stored.parts) for origin in origins):
            return PartitionState(name, year, "stale")
        return PartitionState(name, year, "waiting" if origins[0].files_unread else "follows")

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
