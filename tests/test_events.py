"""Promises of events: each plot's stretches, names across plots, volume, peak and rain, and nothing of the year left out."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
import pint
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.site import Site
from pipeline.stages.events import events
from pipeline.tables import table
from tests.small_site import small_site

START = datetime(2019, 10, 1, 6, tzinfo=UTC)
"""Midnight of 1 October in the small site's standard time."""
MM_PER_DAY: float = pint.UnitRegistry()("1 mm/day * 1 hectare").to("litre/hour").magnitude
"""Litres an hour of 1 mm a day from 1 ha, by the pint package."""


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Site:
    return small_site(tmp_path_factory.mktemp("site"))


def hours_of(north_mm_day: list[float], south_mm_day: list[float] | None = None) -> pd.DataFrame:
    """Rows of `hourly_flow` from flows in mm a day; north has 1 ha, south 2 ha."""
    plots = {"north": (1.0, north_mm_day), "south": (2.0, south_mm_day or [0.0] * len(north_mm_day))}
    return pd.concat(
        [
            pd.DataFrame(
                {
                    "plot": name,
                    "hour_start": pd.date_range(START, periods=len(flow), freq="h", unit="us"),
                    "net_l": np.array(flow) * MM_PER_DAY * area,
                    "basis": "measured",
                    "measured_fraction": 1.0,
                    "below_range_fraction": 0.0,
                }
            )
            for name, (area, flow) in plots.items()
        ],
        ignore_index=True,
    )


def rain_of(depths_mm: list[float], first_hour: int = -24) -> pd.DataFrame:
    start = START + timedelta(hours=first_hour)
    return pd.DataFrame(
        {"hour_start": pd.date_range(start, periods=len(depths_mm), freq="h", unit="us"), "rain_mm": depths_mm}
    )


NO_RAIN = rain_of([])
STORM = [0.0] * 5 + [12.0, 24.0, 12.0, 6.0, 3.0, 2.0] + [0.5] * 20


def found(site: Site, hours: pd.DataFrame, rain: pd.DataFrame = NO_RAIN) -> pd.DataFrame:
    return events(hours, rain, site, 2020)


def test_an_event_begins_at_the_threshold_and_ends_at_the_share_of_its_peak(site: Site) -> None:
    # Peak 24 mm/day: a tenth is 2.4, reached after the hour with 3.0.
    event = found(site, hours_of(STORM)).iloc[0]
    assert event["start"] == pd.Timestamp(START + timedelta(hours=5))
    assert event["end"] == pd.Timestamp(START + timedelta(hours=10))


def test_the_threshold_is_a_depth_and_so_the_same_for_large_and_small_plots(site: Site) -> None:
    both = found(site, hours_of(STORM, STORM))
    assert both["start"].nunique() == 1
    assert both["volume_mm"].nunique() == 1


def test_volume_and_peak_are_those_of_its_hours(site: Site) -> None:
    event = found(site, hours_of(STORM)).iloc[0]
    assert event["volume_mm"] == pytest.approx((12 + 24 + 12 + 6 + 3) / 24)
    # 24 mm/day from 1 ha are 10 m³ an hour.
    assert event["peak_l_min"] == pytest.approx(10_000 / 60)


def test_water_that_runs_back_within_an_event_counts_negative(site: Site) -> None:
    event = found(site, hours_of([0.0, 12.0, -4.0, 12.0, 0.0])).iloc[0]
    assert event["volume_mm"] == pytest.approx(20 / 24)


def test_an_event_at_the_end_of_the_year_is_cut_there(site: Site) -> None:
    hours = hours_of([5.0] * 4 + [0.0] * 20 + [5.0] * 6)
    cut = found(site, hours)
    assert cut["start"].iloc[0] == hours["hour_start"].min()
    assert cut["end"].iloc[1] == hours["hour_start"].max() + pd.Timedelta(hours=1)


def test_plots_that_answer_one_storm_share_its_name(site: Site) -> None:
    late = [0.0] * 3 + STORM[:-3]
    named = found(site, hours_of(STORM + STORM, late + STORM))
    assert named.groupby("event")["plot"].apply(list).to_dict() == {
        "2020-001": ["north", "south"],
        "2020-002": ["north", "south"],
    }


def test_a_plot_that_answers_alone_has_a_name_of_its_own_in_order_of_start(site: Site) -> None:
    quiet = [0.0] * len(STORM)
    named = found(site, hours_of(STORM + quiet + STORM, quiet + STORM + STORM))
    assert named.set_index(["plot", "event"])["start"].groupby("event").min().is_monotonic_increasing
    assert sorted(zip(named["plot"], named["event"], strict=True)) == [
        ("north", "2020-001"),
        ("north", "2020-003"),
        ("south", "2020-002"),
        ("south", "2020-003"),
    ]


def test_rain_counts_from_a_day_before(site: Site) -> None:
    depths = [1.0] * 24 + [0.0] * 31
    depths[0], depths[24 + 5], depths[24 + 10] = 50.0, 3.0, 70.0
    # The event covers hours 5 to 9: rain of hours -19 to 9, neither that of hour -24 nor that of hour 10.
    assert found(site, hours_of(STORM), rain_of(depths))["rain_mm"].iloc[0] == pytest.approx(19 + 3)


def test_rain_with_a_missing_hour_is_not_told(site: Site) -> None:
    depths = [0.0] * 24 + [np.nan] + [0.0] * 30
    assert found(site, hours_of(STORM), rain_of(depths))["rain_mm"].isna().all()
    assert found(site, hours_of(STORM), NO_RAIN)["rain_mm"].isna().all()


def test_an_event_with_an_unfilled_hour_has_no_volume(site: Site) -> None:
    hours = hours_of(STORM)
    hours.loc[7, "net_l"] = np.nan
    event = found(site, hours).iloc[0]
    assert np.isnan(event["volume_mm"])
    assert event["peak_l_min"] == pytest.approx(10_000 / 60)


def test_the_measured_share_is_that_of_the_events_hours(site: Site) -> None:
    hours = hours_of(STORM)
    hours.loc[5:6, "measured_fraction"] = [0.5, 0.0]
    assert found(site, hours)["measured_fraction"].iloc[0] == pytest.approx(3.5 / 5)


def test_a_year_without_an_event_gives_an_empty_table_of_the_same_kind(site: Site) -> None:
    none, some = found(site, hours_of([0.0] * 50)), found(site, hours_of(STORM))
    assert none.empty
    assert none.dtypes.to_dict() == some.dtypes.to_dict()
    assert tuple(some.columns) == table("events").names


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.integers(0, 100_000))
def test_events_and_the_hours_between_them_are_the_year(site: Site, seed: int) -> None:
    generator = np.random.Generator(np.random.PCG64(seed))
    storms = generator.gamma(1, 15, 600) * (generator.random(600) < 0.03)
    flow = np.convolve(storms, np.exp(-np.arange(100) / 12))[:600] - generator.gamma(0.1, 3, 600)
    hours = hours_of(flow.tolist(), (np.roll(flow, 4) * generator.uniform(0.5, 1.5)).tolist())
    frame = found(site, hours)
    assert not frame.duplicated(["plot", "event"]).any()
    for plot, of_plot in hours.groupby("plot"):
        own = frame[frame["plot"] == plot]
        start = of_plot["hour_start"].to_numpy()[:, np.newaxis]
        inside = (start >= own["start"].to_numpy()) & (start < own["end"].to_numpy())
        # No hour in two events; event volumes and the hours between add up to the year.
        assert inside.sum(axis=1).max(initial=0) <= 1
        area = 1.0 if plot == "north" else 2.0
        between = of_plot["net_l"].to_numpy()[~inside.any(axis=1)].sum() / 10_000 / area
        year = of_plot["net_l"].sum() / 10_000 / area
        assert own["volume_mm"].sum() + between == pytest.approx(year, abs=1e-9 * of_plot["net_l"].abs().sum())
