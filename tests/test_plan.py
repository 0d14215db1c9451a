"""Promises of a dry run: it writes nothing, names what a run computes, and says in people's words what changed."""

from __future__ import annotations

import gzip
from pathlib import Path
from typing import Any

import pytest

from pipeline.cli import main
from pipeline.lake import canonical_text
from pipeline.orchestration.causes import causes
from pipeline.orchestration.plan import Planned, plan
from pipeline.publish.plan_words import what_changed, year_list
from pipeline.tables import table
from tests.computed_lake import SITE, YEARS, Field, computed_field, copy_of, no_expectations

FIRST, MIDDLE, LAST = YEARS


@pytest.fixture(autouse=True)
def _checks_pass_unasked(monkeypatch: pytest.MonkeyPatch) -> None:
    no_expectations(monkeypatch)


@pytest.fixture
def field(tmp_path: Path) -> Field:
    """A computed lake that the test may change."""
    return copy_of(computed_field(), tmp_path / "field")


def _plan(field: Field) -> list[Planned]:
    bench = field.bench()
    try:
        return [one for one in plan(bench, field.site) if one.state != "unchecked"]
    finally:
        bench.close()


def _correct_last_calibration(field: Field) -> str:
    """4 % more litres per pulse in the row that began last; gives what a person is told of it."""
    row = max(field.site.calibrations, key=lambda row: (row.start, row.direction == "forward"))
    line = field.folder.joinpath("calibrations.csv").read_text().splitlines()[row.line - 1]
    now = row.litres_per_pulse * 1.04
    field.edit("calibrations.csv", line, line.replace(f",{row.litres_per_pulse:g},", f",{now!r},", 1))
    day = (row.start + field.site.utc_offset).date()
    return f"calibration of meter {row.meter} {row.direction} from {day}: litres per pulse {row.litres_per_pulse:.10g} → {now:.10g}"


def _files(field: Field) -> dict[str, tuple[int, bytes]]:
    return {
        str(path): (path.stat().st_mtime_ns, path.read_bytes())
        for path in sorted(field.root.rglob("*"))
        if path.is_file()
    }


def test_a_dry_run_writes_nothing(field: Field, capsys: pytest.CaptureFixture[str]) -> None:
    _correct_last_calibration(field)
    before = _files(field)
    assert main(["run", "--dry-run", "--lake", str(field.lake.root), "--site", str(field.folder)]) == 0
    assert _files(field) == before
    assert "Nothing was written." in capsys.readouterr().out


def test_a_dry_run_tells_a_corrected_calibration_with_both_values_and_the_years(
    field: Field, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "160")
    words = _correct_last_calibration(field)
    main(["run", "--dry-run", "--lake", str(field.lake.root), "--site", str(field.folder)])
    assert f"{words}; 2 of 3 water years ({MIDDLE}–{LAST})" in capsys.readouterr().out


def test_a_dry_run_on_a_fresh_lake_says_that_nothing_would_be_computed(capsys: pytest.CaptureFixture[str]) -> None:
    field = computed_field()
    main(["run", "--dry-run", "--lake", str(field.lake.root), "--site", str(field.folder)])
    told = capsys.readouterr().out
    assert "nothing would be computed" in told
    assert "What changed" not in told


def test_a_plan_names_the_years_that_a_new_file_touches_before_it_is_read(field: Field) -> None:
    rows = field.lake.frame(table("source_files"), SITE)
    start, _ = field.site.water_year_period(LAST)
    newest = rows[(rows["logger"] == "east") & (rows["first_time"] > start)].sort_values("first_time")["path"].iloc[-1]
    source = field.lake.raw(SITE) / newest
    text = gzip.decompress(source.read_bytes()) if source.suffix == ".gz" else source.read_bytes()
    source.with_name("east_new.csv").write_bytes(text + b"\n")
    planned = _plan(field)
    assert {one.year for one in planned if one.table == "pulse_counts"} == {LAST}
    assert {one.state for one in planned} == {"stale", "follows"}
    assert f"logger file logger/east_new.csv: new; 1 of 3 water years ({LAST})" in what_changed(field.site, planned)


def test_years_are_listed_as_people_write_them() -> None:
    assert year_list([2021, 2019, 2022, 2023, 2022]) == "2019, 2021–2023"


PARTS: dict[str, Any] = {
    "tables": {"interval_flow": "a"},
    "versions": {"interval_flow": 1},
    "period": ["2019-10-01"],
    "registers": {
        "calibrations": {
            "columns": ["meter", "direction", "litres_per_pulse", "from", "to"],
            "rows": [["M3", "forward", 5.0, "2019-10-01T06:00:00Z", None]],
        },
        "outages": {"columns": ["scope", "name", "from", "to"], "rows": []},
    },
    "policies": {"bridge_longest_hours": 6},
    "settings": {"files": [["logger/a.csv", "1"], ["logger/b.csv", "2"]]},
    "needed": {"pulse_counts 2021": "c"},
}


def _changed(**parts: Any) -> list[str]:
    return [cause.sentence for cause in causes({**PARTS, **parts}, PARTS, computed_field().site)]


def test_the_same_origin_has_no_cause() -> None:
    assert _changed() == []


def test_a_row_that_is_split_is_told_with_what_became_of_the_former_one() -> None:
    """Day words are in the site's standard time, six hours behind UTC."""
    rows = [
        ["M3", "forward", 5.0, "2019-10-01T06:00:00Z", "2021-04-01T06:00:00Z"],
        ["M3", "forward", 5.2, "2021-04-01T06:00:00Z", None],
    ]
    registers = {**PARTS["registers"], "calibrations": {**PARTS["registers"]["calibrations"], "rows": rows}}
    assert _changed(registers=registers) == [
        "calibration of meter M3 forward from 2019-10-01: to none → 2021-04-01",
        "calibration of meter M3 forward from 2021-04-01: new row",
    ]


@pytest.mark.parametrize(
    ("part", "value", "told"),
    [
        ("versions", {"interval_flow": 2}, "method of interval_flow: version 1 → 2"),
        ("policies", {"bridge_longest_hours": 3}, "policy bridge_longest_hours: 6 → 3"),
        ("needed", {"pulse_counts 2021": None}, "pulse_counts 2021: is recomputed"),
        ("needed", {"pulse_counts 2021": "d"}, "pulse_counts 2021: has other rows"),
        ("tables", {"interval_flow": "b"}, "declaration of interval_flow: changed"),
    ],
)
def test_each_part_of_an_origin_has_its_sentence(part: str, value: Any, told: str) -> None:
    assert _changed(**{part: value}) == [told]


def test_files_are_told_as_new_changed_or_gone() -> None:
    files = [["lab/x.csv", "9"], ["logger/a.csv", "3"]]
    assert _changed(settings={"files": files}) == [
        "laboratory sheet lab/x.csv: new",
        "logger file logger/a.csv: changed",
        "logger file logger/b.csv: gone",
    ]


def test_an_outage_names_whom_it_concerns() -> None:
    outages = {"columns": ["scope", "name", "from", "to"], "rows": [["meter", "M3", "2021-01-01T06:00:00Z", None]]}
    (cause,) = causes({**PARTS, "registers": {**PARTS["registers"], "outages": outages}}, PARTS, computed_field().site)
    assert (cause.kind, cause.about) == ("outage_register", (("meter", "M3"),))


def test_a_stored_table_tells_what_it_was_made_from_part_by_part() -> None:
    field = computed_field()
    stored = field.lake.stored(table("interval_flow"), SITE, MIDDLE)
    assert stored is not None
    rows = stored.parts["registers"]["calibrations"]["rows"]
    assert {row[2] for row in rows} == {
        row.litres_per_pulse for row in field.site.calibrations if row.touches(*field.site.water_year_period(MIDDLE))
    }
    assert canonical_text(stored.parts) == stored.parts_text
