"""Bringing partitions up to date: computing them from what lies in the lake, and storing them.

Belongs here: whether a partition may be computed now, calling its computation or taking what another process made, writing its
tables; which of several partitions are given to other processes.
Does not: the work (computations.py calls the stages), how other processes are asked (other_processes.py), Dagster (assets.py).
"""

from __future__ import annotations

import shlex
from collections import deque
from collections.abc import Iterator, Sequence
from contextlib import nullcontext

import pandas as pd
import pyarrow.parquet as pq

from pipeline.lake import Lake
from pipeline.orchestration.checks import check
from pipeline.orchestration.computations import Computation, Made, period
from pipeline.orchestration.freshness import Origin, held_file, origins_now
from pipeline.orchestration.memory import give_back
from pipeline.orchestration.raw_files import HeldFileError, UnreadFilesError
from pipeline.orchestration.workbench import Workbench, partition_words
from pipeline.science.side_by_side import one_at_a_time
from pipeline.site import Site
from pipeline.tables import table

WORTH_A_PROCESS = 20_000
"""Plot-hours from which a partition may be given away: chosen so that short records start no process, and not tuned."""


class BlockedError(Exception):
    """A partition is not computed, since one that it needs fails a check; the message names that one."""


def make_partitions(
    bench: Workbench, computation: Computation, site: Site, years: Sequence[int | None]
) -> Iterator[tuple[int | None, dict[str, int] | Exception]]:
    """Bring partitions of a computation's tables up to date, in whatever order they are done.

    Of work that can be given away the last years are, to other processes that are idle.

    Yields:
        Each with its rows by table, or with what went wrong.
    """
    others = bench.others
    apart = [year for year in years if others.room and worth_a_process(bench, computation, site, year)]
    waiting = deque(apart if len(apart) > 1 else ())
    for year in years:
        if year not in waiting:
            yield year, _rows_or_error(bench, computation, site, year)
    while waiting or others.busy:
        while len(waiting) > 1 and _begun(bench, computation, site, waiting[-1]):
            waiting.pop()
        if others.busy and (finished := others.finished(waiting=not waiting)) is not None:
            yield finished, _rows_or_error(bench, computation, site, finished, others.take(finished))
        elif waiting:
            mine = waiting.popleft()
            with one_at_a_time() if others.busy else nullcontext():
                came = _rows_or_error(bench, computation, site, mine)
            yield mine, came


def worth_a_process(bench: Workbench, computation: Computation, site: Site, year: int | None) -> bool:
    """Whether a partition is stale and so much work that another process should have a part of it."""
    if computation.parcel is None or year is None:
        return False
    start, end = period(site, year)
    if len(site.plots) * (end - start).total_seconds() / 3600 < WORTH_A_PROCESS:
        return False
    try:
        return _stale(bench, computation, site, year)[0]
    except Exception:
        # Whatever stands in the way is met, and told, when its turn comes.
        return False


def _begun(bench: Workbench, computation: Computation, site: Site, year: int | None) -> bool:
    assert computation.parcel is not None
    if not bench.others.room:
        return False
    try:
        bench.all_present(computation, site, year)
        return bench.others.begin(year, computation.parcel(bench, site, year))
    except Exception:
        return False


def _rows_or_error(
    bench: Workbench, computation: Computation, site: Site, year: int | None, made: Made | None = None
) -> dict[str, int] | Exception:
    try:
        return make_partition(bench, computation, site, year, made)
    except Exception as error:
        return error


def make_partition(
    bench: Workbench, computation: Computation, site: Site, year: int | None, made: Made | None = None
) -> dict[str, int]:
    """Bring one partition of a computation's tables up to date, if it is not.

    What it is made from is taken from the partitions that lie in the lake, so that a table never claims to be made from
    what is not there.

    Args:
        bench: lake and stages.
        computation: of which tables.
        site: of the partition.
        year: of the partition.
        made: the rows, where another process has worked them out from the same partitions.

    Returns:
        Rows by table.

    Raises:
        AbsentPartitionError: a partition that it needs is not in the lake.
        BlockedError: a partition that it needs fails a check of severity error.
        HeldFileError: it would be made from a raw file that changed in place or vanished.
        UnreadFilesError: there are raw files that `source_files` does not tell of.
    """
    lake = bench.lake
    bench.all_present(computation, site, year)
    raw = bench.raw_files(site)
    stale, origin = _stale(bench, computation, site, year)
    if origin.files_unread:
        raise UnreadFilesError(
            f"the raw files of {site.site} have changed since they were last read. Materialize source_files first, or run "
            "`drainledger run`."
        )
    if stale:
        _refuse_if_blocked(bench, computation, site, year)
        if held := held_file(computation, raw, site, year):
            raise HeldFileError(
                f"not computed, because {held} would be read for it, which changed in place or vanished. Put the file back, or "
                f"run `drainledger run --accept {shlex.quote(held)}`."
            )
        bench.say(computation.name, site.site, year, "computing")
        made = made if made is not None else computation.make(bench, site, year)
        _store(lake, computation.tables, made, origin, site, year)
        del made
        give_back()
        if not computation.needs:
            bench.forget_raw_files(site)
    return {name: pq.read_metadata(lake.path(table(name), site.site, year)).num_rows for name in computation.tables}


def _store(lake: Lake, tables: Sequence[str], made: Made, origin: Origin, site: Site, year: int | None) -> None:
    for name in tables:
        rows = made[name]
        if isinstance(rows, pd.DataFrame):
            lake.write_frame(table(name), rows, origin.fingerprint, site.site, year, origin.text)
        else:
            lake.write_relation(table(name), rows, origin.fingerprint, site.site, year, origin.text)


def _stale(bench: Workbench, computation: Computation, site: Site, year: int | None) -> tuple[bool, Origin]:
    """Whether a stored partition is not made from what there is now, and what it would be made from."""
    lake = bench.lake

    def content(name: str, other: int | None) -> str | None:
        stored = lake.stored(table(name), site.site, other)
        return stored.content if stored is not None else None

    origins = origins_now(computation, bench.raw_files(site), site, year, content)
    up_to_date = {origin.fingerprint for origin in origins}
    stored = (lake.made_from(table(name), site.site, year) for name in computation.tables)
    return any(one not in up_to_date for one in stored), origins[0]


def _refuse_if_blocked(bench: Workbench, computation: Computation, site: Site, year: int | None) -> None:
    for need in computation.needs:
        for other in need.years(site, year):
            verdict = check(bench, site, need.table, other)
            if verdict.broken:
                raise BlockedError(
                    f"not computed, because {need.table} of {partition_words(site.site, other)} fails a check: "
                    f"{verdict.broken[0]}"
                )
