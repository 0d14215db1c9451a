"""A text that no layout fits gets a layout proposed that reads it, and is told what no text can say.

Belongs here: every kind of layout from lines alone; the block as a person pastes it; that nothing else than a sentence comes of
lines that make no sense.
Does not: the command that shows it (test_inspect.py), reading by a declared layout (test_intake.py).

Delimited text by RFC 4180, times by ISO 8601 and by the directives of strptime (held against Python's), numbers with groups of
three digits by ISO 80000-1 (a blank) and by common practice (the other marks). Every expected value is the one that the text was
written with.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from pipeline.lake import open_session
from pipeline.site import LoggerLayout, Site, load_site
from pipeline.site.marked_yaml import MarkedYaml
from pipeline.stages.intake import Readings, read_raw_files
from pipeline.stages.layout_proposal import LayoutProposal, NoProposalError, propose_layout
from pipeline.stages.time_shapes import times_in
from tests.small_site import raw_folder, small_site

BEGIN = datetime(2019, 10, 1, 0, 10)
STEP = timedelta(minutes=10)
ROWS = 400
"""Nearly three days of ten-minute lines."""
TEN_MINUTES_NAMES = ("when", "a", "volt")


def counts(row: int) -> tuple[int, float]:
    """What the invented file says in a row: pulses and volts."""
    return row % 7, 12.5 + (row % 4) / 10


def text_of(
    *,
    delimiter: str = ";",
    time_format: str = "%Y-%m-%d %H:%M",
    decimal: str = ".",
    names: tuple[str, ...] = TEN_MINUTES_NAMES,
    above: tuple[str, ...] = (),
    below: tuple[str, ...] = (),
    quote: str = "",
    begin: datetime = BEGIN,
    step: timedelta = STEP,
    rows: int = ROWS,
    missing: str = "",
    write: Callable[[datetime], str] | None = None,
) -> str:
    """An invented file; the times may take several columns, cut by the delimiter in what `write` gives."""
    lines = [*above, *([delimiter.join(f"{quote}{name}{quote}" for name in names)] if names else []), *below]
    for row in range(rows):
        when = begin + row * step
        pulses, volts = counts(row)
        volt = missing if missing and row % 50 == 9 else f"{volts}".replace(".", decimal)
        times = (write(when) if write else when.strftime(time_format)).split(delimiter) if delimiter != " " else None
        cells = [*(times or (write or (lambda at: at.strftime(time_format)))(when).split(" ")), str(pulses), volt]
        lines.append(delimiter.join(f"{quote}{cell}{quote}" for cell in cells))
    return "\n".join(lines) + "\n"


def proposed(text: str) -> LayoutProposal:
    return propose_layout(text.splitlines())


def pasted(folder: Path, block: str) -> Site:
    """A small site whose logger has the proposed layout, pasted as it is."""
    site = small_site(
        folder,
        wiring="logger,column,meter,direction,counts,modulus,from,to\neast,a,M1,forward,interval,,2019-10-01,\n",
        calibrations="meter,direction,litres_per_pulse,expanded_uncertainty_pct,from,to,evidence,entered\n"
        "M1,forward,5.0,1.0,2019-10-01,,bench,2019-09-01\n",
    )
    path = site.folder / "site.yaml"
    yaml = (
        path.read_text().replace("layout: plain", "layout: new").replace("logger_layouts:\n", f"logger_layouts:\n{block}")
    )
    path.write_text(yaml)
    return load_site(site.folder)


def read(folder: Path, text: str | bytes, block: str) -> tuple[Readings, pd.DataFrame, pd.DataFrame]:
    """The readings of a file by its proposed layout, its account, and what was rejected."""
    site = pasted(folder, block)
    raw = raw_folder(folder, east_1__csv=text)
    with open_session() as session:
        copies = folder / "copies"
        copies.mkdir()
        readings = read_raw_files(session, site, raw, [raw / "logger" / "east_1.csv"], copies)
        record = readings.records["east"]
        table = session.sql(f"FROM {record.readings} ORDER BY interval_start").df()
        return (
            readings,
            table.rename(columns={v: k for k, v in record.column_names.items()}),
            readings.rejected_lines.df(),
        )


MANY = {
    "day first, decimal comma": {"time_format": "%d.%m.%Y %H:%M", "decimal": ","},
    "month first, half days": {"delimiter": ",", "time_format": "%m/%d/%Y %I:%M:%S %p"},
    "tabulators": {"delimiter": "\t", "time_format": "%d/%m/%Y %H:%M"},
    "bars and seconds": {"delimiter": "|", "time_format": "%Y-%m-%d %H:%M:%S"},
    "quotes": {"delimiter": ",", "quote": '"', "time_format": "%Y/%m/%d %H:%M"},
    "apostrophes": {"delimiter": ",", "quote": "'"},
    "a title and a serial number": {"above": ("Logger east", "Serial;0815"), "time_format": "%d.%m.%Y %H:%M:%S"},
    "a line as wide as the readings above the names": {"above": ("east;0815;3",)},
    "a title as wide as the readings above the names": {"above": ("Site;Spring;Logger",)},
    "a line with a number above names without a word for time": {"above": ("east;0815;spring",), "names": ("moment", "a", "volt")},
    "units above names without a word for time": {"above": ("min;pulses;V",), "names": ("moment", "a", "volt")},
    "units below the names": {"below": ("min;pulses;V",)},
    "units in brackets and kinds below the names": {"below": ("[yyyy-mm-dd hh:mm];[pulses];[V]", ";Tot;Avg")},
    "a blank line below the names": {"below": ("",)},
    "month names": {"time_format": "%d-%b-%Y %H:%M"},
    "month names in full": {"delimiter": ",", "time_format": "%d %B %Y %H:%M", "begin": datetime(2020, 5, 30)},
    "two-digit years": {"time_format": "%d.%m.%y %H:%M"},
    "two-digit years first": {"time_format": "%y-%m-%d %H:%M"},
    "run together": {"time_format": "%Y%m%d%H%M", "delimiter": ","},
    "T between date and time": {"time_format": "%Y-%m-%dT%H:%M:%S", "delimiter": ","},
    "universal time": {"time_format": "%Y-%m-%dT%H:%M:%SZ", "delimiter": ","},
    "points in the time of day": {"time_format": "%d.%m.%Y %H.%M"},
    "day of year": {"time_format": "%Y-%j %H:%M"},
    "date and time apart": {"names": ("day", "clock", "a", "volt"), "time_format": "%d.%m.%Y;%H:%M"},
    "date and time apart, with half days": {
        "names": ("day", "clock", "a", "volt"), "delimiter": ",", "time_format": "%m/%d/%Y,%I:%M %p",
    },
    "blanks between values": {"names": ("day", "clock", "a", "volt"), "delimiter": " "},
    "year, day of year, hour and minute apart": {
        "names": ("year", "doy", "hhmm", "a", "volt"), "delimiter": ",", "time_format": "%Y,%j,%H%M",
    },
    "five columns of time": {
        "names": ("Year", "Month", "Day", "Hour", "Minute", "a", "volt"), "time_format": "%Y;%m;%d;%H;%M",
    },
    "a column of its own for the number of the record": {"names": ("no", "when", "a", "volt"), "time_format": "7;%d.%m.%Y %H:%M"},
    "a word for missing": {"missing": "---"},
    "a number for missing": {"missing": "-9999"},
    "quarter hours": {"step": timedelta(minutes=15)},
    "hours": {"step": timedelta(hours=1)},
    "half minutes": {"step": timedelta(seconds=30), "time_format": "%d.%m.%Y %H:%M:%S", "begin": datetime(2019, 10, 13)},
}  # fmt: skip


@dataclass(frozen=True)
class Pasted:
    """A file of MANY, read by the block that was proposed for it."""

    layout: dict[str, Any]
    proposal: LayoutProposal
    reading_lines: list[int]
    table: pd.DataFrame
    rejected: list[str]


@pytest.fixture(scope="module", params=MANY.values(), ids=list(MANY))
def one_of_many(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Pasted:
    text = text_of(**request.param)
    proposal = proposed(text)
    readings, table, rejected = read(tmp_path_factory.mktemp("many"), text, proposal.block("new", "-06:00"))
    lines = readings.source_files["reading_lines"].tolist()
    return Pasted(request.param, proposal, lines, table, rejected["reason"].tolist())


def test_a_file_is_read_whole_by_the_block_as_it_is_pasted(one_of_many: Pasted) -> None:
    assert (one_of_many.reading_lines, one_of_many.rejected) == ([ROWS], [])


def test_a_file_is_read_with_its_true_times(one_of_many: Pasted) -> None:
    begin, step = one_of_many.layout.get("begin", BEGIN), one_of_many.layout.get("step", STEP)
    offset = timedelta(hours=0 if one_of_many.proposal.utc_offset else -6)
    ends = one_of_many.table["interval_end"].dt.tz_convert("UTC").tolist()
    assert ends == [(begin + row * step).replace(tzinfo=UTC) - offset for row in range(ROWS)]


def test_a_file_is_read_with_its_true_values(one_of_many: Pasted) -> None:
    missing = one_of_many.layout.get("missing")
    assert one_of_many.table["a"].tolist() == [counts(row)[0] for row in range(ROWS)]
    assert one_of_many.table["volt"].dropna().tolist() == [
        counts(row)[1] for row in range(ROWS) if not (missing and row % 50 == 9)
    ]


@settings(deadline=None)
@given(
    delimiter=st.sampled_from(";,\t|"),
    time_format=st.sampled_from(
        ["%Y-%m-%d %H:%M:%S", "%d.%m.%Y %H:%M", "%m/%d/%Y %H:%M", "%d/%m/%y %H:%M", "%b %d %Y %H:%M", "%Y%m%d %H%M"]
    ),
    decimal=st.sampled_from(".,"),
    above=st.lists(st.text("abc XYZ", max_size=12), max_size=4),
    begin=st.datetimes(datetime(1990, 1, 1), datetime(2060, 1, 1)).map(
        lambda at: at.replace(minute=0, second=0, microsecond=0)
    ),
    minutes=st.sampled_from([5, 10, 15, 30, 60]),
)
def test_what_a_file_was_written_with_is_found(
    delimiter: str, time_format: str, decimal: str, above: list[str], begin: datetime, minutes: int
) -> None:
    # Two days and more: the day changes twice, so that day and month can be told apart by the order of lines.
    if decimal == delimiter:
        decimal = "."
    step = timedelta(minutes=minutes)
    proposal = proposed(
        text_of(
            delimiter=delimiter,
            time_format=time_format,
            decimal=decimal,
            above=tuple(above),
            begin=begin,
            step=step,
            rows=49 * 60 // minutes,
        )
    )
    assert (proposal.delimiter, proposal.time_format, proposal.decimal) == (delimiter, time_format, decimal)
    assert (proposal.names, proposal.time_columns, proposal.interval) == (TEN_MINUTES_NAMES, ("when",), step)
    assert (proposal.names_on_line, proposal.lines_before_data) == (len(above) + 1, len(above) + 1)
    assert proposal.obstacles == ()


def test_a_day_over_twelve_tells_day_from_month() -> None:
    proposal = proposed(text_of(time_format="%d/%m/%Y %H:%M", begin=datetime(2019, 10, 12, 23, 50), rows=3))
    assert proposal.time_format == "%d/%m/%Y %H:%M"
    assert "day, month, year: line 3 cannot be read in another order" in proposal.remarks["format"]


def test_the_order_of_lines_tells_month_from_day() -> None:
    proposal = proposed(text_of(time_format="%m/%d/%Y %H:%M", begin=datetime(2019, 10, 1, 23, 0), rows=20))
    assert proposal.time_format == "%m/%d/%Y %H:%M"
    assert "even steps" in proposal.remarks["format"]


def test_day_and_month_that_nothing_tells_apart_are_left_to_the_person() -> None:
    proposal = proposed(text_of(time_format="%m/%d/%Y %H:%M", begin=datetime(2019, 10, 1), rows=20))
    both = {"%m/%d/%Y %H:%M", "%d/%m/%Y %H:%M"}
    (other,) = both - {proposal.time_format}
    assert f"TO DECIDE: day, month and year cannot be told apart in these lines; it may be {other}" in proposal.block(
        "new", "-06:00"
    )


def test_what_no_line_can_tell_is_marked_for_the_person() -> None:
    lines = proposed(text_of()).block("new", "-06:00").splitlines()
    marked = [after.strip() for line, after in pairwise(lines) if line.strip().startswith("# TO DECIDE")]
    assert marked == ["stamps: end", 'utc_offset: "-06:00"']


@pytest.mark.parametrize(
    ("written", "offset"), [("Z", "+00:00"), ("-06:00", "-06:00"), ("+0530", "+05:30"), (" UTC", "+00:00")]
)
def test_an_offset_within_the_stamps_is_kept_and_not_asked_for(written: str, offset: str) -> None:
    proposal = proposed(text_of(time_format=f"%Y-%m-%dT%H:%M:%S{written}", delimiter=","))
    assert proposal.utc_offset == offset
    assert "TO DECIDE" not in proposal.remarks["utc_offset"]


def test_stamps_with_seconds_on_some_lines_are_read_by_iso_8601(tmp_path: Path) -> None:
    text = text_of(delimiter=",", write=lambda at: at.isoformat(sep=" ") if at.minute else f"{at:%Y-%m-%d %H:%M}")
    proposal = proposed(text)
    readings, _, _ = read(tmp_path, text, proposal.block("new", "-06:00"))
    assert (proposal.time_format, readings.source_files["reading_lines"].tolist()) == ("ISO 8601", [ROWS])


def test_midnight_written_as_24_00_is_the_day_s_end() -> None:
    # ISO 8601-1:2019, 5.3.2: 24:00:00 is the end of the day, the same instant as 00:00:00 of the next.
    assert times_in("2019-10-01 24:00") == {
        "%Y-%m-%d %H:%M": datetime(2019, 10, 2),
    }


def test_comment_lines_are_known_by_their_mark(tmp_path: Path) -> None:
    lines = text_of(above=("# logger east",)).splitlines()
    lines.insert(100, "# battery changed")
    text = "\n".join(lines) + "\n"
    proposal = proposed(text)
    readings, _, rejected = read(tmp_path, text, proposal.block("new", "-06:00"))
    assert proposal.comment == "#"
    assert (readings.source_files["reading_lines"].tolist(), len(rejected)) == ([ROWS], 0)


@pytest.mark.parametrize("mark", ["'", " ", "\u00a0", "\u202f"])
def test_a_mark_between_thousands_that_can_be_nothing_else_is_found_and_read(tmp_path: Path, mark: str) -> None:
    rows = [f"2019-10-01 {hour:02d}:00;{hour + 1}{mark}234;12.5" for hour in range(24)]
    text = "\n".join(["when;a;volt", *rows]) + "\n"
    proposal = proposed(text)
    assert proposal.thousands == mark
    assert read(tmp_path, text, proposal.block("new", "-06:00"))[1]["a"].tolist() == [
        1000 * hour + 1234 for hour in range(24)
    ]


@pytest.mark.parametrize(("mark", "decimal"), [(",", "."), (".", ",")])
def test_marks_that_stand_together_in_a_number_tell_each_other(mark: str, decimal: str) -> None:
    rows = [f"2019-10-01 {hour:02d}:00;{hour + 1}{mark}234{decimal}5;12{decimal}5" for hour in range(24)]
    proposal = proposed("\n".join(["when;a;volt", *rows]))
    assert (proposal.thousands, proposal.decimal) == (mark, decimal)


def test_three_digits_behind_every_mark_are_left_to_the_person() -> None:
    rows = [f"2019-10-01 {hour:02d}:00;{hour + 1}.234" for hour in range(24)]
    assert "TO DECIDE: «1.234» has three decimals, or else a point between thousands" in (
        proposed("\n".join(["when;a", *rows])).block("new", "-06:00")
    )


def test_a_mark_in_large_numbers_alone_is_taken_as_one_between_thousands_and_asked_about() -> None:
    rows = [f"2019-10-01 {hour:02d}:00;{f'{hour * 100:,}'.replace(',', '.')}" for hour in range(24)]
    proposal = proposed("\n".join(["when;a", *rows]))
    assert proposal.remarks["thousands"].startswith("TO DECIDE: ")
    layout = layout_of(proposal.block("new", "-06:00"))
    assert (layout.thousands, layout.decimal) == (".", ",")


def test_four_digits_without_a_mark_are_no_thousands_elsewhere() -> None:
    rows = [f"2019-10-01 {hour:02d}:00;{hour + 1200 if hour % 2 else f'{hour + 1}.234'}" for hour in range(24)]
    proposal = proposed("\n".join(["when;a", *rows]))
    assert (proposal.thousands, proposal.decimal) == (None, ".")


def test_decimals_below_one_are_no_thousands() -> None:
    rows = [f"2019-10-01 {hour:02d}:00;0.{hour + 100}" for hour in range(24)]
    proposal = proposed("\n".join(["when;a", *rows]))
    assert (proposal.thousands, proposal.decimal, proposal.remarks.get("decimal")) == (None, ".", None)


def test_numbers_with_their_unit_are_no_words_for_missing() -> None:
    rows = [f"2019-10-01 {hour:02d}:00;{hour};12.{hour % 7} V" for hour in range(24)]
    proposal = proposed("\n".join(["when;a;volt", *rows]))
    assert proposal.missing == ("",)
    assert "carry their unit" in proposal.remarks["missing"]


def test_words_in_a_column_of_words_are_no_words_for_missing() -> None:
    rows = [f"2019-10-01 {hour:02d}:00;{hour};{'ok' if hour % 3 else 'door open'}" for hour in range(24)]
    assert proposed("\n".join(["when;a;state", *rows])).missing == ("",)


def test_a_dead_channel_s_word_is_a_word_for_missing() -> None:
    rows = [f"2019-10-01 {hour:02d}:00;{hour};NaN" for hour in range(24)]
    assert proposed("\n".join(["when;a;volt", *rows])).missing == ("NaN", "")


def test_a_second_column_of_times_is_pointed_out() -> None:
    rows = [f"2019-10-01 {hour:02d}:00;2019-10-01 {hour:02d}:05;3" for hour in range(24)]
    proposal = proposed("\n".join(["logged;sent;a", *rows]))
    assert proposal.time_columns == ("logged",)
    assert "sent" in proposal.remarks["column"]


def test_a_text_without_column_names_is_told_and_given_a_line_to_add(tmp_path: Path) -> None:
    text = text_of(names=())
    proposal = proposed(text)
    (obstacle,) = proposal.obstacles
    assert "no line of column names" in obstacle
    assert f"«{';'.join(proposal.names)}» above the first reading (line 1)" in obstacle


def test_the_line_to_add_makes_a_text_without_column_names_readable(tmp_path: Path) -> None:
    text = text_of(names=())
    proposal = proposed(text)
    with_names = ";".join(proposal.names) + "\n" + text
    assert proposed(with_names).names == proposal.names
    readings, _, rejected = read(tmp_path, with_names, proposal.block("new", "-06:00"))
    assert (readings.source_files["reading_lines"].tolist(), len(rejected)) == ([ROWS], 0)


def test_fewer_names_than_values_are_told() -> None:
    (obstacle,) = proposed(text_of(names=("when", "a"))).obstacles
    assert "line 1 looks like column names, and holds 2 of them where the readings have 3 values" in obstacle


def test_a_comma_for_decimals_and_between_values_is_told() -> None:
    rows = [f'2019-10-01 {hour:02d}:00,{hour},"12,{hour}"' for hour in range(24)]
    (obstacle,) = proposed("\n".join(["when,a,volt", *rows])).obstacles
    assert "a comma stands both between values and within numbers (decimal)" in obstacle


def test_lines_without_an_even_step_are_told() -> None:
    rows = [f"2019-10-01 {hour:02d}:{hour * hour % 60:02d};1" for hour in range(0, 24, 7)]
    proposal = proposed("\n".join(["when;a", *rows]))
    assert "TO DECIDE" in proposal.remarks["interval"]


def test_a_name_that_stands_twice_is_told() -> None:
    (obstacle,) = proposed(text_of(names=("when", "a", "a"))).obstacles
    assert "line 1 names a twice" in obstacle


@pytest.mark.parametrize(
    ("text", "phrase"),
    [
        ("", "no line that is not blank"),
        ("\n \n\t\n", "no line that is not blank"),
        ("when;a;b\n", "No line holds a date and a time of day beside other values"),
        ("when;a\n2019-10-01;3\n2019-10-02;4\n", "a date without a time of day"),
        ("when;a\n43739,00694;3\n43739,01389;4\n", "the day number of a spreadsheet"),
        ("when;a\n1569888600;3\n1569889200;4\n", "seconds since 1970"),
        ("2019-10-01 00:10\n2019-10-01 00:20\n", "holds a time and nothing else"),
        ("Dear all,\nthe logger is broken.\n", "«the logger is broken.»"),
    ],
)
def test_a_text_for_which_nothing_can_be_proposed_is_told_why(text: str, phrase: str) -> None:
    with pytest.raises(NoProposalError, match=phrase):
        proposed(text)


@given(
    st.datetimes(datetime(1969, 1, 1), datetime(2068, 12, 31)),
    st.sampled_from(
        [
            "%Y-%m-%d %H:%M:%S", "%d.%m.%Y %H:%M:%S", "%m/%d/%Y %I:%M:%S %p", "%d/%m/%y %H:%M:%S", "%y-%m-%d %H:%M:%S",
            "%d-%b-%Y %H:%M:%S", "%d %B %Y %H:%M:%S", "%b %d, %Y %H:%M:%S", "%Y %b %d %H:%M:%S", "%Y%m%d %H%M%S",
            "%Y%m%d%H%M%S", "%d%m%Y %H:%M:%S", "%Y-%j %H:%M:%S", "%Y-%m-%dT%H:%M:%SZ", "%Y/%m/%d_%H.%M.%S",
            "%d.%m.%Y, %H:%M:%S", "%Y-%m-%d %H:%M:%S.%f",
        ]
    ),
)  # fmt: skip
@example(datetime(1969, 12, 31), "%d/%m/%y %H:%M:%S")
@example(datetime(2068, 12, 31), "%d/%m/%y %H:%M:%S")
def test_a_time_is_read_by_its_format_as_strptime_reads_it(moment: datetime, time_format: str) -> None:
    text = moment.strftime(time_format)
    assert times_in(text)[time_format] == datetime.strptime(text, time_format)


@given(st.text("0123456789-/.: TAPMZOct", max_size=24))
def test_every_format_found_for_a_text_is_one_by_which_strptime_reads_it(text: str) -> None:
    for time_format, moment in times_in(text).items():
        if time_format != "ISO 8601" and "24" not in text:
            assert datetime.strptime(text, time_format) == moment


def layout_of(block: str) -> LoggerLayout:
    marked = MarkedYaml("site.yaml", f"logger_layouts:\n{block}")
    assert marked.errors == []
    (layout,) = marked.value["logger_layouts"].values()
    return LoggerLayout.model_validate(layout)


CELL = st.one_of(
    st.text(max_size=8),
    st.sampled_from(
        ["2019-10-01 00:10", "2019-10-01", "00:10", "01.02.03", "1,5", "1'234", "---", '"', "'", "#", "\ufeff", "\0"]
    ),
    st.integers(-99_999, 99_999).map(str),
)


@settings(max_examples=300, deadline=None)
@given(
    st.lists(
        st.tuples(st.lists(CELL, max_size=5), st.sampled_from(";,\t| ")).map(lambda line: line[1].join(line[0])),
        max_size=12,
    )
)
def test_lines_of_any_kind_give_a_block_that_is_accepted_or_a_sentence(lines: list[str]) -> None:
    try:
        proposal = propose_layout(lines)
    except NoProposalError:
        return
    layout = layout_of(proposal.block("new layout", "-06:00"))
    column = layout.timestamp.column
    assert layout.delimiter == proposal.delimiter
    assert tuple([column] if isinstance(column, str) else column) == proposal.time_columns


def test_any_word_stands_in_the_block_as_it_is() -> None:
    odd = 'say "when" \\ it\tis\u00a0\U0001f327 \x07 -- # : é'
    proposal = replace(proposed(text_of()), time_columns=(odd,), missing=(odd, ""))
    layout = layout_of(proposal.block("new", "-06:00"))
    assert (layout.timestamp.column, layout.missing) == (odd, [odd, ""])


def test_an_encoding_is_declared_where_it_is_not_utf_8(tmp_path: Path) -> None:
    text = text_of(names=("größe", "a", "volt"), above=("Straße",))
    block = proposed(text).block("new", "-06:00", encoding="cp1252")
    readings, _, _ = read(tmp_path, text.encode("cp1252"), block)
    assert readings.source_files["reading_lines"].tolist() == [ROWS]
