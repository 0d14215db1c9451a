"""A run that dies, a disk that fills up and a permission that lacks lose nothing, and are told in sentences."""

from __future__ import annotations

import errno
import gc
import json
import os
import resource
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import duckdb
import pandas as pd
import pytest
from dagster import DagsterInstance, DagsterRunStatus

from pipeline.cli import main
from pipeline.lake import Lake, LakeError, is_full, open_session, replace_text, trouble
from pipeline.orchestration import instance as records
from pipeline.orchestration.assets import _sentence
from pipeline.orchestration.lock import LOCK_FILE, LakeBusyError, hold_lake
from pipeline.orchestration.workbench import Workbench
from pipeline.tables import table
from tests.two_weeks import write_two_weeks

HOURS = table("known_totals")
ROOT = Path(__file__).parents[1]


def rows(count: int) -> pd.DataFrame:
    start = pd.date_range("2020-01-01", periods=count, freq="h", tz="UTC").as_unit("us")
    return pd.DataFrame(
        {"plot": "P1", "start": start, "end": start, "net_l": pd.Series(range(count), dtype=float) ** 0.5}
    )


def hidden(folder: Path) -> list[Path]:
    return [path for path in folder.rglob(".*") if path.is_file()]


def test_tables_of_a_killed_writer_are_whole_and_of_the_version_that_they_name(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "tests.killed_writes", str(tmp_path), "12"]
    done = subprocess.run(command, capture_output=True, text=True, check=True, cwd=ROOT)
    account = json.loads(done.stdout)
    assert account["faults"] == []
    assert account["litter"] == 0
    # Few kills hit a file that is half written; tests/bench/kills.py makes hundreds. But each writer had got on.
    assert len(set(account["versions"])) == 12


def test_the_next_run_clears_what_a_killed_one_was_writing_and_nothing_else(tmp_path: Path) -> None:
    lake = Lake(tmp_path)
    kept = lake.write_frame(HOURS, rows(3), "a", "small", 2020)
    unfinished = kept.with_name(f".{kept.name}.{'0f' * 16}")
    note = kept.with_name(".note")
    unfinished.write_bytes(b"half a file")
    note.write_text("someone's own")
    lake.work.mkdir()
    (lake.work / "spilled").write_bytes(b"0")
    with Workbench(lake, {}).hold("the next run"):
        assert not unfinished.exists()
        assert not lake.work.exists()
    assert note.exists()
    assert lake.made_from(HOURS, "small", 2020) == "a"


def test_work_of_a_run_lies_in_its_lake_and_is_gone_with_it(tmp_path: Path) -> None:
    bench = Workbench(Lake(tmp_path), {})
    with bench.hold("a run"):
        assert bench.folder == (tmp_path / ".work").resolve()
        assert bench.folder.is_dir()
    assert not (tmp_path / ".work").exists()


def write_frame(lake: Lake, count: int) -> Path:
    return lake.write_frame(HOURS, rows(count), "new", "small", 2020)


def write_relation(lake: Lake, count: int) -> Path:
    with open_session(threads=1) as session:
        return lake.write_relation(HOURS, session.from_df(rows(count)), "new", "small", 2020)


def write_text(lake: Lake, count: int) -> Path:
    return replace_text(lake.path(HOURS, "small", 2020), "x" * 8 * count)


@pytest.mark.parametrize("write", [write_frame, write_relation, write_text])
def test_a_file_that_finds_no_room_leaves_the_former_one_no_litter_and_a_sentence(
    tmp_path: Path, write: Callable[[Lake, int], Path]
) -> None:
    """The system's own limit of file size stands for a disk that is full."""
    lake = Lake(tmp_path)
    path = lake.write_frame(HOURS, rows(3), "former", "small", 2020)
    before, limits = path.read_bytes(), resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, limits[1]))
    try:
        with pytest.raises(LakeError) as refused:
            write(lake, 50_000)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
    assert path.read_bytes() == before
    assert hidden(tmp_path) == []
    told = str(refused.value)
    assert told.startswith(f"{path} could not be written: no file may grow so large here.")
    assert "The former file, if there was one, stands as it was. Raise the limit of file size" in told


def full_sqlite(folder: Path) -> Exception:
    """What SQLite says of a disk without room."""
    with sqlite3.connect(folder / "small.db") as database:
        database.execute("PRAGMA max_page_count = 2")
        with pytest.raises(sqlite3.Error) as refused:
            database.executescript("CREATE TABLE a (b); INSERT INTO a VALUES (zeroblob(100000))")
    return refused.value


def read_only_sqlite(folder: Path) -> Exception:
    sqlite3.connect(folder / "small.db").executescript("CREATE TABLE a (b)")
    database = sqlite3.connect(f"file:{folder / 'small.db'}?mode=ro", uri=True)
    with pytest.raises(sqlite3.Error) as refused:
        database.execute("INSERT INTO a VALUES (1)")
    return refused.value


def full_duckdb(folder: Path) -> Exception:
    """What DuckDB says where its work finds no room."""
    with open_session(folder / "work", "30MB", 1) as session:
        session.execute("SET max_temp_directory_size = '1MB'")
        with pytest.raises(duckdb.Error) as refused:
            session.execute(
                "CREATE TABLE t AS SELECT hash(i) AS a, hash(i + 1) AS b FROM range(3000000) AS r(i) ORDER BY a"
            ).fetchall()
    return refused.value


def full_device(folder: Path) -> Exception:
    with pytest.raises(OSError, match="No space") as refused, open("/dev/full", "wb", buffering=0) as stream:
        stream.write(b"0")
    return refused.value


@pytest.mark.parametrize("meet", [full_sqlite, full_duckdb, full_device])
def test_whoever_meets_a_full_disk_it_is_told_as_one_with_the_room_that_is_left(
    tmp_path: Path, meet: Callable[[Path], Exception]
) -> None:
    error = meet(tmp_path)
    assert is_full(error)
    told = trouble(error, tmp_path)
    assert told is not None
    assert told.startswith(f"{tmp_path}: the disk is full (")
    assert told.endswith(" MB are free). Make room on it, then run again.")


def test_a_database_that_may_not_be_written_is_told_as_a_lack_of_permission(tmp_path: Path) -> None:
    told = trouble(read_only_sqlite(tmp_path), tmp_path)
    assert (
        told
        == f"{tmp_path}: this account lacks the permission. Give it the permission to read and write there, then run again."
    )


@pytest.mark.parametrize("number", [errno.EROFS, errno.EACCES, errno.EIO, errno.EDQUOT, errno.ENOSPC])
def test_an_error_of_the_disk_is_told_by_its_words_where_it_has_no_number(number: int) -> None:
    words = os.strerror(number)
    by_number = trouble(OSError(number, words, "/lake/part.parquet"))
    by_words = trouble(duckdb.IOException(f'IO Error: Cannot open file "/lake/part.parquet": {words}'))
    assert by_number == by_words
    assert by_number is not None
    assert by_number.startswith("/lake/part.parquet: ")


def test_an_error_that_is_none_of_the_disk_is_not_told_as_one() -> None:
    assert trouble(ValueError("7 is no plot")) is None


def test_a_computation_that_finds_no_room_is_not_called_a_fault_of_the_program(tmp_path: Path) -> None:
    bench = Workbench(Lake(tmp_path), {})
    told = _sentence(full_duckdb(tmp_path), bench)
    assert f"{tmp_path / '.work'}: the disk is full (" in told
    assert "What was stored before stands as it was." in told
    assert "fault of the program" in _sentence(ValueError("7"), bench)


def test_words_of_a_run_that_is_gone_are_not_told_as_those_of_the_holder(tmp_path: Path) -> None:
    gone = subprocess.Popen([sys.executable, "-c", ""])
    gone.wait()
    with hold_lake(tmp_path, "the run that holds it"):
        lock = tmp_path / LOCK_FILE
        lock.write_text(lock.read_text().replace(str(os.getpid()), str(gone.pid)))
        with pytest.raises(LakeBusyError) as refused, hold_lake(tmp_path, "another"):
            pass
    assert str(gone.pid) not in str(refused.value)
    assert "another run, which has only just begun" in str(refused.value)


def test_a_second_run_that_may_wait_takes_the_lake_when_the_first_ends(tmp_path: Path) -> None:
    code = (
        "import sys, time\nfrom pathlib import Path\nfrom pipeline.orchestration.lock import hold_lake\n"
        f"with hold_lake(Path({str(tmp_path)!r}), 'the first'):\n    print('held', flush=True)\n    time.sleep(0.5)\n"
    )
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, cwd=ROOT) as first:
        assert first.stdout is not None
        assert first.stdout.readline() == b"held\n"
        with pytest.raises(LakeBusyError, match="the first"), hold_lake(tmp_path, "too early"):
            pass
        with hold_lake(tmp_path, "the second", wait_seconds=30):
            assert json.loads((tmp_path / LOCK_FILE).read_text())["purpose"] == "the second"
    assert first.returncode == 0


def test_a_run_whose_process_is_gone_is_closed_in_the_records_and_one_that_lives_is_not(tmp_path: Path) -> None:
    gone = subprocess.Popen([sys.executable, "-c", ""])
    gone.wait()
    with DagsterInstance.local_temp(str(tmp_path)) as instance:
        runs = {}
        for name, process in (("gone", gone.pid), ("here", os.getpid())):
            tag = {
                records.PROCESS_TAG: records.process_tag()[records.PROCESS_TAG].replace(str(os.getpid()), str(process))
            }
            runs[name] = instance.create_run(
                job_name="tables", run_id=None, run_config={}, status=DagsterRunStatus.STARTED, tags=tag,
                step_keys_to_execute=None, execution_plan_snapshot=None, job_snapshot=None, parent_job_snapshot=None,
                root_run_id=None, parent_run_id=None, remote_job_origin=None, job_code_origin=None, asset_selection=None,
                asset_check_selection=None, resolved_op_selection=None, op_selection=None, asset_graph=None,
            ).run_id  # fmt: skip
        records._close_dead_runs(instance)
        status = {name: instance.get_run_by_id(run).status for name, run in runs.items()}  # type: ignore[union-attr]
    assert status == {"gone": DagsterRunStatus.FAILURE, "here": DagsterRunStatus.STARTED}


@pytest.mark.skipif(os.geteuid() == 0, reason="an administrator lacks no permission")
def test_a_lake_without_permission_is_told_before_anything_is_done(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write_two_weeks(tmp_path)
    lake = tmp_path / "lake"
    lake.chmod(0o500)
    try:
        assert main(["run", "--lake", str(lake), "--site", str(tmp_path / "configs" / "small")]) == 1
    finally:
        lake.chmod(0o700)
    told = capsys.readouterr().err
    assert f"{lake / LOCK_FILE}: this account lacks the permission." in told
    assert sorted(path.name for path in lake.iterdir()) == ["raw"]


def test_a_damaged_table_is_told_by_name_and_with_what_to_do(tmp_path: Path) -> None:
    lake = Lake(tmp_path)
    path = lake.write_frame(HOURS, rows(30_000), "a", "small", 2020)
    data = bytearray(path.read_bytes())
    data[100:5000] = bytes(4900)
    path.write_bytes(data)
    with pytest.raises(LakeError) as refused:
        lake.frame(HOURS, "small", [2020])
    assert str(refused.value).startswith(f"{path} cannot be read: it is damaged")
    assert "`drainledger run` makes it anew" in str(refused.value)


def test_a_workbench_that_nobody_closes_takes_its_folder_with_it(tmp_path: Path) -> None:
    bench = Workbench(Lake(tmp_path), {})
    folder = bench.folder
    assert folder.is_dir()
    del bench
    gc.collect()
    assert not folder.exists()
