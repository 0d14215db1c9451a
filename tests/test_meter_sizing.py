"""Promises of meter sizing: which flow counts, what follows for each bore, what a person sees."""

from __future__ import annotations

import csv
import math
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.cli import main
from pipeline.lake import open_session
from pipeline.publish.sizing import advice, sizing_sheet, sizing_text
from pipeline.publish.sizing_picture import sizing_picture
from pipeline.science.error_curve import error_pct
from pipeline.science.pipe_hydraulics import velocity_m_s
from pipeline.site import Site
from pipeline.stages.flow_duration import FlowRecord, flow_record
from pipeline.stages.meter_sizing import Conditions, Sizing, SizingError, meter_sizing
from pipeline.tables import table
from tests.computed_lake import SITE, YEARS, Field, computed_field, copy_of, raw_field
from tests.small_site import small_site

MIDNIGHT = pd.Timestamp("2020-01-01T06:00Z")


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Site:
    """Meter of 75 mm in a main of 150 mm; ±5 % at 4.2 L/min; calibrations of ±1 % both ways."""
    return small_site(tmp_path_factory.mktemp("small"))


def flow_frame(forward_l: list[float | None], reverse_l: list[float | None], minutes: list[float]) -> pd.DataFrame:
    ends = MIDNIGHT + pd.to_timedelta(np.cumsum(minutes), unit="min")
    starts = ends - pd.to_timedelta(minutes, unit="min")
    forward, reverse = pd.array(forward_l, dtype="Float64"), pd.array(reverse_l, dtype="Float64")
    return pd.DataFrame(
        {
            "plot": "north",
            "interval_start": starts.as_unit("us"),
            "interval_end": ends.as_unit("us"),
            "forward_l": forward,
            "reverse_l": reverse,
            "net_l": forward - reverse,
            "quality": "ok",
        }
    )


def outage_frame(*stretches: tuple[float, float]) -> pd.DataFrame:
    starts, ends = (pd.to_timedelta([row[side] for row in stretches], unit="min") for side in (0, 1))
    return pd.DataFrame(
        {"plot": "north", "start": (MIDNIGHT + starts).as_unit("us"), "end": (MIDNIGHT + ends).as_unit("us")}
    )


def record_of(site: Site, flow: pd.DataFrame, outages: pd.DataFrame | None = None, plot: str = "north") -> FlowRecord:
    with open_session() as session:
        stretches = session.from_df(outage_frame() if outages is None else outages)
        return flow_record(session, session.from_df(flow), stretches, site, plot, [2020, 2021])


def classes(flow_l_min: list[float], hours: list[float], reverse: float = 0.0) -> FlowRecord:
    flow, time = np.array(flow_l_min), np.array(hours)
    litres = flow * time * 60
    return FlowRecord(flow, time, litres * (1 - reverse), litres * reverse, 10.0, {2020: time.sum()}, {2020: 8784.0})


# Which flow counts


def test_flow_is_both_ways_added_up_and_weighed_by_the_length_of_its_intervals(site: Site) -> None:
    record = record_of(site, flow_frame([100.0, 0.0, 0.0, 60.0], [0.0, 0.0, 600.0, 40.0], [10, 30, 60, 10]))
    assert record.flow_l_min.tolist() == [0.0, 10.0]
    assert record.hours.tolist() == pytest.approx([0.5, 80 / 60])
    assert (record.forward_l.tolist(), record.reverse_l.tolist()) == ([0.0, 160.0], [0.0, 640.0])


def test_intervals_without_a_reading_and_those_across_missing_records_are_left_out(site: Site) -> None:
    flow = flow_frame([100.0, None, 5000.0, 20.0], [0.0, None, 0.0, 0.0], [10, 10, 5000, 10])
    flow.loc[2, "quality"] = "spans_gap"
    record = record_of(site, flow)
    assert record.flow_l_min.tolist() == [2.0, 10.0]
    assert record.hours.sum() == pytest.approx(20 / 60)


def test_intervals_that_touch_an_outage_are_left_out(site: Site) -> None:
    # Outages from minute 15 to 20 and from 40 to 50: intervals 2 and 5 of six; those that only meet them at an end count.
    flow = flow_frame([1.0, 2.0, 3.0, 4.0, 5.0, 6.0], [0.0] * 6, [10.0] * 6)
    record = record_of(site, flow, outage_frame((15, 20), (40, 50)))
    assert record.forward_l.tolist() == [1.0, 3.0, 4.0, 6.0]


def test_another_plots_flow_and_outages_do_not_count(site: Site) -> None:
    flow = pd.concat([flow_frame([10.0], [0.0], [10]), flow_frame([70.0], [0.0], [10]).assign(plot="south")])
    record = record_of(site, flow, outage_frame((0, 10)), plot="south")
    assert record.forward_l.tolist() == [70.0]


def test_measured_time_is_told_by_water_year_in_standard_time(site: Site) -> None:
    # The water year begins on 1 October at 06:00 UTC: two of the three hours lie before.
    flow = flow_frame([1.0, 1.0, 1.0], [0.0] * 3, [60.0] * 3)
    shift = pd.Timestamp("2020-10-01T04:00Z") - MIDNIGHT
    flow["interval_start"] += shift
    flow["interval_end"] += shift
    record = record_of(site, flow)
    assert record.measured_hours == {2020: 2.0, 2021: 1.0}
    assert record.period_hours == {2020: 366 * 24, 2021: 365 * 24}


# What follows for each bore


def test_the_bore_in_use_is_accurate_from_where_its_curve_says_and_others_at_the_same_velocity(site: Site) -> None:
    sizing = meter_sizing(site, "north", classes([1.0, 50.0], [1.0, 1.0]), [50.0, 150.0], Conditions())
    rows = sizing.candidates
    assert rows["bore_mm"].tolist() == [50.0, 75.0, 150.0]
    assert rows["in_use"].tolist() == [False, True, False]
    assert rows["accurate_from_l_min"].tolist() == pytest.approx([4.2 * (50 / 75) ** 2, 4.2, 4.2 * 4])
    assert np.ptp(velocity_m_s(rows["accurate_from_l_min"], rows["bore_mm"])) == pytest.approx(0.0, abs=1e-12)


def test_the_trades_range_begins_at_its_velocity(site: Site) -> None:
    # 1.5 cm/s (common practice, no source).
    rows = meter_sizing(
        site, "north", classes([1.0, 50.0], [1.0, 1.0]), None, Conditions(accurate_range="trade")
    ).candidates
    assert velocity_m_s(rows["accurate_from_l_min"], rows["bore_mm"]) == pytest.approx(0.015)


def test_shares_below_range_are_of_the_water_and_of_the_time_that_water_ran(site: Site) -> None:
    # 100 h still, 30 h at 1 L/min, 10 h at 12 L/min: 1,800 of 9,000 L and 30 of 40 h lie below 4.2 L/min.
    rows = meter_sizing(site, "north", classes([0.0, 1.0, 12.0], [100.0, 30.0, 10.0]), [75.0], Conditions()).candidates
    assert rows["water_below_range"].tolist() == pytest.approx([0.2])
    assert rows["running_time_below_range"].tolist() == pytest.approx([0.75])


def test_the_lowest_accurate_flow_itself_is_within_range(site: Site) -> None:
    rows = meter_sizing(site, "north", classes([4.19, 4.2, 4.21], [1.0, 1.0, 1.0]), [75.0], Conditions()).candidates
    assert rows["running_time_below_range"].tolist() == pytest.approx([1 / 3])


def test_a_years_uncertainty_joins_the_curves_limit_and_the_calibrations(site: Site) -> None:
    # The limit: every litre with the curve's error at its flow. Calibrations: ±1 % (k = 2) forward and reverse, independent.
    record = classes([2.0, 20.0], [50.0, 10.0], reverse=0.25)
    row = meter_sizing(site, "north", record, [75.0], Conditions()).candidates.iloc[0]
    gross = np.array([6000.0, 12000.0])
    limit = float(np.sum(error_pct([2.0, 20.0], [4.2, 42.0, 400.0], [5.0, 1.0, 0.2]) / 100 * gross))
    calibration = 0.01 * math.hypot(0.75 * 18000, 0.25 * 18000)
    assert row["error_curve_l"] == pytest.approx(limit)
    assert row["calibration_l"] == pytest.approx(calibration)
    # JCGM 100:2008: u = sqrt(limit²/3 + (U/2)²), U = 2u.
    assert row["expanded_l"] == pytest.approx(2 * math.sqrt(limit**2 / 3 + calibration**2 / 4))


def test_head_is_compared_with_the_head_at_hand_for_all_measured_time(site: Site) -> None:
    record = classes([0.0, 10.0, 100.0], [50.0, 40.0, 10.0])
    at_hundred = meter_sizing(site, "north", record, [40.0], Conditions()).candidates["head_loss_m"][0][0]
    rows = meter_sizing(site, "north", record, [40.0], Conditions(head_m=at_hundred / 2)).candidates
    assert rows["time_above_head"].tolist() == pytest.approx([0.1, 0.0])


records = st.dictionaries(st.floats(0.05, 500), st.floats(0.1, 1000), min_size=1, max_size=12).map(
    lambda hours: classes(sorted(hours), [hours[flow] for flow in sorted(hours)])
)
unhurried = settings(deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60)


@unhurried
@given(records)
def test_a_smaller_bore_leaves_no_more_below_range_and_loses_no_less_head(site: Site, record: FlowRecord) -> None:
    rows = meter_sizing(site, "north", record, [30.0, 45.0, 60.0, 90.0, 120.0], Conditions()).candidates
    for name in ("water_below_range", "running_time_below_range", "error_curve_l"):
        assert (np.diff(rows[name]) >= -1e-9).all(), name
    assert (np.diff(np.array(rows["head_loss_m"].tolist()), axis=0) <= 1e-12).all()


@unhurried
@given(records, st.floats(1.01, 1.9))
def test_more_area_with_as_much_more_flow_reads_the_same(site: Site, record: FlowRecord, wider: float) -> None:
    # Error curves go with velocity: flow and area grown alike leave the same relative errors.
    more = FlowRecord(
        record.flow_l_min * wider**2, record.hours, record.forward_l * wider**2, record.reverse_l * wider**2, 10.0, {}, {}
    )
    here = meter_sizing(site, "north", record, [75.0], Conditions()).candidates
    there = meter_sizing(site, "north", more, [75.0 * wider], Conditions()).candidates
    there = there[~there["in_use"]].reset_index()
    assert there["error_curve_l"][0] == pytest.approx(here["error_curve_l"][0] * wider**2, rel=1e-9)
    assert there["velocity_m_s"][0] == pytest.approx(here["velocity_m_s"][0], rel=1e-9)


@pytest.mark.parametrize(
    ("plot", "bores", "record", "said"),
    [
        ("west", None, classes([1.0], [1.0]), "has no plot west. Its plots are north, south."),
        ("north", [50.0, 160.0], classes([1.0], [1.0]), "A bore of 160 mm is larger than the main of 150 mm"),
        ("north", None, classes([0.0], [12.0]), "In 12 measured hours no water ran through the meter of plot north"),
    ],
)
def test_what_cannot_be_compared_is_said(
    site: Site, plot: str, bores: list[float] | None, record: FlowRecord, said: str
) -> None:
    with pytest.raises(SizingError, match=re.escape(said)):
        meter_sizing(site, plot, record, bores, Conditions())


# What a person sees


@pytest.fixture
def sizing(site: Site) -> Sizing:
    record = classes([0.0, 1.0, 12.0, 700.0], [100.0, 30.0, 10.0, 0.5], reverse=0.1)
    return meter_sizing(site, "north", record, None, Conditions(head_m=0.05, slope=0.001))


def test_every_bore_has_one_sentence_of_advice(sizing: Sizing) -> None:
    sentences = [sentence for _, sentence in advice(sizing)]
    assert len(sentences) == len(sizing.candidates)
    assert all(sentence.endswith(".") and ". " not in sentence for sentence in sentences)


def test_a_bore_that_takes_more_than_the_head_at_hand_says_so(sizing: Sizing) -> None:
    for row, sentence in advice(sizing):
        assert ("more than the 0.05 m at hand" in sentence) == (row["head_loss_m"][0] > 0.05)


def test_a_bore_through_which_water_races_says_so(sizing: Sizing) -> None:
    # The meter in use is made for 400 L/min in 75 mm: 1.51 m/s.
    for row, sentence in advice(sizing):
        assert ("faster than the meter in use is made for (1.51 m/s)" in sentence) == (row["velocity_m_s"][0] > 1.51)


def test_the_caution_sends_the_reader_to_a_licensed_engineer(sizing: Sizing) -> None:
    said = " ".join(str(part) for part in sizing_text(sizing))
    assert "backs water up into the field" in said
    assert "is a matter for a licensed engineer" in said


def test_the_picture_is_a_drawing_of_its_own_with_words_for_those_who_do_not_see_it(sizing: Sizing) -> None:
    drawn = sizing_picture(sizing)
    svg = ElementTree.fromstring(drawn)
    space = "{http://www.w3.org/2000/svg}"
    assert svg.tag == f"{space}svg"
    labels = svg.attrib["aria-labelledby"].split()
    described = {part.attrib["id"]: part.text for part in svg if part.tag in (f"{space}title", f"{space}desc")}
    assert labels == list(described)
    assert all(f"{bore:g} mm" in str(described["description"]) for bore in sizing.candidates["bore_mm"])
    assert not any(word in drawn for word in ("href", "url(", "@import", "<script", "<image"))


def test_lines_of_the_picture_differ_by_more_than_colour(sizing: Sizing) -> None:
    # Panels begin every 262 units; the first holds one line only.
    panels: dict[int, list[dict[str, str]]] = {}
    for part in ElementTree.fromstring(sizing_picture(sizing)):
        if part.tag.endswith("polyline"):
            top = min(float(point.split(",")[1]) for point in part.attrib["points"].split())
            panels.setdefault(int((top - 80) // 262), []).append(part.attrib)
    assert sorted(panels) == [0, 1, 2]
    for lines in (panels[1], panels[2]):
        assert len({line["stroke"] for line in lines}) == len(lines) == 3
        assert len({line.get("stroke-dasharray", "") for line in lines}) == len(lines)


def test_the_sheet_holds_a_line_a_bore_and_the_numbers_of_the_comparison(sizing: Sizing) -> None:
    rows = list(csv.DictReader(sizing_sheet(sizing).splitlines()))
    assert [float(row["bore_mm"]) for row in rows] == sizing.candidates["bore_mm"].tolist()
    assert [float(row["head_loss_m_highest"]) for row in rows] == pytest.approx(
        [loss[0] for loss in sizing.candidates["head_loss_m"]], rel=1e-5
    )
    assert float(rows[0]["velocity_m_s_highest"]) == pytest.approx(700 / 60000 / (math.pi / 4 * 0.04**2), rel=1e-5)


# The command


@pytest.fixture(scope="module")
def field() -> Field:
    return computed_field()


def _command(field: Field, folder: Path, *more: str) -> list[str]:
    places = [str(field.folder), "--lake", str(field.root / "lake"), "--picture", str(folder / "sizing.svg")]
    return ["size-meter", *places, *more]


def test_the_water_below_range_of_the_bore_in_use_is_what_the_stored_marks_say(field: Field, tmp_path: Path) -> None:
    plot = field.site.plots[0].plot
    sheet = tmp_path / "sizing.csv"
    assert main(_command(field, tmp_path, "--plot", plot, "--csv", str(sheet))) == 0
    flow = field.lake.frame(table("interval_flow"), SITE, YEARS)
    flow = flow[(flow["plot"] == plot) & flow["net_l"].notna() & (flow["quality"] != "spans_gap")]
    outages = field.lake.frame(table("outages"), SITE, YEARS)
    for row in outages[outages["plot"] == plot].itertuples():
        flow = flow[(flow["interval_end"] <= row.start) | (flow["interval_start"] >= row.end)]
    gross = flow["forward_l"] + flow["reverse_l"]
    expected = 100 * gross[flow["below_range"]].sum() / gross.sum()
    (in_use,) = [row for row in csv.DictReader(sheet.read_text().splitlines()) if row["in_use"] == "yes"]
    assert expected > 0
    assert float(in_use["water_below_range_pct"]) == pytest.approx(expected, rel=1e-5)


def test_the_same_lake_gives_the_same_picture_and_sheet(field: Field, tmp_path: Path) -> None:
    plot = field.site.plots[0].plot
    seen = []
    for name in ("once", "again"):
        main(_command(field, tmp_path / name, "--plot", plot, "--csv", str(tmp_path / name / "sizing.csv")))
        seen.append([(tmp_path / name / file).read_bytes() for file in ("sizing.svg", "sizing.csv")])
    assert seen[0] == seen[1]


def test_a_lake_without_flow_says_what_to_run_first(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    field = copy_of(raw_field(), tmp_path / "field")
    assert main(_command(field, tmp_path, "--plot", field.site.plots[0].plot)) == 1
    said = capsys.readouterr().err
    assert f"Run `drainledger run --site {field.folder} --lake {field.root / 'lake'}` first." in said
    assert not (tmp_path / "sizing.svg").exists()


def _cut_short(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:-100])


def _without_a_column(path: Path) -> None:
    rows = pq.ParquetFile(path).read().drop_columns(["calibration"])
    pq.write_table(rows, path)


@pytest.mark.parametrize("harm", [_cut_short, _without_a_column])
def test_flow_that_is_damaged_or_of_another_version_is_told_in_words(
    field: Field, tmp_path: Path, capsys: pytest.CaptureFixture[str], harm: Callable[[Path], None]
) -> None:
    own = copy_of(field, tmp_path / "field")
    harm(own.lake.path(table("interval_flow"), SITE, YEARS[0]))
    assert main(_command(own, tmp_path, "--plot", own.site.plots[0].plot)) == 1
    said = capsys.readouterr().err
    assert "cannot be read: it is damaged, or another version of the program wrote it" in said
    assert f"Run `drainledger run --site {own.folder}" in said


@pytest.mark.parametrize("place", ["configs/sedge-hollow/meters.csv", "lake/raw/sizing.csv", "lake/tables/sizing.csv"])
def test_nothing_is_written_among_registers_raw_files_and_tables(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], place: str
) -> None:
    field = copy_of(raw_field(), tmp_path / "field")
    target = field.root / place
    before = target.read_bytes() if target.exists() else None
    assert main(_command(field, tmp_path, "--plot", field.site.plots[0].plot, "--csv", str(target))) == 1
    assert "Name another place." in capsys.readouterr().err
    assert (target.read_bytes() if target.exists() else None) == before


@pytest.mark.parametrize(
    ("option", "value", "said"),
    [
        ("--bore-mm", "50,-3", "expected bores in mm, such as 50,65,100, and found -3"),
        ("--bore-mm", "0", "and found 0"),
        ("--bore-mm", "wide", "and found wide"),
        ("--exceeded", "5,150", "expected percentages between 0 and 100, such as 1,5,50, and found 150"),
        ("--slope", "nan", "expected a fall in m per m above 0, such as 0.002, and found nan"),
    ],
)
def test_a_number_that_cannot_be_is_refused_in_words(
    capsys: pytest.CaptureFixture[str], option: str, value: str, said: str
) -> None:
    with pytest.raises(SystemExit) as refusal:
        main(["size-meter", "--plot", "P1", option, value])
    assert refusal.value.code == 2
    assert said in capsys.readouterr().err


def test_help_teaches_by_an_example_and_answers_without_slow_libraries() -> None:
    code = (
        "import sys\nfrom pipeline.cli import main\ntry:\n    main(['size-meter', '--help'])\nexcept SystemExit:\n    pass\n"
        "print([name for name in ('dagster', 'duckdb', 'scipy', 'pandas') if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "drainledger size-meter configs/sedge-hollow --plot P1 --bore-mm 50,65,100" in done.stdout
    assert done.stdout.splitlines()[-1] == "[]"
