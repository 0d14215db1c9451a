"""Every published load goes back to pulses in lines of files, and adds up to what is published."""

import gzip
import json
import shutil
import tempfile
from itertools import pairwise
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.cli import main
from pipeline.lake import Lake, open_session
from pipeline.publish.published_loads import KINDS, find_load
from pipeline.publish.trace import Trace, files, hold_loads, off, rest, trace_load
from pipeline.site import Site, load_site
from pipeline.stages.raw_text import NameLine, lines_as_they_stand, scan
from pipeline.tables import table
from tests.two_weeks import compute, write_two_weeks

PLOTS = ("north", "south")
AREA_HA = {"north": 1.0, "south": 2.0}


@pytest.fixture(scope="module")
def computed(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("traced")
    compute(Lake(folder / "lake"), write_two_weeks(folder))
    return folder


@pytest.fixture
def copy(computed, tmp_path) -> Path:
    return shutil.copytree(computed, tmp_path / "copy")


def places(folder: Path) -> tuple[Lake, Site]:
    return Lake(folder / "lake"), load_site(folder / "configs" / "small")


def traced(folder: Path, kind: str, name: str, plot: str | None, year: int | None = None) -> Trace:
    lake, site = places(folder)
    with open_session() as session:
        return trace_load(session, lake, site, find_load(lake, site, kind, name, plot, "nitrate_n", year))


def held(folder: Path) -> pd.DataFrame:
    lake, site = places(folder)
    with open_session() as session:
        *_, loads = hold_loads(session, lake, site)
    return loads


def run(folder: Path, *arguments: str) -> int:
    return main(["trace", "--lake", str(folder / "lake"), "--site", str(folder / "configs" / "small"), *arguments])


def test_every_published_load_is_the_sum_of_its_trace(computed):
    loads = held(computed)
    assert set(loads["kind"]) == set(KINDS)
    assert not off(loads).any()
    # What rounding leaves of numbers of some hundred mm and some kg/ha, far below the bound that people are told.
    assert loads["volume_difference_mm"].abs().max() < 1e-9
    assert loads["load_difference_kg_ha"].abs().max() < 1e-9


def test_loads_of_all_kinds_are_held_and_none_is_left_out(computed):
    lake, site = places(computed)
    published = sum(
        len(lake.frame(table(name), site.site, lake.years(table(name), site.site))) for name, _ in KINDS.values()
    )
    assert len(held(computed)) == published


@pytest.mark.parametrize("plot", PLOTS)
@pytest.mark.parametrize(
    ("kind", "name", "year"), [("year", "2021", None), ("event", "between", 2020), ("period", "both", None)]
)
def test_lists_of_a_trace_add_up_to_the_load(computed, plot, kind, name, year):
    trace = traced(computed, kind, name, plot, year)
    not_metered = rest(trace)
    whole_l = trace.load.row["volume_known_mm"] * 10_000 * AREA_HA[plot]
    whole_mg = trace.load.row["load_known_kg_ha"] * 1e6 * AREA_HA[plot]
    for litres, milligrams in (
        (trace.flow["net_l"].sum(), trace.flow["load_mg"].sum()),
        (trace.concentration["net_l"].sum(), trace.concentration["load_mg"].sum()),
        (
            trace.metered["volume_l"].sum() + sum(row[1] for row in not_metered),
            trace.metered["load_mg"].sum() + sum(row[2] for row in not_metered),
        ),
        (
            sum(row["volume_l"] for row in files(trace)) + sum(row[1] for row in not_metered),
            sum(row["load_mg"] for row in files(trace)) + sum(row[2] for row in not_metered),
        ),
    ):
        assert litres == pytest.approx(whole_l, abs=1e-5)
        assert milligrams == pytest.approx(whole_mg, abs=1e-3)


def test_pulses_of_a_trace_are_those_of_the_raw_lines(computed):
    """Against a plain reading of the raw files' text, of a day that no gap touches."""
    lines = {
        line
        for path in sorted((computed / "lake" / "raw" / "small" / "logger").glob("*.csv"))
        for line in path.read_text().splitlines()[2:]
    }
    cells = [line.split(";") for line in lines]
    # Stamps mark ends: the day's intervals end after its first midnight and up to its last.
    day = [row for row in cells if "2020-09-28 00:00" < row[0] <= "2020-09-29 00:00"]
    trace = traced(computed, "day", "2020-09-28", "north")
    pulses = trace.metered.groupby("direction")["pulses"].sum()
    assert pulses["forward"] == sum(int(row[1]) for row in day)
    assert pulses["reverse"] == sum(int(row[2]) for row in day)
    assert trace.metered["intervals"].groupby(trace.metered["direction"]).sum()["forward"] == len(day)


def test_water_that_ran_back_stands_apart_with_its_sign_and_its_own_calibration(computed):
    trace = traced(computed, "year", "2020", "north")
    back = trace.metered[trace.metered["direction"] == "reverse"]
    assert set(back["calibration"]) == {"M1 reverse 2019-10-01"}
    assert back["volume_l"].to_numpy() == pytest.approx(-5.25 * back["pulses"].to_numpy(), abs=1e-3)
    assert (trace.flow["backward_l"] <= 0).all()
    assert trace.flow["backward_l"].sum() < 0


def test_a_year_under_two_calibrations_names_both_with_their_litres_per_pulse(computed):
    forward = traced(computed, "year", "2020", "north").metered.query("direction == 'forward'")
    assert dict(zip(forward["calibration"], forward["litres_per_pulse"], strict=True)) == {
        "M1 forward 2019-10-01": 5.0,
        "M1 forward 2020-09-30": 5.5,
    }
    assert (forward["volume_l"] - forward["litres_per_pulse"] * forward["pulses"]).abs().max() < 1e-3


def test_a_known_total_is_told_with_its_reading_and_pulses(computed):
    """The running counter of plot south went on through the hole of 29 September, 06:00 to 20:00."""
    totals = traced(computed, "day", "2020-09-29", "south").totals
    assert len(totals) == 1
    row = totals.iloc[0]
    assert row["net_l"] == pytest.approx(7.0 * row["forward_pulses"] - 7.5 * row["reverse_pulses"])
    (path,) = (computed / "lake" / "raw" / "small" / "logger").glob("east_1.csv")
    assert path.read_text().splitlines()[int(row["line"]) - 1].startswith("2020-09-29 20:00")


def test_hours_of_a_declared_outage_are_told_as_estimated_with_who_was_measured_meanwhile(computed):
    estimated = traced(computed, "day", "2020-10-02", "north").estimated
    # 03:15 to 16:40 of UTC-6; hours metered for at least half of their time count as measured.
    assert estimated["since"].min() == pd.Timestamp("2020-10-02T09:00Z")
    assert estimated["until"].max() == pd.Timestamp("2020-10-02T23:00Z")
    assert estimated["hours"].sum() == 14
    assert estimated["plots_measured"].str.startswith("south").all()
    assert (traced(computed, "day", "2020-10-02", "north").outages["cause"] == "lightning").any()


def test_a_trace_names_the_results_within_and_next_to_its_time(computed):
    samples = traced(computed, "day", "2020-09-28", "north").samples
    assert dict(zip(samples["sample"], samples["place"], strict=True)) == {"S1": "before", "S2": "after"}
    assert set(samples["batch"]) == {"B1"}
    assert samples["path"].tolist() == ["samples/book.csv"] * 2
    assert samples["line"].tolist() == [2, 3]


def test_a_treatment_is_traced_over_its_plots_weighted_by_area(computed):
    trace = traced(computed, "treatment", "free drainage", None, 2020)
    assert set(trace.load.periods["plot"]) == set(PLOTS)
    by_plot = {plot: traced(computed, "year", "2020", plot) for plot in PLOTS}
    mass = sum(one.load.row["load_known_kg_ha"] * AREA_HA[plot] for plot, one in by_plot.items())
    assert trace.load_kg_ha == pytest.approx(mass / 3.0)


def test_a_register_that_was_changed_since_is_told_and_not_traced_over(copy, capsys):
    register = copy / "configs" / "small" / "calibrations.csv"
    register.write_text(register.read_text().replace("M2,forward,7.0", "M2,forward,7.7"))
    assert run(copy, "--plot", "south", "--day", "2020-09-27") == 1
    assert "`drainledger run` brings it up to date" in " ".join(capsys.readouterr().out.split())
    loads = held(copy)
    assert off(loads[loads["plot"] == "south"]).any()
    assert not off(loads[loads["plot"] == "north"]).any()


def test_a_load_that_is_not_the_sum_of_its_pulses_is_found(copy, capsys):
    lake, site = places(copy)
    daily = table("loads_daily")
    rows = lake.frame(daily, site.site, [2021])
    spoilt = rows.index[(rows["plot"] == "north") & (rows["date"].astype(str) == "2020-10-03")]
    rows.loc[spoilt, "load_known_kg_ha"] += 2e-6
    lake.write_frame(daily, rows, "spoilt", site.site, 2021)
    assert run(copy) == 1
    told = capsys.readouterr().out
    assert "1 of " in told
    assert "north day 2020-10-03 (2021): -0.000002 kg/ha" in told


def test_every_line_behind_a_load_is_told_as_it_stands_and_they_add_up(computed, capsys):
    assert run(computed, "--plot", "south", "--day", "2020-09-28", "--lines", "--json") == 0
    told = json.loads(capsys.readouterr().out)
    raw = computed / "lake" / "raw" / "small"
    texts = {path: (raw / path).read_text().splitlines() for path in {row["path"] for row in told["lines"]}}
    assert len(told["lines"]) > 100
    for row in told["lines"]:
        assert row["text"] == texts[row["path"]][row["line"] - 1]
        # A stamp marks the end of its interval, in UTC-6.
        assert pd.Timestamp(row["interval_end"]) == pd.Timestamp(row["text"][:16] + "-06:00")
    assert sum(row["volume_l"] for row in told["lines"]) == pytest.approx(sum(row["volume_l"] for row in told["metered"]))
    assert sum(row["load_mg"] for row in told["lines"]) == pytest.approx(sum(row["load_mg"] for row in told["metered"]))
    assert {(row["path"], row["text"].split(",")[0]) for row in told["sample_lines"]} == {
        ("samples/book.csv", "S3"), ("samples/book.csv", "S4"), ("lab/results.csv", "S3"), ("lab/results.csv", "S4")
    }  # fmt: skip


def test_differences_of_a_running_counter_are_those_of_its_raw_lines(computed, capsys):
    assert run(computed, "--plot", "south", "--day", "2020-09-28", "--lines", "--json") == 0
    lines = json.loads(capsys.readouterr().out)["lines"]
    counters = [int(row["text"].split(";")[3]) for row in lines]
    risen = [(now - before) % 65536 for before, now in pairwise(counters)]
    assert [row["forward_pulses"] for row in lines[1:]] == risen


def test_a_raw_file_that_changed_since_is_not_quoted(copy, capsys):
    (path,) = (copy / "lake" / "raw" / "small" / "logger").glob("east_1.csv")
    path.write_text(path.read_text().replace(";12.5", ";12.6"))
    assert run(copy, "--plot", "north", "--day", "2020-09-27", "--lines") == 0
    told = capsys.readouterr().out
    assert "(the file is not what was read any more)" in told
    assert ";12.6" not in told


def test_json_of_a_trace_adds_up_by_itself(computed, capsys):
    assert run(computed, "--plot", "south", "--month", "2020-09", "--json") == 0
    told = json.loads(capsys.readouterr().out)
    litres = sum(row["volume_l"] for row in told["metered"]) + sum(row["volume_l"] for row in told["not_metered"])
    assert litres / 10_000 / told["area_ha"] == pytest.approx(told["published"]["volume_known_mm"], abs=1e-9)
    milligrams = sum(row["load_mg"] for row in told["metered"]) + sum(row["load_mg"] for row in told["not_metered"])
    assert milligrams / 1e6 / told["area_ha"] == pytest.approx(told["published"]["load_known_kg_ha"], abs=1e-9)
    assert told["traced"]["adds_up"] is True
    assert told["metered"][0]["first_time"].endswith("Z")


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["--plot", "west", "--year", "2020"], "No site has a plot west. Known are: small: north, south."),
        (["--plot", "north"], "Say which period is meant"),
        (["--year", "2020"], "Say which plot is meant with --plot: north, south."),
        (["--plot", "north", "--day", "2020-12-01"], "No day 2020-12-01 is published here. Published are: 2020-09-25, 2020-09-26, … "),
        (["--plot", "north", "--event", "between"], "published for several water years (2020, 2021): say which with --year"),
        (["--plot", "north", "--year", "2020", "--analyte", "total_p"], "computes no total_p. Its analytes are: nitrate_n."),
        (["--treatment", "none", "--year", "2020"], "No site has a treatment none. Known are: small: free drainage, controlled drainage."),
    ],
)  # fmt: skip
def test_what_is_not_published_is_refused_with_what_is(computed, capsys, arguments, told):
    assert run(computed, *arguments) == 1
    assert told in capsys.readouterr().err


def test_a_lake_without_loads_says_what_to_do(tmp_path, capsys):
    write_two_weeks(tmp_path)
    assert run(tmp_path) == 1
    assert "holds no loads of A small site yet. Run `drainledger run" in capsys.readouterr().err


ENDS = st.sampled_from(["\n", "\r\n", "\r"])


@given(
    lines=st.lists(st.tuples(st.text("ab;,1é", max_size=5), ENDS), max_size=8),
    last=st.text("a1", max_size=2),
    packed=st.booleans(),
)
def test_lines_are_told_by_the_numbers_by_which_they_are_counted(lines, last, packed):
    content = ("".join(text + end for text, end in lines) + last).encode()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / ("a.csv.gz" if packed else "a.csv")
        path.write_bytes(gzip.compress(content) if packed else content)
        name_line = NameLine(delimiter=";", quote=None, times=("when",), above=0, below=0)
        told = list(lines_as_they_stand(path, "utf-8"))
        assert len(told) == scan(path, "a.csv", "utf-8", name_line, Path(folder)).lines
        assert (
            told == content.decode().replace("\r\n", "\n").replace("\r", "\n").removesuffix("\n").split("\n")[: len(told)]
        )
