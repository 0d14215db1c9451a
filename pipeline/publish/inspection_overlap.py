"""What of one raw file is in the lake already.

Belongs here: stored files with the same content or the same times, and intervals that the file adds, repeats or contradicts.
Does not: reading the file (publish/inspection.py), how it is shown (publish/inspection_text.py), conflicts within one run
(stages/repeats.py).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

import duckdb
import pandas as pd

from pipeline.lake import Lake
from pipeline.site import Site
from pipeline.stages.intake import Readings
from pipeline.stages.pulses import pulse_counts
from pipeline.tables import table

MOST_CONTRADICTIONS = 3


@dataclass(frozen=True)
class StoredFile:
    """A stored file of the same logger whose times overlap, with its first and last instant."""

    path: str
    first_time: datetime
    last_time: datetime


@dataclass(frozen=True)
class Contradiction:
    """An interval of a meter for which file and lake hold different counts (forward and reverse)."""

    meter: str
    interval_start: datetime
    in_file: tuple[int | None, int | None]
    in_lake: tuple[int | None, int | None]


@dataclass(frozen=True)
class Overlap:
    """What of a file is in the lake already.

    `stored_files` is how many files the lake knows of the site. `as_it_is`: this file is one of them; `changed`: the lake knows
    another content under its path. `same_content` are other paths with this content. `adds`, `repeats` and `contradicts` count
    intervals of meters; differences of running totals across lines that the file lacks are none of the three.
    """

    stored_files: int
    as_it_is: bool
    changed: bool
    same_content: tuple[str, ...]
    same_times: tuple[StoredFile, ...]
    adds: int
    repeats: int
    contradicts: int
    contradictions: tuple[Contradiction, ...]


def overlap(
    session: duckdb.DuckDBPyConnection, lake: Lake, site: Site, readings: Readings, account: pd.Series, name: str | None
) -> Overlap:
    """Compare a file with what the lake holds.

    Args:
        session: holds the readings.
        lake: what is stored.
        site: the file's site; its wiring says which column was which meter.
        readings: of this file alone.
        account: the file's row of `source_files`.
        name: the file's path below the site's raw folder; none if it lies elsewhere.

    Raises:
        duckdb.Error: a stored table cannot be read.
    """
    lake.relation(session, table("source_files"), site.site).create_view("stored_files", replace=True)
    ((stored_files,),) = session.execute("SELECT count(*) FROM stored_files").fetchall()
    of_name = session.execute(
        "SELECT path, file_id = $digest FROM stored_files WHERE file_id = $digest OR path = $name ORDER BY path",
        {"digest": account["file_id"], "name": name},
    ).fetchall()
    has_times = not pd.isna(account["first_time"])
    counts = _compare_counts(session, lake, site, readings, account) if has_times else (0, 0, 0)
    return Overlap(
        stored_files=stored_files,
        as_it_is=any(equal and path == name for path, equal in of_name),
        changed=any(not equal for _, equal in of_name),
        same_content=tuple(path for path, equal in of_name if equal and path != name),
        same_times=tuple(_same_times(session, account, name)) if has_times else (),
        adds=counts[0],
        repeats=counts[1],
        contradicts=counts[2],
        contradictions=tuple(_contradictions(session)) if counts[2] else (),
    )


def _same_times(session: duckdb.DuckDBPyConnection, account: pd.Series, name: str | None) -> Iterator[StoredFile]:
    rows = session.execute(
        """
        SELECT path, first_time, last_time FROM stored_files
        WHERE logger = $logger AND first_time < $last AND last_time > $first AND path IS DISTINCT FROM $name
        ORDER BY first_time, path
        """,
        {"logger": account["logger"], "first": account["first_time"], "last": account["last_time"], "name": name},
    ).fetchall()
    return (StoredFile(*row) for row in rows)


def _compare_counts(
    session: duckdb.DuckDBPyConnection, lake: Lake, site: Site, readings: Readings, account: pd.Series
) -> tuple[int, int, int]:
    """Intervals of meters that the file adds, repeats and contradicts; the pairs stay in the session as `compared_counts`."""
    first, last = account["first_time"], account["last_time"]
    declared = table("pulse_counts")
    touched = [
        year
        for year in lake.years(declared, site.site)
        if site.water_year_period(year)[0] < last and site.water_year_period(year)[1] > first
    ]
    pulse_counts(session, readings, site, first.to_pydatetime(), last.to_pydatetime()).create_view(
        "file_counts", replace=True
    )
    lake.relation(session, declared, site.site, touched).create_view("stored_counts", replace=True)
    session.execute(
        """
        CREATE OR REPLACE TEMP TABLE compared_counts AS
        SELECT file.meter::VARCHAR AS meter, file.interval_start, file.forward_pulses, file.reverse_pulses,
            stored.forward_pulses AS stored_forward, stored.reverse_pulses AS stored_reverse,
            stored.meter IS NULL OR (stored.forward_pulses IS NULL AND stored.reverse_pulses IS NULL) AS added,
            NOT added AND (file.forward_pulses IS DISTINCT FROM stored.forward_pulses
                OR file.reverse_pulses IS DISTINCT FROM stored.reverse_pulses) AS contradicted
        FROM file_counts AS file LEFT JOIN stored_counts AS stored
            ON stored.meter::VARCHAR = file.meter::VARCHAR AND stored.interval_start = file.interval_start
                AND stored.interval_end = file.interval_end
        WHERE file.quality <> 'spans_gap'
        """
    )
    ((adds, contradicts, intervals),) = session.execute(
        "SELECT count(*) FILTER (added), count(*) FILTER (contradicted), count(*) FROM compared_counts"
    ).fetchall()
    return adds, intervals - adds - contradicts, contradicts


def _contradictions(session: duckdb.DuckDBPyConnection) -> Iterator[Contradiction]:
    rows = session.execute(
        f"""
        SELECT meter, interval_start, forward_pulses, reverse_pulses, stored_forward, stored_reverse
        FROM compared_counts WHERE contradicted ORDER BY interval_start, meter LIMIT {MOST_CONTRADICTIONS}
        """
    ).fetchall()
    for meter, start, forward, reverse, stored_forward, stored_reverse in rows:
        yield Contradiction(meter, start, (forward, reverse), (stored_forward, stored_reverse))
