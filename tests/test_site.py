"""A site folder that is right becomes a Site that says what its files say.

Belongs here: what load_site returns and what follows from it (water years, periods, fingerprints).
Does not: folders that are wrong (test_site_errors.py).

Expected values are worked out by hand from the few lines of tests/site_folder.py; dates and offsets by ISO 8601, time zones by
the IANA database. Water years: the convention of the U.S. Geological Survey, a water year is named for the calendar year in which
it ends (from memory).
"""

from __future__ import annotations

import json
import pickle
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import duckdb
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from pipeline.site import Policies, Site, SiteErrors, load_site
from pipeline.site.registers import REGISTERS
from pipeline.site.structure import DIRECTIVES
from tests.site_folder import FOLDER, replaced, write_folder

DEMO = Path(__file__).parents[1] / "configs" / "sedge-hollow"


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Site:
    return load_site(write_folder(tmp_path_factory.mktemp("site"), FOLDER))


def changed(tmp_path: Path, file: str, old: str, new: str) -> Site:
    return load_site(write_folder(tmp_path, replaced(file, old, new)))


def test_the_demo_site_is_valid() -> None:
    assert len(load_site(DEMO).plots) == 5


def test_every_row_of_every_register_is_kept_in_file_order(site: Site) -> None:
    for name in REGISTERS:
        rows = getattr(site, name)
        lines = FOLDER[f"{name}.csv"].decode().splitlines()
        assert [row.line for row in rows] == list(range(2, len(lines) + 1)), name


def test_a_bare_date_is_midnight_in_standard_time(site: Site) -> None:
    assert site.meters[0].start == datetime(2019, 10, 1, 6, tzinfo=UTC)


def test_a_time_without_offset_is_in_standard_time(site: Site) -> None:
    assert site.outages[0].start == datetime(2020, 6, 1, 20, 30, tzinfo=UTC)


@pytest.mark.parametrize(
    ("text", "instant"),
    [
        ("2020-06-01T14:30Z", datetime(2020, 6, 1, 14, 30, tzinfo=UTC)),
        ("2020-06-01 14:30:15+02:00", datetime(2020, 6, 1, 12, 30, 15, tzinfo=UTC)),
        ("2020-06-01T14:30:00.5-0330", datetime(2020, 6, 1, 18, 0, 0, 500_000, tzinfo=UTC)),
    ],
)
def test_an_offset_in_a_time_is_respected(tmp_path: Path, text: str, instant: datetime) -> None:
    assert changed(tmp_path, "outages.csv", "2020-06-01T14:30", text).outages[0].start == instant


def test_an_empty_to_is_an_open_end(site: Site) -> None:
    assert site.meters[0].end is None


def test_structure_is_read_into_values_of_their_own_types(site: Site) -> None:
    layout = site.logger_layouts["plain"]
    assert (site.site, site.utc_offset, site.water_year_starts) == ("reed-fen", timedelta(hours=-6), (10, 1))
    assert (site.first_day, site.last_day, site.analytes) == (date(2019, 10, 1), date(2021, 9, 30), ("nitrate_n",))
    assert (layout.delimiter, layout.interval, layout.missing) == (";", timedelta(minutes=10), ["---", ""])
    assert (layout.timestamp.column, layout.timestamp.utc_offset) == ("when", timedelta(hours=-6))
    assert site.logger_layouts["two_columns"].timestamp.column == ["date", "clock"]
    assert site.logger_layouts["two_columns"].timestamp.timezone == "America/Chicago"
    assert site.loggers["east"].files == "logger/east_*.csv"
    assert site.weather is not None
    assert (site.weather.interval, site.weather.stamps) == (timedelta(hours=1), "end")


def test_an_offset_means_the_same_with_and_without_quotes(tmp_path: Path, site: Site) -> None:
    # YAML 1.1 reads an unquoted -06:00 as a number to base 60.
    assert changed(tmp_path, "site.yaml", 'clock: {utc_offset: "-06:00"}', "clock: {utc_offset: -06:00}").utc_offset == (
        site.utc_offset
    )


@pytest.mark.parametrize("directive", sorted(DIRECTIVES))
def test_every_directive_of_a_time_format_is_one_that_duckdb_reads(directive: str) -> None:
    # DuckDB refuses a format with a directive that it does not know; a text that does not fit is NULL.
    with duckdb.connect() as session:
        (read,) = session.execute(f"SELECT try_strptime('no time', '%{directive}')").fetchone() or ("no row",)
    assert read is None


def test_stamps_by_iso_8601_need_no_directives(tmp_path: Path) -> None:
    site = changed(tmp_path, "site.yaml", '"%d.%m.%Y %H:%M"', "ISO 8601")
    assert site.logger_layouts["plain"].timestamp.format == "ISO 8601"


@pytest.mark.parametrize("mark", [".", "'", " ", "\u00a0", "\u202f"])
def test_a_mark_between_groups_of_three_digits_can_be_declared(tmp_path: Path, mark: str) -> None:
    site = changed(tmp_path, "site.yaml", 'decimal: ","', f'decimal: ","\n    thousands: "{mark}"')
    assert site.logger_layouts["plain"].thousands == mark


def test_a_no_break_blank_can_be_written_by_its_number(tmp_path: Path) -> None:
    site = changed(tmp_path, "site.yaml", 'decimal: ","', 'decimal: ","\n    thousands: "\\u00a0"')
    assert site.logger_layouts["plain"].thousands == "\N{NO-BREAK SPACE}"


def test_numbers_have_no_mark_between_groups_unless_declared(site: Site) -> None:
    assert site.logger_layouts["plain"].thousands is None


def test_a_clock_that_drifted_has_a_shift_at_either_end(tmp_path: Path) -> None:
    site = changed(tmp_path, "clocks.csv", "-3600,", "-3600,-3480.5")
    assert (site.clocks[0].shift_s, site.clocks[0].shift_at_end_s) == (-3600, -3480.5)


def test_a_clock_without_drift_has_an_empty_cell_or_no_column_for_it(tmp_path: Path, site: Site) -> None:
    files = {**FOLDER, "clocks.csv": b"logger,from,to,shift_s\nwest,2020-01-01,2020-02-01,-3600\n"}
    assert site.clocks == load_site(write_folder(tmp_path, files)).clocks


def test_policies_have_defaults(site: Site) -> None:
    assert site.policies.accuracy_tolerance_pct == 5.0


def test_a_policy_can_be_chosen(tmp_path: Path) -> None:
    chosen = changed(tmp_path, "site.yaml", "policies: {}", "policies: {event_separation_hours: 24}")
    assert chosen.policies == Policies(event_separation_hours=24)


def test_every_policy_says_what_it_is_for() -> None:
    assert all(field.description for field in Policies.model_fields.values())


def test_a_gauge_need_not_belong_to_a_plot(site: Site) -> None:
    assert [gauge.plot for gauge in site.gauges] == [None, "N"]


@pytest.mark.parametrize("file", ["treatments.csv", "outages.csv", "clocks.csv", "gauges.csv", "accuracy_classes.csv"])
def test_an_absent_optional_register_is_empty(tmp_path: Path, file: str) -> None:
    site = load_site(write_folder(tmp_path, {name: text for name, text in FOLDER.items() if name != file}))
    assert getattr(site, file.removesuffix(".csv")) == ()


def test_a_calibration_may_be_entered_today(tmp_path: Path) -> None:
    today = datetime.now(UTC).date()
    site = changed(tmp_path, "calibrations.csv", "bench,2020-10-02", f"bench,{today.isoformat()}")
    assert site.calibrations[1].entered == today


@pytest.mark.parametrize("column", ["evidence", "entered"])
def test_a_column_of_remarks_may_be_left_out(tmp_path: Path, column: str) -> None:
    header, *rows = [line.split(",") for line in FOLDER["calibrations.csv"].decode().splitlines()]
    place = header.index(column)
    text = "\n".join(",".join(cells[:place] + cells[place + 1 :]) for cells in (header, *rows))
    assert load_site(write_folder(tmp_path, {**FOLDER, "calibrations.csv": text.encode()})).calibrations


@pytest.mark.parametrize(
    "as_saved",
    [
        lambda text: b"\xef\xbb\xbf" + text,
        lambda text: text.replace(b"\n", b"\r\n"),
        lambda text: text.replace(b"\n", b"\r"),
        lambda text: text + b",,,\n\n",
        lambda text: b"\n".join(line + b",," for line in text.splitlines()),
        lambda text: b"\n".join(b",".join(b'"' + cell + b'"' for cell in line.split(b",")) for line in text.splitlines()),
        lambda text: text.replace(b",", b" , "),
    ],
    ids=["byte-order mark", "CR LF", "CR", "empty rows", "empty columns", "quoted", "blanks"],
)
def test_a_register_reads_the_same_however_a_spreadsheet_saves_it(tmp_path: Path, site: Site, as_saved) -> None:
    saved = load_site(write_folder(tmp_path, {**FOLDER, "plots.csv": as_saved(FOLDER["plots.csv"])}))
    assert saved.plots == site.plots


def test_columns_may_stand_in_any_order(tmp_path: Path, site: Site) -> None:
    turned = "\n".join(",".join(reversed(line.split(","))) for line in FOLDER["plots.csv"].decode().splitlines())
    assert load_site(write_folder(tmp_path, {**FOLDER, "plots.csv": turned.encode()})).plots == site.plots


def test_a_quoted_cell_may_hold_commas_quotes_and_lines(tmp_path: Path) -> None:
    site = changed(tmp_path, "outages.csv", "pump failed", '"pump, the ""old"" one,\nfailed"')
    assert site.outages[0].note == 'pump, the "old" one,\nfailed'


def test_a_row_knows_its_line_after_a_cell_of_two_lines(tmp_path: Path) -> None:
    site = changed(tmp_path, "outages.csv", "pump failed", '"pump\nfailed"')
    assert [row.line for row in site.outages] == [2, 4]


def test_a_calibration_is_named_for_meter_direction_and_first_day(site: Site) -> None:
    assert site.calibrations[0].name == "N1 forward 2019-10-01"


def test_two_calibrations_of_one_day_have_different_names(tmp_path: Path) -> None:
    site = changed(
        tmp_path,
        "calibrations.csv",
        "N1,forward,8.1,1.0,2020-10-01,,",
        "N1,forward,8.1,1.0,2020-10-01,2020-10-01T09:00,,\nN1,forward,8.2,1.0,2020-10-01T09:00,,",
    )
    named = [row.name for row in site.calibrations if row.meter == "N1" and row.direction == "forward"]
    assert named == ["N1 forward 2019-10-01", "N1 forward 2020-10-01 00:00:00", "N1 forward 2020-10-01 09:00:00"]


def test_a_site_cannot_be_changed(site: Site) -> None:
    with pytest.raises(ValidationError):
        site.title = "another"  # type: ignore[misc]


# water years and periods


def test_a_water_year_is_named_for_the_year_in_which_it_ends(site: Site) -> None:
    assert site.water_years() == [2020, 2021]
    assert site.water_year_period(2020) == (
        datetime(2019, 10, 1, 6, tzinfo=UTC),
        datetime(2020, 10, 1, 6, tzinfo=UTC),
    )


def test_a_water_year_from_january_is_the_calendar_year(tmp_path: Path) -> None:
    site = changed(tmp_path, "site.yaml", 'water_year_starts: "10-01"', 'water_year_starts: "01-01"')
    assert site.water_years() == [2019, 2020, 2021]
    assert site.water_year_period(2020)[0] == datetime(2020, 1, 1, 6, tzinfo=UTC)
    assert site.water_year_period(2020)[1] == datetime(2021, 1, 1, 6, tzinfo=UTC)


def test_the_record_ends_after_its_last_day(site: Site) -> None:
    assert site.record_period() == (datetime(2019, 10, 1, 6, tzinfo=UTC), datetime(2021, 10, 1, 6, tzinfo=UTC))


def test_a_record_without_last_day_ends_after_today(tmp_path: Path) -> None:
    site = changed(tmp_path, "site.yaml", "last_day: 2021-09-30\n", "")
    assert site.record_period(today=date(2022, 10, 1))[1] == datetime(2022, 10, 2, 6, tzinfo=UTC)
    assert site.water_years(today=date(2022, 9, 30))[-1] == 2022
    assert site.water_years(today=date(2022, 10, 1))[-1] == 2023


@given(day=st.dates(date(1901, 1, 1), date(2198, 12, 31)), start=st.dates(date(2001, 1, 1), date(2001, 12, 31)))
def test_water_years_follow_one_another_without_gap_and_hold_their_days(site: Site, day: date, start: date) -> None:
    another = site.model_copy(update={"water_year_starts": (start.month, start.day), "first_day": day, "last_day": day})
    (year,) = another.water_years()
    begin, end = another.water_year_period(year)
    assert begin <= another.record_period()[0] < another.record_period()[1] <= end
    assert another.water_year_period(year + 1)[0] == end
    last_instant = end + another.utc_offset - timedelta(microseconds=1)
    assert last_instant.year == year


# what a partition is made from


def test_fingerprint_rows_are_those_that_touch_the_period(site: Site) -> None:
    rows = site.fingerprint_rows("calibrations", *site.water_year_period(2020))
    first = [row["litres_per_pulse"] for row in rows if (row["meter"], row["direction"]) == ("N1", "forward")]
    assert first == [8.0]


def test_fingerprint_rows_leave_out_what_ended_where_the_period_begins(site: Site) -> None:
    rows = site.fingerprint_rows("calibrations", *site.water_year_period(2021))
    first = [row["litres_per_pulse"] for row in rows if (row["meter"], row["direction"]) == ("N1", "forward")]
    assert first == [8.1]


def test_fingerprint_rows_of_registers_without_dates_are_all(site: Site) -> None:
    assert [row["plot"] for row in site.fingerprint_rows("plots", *site.water_year_period(2020))] == ["N", "S"]


def test_fingerprint_rows_do_not_change_when_a_row_moves(tmp_path: Path, site: Site) -> None:
    moved = changed(tmp_path, "wiring.csv", "from,to\n", "from,to\n\n\n")
    period = site.water_year_period(2020)
    assert moved.wiring[0].line == site.wiring[0].line + 2
    assert moved.fingerprint_rows("wiring", *period) == site.fingerprint_rows("wiring", *period)


@pytest.mark.parametrize("register", REGISTERS)
def test_fingerprint_rows_name_the_columns_of_the_file_and_are_plain(site: Site, register: str) -> None:
    rows = site.fingerprint_rows(register, *site.record_period())
    assert json.loads(json.dumps(rows)) == rows
    columns = set(FOLDER[f"{register}.csv"].decode().splitlines()[0].split(","))
    assert columns <= set(rows[0])
    assert all(rows[0][optional] is None for optional in set(rows[0]) - columns)


def test_errors_can_be_sent_to_another_process(tmp_path: Path) -> None:
    with pytest.raises(SiteErrors) as caught:
        load_site(tmp_path / "nowhere")
    assert str(pickle.loads(pickle.dumps(caught.value))) == str(caught.value)
