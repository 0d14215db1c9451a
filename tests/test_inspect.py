"""`drainledger inspect` says what the program makes of one file, and never anything but sentences.

Belongs here: the command from its arguments to what a person reads and the exit code.
Does not: layouts proposed from lines (test_layout_proposal.py), reading by a layout (test_intake.py).

Expected values are worked out by hand from the few lines that each test writes; digests are held against hashlib (FIPS 180-4).
"""

from __future__ import annotations

import codecs
import gzip
import hashlib
import os
import re
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.cli import main
from pipeline.lake import Lake, open_session
from pipeline.stages.first_look import look_at
from pipeline.stages.intake import raw_paths, read_raw_files
from pipeline.stages.pulses import pulse_counts
from pipeline.stages.raw_text import CHUNK
from pipeline.tables import table
from tests.small_site import HEADER, LAYOUT, REGISTERS, raw_folder, small_site

BEGIN = datetime(2019, 11, 1, 0, 10)


def lines(rows: int, begin: datetime = BEGIN, a: int = 2) -> str:
    """Ten-minute lines of the small site's logger; its stamps mark the end, six hours behind UTC."""
    return "".join(f"{begin + row * timedelta(minutes=10):%Y-%m-%d %H:%M};{a};0;3;0;12.5\n" for row in range(rows))


class Place:
    """A small site, its lake, and the command upon them."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.folder = folder
        self.capsys = capsys
        self.site = small_site(folder)
        self.raw = raw_folder(folder)

    def file(self, name: str, content: str | bytes) -> Path:
        """A file outside the lake."""
        path = self.folder / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return path

    def in_lake(self, name: str, content: str | bytes) -> Path:
        """A file in the lake."""
        path = self.raw / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return path

    def store(self) -> None:
        """Put what the lake's raw files hold into its tables."""
        lake = Lake(self.folder / "lake")
        copies = self.folder / "copies"
        copies.mkdir()
        with open_session() as session:
            readings = read_raw_files(session, self.site, self.raw, raw_paths(self.site, self.raw), copies)
            lake.write_frame(table("source_files"), readings.source_files, "test", self.site.site)
            for year in self.site.water_years():
                counts = pulse_counts(session, readings, self.site, *self.site.water_year_period(year)).df()
                lake.write_frame(table("pulse_counts"), counts, "test", self.site.site, year)

    def inspect(self, path: Path, *more: str) -> tuple[int, str]:
        """Exit code, and all that is said."""
        places = ["--site", str(self.site.folder), "--lake", str(self.folder / "lake")]
        code = main(["inspect", str(path), *(more or places)])
        captured = self.capsys.readouterr()
        assert "Traceback" not in captured.out + captured.err
        return code, captured.out + captured.err


@pytest.fixture
def place(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Place:
    monkeypatch.setenv("COLUMNS", "200")
    monkeypatch.chdir(tmp_path)
    return Place(tmp_path, capsys)


def test_a_file_where_its_logger_s_pattern_finds_it_is_read_by_that_layout(place: Place) -> None:
    code, said = place.inspect(place.in_lake("logger/east_1.csv", HEADER + lines(20)))
    assert code == 0
    assert "read by the layout plain (logger east of A small site), whose pattern logger/east* finds it" in said


def test_a_file_anywhere_is_read_by_the_layout_that_reads_most_of_it(place: Place) -> None:
    code, said = place.inspect(place.file("from_the_field.txt", HEADER + lines(20)))
    assert code == 0
    assert "read by the layout plain (logger east of A small site), which reads most of all declared layouts" in said


@pytest.mark.parametrize(
    "name", ["[east]*?.csv", "two\nlines.csv", ".hidden", "-dash.csv", "blank name é.csv", "x.csv.txt"]
)
def test_any_name_of_a_file_will_do(place: Place, name: str) -> None:
    code, said = place.inspect(Path(f"./{place.file(name, HEADER + lines(20)).name}").absolute())
    assert code == 0
    assert "20 readings + 0 rejected" in said


def test_size_and_digest_are_those_of_the_file_as_it_is_stored(place: Place) -> None:
    content = gzip.compress((HEADER + lines(20)).encode())
    _, said = place.inspect(place.file("east.csv.gz", content))
    assert f"{len(content):,} bytes, SHA-256 {hashlib.sha256(content).hexdigest()}" in said


@pytest.mark.parametrize(
    ("content", "phrase"),
    [
        ((HEADER + lines(3)).encode(), "Encoding: utf-8. Line ends: Unix (LF)."),
        ((HEADER + lines(3)).replace("\n", "\r\n").encode(), "Line ends: Windows (CR LF)."),
        ((HEADER + lines(3)).replace("\n", "\r").encode(), "Line ends: old Macintosh (CR)."),
        (
            HEADER.encode() + lines(3).replace("\n", "\r\n").encode(),
            "mixed: Windows (CR LF) 3 times and Unix (LF) 2 times",
        ),
        (codecs.BOM_UTF8 + (HEADER + lines(3)).encode(), "Encoding: utf-8, as its first bytes say."),
        ((HEADER + lines(3)).encode("utf-16"), "Encoding: utf-16, as its first bytes say. Line ends: Unix (LF)."),
        ((HEADER + lines(30)).encode("utf-16-be"), "Encoding: utf-16-be."),
        (("Straße, größer\n" + HEADER + lines(3)).encode("cp1252"), "Encoding: cp1252."),
        ((HEADER + lines(3)).rstrip("\n").encode(), "The last line has no line end"),
        ((HEADER + lines(20)).encode() + b"\0" * 7, "7 NUL bytes stand in it"),
    ],
)
def test_encoding_and_line_ends_are_told(place: Place, content: bytes, phrase: str) -> None:
    assert phrase in place.inspect(place.file("east.csv", content))[1]


def test_a_line_end_across_two_pieces_of_a_file_is_one(tmp_path: Path) -> None:
    path = tmp_path / "x.csv"
    path.write_bytes(b"x" * (CHUNK - 1) + b"\r\n")
    assert look_at(path).line_ends == {"CR LF": 1}


def test_every_line_is_accounted_for(place: Place) -> None:
    _, said = place.inspect(place.file("east.csv", HEADER + lines(5) + "\n" + "garbage\n"))
    assert "Lines: 9 = 2 before the data + 1 blank or comment + 5 readings + 1 rejected." in said


def test_the_time_is_told_in_standard_time_and_in_universal_time(place: Place) -> None:
    # By hand: the first stamp, 00:10, ends an interval that begins at midnight, which is 06:00 UTC.
    _, said = place.inspect(place.file("east.csv", HEADER + lines(6)))
    assert "Time: 2019-11-01 00:00 to 2019-11-01 01:00 in the site's standard time (-06:00)" in said
    assert "2019-11-01 06:00 to 2019-11-01 07:00 UTC" in said


def test_the_interval_is_told_as_declared_and_as_seen(place: Place) -> None:
    text = HEADER + lines(6) + lines(4, BEGIN + timedelta(hours=5))
    _, said = place.inspect(place.file("east.csv", text))
    assert "Interval: 10 min declared; steps from interval to interval: 10 min in 8, 4 h 10 min in 1." in said


def column_rows(said: str) -> dict[str, str]:
    """What is said of each column, by its name."""
    table = said.split("─\n", 1)[1]
    rows = (re.split(r"  +", line.strip(), maxsplit=1) for line in table.splitlines())
    return {row[0]: row[1] for row in rows if len(row) == 2}


def test_every_column_is_told_what_it_is(place: Place) -> None:
    header = "logger east\nwhen;a;b;c;d;volt;door\n"
    body = lines(4).replace("12.5\n", "12.5;shut\n").replace(";3;", ";---;", 1)
    rows = column_rows(place.inspect(place.file("east.csv", header + body))[1])
    assert [re.split(r"  +", rows[name])[0] for name in ("when", "a", "b", "volt", "door")] == [
        "time",
        "meter M1, forward",
        "meter M1, reverse",
        "gauge supply, supply voltage in V",
        "nothing is wired to it: passed over",
    ]
    assert re.split(r"  +", rows["c"])[1:] == ["3", "0"]


def test_a_running_total_is_told_with_its_modulus(place: Place) -> None:
    place.site = small_site(
        place.folder, wiring=REGISTERS["wiring.csv"].replace("a,M1,forward,interval,", "a,M1,forward,running,65536")
    )
    rows = column_rows(place.inspect(place.file("east.csv", HEADER + lines(4)))[1])
    assert rows["a"].startswith("meter M1, forward, running total to 65,536")


def test_a_wired_column_that_the_file_does_not_have_is_told_with_what_it_may_be_called_now(place: Place) -> None:
    text = HEADER.replace(";d;volt", ";d;Volt (V)") + lines(4)
    code, said = place.inspect(place.file("east.csv", text))
    assert code == 0
    assert "No column is called «volt», which is wired; perhaps it is «Volt (V)»." in said
    assert column_rows(said)["volt"] == "gauge supply, supply voltage in V: NOT IN THE FILE"


def test_rejected_lines_are_told_by_reason_with_three_examples_each(place: Place) -> None:
    bad = [f"2019-11-31 00:{minute}0;1;0;3;0;12.5\n" for minute in range(5)]
    _, said = place.inspect(place.file("east.csv", HEADER + lines(20) + "".join(bad) + "??? 23\n"))
    of_time, of_cells = re.split(r"\n(?=  (?:once|\d+ times): )", said.split("Rejected lines by reason:", 1)[1])[1:3]
    assert of_time.startswith("  5 times: ")
    assert "no time of the form" in of_time
    assert re.findall(r"line (\d+): «(.*)»", of_time) == [(f"{23 + row}", bad[row].strip()) for row in range(3)]
    assert of_cells.startswith("  once: ")
    assert re.findall(r"line (\d+): «(.*)»", of_cells) == [("28", "??? 23")]


def test_values_that_cannot_be_used_are_told_by_column_with_three_examples(place: Place) -> None:
    bad = lines(5, BEGIN + timedelta(days=1)).replace("12.5", "low")
    _, said = place.inspect(place.file("east.csv", HEADER + lines(20) + bad))
    told = said.split("Values that cannot be used, by column", 1)[1]
    assert "5 times: in column volt" in told
    assert re.findall(r"line (\d+): column volt: «low» is neither a number", told) == ["23", "24", "25"]


def test_what_is_unusual_about_a_file_is_noted(place: Place) -> None:
    _, said = place.inspect(place.file("east.csv", HEADER + lines(5) + HEADER + lines(5, BEGIN + timedelta(hours=1))))
    assert "Note: the column names stand again on line 9." in said


def test_a_column_that_is_named_further_down_is_told_with_its_values(place: Place) -> None:
    text = HEADER.replace("volt", "battery") + lines(5) + HEADER + lines(7, BEGIN + timedelta(hours=1))
    _, said = place.inspect(place.file("east.csv", text))
    shown = re.split(r"  +", column_rows(said)["volt"])
    assert shown == ["gauge supply, supply voltage in V (named further down in the file)", "7", "0"]


def test_the_same_content_under_another_name_is_told(place: Place) -> None:
    place.in_lake("logger/east_1.csv", HEADER + lines(20))
    place.store()
    _, said = place.inspect(place.file("again.csv", HEADER + lines(20)))
    assert "The same content is in the lake as logger/east_1.csv." in said


def test_a_file_that_the_lake_holds_is_told_so(place: Place) -> None:
    path = place.in_lake("logger/east_1.csv", HEADER + lines(20))
    place.store()
    said = place.inspect(path)[1]
    assert "The lake holds the file as it is here." in said
    assert "The same content is in the lake as" not in said


def test_a_file_that_changed_after_it_was_read_is_told_so(place: Place) -> None:
    path = place.in_lake("logger/east_1.csv", HEADER + lines(20))
    place.store()
    path.write_text(HEADER + lines(21))
    assert "the file changed after it was read" in place.inspect(path)[1]


def test_stored_files_of_the_same_times_are_told(place: Place) -> None:
    place.in_lake("logger/east_1.csv", HEADER + lines(6))
    place.in_lake("logger/east_2.csv", HEADER + lines(6, BEGIN + timedelta(days=9)))
    place.store()
    _, said = place.inspect(place.file("new.csv", HEADER + lines(12)))
    assert "Its time overlaps that of logger/east_1.csv (2019-11-01 00:00 to 2019-11-01 01:00)." in said


def test_intervals_are_told_that_a_file_adds_repeats_and_contradicts(place: Place) -> None:
    # By hand, two meters: intervals 1 to 3 stand alike, of 4 to 6 the first meter counts 9 instead of 2, 7 to 12 are new.
    place.in_lake("logger/east_1.csv", HEADER + lines(6))
    place.store()
    later = BEGIN + timedelta(minutes=30)
    _, said = place.inspect(place.file("new.csv", HEADER + lines(3) + lines(9, later, a=9)))
    assert "12 are new to the lake, 9 are there with the same counts, 3 with others" in said
    assert "meter M1, 2019-11-01 00:30: 9 forward and 0 reverse in the file, 2 forward and 0 reverse in the lake" in said


def test_files_whose_times_only_touch_do_not_overlap(place: Place) -> None:
    place.in_lake("logger/east_1.csv", HEADER + lines(6))
    place.store()
    _, said = place.inspect(place.file("new.csv", HEADER + lines(6, BEGIN + timedelta(hours=1))))
    assert "overlaps" not in said


def totals(minutes: range) -> str:
    """Ten-minute lines of running totals that grow by 2 and 3 pulses a line."""
    return HEADER + "".join(
        f"{BEGIN + timedelta(minutes=minute):%Y-%m-%d %H:%M};{100 + minute // 5};0;{minute // 10 * 3};0;12.5\n"
        for minute in minutes
    )


@pytest.fixture
def running(place: Place) -> Place:
    place.site = small_site(place.folder, wiring=REGISTERS["wiring.csv"].replace("interval,,", "running,65536,"))
    return place


def test_lines_that_fill_a_hole_in_stored_running_totals_are_new(running: Place) -> None:
    # By hand, two meters: of 11 differences each the lake has 5 + 3, and one across the hole of three lines that the file fills.
    stored = totals(range(0, 60, 10)) + totals(range(80, 120, 10)).removeprefix(HEADER)
    running.in_lake("logger/east_1.csv", stored)
    running.store()
    _, said = running.inspect(running.file("new.csv", totals(range(0, 120, 10))))
    assert "6 are new to the lake, 16 are there with the same counts, 0 with others" in said


def test_a_hole_in_the_file_s_running_totals_is_nothing_new(running: Place) -> None:
    running.in_lake("logger/east_1.csv", totals(range(0, 120, 10)))
    running.store()
    with_hole = totals(range(0, 60, 10)) + totals(range(80, 120, 10)).removeprefix(HEADER)
    _, said = running.inspect(running.file("new.csv", with_hole))
    assert "0 are new to the lake, 16 are there with the same counts, 0 with others" in said


def test_an_empty_lake_is_told(place: Place) -> None:
    assert "The lake holds no files of the site yet" in place.inspect(place.file("new.csv", HEADER + lines(12)))[1]


def test_a_lake_that_is_not_there_is_told(place: Place) -> None:
    path = place.file("new.csv", HEADER + lines(12))
    code, said = place.inspect(path, "--site", str(place.site.folder), "--lake", "nowhere")
    assert code == 0
    assert "nowhere is no folder: nothing is compared with a lake." in said


def rows_of(counts: Iterator[tuple[int, int, int]]) -> str:
    return HEADER + "".join(
        f"{BEGIN + row * timedelta(minutes=10):%Y-%m-%d %H:%M};{a};{b};{c};0;12.5\n"
        for row, (a, b, c) in enumerate(counts)
    )


def test_a_column_that_is_the_sum_of_two_others_is_pointed_out(place: Place) -> None:
    text = rows_of((row % 5, row % 3, row % 5 + row % 3) for row in range(300))
    # By hand: of 300 rows 4/5 and 2/3 count, both in 160 (the remainders are independent, 3 and 5 share no divisor).
    said = place.inspect(place.file("east.csv", text))[1]
    assert "Column c is the sum of a and b in 160 of the 160 lines in which both of these count" in said


def test_a_column_that_is_nearly_never_the_sum_of_two_others_is_not_pointed_out(place: Place) -> None:
    text = rows_of((row % 5, row % 3, row % 5 + row % 3 + (row % 20 == 1)) for row in range(300))
    assert "is the sum of" not in place.inspect(place.file("east.csv", text))[1]


def test_running_totals_are_summed_by_what_they_count(place: Place) -> None:
    place.site = small_site(place.folder, wiring=re.sub(r"interval,,", "running,65536,", REGISTERS["wiring.csv"]))
    counted = [(row % 5, row % 3) for row in range(300)]
    totals = ((100 + sum(a for a, _ in counted[: n + 1]), sum(b for _, b in counted[: n + 1])) for n in range(300))
    text = rows_of((a, b, a + b + 5000) for a, b in totals)
    assert "Column c is the sum of a and b" in place.inspect(place.file("east.csv", text))[1]


def test_a_weather_file_is_known_wherever_it_lies(place: Place) -> None:
    place.site = small_site(place.folder, weather="weather: {interval: 1h, stamps: end}")
    text = "time,rain_mm,air_temp_c\n" + "".join(f"2019-11-01 {hour:02d}:00,0.2,{hour}\n" for hour in range(24))
    code, said = place.inspect(place.file("station.txt", text))
    assert code == 0
    assert "read by the weather files of A small site" in said


def test_column_names_alone_are_read_without_readings(place: Place) -> None:
    code, said = place.inspect(place.file("east.csv", HEADER))
    assert code == 0
    assert "Its column names are those of the layout plain (logger east of A small site); it holds no readings." in said


def test_a_file_in_the_lake_that_no_pattern_finds_is_told_to_be_passed_over(place: Place) -> None:
    said = place.inspect(place.in_lake("logger/west_1.csv", HEADER + lines(20)))[1]
    assert "no pattern under loggers in site.yaml finds it there: `drainledger run` passes it over" in said


def test_a_file_that_two_loggers_could_have_written_is_told_to_belong_by_its_place(place: Place) -> None:
    yaml = place.site.folder / "site.yaml"
    yaml.write_text(
        yaml.read_text().replace("loggers:\n", "loggers:\n  north: {layout: plain, files: 'logger/north*'}\n", 1)
    )
    said = place.inspect(place.file("x.csv", "logger\nwhen;e\n2019-11-01 00:10;3\n"))[1]
    assert re.search(r"(north|east) would read it as well: its place decides", said)


UNLIKE = [
    # what is otherwise, text, phrase
    ("delimiter", (HEADER + lines(20)).replace(";", "|"), "Values are separated by bars (|); the layout says semicolons (delimiter)."),
    (
        "time format",
        HEADER + re.sub(r"2019-11-(\d\d)", r"\1.11.2019", lines(300)),
        "The time «01.11.2019 00:10» in line 3 is not of the form %Y-%m-%d %H:%M; it is of the form %d.%m.%Y %H:%M",
    ),
    ("time column", HEADER.replace("when", "When?") + lines(20),
     "No column is called «when», which holds the time; perhaps it is «When?»."),
    (
        "line of names",
        "one\ntwo\n" + HEADER.replace("when", "WHEN") + lines(20),
        "The column names stand on line 4; the layout says line 2 (names_on_line).",
    ),
    ("no names", lines(20), "No line above the readings has as many names as they have values."),
]  # fmt: skip


@pytest.mark.parametrize(("text", "phrase"), [one[1:] for one in UNLIKE], ids=[one[0] for one in UNLIKE])
def test_where_a_file_differs_from_the_nearest_layout_is_told(place: Place, text: str, phrase: str) -> None:
    code, said = place.inspect(place.in_lake("logger/east_1.csv", text))
    assert code == 1
    assert "cannot be read by the layout plain" in said
    assert phrase in said


MONTH_FIRST = [f"{BEGIN + row * timedelta(minutes=10):%m/%d/%Y %H:%M};2;0;3;0;12.5" for row in range(300)]


def by_date(place: Place, date: str, rows: int) -> str:
    """What is said of lines with the month first under a layout with another form of the date."""
    place.site = small_site(place.folder, LAYOUT.replace("%Y-%m-%d", date))
    return place.inspect(place.file("x.csv", HEADER + "\n".join(MONTH_FIRST[:rows]) + "\n"))[1]


def test_day_and_month_that_the_order_of_lines_shows_to_be_turned_round_are_told(place: Place) -> None:
    assert "The times fit %m/%d/%Y %H:%M better than %d/%m/%Y %H:%M" in by_date(place, "%d/%m/%Y", 300)


@pytest.mark.parametrize("date", ["%d/%m/%Y", "%m/%d/%Y"])
def test_day_and_month_that_nothing_tells_apart_are_not_said_to_be_turned_round(place: Place, date: str) -> None:
    assert "better than" not in by_date(place, date, 20)


def test_the_nearest_layout_is_named_where_none_fits(place: Place) -> None:
    code, said = place.inspect(place.file("x.csv", (HEADER + lines(20)).replace(";", "|")))
    assert code == 1
    assert "No declared layout reads it. Nearest is the layout plain (logger east of A small site)." in said


def test_the_block_that_is_shown_makes_the_file_readable(place: Place) -> None:
    text = HEADER + re.sub(r"2019-11-(\d\d)", r"\1.11.2019", lines(300)).replace(";12.5", ";12,5")
    path = place.file("x.csv", text)
    code, said = place.inspect(path)
    assert code == 1
    block = re.search(r"site\.yaml:\n\n(.*?)\n\n", said, re.DOTALL)
    assert block is not None
    yaml = place.site.folder / "site.yaml"
    yaml.write_text(
        yaml.read_text()
        .replace("logger_layouts:\n", f"logger_layouts:\n{block[1]}\n")
        .replace("layout: plain", "layout: new_layout")
    )
    code, said = place.inspect(path)
    assert code == 0
    assert "300 readings + 0 rejected" in said


def test_every_folder_of_configs_is_tried_where_no_site_is_named(place: Place) -> None:
    code, said = place.inspect(place.file("x.csv", HEADER + lines(20)), "--lake", "nowhere")
    assert code == 0
    assert "read by the layout plain (logger east of A small site)" in said


def test_a_block_is_shown_without_any_site(place: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    elsewhere = place.folder / "elsewhere"
    elsewhere.mkdir()
    monkeypatch.chdir(elsewhere)
    code, said = place.inspect(place.file("x.csv", HEADER + lines(20)), "--lake", "nowhere")
    assert code == 1
    assert "No site folder is known; name one with --site." in said
    assert '  new_layout:\n    delimiter: ";"\n' in said


def test_a_site_folder_that_is_wrong_is_told_and_the_file_looked_at_without_it(place: Place) -> None:
    (place.site.folder / "plots.csv").write_text("plot,title,area_ha\nnorth,North plot,-1\n")
    code, said = place.inspect(place.file("x.csv", HEADER + lines(20)))
    assert code == 1
    assert "plots.csv, line 2, column area_ha: found «-1»" in said
    assert "new_layout:" in said


@pytest.mark.parametrize(
    ("content", "phrase"),
    [
        (b"", "The file is empty."),
        (bytes(range(256)) * 40, "The file is no text"),
        (b"\0" * 5000, "The file is nothing but NUL bytes"),
        (b"PK\x03\x04" + bytes(range(200)), "a ZIP archive, as spreadsheets (.xlsx, .ods) are; save the sheet as CSV"),
        (gzip.compress(b"when;a\n", mtime=0), "compressed with gzip, but its name does not end in .gz"),
        (b"Dear all,\nthe logger is broken.\n", "No layout can be proposed. No line holds a date and a time of day"),
        (b"\n\n", "No layout can be proposed. The text holds no line that is not blank"),
    ],
)
def test_what_is_no_logger_file_is_told_to_be_none(place: Place, content: bytes, phrase: str) -> None:
    code, said = place.inspect(place.file("x.csv", content))
    assert code == 1
    assert phrase in said


def test_a_compressed_file_that_breaks_off_is_read_as_far_as_it_goes(place: Place) -> None:
    content = gzip.compress((HEADER + lines(2000)).encode())
    code, said = place.inspect(place.file("east.csv.gz", content[: len(content) // 2]))
    assert code == 0
    assert "cannot be read to its end" in said
    assert int(re.search(r"\+ ([\d,]+) readings", said)[1].replace(",", "")) > 100  # type: ignore[index]


@pytest.mark.parametrize(
    ("name", "phrase"), [("nothing.csv", "does not exist"), (".", "is a folder"), ("pipe", "is no ordinary file")]
)
def test_what_is_no_file_is_told(place: Place, name: str, phrase: str) -> None:
    os.mkfifo(place.folder / "pipe")
    code, said = place.inspect(place.folder / name)
    assert code == 1
    assert f"{phrase}. Name one raw file." in said


def test_a_file_that_may_not_be_read_is_told(place: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    path = place.file("x.csv", HEADER + lines(20))
    opened = Path.open

    def refuse(self: Path, *args: object, **more: object) -> object:
        # The tests may run as a user whom no permission stops.
        if self == path:
            raise PermissionError(13, "Permission denied", str(self))
        return opened(self, *args, **more)  # type: ignore[call-overload]

    monkeypatch.setattr(Path, "open", refuse)
    code, said = place.inspect(path)
    assert code == 1
    assert f"{path} cannot be read: Permission denied. Check the file and its permissions." in said.replace("\n", "")


def test_a_command_without_a_file_is_wrong(place: Place) -> None:
    with pytest.raises(SystemExit) as stopped:
        main(["inspect"])
    assert stopped.value.code == 2


def test_nothing_is_written_or_moved(place: Place) -> None:
    path = place.in_lake("logger/east_1.csv", HEADER + lines(20))
    place.store()

    def stand() -> dict[str, tuple[int, bytes]]:
        files = (path for path in place.folder.rglob("*") if path.is_file())
        return {str(path): (path.stat().st_mtime_ns, path.read_bytes()) for path in files}

    before = stand()
    place.inspect(path)
    assert stand() == before


def test_what_stands_in_a_file_cannot_steer_the_terminal(place: Place) -> None:
    text = (
        HEADER.replace("volt", "volt\x1b[31m")
        + lines(20)
        + "\x1b]0;title\x07\x1b[2J\n2019-11-01 09:00;\x1b[1m;0;3;0;12.5\n"
    )
    _, said = place.inspect(place.file("east\x1b[31m.csv", text))
    assert "\x1b" not in said
    assert "\\u001b[2J" in said


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.one_of(
        st.binary(max_size=400),
        st.tuples(st.integers(0, 700), st.binary(max_size=12)).map(
            lambda cut: (HEADER + lines(20)).encode()[: cut[0]] + cut[1] + (HEADER + lines(20)).encode()[cut[0] :]
        ),
    ),
    st.sampled_from(["x.csv", "x.csv.gz"]),
)
def test_any_bytes_end_in_a_sentence_and_an_exit_code(place: Place, content: bytes, name: str) -> None:
    code, said = place.inspect(place.file(name, content))
    assert code in (0, 1)
    assert "bytes, SHA-256" in said


def test_a_large_file_is_tried_by_its_first_lines_and_read_whole(place: Place) -> None:
    # More than the mebibyte by which layouts are tried.
    text = HEADER + lines(60_000)
    assert len(text) > 1 << 20
    code, said = place.inspect(place.file("x.csv", text))
    assert code == 0
    assert "60,000 readings + 0 rejected" in said
