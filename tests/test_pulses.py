"""Promises of the counts: wiring by date, running totals through rollovers, resets and gaps."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import duckdb
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.lake import open_session
from pipeline.site import Site
from pipeline.stages.intake import raw_paths, read_raw_files
from pipeline.stages.pulses import gauge_readings, pulse_counts
from tests.small_site import HEADER, raw_folder, small_site

LONG_AGO, FAR_AHEAD = datetime(1990, 1, 1, tzinfo=UTC), datetime(2090, 1, 1, tzinfo=UTC)
WIRING = "logger,column,meter,direction,counts,modulus,from,to\n"


@pytest.fixture
def session() -> duckdb.DuckDBPyConnection:
    return open_session()


def counts_of(
    session: duckdb.DuckDBPyConnection,
    site: Site,
    folder: Path,
    rows: list[str],
    start: datetime = LONG_AGO,
    end: datetime = FAR_AHEAD,
) -> pd.DataFrame:
    raw = raw_folder(folder, east__csv=HEADER + "\n".join(rows) + "\n")
    readings = read_raw_files(session, site, raw, raw_paths(site, raw), folder)
    return pulse_counts(session, readings, site, start, end).df()


def stamp(number: int) -> str:
    return f"{datetime(2020, 1, 1) + timedelta(minutes=10 * number):%Y-%m-%d %H:%M}"


def running(modulus: int, litres_per_pulse: float = 5.0) -> dict[str, str]:
    calibrations = "meter,direction,litres_per_pulse,expanded_uncertainty_pct,from,to,evidence,entered\n" + "".join(
        f"{meter},{way},{litres_per_pulse},1.0,2019-10-01,,bench,2019-09-01\n"
        for meter in ("M1", "M2")
        for way in ("forward", "reverse")
    )
    wiring = WIRING + (
        f"east,a,M1,forward,running,{modulus},2019-10-01,\neast,b,M1,reverse,running,{modulus},2019-10-01,\n"
        "east,c,M2,forward,interval,,2019-10-01,\neast,d,M2,reverse,interval,,2019-10-01,\n"
    )
    return {"wiring": wiring, "calibrations": calibrations}


def test_a_wire_moved_on_a_date_counts_for_the_meter_that_it_came_from_then(
    tmp_path: Path, session: duckdb.DuckDBPyConnection
) -> None:
    wiring = WIRING + (
        "east,a,M1,forward,interval,,2019-10-01,2020-01-01T00:20\neast,c,M1,forward,interval,,2020-01-01T00:20,\n"
        "east,c,M2,forward,interval,,2019-10-01,2020-01-01T00:20\neast,a,M2,forward,interval,,2020-01-01T00:20,\n"
    )
    site = small_site(tmp_path, wiring=wiring)
    counts = counts_of(session, site, tmp_path, [f"{stamp(i)};{10 + i};0;{20 + i};0;12" for i in (1, 2, 3, 4)])
    assert counts.loc[counts["meter"] == "M1", "forward_pulses"].tolist() == [11, 12, 23, 24]
    assert counts.loc[counts["meter"] == "M2", "forward_pulses"].tolist() == [21, 22, 13, 14]


def test_a_meter_moved_to_another_plot_counts_for_the_plot_of_the_time(
    tmp_path: Path, session: duckdb.DuckDBPyConnection
) -> None:
    meters = (
        "meter,plot,bore_mm,main_mm,accuracy,top_l_min,from,to\n"
        "M1,north,75,150,standard,400,2019-10-01,2020-01-01T00:20\nM1,south,75,150,standard,400,2020-01-01T00:20,\n"
    )
    wiring = WIRING + "east,a,M1,forward,interval,,2019-10-01,\n"
    calibrations = (
        "meter,direction,litres_per_pulse,expanded_uncertainty_pct,from,to,evidence,entered\n"
        "M1,forward,5.0,1.0,2019-10-01,,bench,2019-09-01\n"
    )
    site = small_site(tmp_path, meters=meters, wiring=wiring, calibrations=calibrations)
    counts = counts_of(session, site, tmp_path, [f"{stamp(i)};{i};0;0;0;12" for i in (1, 2, 3, 4)])
    assert counts[["plot", "forward_pulses"]].values.tolist() == [["north", 1], ["north", 2], ["south", 3], ["south", 4]]


def test_a_period_holds_the_intervals_that_start_in_it(tmp_path: Path, session: duckdb.DuckDBPyConnection) -> None:
    site = small_site(tmp_path)
    midnight = datetime(2020, 1, 1, 6, tzinfo=UTC)
    rows = [f"{stamp(i)};{i};0;0;0;12" for i in range(1, 10)]
    counts = counts_of(session, site, tmp_path, rows, midnight + timedelta(minutes=20), midnight + timedelta(minutes=40))
    assert counts.loc[counts["plot"] == "north", "forward_pulses"].tolist() == [3, 4]


def test_a_plot_without_a_reverse_wire_has_no_reverse_pulses(tmp_path: Path, session: duckdb.DuckDBPyConnection) -> None:
    site = small_site(tmp_path, wiring=WIRING + "east,a,M1,forward,interval,,2019-10-01,\n")
    counts = counts_of(session, site, tmp_path, [f"{stamp(1)};4;0;0;0;12"])
    assert counts[["forward_pulses", "reverse_pulses"]].values.tolist() == [[4, 0]]


@settings(max_examples=40, deadline=None)
@given(
    modulus=st.sampled_from([1 << 16, 1 << 24, 1 << 32, 1_000_000, 9_999, 99_991]),
    before=st.integers(0, 1 << 40),
    forward=st.lists(st.integers(0, 700), min_size=2, max_size=25),
    reverse=st.lists(st.integers(0, 700), min_size=25, max_size=25),
)
def test_running_totals_of_any_modulus_give_the_counts_of_unbounded_integers(
    tmp_path_factory: pytest.TempPathFactory, modulus: int, before: int, forward: list[int], reverse: list[int]
) -> None:
    """Independent computation: Python's unbounded integers keep the true totals, the logger shows them modulo."""
    folder = tmp_path_factory.mktemp("totals")
    site = small_site(folder, **running(modulus))
    rows, true_forward, true_reverse = [], before, before // 3
    for number, (out, back) in enumerate(zip(forward, reverse, strict=False)):
        true_forward, true_reverse = true_forward + out, true_reverse + back
        rows.append(f"{stamp(number)};{true_forward % modulus};{true_reverse % modulus};0;0;12")
    with open_session() as session:
        counts = counts_of(session, site, folder, rows)
    north = counts[counts["plot"] == "north"]
    assert north["forward_pulses"].tolist() == forward[1:]
    assert north["reverse_pulses"].tolist() == reverse[1 : len(forward)]


def test_a_total_that_falls_further_than_water_can_flow_was_reset_and_its_interval_is_unknown(
    tmp_path: Path, session: duckdb.DuckDBPyConnection
) -> None:
    site = small_site(tmp_path, **running(1_000_000))
    totals = [500, 510, 3, 9]
    counts = counts_of(session, site, tmp_path, [f"{stamp(i)};{total};0;0;0;12" for i, total in enumerate(totals)])
    north = counts[counts["plot"] == "north"]
    assert north["forward_pulses"].astype("Int64").tolist() == [10, pd.NA, 6]
    assert north["reverse_pulses"].tolist() == [0, 0, 0]


def test_a_total_that_was_preset_by_hand_leaves_that_interval_unknown(
    tmp_path: Path, session: duckdb.DuckDBPyConnection
) -> None:
    """At 400 L/min and 5 L per pulse no more than 801 pulses can come in ten minutes."""
    site = small_site(tmp_path, **running(1_000_000))
    totals = [500, 510, 90_000, 90_006]
    counts = counts_of(session, site, tmp_path, [f"{stamp(i)};{total};0;0;0;12" for i, total in enumerate(totals)])
    assert counts[counts["plot"] == "north"]["forward_pulses"].astype("Int64").tolist() == [10, pd.NA, 6]


def test_a_total_that_survives_missing_records_keeps_the_volume_of_the_gap_as_one_row(
    tmp_path: Path, session: duckdb.DuckDBPyConnection
) -> None:
    site = small_site(tmp_path, **running(1_000_000))
    rows = [
        f"{stamp(0)};100;0;0;0;12",
        f"{stamp(1)};110;0;0;0;12",
        f"{stamp(50)};400;7;0;0;12",
        f"{stamp(51)};405;7;0;0;12",
    ]
    north = counts_of(session, site, tmp_path, rows).query("plot == 'north'")
    assert north["forward_pulses"].tolist() == [10, 290, 5]
    assert north["reverse_pulses"].tolist() == [0, 7, 0]
    assert north["quality"].tolist() == ["ok", "spans_gap", "ok"]
    assert north["interval_start"].tolist()[1:] == north["interval_end"].tolist()[:-1]


def test_a_gap_long_enough_for_a_second_round_of_the_counter_stays_unknown(
    tmp_path: Path, session: duckdb.DuckDBPyConnection
) -> None:
    """At 400 L/min and 5 L per pulse, 65,536 pulses take 13.7 h: after 20 h the counter may have gone round twice."""
    site = small_site(tmp_path, **running(65_536))
    rows = [f"{stamp(0)};100;0;0;0;12", f"{stamp(120)};400;0;0;0;12", f"{stamp(121)};405;0;0;0;12"]
    north = counts_of(session, site, tmp_path, rows).query("plot == 'north'")
    assert north["forward_pulses"].tolist() == [5]


def test_a_fall_across_missing_records_that_a_reset_explains_as_well_stays_unknown(
    tmp_path: Path, session: duckdb.DuckDBPyConnection
) -> None:
    """From 999,990 to 20 in two hours is a rollover of 30 pulses; from 950,000 to 20 it may as well be a lightning strike."""
    site = small_site(tmp_path, **running(1_000_000, litres_per_pulse=0.5))
    rows = [f"{stamp(i)};{total};0;0;0;12" for i, total in ((0, 999_990), (12, 20), (24, 949_000), (36, 20), (37, 25))]
    north = counts_of(session, site, tmp_path, rows).query("plot == 'north'")
    assert north["forward_pulses"].astype("Int64").tolist() == [30, pd.NA, pd.NA, 5]


def test_no_difference_is_known_across_a_declared_outage_of_the_meter_itself(
    tmp_path: Path, session: duckdb.DuckDBPyConnection
) -> None:
    """A logger that was out leaves the counter running; a meter that was out may have come back as another one."""
    rows = [f"{stamp(i)};{total};0;0;0;12" for i, total in ((0, 100), (1, 110), (30, 400), (31, 405))]
    for scope, name, expected in (("logger", "east", [10, 290, 5]), ("meter", "M1", [10, 5]), ("plot", "north", [10, 5])):
        register = f"scope,name,from,to,cause,note\n{scope},{name},2020-01-01T01:00,2020-01-01T04:00,lightning,\n"
        site = small_site(tmp_path, outages=register, **running(1_000_000))
        north = counts_of(session, site, tmp_path, rows).query("plot == 'north'")
        assert north["forward_pulses"].tolist() == expected


def test_a_gauge_is_read_in_its_own_unit_by_date(tmp_path: Path, session: duckdb.DuckDBPyConnection) -> None:
    gauges = (
        "gauge,logger,column,quantity,unit,plot,from,to\n"
        "supply,east,volt,supply_voltage,V,,2019-10-01,2020-01-01T00:20\nwell,east,volt,water_level,cm,south,2020-01-01T00:20,\n"
    )
    site = small_site(tmp_path, gauges=gauges)
    raw = raw_folder(tmp_path, east__csv=HEADER + "".join(f"{stamp(i)};0;0;0;0;{i}.5\n" for i in (1, 2, 3, 4)))
    readings = read_raw_files(session, site, raw, raw_paths(site, raw), tmp_path)
    values = gauge_readings(session, readings, site, LONG_AGO, FAR_AHEAD).df()
    assert values[["gauge", "quantity", "value"]].values.tolist() == [
        ["supply", "supply_voltage", 1.5],
        ["supply", "supply_voltage", 2.5],
        ["well", "water_level", 3.5],
        ["well", "water_level", 4.5],
    ]
    assert values["plot"].isna().tolist() == [True, True, False, False]
