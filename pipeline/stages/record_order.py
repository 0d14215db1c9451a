"""What the order of records tells: interval lengths that change, days and months that were swapped.

Belongs here: judging the times of a file by their sequence, and saying what was found.
Does not: reading a time (stages/line_format.py), UTC (stages/clock.py), what several files hold twice (stages/repeats.py).
"""

from __future__ import annotations

import duckdb
import pandas as pd

from pipeline.stages.clock import microseconds
from pipeline.stages.line_format import RecordFormat

STEADY_STEPS = 12
"""So many equal steps between records are a logger's interval and no accident."""
LEAP_US = 20 * 86_400_000_000
"""A step longer than this, forward or back, is one that swapping day and month makes."""


def judge_order(session: duckdb.DuckDBPyConnection, form: RecordFormat, lines: str) -> pd.DataFrame:
    """Look at the steps between the usable records of each file in the session table `lines`.

    Lines whose day and month a spreadsheet seems to have swapped get a problem; nothing is put right in silence. Where steps
    are steady and other than the layout's interval, or shorter, `length_us` is set to them.

    Returns:
        Notes: file (the number that `lines` uses), note (a sentence).
    """
    length = microseconds(form.layout.interval)
    odd = session.sql(
        f"""
        SELECT file, count(*) FILTER (step <> {length}) AS odd_steps, count(*) FILTER (abs(step) > {LEAP_US}) AS leaps
        FROM (
            SELECT file, epoch_us(stamp) - lag(epoch_us(stamp)) OVER () AS step, lag(file) OVER () AS file_before
            FROM {lines} WHERE problem IS NULL
        )
        WHERE file = file_before GROUP BY file HAVING odd_steps > 0 ORDER BY file
        """
    ).df()
    notes = [pd.DataFrame({"file": pd.Series(dtype="int64"), "note": pd.Series(dtype="str")})]
    leaping = odd.loc[odd["leaps"] > 1, "file"].tolist()
    if leaping and _has_swappable_days(form):
        notes.append(_refuse_swapped_days(session, form, lines, leaping))
    if len(odd):
        notes.append(_set_lengths(session, form, lines, odd["file"].tolist()))
    return pd.concat(notes, ignore_index=True)


def _has_swappable_days(form: RecordFormat) -> bool:
    return "%m" in form.layout.timestamp.format.replace("-", "") and "%d" in form.layout.timestamp.format.replace("-", "")


def _refuse_swapped_days(
    session: duckdb.DuckDBPyConnection, form: RecordFormat, lines: str, files: list[int]
) -> pd.DataFrame:
    """Mark the lines of files whose times only run on if day and month are swapped on every day up to the 12th."""
    session.execute(
        f"""
        CREATE OR REPLACE TEMP TABLE swapped AS
        SELECT rowid AS row, file, stamp, day(stamp) <= 12 AND day(stamp) <> month(stamp) AS may_be_swapped,
            CASE WHEN day(stamp) <= 12 THEN make_timestamp(year(stamp), day(stamp), month(stamp), hour(stamp), minute(stamp),
                second(stamp)) ELSE stamp END AS other
        FROM {lines} WHERE problem IS NULL AND list_contains($files, file)
        """,
        {"files": files},
    )
    judged = session.sql(
        f"""
        SELECT file FROM (
            SELECT file, count(*) FILTER (abs(step) > {LEAP_US}) AS leaps, count(*) FILTER (abs(other_step) > {LEAP_US}) AS other_leaps
            FROM (
                SELECT file, epoch_us(stamp) - lag(epoch_us(stamp)) OVER in_file AS step,
                    epoch_us(other) - lag(epoch_us(other)) OVER in_file AS other_step
                FROM swapped WINDOW in_file AS (PARTITION BY file ORDER BY row)
            )
            GROUP BY file
        )
        WHERE other_leaps <= leaps // 2 AND leaps - other_leaps >= 2
        """
    ).df()
    guilty = judged["file"].tolist()
    session.execute(
        f"""
        UPDATE {lines} SET problem = concat('the time ', strftime(swapped.stamp, '%Y-%m-%d %H:%M'),
            ' breaks the order of the records, and ', strftime(other, '%Y-%m-%d %H:%M'),
            ' would keep it: day and month look swapped, as a spreadsheet does; use the logger''s own file')
        FROM swapped WHERE {lines}.rowid = swapped.row AND may_be_swapped AND list_contains($files, swapped.file)
        """,
        {"files": guilty},
    )
    session.execute("DROP TABLE swapped")
    return pd.DataFrame(
        {
            "file": guilty,
            "note": ["day and month look swapped on the days up to the 12th; these lines are not used"] * len(guilty),
        }
    )


def _set_lengths(session: duckdb.DuckDBPyConnection, form: RecordFormat, lines: str, files: list[int]) -> pd.DataFrame:
    """Set `length_us` where the records' own steps say that the interval is not the layout's."""
    length = microseconds(form.layout.interval)
    # A stamp at the end closes the step behind it, a stamp at the start opens the one ahead.
    own, other = ("lag", "lead") if form.layout.timestamp.stamps == "end" else ("lead", "lag")
    step = "us - {}" if own == "lag" else "{} - us"
    session.execute(
        f"""
        CREATE OR REPLACE TEMP TABLE steps AS
        WITH ordered AS (
            SELECT rowid AS row, file, epoch_us(stamp) AS us FROM {lines} WHERE problem IS NULL AND list_contains($files, file)
        ),
        stepped AS (
            SELECT *, {step.format(f"{own}(us) OVER in_file")} AS own_step,
                {("{} - us" if own == "lag" else "us - {}").format(f"{other}(us) OVER in_file")} AS other_step
            FROM ordered WINDOW in_file AS (PARTITION BY file ORDER BY row)
        ),
        filled AS (SELECT row, file, coalesce(own_step, other_step) AS step, own_step IS NULL AS at_edge FROM stepped),
        marked AS (SELECT *, (step IS DISTINCT FROM lag(step) OVER in_file)::INTEGER AS changes
            FROM filled WINDOW in_file AS (PARTITION BY file ORDER BY row)),
        numbered AS (SELECT *, sum(changes) OVER (PARTITION BY file ORDER BY row ROWS UNBOUNDED PRECEDING) AS run FROM marked)
        SELECT row, file, step, at_edge, run, count(*) OVER (PARTITION BY file, run) AS steps,
            min(row) OVER (PARTITION BY file, run) AS begins
        FROM numbered
        """,
        {"files": files},
    )
    session.execute(
        f"""
        UPDATE {lines} SET length_us = step
        FROM steps WHERE {lines}.rowid = steps.row AND step <> {length} AND step > 0
            AND (steps >= {STEADY_STEPS} OR (step < {length} AND NOT at_edge))
        """
    )
    notes = session.sql(
        f"""
        SELECT steps.file, concat('from ', strftime(stamp, '%Y-%m-%d %H:%M'), ' on, ', count(*), ' readings come every ', step / 6e7,
            ' min; the layout says {length / 6e7:g} min; they are taken as intervals of ', step / 6e7, ' min') AS note
        FROM steps JOIN {lines} AS lines ON lines.rowid = steps.begins AND lines.file = steps.file
        WHERE step <> {length} AND step > 0 AND steps >= {STEADY_STEPS}
        GROUP BY steps.file, run, stamp, step ORDER BY steps.file, stamp
        """
    ).df()
    session.execute("DROP TABLE steps")
    return notes
