"""Promises of bench proofs: from a person's file to litres per pulse, and from every mistake in it to a sentence."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.cli import main
from pipeline.lake import Lake, open_session
from pipeline.orchestration.runs import look
from pipeline.publish.proofs import proposed_rows
from pipeline.science.water_density import weighed_volume_l
from pipeline.site import Site, load_site
from pipeline.stages.bench_proofs import BenchProofs, bench_proofs
from pipeline.tables import table
from pipeline.tables.expectations import Facts, Partition, check_partitions
from tests.bench.bench_proofs import study
from tests.computed_lake import Field, computed_field, copy_of
from tests.field.plan import Plan
from tests.field.plots import invent_meters, invent_plots
from tests.small_site import small_site

LITRES = {("M1", "forward"): 5.0, ("M1", "reverse"): 5.1, ("M2", "forward"): 6.2, ("M2", "reverse"): 6.3}
CALIBRATIONS = "meter,direction,litres_per_pulse,expanded_uncertainty_pct,from,to,evidence,entered\n" + "".join(
    f"{meter},{way},{litres},1.0,2019-10-01,,bench,2019-09-01\n" for (meter, way), litres in LITRES.items()
)
WIRES = {"a": ("M1", "forward"), "b": ("M1", "reverse"), "c": ("M2", "forward"), "d": ("M2", "reverse")}
VOLUMES = (600.0, 900.0, 1500.0, 700.0, 1200.0, 1000.0)
WAYS = ("forward", "forward", "forward", "reverse", "reverse", "reverse")
FLOW_L_MIN = 100.0
TABLES = ("meter_proofs", "meter_comparisons", "bench_runs", "bench_files", "rejected_bench_lines")


@pytest.fixture
def site(tmp_path: Path) -> Site:
    return small_site(tmp_path, calibrations=CALIBRATIONS)


def _runs(wires: dict[str, tuple[str, str]] = WIRES, true: dict[tuple[str, str], float] = LITRES) -> pd.DataFrame:
    """Six runs, three each way, all meters in series."""
    runs = pd.DataFrame(
        {
            "run": range(1, 7),
            "direction": WAYS,
            "in_line": "M1;M2",
            "reference_l": VOLUMES,
            "reference_u_l": 0.5,
            "seconds": [volume / FLOW_L_MIN * 60 for volume in VOLUMES],
        }
    )
    for column, wire in wires.items():
        runs[column] = [
            round(volume / true[wire]) if way == wire[1] else 0 for volume, way in zip(VOLUMES, WAYS, strict=True)
        ]
    return runs


def _prove(site: Site, folder: Path, *texts: pd.DataFrame | str, name: str = "east_2019-09-25.csv") -> BenchProofs:
    raw = folder / "raw"
    (raw / "bench").mkdir(parents=True, exist_ok=True)
    paths = []
    for number, content in enumerate(texts):
        path = raw / "bench" / (name if number == 0 else name.replace(".csv", f"_{number}.csv"))
        path.write_text(content if isinstance(content, str) else content.to_csv(index=False))
        paths.append(path)
    return bench_proofs(site, raw, paths)


def _reasons(found: BenchProofs) -> list[str]:
    return list(found.rejected["reason"])


# What a bench proves


def test_every_column_gets_its_meter_direction_and_litres_per_pulse(site: Site, tmp_path: Path) -> None:
    found = _prove(site, tmp_path, _runs()).proofs.set_index("column")
    assert {column: (row.meter, row.direction) for column, row in found.iterrows()} == WIRES
    for column, wire in WIRES.items():
        row = found.loc[column]
        assert row.litres_per_pulse == pytest.approx(LITRES[wire], rel=row.expanded_uncertainty_pct / 100)
        assert row.runs == 3
    assert found["wiring_agrees"].all()
    assert found["agrees"].all()


def test_a_wiring_register_that_swaps_two_meters_is_contradicted(site: Site, tmp_path: Path) -> None:
    swapped = {"a": WIRES["c"], "b": WIRES["d"], "c": WIRES["a"], "d": WIRES["b"]}
    found = _prove(site, tmp_path, _runs(swapped)).proofs.set_index("column")
    assert {column: (row.meter, row.direction) for column, row in found.iterrows()} == swapped
    assert not found["wiring_agrees"].any()
    assert found.loc["a", "wired_as"] == "M1 forward"


def test_a_calibration_that_is_wrong_is_found_with_its_difference(site: Site, tmp_path: Path) -> None:
    true = LITRES | {("M2", "forward"): 6.2 / 1.05}
    found = _prove(site, tmp_path, _runs(true=true)).proofs.set_index("column")
    assert found.loc["c", "difference_pct"] == pytest.approx(5.0, abs=0.5)
    assert list(found.index[~found["agrees"].astype(bool)]) == ["c"]


def test_meters_in_series_are_compared_by_the_register(site: Site, tmp_path: Path) -> None:
    # M2's register has 5 % too much: M1 shows 1 / 1.05 of what M2 shows.
    true = LITRES | {("M2", "forward"): 6.2 / 1.05}
    found = _prove(site, tmp_path, _runs(true=true)).comparisons.set_index("direction")
    assert found.loc["forward", "difference_pct"] == pytest.approx(100 * (1 / 1.05 - 1), abs=0.5)
    assert not found.loc["forward", "agree"]
    assert found.loc["reverse", "agree"]


def test_without_any_reference_a_meter_is_proved_by_the_others_in_line(site: Site, tmp_path: Path) -> None:
    runs = _runs(true=LITRES | {("M2", "forward"): 6.26}).drop(columns=["reference_l", "reference_u_l"])
    found = _prove(site, tmp_path, runs).proofs.set_index("column")
    assert {column: (row.meter, row.direction) for column, row in found.iterrows()} == WIRES
    assert set(found["reference"]) == {"series"}
    assert found.loc["c", "litres_per_pulse"] == pytest.approx(6.26, rel=0.004)
    # The other meter's calibration is common to all runs: no number of runs makes surer than its 1 %.
    assert (found["expanded_uncertainty_pct"] > 0.95).all()


def test_meters_of_equal_litres_per_pulse_in_the_same_runs_are_said_to_be_ambiguous(tmp_path: Path) -> None:
    equal = small_site(tmp_path)
    found = _prove(equal, tmp_path, _runs(true=dict.fromkeys(LITRES, 5.0))).proofs.set_index("column")
    assert set(found["assignment"]) == {"ambiguous"}
    assert found["meter"].isna().all()
    assert found.loc["a", "direction"] == "forward"
    assert sorted(found.loc["a", "could_be"].split(" or ")) == ["M1 forward", "M2 forward"]
    assert found.loc["a", "litres_per_pulse"] == pytest.approx(5.0, rel=0.01)


def test_a_run_without_one_of_them_tells_equal_meters_apart(tmp_path: Path) -> None:
    equal = small_site(tmp_path)
    runs = _runs(true=dict.fromkeys(LITRES, 5.0))
    for run in (1, 4):
        runs.loc[run, "in_line"] = "M2"
        runs.loc[run, ["a", "b"]] = 0
    found = _prove(equal, tmp_path, runs).proofs.set_index("column")
    assert {column: (row.meter, row.direction) for column, row in found.iterrows()} == WIRES


def test_meters_that_no_register_calibrates_yet_are_told_by_the_runs_that_they_are_in(tmp_path: Path) -> None:
    header = CALIBRATIONS.splitlines()[0] + "\n"
    new = small_site(tmp_path, calibrations=header, wiring="logger,column,meter,direction,counts,modulus,from,to\n")
    runs = _runs()
    for run in (1, 4):
        runs.loc[run, "in_line"] = "M2"
        runs.loc[run, ["a", "b"]] = 0
    found = _prove(new, tmp_path, runs).proofs.set_index("column")
    assert {column: (row.meter, row.direction) for column, row in found.iterrows()} == WIRES
    assert found["agrees"].isna().all()


def test_without_a_column_for_the_direction_the_first_run_is_taken_as_forward_and_that_is_said(
    site: Site, tmp_path: Path
) -> None:
    found = _prove(site, tmp_path, _runs().drop(columns=["direction", "in_line"]))
    assert {row.column: (row.meter, row.direction) for row in found.proofs.itertuples()} == WIRES
    assert "does not say which way the water ran" in found.files.loc[0, "note"]


def test_weighed_water_becomes_litres_by_its_temperature_and_the_buoyancy_of_air(site: Site, tmp_path: Path) -> None:
    weighed = _runs().rename(columns={"reference_l": "reference_kg", "reference_u_l": "reference_u_kg"})
    weighed["water_temp_c"] = 20.0
    found = _prove(site, tmp_path, weighed)
    first = found.runs[found.runs["line"] == 2].iloc[0]
    assert first["reference"] == "weighed"
    assert first["reference_l"] == pytest.approx(float(weighed_volume_l(VOLUMES[0], 20.0)))
    assert first["water_density_kg_m3"] == pytest.approx(998.2067, abs=1e-3)
    assert first["buoyancy_pct"] == pytest.approx(0.105, abs=0.001)
    as_litres = _prove(site, tmp_path, _runs()).proofs.set_index("column")
    ratio = found.proofs.set_index("column")["litres_per_pulse"] / as_litres["litres_per_pulse"]
    assert ratio.to_numpy() == pytest.approx(1.002852, abs=2e-5)  # Z factor at 20 °C: 1.0029, ISO 8655-6


def test_a_common_error_of_the_reference_is_carried_and_what_it_would_be_is_told(site: Site, tmp_path: Path) -> None:
    runs = _runs()
    independent = _prove(site, tmp_path, runs.assign(reference_u_l=12.0)).proofs
    common = _prove(site, tmp_path, runs.assign(reference_u_l=0.0, reference_common_u_pct=1.2)).proofs
    assert (common["expanded_uncertainty_pct"] > 1.3 * independent["expanded_uncertainty_pct"]).all()
    assert (common["expanded_uncertainty_pct"] >= 1.96 * 1.2 * 0.99).all()
    assert (independent["expanded_uncertainty_common_pct"] > 1.3 * independent["expanded_uncertainty_pct"]).all()


def test_the_calibration_that_takes_over_after_a_proof_is_the_one_compared(tmp_path: Path) -> None:
    later = CALIBRATIONS.replace(
        "M1,forward,5.0,1.0,2019-10-01,,bench,2019-09-01\n",
        "M1,forward,4.0,1.0,2019-10-01,2020-03-01,bench,2019-09-01\nM1,forward,5.0,1.0,2020-03-01,,bench,2020-03-01\n",
    )
    site = small_site(tmp_path, calibrations=later)
    found = _prove(site, tmp_path, _runs(), name="east_2020-02-20.csv").proofs.set_index("column")
    assert found.loc["a", "register_calibration"] == "M1 forward 2020-03-01"
    assert found.loc["a", "agrees"]
    long_before = _prove(site, tmp_path, _runs(), name="east_2019-11-20.csv").proofs.set_index("column")
    assert long_before.loc["a", "register_calibration"] == "M1 forward 2020-03-01"
    much_later = _prove(site, tmp_path, _runs(), name="east_2021-02-20.csv").proofs.set_index("column")
    assert much_later.loc["a", "register_calibration"] == "M1 forward 2020-03-01"


def test_a_meter_in_line_that_no_column_counts_is_missed(site: Site, tmp_path: Path) -> None:
    found = _prove(site, tmp_path, _runs().assign(c=0))
    assert "M2 was in line in 3 forward runs, but no column counts as it would" in found.files.loc[0, "note"]


def test_a_column_that_leaves_out_a_run_is_pointed_at(site: Site, tmp_path: Path) -> None:
    runs = _runs()
    runs.loc[1, "a"] = 0
    found = _prove(site, tmp_path, runs).proofs.set_index("column")
    assert found.loc["a", "meter"] == "M1"
    assert found.loc["a", "runs"] == 2
    assert "It did not count in run 2, as it should have" in found.loc["a", "note"]


def test_stray_pulses_are_left_out_and_told(site: Site, tmp_path: Path) -> None:
    runs = _runs()
    runs.loc[4, "a"] = 2
    found = _prove(site, tmp_path, runs).proofs.set_index("column")
    assert "2 stray pulses in run 5 are left out" in found.loc["a", "note"]
    assert found.loc["a", "runs"] == 3


def test_a_run_far_off_the_others_is_pointed_at(site: Site, tmp_path: Path) -> None:
    runs = pd.concat([_runs()] * 2, ignore_index=True)
    runs["run"] = range(1, 13)
    runs.loc[2, "a"] = round(runs.loc[2, "a"] * 1.12)
    runs.loc[8, "seconds"] += 1
    found = _prove(site, tmp_path, runs).proofs.set_index("column")
    assert "run 3 by -" in found.loc["a", "note"]
    assert "run 9" not in found.loc["a", "note"]


def test_a_reference_that_all_meters_contradict_alike_is_doubted_first(site: Site, tmp_path: Path) -> None:
    runs = _runs()
    runs["reference_l"] *= 1.04
    found = _prove(site, tmp_path, runs)
    assert "check the reference before you doubt every meter" in found.files.loc[0, "note"]


def test_one_run_gives_litres_per_pulse_without_an_uncertainty_and_says_so(site: Site, tmp_path: Path) -> None:
    found = _prove(site, tmp_path, _runs().iloc[[0]]).proofs.set_index("column")
    assert found.loc["a", "litres_per_pulse"] == pytest.approx(5.0, rel=0.01)
    assert pd.isna(found.loc["a", "expanded_uncertainty_pct"])
    assert "One run says nothing of repeatability" in found.loc["a", "note"]


def test_a_single_meter_without_reference_proves_nothing_and_says_so(site: Site, tmp_path: Path) -> None:
    runs = _runs({"a": WIRES["a"]}).drop(columns=["reference_l", "reference_u_l"]).iloc[:3].assign(in_line="M1")
    found = _prove(site, tmp_path, runs).proofs
    assert found["litres_per_pulse"].isna().all()
    assert "its own stay unknown" in found.loc[0, "note"]


# What can be wrong with a file


@pytest.mark.parametrize(
    ("column", "cell", "sentence"),
    [
        ("run", "", "Column run is empty"),
        ("seconds", "", "Column seconds is empty"),
        ("seconds", "-3", "Column seconds: '-3' is not the length of the run in seconds, more than 0"),
        ("reference_l", "lots", "Column reference_l: 'lots' is not the reference volume in litres, more than 0"),
        ("reference_l", "0", "Column reference_l: '0' is not"),
        ("reference_l", "1e999", "Column reference_l: '1e999' is not"),
        ("reference_u_l", "", "Column reference_u_l is empty: a reference of unknown uncertainty proves nothing"),
        ("reference_u_l", "-1", "Column reference_u_l: '-1' is not a standard uncertainty in litres, 0 or more"),
        ("reference_u_l", "500", "Column reference_u_l: '500' is more than half of the reference"),
        ("direction", "up", "Column direction: 'up' is not forward or reverse"),
        ("in_line", "M1;M9", "Column in_line: M9 is no meter of meters.csv; known are M1, M2"),
        ("a", "12x", "Column a: '12x' is no count. A count is a whole number of pulses, 0 or more"),
        ("a", "-4", "Column a: '-4' is no count"),
        ("a", "4.5", "Column a: '4.5' is no count"),
        ("reference_kg", "600", "Both reference_l and reference_kg are entered"),
    ],
)
def test_a_line_that_cannot_be_used_is_kept_with_a_sentence_and_the_rest_is_used(
    site: Site, tmp_path: Path, column: str, cell: str, sentence: str
) -> None:
    runs = _runs().assign(reference_kg="").astype("object")
    runs.loc[1, column] = cell
    found = _prove(site, tmp_path, runs)
    (reason,) = _reasons(found)
    assert reason.startswith(sentence)
    assert list(found.rejected["line"]) == [3]
    assert len(found.proofs) == 4


@pytest.mark.parametrize(
    ("cells", "sentence"),
    [
        ({"water_temp_c": ""}, "Column water_temp_c is empty"),
        ({"water_temp_c": "55"}, "Column water_temp_c: '55' is not from 0 to 40 °C"),
        ({"air_temp_c": "20"}, "Of air_temp_c and air_pressure_hpa one is entered"),
        (
            {"air_temp_c": "20", "air_pressure_hpa": "14.7"},
            "Column air_pressure_hpa: '14.7' is not the pressure at the place",
        ),
        ({"reference_u_kg": ""}, "Column reference_u_kg is empty"),
    ],
)
def test_a_weighing_that_lacks_something_is_told(
    site: Site, tmp_path: Path, cells: dict[str, str], sentence: str
) -> None:
    weighed = _runs().rename(columns={"reference_l": "reference_kg", "reference_u_l": "reference_u_kg"})
    weighed = weighed.assign(water_temp_c="20", air_temp_c="", air_pressure_hpa="").astype("object")
    for column, cell in cells.items():
        weighed.loc[1, column] = cell
    (reason,) = _reasons(_prove(site, tmp_path, weighed))
    assert reason.startswith(sentence)


def test_an_empty_count_leaves_its_column_out_of_that_run_only(site: Site, tmp_path: Path) -> None:
    runs = _runs().astype("object")
    runs.loc[1, "a"] = ""
    found = _prove(site, tmp_path, runs)
    assert found.rejected.empty
    assert dict(zip(found.proofs["column"], found.proofs["runs"], strict=True)) == {"a": 2, "b": 3, "c": 3, "d": 3}


def test_a_line_that_stands_twice_is_used_once(site: Site, tmp_path: Path) -> None:
    runs = _runs()
    found = _prove(site, tmp_path, pd.concat([runs, runs.iloc[[0]]]))
    assert _reasons(found) == ["The line repeats bench/east_2019-09-25.csv, line 2 cell for cell; that line is used."]


def test_a_misspelt_column_is_told_with_the_name_that_it_resembles(site: Site, tmp_path: Path) -> None:
    runs = _runs().assign(**{"water_temp": "20.5"})
    found = _prove(site, tmp_path, runs)
    assert "Column water_temp is wired to no meter and holds no whole numbers" in found.files.loc[0, "note"]
    assert "Did you mean water_temp_c?" in found.files.loc[0, "note"]


def test_a_column_that_nobody_wired_yet_is_a_count_too(site: Site, tmp_path: Path) -> None:
    spare = {"spare": WIRES["a"], "b": WIRES["b"], "c": WIRES["c"], "d": WIRES["d"]}
    found = _prove(site, tmp_path, _runs(spare)).proofs.set_index("column")
    assert found.loc["spare", "could_be"] == "M1 forward"
    assert pd.isna(found.loc["spare", "wiring_agrees"])


def test_a_gauge_column_is_no_count(site: Site, tmp_path: Path) -> None:
    found = _prove(site, tmp_path, _runs().assign(volt=12))
    assert "volt" not in set(found.proofs["column"])


@pytest.mark.parametrize(
    ("name", "more", "sentence"),
    [
        ("2019-09-25.csv", {"logger": "south"}, "Column logger: 'south' is no logger of site.yaml; known are east"),
        ("east_2019-02-31.csv", {}, "'2019-02-31' is no day"),
        ("east.csv", {"date": ["2019-09-25"] * 3 + ["2019-09-26"] * 3}, "Column date names 2019-09-25 and 2019-09-26"),
    ],
)
def test_a_file_whose_logger_or_day_cannot_be_is_told_and_kept(
    site: Site, tmp_path: Path, name: str, more: dict[str, object], sentence: str
) -> None:
    found = _prove(site, tmp_path, _runs().assign(**more), name=name)
    assert len(found.rejected) == len(VOLUMES)
    assert all(reason.startswith(sentence) for reason in _reasons(found))
    assert found.proofs.empty


@pytest.mark.parametrize(
    "content", ["", "\n\n", "run;seconds\n1;2\n", "run,seconds\n", "run,seconds,a,a\n1,2,3,4\n", "\x00\x01", "a" * 5000]
)
def test_a_file_that_is_no_bench_file_is_accounted_for(site: Site, tmp_path: Path, content: str) -> None:
    found = _prove(site, tmp_path, content)
    (account,) = found.files.to_dict("records")
    assert (
        account["lines"]
        == account["header_lines"] + account["blank_lines"] + account["run_lines"] + account["rejected_lines"]
    )
    assert found.proofs.empty


def test_a_file_without_a_day_is_held_against_the_calibrations_that_began_last(tmp_path: Path) -> None:
    later = CALIBRATIONS.replace(
        "M1,forward,5.0,1.0,2019-10-01,,bench,2019-09-01\n",
        "M1,forward,4.0,1.0,2019-10-01,2020-03-01,bench,2019-09-01\nM1,forward,5.0,1.0,2020-03-01,,bench,2020-03-01\n",
    )
    found = _prove(small_site(tmp_path, calibrations=later), tmp_path, _runs(), name="test.csv")
    assert "The day of the test is not known" in found.files.loc[0, "note"]
    proof = found.proofs.set_index("column").loc["a"]
    assert (proof.meter, proof.register_calibration, proof.logger) == ("M1", "M1 forward 2020-03-01", "east")


def test_a_file_that_names_no_logger_is_of_the_one_that_has_its_columns(tmp_path: Path) -> None:
    root = Path(__file__).parent.parent
    site = load_site(root / "configs" / "sedge-hollow")
    original = root / "sample_lake" / "raw" / "sedge-hollow" / "bench" / "west_2019-09-25.csv"
    path = tmp_path / "2019-09-25.csv"
    path.write_bytes(original.read_bytes())
    found = bench_proofs(site, tmp_path, [path])
    assert set(found.proofs["logger"]) == {"west"}
    assert found.proofs["wiring_agrees"].all()


cells = st.one_of(
    st.sampled_from(["", "0", "1", "60", "1e9", "-1", "x", '"', "forward", "M1", "M1;M2", "é", "nan", "12.5"]),
    st.text(max_size=4),
)


@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.tuples(st.integers(0, 5), st.integers(0, 9), cells), max_size=8))
def test_whatever_stands_in_a_file_no_line_is_lost(
    site: Site, tmp_path: Path, changes: list[tuple[int, int, str]]
) -> None:
    rows = [list(map(str, row)) for row in _runs().itertuples(index=False)]
    for row, column, cell in changes:
        rows[row][column] = cell.replace("\n", "").replace("\r", "")
    text = "\n".join(",".join(row) for row in [list(_runs().columns), *rows]) + "\n"
    found = _prove(site, tmp_path, text)
    (account,) = found.files.to_dict("records")
    assert (
        account["lines"]
        == account["header_lines"] + account["blank_lines"] + account["run_lines"] + account["rejected_lines"]
    )
    assert account["rejected_lines"] == len(found.rejected)
    used = set(found.runs["line"])
    assert used.isdisjoint(found.rejected["line"])


# Tables


def test_the_tables_keep_to_their_declarations(site: Site, tmp_path: Path) -> None:
    runs = _runs().astype("object")
    runs.loc[5, "seconds"] = "soon"
    found = _prove(site, tmp_path, runs)
    lake = Lake(tmp_path / "lake")
    frames = (found.proofs, found.comparisons, found.runs, found.files, found.rejected)
    facts = Facts({"meter": ("M1", "M2"), "plot": ("north", "south")})
    with open_session() as session:
        for name, frame in zip(TABLES, frames, strict=True):
            path = lake.write_frame(table(name), frame, "made from this test", "small")
            part = Partition(session.read_parquet(str(path)), table(name), facts)
            (outcomes,) = check_partitions(session, {None: part}).values()
            assert [outcome for outcome in outcomes if not outcome.passed] == []


def test_the_same_files_in_another_order_give_the_same_tables(site: Site, tmp_path: Path) -> None:
    raw = tmp_path / "raw"
    _prove(site, tmp_path, _runs(), _runs().iloc[::-1])
    paths = sorted((raw / "bench").glob("*.csv"))
    one, other = bench_proofs(site, raw, paths), bench_proofs(site, raw, paths[::-1])
    for name in ("proofs", "comparisons", "runs", "files", "rejected"):
        pd.testing.assert_frame_equal(getattr(one, name), getattr(other, name))


def _stale(field: Field) -> set[str]:
    return {one.table for one in look(field.bench(), field.site).all() if one.state == "stale"}


def test_a_new_bench_file_makes_stale_what_benches_prove_and_nothing_else(tmp_path: Path) -> None:
    field = copy_of(computed_field(), tmp_path / "field")
    raw = field.lake.raw(field.site.site) / "bench"
    before = sorted(raw.iterdir())[0]
    (raw / "east_2031-01-01.csv").write_bytes(before.read_bytes())
    assert _stale(field) == set(TABLES)


def test_a_calibration_from_before_the_record_makes_stale_what_benches_prove(tmp_path: Path) -> None:
    field = copy_of(computed_field(), tmp_path / "field")
    row = field.site.calibrations[0]
    with field.folder.joinpath("calibrations.csv").open("a") as register:
        register.write(
            f"{row.meter},{row.direction},5.5,1.0,2011-01-01,{row.start - timedelta(hours=6):%Y-%m-%d},older,\n"
        )
    assert _stale(field) == set(TABLES)


@pytest.mark.parametrize("vanished", [True, False])
def test_a_bench_file_that_changed_or_vanished_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], vanished: bool
) -> None:
    field = copy_of(computed_field(), tmp_path / "field")
    path = sorted((field.lake.raw(field.site.site) / "bench").iterdir())[0]
    content = path.read_bytes()
    path.unlink()
    if not vanished:
        path.write_bytes(content[: len(content) // 2])
    main(["status", "--site", str(field.folder), "--lake", str(field.lake.root)])
    assert f"{'VANISHED' if vanished else 'CHANGED'}: bench/{path.name} of {field.site.title}" in _said(capsys)


# What a person reads


def test_a_proposed_row_can_be_pasted_into_the_register(tmp_path: Path) -> None:
    header, _, *others = CALIBRATIONS.splitlines()
    site = small_site(tmp_path, calibrations=CALIBRATIONS)
    found = _prove(site, tmp_path, _runs())
    register = site.folder / "calibrations.csv"
    _, text = proposed_rows(found.proofs, header.split(","), date(2019, 9, 26))
    (row,) = [line for line in text.splitlines() if line.startswith("M1,forward,")]
    register.write_text("\n".join([header, row, *others]) + "\n")
    pasted = next(c for c in load_site(site.folder).calibrations if (c.meter, c.direction) == ("M1", "forward"))
    proof = found.proofs.set_index("column").loc["a"]
    assert pasted.litres_per_pulse == pytest.approx(proof.litres_per_pulse, rel=proof.expanded_uncertainty_pct / 100 / 20)
    assert proof.expanded_uncertainty_pct <= pasted.expanded_uncertainty_pct <= 1.1 * proof.expanded_uncertainty_pct
    assert pasted.entered == date(2019, 9, 26)


def test_rows_that_would_change_the_register_come_first_and_apart(site: Site, tmp_path: Path) -> None:
    found = _prove(site, tmp_path, _runs(true=LITRES | {("M2", "forward"): 5.9}))
    texts = list(proposed_rows(found.proofs, ["meter", "direction"], date(2019, 9, 26)))
    assert texts[0].startswith("To paste into calibrations.csv")
    assert texts[1] == "meter,direction\nM2,forward"
    assert texts[3].splitlines()[1:] == ["M1,forward", "M1,reverse", "M2,reverse"]


def _said(capsys: pytest.CaptureFixture[str]) -> str:
    captured = capsys.readouterr()
    assert "Traceback" not in captured.out + captured.err
    return captured.out + captured.err


def _digests(folder: Path) -> dict[str, bytes]:
    return {str(path): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


def test_the_command_tells_every_proof_and_edits_nothing(
    site: Site, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "120")
    path = tmp_path / "lake" / "raw" / "small" / "bench" / "east_2019-09-25.csv"
    path.parent.mkdir(parents=True)
    _runs().to_csv(path, index=False)
    before = _digests(tmp_path)
    assert main(["proofs", "--site", str(site.folder), "--lake", str(tmp_path / "lake")]) == 0
    said = _said(capsys)
    for column, wire in WIRES.items():
        assert any(line.split()[:3] == [column, *wire] for line in said.splitlines())
        assert f"{LITRES[wire]:.1f}" in said
    assert "they agree" in said
    assert _digests(tmp_path) == before


def test_the_command_ends_with_code_1_where_a_line_cannot_be_used(
    site: Site, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "east_2019-09-25.csv"
    runs = _runs().astype("object")
    runs.loc[0, "seconds"] = "soon"
    runs.to_csv(path, index=False)
    assert main(["proofs", str(path), "--site", str(site.folder)]) == 1
    assert "east_2019-09-25.csv, line 2 is not used. Column seconds: 'soon'" in _said(capsys)


def test_the_command_says_where_bench_files_belong_when_there_are_none(
    site: Site, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "lake" / "raw").mkdir(parents=True)
    assert main(["proofs", "--site", str(site.folder), "--lake", str(tmp_path / "lake")]) == 1
    assert "No .csv file lies in" in _said(capsys)


# Truth


def test_a_few_benches_of_the_study_are_told_right_and_covered(tmp_path: Path) -> None:
    """A short run of tests/bench/bench_proofs.py: of some 70 columns none wrong, and 95 % of them covered, give or take chance."""
    rows = study(10, tmp_path)
    assert not (rows["told"] == "WRONG").any()
    separable = rows[rows["can_tell"]]
    assert (separable["told"] == "right").mean() > 0.95
    assert rows["covered"].mean() > 0.85


def test_the_demo_site_proves_its_meters_as_they_are() -> None:
    root = Path(__file__).parent.parent
    site = load_site(root / "configs" / "sedge-hollow")
    raw = root / "sample_lake" / "raw" / "sedge-hollow"
    found = bench_proofs(site, raw, (raw / "bench").glob("*.csv")).proofs
    plan = Plan()
    truth = {
        (meter.meter, c.direction, c.first_day): c.true_litres_per_pulse
        for meter in invent_meters(plan, invent_plots(plan))
        for c in meter.calibrations
    }
    for row in found.itertuples():
        day = min(
            first for meter, way, first in truth if (meter, way) == (row.meter, row.direction) and first >= row.proved
        )
        assert row.wired_as == f"{row.meter} {row.direction}"
        assert row.litres_per_pulse == pytest.approx(
            truth[row.meter, row.direction, day], rel=1.5 * row.expanded_uncertainty_pct / 100
        )
    assert len(found) == len(truth)
    assert np.isfinite(found["expanded_uncertainty_pct"].astype(float)).all()
