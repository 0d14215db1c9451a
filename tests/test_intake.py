"""Promises of intake: every line accounted for, every reading found once, with its file and line."""

from __future__ import annotations

import gzip
import hashlib
import re
from datetime import UTC, datetime, timedelta
from pathlib import Path

import duckdb
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.lake import open_session
from pipeline.site import Site
from pipeline.stages.intake import IntakeError, Readings, raw_paths, read_raw_files
from pipeline.stages.pulses import gauge_readings, pulse_counts
from pipeline.stages.weather import weather_hours
from tests.small_site import HEADER, LAYOUT, raw_folder, small_site

LONG_AGO, FAR_AHEAD = datetime(1990, 1, 1, tzinfo=UTC), datetime(2090, 1, 1, tzinfo=UTC)


@pytest.fixture
def session() -> duckdb.DuckDBPyConnection:
    return open_session()


def read(session: duckdb.DuckDBPyConnection, site: Site, raw: Path, folder: Path) -> Readings:
    return read_raw_files(session, site, raw, raw_paths(site, raw), folder)


def pulses(session: duckdb.DuckDBPyConnection, site: Site, readings: Readings) -> pd.DataFrame:
    return pulse_counts(session, readings, site, LONG_AGO, FAR_AHEAD).df()


def account(readings: Readings) -> dict[str, int]:
    names = ["lines", "header_lines", "blank_lines", "reading_lines", "rejected_lines"]
    return {name: int(readings.source_files[name].sum()) for name in names}


def holds_identity(readings: Readings) -> bool:
    files = readings.source_files
    parts = files["header_lines"] + files["blank_lines"] + files["reading_lines"] + files["rejected_lines"]
    return bool((files["lines"] == parts).all())


def test_every_line_is_header_blank_reading_or_rejected(tmp_path: Path, session: duckdb.DuckDBPyConnection) -> None:
    body = "2020-01-01 00:10;1;0;2;0;12.5\n\n2020-01-01 00:2x;1;0;2;0;12.5\nnonsense\n2020-01-01 00:30;1;0;---;;12.4\n"
    readings = read(session, small_site(tmp_path), raw_folder(tmp_path, east__csv=HEADER + body), tmp_path)
    assert account(readings) == {
        "lines": 7,
        "header_lines": 2,
        "blank_lines": 1,
        "reading_lines": 2,
        "rejected_lines": 2,
    }


def test_a_rejected_line_is_kept_with_file_line_column_and_what_is_allowed(
    tmp_path: Path, session: duckdb.DuckDBPyConnection
) -> None:
    raw = raw_folder(tmp_path, east__csv=HEADER + "2020-01-01 00:10;1;0;2;0;12.5\n2020-01-01;1;0;2;0;12.5\n")
    rejected = read(session, small_site(tmp_path), raw, tmp_path).rejected_lines.df().iloc[0]
    assert (rejected["path"], rejected["line"], rejected["text"]) == ("logger/east.csv", 4, "2020-01-01;1;0;2;0;12.5")
    assert rejected["reason"] == (
        "column when: «2020-01-01» is no time of the form %Y-%m-%d %H:%M; "
        "if the file is right, correct the format of the time in layout plain"
    )


@pytest.mark.parametrize(
    ("line", "phrase"),
    [
        ("2020-01-01 00:10;1;0;2;0", "has 5 values, and there are 6 column names: the line is cut"),
        ("2020-01-01 00:10;1;0;2;0;12;9", "has 7 values, and there are 6 column names"),
        ("01.01.2020;1;0;2;0;12.5", "«01.01.2020» is no time of the form %Y-%m-%d %H:%M"),
        (
            "43831.25;1;0;2;0;12.5",
            "looks like the day number of a spreadsheet, 2020-01-01 06:00 if its days count from 1900",
        ),
        ("2020-01-01 00:10;x;x;x;x;x", "column a: «x» is neither a whole number, 0 or more, (with or without pulses)"),
        ('"2020-01-01 00:10;1;0;2;0;12.5', "a quote is opened and not closed"),
        ("2020-02-30 00:10;1;0;2;0;12.5", "«2020-02-30 00:10» is no time"),
        ("0020-01-01 00:10;1;0;2;0;12.5", "is no time of the form %Y-%m-%d %H:%M between 1900 and 2199"),
        ("2020-01-01 24:10;1;0;2;0;12.5", "«2020-01-01 24:10» is no time"),
    ],
)
def test_a_line_that_cannot_be_used_says_why(
    tmp_path: Path, session: duckdb.DuckDBPyConnection, line: str, phrase: str
) -> None:
    readings = read(session, small_site(tmp_path), raw_folder(tmp_path, east__csv=HEADER + line + "\n"), tmp_path)
    assert phrase in readings.rejected_lines.df()["reason"].item()


@pytest.mark.parametrize(
    ("cell", "column", "phrase"),
    [
        (
            "-1",
            "a",
            "«-1» is neither a whole number, 0 or more, (with or without pulses) nor a word for missing such as «---»",
        ),
        ("1.5", "a", "«1.5» is neither a whole number"),
        ("99999999999", "a", "«99999999999» is neither a whole number"),
        ("1 2", "a", "«1 2» is neither"),
        ("inf", "volt", "«inf» is neither a number (with or without V)"),
        ("12.5 mA", "volt", "«12.5 mA» is neither a number"),
        ("12,5", "volt", "«12,5» is neither a number"),
    ],
)
def test_a_value_that_cannot_be_used_is_kept_with_its_reason_and_the_rest_of_its_line_is_used(
    tmp_path: Path, session: duckdb.DuckDBPyConnection, cell: str, column: str, phrase: str
) -> None:
    cells = {"a": "1", "volt": "12.5"} | {column: cell}
    site = small_site(tmp_path)
    line = f"2020-01-01 00:10;{cells['a']};0;2;0;{cells['volt']}"
    readings = read(session, site, raw_folder(tmp_path, east__csv=HEADER + line + "\n"), tmp_path)
    unread = readings.unread_values.df().iloc[0]
    assert (unread["path"], unread["line"], unread["column"], unread["text"]) == ("logger/east.csv", 3, column, line)
    assert phrase in unread["reason"]
    assert account(readings)["reading_lines"] == 1
    assert pulses(session, site, readings).query("plot == 'south'")["forward_pulses"].tolist() == [2]


def test_a_count_knows_its_file_and_line(tmp_path: Path, session: duckdb.DuckDBPyConnection) -> None:
    lines = "".join(f"2020-01-01 {h:02d}:{m:02d};{h * 10 + m};0;0;0;12\n" for h in range(24) for m in range(0, 60, 10))
    site, raw = small_site(tmp_path), raw_folder(tmp_path, east1__csv=HEADER + lines, east2__csv=HEADER)
    counts = pulses(session, site, read(session, site, raw, tmp_path))
    north = counts[counts["plot"] == "north"]
    content = (raw / "logger" / "east1.csv").read_text().splitlines()
    assert [int(content[line - 1].split(";")[1]) for line in north["line"]] == list(north["forward_pulses"])
    assert set(north["file_id"]) == {hashlib.sha256((HEADER + lines).encode()).hexdigest()}


def test_stamps_at_the_end_in_standard_time_become_utc_intervals(
    tmp_path: Path, session: duckdb.DuckDBPyConnection
) -> None:
    site, raw = small_site(tmp_path), raw_folder(tmp_path, east__csv=HEADER + "2020-01-01 00:10;1;0;2;0;12\n")
    count = pulses(session, site, read(session, site, raw, tmp_path)).iloc[0]
    assert count["interval_start"] == pd.Timestamp("2020-01-01T06:00Z")
    assert count["interval_end"] == pd.Timestamp("2020-01-01T06:10Z")


def test_stamps_at_the_start_begin_their_interval(tmp_path: Path, session: duckdb.DuckDBPyConnection) -> None:
    site = small_site(tmp_path, layout=LAYOUT.replace("stamps: end", "stamps: start"))
    raw = raw_folder(tmp_path, east__csv=HEADER + "2020-01-01 00:10;1;0;2;0;12\n")
    count = pulses(session, site, read(session, site, raw, tmp_path)).iloc[0]
    assert count["interval_start"] == pd.Timestamp("2020-01-01T06:10Z")


def test_a_clock_that_kept_summer_time_is_read_by_its_zone(tmp_path: Path, session: duckdb.DuckDBPyConnection) -> None:
    site = small_site(tmp_path, layout=LAYOUT.replace('utc_offset: "-06:00"', "timezone: America/Chicago"))
    body = "2020-01-01 00:10;1;0;2;0;12\n2020-07-01 00:10;1;0;2;0;12\n"
    counts = pulses(session, site, read(session, site, raw_folder(tmp_path, east__csv=HEADER + body), tmp_path))
    ends = sorted(counts.loc[counts["plot"] == "north", "interval_end"])
    assert ends == [pd.Timestamp("2020-01-01T06:10Z"), pd.Timestamp("2020-07-01T05:10Z")]


def test_a_known_clock_error_is_taken_out(tmp_path: Path, session: duckdb.DuckDBPyConnection) -> None:
    site = small_site(tmp_path, clocks="logger,from,to,shift_s\neast,2020-01-01,2020-02-01,-3600\n")
    body = "2020-01-15 10:00;1;0;2;0;12\n2020-02-15 10:00;1;0;2;0;12\n"
    counts = pulses(session, site, read(session, site, raw_folder(tmp_path, east__csv=HEADER + body), tmp_path))
    ends = sorted(counts.loc[counts["plot"] == "north", "interval_end"])
    assert ends == [pd.Timestamp("2020-01-15T15:00Z"), pd.Timestamp("2020-02-15T16:00Z")]


def test_decimal_commas_and_quoted_cells_are_read(tmp_path: Path, session: duckdb.DuckDBPyConnection) -> None:
    site = small_site(tmp_path, layout=LAYOUT + 'decimal: ","\nquote: "\'"\n')
    body = "'2020-01-01 00:10';1;0;2;0;'12,5'\n"
    readings = read(session, site, raw_folder(tmp_path, east__csv=HEADER + body), tmp_path)
    assert gauge_readings(session, readings, site, LONG_AGO, FAR_AHEAD).df()["value"].tolist() == [12.5]


@pytest.mark.parametrize(
    ("note", "read_as"),
    [
        ('"plain"', 1),
        ('"a;b"', 1),
        ('";"', 1),
        ('"say ""no"""', 1),
        ('""', 1),
        ('mid"dle', 0),
        ('a"b"c', 0),
        ('"open', 0),
    ],
)
def test_a_delimiter_within_quotes_does_not_split_and_a_stray_quote_is_no_value(
    tmp_path: Path, session: duckdb.DuckDBPyConnection, note: str, read_as: int
) -> None:
    """RFC 4180: a quoted cell may hold the delimiter, and a doubled quote stands for one."""
    header = HEADER.replace("when;", "when;note;")
    body = f'"2020-01-01 00:10";{note};"1";0;2;0;12.5\n'
    readings = read(session, small_site(tmp_path), raw_folder(tmp_path, east__csv=header + body), tmp_path)
    assert account(readings)["reading_lines"] == read_as


@pytest.mark.parametrize("word", ["-9999", "NAN", "7999"])
def test_a_word_for_missing_is_never_a_number(tmp_path: Path, session: duckdb.DuckDBPyConnection, word: str) -> None:
    site = small_site(tmp_path, layout=LAYOUT.replace('"---"', f'"{word}"'))
    body = f"2020-01-01 00:10;{word};0;2;0;{word}\n"
    readings = read(session, site, raw_folder(tmp_path, east__csv=HEADER + body), tmp_path)
    counts = pulses(session, site, readings)
    assert counts.loc[counts["plot"] == "north", "forward_pulses"].isna().all()
    assert len(gauge_readings(session, readings, site, LONG_AGO, FAR_AHEAD).df()) == 0
    assert account(readings)["rejected_lines"] == 0


def test_columns_are_found_by_name_in_any_order(tmp_path: Path, session: duckdb.DuckDBPyConnection) -> None:
    site = small_site(tmp_path)
    raw = raw_folder(
        tmp_path,
        east1__csv=HEADER + "2020-01-01 00:10;1;0;2;0;12\n",
        east2__csv="logger east\nd;when;c;extra;a;b\n4;2020-01-01 00:20;3;zz;1;2\n",
    )
    counts = pulses(session, site, read(session, site, raw, tmp_path))
    later = counts[counts["interval_end"] == pd.Timestamp("2020-01-01T06:20Z")].set_index("plot")
    assert later["forward_pulses"].to_dict() == {"north": 1, "south": 3}
    assert later["reverse_pulses"].to_dict() == {"north": 2, "south": 4}


def test_a_file_whose_header_does_not_fit_is_rejected_line_by_line_with_the_reason(
    tmp_path: Path, session: duckdb.DuckDBPyConnection
) -> None:
    raw = raw_folder(tmp_path, east__csv="logger east\ntime;a;b\n2020-01-01 00:10;1;0\n")
    readings = read(session, small_site(tmp_path), raw, tmp_path)
    reasons = readings.rejected_lines.df()["reason"].tolist()
    assert len(reasons) == 3
    assert (
        "stands above any line of column names; the layout plain needs one that holds the time column «when»"
        in reasons[0]
    )


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("east__csv", b"\xef\xbb\xbf" + HEADER.encode() + b"2020-01-01 00:10;1;0;2;0;12\n"),
        ("east__csv", (HEADER + "2020-01-01 00:10;1;0;2;0;12\n").replace("\n", "\r\n").encode()),
        ("east__csv", HEADER.replace("\n", "\r\n").encode() + b"2020-01-01 00:10;1;0;2;0;12\n"),
        ("east__csv__gz", gzip.compress((HEADER + "2020-01-01 00:10;1;0;2;0;12\n").encode(), mtime=0)),
    ],
    ids=["byte-order mark", "windows line ends", "mixed line ends", "gzip"],
)
def test_the_same_text_in_other_bytes_gives_the_same_reading(
    tmp_path: Path, session: duckdb.DuckDBPyConnection, name: str, content: bytes
) -> None:
    site = small_site(tmp_path)
    readings = read(session, site, raw_folder(tmp_path, **{name: content}), tmp_path)
    counts = pulses(session, site, readings)
    assert counts[["plot", "forward_pulses", "line"]].values.tolist() == [["north", 1, 3], ["south", 2, 3]]
    assert account(readings)["lines"] == 3


def test_overlapping_files_that_agree_give_each_interval_once(tmp_path: Path, session: duckdb.DuckDBPyConnection) -> None:
    rows = [f"2020-01-01 {m // 60:02d}:{m % 60:02d};{m};0;1;0;12\n" for m in range(10, 600, 10)]
    site = small_site(tmp_path)
    raw = raw_folder(
        tmp_path,
        east2__csv=HEADER + "".join(rows[:40]),
        east1__csv=HEADER + "".join(rows[30:]),
        east3__csv=HEADER + rows[5],
    )
    readings = read(session, site, raw, tmp_path)
    counts = pulses(session, site, readings)
    north = counts[counts["plot"] == "north"]
    assert north["forward_pulses"].tolist() == list(range(10, 600, 10))
    assert set(north["quality"]) == {"ok"}
    assert account(readings)["rejected_lines"] == 0


def test_a_conflict_uses_the_later_download_keeps_the_other_line_and_says_so(
    tmp_path: Path, session: duckdb.DuckDBPyConnection
) -> None:
    site = small_site(tmp_path)
    raw = raw_folder(
        tmp_path,
        east1__csv=HEADER + "2020-01-01 00:10;7;0;2;0;12\n2020-01-01 00:20;1;0;2;0;12\n",
        east2__csv=HEADER + "2020-01-01 00:10;8;0;2;0;12\n2020-01-01 00:30;1;0;2;0;12\n",
    )
    readings = read(session, site, raw, tmp_path)
    counts = pulses(session, site, readings).set_index(["plot", "interval_end"]).sort_index()
    at = pd.Timestamp("2020-01-01T06:10Z")
    assert counts.loc[("north", at), ["forward_pulses", "quality"]].tolist() == [8, "conflict"]
    assert counts.loc[("south", at), ["forward_pulses", "quality"]].tolist() == [2, "ok"]
    kept = readings.rejected_lines.df().iloc[0]
    assert (kept["path"], kept["line"], kept["text"]) == ("logger/east1.csv", 3, "2020-01-01 00:10;7;0;2;0;12")
    assert "line 3 of logger/east2.csv" in kept["reason"]
    assert holds_identity(readings)


def test_the_same_bytes_under_two_names_are_two_files_and_one_reading(
    tmp_path: Path, session: duckdb.DuckDBPyConnection
) -> None:
    text = HEADER + "2020-01-01 00:10;7;0;2;0;12\n"
    site = small_site(tmp_path)
    readings = read(session, site, raw_folder(tmp_path, east1__csv=text, east2__csv=text), tmp_path)
    assert len(readings.source_files) == 2
    assert len(pulses(session, site, readings)) == 2


def test_a_file_that_matches_no_pattern_is_named(tmp_path: Path, session: duckdb.DuckDBPyConnection) -> None:
    raw = raw_folder(tmp_path, west__csv=HEADER)
    with pytest.raises(IntakeError, match=r"west\.csv matches no file pattern"):
        read_raw_files(session, small_site(tmp_path), raw, [raw / "logger" / "west.csv"], tmp_path)


def test_lines_keep_their_numbers_across_many_files_read_in_parallel(
    tmp_path: Path, session: duckdb.DuckDBPyConnection
) -> None:
    start = datetime(2020, 1, 1)
    stamps = [start + timedelta(minutes=10 * i) for i in range(60_000)]
    files = {}
    for number in range(6):
        rows = [f"{t:%Y-%m-%d %H:%M};{i};0;1;0;12" for i, t in enumerate(stamps[number * 10_000 : (number + 1) * 10_000])]
        files[f"east{number}__csv"] = HEADER + "\n".join(rows) + "\n"
    site = small_site(tmp_path)
    counts = pulses(session, site, read(session, site, raw_folder(tmp_path, **files), tmp_path))
    north = counts[counts["plot"] == "north"]
    assert (north["line"] == north["forward_pulses"] + 3).all()
    assert len(north) == 60_000


LINE = st.one_of(
    st.sampled_from(["", "   ", "2020-01-01 00:10;1;0;2;0;12", "2020-01-01 00:20;1;0;2;0;---", HEADER.strip()]),
    st.text(st.characters(codec="utf-8", exclude_characters="\r\n"), max_size=40),
    st.from_regex(r"2020-01-0[1-9] 0[0-9]:[0-5]0;[0-9]{1,3};[0-9];[0-9];[0-9];[0-9]{2}", fullmatch=True),
)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.lists(LINE, max_size=12), min_size=1, max_size=3), st.sampled_from(["\n", "\r\n", "\r"]), st.booleans()
)
def test_the_line_identity_holds_for_any_text(
    tmp_path_factory: pytest.TempPathFactory, files: list[list[str]], line_end: str, closed: bool
) -> None:
    folder = tmp_path_factory.mktemp("any")
    texts = {
        f"east{number}__csv": (HEADER.replace("\n", line_end) + line_end.join(lines) + line_end * closed).encode()
        for number, lines in enumerate(files)
    }
    with open_session() as session:
        readings = read(session, small_site(folder), raw_folder(folder, **texts), folder)
        assert holds_identity(readings)
        kept = readings.rejected_lines.df()
        assert len(kept) == account(readings)["rejected_lines"]
    pieces = [re.split("\r\n|\r|\n", data.decode()) for data in texts.values()]
    assert readings.source_files["lines"].tolist() == [len(piece) - (piece[-1] == "") for piece in pieces]


def test_weather_of_any_interval_becomes_hours_and_keeps_its_rain(
    tmp_path: Path, session: duckdb.DuckDBPyConnection
) -> None:
    site = small_site(tmp_path, weather="weather: {interval: 30min, stamps: start}")
    raw = raw_folder(tmp_path)
    (raw / "weather").mkdir()
    (raw / "weather" / "w.csv").write_text(
        "time,rain_mm,air_temp_c\n2020-01-01T00:00,1.0,2\n2020-01-01T00:30,2.5,4\n2020-01-01T01:00,,5\n"
    )
    hours = weather_hours(session, read(session, site, raw, tmp_path)).set_index("hour_start")
    assert hours.loc[pd.Timestamp("2020-01-01T06:00Z")].tolist() == [3.5, 3.0]
    assert pd.isna(hours.loc[pd.Timestamp("2020-01-01T07:00Z"), "rain_mm"])
