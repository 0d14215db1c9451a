"""Loads: everything adds up, nothing is hidden, and the bounds are what the law of propagation gives."""

from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.site import load_site
from pipeline.stages.loads import ERROR_BLOCK_HOURS, Loads, loads
from pipeline.tables import table

DEMO = load_site(Path(__file__).parents[1] / "configs" / "sedge-hollow")
SITE = DEMO.model_copy(
    update={"plots": DEMO.plots[:2], "first_day": date(2019, 10, 1), "last_day": date(2022, 9, 30)},
)
AREA_HA = {plot.plot: plot.area_ha for plot in SITE.plots}
YEAR = 2021
FIRST = pd.Timestamp(SITE.water_year_period(YEAR)[0])
HOUR = pd.Timedelta(hours=1)
TABLES = ("daily", "monthly", "annual", "event")
NO_EVENTS = pd.DataFrame(
    {
        "plot": pd.Series(dtype="str"),
        "event": pd.Series(dtype="str"),
        "start": pd.Series(dtype="datetime64[us, UTC]"),
        "end": pd.Series(dtype="datetime64[us, UTC]"),
    }
)
NO_RESULTS = pd.DataFrame(
    {
        "plot": pd.Series(dtype="str"),
        "analyte": pd.Series(dtype="str"),
        "start": pd.Series(dtype="datetime64[us, UTC]"),
        "end": pd.Series(dtype="datetime64[us, UTC]"),
    }
)


def flow(net_l, plot="P1", first=FIRST, **columns) -> pd.DataFrame:
    """Hours of one plot from `first` on; everything metered and exactly known unless said otherwise."""
    net = np.asarray(net_l, dtype=float)
    frame = pd.DataFrame(
        {
            "plot": plot,
            "hour_start": pd.date_range(first, periods=net.size, freq="h", unit="us"),
            "net_l": net,
            "net_l_p05": net,
            "net_l_p95": net,
            "basis": "measured",
            "measured_fraction": 1.0,
            "below_range_fraction": 0.0,
        }
    )
    return frame.assign(**columns)


def mg_l(hours: pd.DataFrame, value=10.0, half_width=0.0, analyte="nitrate_n") -> pd.DataFrame:
    known = np.broadcast_to(value, len(hours)).astype(float)
    return hours[["plot", "hour_start"]].assign(
        analyte=analyte,
        mg_l=known,
        mg_l_p05=np.maximum(known - half_width, 0),
        mg_l_p95=known + half_width,
        basis="sampled",
    )


def events(*rows, plot="P1") -> pd.DataFrame:
    """Rows (first hour, hour after the last), counted from the start of the water year."""
    return pd.DataFrame(
        {
            "plot": plot,
            "event": [f"{YEAR}-{number:03d}" for number in range(1, len(rows) + 1)],
            "start": [FIRST + row[0] * HOUR for row in rows],
            "end": [FIRST + row[1] * HOUR for row in rows],
        }
    )


def sampled_at(*hours, plot="P1") -> pd.DataFrame:
    moments = pd.DatetimeIndex([FIRST + hour * HOUR for hour in hours]).as_unit("us")
    return pd.DataFrame({"plot": plot, "analyte": "nitrate_n", "start": moments, "end": moments})


def computed(hours, concentration=None, of_events=NO_EVENTS, results=NO_RESULTS, site=SITE, year=YEAR) -> Loads:
    return loads(hours, mg_l(hours) if concentration is None else concentration, of_events, results, site, year)


def only(frame: pd.DataFrame) -> pd.Series:
    assert len(frame) == 1
    return frame.iloc[0]


def invented(seed: int, hours: int = 900) -> dict[str, pd.DataFrame]:
    """Two plots with backwater, gaps, two analytes of which one has no results, events, everything uncertain."""
    generator = np.random.default_rng(seed)
    parts = []
    for plot in ("P1", "P2"):
        net = generator.normal(300, 600, hours).round(1)
        metered = np.repeat(generator.choice([0.0, 0.5, 1.0], hours // 40 + 1), 40)[:hours]
        width = np.abs(net) * generator.uniform(0, 0.3, hours)
        basis = np.where(metered == 0, "from_neighbours", "measured")
        parts.append(
            flow(
                net,
                plot,
                net_l_p05=net - width,
                net_l_p95=net + 2 * width,
                basis=basis,
                measured_fraction=metered,
                below_range_fraction=generator.uniform(0, 1, hours) * (metered > 0),
            )
        )
    all_hours = pd.concat(parts, ignore_index=True)
    edges = np.sort(generator.choice(np.arange(1, hours), 8, replace=False))
    return {
        "hours": all_hours,
        "concentration": mg_l(all_hours, generator.uniform(0, 20, len(all_hours)), 1.5),
        "of_events": pd.concat([events(*zip(edges[::2], edges[1::2], strict=True), plot=plot) for plot in ("P1", "P2")]),
        "results": pd.concat([sampled_at(*range(5, hours, 90), plot=plot) for plot in ("P1", "P2")]),
    }


# Shape


@pytest.mark.parametrize("kind", TABLES)
def test_columns_are_those_of_the_declaration(kind):
    assert tuple(getattr(computed(flow(np.ones(30))), kind).columns) == table(f"loads_{kind}").names


@pytest.mark.parametrize("kind", TABLES)
def test_every_key_stands_once(kind):
    frame = getattr(computed(**invented(1)), kind)
    assert not frame.duplicated(list(table(f"loads_{kind}").key)).any()


@pytest.mark.parametrize("kind", TABLES)
def test_no_hours_give_no_loads(kind):
    hours = flow(np.ones(3)).iloc[:0]
    assert len(getattr(computed(hours), kind)) == 0


def test_days_are_days_of_the_sites_standard_time():
    # The water year begins at midnight, six hours behind UTC.
    daily = computed(flow(np.ones(48))).daily
    assert daily["date"].tolist() == [date(2020, 10, 1), date(2020, 10, 2)]
    assert daily["hours"].tolist() == [24, 24]


def test_months_are_months_of_the_sites_standard_time():
    monthly = computed(flow(np.ones(31 * 24 + 1))).monthly
    assert monthly[["month", "hours"]].values.tolist() == [["2020-10", 744], ["2020-11", 1]]


def test_hours_before_the_first_and_after_the_last_day_do_not_count():
    site = SITE.model_copy(update={"first_day": date(2020, 10, 2), "last_day": date(2020, 10, 3)})
    assert only(computed(flow(np.ones(120)), site=site).annual)["hours"] == 48


def test_hours_of_another_water_year_do_not_count():
    assert only(computed(flow(np.ones(120), first=FIRST - 20 * HOUR)).annual)["hours"] == 100


# Volumes and loads


def test_depth_and_load_are_those_of_a_hand_calculation():
    # By hand: 100 h of 500 L at 12 mg/L are 50,000 L and 600 g.
    hours = flow(np.full(100, 500.0))
    annual = only(computed(hours, mg_l(hours, 12.0)).annual)
    assert annual["volume_mm"] == pytest.approx(50_000 / 10_000 / AREA_HA["P1"])
    assert annual["load_kg_ha"] == pytest.approx(0.6 / AREA_HA["P1"])


def test_water_that_comes_back_and_leaves_again_is_counted_once():
    hours = flow([100.0, -100.0, 100.0])
    annual = only(computed(hours, mg_l(hours, 10.0)).annual)
    assert annual["load_kg_ha"] == pytest.approx(100 * 10 / 1e6 / AREA_HA["P1"])


def test_a_backwater_day_has_a_negative_volume_and_load():
    daily = only(computed(flow(np.full(24, -5.0))).daily)
    assert daily["volume_mm"] < 0
    assert daily["load_kg_ha"] < 0


def test_the_flow_weighted_mean_is_the_mean_weighted_by_flow():
    hours = flow([1.0, 3.0, 2.0])
    annual = only(computed(hours, mg_l(hours, [4.0, 8.0, 10.0])).annual)
    assert annual["flow_weighted_mg_l"] == pytest.approx(np.average([4.0, 8.0, 10.0], weights=[1, 3, 2]))


@pytest.mark.parametrize("net_l", [[-5.0, 2.0], [0.0, 0.0], [0.1, 0.2, -0.3]])
def test_no_mean_concentration_where_no_net_water_left(net_l):
    assert np.isnan(only(computed(flow(net_l)).annual)["flow_weighted_mg_l"])


# Shares


def test_shares_are_weighted_by_water():
    hours = flow([30.0, -10.0], measured_fraction=[1.0, 0.0], basis=["measured", "from_weather"])
    annual = only(computed(hours).annual)
    assert (annual["share_measured"], annual["share_filled"]) == pytest.approx((0.75, 0.25))


def test_only_metered_water_is_below_range():
    hours = flow([30.0, 10.0], measured_fraction=[0.5, 1.0], below_range_fraction=[0.4, 1.0])
    assert only(computed(hours).annual)["share_below_range"] == pytest.approx((30 * 0.5 * 0.4 + 10) / 40)


def test_where_nothing_flowed_there_are_no_shares():
    annual = only(computed(flow([0.0, 0.0])).annual)
    assert annual[["share_measured", "share_filled", "share_below_range"]].isna().all()


def test_missing_days_are_the_share_of_hours_without_a_metered_record():
    hours = flow(np.ones(10), measured_fraction=[1.0] * 7 + [0.5, 0.0, 0.0])
    assert only(computed(hours).annual)["missing_days_pct"] == pytest.approx(25.0)


# What is not known


def test_an_unfilled_hour_empties_its_period_and_says_so():
    net = np.array([1.0] * 30)
    net[25] = np.nan
    daily = computed(flow(net, basis=np.where(np.isnan(net), "unfilled", "measured"))).daily
    assert daily["unfilled_hours"].tolist() == [0, 1]
    assert daily["volume_mm"].isna().tolist() == [False, True]


@pytest.mark.parametrize("kind", TABLES)
def test_no_number_stands_on_an_unfilled_hour(kind):
    net = np.array([1.0, np.nan, 3.0])
    frame = getattr(computed(flow(net, basis=["measured", "unfilled", "measured"])), kind)
    numbers = ["volume_mm", "load_kg_ha", "flow_weighted_mg_l"]
    assert frame[[*numbers, *(f"{name}_{p}" for name in numbers[:2] for p in ("p05", "p95"))]].isna().all(axis=None)


def test_without_a_concentration_the_load_is_empty_and_the_volume_is_not():
    hours = flow(np.ones(5))
    annual = only(computed(hours, mg_l(hours, np.nan)).annual)
    assert annual[["load_kg_ha", "load_kg_ha_p05", "load_kg_ha_p95", "flow_weighted_mg_l"]].isna().all()
    assert annual["volume_mm"] > 0


def test_an_analyte_without_concentration_rows_has_an_empty_load_too():
    site = SITE.model_copy(update={"analytes": ("nitrate_n", "total_p")})
    annual = computed(flow(np.ones(5)), site=site).annual.set_index("analyte")
    assert annual["load_kg_ha"].isna().to_dict() == {"nitrate_n": False, "total_p": True}


# Identities

seeds = st.integers(0, 2**32 - 1)
ADDITIVE = ["hours", "volume_mm", "load_kg_ha", "unfilled_hours"]


def assert_adds_up(parts: pd.DataFrame, whole: pd.DataFrame) -> None:
    summed = parts.groupby(["plot", "analyte"])[ADDITIVE].sum()
    pd.testing.assert_frame_equal(summed, whole.set_index(["plot", "analyte"])[ADDITIVE], rtol=1e-9, atol=1e-9)


@settings(max_examples=10, deadline=None)
@given(seeds)
def test_days_add_up_to_the_year(seed):
    result = computed(**invented(seed))
    assert_adds_up(result.daily, result.annual)


@settings(max_examples=10, deadline=None)
@given(seeds)
def test_days_add_up_to_months(seed):
    result = computed(**invented(seed))
    month = result.daily["date"].map(lambda day: day.strftime("%Y-%m"))
    for name, days in result.daily.groupby(month):
        assert_adds_up(days, result.monthly[result.monthly["month"] == name])


@settings(max_examples=10, deadline=None)
@given(seeds)
def test_months_add_up_to_the_year(seed):
    result = computed(**invented(seed))
    assert_adds_up(result.monthly, result.annual)


@settings(max_examples=10, deadline=None)
@given(seeds)
def test_events_and_the_water_between_them_add_up_to_the_year(seed):
    result = computed(**invented(seed))
    assert_adds_up(result.event, result.annual)


@settings(max_examples=10, deadline=None)
@given(seeds)
def test_flow_times_concentration_summed_over_hours_is_the_load(seed):
    given_tables = invented(seed)
    rows = given_tables["hours"].merge(given_tables["concentration"], on=["plot", "hour_start"])
    milligrams = (rows["net_l"] * rows["mg_l"]).groupby(rows["plot"]).sum()
    annual = computed(**given_tables).annual.set_index("plot")["load_kg_ha"]
    for plot, area in AREA_HA.items():
        assert annual[plot] == pytest.approx(milligrams[plot] / 1e6 / area, rel=1e-9)


@settings(max_examples=10, deadline=None)
@given(seeds)
def test_measured_and_filled_shares_make_up_the_whole(seed):
    for kind in TABLES:
        frame = getattr(computed(**invented(seed)), kind)
        np.testing.assert_allclose(frame["share_measured"] + frame["share_filled"], 1.0, atol=1e-9)


@settings(max_examples=10, deadline=None)
@given(seeds)
def test_bounds_enclose_the_value(seed):
    result = computed(**invented(seed))
    for kind in TABLES:
        frame = getattr(result, kind)
        for name in ("volume_mm", "load_kg_ha"):
            assert (frame[f"{name}_p05"] <= frame[name]).all()
            assert (frame[name] <= frame[f"{name}_p95"]).all()


@settings(max_examples=10, deadline=None)
@given(seeds, st.floats(0.01, 100))
def test_scaling_concentrations_scales_loads_and_their_bounds(seed, k):
    given_tables = invented(seed)
    one = computed(**given_tables).annual
    concentration = given_tables["concentration"]
    scaled = concentration.assign(**{name: concentration[name] * k for name in ("mg_l", "mg_l_p05", "mg_l_p95")})
    many = computed(**{**given_tables, "concentration": scaled}).annual
    for name in ("load_kg_ha", "load_kg_ha_p05", "load_kg_ha_p95"):
        np.testing.assert_allclose(many[name], one[name] * k, rtol=1e-9)


@settings(max_examples=10, deadline=None)
@given(seeds, st.integers(1, 49))
def test_an_event_cut_in_two_adds_up(seed, cut):
    given_tables = invented(seed, hours=200)
    whole = computed(**{**given_tables, "of_events": events((20, 70))}).event
    halves = computed(**{**given_tables, "of_events": events((20, 20 + cut), (20 + cut, 70))}).event
    in_events = halves[(halves["event"] != "between") & (halves["plot"] == "P1")]
    expected = whole[(whole["event"] != "between") & (whole["plot"] == "P1")]
    assert_adds_up(in_events, expected)


def test_the_order_of_the_hours_does_not_matter():
    given_tables = invented(3)
    shuffled = given_tables["hours"].sample(frac=1, random_state=5)
    pd.testing.assert_frame_equal(computed(**{**given_tables, "hours": shuffled}).annual, computed(**given_tables).annual)


# Events


def test_an_event_holds_its_hours_from_start_to_before_its_end():
    event = computed(flow(np.ones(100)), of_events=events((10, 20), (50, 53))).event.set_index("event")
    assert event["hours"].to_dict() == {"2021-001": 10, "2021-002": 3, "between": 87}


def test_a_plot_without_events_has_all_its_water_between_them():
    hours = pd.concat([flow(np.ones(30)), flow(np.ones(30), "P2")])
    event = computed(hours, of_events=events((10, 20))).event
    assert event.loc[event["plot"] == "P2", ["event", "hours"]].values.tolist() == [["between", 30]]


# Bounds


def bounds(row: pd.Series, name: str) -> tuple[float, float]:
    """How far the bounds lie below and above the value, in litres or milligrams."""
    unit = {"volume_mm": 10_000, "load_kg_ha": 1e6}[name] * AREA_HA[row["plot"]]
    return (row[name] - row[f"{name}_p05"]) * unit, (row[f"{name}_p95"] - row[name]) * unit


def uncertain(net_l, half_width, basis):
    net = np.asarray(net_l, dtype=float)
    return flow(net, net_l_p05=net - half_width, net_l_p95=net + half_width, basis=basis)


def test_errors_of_metered_hours_add_linearly_over_the_year():
    # JCGM 100:2008, 5.2.2 note 1: errors that are fully correlated add linearly.
    hours = uncertain(np.full(8000, 10.0), 2.0, "measured")
    assert bounds(only(computed(hours).annual), "volume_mm") == pytest.approx((16_000, 16_000))


def test_errors_of_two_filled_stretches_add_in_quadrature():
    # JCGM 100:2008, 5.1.2: independent errors add in quadrature. By hand: 3 h and 4 h of 1 L each give 5 L.
    basis = ["from_weather"] * 3 + ["measured"] + ["from_neighbours"] * 4
    hours = uncertain(np.full(8, 10.0), np.where(np.array(basis) == "measured", 0.0, 1.0), basis)
    assert bounds(only(computed(hours).annual), "volume_mm") == pytest.approx((5, 5))


def test_a_long_filled_stretch_is_cut_into_blocks():
    # By hand: four blocks of B h with 1 L/h each are independent: B times the root of 4.
    hours = uncertain(np.full(4 * ERROR_BLOCK_HOURS, 10.0), 1.0, "from_weather")
    assert bounds(only(computed(hours).annual), "volume_mm")[0] == pytest.approx(2 * ERROR_BLOCK_HOURS)


def test_a_plots_filled_stretch_does_not_go_on_in_the_next_plot():
    # The first plot's record ends filled, the second's begins so. By hand: two whole blocks in the second.
    first = uncertain(np.full(100, 10.0), 1.0, "from_weather")
    second = uncertain(np.full(2 * ERROR_BLOCK_HOURS, 10.0), 1.0, "from_weather").assign(plot="P2")
    annual = computed(pd.concat([first, second])).annual
    assert bounds(annual.iloc[1], "volume_mm")[0] == pytest.approx(ERROR_BLOCK_HOURS * np.sqrt(2))


def test_flow_errors_carry_into_the_load_with_the_concentration():
    # By hand: 2 L and 2 L at 10 and 20 mg/L, one error: 60 mg.
    hours = uncertain([100.0, 100.0], 2.0, "measured")
    assert bounds(only(computed(hours, mg_l(hours, [10.0, 20.0])).annual), "load_kg_ha") == pytest.approx((60, 60))


@pytest.fixture
def no_laboratory_error():
    return SITE.model_copy(update={"policies": SITE.policies.model_copy(update={"laboratory_uncertainty_pct": 0.0})})


def test_interpolation_errors_are_common_between_two_results(no_laboratory_error):
    hours = flow(np.full(4, 10.0))
    result = computed(hours, mg_l(hours, 20.0, 1.0), results=sampled_at(0, 4), site=no_laboratory_error)
    assert bounds(only(result.annual), "load_kg_ha") == pytest.approx((40, 40))


def test_interpolation_errors_are_independent_beyond_a_result(no_laboratory_error):
    # By hand: 3 h and 4 h of 10 mg each, a result between them: 50 mg.
    hours = flow(np.full(7, 10.0))
    result = computed(hours, mg_l(hours, 20.0, 1.0), results=sampled_at(0, 3, 7), site=no_laboratory_error)
    assert bounds(only(result.annual), "load_kg_ha") == pytest.approx((50, 50))


def test_laboratory_errors_are_common_around_a_result():
    # 5 % expanded: 2.5 % times 1.645 of 20 mg/L in each hour. Half of the hours lie nearer to the first of two results, half
    # nearer to the second: by hand, 4 h each, times the root of 2.
    width = 20.0 * 0.025 * 1.6448536
    hours = flow(np.full(8, 10.0))
    result = computed(hours, mg_l(hours, 20.0, width), results=sampled_at(0, 8))
    assert bounds(only(result.annual), "load_kg_ha")[0] == pytest.approx(4 * 10 * width * np.sqrt(2), rel=1e-5)


def test_flow_and_concentration_errors_combine_in_quadrature(no_laboratory_error):
    # By hand: 3 L at 10 mg/L is 30 mg; 4 mg/L in 10 L is 40 mg; together 50 mg.
    hours = uncertain([10.0], 3.0, "measured")
    result = computed(hours, mg_l(hours, 10.0, 4.0), results=sampled_at(0), site=no_laboratory_error)
    assert bounds(only(result.annual), "load_kg_ha") == pytest.approx((50, 50))


def test_lopsided_bounds_stay_lopsided():
    hours = flow([10.0, 10.0], net_l_p05=[9.0, 9.0], net_l_p95=[13.0, 13.0])
    assert bounds(only(computed(hours).annual), "volume_mm") == pytest.approx((2, 6))


def test_backwater_turns_a_lopsided_concentration_over(no_laboratory_error):
    # The concentration is 10 mg/L, 1 lower or 3 higher; 10 L ran back: the load is -100 mg, 30 lower or 10 higher.
    hours = flow([-10.0])
    concentration = mg_l(hours, 10.0).assign(mg_l_p05=9.0, mg_l_p95=13.0)
    result = computed(hours, concentration, results=sampled_at(0), site=no_laboratory_error)
    assert bounds(only(result.annual), "load_kg_ha") == pytest.approx((30, 10))


def test_a_record_with_half_an_hour_in_its_offset_keeps_its_hours():
    site = SITE.model_copy(update={"utc_offset": timedelta(hours=5, minutes=30)})
    first = pd.Timestamp(site.water_year_period(YEAR)[0]).ceil("h")
    assert computed(flow(np.ones(50), first=first), site=site).daily["hours"].sum() == 50
