"""Hourly concentrations: what results say, what stands between them, and how sure it is."""

from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.site import load_site
from pipeline.stages.concentration import concentration, concentration_members
from pipeline.tables import table

DEMO = load_site(Path(__file__).parents[1] / "configs" / "sedge-hollow")
SITE = DEMO.model_copy(
    update={"plots": DEMO.plots[:2], "first_day": date(2019, 10, 1), "last_day": date(2022, 9, 30)},
)
FIRST = pd.Timestamp(SITE.water_year_period(2021)[0])
HOURS = 8760
"""The water year 2021 (October 2020 to September 2021): no leap day."""
HOUR = pd.Timedelta(hours=1)


def flow(net_l=60.0, plots=("P1", "P2"), first=FIRST, hours=HOURS) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "plot": np.repeat(plots, hours),
            "hour_start": np.tile(pd.date_range(first, periods=hours, freq="h", unit="us"), len(plots)),
            "net_l": np.tile(np.broadcast_to(net_l, hours).astype(float), len(plots)),
        }
    )


def results(*rows, plot="P1") -> pd.DataFrame:
    """Rows (start, end, mg/L), times in hours of the water year; further: whether censored, plot."""
    start, end, mg_l = (np.array([row[place] for row in rows], dtype=float) for place in range(3))
    return pd.DataFrame(
        {
            "plot": [row[4] if len(row) > 4 else plot for row in rows],
            "sample": [f"S{number}" for number in range(len(rows))],
            "kind": np.where(start == end, "grab", "flow_composite"),
            "start": (FIRST + pd.to_timedelta(start, unit="h")).as_unit("us"),
            "end": (FIRST + pd.to_timedelta(end, unit="h")).as_unit("us"),
            "analyte": "nitrate_n",
            "mg_l": mg_l,
            "censored": [len(row) > 3 and bool(row[3]) for row in rows],
            "detection_limit_mg_l": 0.2,
            "results": 1,
            "relative_difference_pct": np.nan,
        }
    )


def grabs(*rows, plot="P1") -> pd.DataFrame:
    """Rows (moment, mg/L)."""
    return results(*((moment, moment, mg_l) for moment, mg_l in rows), plot=plot)


def of_plot(given_results, plot="P1", net_l=60.0, site=SITE) -> pd.DataFrame:
    everything = concentration(given_results, flow(net_l), site, 2021)
    return everything[everything["plot"] == plot].reset_index(drop=True)


def test_columns_are_those_of_the_declaration():
    assert tuple(of_plot(grabs((100.5, 8.0))).columns) == table("concentration").names


def test_every_hour_of_the_year_has_a_row_for_every_plot_and_analyte():
    site = SITE.model_copy(update={"analytes": ("nitrate_n", "total_p")})
    rows = concentration(grabs((100.5, 8.0)), flow(), site, 2021)
    assert len(rows) == 2 * 2 * HOURS
    assert not rows.duplicated(["plot", "analyte", "hour_start"]).any()


def test_hours_of_neighbouring_years_are_not_given_back():
    hours = flow(first=FIRST - 100 * HOUR, hours=HOURS + 200)
    rows = concentration(grabs((100.5, 8.0)), hours, SITE, 2021)
    assert (rows["hour_start"].min(), rows["hour_start"].max()) == (FIRST, FIRST + (HOURS - 1) * HOUR)


def test_a_plot_without_results_has_no_concentration_and_says_so():
    rows = of_plot(grabs((100.5, 8.0)), plot="P2")
    assert set(rows["basis"]) == {"no_results"}
    assert rows[["mg_l", "mg_l_p05", "mg_l_p95"]].isna().all(axis=None)


def test_no_results_at_all_leave_everything_empty():
    rows = concentration(grabs((100.5, 8.0)).iloc[:0], flow(), SITE, 2021)
    assert rows["mg_l"].isna().all()
    assert len(rows) == 2 * HOURS


def test_between_two_results_runs_a_straight_line():
    rows = of_plot(grabs((100.5, 6.0), (200.5, 16.0)))
    # numpy's own interpolation at the middle of each hour, which is the mean over the hour where no result bends the line.
    expected = np.interp(np.arange(101, 200) + 0.5, [100.5, 200.5], [6.0, 16.0])
    np.testing.assert_allclose(rows["mg_l"][101:200], expected, rtol=1e-9)


def test_a_value_holds_before_the_first_and_after_the_last_result():
    rows = of_plot(grabs((600.5, 6.0), (700.5, 16.0)))
    np.testing.assert_allclose(rows["mg_l"][:600], 6.0)
    np.testing.assert_allclose(rows["mg_l"][701 : 700 + 28 * 24], 16.0)


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(1, 200))
def test_the_flow_weighted_mean_of_a_composites_window_is_its_result(seed, length):
    generator = np.random.default_rng(seed)
    net_l = generator.normal(20, 60, HOURS)
    given_results = results((90.5, 90.5, 5.0), (100, 100 + length, 9.0), (100 + length / 2, 100 + length / 2, 30.0),
                            (400.25, 400.25, 14.0))  # fmt: skip
    mg_l = of_plot(given_results, net_l=net_l)["mg_l"][100 : 100 + length]
    # Whatever weights that are not negative: here net flow where it drains, and a trickle so that something flows.
    weight = np.maximum(net_l[100 : 100 + length], 0) + 1e-6
    assert np.average(mg_l, weights=weight) == pytest.approx(9.0, rel=1e-9)


def test_a_grabs_hour_and_a_composites_window_are_sampled():
    rows = of_plot(results((50.5, 50.5, 5.0), (100, 110, 9.0)))
    assert rows.index[rows["basis"] == "sampled"].tolist() == [50, *range(100, 110)]


def test_what_lies_between_results_is_interpolated():
    rows = of_plot(results((50.5, 50.5, 5.0), (100, 110, 9.0)))
    assert set(rows["basis"][51:100]) == {"interpolated"}


def test_across_more_than_the_longest_stretch_stands_the_seasons_flow_weighted_mean():
    # Two months without a result in winter. By hand: (3 * 4 + 1 * 8 + 2 * 10) / 6.
    winter = 62 * 24
    net_l = np.full(HOURS, 0.0)
    net_l[winter : winter + 3] = (3.0, 1.0, 2.0)
    given_results = grabs((winter + 0.5, 4.0), (winter + 1.5, 8.0), (winter + 2.5, 10.0), (winter + 60 * 24, 20.0))
    rows = of_plot(given_results, net_l=net_l)
    middle = rows.loc[winter + 30 * 24]
    assert middle["basis"] == "seasonal_mean"
    assert middle["mg_l"] == pytest.approx(40 / 6)


def test_water_that_ran_backwards_has_no_weight_in_the_seasons_mean():
    winter = 62 * 24
    net_l = np.full(HOURS, 0.0)
    net_l[winter : winter + 3] = (3.0, -50.0, 1.0)
    given_results = grabs((winter + 0.5, 4.0), (winter + 1.5, 90.0), (winter + 2.5, 8.0), (winter + 60 * 24, 20.0))
    assert of_plot(given_results, net_l=net_l)["mg_l"][winter + 30 * 24] == pytest.approx(5.0)


def test_a_season_with_few_results_takes_the_mean_of_all():
    # One result in December, one in April: no season has three. Equal flow: their plain mean.
    rows = of_plot(grabs((65 * 24, 4.0), (200 * 24, 10.0)))
    assert rows["mg_l"][130 * 24] == pytest.approx(7.0)


def test_a_policy_decides_how_long_a_stretch_may_be():
    policies = SITE.policies.model_copy(update={"interpolation_longest_days": 60})
    rows = of_plot(grabs((100.5, 4.0), (100.5 + 50 * 24, 10.0)), site=SITE.model_copy(update={"policies": policies}))
    assert set(rows["basis"][101 : 100 + 50 * 24]) == {"interpolated"}


def test_a_result_two_years_away_does_not_move_a_year():
    near = grabs((100.5, 6.0), (200.5, 16.0))
    far = grabs((-2 * 8784.0, 1.0), (HOURS + 8784.0 * 1.5, 30.0))
    pd.testing.assert_frame_equal(of_plot(pd.concat([near, far])), of_plot(near))


def test_a_result_of_the_neighbouring_year_ends_a_line():
    rows = of_plot(grabs((-50.0, 4.0), (50.0, 8.0)))
    assert rows["mg_l"][0] == pytest.approx(np.interp(0.5, [-50, 50], [4, 8]))


def test_the_order_of_the_results_does_not_matter():
    given_results = results(
        (90.5, 90.5, 5.0), (100, 140, 9.0), (120, 180, 7.0), (400.25, 400.25, 14.0), (400.25, 400.25, 4.0)
    )
    pd.testing.assert_frame_equal(of_plot(given_results[::-1]), of_plot(given_results))


@settings(max_examples=15, deadline=None)
@given(st.floats(0.01, 100.0), st.integers(0, 2**32 - 1))
def test_scaling_all_results_scales_all_concentrations(k, seed):
    generator = np.random.default_rng(seed)
    moments = np.sort(generator.uniform(0, HOURS, 30))
    one = grabs(*zip(moments, generator.uniform(0, 20, 30), strict=True))
    scaled = of_plot(one.assign(mg_l=one["mg_l"] * k))
    for name in ("mg_l", "mg_l_p05", "mg_l_p95"):
        np.testing.assert_allclose(scaled[name], of_plot(one)[name] * k, rtol=1e-6, atol=1e-7 * k)


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(1, 60))
def test_every_value_lies_within_its_own_interval_and_none_is_negative(seed, count):
    generator = np.random.default_rng(seed)
    start = generator.uniform(-1000, HOURS + 1000, count)
    length = generator.choice([0.0, 12.0, 72.0], count)
    mg_l = generator.choice([0.0, 0.1, 9.0, 40.0], count)
    rows = of_plot(results(*zip(start, start + length, mg_l, generator.random(count) < 0.2, strict=True)))
    if set(rows["basis"]) == {"no_results"}:
        return
    assert (rows["mg_l_p05"] >= 0).all()
    assert (rows["mg_l_p05"] <= rows["mg_l"]).all()
    assert (rows["mg_l"] <= rows["mg_l_p95"]).all()


def test_at_a_result_the_interval_is_the_laboratorys():
    # 5 % expanded (k = 2) is 2.5 % standard; 90 % of a normal error lie within 1.645 standard errors (JCGM 100:2008, table
    # G.1, from memory).
    rows = of_plot(results((100, 110, 8.0)))
    assert rows["mg_l_p95"][105] / 8.0 - 1 == pytest.approx(0.025 * 1.645, abs=1e-5)


def test_half_way_between_results_the_interval_is_wider():
    rows = of_plot(grabs((100.5, 8.0), (200.5, 8.0)))
    width = rows["mg_l_p95"] - rows["mg_l_p05"]
    assert width[100] < width[110] < width[150] > width[190] > width[200]


def test_results_that_follow_straight_lines_leave_nothing_but_the_laboratory():
    line = np.arange(10, 300, 20) + 0.5
    rows = of_plot(grabs(*zip(line, 5 + line / 100, strict=True)))
    share = rows["mg_l_p95"][20:200] / rows["mg_l"][20:200] - 1
    np.testing.assert_allclose(share, 0.025 * 1.645, atol=1e-5)


def test_a_censored_result_may_lie_anywhere_under_its_limit():
    # Anywhere between 0 and 0.2 mg/L with equal chance: 90 % lie between 0.01 and 0.19.
    rows = of_plot(results((100, 110, 0.1, True)))
    assert (rows["mg_l_p05"][105], rows["mg_l_p95"][105]) == pytest.approx((0.01, 0.19))


def test_few_results_borrow_how_lines_err_from_the_other_plots():
    many = np.arange(0, 3000, 100) + 0.5
    wild = grabs(*zip(many, np.where(np.arange(many.size) % 2, 8.0, 10.0), strict=True), plot="P2")
    alone = of_plot(grabs((100.5, 8.0), (200.5, 8.0)))
    together = of_plot(pd.concat([grabs((100.5, 8.0), (200.5, 8.0)), wild]))
    assert alone["mg_l_p95"][150] == pytest.approx(8.0 * (1 + np.hypot(1.0, 0.025 * 1.645)), rel=1e-4)
    # By hand: the other plot's lines err by 2 in 8 or 2 in 10; nine tenths of those errors are 0.25 or less.
    assert together["mg_l_p95"][150] == pytest.approx(8.0 * (1 + np.hypot(0.25, 0.025 * 1.645)), rel=1e-4)


def test_a_record_with_half_an_hour_in_its_offset_is_served():
    site = SITE.model_copy(update={"utc_offset": timedelta(hours=5, minutes=30)})
    first = pd.Timestamp(site.water_year_period(2021)[0]).ceil("h")
    rows = concentration(grabs((100.5, 6.0), (200.5, 16.0)), flow(first=first), site, 2021)
    assert rows["mg_l"][rows["plot"] == "P1"].notna().all()


# Flows sampled


def test_hours_of_more_or_less_flow_than_any_sampled_are_extrapolated():
    # Sampled: hour 10 with 50 L as a grab, hours 20 to 22 with 60 to 80 L as a composite. Water that runs back is no outflow.
    net = np.full(HOURS, 55.0)
    net[[10, 20, 21, 22]] = [50.0, 60.0, 70.0, 80.0]
    net[[100, 101, 102, 103, 104]] = [80.0, 80.1, 50.0, 49.9, -90.0]
    of_plot = next(iter(concentration_members(results((10, 10, 9.0), (20.5, 23, 8.0)), flow(net, ("P1",)), SITE, 2021)))
    assert np.flatnonzero(of_plot.extrapolated).tolist() == [101, 103]


def test_a_result_from_before_the_flow_record_samples_no_flow():
    net = np.full(HOURS, 55.0)
    net[0] = 500.0
    of_plot = next(iter(concentration_members(results((-5, -5, 9.0), (10, 10, 9.0)), flow(net, ("P1",)), SITE, 2021)))
    assert np.flatnonzero(of_plot.extrapolated).tolist() == [0]
