"""One row per interval: what several files hold twice.

Belongs here: overlaps and repeated downloads collapsed, disagreements kept and pointed out.
Does not: reading lines (stages/intake.py).
"""

from __future__ import annotations

import duckdb


def collapse_repeats(
    session: duckdb.DuckDBPyConnection, readings: str, files: str, key: str, cells: list[str], conflicts: str
) -> bool:
    """Leave one row per interval.

    Files overlap, and are downloaded twice. Lines of one interval that agree are one reading; a value that is missing in one
    of them is taken from the others. Where they disagree, the line of the latest download is used, the disagreeing
    lines go to the session table named by `conflicts`, and the row says in which columns.

    Args:
        session: holds the readings.
        readings: session table in order of time; is replaced. It gains a column `conflict` if any lines disagreed: the list
            of columns on which they did, NULL for nearly every row.
        files: session table of the files, with their order of download.
        key: the end of an interval that the logger stamps; it tells one interval from another, whatever their lengths.
        cells: the columns to compare.
        conflicts: name of the session table for the disagreeing lines: file, line, interval_start, used_file, used_line.

    Returns:
        Whether any lines disagreed.
    """
    if not steps_back(session, readings, key, "<="):
        return False
    differs = " OR ".join(f"repeats.{name} <> latest.{name}" for name in cells) or "false"
    merged = "".join(f", arg_max({name}, rank) FILTER (NOT disagrees) AS {name}" for name in cells)
    listed = ", ".join(f"CASE WHEN count(DISTINCT {name}) > 1 THEN '{name}' END" for name in cells)
    carried = "".join(f", {name}" for name in cells)
    session.execute(
        f"""
        CREATE OR REPLACE TEMP TABLE repeats AS
        SELECT readings.*, download::BIGINT << 32 | line AS rank,
            row_number() OVER (PARTITION BY {key} ORDER BY download DESC, line DESC) AS age
        FROM {readings} AS readings JOIN {files} AS files USING (file)
        WHERE {key} IN (SELECT {key} FROM {readings} GROUP BY {key} HAVING count(*) > 1)
        """
    )
    session.execute(
        f"""
        CREATE OR REPLACE TEMP TABLE compared AS
        SELECT repeats.*, coalesce({differs}, false) AS disagrees,
            latest.file AS used_file, latest.line AS used_line
        FROM repeats JOIN repeats AS latest ON latest.{key} = repeats.{key} AND latest.age = 1
        """
    )
    session.execute(
        f"""
        CREATE OR REPLACE TEMP TABLE single_readings AS
        SELECT file_id, file, line, interval_start, interval_end{carried}, NULL::VARCHAR[] AS conflict
        FROM {readings} ANTI JOIN repeats USING ({key})
        UNION ALL
        SELECT arg_max(file_id, rank), arg_max(file, rank), arg_max(line, rank), max(interval_start),
            min(interval_end){merged},
            nullif(list_filter([{listed}]::VARCHAR[], lambda name: name IS NOT NULL), []) AS conflict
        FROM compared GROUP BY {key}
        ORDER BY {key}
        """
    )
    session.execute(
        f"""
        CREATE OR REPLACE TEMP TABLE {conflicts} AS
        SELECT file, line, interval_start, used_file, used_line FROM compared WHERE disagrees
        """
    )
    session.execute(f"DROP TABLE {readings}")
    session.execute(f"ALTER TABLE single_readings RENAME TO {readings}")
    session.execute("DROP TABLE compared")
    session.execute("DROP TABLE repeats")
    found = session.execute(f"SELECT count(*) FROM {conflicts}").fetchall()
    return bool(found[0][0])


def steps_back(session: duckdb.DuckDBPyConnection, readings: str, key: str, relation: str) -> bool:
    """Whether any row's `key` is before (`<`), or not after (`<=`), that of the row above it."""
    found = session.execute(
        f"""
        SELECT count(*) FROM (SELECT {key}, lag({key}) OVER () AS above FROM {readings}) WHERE {key} {relation} above
        """
    ).fetchall()
    return bool(found[0][0])
