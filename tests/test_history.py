"""Promises of history: what was published is kept and can be rebuilt; what moved since adds up and says why."""

from __future__ import annotations

import hashlib
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.cli import main
from pipeline.lake import Lake
from pipeline.lake.published import Published
from pipeline.orchestration import publishing
from pipeline.orchestration.computations import computation_of
from pipeline.orchestration.history import NOW, changes_between, write_history
from pipeline.orchestration.plan import plan
from pipeline.orchestration.publishing import PublishError, loads_fingerprint, publish
from pipeline.stages.load_changes import difference
from pipeline.tables import table
from tests.computed_lake import no_expectations
from tests.history_site import CORRECTED, SITE, YEARS, HistorySite, write_site

FIRST, SECOND = YEARS


@pytest.fixture(scope="module", autouse=True)
def _checks_pass_unasked() -> object:
    with pytest.MonkeyPatch.context() as patch:
        no_expectations(patch)
        yield


@pytest.fixture(scope="module")
def published(tmp_path_factory: pytest.TempPathFactory) -> HistorySite:
    """Computed and published once. Not to be changed."""
    site = write_site(tmp_path_factory.mktemp("published"))
    site.run()
    publish(site.bench(), site.site, "report of the first two years")
    write_history(site.lake, site.site)
    return site


@pytest.fixture(scope="module")
def corrected(
    published: HistorySite, tmp_path_factory: pytest.TempPathFactory
) -> tuple[HistorySite, set[tuple[str, int | None]]]:
    """The same with one calibration row corrected by 4 % and computed again, and what that computed. Not to be changed."""
    site = _copy(published, tmp_path_factory.mktemp("corrected"))
    site.edit("calibrations.csv", *CORRECTED)
    return site, site.run()


@pytest.fixture(scope="module")
def republished(corrected: tuple[HistorySite, object], tmp_path_factory: pytest.TempPathFactory) -> HistorySite:
    """The corrected loads published as revision 2. Not to be changed."""
    site = _copy(corrected[0], tmp_path_factory.mktemp("republished"))
    assert publish(site.bench(), site.site, "corrected") == 2
    write_history(site.lake, site.site)
    return site


@pytest.fixture(scope="module")
def rebuilt(republished: HistorySite, tmp_path_factory: pytest.TempPathFactory) -> HistorySite:
    """A lake computed from nothing but what revision 2 names: its registers, and raw files found by their SHA-256."""
    kept = Published(republished.lake, SITE).path(2)
    site = HistorySite(tmp_path_factory.mktemp("rebuilt"))
    shutil.copytree(kept / "site", site.folder)
    raw = [path for path in republished.lake.raw(SITE).rglob("*") if path.is_file()]
    by_digest = {hashlib.sha256(path.read_bytes()).hexdigest(): path for path in raw}
    for line in (kept / "raw_files.sha256").read_text().splitlines():
        digest, _, path = line.partition("  ")
        target = site.lake.raw(SITE) / path
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(by_digest[digest], target)
    site.run()
    return site


def _copy(site: HistorySite, root: Path) -> HistorySite:
    shutil.copytree(site.root, root / "site")
    return HistorySite(root / "site")


def _changes(site: HistorySite, kind: str) -> pd.DataFrame:
    rows = site.lake.frame(table("load_changes"), SITE)
    return rows[(rows["kind"] == kind) & (rows["to_revision"] == NOW)]


def _row(site: HistorySite, plot: str, year: int) -> pd.Series:
    rows = _changes(site, "annual")
    return rows[(rows["plot"] == plot) & (rows["water_year"] == year)].iloc[0]


# What moved, and why


def test_a_correction_of_four_percent_moves_a_fully_measured_year_by_exactly_four_percent(
    corrected: tuple[HistorySite, object],
) -> None:
    """All of the north plot's water ran forward through the corrected meter: 5.2 litres per pulse instead of 5.0."""
    row = _row(corrected[0], "north", FIRST)
    assert row["volume_change_mm"] / row["volume_before_mm"] == pytest.approx(0.04, rel=1e-12)
    assert row["volume_change_measured_mm"] == pytest.approx(row["volume_change_mm"], rel=1e-9)
    assert row["volume_change_filled_mm"] == 0.0


def test_before_plus_change_is_after_for_every_load_that_moved(corrected: tuple[HistorySite, object]) -> None:
    rows = corrected[0].lake.frame(table("load_changes"), SITE)
    assert set(rows["kind"]) == {"annual", "monthly", "event"}
    assert (rows["before"] + rows["change"] == rows["after"]).all()
    assert (rows["volume_before_mm"] + rows["volume_change_mm"] == rows["volume_after_mm"]).all()


def test_changes_of_months_add_up_to_the_change_of_the_year(corrected: tuple[HistorySite, object]) -> None:
    keys = ["plot", "analyte", "water_year"]
    months = _changes(corrected[0], "monthly").groupby(keys)["change"].sum()
    years = _changes(corrected[0], "annual").set_index(keys)["change"]
    np.testing.assert_allclose(months.to_numpy(), years.to_numpy(), atol=1e-12)


def test_before_and_after_are_the_published_loads_and_those_of_now(corrected: tuple[HistorySite, object]) -> None:
    site, keys = corrected[0], ["plot", "analyte", "water_year"]
    annual = table("loads_annual")
    then = Published(site.lake, SITE).kept(1).frame(annual, SITE, YEARS).set_index(keys)["load_kg_ha"]
    now = site.lake.frame(annual, SITE, YEARS).set_index(keys)["load_kg_ha"]
    rows = _changes(site, "annual").set_index(keys)
    assert (rows["before"] == then.reindex(rows.index)).all()
    assert (rows["after"] == now.reindex(rows.index)).all()
    assert set(then.index[then != now]) <= set(rows.index)


def test_the_corrected_plot_is_told_with_the_row_that_was_corrected(corrected: tuple[HistorySite, object]) -> None:
    row = _row(corrected[0], "north", FIRST)
    assert (row["cause"], row["how"]) == ("calibration", "direct")
    assert row["detail"] == "calibration of meter M1 forward from 2019-10-01: litres per pulse 5 → 5.2."


def test_a_neighbour_that_moved_by_its_filled_hours_is_told_apart(corrected: tuple[HistorySite, object]) -> None:
    row = _row(corrected[0], "south", FIRST)
    assert (row["cause"], row["how"]) == ("calibration", "filled_from_neighbour")
    assert row["volume_change_measured_mm"] == 0.0
    assert row["volume_change_filled_mm"] == pytest.approx(row["volume_change_mm"], rel=1e-9)
    assert row["volume_change_mm"] > 0


def test_a_year_whose_water_did_not_move_says_so(corrected: tuple[HistorySite, object]) -> None:
    rows = _changes(corrected[0], "annual")
    rows = rows[rows["water_year"] == SECOND]
    assert set(rows["how"]) <= {"concentration_only", "interval_only"}
    assert (rows["volume_change_mm"] == 0).all()


def test_a_revised_laboratory_result_is_told_with_sample_and_both_values(published: HistorySite, tmp_path: Path) -> None:
    site = _copy(published, tmp_path)
    sheet = site.lake.raw(SITE) / "lab" / "sheet.csv"
    text = sheet.read_text()
    assert text.count("north1,nitrate_n,9,") == 1
    sheet.write_text(text.replace("north1,nitrate_n,9,", "north1,nitrate_n,12,"))
    made = site.run()
    row = _row(site, "north", FIRST)
    assert ("interval_flow", FIRST) not in made
    assert (row["cause"], row["how"], row["volume_change_mm"]) == ("laboratory", "direct", 0.0)
    assert row["detail"].startswith("laboratory sheet lab/sheet.csv: changed (sample north1 9 mg/L → 12 mg/L)")
    others = _changes(site, "annual")
    assert set(others[others["plot"] == "south"]["how"]) <= {"concentration_only", "interval_only"}


def test_several_causes_of_one_load_are_all_named_and_not_split(published: HistorySite, tmp_path: Path) -> None:
    site = _copy(published, tmp_path)
    site.edit("calibrations.csv", *CORRECTED)
    (site.folder / "outages.csv").write_text(
        "scope,name,from,to,cause,note\nplot,north,2020-09-23,2020-09-25,lightning,\n"
    )
    site.run()
    row = _row(site, "north", FIRST)
    assert set(row["cause"].split("; ")) == {"calibration", "outage_register"}
    assert "outage of plot north from 2020-09-23: new row" in row["detail"]
    assert row["detail"].endswith("What each contributes is not told.")
    assert row["volume_change_measured_mm"] + row["volume_change_filled_mm"] == pytest.approx(row["volume_change_mm"])


# What is computed, and what stays


def test_what_nothing_changed_for_keeps_its_bytes(
    published: HistorySite, corrected: tuple[HistorySite, set[tuple[str, int | None]]]
) -> None:
    """The bench tests' registers and the flow of the corrected year are all that a correction of one row makes stale for sure."""
    before, after = published.digests(), corrected[0].digests()
    same = {path for path, digest in after.items() if before.get(path) == digest}
    untouched = (
        "source_files",
        "pulse_counts",
        "gauge_readings",
        "samples",
        "sample_results",
        "quality_control",
    )
    assert {path for path in after if path.startswith(tuple(f"{name}/" for name in untouched))} <= same
    assert f"interval_flow/site={SITE}/year={SECOND}/part.parquet" in same
    assert ("interval_flow", SECOND) not in corrected[1]
    assert ("pulse_counts", FIRST) not in corrected[1]


def test_what_was_computed_again_is_what_a_lake_computed_from_nothing_has(
    corrected: tuple[HistorySite, object], rebuilt: HistorySite
) -> None:
    history = ("checks", "revisions", "load_changes")
    ours = {path: digest for path, digest in corrected[0].digests().items() if path.partition("/")[0] not in history}
    theirs = {path: digest for path, digest in rebuilt.digests().items() if path.partition("/")[0] not in history}
    assert ours == theirs


def test_nothing_is_written_where_nothing_changed(corrected: tuple[HistorySite, object]) -> None:
    site = corrected[0]
    before = {path: path.stat().st_mtime_ns for path in site.root.rglob("*") if path.is_file() and path.name != ".lock"}
    assert site.run() == set()
    assert before == {
        path: path.stat().st_mtime_ns for path in site.root.rglob("*") if path.is_file() and path.name != ".lock"
    }


def test_rows_that_come_out_as_they_were_leave_alone_what_is_made_from_them(
    published: HistorySite, corrected: tuple[HistorySite, set[tuple[str, int | None]]]
) -> None:
    """Hours of the second year look at the first too, for what may reach across its end; nothing does."""
    site, made = corrected
    made_again, left_alone = "hourly_flow", "events"
    stored = [lake.stored(table(made_again), SITE, SECOND) for lake in (published.lake, site.lake)]
    assert (made_again, SECOND) in made
    assert len({one.made_from for one in stored if one is not None}) == 2
    assert len({one.content for one in stored if one is not None}) == 1
    assert (left_alone, SECOND) not in made
    path = f"{left_alone}/site={SITE}/year={SECOND}/part.parquet"
    assert published.digests()[path] == site.digests()[path]


def test_a_run_computes_what_is_certain_in_the_plan_and_nothing_that_is_not_in_it(
    published: HistorySite, corrected: tuple[HistorySite, set[tuple[str, int | None]]], tmp_path: Path
) -> None:
    site = _copy(published, tmp_path)
    site.edit("calibrations.csv", *CORRECTED)
    bench = site.bench()
    planned = [one for one in plan(bench, site.site) if one.table == computation_of(one.table).name]
    bench.close()
    certain = {(one.table, one.year) for one in planned if one.certain}
    assert ("interval_flow", FIRST) in certain
    assert certain <= corrected[1] <= {(one.table, one.year) for one in planned}


# Published states


def test_what_was_published_can_be_rebuilt_from_what_it_names(republished: HistorySite, rebuilt: HistorySite) -> None:
    first, second = (Published(republished.lake, SITE).about(number)["fingerprint"] for number in (1, 2))
    assert loads_fingerprint(rebuilt.lake, rebuilt.site) == second != first


def test_published_loads_are_the_very_bytes_of_the_tables(published: HistorySite) -> None:
    kept = Published(published.lake, SITE).kept(1)
    for name in publishing.LOADS:
        for year in YEARS:
            assert (
                kept.path(table(name), SITE, year).read_bytes()
                == published.lake.path(table(name), SITE, year).read_bytes()
            )


def test_what_was_published_outlives_the_tables(corrected: tuple[HistorySite, object], tmp_path: Path) -> None:
    """Published states lie beside tables/; the two tables about them follow from them to the byte."""
    site = _copy(corrected[0], tmp_path)
    assert not Published(site.lake, SITE).folder.is_relative_to(site.lake.tables)
    before = site.digests()
    for name in ("revisions", "load_changes"):
        shutil.rmtree(site.lake.tables / name)
    write_history(site.lake, site.site)
    assert site.digests() == before


def test_a_published_state_names_reason_day_libraries_and_program(published: HistorySite) -> None:
    row = published.lake.frame(table("revisions"), SITE).iloc[0]
    assert (row["revision"], row["reason"], row["annual_loads"]) == (1, "report of the first two years", 4)
    assert row["made_at"] <= pd.Timestamp.now(tz="UTC")
    assert f"duckdb {__import__('duckdb').__version__}" in row["versions"]
    assert len(Published(published.lake, SITE).about(1)["program_digest"]) == 64


def test_the_same_loads_are_not_published_twice(published: HistorySite) -> None:
    with pytest.raises(PublishError, match="are those of revision 1, to the last digit"):
        publish(published.bench(), published.site, "again")


def test_a_state_that_is_not_up_to_date_is_not_published(published: HistorySite, tmp_path: Path) -> None:
    site = _copy(published, tmp_path)
    site.edit("calibrations.csv", *CORRECTED)
    with pytest.raises(PublishError, match=r"are not up to date \(interval_flow"):
        publish(site.bench(), site.site, "too early")
    assert Published(site.lake, SITE).numbers() == [1]


def test_a_publication_that_cannot_be_written_leaves_nothing_and_says_so(
    published: HistorySite, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    site = _copy(published, tmp_path)
    shutil.rmtree(Published(site.lake, SITE).folder)

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(publishing.shutil, "copyfile", full)
    assert main(["publish", "--reason", "a try", *site.places]) == 1
    assert list(Published(site.lake, SITE).folder.iterdir()) == []
    assert "Nothing was published" in capsys.readouterr().err.replace("\n", " ")


# What people read


def test_changes_are_printed_with_before_after_and_why(
    corrected: tuple[HistorySite, object],
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
) -> None:
    monkeypatch.setenv("COLUMNS", "140")
    site, row = corrected[0], _row(corrected[0], "north", FIRST)
    assert main(["changes", *site.places, "--csv", str(tmp_path / "changes.csv")]) == 0
    told = capsys.readouterr().out
    assert f"{row['before']:.3f}" in told
    assert f"{row['after']:.3f}" in told
    assert "calibration of meter M1 forward from 2019-10-01: litres per pulse 5 → 5.2" in told
    assert "by filling from a neighbour" in told
    written = pd.read_csv(tmp_path / "changes.csv", dtype=str)
    stored = site.lake.frame(table("load_changes"), SITE)
    assert list(written.columns) == [*stored.columns, "site"]
    for number in ("before", "after", "change", "volume_change_mm"):
        assert list(map(float, written[number])) == list(stored[number])


def test_a_run_says_when_loads_differ_from_the_last_published_state(corrected: tuple[HistorySite, object]) -> None:
    from pipeline.publish.changes_words import moved_note

    note = moved_note(corrected[0].lake, corrected[0].site)
    assert "differ from the last published state (revision 1), most north nitrate_n in 2020" in note


def test_a_lake_that_moved_in_nothing_is_told_so(published: HistorySite, capsys: pytest.CaptureFixture[str]) -> None:
    main(["changes", *published.places])
    assert "no load moved from revision 1 to the tables as they are now" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("asked", "told"),
    [(["7"], "has no revision 7; there are 1"), (["1", "1"], "FROM must come before TO")],
)
def test_a_state_that_is_not_there_is_told_in_a_sentence(
    published: HistorySite, capsys: pytest.CaptureFixture[str], asked: list[str], told: str
) -> None:
    assert main(["changes", *asked, *published.places]) == 1
    assert told in capsys.readouterr().err.replace("\n", " ")


def test_without_a_published_state_changes_say_how_to_make_one(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    site = write_site(tmp_path)
    assert main(["changes", *site.places]) == 1
    assert "drainledger publish --reason" in capsys.readouterr().err


def test_two_published_states_are_compared_with_one_another(
    corrected: tuple[HistorySite, object], tmp_path: Path
) -> None:
    site = _copy(corrected[0], tmp_path)
    assert publish(site.bench(), site.site, "corrected") == 2
    write_history(site.lake, site.site)
    between = changes_between(site.lake, site.site, 1, 2).drop(columns="to_revision")
    since = changes_between(corrected[0].lake, corrected[0].site, 1, NOW).drop(columns="to_revision")
    pd.testing.assert_frame_equal(between, since)
    assert set(site.lake.frame(table("load_changes"), SITE)["to_revision"]) == {2}


LOAD = st.floats(min_value=-1e4, max_value=1e4, allow_nan=False, allow_subnormal=False)


@given(st.lists(st.tuples(LOAD, LOAD), min_size=1, max_size=20))
def test_before_plus_change_is_after_as_exactly_as_floating_point_can_say(pairs: list[tuple[float, float]]) -> None:
    before, after = (np.array(side) for side in zip(*pairs, strict=True))
    change = difference(before, after)
    assert (np.abs(before + change - after) <= np.spacing(np.maximum(np.abs(before), np.abs(after)))).all()
    within_a_factor_of_two = (before / 2 <= after) & (after <= before * 2) & (before > 0)
    assert (before + change == after)[within_a_factor_of_two].all()


def test_the_parts_of_a_month_add_up_to_its_volume_and_load(published: HistorySite) -> None:
    keys = ["plot", "analyte", "month"]
    parts = (
        published.lake.frame(table("load_basis"), SITE, YEARS).groupby(keys)[["volume_mm", "load_kg_ha", "hours"]].sum()
    )
    months = published.lake.frame(table("loads_monthly"), SITE, YEARS).set_index(keys).sort_index()
    np.testing.assert_allclose(parts["volume_mm"], months["volume_mm"], rtol=1e-12)
    np.testing.assert_allclose(parts["load_kg_ha"], months["load_kg_ha"], rtol=1e-12)
    assert (parts["hours"] == months["hours"]).all()
    assert isinstance(published.lake, Lake)
