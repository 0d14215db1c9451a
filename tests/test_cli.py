"""Promises of the command line: what a person sees, which exit code comes back, and never a traceback for what a person can cause."""

from __future__ import annotations

import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

import pytest

from pipeline.cli import main
from pipeline.lake import Lake
from pipeline.orchestration import making, runs
from pipeline.orchestration.lock import hold_lake
from pipeline.orchestration.other_processes import OtherProcesses
from pipeline.orchestration.stages import Stages
from pipeline.tables import table
from tests.computed_lake import SITE, YEARS, Field, computed_field, copy_of, no_expectations, raw_field
from tests.plain_stages import plain_stages


@pytest.fixture(autouse=True)
def _plain_stages_on_a_wide_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Stages, "of_project", plain_stages())
    monkeypatch.setenv("COLUMNS", "200")


@pytest.fixture
def field(tmp_path: Path) -> Field:
    return copy_of(computed_field(), tmp_path / "field")


def _command(field: Field, name: str, *more: str) -> list[str]:
    return [name, "--site", str(field.folder), "--lake", str(field.root / "lake"), *more]


def _said(capsys: pytest.CaptureFixture[str]) -> tuple[str, str]:
    captured = capsys.readouterr()
    assert "Traceback" not in captured.out + captured.err
    return captured.out, captured.err


def test_run_shows_a_row_of_loads_for_every_plot_and_year(
    field: Field, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    no_expectations(monkeypatch)
    shutil.rmtree(field.lake.tables / "loads_annual")
    assert main(_command(field, "run")) == 0
    out, _ = _said(capsys)
    declared = table("loads_annual")
    annual = field.lake.frame(declared, SITE, YEARS)
    assert len(annual) == len(field.site.plots) * len(YEARS)
    lines = out.splitlines()
    for row in annual.itertuples():
        shown = f"{row.load_kg_ha:,.1f} [{row.load_kg_ha_p05:,.1f}, {row.load_kg_ha_p95:,.1f}]"
        assert any(str(row.water_year) in line and shown in line for line in lines), shown
    assert "partitions were computed" in out


def test_run_on_a_fresh_lake_says_so_and_needs_no_slow_library(field: Field) -> None:
    code = (
        "import sys\nfrom pipeline.cli import main\n"
        f"code = main({_command(field, 'run')!r})\n"
        "print([name for name in ('dagster', 'great_expectations', 'scipy') if name in sys.modules])\nsys.exit(code)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "partitions are fresh: nothing was computed" in done.stdout
    assert done.stdout.splitlines()[-1] == "[]"


def test_run_explains_negative_numbers_where_water_ran_back(field: Field, capsys: pytest.CaptureFixture[str]) -> None:
    hours = field.lake.frame(table("hourly_flow"), SITE, YEARS)
    backward = int(((hours["net_l"] < 0) & hours["basis"].str.startswith("measured")).sum())
    assert backward > 0
    main(_command(field, "run"))
    out, _ = _said(capsys)
    assert f"In {backward:,} metered plot-hours more water ran back than drained. Negative values are measurements" in out


def test_run_says_how_many_lines_could_not_be_used_and_where_they_stand(
    field: Field, capsys: pytest.CaptureFixture[str]
) -> None:
    rejected = field.lake.frame(table("rejected_lines"), SITE)
    assert len(rejected) > 0
    main(_command(field, "run"))
    out, _ = _said(capsys)
    assert f"{len(rejected):,} lines of logger and weather files in {rejected['path'].nunique()} files" in out
    assert str(field.lake.path(table("rejected_lines"), SITE)) in out


def _fail_a_check(field: Field) -> None:
    """Put another number into a stored table, as a fault of a stage would."""
    declared = table("hourly_flow")
    year = YEARS[-1]
    frame = field.lake.frame(declared, SITE, [year])
    frame.loc[0, "measured_fraction"] = 1.5
    made_from = field.lake.made_from(declared, SITE, year)
    assert made_from is not None
    field.lake.write_frame(declared, frame, made_from, SITE, year)
    shutil.rmtree(field.lake.tables / "loads_annual")


def test_a_failed_check_ends_a_run_with_code_1_and_is_told(field: Field, capsys: pytest.CaptureFixture[str]) -> None:
    _fail_a_check(field)
    assert main(_command(field, "run")) == 1
    _, err = _said(capsys)
    assert f"hourly_flow, {YEARS[-1]}: measured_fraction is from 0 to 1 (1 of " in err
    assert not field.lake.path(table("loads_annual"), SITE, YEARS[-1]).exists()


def test_status_shows_what_is_failing_and_what_that_blocks(field: Field, capsys: pytest.CaptureFixture[str]) -> None:
    _fail_a_check(field)
    main(_command(field, "run"))
    _said(capsys)
    assert main(_command(field, "status")) == 1
    out, _ = _said(capsys)
    rows = {line.split()[0]: line.split()[1:] for line in out.splitlines() if line.strip()}
    assert rows["hourly_flow"][-1] == "failing"
    assert rows["loads_annual"][-1] == "blocked"
    assert "measured_fraction is from 0 to 1" in out
    assert "blocked: not computed, because" in out


def test_status_of_an_empty_lake_says_that_everything_is_missing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    field = copy_of(raw_field(), tmp_path / "field")
    assert main(_command(field, "status")) == 0
    out, _ = _said(capsys)
    assert "missing: not computed yet" in out
    assert "fresh" not in out.replace("what is not fresh", "")
    assert not field.lake.tables.exists()


def test_status_shows_the_share_of_days_on_record_by_plot_and_month(
    field: Field, capsys: pytest.CaptureFixture[str]
) -> None:
    main(_command(field, "status"))
    out, _ = _said(capsys)
    hours = field.lake.frame(table("hourly_flow"), SITE, [YEARS[0]])
    local = hours["hour_start"] + field.site.utc_offset
    plot = field.site.plots[0].plot
    october = hours[(hours["plot"] == plot) & (local.dt.month == 10)]["measured_fraction"].mean()
    calendar = out[out.index("days on record") :].splitlines()
    row = next(line.split() for line in calendar if line.split()[:2] == [plot, str(YEARS[0])])
    assert abs(float(row[2]) - 100 * october) <= 1.0
    assert len(row) == 2 + 12 + 1


def test_status_writes_nothing(field: Field) -> None:
    before = {path: path.stat().st_mtime_ns for path in field.root.rglob("*")}
    main(_command(field, "status"))
    assert before == {path: path.stat().st_mtime_ns for path in field.root.rglob("*")}


# What a person can get wrong


def test_a_lake_that_does_not_exist_is_told_in_a_sentence(field: Field, capsys: pytest.CaptureFixture[str]) -> None:
    nowhere = field.root / "nowhere"
    assert main(["run", "--site", str(field.folder), "--lake", str(nowhere)]) == 1
    _, err = _said(capsys)
    assert err.startswith(f"{nowhere} is no folder. A lake is one folder with raw/<site>/logger/")


def test_a_lake_without_raw_files_of_the_site_is_told_in_a_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    field = copy_of(raw_field(), tmp_path / "field")
    shutil.rmtree(field.lake.raw(SITE) / "logger")
    shutil.rmtree(field.lake.raw(SITE) / "weather")
    assert main(_command(field, "run")) == 1
    _, err = _said(capsys)
    assert "holds no file that matches a pattern under `loggers`" in err
    assert "logger/east_" in err


def test_a_broken_site_folder_is_told_with_every_mistake_and_nothing_runs(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    field = copy_of(raw_field(), tmp_path / "field")
    for register, old, new in (("plots.csv", "area_ha\n", "area\n"), ("meters.csv", "P1,75", "P9,75")):
        field.edit(register, old, new)
    assert main(_command(field, "run")) == 1
    _, err = _said(capsys)
    assert "plots.csv" in err
    assert "meters.csv" in err
    assert "Nothing was done." in err
    assert not field.lake.tables.exists()


def test_two_folders_that_name_one_site_are_told_in_a_sentence(field: Field, capsys: pytest.CaptureFixture[str]) -> None:
    other = field.root / "configs" / "other"
    shutil.copytree(field.folder, other)
    assert main([*_command(field, "status"), "--site", str(other)]) == 1
    _, err = _said(capsys)
    assert f"names its site {SITE}, as" in err


def test_a_lake_in_use_is_told_with_its_holder(field: Field, capsys: pytest.CaptureFixture[str]) -> None:
    with hold_lake(field.lake.root, "another run"):
        assert main(_command(field, "run")) == 1
    _, err = _said(capsys)
    assert "is in use by another run (process " in err


@pytest.mark.skipif(os.geteuid() == 0, reason="the superuser may write anywhere")
def test_a_lake_that_cannot_be_written_is_told_in_a_sentence(field: Field, capsys: pytest.CaptureFixture[str]) -> None:
    shutil.rmtree(field.lake.tables / "events")
    field.lake.tables.chmod(0o500)
    try:
        assert main(_command(field, "run")) == 1
    finally:
        field.lake.tables.chmod(0o700)
    _, err = _said(capsys)
    assert "could not be written" in err


def test_a_folder_in_the_place_of_the_lock_is_told_in_a_sentence(
    field: Field, capsys: pytest.CaptureFixture[str]
) -> None:
    (field.lake.root / ".lock").unlink(missing_ok=True)
    (field.lake.root / ".lock").mkdir()
    assert main(_command(field, "run")) == 1
    _, err = _said(capsys)
    assert str(field.lake.root / ".lock") in err


def test_records_of_dagster_that_cannot_be_read_are_told_in_a_sentence(
    field: Field, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.rmtree(field.lake.tables / "loads_annual")
    for path in (field.lake.root / ".dagster").rglob("*.db"):
        path.write_bytes(b"no database" * 100)
    assert main(_command(field, "run")) == 1
    _, err = _said(capsys)
    assert f"Dagster's records in {(field.lake.root / '.dagster').resolve()} cannot be read or written" in err
    assert "may be removed" in err


def test_an_interrupted_run_says_so_and_the_next_run_goes_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    no_expectations(monkeypatch)
    field = copy_of(raw_field(years=1), tmp_path / "field")
    code = (
        "import os, signal, sys\nfrom pipeline.orchestration.stages import Stages\nfrom pipeline.cli import main\n"
        "from tests.plain_stages import fill_hours, plain_stages\n"
        "import pytest\nfrom tests.computed_lake import no_expectations\nno_expectations(pytest.MonkeyPatch())\n"
        "Stages.of_project = plain_stages(fill_hours=lambda *given: [os.kill(os.getpid(), signal.SIGINT), fill_hours(*given)][1])\n"
        f"sys.exit(main({_command(field, 'run')!r}))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 130
    assert done.stderr.startswith("Stopped. What was computed stays")
    assert main(_command(field, "run")) == 0


def test_a_damaged_table_is_made_again_without_a_word_of_python(field: Field, capsys: pytest.CaptureFixture[str]) -> None:
    for name in ("loads_annual", "source_files"):
        for path in (field.lake.tables / name).rglob("*.parquet"):
            path.write_bytes(b"not Parquet")
    assert main(_command(field, "run")) == 0
    _said(capsys)
    assert field.digests() == computed_field().digests()


@pytest.mark.parametrize(
    "arguments", [[], ["walk"], ["run", "--speed", "9"], ["serve", "--port", "70000"], ["check-site"]]
)
def test_a_wrong_command_ends_with_code_2(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(arguments)
    assert ended.value.code == 2
    _, err = _said(capsys)
    assert "usage: drainledger" in err


@pytest.mark.parametrize("number", ["0", "-1", "1.5", "two", "65"])
def test_a_number_of_processes_that_cannot_be_is_told_with_what_can(
    number: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["run", f"--processes={number}"])
    assert ended.value.code == 2
    assert f"{number} is no number of processes: give a whole number from 1 to 64" in _said(capsys)[1]


@pytest.mark.parametrize(
    ("arguments", "started"),
    [((), 1), (("--processes", "1"), 0), (("--processes", "3"), 2), (("--processes", "9"), len(YEARS) - 1)],
)
def test_as_many_processes_work_on_years_as_a_person_asks_for_and_there_are_years(
    field: Field, arguments: tuple[str, ...], started: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[int] = []
    monkeypatch.setattr(os, "cpu_count", lambda: 2)
    monkeypatch.setattr(OtherProcesses, "start", lambda self, modules: asked.append(len(modules)))
    monkeypatch.setattr(making, "WORTH_A_PROCESS", 1)
    monkeypatch.setattr(runs, "_bring_site_up_to_date", lambda *_: None)
    for year in YEARS:
        field.lake.path(table("hourly_flow"), SITE, year).unlink()
    main(_command(field, "run", *arguments))
    assert asked == ([started] if started else [])


@pytest.mark.parametrize("command", ["run", "status", "serve", "check-site"])
def test_help_teaches_with_an_example(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main([command, "--help"])
    assert ended.value.code == 0
    out, _ = _said(capsys)
    assert f"example:\n  drainledger {command} " in out


# check-site


def test_check_site_says_that_nothing_is_wrong_with_a_sound_folder(
    field: Field, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["check-site", str(field.folder)]) == 0
    out, _ = _said(capsys)
    assert "nothing is wrong" in out
    assert f"{len(field.site.plots)} plots" in out


def test_check_site_says_every_mistake_with_file_and_line(field: Field, capsys: pytest.CaptureFixture[str]) -> None:
    field.edit("meters.csv", "P1,75", "P9,75")
    field.edit("site.yaml", "policies: {}", "policies: {event_separation_hour: 12}")
    assert main(["check-site", str(field.folder)]) == 1
    _, err = _said(capsys)
    assert "meters.csv" in err
    assert "event_separation_hour" in err
    assert "to mend in" in err


def test_check_site_of_no_folder_is_told_in_a_sentence(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check-site", str(tmp_path / "nowhere")]) == 1
    _, err = _said(capsys)
    assert "nowhere" in err


# serve


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def test_a_port_in_use_is_told_in_a_sentence(field: Field, capsys: pytest.CaptureFixture[str]) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        assert main(_command(field, "serve", "--port", str(port))) == 1
    _, err = _said(capsys)
    assert f"Port {port} of 127.0.0.1 cannot be used" in err


def test_serve_shows_the_graph_on_the_loopback_address_and_ends_when_asked(field: Field) -> None:
    port = _free_port()
    command = [sys.executable, "-m", "pipeline.cli", *_command(field, "serve", "--port", str(port))]
    question = {"query": "{ assetNodes { assetKey { path } } instance { info } }"}
    request = urllib.request.Request(
        f"http://127.0.0.1:{port}/graphql", json.dumps(question).encode(), {"Content-Type": "application/json"}
    )
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True) as page:
        try:
            answer = _ask_until_it_answers(request, page)
        finally:
            # Unlike Ctrl+C, this is heard also where the tests themselves run in the background.
            page.terminate()
            try:
                code = page.wait(timeout=60)
            except subprocess.TimeoutExpired:
                os.killpg(page.pid, signal.SIGKILL)
                raise
    names = {node["assetKey"]["path"][-1] for node in answer["data"]["assetNodes"]}
    assert {"pulse_counts", "hourly_flow", "loads_annual", "checks"} <= names
    assert code == 0


def _ask_until_it_answers(request: urllib.request.Request, page: subprocess.Popen[bytes]) -> dict:
    patience = time.monotonic() + 120
    while time.monotonic() < patience and page.poll() is None:
        try:
            with urllib.request.urlopen(request, timeout=30) as response:
                answer = json.load(response)
                if answer["data"]["assetNodes"]:
                    return answer
        except OSError:
            pass
        time.sleep(0.5)
    raise AssertionError("the page did not answer")


def test_a_killed_run_leaves_a_lake_that_the_next_run_completes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    no_expectations(monkeypatch)
    field = copy_of(raw_field(years=1), tmp_path / "field")
    code = (
        "import os\nfrom pipeline.orchestration.stages import Stages\nfrom pipeline.cli import main\n"
        "from tests.plain_stages import fill_hours, plain_stages\n"
        "import pytest\nfrom tests.computed_lake import no_expectations\nno_expectations(pytest.MonkeyPatch())\n"
        "Stages.of_project = plain_stages(fill_hours=lambda *given: os.kill(os.getpid(), 9))\n"
        f"main({_command(field, 'run')!r})"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, check=False)
    assert done.returncode == -9
    assert Lake(field.lake.root).years(table("interval_flow"), SITE) == list(YEARS[:1])
    assert main(_command(field, "run")) == 0
    assert field.digests(checks=False) == computed_field(years=1).digests(checks=False)
