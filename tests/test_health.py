"""Promises of the daily health: what has stopped is named, what goes on is not, and the file is whole."""

from __future__ import annotations

import os
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import pandas as pd
import pytest
from dagster import DefaultScheduleStatus, DefaultSensorStatus

from pipeline.cli import main
from pipeline.lake import Lake, open_session
from pipeline.orchestration.build import build_definitions
from pipeline.orchestration.schedules import zone_of
from pipeline.orchestration.workbench import Workbench
from pipeline.publish.health import health_path, health_text, site_health, write_health
from pipeline.science.falling import robust_slope
from pipeline.site import Site
from pipeline.stages.health import StationHealth, station_health
from pipeline.tables import table
from tests.invented_tables import invented_lake
from tests.small_site import raw_folder, small_site

NOW = datetime(2020, 6, 30, 12, tzinfo=UTC)
DAY = timedelta(days=1)


def source_files(*last: datetime, logger: str = "east") -> pd.DataFrame:
    return pd.DataFrame(
        {
            "path": [f"logger/east_{n}" for n in range(len(last))],
            "kind": "logger",
            "logger": logger,
            "last_time": pd.to_datetime(list(last), utc=True),
        }
    )


def pulses(session: duckdb.DuckDBPyConnection, *rows: tuple[str, datetime, int | None]) -> duckdb.DuckDBPyRelation:
    frame = pd.DataFrame(rows, columns=["plot", "interval_end", "forward_pulses"]).assign(reverse_pulses=0)
    frame["interval_end"] = pd.to_datetime(frame["interval_end"], utc=True)
    frame["forward_pulses"] = frame["forward_pulses"].astype("Int64")
    frame.loc[frame["forward_pulses"].isna(), "reverse_pulses"] = None
    return session.from_df(frame)


def gauges(session: duckdb.DuckDBPyConnection, volts: list[float], end: datetime = NOW) -> duckdb.DuckDBPyRelation:
    """Two readings a day, the lower one at night, ending at a moment."""
    ends = [end - (len(volts) - 1 - day) * DAY for day in range(len(volts))]
    rows = [
        (at - part, value + more)
        for at, value in zip(ends, volts, strict=True)
        for part, more in ((timedelta(hours=3), 0.8), (timedelta(), 0.0))
    ]
    frame = pd.DataFrame(rows, columns=["interval_end", "value"]).assign(gauge="supply", quantity="supply_voltage")
    frame["interval_end"] = pd.to_datetime(frame["interval_end"], utc=True)
    frame["interval_start"] = frame["interval_end"] - pd.Timedelta(minutes=10)
    return session.from_df(frame)


def hours(
    session: duckdb.DuckDBPyConnection, shares: dict[str, list[float]], end: datetime = NOW
) -> duckdb.DuckDBPyRelation:
    frames = [
        pd.DataFrame(
            {
                "plot": plot,
                "hour_start": pd.date_range(end=end - timedelta(hours=1), periods=len(values), freq="h"),
                "measured_fraction": values,
            }
        )
        for plot, values in shares.items()
    ]
    return session.from_df(pd.concat(frames))


@pytest.fixture
def session() -> Iterator[duckdb.DuckDBPyConnection]:
    with open_session() as opened:
        yield opened


@pytest.fixture
def site(tmp_path: Path) -> Site:
    return small_site(tmp_path)


def station(session: duckdb.DuckDBPyConnection, site: Site, now: datetime = NOW, **given: Any) -> StationHealth:
    whole = {
        "source_files": source_files(NOW - 14 * DAY, NOW - 7 * DAY, NOW - timedelta(hours=1)),
        "pulses": pulses(session, ("north", NOW, 3), ("south", NOW, 3)),
        "gauges": gauges(session, [12.5] * 30),
        "hours": hours(session, {"north": [1.0] * 168, "south": [1.0] * 168}),
    } | given
    return station_health(**whole, site=site, now=now)


def test_a_logger_is_silent_once_twice_the_usual_time_between_downloads_has_passed(
    session: duckdb.DuckDBPyConnection, site: Site
) -> None:
    weekly = source_files(NOW - 34 * DAY, NOW - 27 * DAY, NOW - 20 * DAY, NOW - 13 * DAY)
    (record,) = station(session, site, source_files=weekly).records
    assert (record.usual, record.silent_for) == (7 * DAY, None)
    (record,) = station(session, site, now=NOW + 2 * DAY, source_files=weekly).records
    assert record.silent_for == 15 * DAY


def test_a_logger_that_calls_every_hour_is_not_silent_within_a_day(
    session: duckdb.DuckDBPyConnection, site: Site
) -> None:
    hourly = source_files(*(NOW - timedelta(hours=20 + back) for back in range(5)))
    assert station(session, site, source_files=hourly).records[0].silent_for is None
    assert station(session, site, now=NOW + timedelta(hours=5), source_files=hourly).records[0].silent_for == timedelta(
        hours=25
    )


def test_a_reading_from_the_future_is_told(session: duckdb.DuckDBPyConnection, site: Site) -> None:
    assert station(session, site, source_files=source_files(NOW + timedelta(hours=3))).records[0].ahead
    assert not station(session, site, source_files=source_files(NOW + timedelta(hours=1))).records[0].ahead


def test_the_share_of_the_last_seven_days_counts_hours_that_no_table_holds_as_unmeasured(
    session: duckdb.DuckDBPyConnection, site: Site
) -> None:
    """By hand: 84 of 168 hours are half metered; eight days earlier all is metered and does not count."""
    given = hours(session, {"north": [1.0] * 200 + [0.5] * 84 + [0.0] * 84, "south": [1.0] * 42})
    north, south = station(session, site, hours=given).plots
    assert north.measured_share == pytest.approx(0.25)
    assert south.measured_share == pytest.approx(0.25)


def test_a_falling_supply_is_told_and_a_noisy_one_is_not(session: duckdb.DuckDBPyConnection, site: Site) -> None:
    random = np.random.default_rng(3)
    noise = random.normal(0, 0.05, 30)
    (falling,) = station(session, site, gauges=gauges(session, list(12.6 - 0.03 * np.arange(30) + noise))).supplies
    assert falling.falling
    assert falling.change == pytest.approx(-0.87, abs=0.15)
    (steady,) = station(session, site, gauges=gauges(session, list(12.6 + 5 * noise))).supplies
    assert not steady.falling


def test_one_cold_night_is_no_falling_supply(session: duckdb.DuckDBPyConnection, site: Site) -> None:
    (supply,) = station(session, site, gauges=gauges(session, [12.6] * 29 + [11.0])).supplies
    assert not supply.falling
    assert supply.lowest == 11.0


def test_the_fall_is_that_of_the_last_thirty_days_alone(session: duckdb.DuckDBPyConnection, site: Site) -> None:
    (supply,) = station(session, site, gauges=gauges(session, list(np.linspace(13.6, 12.5, 60)) + [12.5] * 30)).supplies
    assert (supply.change, supply.falling) == (0.0, False)


def test_the_slope_is_the_median_of_all_slopes_between_two_points() -> None:
    """Sen's definition, worked out pair by pair."""
    x, y = np.array([0.0, 1.0, 2.0, 5.0, 7.0]), np.array([3.0, 2.5, 2.6, 0.4, 9.0])
    slopes = [(y[b] - y[a]) / (x[b] - x[a]) for a in range(5) for b in range(a + 1, 5)]
    assert robust_slope(x, y).slope == pytest.approx(np.median(slopes))
    with pytest.raises(ValueError, match="needs three points"):
        robust_slope([0, 1], [1, 2])


def test_a_record_that_is_over_is_seen_at_its_end(session: duckdb.DuckDBPyConnection, site: Site) -> None:
    """The small site's record ends with 30 September 2021 at UTC-06:00."""
    found = station(session, site, now=datetime(2026, 1, 1, tzinfo=UTC))
    assert (found.moment, found.ended) == (datetime(2021, 10, 1, 6, tzinfo=UTC), True)


# What needs somebody


def stored_lake(folder: Path) -> tuple[Lake, Site]:
    """A small site whose logger was heard until NOW, a week after the download before; south's meter stopped five days ago."""
    site, lake = small_site(folder), Lake(folder / "lake")
    raw_folder(folder, **{"east_1__csv": "x", "east_2__csv": "y"})
    invented_lake(lake, [table("source_files")], site.site, (2020,), 2)
    files = lake.frame(table("source_files"), site.site)
    files["kind"], files["logger"], files["path"] = "logger", "east", ["logger/east_1.csv", "logger/east_2.csv"]
    files["first_time"], files["last_time"] = (
        pd.Timestamp(NOW - 14 * DAY),
        [pd.Timestamp(NOW - 7 * DAY), pd.Timestamp(NOW)],
    )
    from pipeline.lake.fingerprint import file_digest

    files["file_id"] = [file_digest(lake.raw(site.site) / path) for path in files["path"]]
    files["bytes"], files["reading_lines"], files["rejected_lines"] = 1, 1008, [0, 2]
    lake.write_frame(table("source_files"), files, "0" * 64, site.site)
    ends = pd.date_range(end=NOW, periods=14 * 24, freq="h")
    counts = pd.concat(
        pd.DataFrame({"plot": plot, "meter": meter, "interval_end": ends[ends <= until], "forward_pulses": 5})
        for plot, meter, until in (("north", "M1", NOW), ("south", "M2", NOW - 5 * DAY))
    )
    counts = counts.assign(
        interval_start=counts["interval_end"] - pd.Timedelta(hours=1), reverse_pulses=0, quality="ok", file_id="0", line=1
    )
    lake.write_frame(table("pulse_counts"), counts, "0" * 64, site.site, 2020)
    return lake, site


def test_a_meter_without_a_record_is_named_while_its_logger_goes_on(
    tmp_path: Path, session: duckdb.DuckDBPyConnection
) -> None:
    lake, site = stored_lake(tmp_path)
    health = site_health(session, lake, site, NOW)
    assert health.needs == (
        "Plot south: its meter has no record since 2020-06-25 06:00, though its logger was heard until 2020-06-30 06:00.",
    )


def test_a_meter_that_counts_nothing_while_others_do_is_named(tmp_path: Path, session: duckdb.DuckDBPyConnection) -> None:
    lake, site = stored_lake(tmp_path)
    counts = lake.frame(table("pulse_counts"), site.site, [2020])
    south = counts[counts["plot"] == "north"].assign(plot="south", meter="M2")
    south.loc[south["interval_end"] > pd.Timestamp(NOW - 8 * DAY), "forward_pulses"] = 0
    counts = pd.concat([counts[counts["plot"] == "north"], south])
    lake.write_frame(table("pulse_counts"), counts, "0" * 64, site.site, 2020)
    (need,) = site_health(session, lake, site, NOW).needs
    assert need == "Plot south: no pulse in 7 days (last: 2020-06-22 06:00), and 1 of 1 other plots had some."


def test_what_needs_somebody_comes_first_and_what_came_is_listed(
    tmp_path: Path, session: duckdb.DuckDBPyConnection
) -> None:
    lake, site = stored_lake(tmp_path)
    new = lake.raw(site.site) / "logger" / "east_3.csv"
    new.write_text("z")
    for path, age in (("east_1.csv", 7 * DAY), ("east_2.csv", timedelta(hours=2)), ("east_3.csv", timedelta(hours=1))):
        at = (NOW - age).timestamp()
        os.utime(lake.raw(site.site) / "logger" / path, (at, at))
    text = health_text(site_health(session, lake, site, NOW), site)
    assert text.splitlines()[:4] == [
        "A small site, 2020-06-30 06:00 (standard time)",
        "",
        "1 thing needs somebody:",
        "  ! Plot south: its meter has no record since 2020-06-25 06:00, though its logger was heard until 2020-06-30 06:00.",
    ]
    assert "  logger/east_3.csv: not read yet; `drainledger run` reads it" in text
    assert "  logger/east_2.csv: 1,008 readings, 2 lines could not be used" in text
    assert "east_1.csv" not in text
    assert "  south: 0 %; last pulse 2020-06-25 06:00" in text


def test_a_file_that_vanished_needs_somebody(tmp_path: Path, session: duckdb.DuckDBPyConnection) -> None:
    lake, site = stored_lake(tmp_path)
    (lake.raw(site.site) / "logger" / "east_1.csv").unlink()
    assert site_health(session, lake, site, NOW).needs[0].startswith("logger/east_1.csv is held")


def test_the_text_is_replaced_whole_and_the_lake_is_else_untouched(
    tmp_path: Path, session: duckdb.DuckDBPyConnection
) -> None:
    lake, site = stored_lake(tmp_path)
    before = {path for path in tmp_path.rglob("*") if path.is_file()}
    health, path = write_health(session, lake, site, NOW)
    write_health(session, lake, site, NOW)
    assert path == health_path(lake, site)
    assert path.read_text() == health_text(health, site)
    assert {path for path in tmp_path.rglob("*") if path.is_file()} - before == {path}


def test_the_command_ends_with_1_where_something_needs_somebody(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    _, site = stored_lake(tmp_path)
    assert main(["health", "--site", str(site.folder), "--lake", str(tmp_path / "lake")]) == 1
    out = capsys.readouterr().out
    assert out.startswith("A small site, 2021-10-01 00:00 (standard time)\nThe record is over")
    assert "east is silent for 458 days" in out
    assert "small.txt" in out


# When it is written


def test_the_schedule_writes_the_health_of_every_site_once_a_day(tmp_path: Path) -> None:
    lake, site = stored_lake(tmp_path)
    written: list[str] = []

    def write(bench: Workbench, one: Site) -> Path:
        written.append(one.site)
        return bench.lake.write_text("health/x.txt", "all is well")

    definitions = build_definitions(Workbench(lake, {site.site: site}), write_health=write, watch=True)
    (schedule,) = definitions.schedules or ()
    assert (schedule.cron_schedule, schedule.execution_timezone) == ("0 6 * * *", "Etc/GMT+6")
    assert definitions.resolve_job_def("daily_health").execute_in_process().success
    assert written == ["small"]


@pytest.mark.parametrize("watch", [True, False])
def test_sensor_and_schedule_run_from_the_start_only_when_asked(tmp_path: Path, watch: bool) -> None:
    lake, site = Lake(tmp_path / "lake"), small_site(tmp_path)
    definitions = build_definitions(
        Workbench(lake, {site.site: site}), write_health=lambda bench, one: tmp_path, watch=watch
    )
    sensor = definitions.resolve_sensor_def("raw_files_sensor")
    assert (sensor.default_status == DefaultSensorStatus.RUNNING) == watch
    assert [one.default_status == DefaultScheduleStatus.RUNNING for one in definitions.schedules or ()] == [watch]


def test_the_zone_of_the_schedule_has_the_sites_offset() -> None:
    """Held against the time zone database of the standard library."""
    from zoneinfo import ZoneInfo

    for hours_off in range(-12, 15):
        zone = ZoneInfo(zone_of(timedelta(hours=hours_off)))
        assert datetime(2020, 7, 1, tzinfo=zone).utcoffset() == timedelta(hours=hours_off)
