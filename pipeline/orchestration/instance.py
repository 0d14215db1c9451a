"""Dagster's own records of a lake: which folder, and its settings.

Belongs here: the folder `.dagster` of the lake and the settings file in it.
Does not: what is run (runs.py). Nothing that the tables need lies here: it may be removed at any time.
"""

from __future__ import annotations

from pathlib import Path

LAKE_VARIABLE = "DRAINLEDGER_LAKE"
SITES_VARIABLE = "DRAINLEDGER_SITES"
WATCH_VARIABLE = "DRAINLEDGER_WATCH"
"""Environment variables by which a process that Dagster starts learns its lake, its site folders, and whether to watch from the start."""
FOLDER = ".dagster"
SETTINGS = """\
# Dagster's settings for a lake. Nothing is reported to anyone; one run at a time, since a lake takes one.
telemetry:
  enabled: false
nux:
  enabled: false
concurrency:
  runs:
    max_concurrent_runs: 1
compute_logs:
  module: dagster._core.storage.noop_compute_log_manager
  class: NoOpComputeLogManager
"""


def instance_folder(lake_root: Path) -> Path:
    """The folder of Dagster's records, with its settings file; made where it is absent.

    Raises:
        OSError: it cannot be made.
    """
    folder = (lake_root / FOLDER).resolve()
    folder.mkdir(parents=True, exist_ok=True)
    settings = folder / "dagster.yaml"
    if not settings.exists() or settings.read_text() != SETTINGS:
        settings.write_text(SETTINGS)
    return folder
