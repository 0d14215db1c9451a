"""Promises of a new site folder: it is valid, honest about what nobody said, and the README's ten minutes lead to a first load."""

from __future__ import annotations

import csv
import re
import shlex
import subprocess
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.cli import main
from pipeline.lake import Lake
from pipeline.publish.new_site import Answers, NewPlot, NewSiteError, site_files, still_to_decide, write_new_site
from pipeline.publish.new_site_questions import Said, answers, read_plot
from pipeline.site import load_site
from pipeline.site.registers import REGISTERS
from pipeline.tables import table
from tests.computed_lake import no_expectations

README = Path(__file__).parents[1] / "README.md"
NORTH = "name=north,area_ha=1.6,column=Flow,litres_per_pulse=5,bore_mm=75"
PLOT = NewPlot("north", 1.6, "Flow", 5.0, 75.0)
ANSWERS = Answers("west", "West field", "-06:00", "2024-04-01", (PLOT,))


def tutorial() -> list[str]:
    """The blocks of the README's ten minutes."""
    text = README.read_text(encoding="utf-8")
    part = text.split("\n## Ten minutes")[1].split("\n## ")[0]
    return re.findall(r"^```sh\n(.*?)^```$", part, re.MULTILINE | re.DOTALL)


def carry_out(block: str) -> Iterator[list[str]]:
    """Run a block as a shell does; its drainledger commands run in this process, and are given back."""
    shell: list[str] = []

    def run_shell() -> None:
        subprocess.run(["bash", "-euc", "\n".join(shell)], check=True, capture_output=True)
        shell.clear()

    lines = iter(block.splitlines())
    for line in lines:
        if not line.startswith("drainledger "):
            shell.append(line)
            continue
        while line.endswith("\\"):
            line = line[:-1] + next(lines)
        run_shell()
        words = shlex.split(line)[1:]
        assert main(words) == 0, line
        yield words
    run_shell()


def test_the_tutorial_leads_from_a_logger_file_to_a_first_load(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Volumes by hand: pulses of the file times 5 L over the area. The load lies within the concentrations that were found."""
    monkeypatch.chdir(tmp_path)
    no_expectations(monkeypatch)
    commands = [words[0] for block in tutorial() for words in carry_out(block)]
    assert commands == ["new-site", "check-site", "run", "status", "report", "share"]
    with (tmp_path / "west-field.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    loads = Lake(tmp_path / "lake").frame(table("loads_annual"), "west-field", [2024]).set_index("plot")
    for plot, column, area_ha, low, high in (
        ("north", "North main", 1.6, 8.8, 14.1),
        ("south", "South main", 1.2, 9.1, 12.9),
    ):
        litres = 5 * sum(int(row[column]) for row in rows)
        assert loads.loc[plot, "volume_mm"] == pytest.approx(litres / (area_ha * 10_000), rel=1e-9)
        assert loads.loc[plot, "share_measured"] == pytest.approx(1.0)
        assert low * litres / 1e6 / area_ha < loads.loc[plot, "load_kg_ha"] < high * litres / 1e6 / area_ha
    assert "West field: loads by plot and water year" in capsys.readouterr().out
    assert (tmp_path / "west-field.html").is_file()
    assert (tmp_path / "west-field-package" / "README.md").is_file()


def test_a_new_folder_is_valid_and_every_register_has_its_columns(tmp_path: Path) -> None:
    site = write_new_site(tmp_path / "west", site_files(ANSWERS))
    assert [plot.plot for plot in site.plots] == ["north"]
    for name, model in REGISTERS.items():
        header = (tmp_path / "west" / model.file).read_text().splitlines()[0]
        assert header == ",".join(model.columns()), name


NAMES = st.text(st.characters(categories=["L", "N", "P", "S"], exclude_characters="\0"), min_size=1, max_size=20)


@settings(max_examples=25, deadline=None)
@given(title=NAMES, plot=NAMES, column=NAMES)
def test_no_name_makes_the_folder_invalid(
    tmp_path_factory: pytest.TempPathFactory, title: str, plot: str, column: str
) -> None:
    folder = tmp_path_factory.mktemp("sites") / "west"
    given_plot = NewPlot(plot, 1.0, column, 5.0, 75.0)
    site = write_new_site(folder, site_files(Answers("west", title, "-06:00", "2024-04-01", (given_plot,))))
    assert (site.title, site.plots[0].plot, site.wiring[0].column) == (title, plot, column)


def test_the_assumed_meter_is_accurate_from_15_mm_a_second(tmp_path: Path) -> None:
    """By hand: 75 mm bore, 44.18 cm²; Q1 = Q3 / R is 1.5 cm/s in it, or 0.2386 m³/h, and the top flow 3 m/s, 795 L/min."""
    site = write_new_site(tmp_path / "west", site_files(ANSWERS))
    (curve,) = site.accuracy_classes
    assert curve.q3_m3_h / curve.ratio == pytest.approx(0.2386, rel=0.01)
    assert site.meters[0].top_l_min == 795


def test_nothing_is_ever_overwritten(tmp_path: Path) -> None:
    folder = tmp_path / "west"
    folder.mkdir()
    (folder / "mine.txt").write_text("mine")
    with pytest.raises(NewSiteError, match="is not empty"):
        write_new_site(folder, site_files(ANSWERS))
    assert [path.name for path in tmp_path.rglob("*")] == ["west", "mine.txt"]


def test_an_answer_that_does_not_fit_leaves_nothing_behind(tmp_path: Path) -> None:
    twice = Answers("west", "West field", "-06:00", "2024-04-01", (PLOT, PLOT))
    with pytest.raises(Exception, match="one row per plot"):
        write_new_site(tmp_path / "west", site_files(twice))
    assert list(tmp_path.iterdir()) == []


def test_check_site_lists_what_is_to_decide_and_what_was_assumed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write_new_site(tmp_path / "west", site_files(ANSWERS))
    assert main(["check-site", str(tmp_path / "west"), "--lake", "my-lake"]) == 0
    out = capsys.readouterr().out
    listed = still_to_decide(tmp_path / "west")
    lines = (tmp_path / "west" / "site.yaml").read_text().splitlines()
    assert sum(one.startswith("site.yaml, line") for one in listed) == 4
    for one in listed:
        assert one in out
        if found := re.match(r"site\.yaml, line (\d+): (.*)", one):
            assert lines[int(found[1]) - 1].endswith(f"TO DECIDE: {found[2]}")
    assert "NOTES.md: litres per pulse in calibrations.csv are known to 5 %" in out
    assert "drainledger run --site" in out
    assert str(Path("my-lake") / "raw" / "west") in out


def test_what_was_said_is_not_called_assumed(tmp_path: Path) -> None:
    said = NewPlot("north", 1.6, "Flow", 5.0, 75.0, reverse="Back", main_mm=150.0, expanded_uncertainty_pct=1.0)
    write_new_site(
        tmp_path / "west",
        site_files(Answers("west", "W", "-06:00", "2024-04-01", (said,), stamps="start", stamps_said=True)),
    )
    listed = " ".join(still_to_decide(tmp_path / "west"))
    for word in ("main_mm", "known to 5 %", "never ran back", "end if a stamp"):
        assert word not in listed
    site = load_site(tmp_path / "west")
    assert [(row.column, row.direction) for row in site.wiring] == [("Flow", "forward"), ("Back", "reverse")]
    assert site.logger_layouts["plain"].timestamp.stamps == "start"


FILE = "Date Time,Flow,Back,Volt\n" + "".join(
    f"03/{day:02d}/2024 0{hour}:00 PM,{day},0,12.5\n" for day in range(10, 25) for hour in (1, 2, 3)
)


def test_the_layout_is_told_from_the_persons_own_file(tmp_path: Path) -> None:
    file = tmp_path / "mine.dat"
    file.write_text(FILE)
    found = answers(Said(tmp_path / "west", "West", "-06:00", stamps="start", plots=[NORTH], file=file), None)
    site = write_new_site(tmp_path / "west", site_files(found))
    layout = site.logger_layouts["from_file"]
    assert (layout.timestamp.format, layout.timestamp.stamps, layout.interval) == (
        "%m/%d/%Y %I:%M %p",
        "start",
        timedelta(hours=1),
    )
    assert str(site.first_day) == "2024-03-10"
    assert site.loggers["logger"].files == "logger/*.dat"


def test_what_is_not_said_is_asked_until_the_answer_is_allowed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    replies = iter(
        [
            "West field",
            "six",
            "-06:00",
            "2024-04-01",
            "start",
            "north",
            "large",
            "1.6",
            "Flow",
            "",
            "5",
            "75",
            "running",
            "",
            "no",
        ]
    )
    asked: list[str] = []

    def ask(question: str) -> str:
        asked.append(question)
        return next(replies)

    found = answers(Said(tmp_path / "west"), ask)
    assert (found.title, found.utc_offset, found.stamps) == ("West field", "-06:00", "start")
    assert found.plots == (NewPlot("north", 1.6, "Flow", 5.0, 75.0, counts="running", modulus=65536),)
    out = capsys.readouterr().out
    assert "allowed: an offset to UTC" in out
    assert "allowed: a number" in out
    assert next(replies, None) is None
    assert load_site(write_new_site(tmp_path / "west", site_files(found)).folder).title == "West field"


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("name=north", "area_ha, column, litres_per_pulse, bore_mm is missing"),
        (NORTH + ",aera=1", "found «aera=1»; allowed: each of name"),
        (NORTH.replace("1.6", "-1"), "area_ha: found «-1»; allowed: a number above 0"),
        (NORTH + ",counts=running", "needs modulus"),
        (NORTH + ",counts=often", "allowed: interval, running"),
    ],
)
def test_a_plot_that_cannot_be_right_gets_a_sentence(text: str, sentence: str) -> None:
    with pytest.raises(NewSiteError, match=re.escape(sentence)):
        read_plot(text)


def test_a_comma_within_a_name_is_written_twice() -> None:
    assert read_plot(NORTH.replace("column=Flow", "column=Flow,, north")).column == "Flow, north"


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        ([], "--title is missing, and nobody is there to be asked"),
        (["--title", "W", "--utc-offset=-06:00", "--first-day", "2024-04-01"], "No plot is named"),
        (["--from", "nowhere.csv"], "nowhere.csv cannot be read"),
        (["--title", "W", "--utc-offset", "6", "--plot", NORTH], "--utc-offset: found «6»"),
    ],
)
def test_the_command_says_what_is_missing(
    options: list[str], sentence: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("sys.stdin.isatty", lambda: False, raising=False)
    assert main(["new-site", str(tmp_path / "west"), *options]) == 1
    assert sentence in capsys.readouterr().err
    assert not (tmp_path / "west").exists()


def test_a_column_that_the_file_does_not_have_is_refused_with_those_it_has(tmp_path: Path) -> None:
    file = tmp_path / "mine.csv"
    file.write_text(FILE)
    with pytest.raises(NewSiteError, match=r"has no column «Flo».*Flow, Back, Volt"):
        answers(Said(tmp_path / "west", "West", "-06:00", plots=[NORTH.replace("Flow", "Flo")], file=file), None)
