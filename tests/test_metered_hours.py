"""Promises of the metered hours: sums that lose nothing, totals apart from measurements, limits of the error curve."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.lake import open_session
from pipeline.science.error_curve import error_pct
from pipeline.site import Outage, Site
from pipeline.stages.metered_hours import MeteredHours, metered_hours
from pipeline.tables import table
from tests.small_site import REGISTERS, small_site

START = datetime(2019, 10, 1, 6, tzinfo=UTC)
"""Midnight of 1 October in the small site's standard time."""
HOUR = timedelta(hours=1)


@pytest.fixture(scope="module")
def session() -> duckdb.DuckDBPyConnection:
    return open_session()


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Site:
    return small_site(tmp_path_factory.mktemp("site"))


def interval(
    minute: float,
    forward: float | None,
    reverse: float = 0.0,
    length: float = 10,
    quality: str = "ok",
    below: bool = False,
) -> dict[str, object]:
    start = START + timedelta(minutes=minute)
    return {
        "plot": "north",
        "meter": "M1",
        "interval_start": start,
        "interval_end": start + timedelta(minutes=length),
        "forward_l": forward,
        "reverse_l": reverse,
        "net_l": None if forward is None else forward - reverse,
        "flow_l_min": None if forward is None else (forward - reverse) / length,
        "calibration": "M1 forward 2019-10-01",
        "reverse_calibration": "M1 reverse 2019-10-01",
        "below_range": below,
        "quality": quality,
    }


def without(site: Site, first: timedelta, last: timedelta, scope: str = "meter", name: str = "M1") -> Site:
    """The site with one declared outage, from and to after `START`."""
    out = Outage.model_validate(
        {"scope": scope, "name": name, "from": START + first, "to": START + last, "cause": "lightning"}
    )
    return site.model_copy(update={"outages": (out,)})


def measure(
    session: duckdb.DuckDBPyConnection,
    site: Site,
    rows: list[dict[str, object]],
    hours: int = 6,
    first: datetime = START,
) -> MeteredHours:
    frame = pd.DataFrame(rows)
    for name in ("interval_start", "interval_end"):
        frame[name] = pd.to_datetime(frame[name], utc=True).dt.as_unit("us")
    for name in ("forward_l", "reverse_l", "net_l", "flow_l_min"):
        frame[name] = frame[name].astype("float64")
    session.register("given_flow", frame)
    # A frame's not-a-number is the table's NULL.
    flow = session.sql(
        """SELECT * REPLACE (if(isnan(forward_l), NULL, forward_l) AS forward_l, if(isnan(net_l), NULL, net_l) AS net_l)
        FROM given_flow"""
    )
    return metered_hours(session, flow, site, first, first + hours * HOUR)


def of_north(metered: MeteredHours) -> pd.DataFrame:
    return metered.hours[metered.hours["plot"] == "north"].reset_index(drop=True)


def test_every_plot_hour_of_the_period_is_there_once(session: duckdb.DuckDBPyConnection, site: Site) -> None:
    hours = measure(session, site, [interval(0, 5.0)]).hours
    expected = pd.MultiIndex.from_product(
        [["north", "south"], pd.date_range(START, periods=6, freq="h", unit="us")], names=["plot", "hour_start"]
    )
    assert pd.MultiIndex.from_frame(hours[["plot", "hour_start"]]).equals(expected)


def test_hours_are_the_sums_of_their_intervals(session: duckdb.DuckDBPyConnection, site: Site) -> None:
    # Summed by pandas, interval by interval.
    generator = np.random.Generator(np.random.PCG64(1))
    rows = [
        interval(10 * n, float(generator.integers(0, 90)), float(generator.integers(0, 50)))
        for n in range(36)
        if n % 7 != 3
    ]
    frame = pd.DataFrame(rows)
    sums = frame.groupby(frame["interval_start"].dt.floor("h"))[["net_l", "forward_l", "reverse_l"]].sum()
    hours = of_north(measure(session, site, rows))
    assert np.allclose(hours[["net_l", "forward_l", "reverse_l"]], sums)
    counts = frame.groupby(frame["interval_start"].dt.floor("h")).size()
    assert np.allclose(hours["measured_fraction"], counts / 6)


def test_an_interval_across_hours_is_shared_out_by_time(session: duckdb.DuckDBPyConnection, site: Site) -> None:
    hours = of_north(measure(session, site, [interval(45, 120.0, 20.0, length=60)]))
    assert hours["net_l"][:2].tolist() == pytest.approx([25.0, 75.0])
    assert hours["measured_fraction"][:3].tolist() == pytest.approx([0.25, 0.75, 0.0])


def test_an_interval_that_began_before_the_period_gives_only_its_later_part(
    session: duckdb.DuckDBPyConnection, site: Site
) -> None:
    hours = of_north(measure(session, site, [interval(-15, 60.0, length=60)]))
    assert hours["net_l"][0] == pytest.approx(45.0)
    assert hours["measured_fraction"].tolist() == pytest.approx([0.75, 0, 0, 0, 0, 0])


@pytest.mark.parametrize(("scope", "name"), [("meter", "M1"), ("plot", "north"), ("logger", "east")])
def test_records_inside_a_declared_outage_are_not_used(
    session: duckdb.DuckDBPyConnection, site: Site, scope: str, name: str
) -> None:
    out = without(site, timedelta(minutes=30), timedelta(minutes=90), scope, name)
    hours = of_north(measure(session, out, [interval(10 * n, 6.0) for n in range(18)]))
    assert hours["measured_fraction"][:3].tolist() == pytest.approx([0.5, 0.5, 1.0])
    assert hours["net_l"][:3].tolist() == pytest.approx([18.0, 18.0, 36.0])


def test_an_interval_without_a_count_is_not_measured(session: duckdb.DuckDBPyConnection, site: Site) -> None:
    hours = of_north(measure(session, site, [interval(0, None), interval(10, 5.0)]))
    assert hours["measured_fraction"][0] == pytest.approx(1 / 6)
    assert hours["net_l"][0] == pytest.approx(5.0)


def test_the_span_of_a_running_counter_is_a_total_and_not_a_measurement(
    session: duckdb.DuckDBPyConnection, site: Site
) -> None:
    metered = measure(session, site, [interval(0, 5.0), interval(10, 70.0, length=180, quality="spans_gap")])
    assert of_north(metered)["measured_fraction"][1:4].tolist() == [0.0, 0.0, 0.0]
    assert metered.known_totals["net_l"].tolist() == [70.0]
    assert metered.known_totals["start"][0] == pd.Timestamp(START + timedelta(minutes=10))
    assert metered.known_totals["end"][0] == pd.Timestamp(START + timedelta(minutes=190))


def test_a_total_across_a_declared_outage_of_the_logger_is_still_known(
    session: duckdb.DuckDBPyConnection, site: Site
) -> None:
    # That the meter itself went on is the counts' promise; a total that they give is used.
    out = without(site, timedelta(), 4 * HOUR, "logger", "east")
    metered = measure(session, out, [interval(10, 70.0, length=180, quality="spans_gap")])
    assert metered.known_totals["net_l"].tolist() == [70.0]


def test_a_running_counter_across_one_lost_line_is_a_measurement(session: duckdb.DuckDBPyConnection, site: Site) -> None:
    metered = measure(session, site, [interval(0, 5.0), interval(10, 12.0, length=20, quality="spans_gap")])
    assert of_north(metered)["net_l"][0] == pytest.approx(17.0)
    assert metered.known_totals.empty


def test_the_share_below_range_is_of_the_water_both_ways(session: duckdb.DuckDBPyConnection, site: Site) -> None:
    rows = [interval(0, 10.0, 20.0, below=True), interval(10, 60.0), interval(60, 0.0)]
    assert of_north(measure(session, site, rows))["below_range_fraction"][:3].tolist() == pytest.approx([1 / 3, 0, 0])


# Across the turn of a year


@settings(max_examples=12, deadline=None)
@given(
    st.lists(st.tuples(st.integers(1, 300), st.integers(0, 5000), st.integers(0, 500)), min_size=1, max_size=12),
    st.integers(-500, 0),
)
def test_two_periods_that_meet_share_the_water_without_loss(
    session: duckdb.DuckDBPyConnection, site: Site, intervals: list[tuple[int, int, int]], first_minute: int
) -> None:
    # Litres of two periods, each with the intervals that begin in it or reach into it, against those of all intervals.
    rows, minute = [], first_minute
    for length, forward, reverse in intervals:
        rows.append(interval(minute, float(forward), float(reverse), length=length))
        minute += length
    parts = [measure(session, site, rows, hours, START + first * HOUR).hours for first, hours in ((-10, 10), (0, 70))]
    total = pd.concat(parts)[["forward_l", "reverse_l", "net_l"]].sum()
    expected = [sum(row[name] for row in rows) for name in ("forward_l", "reverse_l", "net_l")]  # type: ignore[misc]
    assert total.tolist() == pytest.approx(expected, abs=1e-4)


def test_a_total_across_the_turn_of_a_year_is_told_once_and_whole(session: duckdb.DuckDBPyConnection, site: Site) -> None:
    rows = [interval(-90, 70.0, length=180, quality="spans_gap")]
    before = measure(session, site, rows, 6, START - 6 * HOUR).known_totals
    after = measure(session, site, rows).known_totals
    assert before["net_l"].tolist() == [70.0]
    assert before["end"].tolist() == [pd.Timestamp(START + timedelta(minutes=90))]
    assert after.empty


# The error curve


def test_the_error_curves_limit_is_the_sum_of_that_of_the_intervals(
    session: duckdb.DuckDBPyConnection, site: Site
) -> None:
    # The mathematics of science/error_curve.py, interval by interval, at the rate of both directions added up.
    generator = np.random.Generator(np.random.PCG64(5))
    forward, reverse = generator.gamma(0.4, 300, 36).round(), generator.gamma(0.2, 100, 36).round()
    rows = [interval(10 * n, forward[n], reverse[n]) for n in range(36)]
    curve = [(row.flow_l_min, row.error_pct) for row in site.accuracy]
    gross = forward + reverse
    limit = (
        gross * np.minimum(error_pct(gross / 10, *zip(*curve, strict=True)), 100.0, where=gross > 0, out=0 * gross) / 100
    )
    hours = of_north(measure(session, site, rows))
    assert np.allclose(hours["error_curve_l"], limit.reshape(6, 6).sum(axis=1), rtol=1e-6, atol=1e-5)
    assert {curve[0][0] * 10 > g for g in gross} == {True, False}


def test_below_the_curves_lowest_point_the_error_is_the_same_number_of_litres(
    session: duckdb.DuckDBPyConnection, site: Site
) -> None:
    # 5 % of 4.2 L/min is 0.21 L/min, that is 2.1 L in ten minutes, as long as there is that much water.
    hours = of_north(
        measure(session, site, [interval(0, 40.0), interval(60, 5.0), interval(120, 1.0), interval(180, 0.0)])
    )
    assert hours["error_curve_l"][:4].tolist() == pytest.approx([2.1, 2.1, 1.0, 0.0])


def test_an_hour_of_little_and_much_flow_errs_by_the_limits_of_both(
    session: duckdb.DuckDBPyConnection, site: Site
) -> None:
    # 42 L/min for ten minutes at 1 %, and 4.2 L/min for ten minutes at 5 %; the hour's mean flow would say otherwise.
    hours = of_north(measure(session, site, [interval(0, 420.0), interval(10, 42.0)]))
    assert hours["error_curve_l"][0] == pytest.approx(4.2 + 2.1)


# Which meter, which pulse


def test_an_hour_with_nothing_metered_names_no_meter_and_no_volume(
    session: duckdb.DuckDBPyConnection, site: Site
) -> None:
    south = measure(session, site, [interval(0, 5.0)]).hours.query("plot == 'south'")
    empty = [
        "meter",
        "calibration",
        "reverse_calibration",
        "forward_l",
        "reverse_l",
        "net_l",
        "error_curve_l",
        "counting_l",
    ]
    assert south[empty].isna().all(axis=None)
    assert (south["measured_fraction"] == 0).all()


def test_an_hour_under_two_calibrations_names_the_one_of_most_of_its_water(
    session: duckdb.DuckDBPyConnection, site: Site
) -> None:
    rows = [interval(10 * n, 10.0) for n in range(12)]
    for row in rows[2:8]:
        row["calibration"] = "M1 forward 2019-12-01"
    for row in rows[8:]:
        row["calibration"] = "M1 forward 2020-01-01"
    named = of_north(measure(session, site, rows))["calibration"][:2]
    assert named.tolist() == ["M1 forward 2019-12-01", "M1 forward 2020-01-01"]


def test_the_litres_of_one_pulse_are_the_larger_where_water_ran_both_ways(
    tmp_path: Path, session: duckdb.DuckDBPyConnection
) -> None:
    calibrations = REGISTERS["calibrations.csv"].replace("M1,reverse,5.0", "M1,reverse,7.0")
    uneven = small_site(tmp_path, calibrations=calibrations)
    hours = of_north(measure(session, uneven, [interval(0, 10.0), interval(60, 10.0, 7.0), interval(120, 0.0, 7.0)]))
    assert hours["counting_l"][:3].tolist() == [5.0, 7.0, 7.0]


def test_the_tables_have_their_declared_columns(session: duckdb.DuckDBPyConnection, site: Site) -> None:
    metered = measure(session, site, [interval(0, 5.0), interval(10, 70.0, length=180, quality="spans_gap")])
    assert tuple(metered.hours.columns) == table("metered_hours").names
    assert tuple(metered.known_totals.columns) == table("known_totals").names
