"""Promises for raw files as they really come: nothing lost, nothing invented, nothing counted twice."""

from __future__ import annotations

import gzip
import random
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import duckdb
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.lake import open_session
from pipeline.site import Site
from pipeline.stages.intake import Readings, raw_paths, read_raw_files
from pipeline.stages.pulses import gauge_readings, pulse_counts
from tests.bench.fuzz_intake import LAYOUTS, broken_promises, clean_file, mutate
from tests.small_site import HEADER, LAYOUT, raw_folder, small_site

LONG_AGO, FAR_AHEAD = datetime(1990, 1, 1, tzinfo=UTC), datetime(2090, 1, 1, tzinfo=UTC)
NORTH = "plot == 'north'"


@pytest.fixture
def session() -> duckdb.DuckDBPyConnection:
    return open_session()


class Read:
    """Files of a small site, read."""

    def __init__(self, session: duckdb.DuckDBPyConnection, site: Site, folder: Path, **files: str | bytes) -> None:
        self.session, self.site = session, site
        raw = raw_folder(folder, **files)
        self.readings: Readings = read_raw_files(session, site, raw, raw_paths(site, raw), folder)

    @property
    def counts(self) -> pd.DataFrame:
        return pulse_counts(self.session, self.readings, self.site, LONG_AGO, FAR_AHEAD).df()

    @property
    def north(self) -> list[int]:
        return self.counts.query(NORTH)["forward_pulses"].tolist()

    @property
    def ends(self) -> list[str]:
        return [f"{end:%Y-%m-%dT%H:%M}" for end in self.counts.query(NORTH)["interval_end"]]

    @property
    def volts(self) -> list[float]:
        return gauge_readings(self.session, self.readings, self.site, LONG_AGO, FAR_AHEAD).df()["value"].tolist()

    @property
    def reasons(self) -> list[str]:
        return self.readings.rejected_lines.df()["reason"].tolist()

    @property
    def unread(self) -> list[str]:
        return self.readings.unread_values.df()["reason"].tolist()

    @property
    def note(self) -> str:
        return "; ".join(self.readings.source_files["note"].dropna())

    @property
    def account(self) -> list[int]:
        """Lines, header, blank, reading, rejected."""
        names = ["lines", "header_lines", "blank_lines", "reading_lines", "rejected_lines"]
        sums = [int(self.readings.source_files[name].sum()) for name in names]
        assert sums[0] == sum(sums[1:])
        return sums


def line(number: int, *counts: object) -> str:
    """Line `number` of a clean record: ends at so many times ten minutes after midnight."""
    cells = [*counts, *(0, 0, 0, 0, 12.5)[len(counts) :]]
    return f"{datetime(2020, 1, 1) + timedelta(minutes=10 * number):%Y-%m-%d %H:%M};" + ";".join(map(str, cells)) + "\n"


# Heads


def test_a_head_repeated_in_mid_file_is_a_head(tmp_path: Path, session: duckdb.DuckDBPyConnection) -> None:
    read = Read(session, small_site(tmp_path), tmp_path, east__csv=HEADER + line(1, 5) + HEADER + line(2, 6))
    assert read.north == [5, 6]
    assert read.account == [6, 4, 0, 2, 0]
    assert read.counts.query(NORTH)["line"].tolist() == [3, 6]
    assert "the column names stand again on line 5" in read.note


def test_names_alone_repeated_in_mid_file_cost_no_reading(tmp_path: Path, session: duckdb.DuckDBPyConnection) -> None:
    names = HEADER.splitlines()[1] + "\n"
    read = Read(session, small_site(tmp_path), tmp_path, east__csv=HEADER + line(1, 5) + names + line(2, 6))
    assert read.north == [5, 6]
    assert read.account == [5, 3, 0, 2, 0]


def test_columns_that_change_in_mid_file_are_read_by_the_names_above_them(
    tmp_path: Path, session: duckdb.DuckDBPyConnection
) -> None:
    body = HEADER + line(1, 5, 0, 7) + "logger east\nvolt;d;c;when;a\n" + "12.1;0;8;2020-01-01 00:20;6\n"
    read = Read(session, small_site(tmp_path), tmp_path, east__csv=body)
    assert read.north == [5, 6]
    assert read.counts.query("plot == 'south'")["forward_pulses"].tolist() == [7, 8]


def test_a_unit_line_below_the_names_is_a_head_and_its_absence_costs_no_reading(
    tmp_path: Path, session: duckdb.DuckDBPyConnection
) -> None:
    site = small_site(tmp_path, layout=LAYOUT.replace("lines_before_data: 2", "lines_before_data: 3"))
    read = Read(
        session,
        site,
        tmp_path,
        east1__csv=HEADER + ";p;p;p;p;V\n" + line(1, 5),
        east2__csv=HEADER + line(2, 6) + line(3, 7),
    )
    assert read.north == [5, 6, 7]
    assert read.account == [8, 5, 0, 3, 0]


def test_a_column_name_may_hold_the_delimiter_within_quotes(tmp_path: Path, session: duckdb.DuckDBPyConnection) -> None:
    body = 'logger east\n"when";"a";"b; reverse";c;"d";volt\n' + line(1, 5, 0, 7)
    read = Read(session, small_site(tmp_path), tmp_path, east__csv=body)
    assert read.north == [5]
    assert read.reasons == []


def test_names_on_another_line_than_declared_are_found_and_pointed_out(
    tmp_path: Path, session: duckdb.DuckDBPyConnection
) -> None:
    read = Read(session, small_site(tmp_path), tmp_path, east__csv="station 7\nprogram 3\n" + HEADER + line(1, 5))
    assert read.north == [5]
    assert "the column names stand on line 4; the layout expects them on line 2" in read.note


def test_data_above_any_names_are_kept_with_the_reason(tmp_path: Path, session: duckdb.DuckDBPyConnection) -> None:
    read = Read(session, small_site(tmp_path), tmp_path, east__csv=line(1, 5) + line(2, 6) + HEADER + line(3, 7))
    assert read.north == [7]
    assert read.account == [5, 2, 0, 1, 2]
    assert all("stands above any line of column names" in reason for reason in read.reasons)


def test_extra_columns_do_no_harm_and_a_wired_column_that_is_absent_is_pointed_out(
    tmp_path: Path, session: duckdb.DuckDBPyConnection
) -> None:
    body = "logger east\nwhen;a;b;extra;c;volt\n2020-01-01 00:10;5;0;zz;7;12.5\n"
    read = Read(session, small_site(tmp_path), tmp_path, east__csv=body)
    assert read.north == [5]
    assert "column «d» is wired to meter M2 reverse, and the file has no such column" in read.note


# Bytes


def test_a_line_cut_short_at_the_end_of_a_file_gives_no_value_that_was_not_written(
    tmp_path: Path, session: duckdb.DuckDBPyConnection
) -> None:
    """Whatever the byte at which the transfer broke off: what is read was written, and all whole lines are read."""
    layout = LAYOUT
    site = small_site(tmp_path, layout=layout)
    names = "logger east\nwhen;volt;b;c;d;a\n"
    body = names + "2020-01-01 00:10;12.25;10;20;30;418\n2020-01-01 00:20;12.50;11;21;31;519\n"
    for cut in range(len(names) + 37, len(body) + 1):
        read = Read(session, site, tmp_path, east__csv=body[:cut])
        assert read.north[:1] == [418]
        assert all(pd.isna(value) or value == 519 for value in read.north[1:])
        assert read.account[0] == sum(read.account[1:])
    assert read.north == [418, 519]


def test_a_file_cut_inside_a_character_keeps_its_whole_lines(tmp_path: Path, session: duckdb.DuckDBPyConnection) -> None:
    text = HEADER.replace("logger east", "Fluß-Logger") + line(1, 5) + "2020-01-01 00:20;6;0;0;0;µ"
    read = Read(session, small_site(tmp_path), tmp_path, east__csv=text.encode()[:-1])
    assert read.north == [5, 6]
    assert len(read.unread) == 1


def test_nul_padding_before_a_line_is_taken_off_and_nul_within_one_is_not_guessed_at(
    tmp_path: Path, session: duckdb.DuckDBPyConnection
) -> None:
    body = HEADER + line(1, 5) + "\0" * 40 + line(2, 6) + line(3, "7\0") + line(4, 8)
    read = Read(session, small_site(tmp_path), tmp_path, east__csv=body)
    assert [value for value in read.north if not pd.isna(value)] == [5, 6, 8]
    assert len(read.unread) == 1


def test_a_run_of_garbage_costs_only_the_lines_that_it_hit(tmp_path: Path, session: duckdb.DuckDBPyConnection) -> None:
    noise = random.Random(1).randbytes(3000).replace(b"\n", b"").replace(b"\r", b"")
    body = (HEADER + line(1, 5)).encode() + noise + b"\n" + line(2, 6).encode()
    read = Read(session, small_site(tmp_path), tmp_path, east__csv=body)
    assert read.north == [5, 6]
    assert read.account == [5, 2, 0, 2, 1]


@pytest.mark.parametrize(
    ("encoding", "declared", "mark"),
    [
        ("utf-16", "utf-8", b""),
        ("utf-16-le", "utf-16-le", b""),
        ("utf-16-be", "utf-8", b"\xfe\xff"),
        ("latin-1", "latin-1", b""),
        ("cp1252", "cp1252", b""),
        ("utf-8", "latin-1", b"\xef\xbb\xbf"),
    ],
)
def test_text_in_any_declared_or_marked_encoding_is_read(
    tmp_path: Path, session: duckdb.DuckDBPyConnection, encoding: str, declared: str, mark: bytes
) -> None:
    gauges = "gauge,logger,column,quantity,unit,plot,from,to\nsupply,east,Spännung,supply_voltage,V,,2019-10-01,\n"
    site = small_site(tmp_path, layout=LAYOUT + f"encoding: {declared}\n", gauges=gauges)
    text = HEADER.replace("volt", "Spännung") + line(1, 5)
    read = Read(session, site, tmp_path, east__csv=mark + text.encode(encoding))
    assert read.north == [5]
    assert read.volts == [12.5]


@pytest.mark.parametrize("mixture", ["\r\n", "\r", "\n", "mixed"])
def test_line_ends_of_any_kind_end_lines(tmp_path: Path, session: duckdb.DuckDBPyConnection, mixture: str) -> None:
    lines = (HEADER + line(1, 5) + line(2, 6) + line(3, 7)).splitlines()
    ends = ["\r\n", "\n", "\r", "\r\n", "\n"] if mixture == "mixed" else [mixture] * 5
    read = Read(session, small_site(tmp_path), tmp_path, east__csv="".join(map("".join, zip(lines, ends, strict=True))))
    assert read.north == [5, 6, 7]
    assert read.account == [5, 2, 0, 3, 0]


def test_a_truncated_gz_file_gives_what_came_before_the_break_and_says_so(
    tmp_path: Path, session: duckdb.DuckDBPyConnection
) -> None:
    randomly = random.Random(2)
    body = HEADER + "".join(line(number, randomly.randrange(90)) for number in range(1, 4000))
    whole = gzip.compress(body.encode())
    read = Read(session, small_site(tmp_path), tmp_path, east__csv__gz=whole[: len(whole) // 2])
    saved = read.north
    assert "the compressed file breaks off in line" in read.note
    clean = Read(session, small_site(tmp_path / "clean"), tmp_path / "clean", east__csv=body)
    assert 1000 < len(saved) < 3000
    assert saved == clean.north[: len(saved)]


@pytest.mark.parametrize(
    ("name", "content", "note", "lines"),
    [
        ("east__csv", b"", "the file is empty", 0),
        ("east__csv__gz", gzip.compress(b"", mtime=0), "the file is empty", 0),
        ("east__csv__gz", b"this is no gzip", "breaks off in line 1", 0),
        ("east__csv", HEADER.encode(), "", 2),
        ("east__csv", b"\n\n\n", "", 3),
    ],
    ids=["empty", "empty gz", "no gz", "head only", "blank lines only"],
)
def test_a_file_without_readings_is_accounted_for(
    tmp_path: Path, session: duckdb.DuckDBPyConnection, name: str, content: bytes, note: str, lines: int
) -> None:
    read = Read(session, small_site(tmp_path), tmp_path, **{name: content})
    assert read.account[0] == lines
    assert note in read.note
    assert read.north == []


# Values


def test_numbers_with_their_unit_glued_on_are_read(tmp_path: Path, session: duckdb.DuckDBPyConnection) -> None:
    body = HEADER + line(1, "5 pulses", "3", "2pulses", "0", "12.5V") + line(2, "6", "0", "0", "0", "12.4 v")
    read = Read(session, small_site(tmp_path), tmp_path, east__csv=body)
    assert read.north == [5, 6]
    assert read.volts == [12.5, 12.4]


def test_counts_written_with_zero_decimals_are_counts(tmp_path: Path, session: duckdb.DuckDBPyConnection) -> None:
    read = Read(
        session, small_site(tmp_path), tmp_path, east__csv=HEADER + line(1, "5.000") + line(2, "6.") + line(3, "7.5")
    )
    assert read.north[:2] == [5, 6]
    assert len(read.unread) == 1


@pytest.mark.parametrize(
    ("thousands", "decimal", "cell", "volt"),
    [
        (".", ",", "1.234", "1.012,5"),
        (" ", ",", "1 234", "1\u00a0012,5"),
        ("'", ".", "1'234", "1'012.5"),
        (",", ".", "1,234", "1,012.5"),
    ],
)
def test_separators_of_thousands_are_read_where_they_are_declared(
    tmp_path: Path, session: duckdb.DuckDBPyConnection, thousands: str, decimal: str, cell: str, volt: str
) -> None:
    site = small_site(tmp_path, layout=LAYOUT + f'thousands: "{thousands}"\ndecimal: "{decimal}"\n')
    read = Read(
        session, site, tmp_path, east__csv=HEADER + line(1, cell, 0, 0, 0, volt) + line(2, "12" + thousands + "34")
    )
    assert read.north[0] == 1234
    assert read.volts[0] == 1012.5
    assert pd.isna(read.north[1])
    assert len(read.unread) >= 1


@pytest.mark.parametrize("word", ["NaN", "N/A", "#N/A", "null", "", "-", "  ", "NONE", "----"])
def test_usual_words_for_missing_need_no_declaration(
    tmp_path: Path, session: duckdb.DuckDBPyConnection, word: str
) -> None:
    read = Read(session, small_site(tmp_path), tmp_path, east__csv=HEADER + line(1, word, 0, 0, 0, word) + line(2, 6))
    assert [value for value in read.north if not pd.isna(value)] == [6]
    assert (read.volts, read.unread, read.reasons) == ([12.5], [], [])


def test_values_of_an_unwired_channel_and_of_a_dead_one_after_its_wire_was_taken_off_are_not_used(
    tmp_path: Path, session: duckdb.DuckDBPyConnection
) -> None:
    wiring = (
        "logger,column,meter,direction,counts,modulus,from,to\n"
        "east,a,M1,forward,interval,,2019-10-01,2020-01-01T00:20\neast,c,M2,forward,interval,,2019-10-01,\n"
    )
    read = Read(
        session,
        small_site(tmp_path, wiring=wiring),
        tmp_path,
        east__csv=HEADER + "".join(line(i, 9) for i in range(1, 6)),
    )
    assert read.north == [9, 9]


def test_forward_and_reverse_swapped_for_a_season_are_put_right_by_the_wiring(
    tmp_path: Path, session: duckdb.DuckDBPyConnection
) -> None:
    rows = []
    for start, end, forward, reverse in (
        ("2019-10-01", "2020-01-01T00:20", "a", "b"),
        ("2020-01-01T00:20", "2020-01-01T00:40", "b", "a"),
        ("2020-01-01T00:40", "", "a", "b"),
    ):
        rows += [
            f"east,{forward},M1,forward,interval,,{start},{end}",
            f"east,{reverse},M1,reverse,interval,,{start},{end}",
        ]
    wiring = "logger,column,meter,direction,counts,modulus,from,to\n" + "\n".join(rows) + "\n"
    body = HEADER + line(1, 5, 1) + line(2, 6, 1) + line(3, 1, 7) + line(4, 1, 8) + line(5, 9, 1)
    counts = Read(session, small_site(tmp_path, wiring=wiring), tmp_path, east__csv=body).counts.query(NORTH)
    assert counts["forward_pulses"].tolist() == [5, 6, 7, 8, 9]
    assert counts["reverse_pulses"].tolist() == [1, 1, 1, 1, 1]


# Times


TIMES = [
    ("%Y-%m-%d %H:%M:%S", "2020-07-04 13:20:00"),
    ("%d.%m.%Y %H:%M", "04.07.2020 13:20"),
    ("%d.%m.%y %H:%M", "04.07.20 13:20"),
    ("%m/%d/%Y %I:%M %p", "07/04/2020 01:20 PM"),
    ("%-m/%-d/%Y %-H:%M", "7/4/2020 13:20"),
    ("%d %b %Y %H:%M", "04 Jul 2020 13:20"),
    ("%B %d, %Y %H:%M", "July 04, 2020 13:20"),
    ("%a %d %b %Y %H:%M", "Sat 04 Jul 2020 13:20"),
    ("%Y%m%d%H%M", "202007041320"),
    ("%Y %j %H:%M", "2020 186 13:20"),
    ("%Y-%m-%dT%H:%M:%S.%f", "2020-07-04T13:20:00.000000"),
    ("ISO 8601", "2020-07-04T13:20:00"),
    ("ISO 8601", "2020-07-04 13:20"),
]


@pytest.mark.parametrize(("form", "text"), TIMES)
def test_times_in_every_format_mean_what_the_standard_library_says(
    tmp_path: Path, session: duckdb.DuckDBPyConnection, form: str, text: str
) -> None:
    expected = datetime.fromisoformat(text) if form == "ISO 8601" else datetime.strptime(text, form.replace("%-", "%"))
    site = small_site(tmp_path, layout=LAYOUT.replace("%Y-%m-%d %H:%M", form))
    read = Read(session, site, tmp_path, east__csv=HEADER + f"{text};5;0;0;0;12.5\n {text} ;5;0;0;0;12.5\n")
    assert read.ends == [f"{expected + timedelta(hours=6):%Y-%m-%dT%H:%M}"]


@pytest.mark.parametrize("year", ["69", "68", "99", "00", "20"])
def test_two_digit_years_are_read_as_the_standard_library_reads_them(
    tmp_path: Path, session: duckdb.DuckDBPyConnection, year: str
) -> None:
    """POSIX strptime: 69 to 99 are 1969 to 1999, 00 to 68 are 2000 to 2068."""
    site = small_site(tmp_path, layout=LAYOUT.replace("%Y-%m-%d", "%d.%m.%y"))
    read = Read(session, site, tmp_path, east__csv=HEADER + f"04.07.{year} 13:20;5;0;0;0;12.5\n")
    assert read.readings.source_files["last_time"].dt.year.tolist() == [datetime.strptime(year, "%y").year]


@pytest.mark.parametrize(
    ("form", "text"),
    [("%Y-%m-%d %H:%M", "2019-12-31 24:00"), ("%d.%m.%Y %H:%M:%S", "31.12.2019 24:00:00"), ("%Y%m%d%H%M", "201912312400"),
     ("ISO 8601", "2019-12-31T24:00")],
)  # fmt: skip
def test_midnight_written_as_24_00_ends_the_day(
    tmp_path: Path, session: duckdb.DuckDBPyConnection, form: str, text: str
) -> None:
    site = small_site(tmp_path, layout=LAYOUT.replace("%Y-%m-%d %H:%M", form))
    assert Read(session, site, tmp_path, east__csv=HEADER + f"{text};5;0;0;0;12.5\n").ends == ["2020-01-01T06:00"]


def test_a_time_in_two_columns_is_read(tmp_path: Path, session: duckdb.DuckDBPyConnection) -> None:
    site = small_site(tmp_path, layout=LAYOUT.replace("column: when", "column: [day, clock]"))
    body = "logger east\nday;a;clock;b;c;d;volt\n2020-01-01;5;00:10;0;0;0;12.5\n"
    assert Read(session, site, tmp_path, east__csv=body).ends == ["2020-01-01T06:10"]


def test_days_and_months_that_a_spreadsheet_swapped_are_found_by_order_and_not_guessed(
    tmp_path: Path, session: duckdb.DuckDBPyConnection
) -> None:
    """A spreadsheet reads 03.10.2019 as the 10th of March wherever it can, that is up to the 12th, and leaves the rest."""
    site = small_site(tmp_path, layout=LAYOUT.replace("%Y-%m-%d %H:%M", "%d.%m.%Y %H:%M"))
    stamps = [datetime(2019, 10, 8) + timedelta(hours=6 * i) for i in range(40)]
    swapped = [t.replace(month=t.day, day=t.month) if t.day <= 12 else t for t in stamps]
    rows = [f"{t:%d.%m.%Y %H:%M};{i};0;0;0;12.5\n" for i, t in enumerate(swapped)]
    read = Read(session, site, tmp_path, east__csv=HEADER + "".join(rows))
    untouched = [i for i, t in enumerate(stamps) if t.day > 12 or t.day == t.month]
    assert read.north == untouched
    assert all("day and month look swapped" in reason for reason in read.reasons)
    assert len(read.reasons) == len(stamps) - len(untouched)
    assert "look swapped" in read.note


def test_a_true_record_with_long_gaps_is_not_taken_for_a_swapped_one(
    tmp_path: Path, session: duckdb.DuckDBPyConnection
) -> None:
    site = small_site(tmp_path, layout=LAYOUT.replace("%Y-%m-%d %H:%M", "%d.%m.%Y %H:%M"))
    stamps = [datetime(2019, 10, 3) + timedelta(days=35 * (i // 5), minutes=10 * i) for i in range(40)]
    read = Read(session, site, tmp_path, east__csv=HEADER + "".join(f"{t:%d.%m.%Y %H:%M};1;0;0;0;12\n" for t in stamps))
    assert len(read.north) == 40


def test_records_out_of_order_are_put_in_order(tmp_path: Path, session: duckdb.DuckDBPyConnection) -> None:
    rows = [line(number, number) for number in range(1, 30)]
    random.Random(3).shuffle(rows)
    read = Read(session, small_site(tmp_path), tmp_path, east__csv=HEADER + "".join(rows))
    assert read.north == list(range(1, 30))


# Clocks


def summer_time(rows: list[datetime]) -> str:
    """What a logger in Chicago that keeps summer time writes for these instants (local times by the standard library)."""
    zone = ZoneInfo("America/Chicago")
    return HEADER + "".join(f"{t.astimezone(zone):%Y-%m-%d %H:%M};{i};0;0;0;12.5\n" for i, t in enumerate(rows))


@pytest.fixture
def chicago(tmp_path: Path) -> Site:
    return small_site(tmp_path, layout=LAYOUT.replace('utc_offset: "-06:00"', "timezone: America/Chicago"))


def test_the_doubled_hour_is_resolved_by_the_order_of_records(
    tmp_path: Path, session: duckdb.DuckDBPyConnection, chicago: Site
) -> None:
    instants = [datetime(2020, 11, 1, 4, tzinfo=UTC) + timedelta(minutes=10 * i) for i in range(36)]
    read = Read(session, chicago, tmp_path, east__csv=summer_time(instants))
    assert read.ends == [f"{t:%Y-%m-%dT%H:%M}" for t in instants]
    assert read.north == list(range(36))


@pytest.mark.parametrize("kept", [slice(0, 15), slice(24, 36), slice(14, 36)])
def test_one_round_of_the_doubled_hour_is_known_by_the_record_that_it_joins(
    tmp_path: Path, session: duckdb.DuckDBPyConnection, chicago: Site, kept: slice
) -> None:
    instants = [datetime(2020, 11, 1, 4, tzinfo=UTC) + timedelta(minutes=10 * i) for i in range(36)][kept]
    assert Read(session, chicago, tmp_path, east__csv=summer_time(instants)).ends == [
        f"{t:%Y-%m-%dT%H:%M}" for t in instants
    ]


def test_a_doubled_hour_that_nothing_tells_apart_is_kept_with_the_reason(
    tmp_path: Path, session: duckdb.DuckDBPyConnection, chicago: Site
) -> None:
    lone = HEADER + "2020-10-31 12:00;1;0;0;0;12\n2020-11-01 01:30;2;0;0;0;12\n2020-11-02 12:00;3;0;0;0;12\n"
    read = Read(session, chicago, tmp_path, east__csv=lone)
    assert read.north == [1, 3]
    assert "existed twice in America/Chicago" in read.reasons[0]


def test_the_missing_hour_is_impossible(tmp_path: Path, session: duckdb.DuckDBPyConnection, chicago: Site) -> None:
    body = HEADER + "2020-03-08 01:50;1;0;0;0;12\n2020-03-08 02:30;2;0;0;0;12\n2020-03-08 03:10;3;0;0;0;12\n"
    read = Read(session, chicago, tmp_path, east__csv=body)
    assert read.ends == ["2020-03-08T07:50", "2020-03-08T08:10"]
    assert "did not exist in America/Chicago" in read.reasons[0]


def test_a_clock_that_drifted_is_put_right_without_gaps_or_overlaps(
    tmp_path: Path, session: duckdb.DuckDBPyConnection
) -> None:
    """The clock lost an hour in ten days, in a straight line: half way, half an hour is missing."""
    clocks = "logger,from,to,shift_s,shift_at_end_s\neast,2020-01-01T00:00,2020-01-11T00:00,0,3600\n"
    site = small_site(tmp_path, clocks=clocks)
    read = Read(session, site, tmp_path, east__csv=HEADER + "".join(line(i, i) for i in range(1, 1440)))
    counts = read.counts.query(NORTH)
    middle = counts[counts["forward_pulses"] == 720].iloc[0]
    assert middle["interval_end"] == pd.Timestamp("2020-01-06T06:30Z")
    assert (
        counts["interval_start"].iloc[1:].reset_index(drop=True)
        == counts["interval_end"].iloc[:-1].reset_index(drop=True)
    ).all()


# Intervals


@pytest.mark.parametrize("stamps", ["start", "end"])
def test_an_interval_length_that_changes_is_seen_and_pointed_out(
    tmp_path: Path, session: duckdb.DuckDBPyConnection, stamps: str
) -> None:
    site = small_site(tmp_path, layout=LAYOUT.replace("stamps: end", f"stamps: {stamps}"))
    start = datetime(2020, 1, 1)
    times = [start + timedelta(minutes=10 * i) for i in range(20)]
    times += [times[-1] + timedelta(minutes=5 * i) for i in range(1, 41)]
    body = HEADER + "".join(f"{t:%Y-%m-%d %H:%M};1;0;0;0;12.5\n" for t in times)
    read = Read(session, site, tmp_path, east__csv=body)
    counts = read.counts.query(NORTH)
    minutes = ((counts["interval_end"] - counts["interval_start"]).dt.total_seconds() / 60).tolist()
    assert minutes.count(5.0) in (40, 41)
    assert minutes.count(10.0) in (19, 20)
    starts, ends = counts["interval_start"].tolist(), counts["interval_end"].tolist()
    assert starts[1:] == ends[:-1]
    assert "readings come every 5.0 min; the layout says 10 min" in read.note


def test_a_short_step_after_a_restart_makes_no_overlap(tmp_path: Path, session: duckdb.DuckDBPyConnection) -> None:
    body = HEADER + line(1, 5) + "2020-01-01 00:13;2;0;0;0;12\n2020-01-01 00:23;7;0;0;0;12\n"
    counts = Read(session, small_site(tmp_path), tmp_path, east__csv=body).counts.query(NORTH)
    assert counts["forward_pulses"].tolist() == [5, 2, 7]
    assert counts["interval_start"].tolist()[1:] == counts["interval_end"].tolist()[:-1]


def test_overlapping_downloads_across_an_interval_change_count_nothing_twice(
    tmp_path: Path, session: duckdb.DuckDBPyConnection
) -> None:
    start = datetime(2020, 1, 1)
    times = [start + timedelta(minutes=5 * i) for i in range(80)]
    rows = [f"{t:%Y-%m-%d %H:%M};{i};0;0;0;12.5\n" for i, t in enumerate(times)]
    site = small_site(tmp_path)
    read = Read(session, site, tmp_path, east1__csv=HEADER + "".join(rows[:50]), east2__csv=HEADER + "".join(rows[30:]))
    assert read.north == list(range(80))


# One truth in many files


RECORD = [line(i, (i * 37) % 91, i % 3, (i * 11) % 50, 0, f"{12 + (i % 7) / 10:.1f}") for i in range(1, 120)]


@settings(max_examples=40, deadline=None)
@given(st.data())
def test_any_split_overlap_repeat_and_order_of_the_same_truth_gives_the_same_counts(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    folder = tmp_path_factory.mktemp("splits")
    cuts = sorted(data.draw(st.sets(st.integers(1, len(RECORD) - 1), max_size=5)))
    pieces = [list(RECORD[a:b]) for a, b in zip([0, *cuts], [*cuts, len(RECORD)], strict=True)]
    overlap = data.draw(st.integers(0, 20))
    pieces = [
        list(RECORD[max(0, RECORD.index(piece[0]) - overlap) : RECORD.index(piece[0]) + len(piece)]) for piece in pieces
    ]
    repeats = data.draw(st.lists(st.sampled_from(range(len(pieces))), max_size=3))
    files = [*pieces, *(pieces[number] for number in repeats)]
    for file in files:
        if data.draw(st.booleans()):
            data.draw(st.randoms(use_true_random=False)).shuffle(file)
    order = data.draw(st.permutations(range(len(files))))
    texts = {f"east{place:02d}__csv": HEADER + "".join(files[number]) for place, number in enumerate(order)}
    facts = ["plot", "meter", "interval_start", "interval_end", "forward_pulses", "reverse_pulses", "quality"]
    with open_session() as session:
        many = Read(session, small_site(folder), folder, **texts).counts[facts]
    with open_session() as session:
        one = Read(session, small_site(folder / "one"), folder / "one", east__csv=HEADER + "".join(RECORD)).counts[facts]
    pd.testing.assert_frame_equal(many, one)


@settings(max_examples=25, deadline=None)
@given(
    st.sampled_from([1 << 16, 1 << 24, 1 << 32, 10_000, 1_000_000, 65_521]),
    st.lists(st.integers(0, 700), min_size=5, max_size=40),
    st.sets(st.integers(1, 39), max_size=3),
)
def test_running_and_interval_counters_of_the_same_water_agree_to_the_pulse(
    tmp_path_factory: pytest.TempPathFactory, modulus: int, water: list[int], resets: set[int]
) -> None:
    """Both count the same pulses; after a known reset the running counter starts again from zero, and that one interval, in which
    it started, is unknown to it."""
    folder = tmp_path_factory.mktemp("both")
    wiring = "logger,column,meter,direction,counts,modulus,from,to\n" + (
        f"east,a,M1,forward,interval,,2019-10-01,\neast,c,M2,forward,running,{modulus},2019-10-01,\n"
    )
    total, rows = modulus - 50, []
    for number, pulses in enumerate(water):
        total = 0 if number in resets else (total + pulses) % modulus
        rows.append(line(number, pulses, 0, total))
    with open_session() as session:
        counts = Read(session, small_site(folder, wiring=wiring), folder, east__csv=HEADER + "".join(rows)).counts
    running = counts.query("plot == 'south'").set_index("interval_end")["forward_pulses"]
    interval = counts.query(NORTH).set_index("interval_end")["forward_pulses"]
    known = running.dropna()
    places = [number for number in range(1, len(water)) if number not in resets]
    stamps = [pd.Timestamp("2020-01-01T06:00Z") + pd.Timedelta(minutes=10 * number) for number in places]
    assert set(stamps) <= set(known.index)
    assert known.loc[stamps].tolist() == interval.loc[stamps].tolist()


@pytest.mark.parametrize("seed", [11, 12, 13, 14])
def test_mutated_files_break_no_promise(tmp_path: Path, seed: int) -> None:
    """A short run of tests/bench/fuzz_intake.py, in which the promises stand."""
    randomly = random.Random(seed)
    site, raw = small_site(tmp_path, layout=LAYOUTS[seed % len(LAYOUTS)]), raw_folder(tmp_path)
    paths = [raw / "logger" / f"east{number:03d}.csv" for number in range(40)]
    for path in paths:
        path.write_bytes(mutate(clean_file(randomly), randomly))
    with open_session() as session:
        assert broken_promises(session, site, raw, paths, tmp_path) == []
