"""Promises of the orchestration: what is stale is computed and nothing else, what fails stops what needs it, the graph is true."""

from __future__ import annotations

import dataclasses
import json
import os
import shutil
import subprocess
import sys
import textwrap
from collections.abc import Callable
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd
import pyarrow.parquet as pq
import pytest
from dagster import AssetKey, DagsterInstance, Definitions, MultiPartitionKey, build_sensor_context, instance_for_test
from dagster._core.instance.ref import InstanceRef

from pipeline.orchestration import making
from pipeline.orchestration import stages as stages_module
from pipeline.orchestration.build import build_definitions
from pipeline.orchestration.checks import CHECKS, CheckBook
from pipeline.orchestration.computations import COMPUTATIONS, computation_of, made_tables
from pipeline.orchestration.freshness import Freshness
from pipeline.orchestration.instance import SETTINGS, instance_folder
from pipeline.orchestration.lock import LOCK_FILE, LakeBusyError, hold_lake
from pipeline.orchestration.making import BlockedError, make_partition
from pipeline.orchestration.other_processes import OtherProcesses
from pipeline.orchestration.partitions import range_tags
from pipeline.orchestration.raw_files import RawFiles
from pipeline.site.registers import REGISTERS
from pipeline.stages.volumes import interval_flow
from pipeline.tables import table
from pipeline.tables.dictionary import dictionary_csv
from tests.computed_lake import SITE, YEARS, Field, computed, computed_field, copy_of, no_expectations, raw_field
from tests.plain_stages import events as plain_events
from tests.plain_stages import fill_hours, fill_hours_in_one_process, fill_hours_of_the_last_year_elsewhere

FIRST, MIDDLE, LAST = YEARS


@pytest.fixture
def field(tmp_path: Path) -> Field:
    """A computed lake that the test may change."""
    return copy_of(computed_field(), tmp_path / "field")


def _states(field: Field) -> dict[tuple[str, int | None], str]:
    freshness = Freshness(field.lake, field.site, RawFiles(field.lake, field.site))
    return {(one.table, one.year): one.state for one in freshness.all()}


@pytest.fixture
def unasked(monkeypatch: pytest.MonkeyPatch) -> None:
    """Checks that pass unasked."""
    no_expectations(monkeypatch)


# What is stale is computed, and nothing else


def test_a_run_from_empty_tables_leaves_every_partition_fresh_and_checked() -> None:
    states = _states(computed_field())
    assert set(states.values()) == {"fresh"}
    assert {name for name, _ in states} == {declared.name for declared in made_tables()}
    assert {year for _, year in states} == {None, *YEARS}


def test_a_second_run_computes_nothing_and_touches_no_file(field: Field) -> None:
    before = {path: path.stat().st_mtime_ns for path in field.lake.tables.rglob("*") if path.is_file()}
    outcome, steps = field.run()
    assert (outcome.succeeded, outcome.runs, steps) == (True, 0, [])
    assert before == {path: path.stat().st_mtime_ns for path in field.lake.tables.rglob("*") if path.is_file()}


@pytest.fixture
def given_away(monkeypatch: pytest.MonkeyPatch) -> list[object]:
    """The years that were given to another process, however short they are."""
    given: list[object] = []
    begin = OtherProcesses.begin

    def noted(self: OtherProcesses, key: object, call: Callable[[], Any]) -> bool:
        begun = begin(self, key, call)
        given.extend([key] if begun else [])
        return begun

    monkeypatch.setattr(OtherProcesses, "begin", noted)
    monkeypatch.setattr(making, "WORTH_A_PROCESS", 1)
    return given


@pytest.mark.usefixtures("unasked")
def test_the_same_inputs_give_the_same_bytes_whichever_process_works_on_a_year(
    tmp_path: Path, given_away: list[object]
) -> None:
    other = copy_of(raw_field(), tmp_path / "field")
    outcome, _ = other.run(other_processes=1)
    assert outcome.succeeded
    assert given_away.count(LAST) == 2, "hours, and concentrations with loads"
    assert other.digests(checks=False) == computed_field().digests(checks=False)


@pytest.mark.usefixtures("unasked")
@pytest.mark.parametrize("stage", [fill_hours_in_one_process, fill_hours_of_the_last_year_elsewhere])
def test_what_another_process_made_is_stored_and_what_came_to_nothing_there_is_worked_out_here(
    field: Field, given_away: list[object], monkeypatch: pytest.MonkeyPatch, stage: Callable[..., Any]
) -> None:
    monkeypatch.setenv("ONLY_PROCESS", str(os.getpid()))
    for year in (MIDDLE, LAST):
        field.lake.path(table("hourly_flow"), SITE, year).unlink()
    outcome, steps = field.run(other_processes=1, fill_hours=stage)
    assert outcome.succeeded
    assert given_away == [LAST]
    assert computed(steps) == {("hourly_flow", MIDDLE), ("hourly_flow", LAST)}
    assert field.digests(checks=False) == computed_field().digests(checks=False)


@pytest.mark.usefixtures("unasked")
def test_a_corrected_calibration_makes_stale_the_years_that_it_touches_and_what_needs_them(field: Field) -> None:
    row = max(field.site.calibrations, key=lambda row: row.start)
    line = field.folder.joinpath("calibrations.csv").read_text().splitlines()[row.line - 1]
    corrected = line.replace(f",{row.litres_per_pulse:g}", f",{row.litres_per_pulse * 1.04:g}", 1)
    years = [year for year in YEARS if row.touches(*field.site.water_year_period(year))]
    assert line != corrected
    assert len(years) < len(YEARS), "the invented site has a calibration that begins after the first year"
    field.edit("calibrations.csv", line, corrected)
    outcome, steps = field.run()
    made = computed(steps)
    assert outcome.succeeded
    assert {year for name, year in made if name == "interval_flow"} == set(years)
    assert {year for name, year in made if name in ("pulse_counts", "source_files", "sample_results")} == set()
    near = {year for year in YEARS if any(abs(year - other) <= 1 for other in years)}
    assert {year for name, year in made if name == "hourly_flow"} == near


def test_a_laboratory_result_makes_stale_the_loads_of_the_years_around_it_and_no_others(field: Field) -> None:
    declared = table("sample_results")
    stored = field.lake.stored(declared, SITE)
    assert stored is not None
    rows = field.lake.frame(declared, SITE)
    in_last = rows["start"] > field.site.water_year_period(LAST)[0] + pd.Timedelta(days=60)
    rows.loc[in_last.idxmax(), "mg_l"] += 1.0
    field.lake.write_frame(declared, rows, stored.made_from, SITE, parts_text=stored.parts_text)
    states = _states(field)
    # The first year would follow only if what the meter says of the samples of the second came out otherwise.
    assert [states["loads_annual", year] for year in YEARS] == ["follows", "stale", "stale"]


def test_a_register_row_of_another_time_makes_nothing_stale(field: Field) -> None:
    with field.folder.joinpath("outages.csv").open("a") as register:
        register.write(f"plot,{field.site.plots[0].plot},2031-01-01,2031-02-01,later,\n")
    assert set(_states(field).values()) == {"fresh"}


def test_closing_a_row_after_a_year_leaves_that_year_fresh(field: Field) -> None:
    row = next(row for row in field.site.treatments if row.end is None)
    line = field.folder.joinpath("treatments.csv").read_text().splitlines()[row.line - 1]
    assert line.endswith(",")
    field.edit("treatments.csv", line + "\n", f"{line}{LAST}-06-01\n")
    states = _states(field)
    # Findings of the year between may change, and the hours of the first only if these do.
    assert states["meter_findings", FIRST] == "fresh"
    assert states["hourly_flow", FIRST] in ("fresh", "follows")
    assert states["hourly_flow", LAST] == "stale"


def test_a_new_version_of_a_method_makes_its_tables_stale(field: Field, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stages_module, "VERSIONS", stages_module.VERSIONS)
    monkeypatch.setitem(stages_module.VERSIONS, "loads", stages_module.VERSIONS["loads"] + 1)  # type: ignore[arg-type]
    stale = {name for (name, _), state in _states(field).items() if state in ("stale", "follows")}
    assert stale == {*computation_of("loads_daily").tables, *computation_of("loads_seasonal").tables, "load_basis"}


def test_a_policy_makes_stale_what_obeys_it(field: Field) -> None:
    field.edit("site.yaml", "policies: {}", "policies: {event_separation_hours: 24}")
    states = _states(field)
    assert {name for (name, year), state in states.items() if state in ("stale", "follows")} == {
        "events",
        *computation_of("loads_daily").tables,
        *computation_of("loads_seasonal").tables,
        "load_basis",
    }


def _latest_logger_file(field: Field) -> Path:
    rows = field.lake.frame(table("source_files"), SITE)
    rows = rows[rows["kind"] == "logger"].sort_values("last_time")
    return field.lake.raw(SITE) / rows.iloc[-1]["path"]


@pytest.mark.usefixtures("unasked")
def test_a_new_raw_file_makes_stale_the_years_that_it_touches_and_ends_in_the_same_bytes(field: Field) -> None:
    newest = _latest_logger_file(field)
    aside = newest.rename(field.root / newest.name)
    field.run(accepted=[f"logger/{newest.name}"])
    aside.rename(newest)
    assert _states(field)["pulse_counts", FIRST] == "waiting"
    outcome, steps = field.run()
    assert outcome.succeeded
    made = computed(steps)
    assert {year for name, year in made if name == "pulse_counts"} == {LAST}
    assert ("hourly_flow", FIRST) not in made
    assert field.digests(checks=False) == computed_field().digests(checks=False)


def test_a_lost_or_damaged_file_is_made_again(field: Field) -> None:
    lost = field.lake.path(table("events"), SITE, MIDDLE)
    damaged = field.lake.path(table("loads_annual"), SITE, LAST)
    lost.unlink()
    damaged.write_bytes(damaged.read_bytes()[:100])
    outcome, steps = field.run()
    assert outcome.succeeded
    assert computed(steps) == {("events", MIDDLE), ("concentration", LAST)}
    assert field.digests() == computed_field().digests()


@pytest.mark.usefixtures("unasked")
def test_a_lost_checks_table_has_everything_checked_again_and_nothing_computed(field: Field) -> None:
    field.lake.path(CHECKS, SITE).unlink()
    outcome, steps = field.run()
    assert outcome.succeeded
    assert {(what, year) for what, year, words in steps if words == "checking"} == set(_states(field))
    assert computed(steps) == set()


def test_a_changed_register_fact_has_fresh_tables_checked_again(field: Field) -> None:
    meter = field.site.meters[0]
    line = field.folder.joinpath("meters.csv").read_text().splitlines()[meter.line - 1]
    field.edit("meters.csv", line, line.replace(f",{meter.top_l_min:g},", f",{meter.top_l_min / 1000:g},"))
    _, steps = field.run()
    assert ("interval_flow", FIRST, "checking") in steps


def test_a_run_writes_the_dictionary_of_all_tables(field: Field) -> None:
    from pipeline.tables import TABLES

    assert (field.lake.tables / "dictionary.csv").read_bytes().decode() == dictionary_csv(TABLES)


# The fingerprint is honest


class _Watched:
    """A site that notes which registers and policies are read."""

    def __init__(self, site: Any, read: set[str]) -> None:
        self._site, self._read = site, read

    def __getattr__(self, name: str) -> Any:
        value = getattr(self._site, name)
        if name in REGISTERS:
            self._read.add(name)
        if name == "policies":
            return _Watched(value, self._read)
        if type(self._site).__name__ == "Policies":
            self._read.add(name)
        return value


ALSO_IN_SETTINGS = {
    "meter_proofs": {"meters", "accuracy", "accuracy_classes", "wiring", "gauges", "calibrations"},
    "source_files": {"wiring", "gauges"},
    "pulse_counts": {"calibrations"},
    "hourly_flow": {"wiring", "gauges", "clocks"},
    "meter_findings": {"gauges", "clocks"},
    "weather_hours": {"wiring", "gauges", "clocks"},
    "events": {"wiring", "gauges", "clocks"},
}
"""Registers that a computation's settings carry (formats of the files) or that do not touch the weather files it reads."""


@pytest.mark.parametrize("name", [computation.name for computation in COMPUTATIONS])
@pytest.mark.parametrize("stages", ["plain", "of_project"])
def test_a_computation_reads_no_register_and_no_policy_that_its_fingerprint_lacks(name: str, stages: str) -> None:
    field = computed_field()
    bench = field.bench()
    if stages == "of_project":
        bench.load_stages = stages_module.Stages.of_project
    computation = computation_of(name)
    bench.raw_files(field.site)
    read: set[str] = set()
    with bench.hold("a test"):
        made = computation.make(bench, _Watched(field.site, read), MIDDLE if computation.by_year else None)  # type: ignore[arg-type]
        assert set(made) == set(computation.tables)
    assert read - set(computation.registers) - set(computation.policies) - ALSO_IN_SETTINGS.get(name, set()) == set()


def test_readings_of_a_year_are_the_same_whichever_other_files_are_read_with_them(tmp_path: Path) -> None:
    field = copy_of(raw_field(), tmp_path / "field")
    everything, alone = field.bench(), field.bench()
    once = computation_of("source_files")
    pulses = computation_of("pulse_counts")
    with everything.hold("a test"):
        make_partition(everything, once, field.site, None)
        everything.all_readings(field.site)
        make_partition(everything, pulses, field.site, MIDDLE)
    with_everything = field.digests()
    field.lake.path(table("pulse_counts"), SITE, MIDDLE).unlink()
    with alone.hold("a test"):
        make_partition(alone, pulses, field.site, MIDDLE)
    assert field.digests() == with_everything


def _files_of_months(*months: str) -> RawFiles:
    """Raw files of one logger, each of one month; no two touch."""
    raw = RawFiles(raw_field().lake, raw_field().site)
    first = pd.to_datetime(pd.Series(months), utc=True)
    raw.__dict__["account"] = pd.DataFrame(
        {
            "path": list(months),
            "kind": "logger",
            "logger": "east",
            "first_time": first,
            "last_time": first + pd.Timedelta(days=27),
        }
    )
    return raw


def test_the_files_of_a_period_are_those_that_touch_it_and_the_nearest_before_and_after() -> None:
    raw = _files_of_months("2020-06", "2020-08", "2020-11", "2021-02", "2021-12", "2022-03")
    start, end = (pd.Timestamp(day, tz="UTC").to_pydatetime() for day in ("2020-10-01", "2021-10-01"))
    (choice,) = raw.choices(start, end, "logger")
    assert choice.paths == ("2020-08", "2020-11", "2021-02", "2021-12")
    assert choice.start == pd.Timestamp("2020-08-01", tz="UTC")
    assert choice.end == pd.Timestamp("2021-12-28", tz="UTC")


def test_a_period_before_all_files_looks_at_the_first_only() -> None:
    raw = _files_of_months("2020-06", "2020-08")
    start, end = (pd.Timestamp(day, tz="UTC").to_pydatetime() for day in ("2018-10-01", "2019-10-01"))
    (choice,) = raw.choices(start, end, "logger")
    assert choice.paths == ("2020-06",)


# What fails stops what needs it


def _broken_volumes(year: int) -> Callable[..., Any]:
    """A stage whose net volume is off by a litre in one water year."""

    def broken(session: duckdb.DuckDBPyConnection, pulses: duckdb.DuckDBPyRelation, site: Any) -> Any:
        start, end = site.water_year_period(year)
        rows = interval_flow(session, pulses, site)
        columns = ", ".join(
            f"net_l + CASE WHEN interval_start >= '{start.isoformat()}' AND interval_start < '{end.isoformat()}' THEN 1 ELSE 0 END"
            " AS net_l"
            if name == "net_l"
            else name
            for name in table("interval_flow").names
        )
        return rows.project(columns)

    return broken


@pytest.fixture(scope="module")
def broken_field(tmp_path_factory: pytest.TempPathFactory) -> tuple[Field, Any]:
    """A lake in whose last water year net flow is not forward minus reverse."""
    field = copy_of(raw_field(), tmp_path_factory.mktemp("broken") / "field")
    outcome, _ = field.run(interval_flow=_broken_volumes(LAST))
    return field, outcome


def test_a_failed_check_of_severity_error_stops_what_needs_the_table(broken_field: tuple[Field, Any]) -> None:
    field, outcome = broken_field
    states = _states(field)
    assert not outcome.succeeded
    assert states["interval_flow", LAST] == "failing"
    needing = {
        (name, year): state for (name, year), state in states.items() if name in ("outages", "hourly_flow", "events")
    }
    assert needing["outages", LAST] == needing["hourly_flow", LAST] == needing["hourly_flow", MIDDLE] == "blocked"
    assert not field.lake.path(table("hourly_flow"), SITE, LAST).exists()
    assert not field.lake.path(table("loads_annual"), SITE, LAST).exists()


def test_a_failed_check_leaves_alone_what_does_not_need_the_table(broken_field: tuple[Field, Any]) -> None:
    field, _ = broken_field
    states = _states(field)
    assert states["meter_findings", FIRST] == states["outages", FIRST] == states["interval_flow", MIDDLE] == "fresh"


def test_a_failed_check_is_named_in_the_checks_table(broken_field: tuple[Field, Any]) -> None:
    field, _ = broken_field
    rows = CheckBook(field.lake, field.site).rows
    failed = rows[~rows["passed"] & (rows["severity"] == "error")]
    assert list(zip(failed["table"], failed["partition"], strict=True)) == [("interval_flow", str(LAST))]
    assert "net_minus_difference_l" in failed["expectation"].iloc[0]
    assert "rows break this" in failed["detail"].iloc[0]


def test_a_failing_partition_that_nothing_changed_is_not_computed_again(broken_field: tuple[Field, Any]) -> None:
    field, _ = broken_field
    outcome, steps = field.run(interval_flow=_broken_volumes(LAST))
    assert not outcome.succeeded
    assert steps == []


def test_a_blocked_partition_refuses_to_be_made_alone_and_names_the_failure(broken_field: tuple[Field, Any]) -> None:
    field, _ = broken_field
    bench = field.bench()
    named = rf"interval_flow of {SITE}, water year {LAST} fails a check"
    with bench.hold("a test"), pytest.raises(BlockedError, match=named):
        make_partition(bench, computation_of("metered_hours"), field.site, LAST)


def test_a_warning_stops_nothing_and_is_named_in_the_checks_table(field: Field) -> None:
    def fast(session: duckdb.DuckDBPyConnection, pulses: duckdb.DuckDBPyRelation, site: Any) -> Any:
        fast_l = 60 * 1.5 * min(meter.top_l_min for meter in site.meters)
        first = "row_number() OVER () = 1"
        return interval_flow(session, pulses, site).project(
            f"* REPLACE (if({first}, 0.0, reverse_l) AS reverse_l, if({first}, {fast_l}, forward_l) AS forward_l, "
            f"if({first}, {fast_l}, net_l) AS net_l)"
        )

    shutil.rmtree(field.lake.tables / "interval_flow")
    outcome, _ = field.run(interval_flow=fast)
    rows = CheckBook(field.lake, field.site).rows
    failed = rows[~rows["passed"]]
    assert outcome.succeeded
    assert set(failed["severity"]) == {"warning"}
    assert failed["expectation"].str.startswith("share_of_top_flow").any()


@pytest.mark.usefixtures("unasked")
def test_a_stage_that_raises_is_told_in_a_sentence_and_the_rest_is_computed(tmp_path: Path) -> None:
    field = copy_of(raw_field(), tmp_path / "field")

    def failing(
        metered: pd.DataFrame, totals: pd.DataFrame, weather: pd.DataFrame, site: Any, year: int, *more: Any
    ) -> Any:
        if year == FIRST:
            raise ValueError("a fault on purpose")
        return fill_hours(metered, totals, weather, site, year)

    outcome, _ = field.run(fill_hours=failing)
    assert [failure for failure in outcome.failures if "a fault on purpose" not in failure] == []
    assert outcome.failures[0].startswith(f"hourly_flow of {SITE}, water year {FIRST}: ")
    states = _states(field)
    assert states["hourly_flow", FIRST] == "missing"
    assert states["hourly_flow", LAST] == states["loads_annual", LAST] == "fresh"


@pytest.mark.usefixtures("unasked")
def test_a_frame_that_does_not_fit_its_declaration_is_told_in_a_sentence(tmp_path: Path) -> None:
    field = copy_of(raw_field(years=1), tmp_path / "field")

    def without_basis(*given: Any) -> Any:
        filled = fill_hours(*given)
        return dataclasses.replace(filled, hours=filled.hours.assign(basis=None))

    outcome, _ = field.run(fill_hours=without_basis)
    assert any("column basis has" in failure for failure in outcome.failures)


# Dagster's view


@pytest.fixture
def instance() -> Any:
    with instance_for_test() as instance:
        yield instance


def _graph() -> Any:
    return build_definitions(computed_field().bench()).resolve_asset_graph()


def test_dagster_can_load_the_definitions() -> None:
    Definitions.validate_loadable(build_definitions(computed_field().bench()))


def test_there_is_an_asset_for_every_table_in_the_group_that_it_declares() -> None:
    graph = _graph()
    from pipeline.tables import TABLES

    groups = {key.to_user_string(): graph.get(key).group_name for key in graph.get_all_asset_keys()}
    for declared in TABLES:
        assert groups[declared.name] == declared.group


def test_a_table_is_described_by_its_row_and_by_the_stage_that_makes_it() -> None:
    described = _graph().get(AssetKey("interval_flow")).description
    assert table("interval_flow").row in described
    assert "Litres are pulses times the litres per pulse in effect" in described


def test_every_table_has_a_blocking_and_a_warning_check() -> None:
    graph = _graph()
    keys = {(key.asset_key.to_user_string(), key.name) for key in graph.asset_check_keys}
    names = [declared.name for declared in made_tables()]
    assert keys == {(name, check) for name in names for check in ("must_hold", "should_hold")}
    for key in graph.asset_check_keys:
        assert graph.get_check_spec(key).blocking == (key.name == "must_hold")


@pytest.mark.parametrize(
    ("child", "parent", "years"),
    [
        ("interval_flow", "pulse_counts", [MIDDLE]),
        ("metered_hours", "interval_flow", [FIRST, MIDDLE]),
        ("hourly_flow", "metered_hours", [FIRST, MIDDLE, LAST]),
        ("concentration", "hourly_flow", [FIRST, MIDDLE, LAST]),
        ("loads_annual", "events", [MIDDLE]),
        ("loads_seasonal", "load_members", [FIRST, MIDDLE]),
    ],
)
def test_the_graph_knows_which_years_a_year_needs(child: str, parent: str, years: list[int]) -> None:
    from dagster._core.definitions.partitions.context import partition_loading_context

    graph = _graph()
    mapping = graph.get_partition_mapping(AssetKey(child), AssetKey(parent))
    child_def, parent_def = graph.get(AssetKey(child)).partitions_def, graph.get(AssetKey(parent)).partitions_def
    key = MultiPartitionKey({"site": SITE, "water_year": str(MIDDLE)})
    with partition_loading_context():
        result = mapping.get_upstream_mapped_partitions_result_for_partitions(
            child_def.subset_with_partition_keys([key]), child_def, parent_def
        )
    found = {
        parent_def.get_partition_key_from_str(k).keys_by_dimension["water_year"]
        for k in result.partitions_subset.get_partition_keys()
    }
    assert found == {str(year) for year in years}


def _job(field: Field) -> Any:
    return build_definitions(field.bench()).resolve_implicit_global_asset_job_def()


def test_one_partition_made_by_dagster_alone_has_the_bytes_of_a_whole_run(
    field: Field, instance: DagsterInstance
) -> None:
    for name in ("pulse_counts", "gauge_readings"):
        field.lake.path(table(name), SITE, MIDDLE).unlink()
    result = _job(field).execute_in_process(
        asset_selection=[AssetKey("pulse_counts"), AssetKey("gauge_readings")],
        partition_key=MultiPartitionKey({"site": SITE, "water_year": str(MIDDLE)}),
        instance=instance,
    )
    assert result.success
    assert field.digests() == computed_field().digests()


def test_dagster_knows_the_rows_of_a_partition_by_their_digest_and_tells_changed_rows_by_the_data_version(
    field: Field, instance: DagsterInstance
) -> None:
    key = MultiPartitionKey({"site": SITE, "water_year": str(MIDDLE)})
    versions, was = [], "policies: {}"
    for hours, volume_mm in ((24, 1.0), (36, 1.0), (48, 2.0)):
        now = f"policies: {{event_separation_hours: {hours}}}"
        field.edit("site.yaml", was, now)
        was = now
        bench = field.bench(events=lambda *given, mm=volume_mm: plain_events(*given).assign(volume_mm=mm))
        job = build_definitions(bench).resolve_implicit_global_asset_job_def()
        result = job.execute_in_process(asset_selection=[AssetKey("events")], partition_key=key, instance=instance)
        (made,) = [
            event.step_materialization_data.materialization
            for event in result.get_asset_materialization_events()
            if event.asset_key is not None and event.asset_key.path == ["events"]
        ]
        stored = field.lake.stored(table("events"), SITE, MIDDLE)
        assert stored is not None
        assert made.metadata["content"].value == stored.content
        versions.append((made.tags or {})["dagster/data_version"])
    assert versions[0] == versions[1] != versions[2]


def test_the_page_is_told_what_is_stale_and_why(field: Field, instance: DagsterInstance) -> None:
    with field.folder.joinpath("outages.csv").open("a") as register:
        register.write(f"plot,{field.site.plots[0].plot},{FIRST}-03-01,{FIRST}-03-05,pump,\n")
    definitions = build_definitions(field.bench())
    context = build_sensor_context(instance=instance, definitions=definitions)
    told = definitions.resolve_sensor_def("staleness_sensor")(context).asset_events
    (first,) = [event for event in told if event.asset_key.path == ["pulse_counts"]]
    assert first.partition == MultiPartitionKey({"site": SITE, "water_year": str(FIRST)})
    assert f"outage of plot {field.site.plots[0].plot} from {FIRST}-03-01: new row" in first.metadata["why"].value
    assert not any(event.asset_key.path == ["source_files"] for event in told)


def test_a_partition_whose_neighbour_is_absent_fails_with_a_sentence_that_names_it(
    field: Field, instance: DagsterInstance
) -> None:
    field.lake.path(table("metered_hours"), SITE, LAST).unlink()
    field.lake.path(table("hourly_flow"), SITE, MIDDLE).unlink()
    result = _job(field).execute_in_process(
        asset_selection=[AssetKey(name) for name in computation_of("hourly_flow").tables],
        partition_key=MultiPartitionKey({"site": SITE, "water_year": str(MIDDLE)}),
        instance=instance,
        raise_on_error=False,
    )
    assert not result.success
    (failure,) = [event for event in result.all_events if event.is_step_failure]
    assert f"metered_hours of {SITE}, water year {LAST} is needed and is not in the lake" in str(
        failure.event_specific_data
    )


def test_a_range_of_years_runs_once(field: Field, instance: DagsterInstance) -> None:
    shutil.rmtree(field.lake.tables / "events")
    result = _job(field).execute_in_process(
        asset_selection=[AssetKey("events")], tags=range_tags(SITE, [FIRST, LAST]), instance=instance
    )
    assert result.success
    assert [event.partition for event in result.get_asset_materialization_events() if event.asset_key.path == ["events"]]
    assert field.lake.years(table("events"), SITE) == list(YEARS)


def test_dagster_keeps_its_records_in_the_lake_and_reports_to_nobody(tmp_path: Path) -> None:
    with DagsterInstance.from_config(str(instance_folder(tmp_path))) as instance:
        assert instance.telemetry_enabled is False
        assert instance.nux_enabled is False
        assert Path(instance.root_directory).parent == tmp_path.resolve()


def test_a_page_started_at_the_root_of_the_repository_reports_to_nobody(tmp_path: Path) -> None:
    root = Path(__file__).parent.parent
    assert (root / "dagster.yaml").read_text() == SETTINGS
    with DagsterInstance.from_ref(InstanceRef.from_dir(str(tmp_path), config_dir=str(root))) as instance:
        assert instance.telemetry_enabled is False
        assert instance.nux_enabled is False


def test_definitions_show_a_broken_site_folder_in_its_own_words(tmp_path: Path) -> None:
    broken = copy_of(raw_field(), tmp_path / "field")
    broken.folder.joinpath("plots.csv").write_text("plot,title,area_ha\nP1,First,-1\n")
    code = textwrap.dedent(
        """
        from pipeline.definitions import defs
        for spec in defs.resolve_all_asset_specs():
            if spec.group_name == "broken_site_folders":
                print(spec.description)
        """
    )
    environment = os.environ | {"DRAINLEDGER_SITES": str(broken.folder), "DRAINLEDGER_LAKE": str(broken.root / "lake")}
    done = subprocess.run([sys.executable, "-c", code], env=environment, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "cannot be used" in done.stdout
    assert "plots.csv" in done.stdout
    assert "Traceback" not in done.stderr


# The sensor


def _ask_sensor(field: Field, instance: DagsterInstance, cursor: str | None) -> Any:
    defs = build_definitions(field.bench())
    context = build_sensor_context(instance=instance, cursor=cursor, definitions=defs)
    answer = defs.resolve_sensor_def("raw_files_sensor")(context)
    return answer, context.cursor


def test_the_sensor_asks_for_nothing_when_no_raw_file_changed(field: Field, instance: DagsterInstance) -> None:
    answer, cursor = _ask_sensor(field, instance, None)
    assert "no raw file is new" in answer.skip_message
    assert json.loads(cursor)[SITE]
    newer, _ = _ask_sensor(field, instance, cursor)
    assert "no raw file is new" in newer.skip_message


@pytest.mark.usefixtures("unasked")
def test_the_sensor_asks_for_the_files_first_and_then_for_the_years_that_they_touch(
    field: Field, instance: DagsterInstance
) -> None:
    newest = _latest_logger_file(field)
    aside = newest.rename(field.root / newest.name)
    field.run(accepted=[f"logger/{newest.name}"])
    aside.rename(newest)
    answer, _ = _ask_sensor(field, instance, None)
    (request,) = answer.run_requests
    assert (request.job_name, request.partition_key) == ("tables_kept_by_site", SITE)
    assert AssetKey("source_files") in request.asset_selection
    bench = field.bench()
    with bench.hold("a test"):
        make_partition(bench, computation_of("source_files"), field.site, None)
    _job(field).execute_in_process(asset_selection=request.asset_selection, partition_key=SITE, instance=instance)
    answer, _ = _ask_sensor(field, instance, answer.cursor)
    (request,) = answer.run_requests
    assert request.job_name == "tables_kept_by_water_year"
    assert AssetKey("pulse_counts") in request.asset_selection
    assert request.partition_key_range.end == MultiPartitionKey({"site": SITE, "water_year": str(LAST)})


# One run at a time


def test_a_second_holder_is_told_who_holds_the_lake(tmp_path: Path) -> None:
    with hold_lake(tmp_path, "the first run"), pytest.raises(LakeBusyError) as refused, hold_lake(tmp_path, "the second"):
        pass
    assert "the first run" in str(refused.value)
    assert str(os.getpid()) in str(refused.value)


def test_a_lock_is_free_when_its_holder_has_gone(tmp_path: Path) -> None:
    with hold_lake(tmp_path, "the first run"):
        pass
    with hold_lake(tmp_path, "the second"):
        assert json.loads((tmp_path / LOCK_FILE).read_text())["purpose"] == "the second"


def test_a_lock_left_by_a_killed_process_stops_nobody(tmp_path: Path) -> None:
    code = textwrap.dedent(
        f"""
        import os
        from pathlib import Path
        from pipeline.orchestration.lock import hold_lake
        with hold_lake(Path({str(tmp_path)!r}), "a run that dies"):
            os.kill(os.getpid(), 9)
        """
    )
    subprocess.run([sys.executable, "-c", code], check=False)
    assert "a run that dies" in (tmp_path / LOCK_FILE).read_text()
    with hold_lake(tmp_path, "the next run"):
        assert json.loads((tmp_path / LOCK_FILE).read_text())["purpose"] == "the next run"


def test_every_stored_partition_says_what_it_was_made_from() -> None:
    field = computed_field()
    for declared in made_tables():
        for year in YEARS if declared.time_column else (None,):
            metadata = pq.read_metadata(field.lake.path(declared, SITE, year)).metadata
            assert len(metadata[b"drainledger.made_from"]) == 64


def test_every_stage_has_a_version() -> None:
    assert {one.name for one in dataclasses.fields(stages_module.Stages)} == set(stages_module.VERSIONS)
    assert {stage for computation in COMPUTATIONS for stage in computation.stages} == set(stages_module.VERSIONS)
