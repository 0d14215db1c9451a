"""Promises of the event log that stays connected: Dagster's own processes find in it what was written, and the other way round."""

from __future__ import annotations

from pathlib import Path

from dagster import AssetKey, AssetMaterialization, DagsterInstance, job, op

from pipeline.orchestration.event_log import KeptEventLog
from pipeline.orchestration.instance import instance_folder, open_records


@op
def nothing() -> None:
    """A step."""


@job
def idle() -> None:
    """A run of one step."""
    nothing()


def _rows(instance: DagsterInstance, name: str) -> object:
    event = instance.get_latest_materialization_event(AssetKey(name))
    assert event is not None
    assert event.asset_materialization is not None
    return event.asset_materialization.metadata["rows"].value


def _told(instance: DagsterInstance, name: str, rows: int) -> None:
    instance.report_runless_asset_event(AssetMaterialization(name, metadata={"rows": rows}))


def test_what_either_writes_the_other_reads_while_both_are_open(tmp_path: Path) -> None:
    with open_records(tmp_path) as kept, DagsterInstance.from_config(str(instance_folder(tmp_path))) as own:
        assert isinstance(kept.event_log_storage, KeptEventLog)
        assert not isinstance(own.event_log_storage, KeptEventLog)
        _told(kept, "loads", 3)
        assert _rows(own, "loads") == 3
        _told(own, "loads", 4)
        assert _rows(kept, "loads") == 4


def test_events_of_every_run_stay_though_connections_do_not(tmp_path: Path) -> None:
    with open_records(tmp_path) as kept:
        runs = [idle.execute_in_process(instance=kept).run_id for _ in range(3)]
        assert len(kept.event_log_storage._engines) == 2  # type: ignore[attr-defined]
        told = [len(kept.all_logs(run)) for run in runs]
    assert min(told) > 3
    with DagsterInstance.from_config(str(instance_folder(tmp_path))) as own:
        assert [len(own.all_logs(run)) for run in runs] == told


def test_emptied_records_can_be_written_again(tmp_path: Path) -> None:
    with open_records(tmp_path) as kept:
        run = idle.execute_in_process(instance=kept).run_id
        kept.wipe()
        assert kept.all_logs(run) == []
        again = idle.execute_in_process(instance=kept).run_id
        assert len(kept.all_logs(again)) > 3
