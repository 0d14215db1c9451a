"""Dagster's own records of a lake: which folder, and its settings.

Belongs here: the folder `.dagster` of the lake, the settings file in it, opening it, runs in it whose process is gone.
Does not: what is run (runs.py). Nothing that the tables need lies here: it may be removed at any time.
"""

from __future__ import annotations

import os
import platform
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.lake import LakeError, free_room, reason, replace_text
from pipeline.orchestration.lock import is_alive

if TYPE_CHECKING:
    from dagster import DagsterInstance

LAKE_VARIABLE = "DRAINLEDGER_LAKE"
SITES_VARIABLE = "DRAINLEDGER_SITES"
WATCH_VARIABLE = "DRAINLEDGER_WATCH"
"""Environment variables by which a process that Dagster starts learns its lake, its site folders, and whether to watch from the start."""
FOLDER = ".dagster"
EVENTS = "history/runs"
"""In it, where Dagster keeps the files of its event log."""
PROCESS_TAG = "drainledger/process"
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
        LakeError: it cannot be made.
    """
    folder = (lake_root / FOLDER).resolve()
    settings = folder / "dagster.yaml"
    try:
        if not settings.exists() or settings.read_text() != SETTINGS:
            replace_text(settings, SETTINGS)
    except OSError as error:
        raise unusable_records(folder, error) from error
    return folder


def process_tag() -> dict[str, str]:
    """The tag by which a run says which process it is."""
    return {PROCESS_TAG: f"{os.getpid()} {platform.node()}"}


@contextmanager
def open_records(lake_root: Path) -> Iterator[DagsterInstance]:
    """Dagster's records of a lake, with runs closed whose process is gone.

    They are the files that Dagster's own processes read and write with this folder as theirs; only the log of events is another class.

    Raises:
        LakeError: they cannot be read or written.
    """
    from dagster import DagsterInstance
    from dagster._core.instance import InstanceRef

    folder = instance_folder(lake_root)
    kept = {
        "module": "pipeline.orchestration.event_log",
        "class": "KeptEventLog",
        "config": {"base_dir": str(folder / EVENTS)},
    }
    try:
        instance = DagsterInstance.from_ref(InstanceRef.from_dir(str(folder), overrides={"event_log_storage": kept}))
        _close_dead_runs(instance)
    except Exception as error:
        raise unusable_records(folder, error) from error
    with instance:
        yield instance


def unusable_records(folder: Path, error: Exception) -> LakeError:
    """What to tell a person of an error that came of Dagster's own work."""
    known = reason(error, folder)
    what, advice = known or (
        str(error).strip().partition("\n")[0],
        f"Check free space ({free_room(folder)}) and permissions.",
    )
    return LakeError(
        f"Dagster's records in {folder} cannot be read or written: {what}. {advice} The folder may be removed: no table needs it."
    )


def _close_dead_runs(instance: DagsterInstance) -> None:
    """Close the records of runs whose process is gone: one that was killed stays under way in Dagster's eyes, and its page starts no
    other while one is."""
    from dagster import RunsFilter
    from dagster._core.storage.dagster_run import IN_PROGRESS_RUN_STATUSES

    for run in instance.get_runs(RunsFilter(statuses=IN_PROGRESS_RUN_STATUSES)):
        process, _, machine = run.tags.get(PROCESS_TAG, "").partition(" ")
        if process and machine == platform.node() and not is_alive(int(process)):
            instance.report_run_failed(
                run, f"Its process {process} is gone. What it had computed stays; the next run goes on from there."
            )
