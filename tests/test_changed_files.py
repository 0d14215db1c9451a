"""Promises about raw files that were read before: new ones are picked up, changed and vanished ones are held until the person decides."""

from __future__ import annotations

import gzip
import re
import shutil
from collections.abc import Collection
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from dagster import MultiPartitionKey, build_sensor_context, instance_for_test

from pipeline.cli import main
from pipeline.lake.fingerprint import file_digest
from pipeline.orchestration import runs
from pipeline.orchestration import stages as stages_module
from pipeline.orchestration.build import build_definitions
from pipeline.orchestration.checks import check
from pipeline.orchestration.computations import computation_of
from pipeline.orchestration.freshness import Freshness, PartitionState
from pipeline.orchestration.making import make_partition
from pipeline.orchestration.raw_files import RAW_TEXT_TABLES, HeldFileError, RawFiles
from pipeline.tables import table
from tests.computed_lake import SITE, YEARS, Field, computed, computed_field, copy_of, no_expectations, raw_field

_, MIDDLE, LAST = YEARS
ACCOUNT = computation_of("source_files")
PULSES = computation_of("pulse_counts")


@pytest.fixture(autouse=True)
def _checks_pass_unasked(monkeypatch: pytest.MonkeyPatch) -> None:
    no_expectations(monkeypatch)


@pytest.fixture
def field(tmp_path: Path) -> Field:
    """A computed lake that the test may change."""
    return copy_of(computed_field(), tmp_path / "field")


def _raw(field: Field) -> RawFiles:
    return RawFiles(field.lake, field.site)


def _states(field: Field) -> dict[tuple[str, int | None], str]:
    return {(one.table, one.year): one.state for one in Freshness(field.lake, field.site, _raw(field)).all()}


def _logger_row(field: Field, year: int) -> Any:
    """The account's row of a logger file of which no other year is made: in mid-year, and not downloaded twice."""
    start, end = field.site.water_year_period(year)
    rows = field.lake.frame(table("source_files"), SITE)
    rows = rows[(rows["logger"] == "east") & (rows["first_time"] > start) & (rows["last_time"] < end)]
    rows = rows[~rows["file_id"].duplicated(keep=False)].sort_values("first_time")
    return rows.iloc[len(rows) // 2]


def _shorten(path: Path) -> None:
    """Take a reading out of the middle of a file, as a person with an editor would."""
    text = gzip.decompress(path.read_bytes()) if path.suffix == ".gz" else path.read_bytes()
    lines = text.splitlines(keepends=True)
    del lines[len(lines) // 2]
    changed = b"".join(lines)
    path.write_bytes(gzip.compress(changed, mtime=0) if path.suffix == ".gz" else changed)


def _stale(states: dict[tuple[str, int | None], str]) -> set[tuple[str, int | None]]:
    return {place for place, state in states.items() if state not in ("fresh", "unchecked")}


def _add_to(field: Field, path: str, name: str) -> str:
    """A new file with the readings of another: the same bytes and a blank line, as an editor leaves it."""
    source = field.lake.raw(SITE) / path
    text = gzip.decompress(source.read_bytes()) if source.suffix == ".gz" else source.read_bytes()
    new = source.with_name(name)
    new.write_bytes(text + b"\n")
    return new.relative_to(field.lake.raw(SITE)).as_posix()


def _read_account(field: Field, accepted: Collection[str] = ()) -> pd.DataFrame:
    """Read the raw files that may be read; gives the account of all files by path."""
    bench = field.bench()
    bench.accepted = {SITE: accepted}
    with bench.hold("a test"):
        make_partition(bench, ACCOUNT, field.site, None)
    return field.lake.frame(table("source_files"), SITE).set_index("path")


def _lines_of(field: Field, name: str, path: str) -> list[tuple[Any, ...]]:
    rows = field.lake.frame(table(name), SITE)
    return list(rows[rows["path"] == path].itertuples(index=False, name=None))


@pytest.fixture
def held(field: Field) -> Any:
    """The account's row of a file of the middle year that has lost a line since it was read."""
    row = _logger_row(field, MIDDLE)
    _shorten(field.lake.raw(SITE) / row["path"])
    return row


# New


def test_a_new_file_is_picked_up_and_makes_stale_the_years_that_it_touches_alone(field: Field) -> None:
    new = _add_to(field, _logger_row(field, LAST)["path"], "east_new.csv")
    assert _states(field)["source_files", None] == "stale"
    account = _read_account(field)
    assert new in account.index
    assert {year for name, year in _stale(_states(field)) if name == "pulse_counts"} == {LAST}


# Changed in place


def test_a_changed_file_is_held_and_no_table_changes_by_a_byte(field: Field, held: Any) -> None:
    before = field.digests()
    outcome, steps = field.run()
    assert ([file.path for file in outcome.held[SITE]], outcome.succeeded, steps) == ([held["path"]], False, [])
    assert field.digests() == before
    assert set(_states(field).values()) == {"fresh"}


def test_years_with_new_files_are_computed_while_a_file_of_another_year_is_held(field: Field, held: Any) -> None:
    year = field.lake.path(table("pulse_counts"), SITE, MIDDLE)
    before = year.read_bytes()
    _add_to(field, _logger_row(field, LAST)["path"], "east_new.csv")
    outcome, steps = field.run()
    made = computed(steps)
    assert {year for name, year in made if name == "pulse_counts"} == {LAST}
    assert ("interval_flow", LAST) in made
    assert outcome.failures == []
    assert set(_states(field).values()) == {"fresh"}
    assert year.read_bytes() == before


def test_a_file_that_has_only_grown_is_read_and_not_held(field: Field) -> None:
    """A modem appends to a file, here a second gzip member or more text: nothing that was read of it is gone."""
    path = field.lake.raw(SITE) / _logger_row(field, LAST)["path"]
    more = b"nonsense that no layout fits\n"
    path.write_bytes(path.read_bytes() + (gzip.compress(more, mtime=0) if path.suffix == ".gz" else more))
    assert RawFiles(field.lake, field.site).held == {}
    assert _states(field)["source_files", None] == "stale"


def test_what_was_said_of_a_held_file_is_kept_when_the_others_are_read(field: Field) -> None:
    rejected = field.lake.frame(table("rejected_lines"), SITE)
    path = rejected["path"].iloc[0]
    before = [_lines_of(field, name, path) for name in RAW_TEXT_TABLES]
    assert before[1]
    _shorten(field.lake.raw(SITE) / path)
    new = _add_to(field, _logger_row(field, LAST)["path"], "east_new.csv")
    account = _read_account(field)
    assert new in account.index
    assert [_lines_of(field, name, path) for name in RAW_TEXT_TABLES] == before


def test_a_year_that_needs_a_held_file_is_not_computed_and_says_which(field: Field, held: Any) -> None:
    before = field.lake.path(table("pulse_counts"), SITE, MIDDLE).read_bytes()
    _add_to(field, held["path"], "east_new.csv")
    _read_account(field)
    freshness = Freshness(field.lake, field.site, _raw(field))
    assert freshness.state("pulse_counts", MIDDLE) == PartitionState("pulse_counts", MIDDLE, "held", held["path"])
    assert freshness.state("loads_annual", MIDDLE).state == "held"
    assert freshness.state("pulse_counts", LAST).state == "fresh"
    bench = field.bench()
    with bench.hold("a test"), pytest.raises(HeldFileError, match=re.escape(f"--accept {held['path']}")):
        make_partition(bench, PULSES, field.site, MIDDLE)
    assert field.lake.path(table("pulse_counts"), SITE, MIDDLE).read_bytes() == before


def test_readings_refuse_a_held_file_whoever_asks(field: Field, held: Any) -> None:
    bench = field.bench()
    with bench.hold("a test"), pytest.raises(HeldFileError, match=re.escape(held["path"])):
        bench.readings(field.site, *field.site.water_year_period(MIDDLE))


def test_an_account_that_was_lost_in_part_is_not_made_up_without_the_held_file(field: Field, held: Any) -> None:
    field.lake.path(table("rejected_lines"), SITE).unlink()
    assert _states(field)["rejected_lines", None] == "held"
    with pytest.raises(HeldFileError):
        _read_account(field)


def test_a_file_that_is_put_back_is_fresh_at_once(field: Field) -> None:
    path = field.lake.raw(SITE) / _logger_row(field, MIDDLE)["path"]
    before = path.read_bytes()
    _shorten(path)
    assert _raw(field).held
    path.write_bytes(before)
    assert not _raw(field).held
    assert set(_states(field).values()) == {"fresh"}


def test_a_file_that_is_put_back_is_read_again_if_the_account_was_made_without_it(
    field: Field, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = field.lake.raw(SITE) / _logger_row(field, MIDDLE)["path"]
    before = path.read_bytes()
    _shorten(path)
    monkeypatch.setitem(stages_module.VERSIONS, "read_raw_files", stages_module.VERSIONS["read_raw_files"] + 1)  # type: ignore[arg-type]
    _read_account(field)
    assert _states(field)["source_files", None] in ("fresh", "unchecked")
    path.write_bytes(before)
    assert _states(field)["source_files", None] == "stale"


def test_an_accepted_change_ends_in_the_bytes_of_a_lake_that_never_knew_the_former_file(
    field: Field, tmp_path: Path
) -> None:
    path = _logger_row(field, MIDDLE)["path"]
    never = copy_of(raw_field(), tmp_path / "never")
    for one in (field, never):
        _shorten(one.lake.raw(SITE) / path)
        _read_account(one, accepted=[path])
        bench = one.bench()
        with bench.hold("a test"):
            make_partition(bench, PULSES, one.site, MIDDLE)
    assert _raw(field).held == {}
    for name, year in [*((name, None) for name in RAW_TEXT_TABLES), *((name, MIDDLE) for name in PULSES.tables)]:
        stored, fresh = (one.lake.path(table(name), SITE, year).read_bytes() for one in (field, never))
        assert stored == fresh, name


# Vanished, renamed


def test_a_vanished_file_is_held_and_no_table_changes_by_a_byte(field: Field) -> None:
    path = _logger_row(field, MIDDLE)["path"]
    before = field.digests()
    (field.lake.raw(SITE) / path).unlink()
    outcome, steps = field.run()
    ((file,),) = outcome.held.values()
    assert (file.path, file.vanished, outcome.succeeded, steps) == (path, True, False, [])
    assert field.digests() == before


def test_an_accepted_loss_is_forgotten(field: Field) -> None:
    path = _logger_row(field, MIDDLE)["path"]
    (field.lake.raw(SITE) / path).unlink()
    assert path not in _read_account(field, accepted=[path]).index
    assert _raw(field).held == {}
    assert _states(field)["pulse_counts", MIDDLE] == "stale"


def test_a_renamed_file_is_not_held_and_is_read_by_its_new_name(field: Field) -> None:
    row = _logger_row(field, MIDDLE)
    former = field.lake.raw(SITE) / row["path"]
    former.rename(former.with_name("east_renamed.csv"))
    assert _raw(field).held == {}
    assert _raw(field).renamed == {row["path"]: "logger/east_renamed.csv"}
    account = _read_account(field)
    assert account.loc["logger/east_renamed.csv", "file_id"] == row["file_id"]
    assert row["path"] not in account.index


def test_a_file_whose_bytes_moved_aside_for_a_newer_download_is_not_held(field: Field) -> None:
    row = _logger_row(field, MIDDLE)
    path = field.lake.raw(SITE) / row["path"]
    shutil.copyfile(path, path.with_name("east_moved_aside.csv"))
    _shorten(path)
    assert _raw(field).held == {}


def test_a_file_that_took_the_name_of_another_logger_is_held(field: Field) -> None:
    former = field.lake.raw(SITE) / _logger_row(field, MIDDLE)["path"]
    former.rename(former.with_name("west_renamed.csv"))
    assert set(_raw(field).held) == {f"logger/{former.name}"}


def test_two_files_that_took_each_others_place_are_held(field: Field) -> None:
    one, other = (field.lake.raw(SITE) / _logger_row(field, year)["path"] for year in (MIDDLE, LAST))
    bytes_of_one, bytes_of_other = one.read_bytes(), other.read_bytes()
    one.write_bytes(bytes_of_other)
    other.write_bytes(bytes_of_one)
    assert set(_raw(field).held) == {f"logger/{one.name}", f"logger/{other.name}"}


def test_a_vanished_weather_file_is_held(field: Field) -> None:
    (path,) = (field.lake.raw(SITE) / "weather").glob("*2021*")
    path.unlink()
    assert set(_raw(field).held) == {f"weather/{path.name}"}
    assert set(_states(field).values()) == {"fresh"}


# Dagster's side


def test_the_sensor_asks_for_what_can_be_computed_beside_a_held_file(field: Field, held: Any) -> None:
    _add_to(field, held["path"], "east_new.csv")
    _add_to(field, _logger_row(field, LAST)["path"], "east_newer.csv")
    _read_account(field)
    for name in RAW_TEXT_TABLES:
        check(field.bench(), field.site, name, None)
    definitions = build_definitions(field.bench())
    with instance_for_test() as instance:
        context = build_sensor_context(instance=instance, definitions=definitions)
        (request,) = definitions.resolve_sensor_def("raw_files_sensor")(context).run_requests
    assert {key.to_user_string() for key in request.asset_selection} == set(PULSES.tables)
    only = MultiPartitionKey({"site": SITE, "water_year": str(LAST)})
    assert (request.partition_key_range.start, request.partition_key_range.end) == (only, only)


# What a person is told


def _main(field: Field, capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    code = main([arguments[0], "--site", str(field.folder), "--lake", str(field.root / "lake"), *arguments[1:]])
    said = capsys.readouterr()
    return code, said.out, said.err


def test_a_run_tells_first_what_changed_what_stays_and_what_to_do(
    field: Field, held: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    path = field.lake.raw(SITE) / held["path"]
    code, _, err = _main(field, capsys, "run")
    first, last = (f"{held[name] + field.site.utc_offset:%Y-%m-%d %H:%M}" for name in ("first_time", "last_time"))
    told = err.splitlines()[0]
    assert code == 1
    assert told.startswith(f"HELD: {held['path']} of {field.site.title} has changed in place")
    assert f"it was SHA-256 {held['file_id'][:12]}… and is {file_digest(path)[:12]}… now" in told
    assert f"of {path.stat().st_size:,} bytes" in told
    assert f"Its {held['reading_lines']:,} readings from {first} to {last} (standard time) stay in the tables" in told
    assert "Put the file back from the logger's own download" in told
    assert told.endswith(f"run again with --accept {held['path']}")


def test_status_tells_of_a_vanished_file(field: Field, capsys: pytest.CaptureFixture[str]) -> None:
    path = field.lake.raw(SITE) / _logger_row(field, MIDDLE)["path"]
    path.unlink()
    code, out, _ = _main(field, capsys, "status")
    assert code == 1
    assert f"has vanished: {path} is not there any more" in out


def test_status_names_the_held_file_that_tables_wait_for(
    field: Field, held: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    _add_to(field, held["path"], "east_new.csv")
    _read_account(field)
    _, out, _ = _main(field, capsys, "status")
    assert f"Not computed anew, because {held['path']} is held: pulse_counts {MIDDLE}, " in out
    assert "held: not computed anew, because it would be read from a raw file" in out


@pytest.mark.parametrize("accepted", ["the path", "all"])
def test_a_run_that_is_told_to_accept_a_loss_forgets_the_file(
    field: Field, accepted: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[Any] = []
    monkeypatch.setattr(runs, "bring_up_to_date", lambda bench, expect: asked.append(bench.accepted) or runs.Outcome())
    path = _logger_row(field, MIDDLE)["path"]
    (field.lake.raw(SITE) / path).unlink()
    code, out, err = _main(field, capsys, "run", "--accept", path if accepted == "the path" else "all")
    assert (code, asked, "HELD" in err) == (0, [{SITE: [path]}], False)
    assert f"{path} of {field.site.title} is taken as it is now." in out


def test_to_accept_what_is_not_held_is_refused_with_what_is(
    field: Field, held: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    code, _, err = _main(field, capsys, "run", "--accept", "logger/east.csv")
    assert code == 1
    assert "--accept logger/east.csv: no raw file of this path below raw/<site>/ is held." in err
    assert f"Held are: {held['path']}. Nothing was done." in err


def test_a_renamed_file_is_told_in_one_line(field: Field, capsys: pytest.CaptureFixture[str]) -> None:
    former = field.lake.raw(SITE) / _logger_row(field, MIDDLE)["path"]
    former.rename(former.with_name("east_renamed.csv"))
    _, out, _ = _main(field, capsys, "status")
    assert f"logger/{former.name} lies as logger/east_renamed.csv now, byte for byte" in out


@pytest.mark.parametrize("vanished", [True, False])
def test_a_laboratory_report_that_changed_or_vanished_is_told_and_not_held(
    field: Field, vanished: bool, capsys: pytest.CaptureFixture[str]
) -> None:
    report = min((field.lake.raw(SITE) / "lab").iterdir())
    if vanished:
        report.unlink()
    else:
        _shorten(report)
    _, out, _ = _main(field, capsys, "status")
    assert f"{'VANISHED' if vanished else 'CHANGED'}: lab/{report.name} of {field.site.title}" in out
    assert _states(field)["sample_results", None] == "stale"


def test_help_of_run_teaches_how_to_accept(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["run", "--help"])
    assert "drainledger run --accept logger/" in capsys.readouterr().out
