"""Promises of the volumes: litres by the calibration in effect, net with its sign, the mark below range, outages."""

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
from pipeline.site import Site
from pipeline.stages.outages import outages
from pipeline.stages.volumes import VolumeError, interval_flow
from pipeline.tables import table
from tests.small_site import small_site

MIDNIGHT = pd.Timestamp("2020-01-01T06:00Z")
CALIBRATIONS = "meter,direction,litres_per_pulse,expanded_uncertainty_pct,from,to,evidence,entered\n"


@pytest.fixture
def session() -> duckdb.DuckDBPyConnection:
    return open_session()


def pulse_frame(
    forward: list[int | None],
    reverse: list[int | None],
    plot: str = "north",
    meter: str = "M1",
    start: pd.Timestamp = MIDNIGHT,
    minutes: int = 10,
) -> pd.DataFrame:
    starts = start + pd.to_timedelta(np.arange(len(forward)) * minutes, unit="min")
    return pd.DataFrame(
        {
            "plot": plot,
            "meter": meter,
            "interval_start": starts.as_unit("us"),
            "interval_end": (starts + pd.Timedelta(minutes=minutes)).as_unit("us"),
            "forward_pulses": pd.array(forward, dtype="Int64"),
            "reverse_pulses": pd.array(reverse, dtype="Int64"),
            "quality": "ok",
            "file_id": "f",
            "line": 1,
        }
    )


def flow_of(session: duckdb.DuckDBPyConnection, site: Site, frame: pd.DataFrame) -> pd.DataFrame:
    return interval_flow(session, session.from_df(frame), site).df()


def test_litres_are_pulses_times_the_litres_per_pulse_in_effect_at_the_start(
    tmp_path: Path, session: duckdb.DuckDBPyConnection
) -> None:
    calibrations = CALIBRATIONS + (
        "M1,forward,5.0,1.0,2019-10-01,2020-01-01T00:20,bench,2019-09-01\nM1,forward,4.0,1.0,2020-01-01T00:20,,bench,2020-01-01\n"
        "M1,reverse,3.0,1.0,2019-10-01,,bench,2019-09-01\n"
        "M2,forward,5.0,1.0,2019-10-01,,bench,2019-09-01\nM2,reverse,5.0,1.0,2019-10-01,,bench,2019-09-01\n"
    )
    flow = flow_of(session, small_site(tmp_path, calibrations=calibrations), pulse_frame([10, 10, 10], [1, 1, 1]))
    assert flow["forward_l"].tolist() == [50.0, 50.0, 40.0]
    assert flow["reverse_l"].tolist() == [3.0, 3.0, 3.0]
    assert flow["calibration"].tolist() == [
        "M1 forward 2019-10-01",
        "M1 forward 2019-10-01",
        "M1 forward 2020-01-01",
    ]
    assert flow["reverse_calibration"].tolist() == ["M1 reverse 2019-10-01"] * 3


def test_a_correction_of_four_per_cent_moves_measured_volume_by_four_per_cent(
    tmp_path: Path, session: duckdb.DuckDBPyConnection
) -> None:
    corrected = CALIBRATIONS + "".join(
        f"{m},{w},{5.2 if m == 'M1' else 5.0},1.0,2019-10-01,,bench,2019-09-01\n"
        for m in ("M1", "M2")
        for w in ("forward", "reverse")
    )
    frame = pulse_frame([10, 30, 0, 4], [0, 1, 9, 0])
    before = flow_of(session, small_site(tmp_path / "before"), frame)["net_l"].sum()
    after = flow_of(session, small_site(tmp_path / "after", calibrations=corrected), frame)["net_l"].sum()
    assert after / before == pytest.approx(1.04, rel=1e-12)


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 800), st.integers(0, 800)), min_size=1, max_size=30))
def test_net_is_forward_minus_reverse_and_keeps_its_sign(
    tmp_path_factory: pytest.TempPathFactory, pulses: list[tuple[int, int]]
) -> None:
    site = small_site(tmp_path_factory.mktemp("net"))
    with open_session() as session:
        flow = flow_of(session, site, pulse_frame([f for f, _ in pulses], [r for _, r in pulses]))
    assert flow["net_l"].tolist() == [5.0 * f - 5.0 * r for f, r in pulses]
    assert np.allclose(flow["flow_l_min"] * 10, flow["net_l"], rtol=1e-14, atol=0)


def test_water_that_runs_slower_than_the_meter_is_accurate_is_marked_and_a_dry_drain_is_not(
    tmp_path: Path, session: duckdb.DuckDBPyConnection
) -> None:
    """The error curve of the small site leaves 5 % below 4.2 L/min, that is 42 L in ten minutes (common practice, no source)."""
    frame = pulse_frame([0, 8, 9, 4, 100], [0, 0, 0, 5, 0])
    flow = flow_of(session, small_site(tmp_path), frame)
    assert flow["below_range"].tolist() == [False, True, False, False, False]


def test_at_the_flow_from_which_on_the_meter_is_accurate_nothing_is_marked(
    tmp_path: Path, session: duckdb.DuckDBPyConnection
) -> None:
    """Ten pulses of 4.2 L in ten minutes are 4.2 L/min, where the small site's error curve has its 5 %."""
    calibrations = CALIBRATIONS + "".join(
        f"{meter},{way},4.2,1.0,2019-10-01,,bench,2019-09-01\n"
        for meter in ("M1", "M2")
        for way in ("forward", "reverse")
    )
    flow = flow_of(session, small_site(tmp_path, calibrations=calibrations), pulse_frame([9, 10], [0, 0]))
    assert flow["below_range"].tolist() == [True, False]


def test_an_interval_with_one_direction_unknown_has_no_net(tmp_path: Path, session: duckdb.DuckDBPyConnection) -> None:
    flow = flow_of(session, small_site(tmp_path), pulse_frame([10, None], [None, 3]))
    assert flow["net_l"].isna().all()
    assert flow["forward_l"].tolist()[0] == 50.0


def test_pulses_that_no_calibration_covers_stop_with_meter_and_time(
    tmp_path: Path, session: duckdb.DuckDBPyConnection
) -> None:
    frame = pulse_frame([10], [0], start=pd.Timestamp("2018-01-01T06:00Z"))
    with pytest.raises(VolumeError, match=r"meter M1 has forward pulses .* no calibration covers 2018-01-01T06:00Z"):
        interval_flow(session, session.from_df(frame), small_site(tmp_path))


def usable(starts: list[int], minutes: int = 10) -> pd.DataFrame:
    """Interval flow of plot north for intervals numbered from midnight."""
    at = MIDNIGHT + pd.to_timedelta(np.array(starts) * minutes, unit="min")
    return pd.DataFrame(
        {
            "plot": "north",
            "meter": "M1",
            "interval_start": at.as_unit("us"),
            "interval_end": (at + pd.Timedelta(minutes=minutes)).as_unit("us"),
            "forward_l": 1.0,
            "reverse_l": 0.0,
            "net_l": 1.0,
            "flow_l_min": 0.1,
            "calibration": "c",
            "below_range": True,
            "quality": "ok",
        }
    )


def outage_rows(frame: pd.DataFrame, plot: str = "north") -> list[tuple[float, float, str, str]]:
    rows = frame[frame["plot"] == plot]
    start = (rows["start"] - MIDNIGHT) / pd.Timedelta(minutes=10)
    end = (rows["end"] - MIDNIGHT) / pd.Timedelta(minutes=10)
    return list(zip(start, end, rows["cause"], rows["source"], strict=True))


NO_FINDINGS = pd.DataFrame(columns=list(table("meter_findings").names))
PERIOD = (datetime(2020, 1, 1, 6, tzinfo=UTC), datetime(2020, 1, 1, 6, tzinfo=UTC) + timedelta(minutes=100))


def test_missing_intervals_become_detected_outages(tmp_path: Path, session: duckdb.DuckDBPyConnection) -> None:
    found = outages(session, session.from_df(usable([0, 1, 4, 5, 9])), NO_FINDINGS, small_site(tmp_path), *PERIOD)
    assert outage_rows(found) == [
        (2, 4, "missing records", "detected"),
        (6, 9, "missing records", "detected"),
    ]
    assert outage_rows(found, "south") == [(0, 10, "missing records", "detected")]


def test_a_declared_outage_counts_whole_and_what_is_missing_beside_it_is_detected(
    tmp_path: Path, session: duckdb.DuckDBPyConnection
) -> None:
    register = "scope,name,from,to,cause,note\nlogger,east,2020-01-01T00:30,2020-01-01T00:50,lightning,\n"
    site = small_site(tmp_path, outages=register)
    found = outages(session, session.from_df(usable([0, 1, 3, 6, 7, 8, 9])), NO_FINDINGS, site, *PERIOD)
    assert outage_rows(found) == [
        (2, 3, "missing records", "detected"),
        (3, 5, "lightning", "declared"),
        (5, 6, "missing records", "detected"),
    ]


def test_an_outage_is_cut_at_the_ends_of_the_period_and_its_hours_are_its_length(
    tmp_path: Path, session: duckdb.DuckDBPyConnection
) -> None:
    register = "scope,name,from,to,cause,note\nplot,north,2019-12-30,,lightning,\n"
    found = outages(session, session.from_df(usable([])), NO_FINDINGS, small_site(tmp_path, outages=register), *PERIOD)
    assert outage_rows(found) == [(0, 10, "lightning", "declared")]
    assert found["hours"].tolist()[0] == pytest.approx(100 / 60)


@settings(max_examples=40, deadline=None)
@given(st.sets(st.integers(0, 9)), st.lists(st.tuples(st.integers(0, 9), st.integers(1, 6)), max_size=3))
def test_outages_and_usable_intervals_share_out_the_period(
    tmp_path_factory: pytest.TempPathFactory, present: set[int], declared: list[tuple[int, int]]
) -> None:
    """Worked beside it interval by interval: an interval is in an outage if it is declared out or has no record."""
    rows = "".join(
        f"plot,north,{(MIDNIGHT + pd.Timedelta(minutes=10 * a)).isoformat()},"
        f"{(MIDNIGHT + pd.Timedelta(minutes=10 * (a + n))).isoformat()},lightning {k},\n"
        for k, (a, n) in enumerate(declared)
    )
    site = small_site(tmp_path_factory.mktemp("out"), outages="scope,name,from,to,cause,note\n" + rows)
    with open_session() as session:
        found = outage_rows(outages(session, session.from_df(usable(sorted(present))), NO_FINDINGS, site, *PERIOD))
    out = {i for a, n in declared for i in range(a, a + n) if i < 10}
    expected = {i: ("declared" if i in out else "detected") for i in range(10) if i in out or i not in present}
    covered = [(int(i), source) for a, b, _, source in found for i in np.arange(a, b)]
    assert len(covered) == len(expected)
    assert dict(covered) == expected
