"""What a run would do, and why; nothing is written.

Belongs here: the partitions that a run would compute or check, with what changed for each; looking into new raw files for that.
Does not: running (runs.py), wording for the terminal (publish/plan_words.py).
"""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.orchestration.causes import Cause, causes
from pipeline.orchestration.computations import COMPUTATIONS, computation_of
from pipeline.orchestration.freshness import Freshness, State
from pipeline.orchestration.workbench import Workbench
from pipeline.site import Site


@dataclass(frozen=True)
class Planned:
    """One partition that is not fresh, and what changed for it.

    `certain` says whether a run computes it for sure; otherwise only if rows of a partition that it needs change.
    """

    table: str
    year: int | None
    state: State
    causes: tuple[Cause, ...]

    @property
    def certain(self) -> bool:
        """Whether it would be computed whatever comes of others."""
        return self.state in ("stale", "missing")


def plan(bench: Workbench, site: Site) -> list[Planned]:
    """Every partition of a site that is not fresh, in the order of the computations.

    New raw files are read as far as it takes to know which times they hold, so that the years that they touch can be named.

    Raises:
        LakeError: a raw file cannot be read.
    """
    raw = bench.raw_files(site)
    if raw.stored is not None and (raw.unread_files or set(raw.stored["path"]) != set(raw.digests)):
        paths = [raw.folder / path for path in raw.unread_files]
        rows = raw.stored.iloc[:0]
        if paths:
            rows = bench.stages.read_raw_files(bench.session, site, raw.folder, paths, bench.folder).source_files
        raw = raw.as_if_read(rows)
    freshness = Freshness(bench.lake, site, raw)
    return [
        Planned(name, year, state.state, _causes(freshness, name, year))
        for computation in COMPUTATIONS
        for name in computation.tables
        for year in computation.years(site)
        if (state := freshness.state(name, year)).state != "fresh"
    ]


def _causes(freshness: Freshness, name: str, year: int | None) -> tuple[Cause, ...]:
    state = freshness.state(name, year)
    if state.state not in ("stale", "missing", "waiting", "follows"):
        return ()
    stored = freshness.stored(name, year)
    if stored is None:
        return (Cause("missing", "table", "not computed yet"),)
    origin = freshness.origins(computation_of(name), year)[0]
    return tuple(causes(origin.plain, stored.parts, freshness.site))
