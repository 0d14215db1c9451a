"""The DuckDB session in which the heavy row work happens.

Belongs here: one function that opens a session with bounded memory, UTC clock and no reach to the network.
Does not: any query about drainage (stages/).
"""

from __future__ import annotations

import os
from pathlib import Path

import duckdb


def open_session(
    spill_folder: Path | None = None, memory_limit: str = "500MB", threads: int | None = None
) -> duckdb.DuckDBPyConnection:
    """A private in-memory session.

    Args:
        spill_folder: where work larger than `memory_limit` goes; none: the session may not spill.
        memory_limit: most memory that DuckDB takes, such as '1GB'.
        threads: worker threads; none: one per processor.

    Returns:
        A connection whose TIMESTAMPTZ values read as UTC, that keeps the order of rows, and that neither fetches nor
        loads extensions.
    """
    settings: dict[str, str | bool | int | float | list[str]] = {
        "memory_limit": memory_limit,
        "threads": threads or os.cpu_count() or 1,
        "autoinstall_known_extensions": "false",
        "autoload_known_extensions": "false",
        "preserve_insertion_order": "true",
    }
    if spill_folder is not None:
        settings["temp_directory"] = str(spill_folder)
    session = duckdb.connect(":memory:", config=settings)
    session.execute("SET TimeZone = 'UTC'")
    session.execute("SET enable_progress_bar = false")
    return session
