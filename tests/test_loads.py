"""Loads: everything adds up, nothing is hidden, and intervals are what errors that hours share, or do not share, give."""

import dataclasses
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.science.ensemble import ENSEMBLE_MEMBERS, seed_of, standard_normal_draws
from pipeline.site import OwnPeriod, Treatment, load_site
from pipeline.stages.concentration import ConcentrationEnsemble
from pipeline.stages.loads import Loads, loads
from pipeline.stages.period_loads import period_loads
from pipeline.tables import table

DEMO = load_site(Path(__file__).parents[1] / "configs" / "sedge-hollow")
SITE = DEMO.model_copy(
    update={"plots": DEMO.plots[:2], "first_day": date(2019, 10, 1), "last_day": date(2022, 9, 30)},
)
EXACT = SITE.model_copy(
    update={
        "calibrations": tuple(row.model_copy(update={"expanded_uncertainty_pct": 0.0}) for row in SITE.calibrations),
        "accuracy": tuple(row.model_copy(update={"error_pct": 0.0}) for row in SITE.accuracy),
    }
)
"""Meters without errors."""
AREA_HA = {plot.plot: plot.area_ha for plot in SITE.plots}
METER = {"P1": "E1", "P2": "E2"}
CALIBRATION = {(row.meter, row.direction): row.name for row in reversed(SITE.calibrations)}
YEAR = 2021
FIRST = pd.Timestamp(SITE.water_year_period(YEAR)[0])
HOUR = pd.Timedelta(hours=1)
TABLES = ("daily", "monthly", "annual", "event")
STANDARD_90 = 1.6448536
"""95th percentile of the standard normal distribution, from tables."""
NO_EVENTS = pd.DataFrame(
    {
        "plot": pd.Series(dtype="str"),
        "event": pd.Series(dtype="str"),
        "start": pd.Series(dtype="datetime64[us, UTC]"),
        "end": pd.Series(dtype="datetime64[us, UTC]"),
    }
)
NO_MEMBERS = pd.DataFrame(
    {
        "plot": pd.Series(dtype="str"),
        "hour_start": pd.Series(dtype="datetime64[us, UTC]"),
        "net_l": pd.Series(dtype="object"),
    }
)


def flow(net_l, plot="P1", first=FIRST, **columns) -> pd.DataFrame:
    """Hours of one plot from `first` on; everything metered unless said otherwise."""
    net = np.asarray(net_l, dtype=float)
    frame = pd.DataFrame(
        {
            "plot": plot,
            "hour_start": pd.date_range(first, periods=net.size, freq="h", unit="us"),
            "net_l": net,
            "basis": "measured",
            "measured_fraction": 1.0,
            "below_range_fraction": 0.0,
        }
    )
    return frame.assign(**columns)


def filled(net_l, plot="P1", first=FIRST) -> pd.DataFrame:
    return flow(net_l, plot, first, basis="from_weather", measured_fraction=0.0)


def metered(hours: pd.DataFrame, curve=0.0, pulse_l=0.0, **columns) -> pd.DataFrame:
    """What the meters said of these hours; the limit of their error as a share of the water."""
    part = hours["net_l"] * hours["measured_fraction"]
    some = hours["measured_fraction"] > 0
    meter = hours["plot"].map(METER)
    frame = hours[["plot", "hour_start"]].assign(
        meter=meter.where(some, None),
        calibration=meter.map(lambda name: CALIBRATION[name, "forward"]).where(some, None),
        reverse_calibration=meter.map(lambda name: CALIBRATION[name, "reverse"]).where(some, None),
        forward_l=part.clip(lower=0).where(some),
        reverse_l=(-part).clip(lower=0).where(some),
        measured_fraction=hours["measured_fraction"],
        below_range_fraction=hours["below_range_fraction"],
        error_curve_l=(part.abs() * curve).where(some),
        counting_l=np.where(some, pulse_l, np.nan),
    )
    return frame.assign(**columns)


def members_of(hours: pd.DataFrame, deviation) -> pd.DataFrame:
    """Members of hours that are not metered: their flow plus deviations of shape (members, hours)."""
    values = (hours["net_l"].to_numpy() + np.broadcast_to(deviation, (ENSEMBLE_MEMBERS, len(hours)))).T
    return hours[["plot", "hour_start"]].assign(net_l=pd.Series(list(values.astype(np.float32)), index=hours.index))


def ensemble(
    hours: pd.DataFrame,
    mg_l=10.0,
    deviation=0.0,
    laboratory=0.0,
    doubt=0.0,
    receiving=None,
    extrapolated=False,
    analyte="nitrate_n",
) -> ConcentrationEnsemble:
    """Concentration of one plot: mean, and deviations by member and hour that sampling, the laboratory and doubt about returning
    water make. `receiving` is the receiving water's concentration."""
    shape = (ENSEMBLE_MEMBERS, len(hours))
    mean = np.broadcast_to(np.asarray(mg_l, dtype=float), len(hours))
    back = np.flatnonzero(hours["net_l"].to_numpy() < 0)
    undoubted = np.broadcast_to(mean + deviation + laboratory, shape)
    returned = np.zeros(len(hours))
    returned[back] = 1.0
    without = np.broadcast_to(mean + deviation + doubt * returned, shape)
    members = (undoubted + doubt * returned).astype(np.float32)
    return ConcentrationEnsemble(
        plot=hours["plot"].iloc[0],
        analyte=analyte,
        hour_start=hours["hour_start"].reset_index(drop=True),
        mg_l=mean,
        members=members,
        members_without_laboratory=without.astype(np.float32),
        basis=np.full(len(hours), "no_results" if np.isnan(mean).all() else "sampled", dtype=object),
        extrapolated=np.broadcast_to(extrapolated, len(hours)),
        backward=back,
        as_left=members[:, back],
        as_left_undoubted=undoubted[:, back].astype(np.float32),
        receiving_water=None if receiving is None else np.full((ENSEMBLE_MEMBERS, back.size), receiving, np.float32),
    )


def ensembles(hours: pd.DataFrame, **given) -> list[ConcentrationEnsemble]:
    return [ensemble(of_plot, **given) for _, of_plot in hours.groupby("plot", sort=True)]


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


def computed(
    hours, concentrations=None, of_meters=None, flow_members=NO_MEMBERS, of_events=NO_EVENTS, site=EXACT, year=YEAR
) -> Loads:
    return loads(
        ensembles(hours) if concentrations is None else concentrations,
        hours,
        metered(hours) if of_meters is None else of_meters,
        flow_members,
        of_events,
        site,
        year,
    )


def only(frame: pd.DataFrame) -> pd.Series:
    assert len(frame) == 1
    return frame.iloc[0]


def draws(*names: str, count: int = 1) -> np.ndarray:
    return standard_normal_draws(seed_of("test", *names), count)


def invented(seed: int, hours: int = 900) -> dict:
    """Two plots with backwater, gaps, events, everything uncertain."""
    generator = np.random.default_rng(seed)
    flows, concentrations, members = [], [], []
    for plot in ("P1", "P2"):
        share = np.repeat(generator.choice([0.0, 0.3, 1.0], hours // 40 + 1), 40)[:hours]
        of_plot = flow(
            generator.normal(300, 600, hours).round(1),
            plot,
            basis=np.where(share < 0.5, "from_neighbours", "measured"),
            measured_fraction=share,
            below_range_fraction=generator.uniform(0, 1, hours) * (share > 0),
        )
        flows.append(of_plot)
        gaps = of_plot[share < 0.5]
        members.append(members_of(gaps, 30 * generator.standard_normal((ENSEMBLE_MEMBERS, len(gaps)))))
        shape = (ENSEMBLE_MEMBERS, hours)
        concentrations.append(
            ensemble(
                of_plot,
                generator.uniform(5, 20, hours),
                generator.uniform(-2, 2, shape),
                generator.uniform(-1, 1, shape),
                generator.uniform(size=hours) < 0.1,
            )
        )
    all_hours = pd.concat(flows, ignore_index=True)
    edges = np.sort(generator.choice(np.arange(1, hours), 8, replace=False))
    return {
        "hours": all_hours,
        "of_meters": metered(all_hours, 0.05, 5.0),
        "flow_members": pd.concat(members, ignore_index=True),
        "concentrations": concentrations,
        "of_events": pd.concat([events(*zip(edges[::2], edges[1::2], strict=True), plot=plot) for plot in ("P1", "P2")]),
        "site": SITE,
    }


# Shape


ALL_TABLES = {
    "concentration": "concentration",
    **{kind: f"loads_{kind}" for kind in (*TABLES, "treatment")},
    "members": "load_members",
    "budget": "uncertainty_budget",
}


@pytest.mark.parametrize("kind", ALL_TABLES)
def test_columns_are_those_of_the_declaration(kind):
    assert tuple(getattr(computed(flow(np.ones(30))), kind).columns) == table(ALL_TABLES[kind]).names


@pytest.mark.parametrize("kind", ALL_TABLES)
def test_every_key_stands_once(kind):
    frame = getattr(computed(**invented(1)), kind)
    assert len(frame)
    assert not frame.duplicated(list(table(ALL_TABLES[kind]).key)).any()


@pytest.mark.parametrize("kind", ALL_TABLES)
def test_no_hours_give_no_rows(kind):
    assert len(getattr(computed(flow(np.ones(3)).iloc[:0], []), kind)) == 0


def test_days_are_days_of_the_sites_standard_time():
    # The water year begins at midnight, six hours behind UTC.
    daily = computed(flow(np.ones(48))).daily
    assert daily["date"].tolist() == [date(2020, 10, 1), date(2020, 10, 2)]
    assert daily["hours"].tolist() == [24, 24]


def test_months_are_months_of_the_sites_standard_time():
    monthly = computed(flow(np.ones(31 * 24 + 1))).monthly
    assert monthly[["month", "hours"]].values.tolist() == [["2020-10", 744], ["2020-11", 1]]


def test_hours_before_the_first_and_after_the_last_day_do_not_count():
    site = EXACT.model_copy(update={"first_day": date(2020, 10, 2), "last_day": date(2020, 10, 3)})
    assert only(computed(flow(np.ones(120)), site=site).annual)["hours"] == 48


def test_hours_of_another_water_year_do_not_count():
    assert only(computed(flow(np.ones(120), first=FIRST - 20 * HOUR)).annual)["hours"] == 100


def test_a_record_with_half_an_hour_in_its_offset_keeps_its_hours():
    site = EXACT.model_copy(update={"utc_offset": timedelta(hours=5, minutes=30)})
    first = pd.Timestamp(site.water_year_period(YEAR)[0]).ceil("h")
    assert computed(flow(np.ones(50), first=first), site=site).daily["hours"].sum() == 50


# Volumes and loads


def test_depth_and_load_are_those_of_a_hand_calculation():
    # By hand: 100 h of 500 L at 12 mg/L are 50,000 L and 600 g.
    hours = flow(np.full(100, 500.0))
    annual = only(computed(hours, ensembles(hours, mg_l=12.0)).annual)
    assert annual["volume_mm"] == pytest.approx(50_000 / 10_000 / AREA_HA["P1"])
    assert annual["load_kg_ha"] == pytest.approx(0.6 / AREA_HA["P1"])


def test_water_that_comes_back_and_leaves_again_is_counted_once():
    annual = only(computed(flow([100.0, -100.0, 100.0])).annual)
    assert annual["load_kg_ha"] == pytest.approx(100 * 10 / 1e6 / AREA_HA["P1"])


def test_what_ran_back_stands_beside_the_load():
    # By hand: of 100 L out, 30 L back, 50 L out at 10 mg/L, the 30 L carried 300 mg back.
    annual = only(computed(flow([100.0, -30.0, 50.0])).annual)
    assert annual["load_backward_kg_ha"] == pytest.approx(-300 / 1e6 / AREA_HA["P1"])
    assert annual["volume_backward_mm"] == pytest.approx(-30 / 1e4 / AREA_HA["P1"])


def test_the_load_stands_under_both_policies_about_water_that_runs_back():
    # By hand: 100 L at 10 mg/L out; 30 L back, at 10 mg/L as it left, at 4 mg/L as receiving water.
    hours = flow([100.0, -30.0])
    annual = only(computed(hours, ensembles(hours, receiving=4.0)).annual)
    assert annual["load_kg_ha"] == annual["load_as_left_kg_ha"]
    assert annual["load_as_left_kg_ha"] == pytest.approx(700 / 1e6 / AREA_HA["P1"])
    assert annual["load_receiving_water_kg_ha"] == pytest.approx(880 / 1e6 / AREA_HA["P1"])


def test_without_samples_of_receiving_water_its_policy_tells_nothing():
    assert np.isnan(only(computed(flow([100.0, -30.0])).annual)["load_receiving_water_kg_ha"])


def test_a_backwater_day_has_a_negative_volume_and_load():
    daily = only(computed(flow(np.full(24, -5.0))).daily)
    assert daily["volume_mm"] < 0
    assert daily["load_kg_ha"] < 0


def test_the_flow_weighted_mean_is_the_mean_weighted_by_flow():
    hours = flow([1.0, 3.0, 2.0])
    annual = only(computed(hours, ensembles(hours, mg_l=[4.0, 8.0, 10.0])).annual)
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


def test_water_at_flows_never_sampled_is_extrapolated():
    hours = flow([30.0, -10.0])
    annual = only(computed(hours, ensembles(hours, extrapolated=[False, True])).annual)
    assert annual["share_extrapolated"] == pytest.approx(0.25)


def test_where_nothing_flowed_there_are_no_shares():
    annual = only(computed(flow([0.0, 0.0])).annual)
    assert annual[["share_measured", "share_filled", "share_below_range", "share_extrapolated"]].isna().all()


def test_missing_days_are_the_share_of_hours_without_a_metered_record():
    hours = flow(np.ones(10), measured_fraction=[1.0] * 7 + [0.5, 0.0, 0.0])
    assert only(computed(hours).annual)["missing_days_pct"] == pytest.approx(25.0)


# What is not known

NUMBERS = ["volume_mm", "volume_mm_p05", "volume_mm_p95", "load_kg_ha", "load_kg_ha_p05", "load_kg_ha_p95"]


def with_an_unfilled_hour() -> pd.DataFrame:
    return flow([1.0, np.nan, 3.0], basis=["measured", "unfilled", "measured"], measured_fraction=[1.0, 0.0, 1.0])


def test_an_unfilled_hour_empties_its_own_periods_only():
    net = np.array([1.0] * 30)
    net[25] = np.nan
    daily = computed(flow(net, basis=np.where(np.isnan(net), "unfilled", "measured"))).daily
    assert daily["unfilled_hours"].tolist() == [0, 1]
    assert daily["volume_mm"].isna().tolist() == [False, True]


@pytest.mark.parametrize("kind", TABLES)
def test_no_number_stands_on_an_unfilled_hour(kind):
    frame = getattr(computed(with_an_unfilled_hour()), kind)
    assert frame[[*NUMBERS, "flow_weighted_mg_l"]].isna().all(axis=None)


@pytest.mark.parametrize("kind", TABLES)
def test_an_unfilled_hour_is_named_as_the_reason(kind):
    assert set(getattr(computed(with_an_unfilled_hour()), kind)["why_empty"]) == {"unfilled_hours"}


def test_the_partial_sum_over_known_hours_stands_beside_an_empty_load():
    annual = only(computed(with_an_unfilled_hour()).annual)
    assert annual["volume_known_mm"] == pytest.approx(4 / 1e4 / AREA_HA["P1"])
    assert annual["load_known_kg_ha"] == pytest.approx(40 / 1e6 / AREA_HA["P1"])


def test_where_no_hour_is_known_there_is_no_partial_sum():
    hours = flow([np.nan, np.nan], basis="unfilled", measured_fraction=0.0)
    assert only(computed(hours).annual)[["volume_known_mm", "load_known_kg_ha"]].isna().all()


def test_an_analyte_without_results_has_an_explained_empty_load():
    hours = flow(np.ones(5))
    annual = only(computed(hours, ensembles(hours, mg_l=np.nan)).annual)
    assert annual[["load_kg_ha", "load_kg_ha_p05", "load_known_kg_ha", "flow_weighted_mg_l"]].isna().all()
    assert annual["why_empty"] == "no_results"
    assert annual["volume_mm"] > 0


def test_both_reasons_are_given():
    hours = with_an_unfilled_hour()
    assert only(computed(hours, ensembles(hours, mg_l=np.nan)).annual)["why_empty"] == "unfilled_hours_and_no_results"


def test_one_analyte_without_results_does_not_empty_another():
    site = EXACT.model_copy(update={"analytes": ("nitrate_n", "total_p")})
    hours = flow(np.ones(5))
    both = [*ensembles(hours), *ensembles(hours, mg_l=np.nan, analyte="total_p")]
    annual = computed(hours, both, site=site).annual.set_index("analyte")
    assert annual["load_kg_ha"].isna().to_dict() == {"nitrate_n": False, "total_p": True}


def test_a_known_load_gives_no_reason():
    assert only(computed(flow(np.ones(5))).annual)["why_empty"] is None


def test_a_load_that_is_not_known_has_no_budget():
    assert computed(with_an_unfilled_hour()).budget.empty


# Identities

seeds = st.integers(0, 2**32 - 1)
ADDITIVE = ["hours", "volume_mm", "load_kg_ha", "unfilled_hours"]


def assert_adds_up(parts: pd.DataFrame, whole: pd.DataFrame) -> None:
    summed = parts.groupby(["plot", "analyte"])[ADDITIVE].sum()
    pd.testing.assert_frame_equal(summed, whole.set_index(["plot", "analyte"])[ADDITIVE], rtol=1e-9, atol=1e-9)


@settings(max_examples=5, deadline=None)
@given(seeds)
def test_days_months_and_events_add_up_to_the_year(seed):
    result = computed(**invented(seed))
    for parts in (result.daily, result.monthly, result.event):
        assert_adds_up(parts, result.annual)


@settings(max_examples=5, deadline=None)
@given(seeds)
def test_days_add_up_to_months(seed):
    result = computed(**invented(seed))
    month = result.daily["date"].map(lambda day: day.strftime("%Y-%m"))
    for name, days in result.daily.groupby(month):
        assert_adds_up(days, result.monthly[result.monthly["month"] == name])


@settings(max_examples=5, deadline=None)
@given(seeds)
def test_flow_times_concentration_summed_over_hours_is_the_load(seed):
    made = invented(seed)
    result = computed(**made)
    rows = made["hours"].merge(result.concentration, on=["plot", "hour_start"])
    milligrams = (rows["net_l"] * rows["mg_l"]).groupby(rows["plot"]).sum()
    annual = result.annual.set_index("plot")["load_kg_ha"]
    for plot, area in AREA_HA.items():
        assert annual[plot] == pytest.approx(milligrams[plot] / 1e6 / area, rel=1e-9)


@settings(max_examples=5, deadline=None)
@given(seeds)
def test_measured_and_filled_shares_make_up_the_whole(seed):
    result = computed(**invented(seed))
    for kind in TABLES:
        frame = getattr(result, kind)
        np.testing.assert_allclose(frame["share_measured"] + frame["share_filled"], 1.0, atol=1e-9)


@settings(max_examples=5, deadline=None)
@given(seeds)
def test_bounds_enclose_the_value(seed):
    result = computed(**invented(seed))
    for kind in TABLES:
        frame = getattr(result, kind)
        for name in ("volume_mm", "load_kg_ha"):
            assert (frame[f"{name}_p05"] <= frame[name]).all()
            assert (frame[name] <= frame[f"{name}_p95"]).all()


@settings(max_examples=5, deadline=None)
@given(seeds, st.sampled_from([0.01, 0.3, 7.0, 100.0]))
def test_scaling_concentrations_scales_loads_and_their_bounds(seed, k):
    made = invented(seed)
    one = computed(**made).annual
    scaled = [
        dataclasses.replace(
            of_plot,
            mg_l=of_plot.mg_l * k,
            members=of_plot.members * np.float32(k),
            members_without_laboratory=of_plot.members_without_laboratory * np.float32(k),
        )
        for of_plot in made["concentrations"]
    ]
    many = computed(**{**made, "concentrations": scaled}).annual
    for name in ("load_kg_ha", "load_kg_ha_p05", "load_kg_ha_p95"):
        # Members are in single precision.
        np.testing.assert_allclose(many[name], one[name] * k, rtol=1e-5)


@settings(max_examples=5, deadline=None)
@given(seeds, st.integers(1, 49))
def test_an_event_cut_in_two_adds_up(seed, cut):
    made = invented(seed, hours=200)
    whole = computed(**{**made, "of_events": events((20, 70))}).event
    halves = computed(**{**made, "of_events": events((20, 20 + cut), (20 + cut, 70))}).event
    in_events = halves[(halves["event"] != "between") & (halves["plot"] == "P1")]
    expected = whole[(whole["event"] != "between") & (whole["plot"] == "P1")]
    assert_adds_up(in_events, expected)


def test_the_order_of_rows_does_not_matter():
    made = invented(3)
    shuffled = {name: made[name].sample(frac=1, random_state=5) for name in ("hours", "of_meters", "flow_members")}
    again = computed(**{**made, **shuffled, "concentrations": made["concentrations"][::-1]})
    pd.testing.assert_frame_equal(again.annual, computed(**made).annual)


def test_one_plots_loads_do_not_depend_on_which_others_there_are():
    made = invented(4)
    alone = {name: made[name][made[name]["plot"] == "P1"] for name in ("hours", "of_meters", "flow_members", "of_events")}
    together = computed(**made).annual
    by_itself = computed(**{**made, **alone, "concentrations": made["concentrations"][:1]}).annual
    pd.testing.assert_frame_equal(by_itself, together[together["plot"] == "P1"])


# Events


def test_an_event_holds_its_hours_from_start_to_before_its_end():
    event = computed(flow(np.ones(100)), of_events=events((10, 20), (50, 53))).event.set_index("event")
    assert event["hours"].to_dict() == {"2021-001": 10, "2021-002": 3, "between": 87}


def test_a_plot_without_events_has_all_its_water_between_them():
    hours = pd.concat([flow(np.ones(30)), flow(np.ones(30), "P2")])
    event = computed(hours, of_events=events((10, 20))).event
    assert event.loc[event["plot"] == "P2", ["event", "hours"]].values.tolist() == [["between", 30]]


# Intervals: errors that are common, errors that are not


def half_width(row: pd.Series, name: str) -> float:
    """Mean half-width of a 90 % interval, in litres or milligrams."""
    unit = {"volume_mm": 10_000, "load_kg_ha": 1e6}[name] * AREA_HA[row["plot"]]
    return (row[f"{name}_p95"] - row[f"{name}_p05"]) / 2 * unit


def with_calibrations(site, forward_pct, reverse_pct=0.0):
    """The site with other expanded uncertainties of its calibrations."""
    pct = {"forward": forward_pct, "reverse": reverse_pct}
    rows = tuple(row.model_copy(update={"expanded_uncertainty_pct": pct[row.direction]}) for row in site.calibrations)
    return site.model_copy(update={"calibrations": rows})


@pytest.mark.parametrize("count", [10, 3000])
def test_the_error_of_a_calibration_does_not_average_out(count):
    # JCGM 100:2008, 5.2.2 note 1: errors that are fully correlated add linearly. 4 % expanded are a standard uncertainty of 2 %.
    annual = only(computed(flow(np.full(count, 100.0)), site=with_calibrations(EXACT, 4.0)).annual)
    assert half_width(annual, "volume_mm") == pytest.approx(0.02 * STANDARD_90 * 100 * count, rel=0.02)


@pytest.mark.parametrize("count", [10, 3000])
def test_independent_errors_of_hours_average_out(count):
    # JCGM 100:2008, 5.1.2: independent errors add in quadrature. 200 members tell a half-width within some 10 %.
    hours = filled(np.full(count, 100.0))
    members = members_of(hours, 5 * draws("hours", count=count))
    annual = only(computed(hours, flow_members=members).annual)
    assert half_width(annual, "volume_mm") == pytest.approx(5 * STANDARD_90 * np.sqrt(count), rel=0.2)


def test_forward_and_reverse_calibrations_err_apart():
    # By hand: 1000 L forth at 3 % and 500 L back at 8 % standard uncertainty are 30 L and 40 L, together 50 L.
    hours = flow([1000.0, -500.0])
    annual = only(computed(hours, site=with_calibrations(EXACT, 6.0, 16.0)).annual)
    assert half_width(annual, "volume_mm") == pytest.approx(50 * STANDARD_90, rel=0.12)


def test_an_hour_with_both_directions_has_both_errors():
    # 1000 L forth and 500 L back in one hour: its net of 500 L is as uncertain as the two hours above.
    hours = flow([500.0])
    of_meters = metered(hours, forward_l=1000.0, reverse_l=500.0)
    annual = only(computed(hours, of_meters=of_meters, site=with_calibrations(EXACT, 6.0, 16.0)).annual)
    assert half_width(annual, "volume_mm") == pytest.approx(50 * STANDARD_90, rel=0.12)


def test_a_filled_hour_has_the_error_of_the_calibration_in_force():
    # What fills a gap was learned from the same meter: the error is the same as if all had been metered.
    site = with_calibrations(EXACT, 4.0)
    hours = pd.concat([flow(np.full(10, 100.0)), filled(np.full(30, 100.0), first=FIRST + 10 * HOUR)], ignore_index=True)
    annual = only(computed(hours, flow_members=members_of(hours[10:], 0.0), site=site).annual)
    assert half_width(annual, "volume_mm") == pytest.approx(0.02 * STANDARD_90 * 4000, rel=0.02)


def test_two_calibrations_err_independently():
    # The meter of P1 was proved anew on 2021-02-16. By hand: 300 L and 400 L at 2 %, 6 L and 8 L, are 10 L.
    before = filled([300.0], first=pd.Timestamp("2021-02-14T12:00Z"))
    after = filled([400.0], first=pd.Timestamp("2021-02-18T12:00Z"))
    hours = pd.concat([before, after], ignore_index=True)
    annual = only(computed(hours, flow_members=members_of(hours, 0.0), site=with_calibrations(EXACT, 4.0)).annual)
    assert half_width(annual, "volume_mm") == pytest.approx(10 * STANDARD_90, rel=0.12)


def test_a_calibration_is_in_force_from_its_first_hour_on():
    # 300 L and 400 L, both under the calibration of 2021-02-16: one error of 2 %, 14 L (10 L, were they two). A stratum of the draws
    # is 0.05 standard deviations wide at the 95th percentile (0.005 over the density there), 3 % of it.
    hours = pd.concat(
        [
            filled([300.0], first=pd.Timestamp("2021-02-16T06:00Z")),
            filled([400.0], first=pd.Timestamp("2021-02-18T12:00Z")),
        ],
        ignore_index=True,
    )
    annual = only(computed(hours, flow_members=members_of(hours, 0.0), site=with_calibrations(EXACT, 4.0)).annual)
    assert half_width(annual, "volume_mm") == pytest.approx(14 * STANDARD_90, rel=0.04)


def test_the_error_curve_is_one_rectangular_error_of_the_meter():
    # JCGM 100:2008, 4.3.7: 90 % of a rectangular distribution lie within 0.9 of its limit. 100 h of 100 L at 5 %: 500 L.
    hours = flow(np.full(100, 100.0))
    annual = only(computed(hours, of_meters=metered(hours, curve=0.05)).annual)
    assert half_width(annual, "volume_mm") == pytest.approx(0.9 * 500, rel=0.02)


WITH_CURVES = EXACT.model_copy(update={"accuracy": SITE.accuracy})
"""Meters without errors of calibration, with the curve of accuracy.csv: 1 % at 20 L/min, 12 % at 2 L/min."""


def test_estimated_water_has_the_error_of_the_curve_at_its_rate():
    # 1200 L/h are 20 L/min, where the curve of P1's meter has 1 %; 90 % of a rectangular distribution lie within 0.9 of its limit.
    hours = filled(np.full(10, 1200.0))
    annual = only(computed(hours, flow_members=members_of(hours, 0.0), site=WITH_CURVES).annual)
    assert half_width(annual, "volume_mm") == pytest.approx(0.9 * 0.01 * 12_000, rel=0.02)


def test_what_was_estimated_of_an_hour_ran_in_the_time_that_was_not_metered():
    # A quarter of the hour was metered without error; 900 L in the rest of it are 20 L/min, with 1 %.
    hours = flow([1200.0], basis="from_weather", measured_fraction=0.25)
    annual = only(computed(hours, flow_members=members_of(hours, 0.0), site=WITH_CURVES).annual)
    assert half_width(annual, "volume_mm") == pytest.approx(0.9 * 0.01 * 900, rel=0.02)


def test_a_meter_that_reads_too_much_does_so_both_ways():
    hours = flow([100.0, -100.0])
    annual = only(computed(hours, of_meters=metered(hours, curve=0.05)).annual)
    assert half_width(annual, "volume_mm") == pytest.approx(0.0, abs=1e-3)


def test_counting_fades_in_long_sums():
    # What is uncounted at the start and at the end lies anywhere within half a pulse each; 90 % of the difference of two such errors
    # (triangular, JCGM 100:2008, 4.3.9) lie within 1 - sqrt(0.1) of a pulse, by hand.
    hours = flow(np.full(2000, 100.0))
    annual = only(computed(hours, of_meters=metered(hours, pulse_l=8.0)).annual)
    assert half_width(annual, "volume_mm") == pytest.approx(8 * (1 - np.sqrt(0.1)), rel=0.15)


def test_counting_begins_anew_after_a_gap():
    # Two stretches: the variances of both add up, so that the half-width grows by about the root of two.
    hours = pd.concat(
        [flow(np.ones(50)), filled(np.ones(1), first=FIRST + 50 * HOUR), flow(np.ones(50), first=FIRST + 51 * HOUR)]
    )
    annual = only(computed(hours, of_meters=metered(hours, pulse_l=8.0)).annual)
    assert half_width(annual, "volume_mm") == pytest.approx(np.sqrt(2) * STANDARD_90 * 8 / np.sqrt(6), rel=0.15)


def test_a_detected_outage_has_no_error_of_the_meter():
    # The meter said 0 while water ran: the hour is filled, and what it said is no part of it.
    hours = filled([100.0])
    of_meters = metered(hours, meter="E1", calibration=CALIBRATION["E1", "forward"], forward_l=0.0, reverse_l=0.0,
                        measured_fraction=1.0, error_curve_l=0.0, counting_l=8.0)  # fmt: skip
    annual = only(computed(hours, of_meters=of_meters, flow_members=members_of(hours, 0.0)).annual)
    assert half_width(annual, "volume_mm") == pytest.approx(0.0, abs=1e-3)


def test_members_add_up_as_the_law_of_propagation_says():
    # Flow: 2 % common to all measured hours; a gap with an error common to it; concentration: one error before the middle, another
    # after it. First-order sums by science/uncertainty.py (JCGM 100:2008, 5.1.2, 5.2.2), which knows no members.
    site = with_calibrations(EXACT, 4.0)
    net = np.linspace(500, 1500, 400)
    hours = flow(net)
    gap = slice(150, 250)
    hours.loc[gap.start : gap.stop - 1, ["basis", "measured_fraction"]] = ["from_weather", 0.0]
    mean = np.linspace(8, 14, 400)
    by_half = np.repeat([0, 1], 200)
    concentrations = [ensemble(hours, mean, 0.5 * draws("concentration", count=2)[:, by_half])]
    members = members_of(hours[gap], 60 * draws("gap"))
    annual = only(computed(hours, concentrations, flow_members=members, site=site).annual)

    everything = np.zeros(400, dtype=int)
    in_gap = np.zeros(400)
    in_gap[gap] = 60
    # JCGM 100:2008, 5.1.2 and 5.2.2 (note 1): within a block errors add linearly, blocks in quadrature.
    parts = [
        np.sqrt(np.square(np.bincount(block, weights=width)).sum())
        for width, block in (
            (0.02 * net * mean, everything),
            (in_gap * mean, everything),
            (0.5 * net, by_half),
        )
    ]
    expected = STANDARD_90 * np.sqrt(np.square(parts).sum())
    assert half_width(annual, "load_kg_ha") == pytest.approx(expected, rel=0.1)


def test_an_interval_lies_about_the_reported_load():
    # Members that are all 3 mg/L too high by chance: the interval is that of their spread about the reported load.
    hours = flow(np.full(10, 100.0))
    spread = draws("spread")
    plain = only(computed(hours, [ensemble(hours, 10.0, spread)]).annual)
    moved = only(computed(hours, [ensemble(hours, 10.0, spread + 3.0)]).annual)
    assert moved["load_kg_ha_p05"] == pytest.approx(plain["load_kg_ha_p05"], rel=1e-5)
    assert moved["load_kg_ha_p95"] == pytest.approx(plain["load_kg_ha_p95"], rel=1e-5)


def test_lopsided_members_give_lopsided_bounds():
    # Exponential errors less their mean of one: 5 % lie below -ln 0.95 - 1, 5 % above -ln 0.05 - 1; by hand.
    hours = filled(np.full(10, 100.0))
    quantiles = -np.log1p(-(np.arange(ENSEMBLE_MEMBERS) + 0.5) / ENSEMBLE_MEMBERS) - 1
    members = members_of(hours, (quantiles - quantiles.mean())[:, np.newaxis] * 10)
    annual = only(computed(hours, flow_members=members).annual)
    litres = 1e4 * AREA_HA["P1"]
    assert (annual["volume_mm"] - annual["volume_mm_p05"]) * litres == pytest.approx(-100 * (-np.log(0.95) - 1), rel=0.03)
    assert (annual["volume_mm_p95"] - annual["volume_mm"]) * litres == pytest.approx(100 * (-np.log(0.05) - 1), rel=0.03)


# Budget


def shares(result: Loads) -> dict[str, float]:
    return result.budget.set_index("source")["variance_share"].to_dict()


def one_source(source: str) -> Loads:
    """A year in which a single source errs."""
    hours = flow([100.0, 100.0])
    if source == "calibration":
        return computed(hours, site=with_calibrations(EXACT, 4.0))
    if source == "error_curve":
        return computed(hours, of_meters=metered(hours, curve=0.05))
    if source == "below_range":
        hours = hours.assign(basis="measured_below_range", below_range_fraction=1.0)
        return computed(hours, of_meters=metered(hours, curve=0.05))
    if source == "counting":
        return computed(hours, of_meters=metered(hours, pulse_l=8.0))
    if source == "gap_filling":
        hours = filled([100.0, 100.0])
        return computed(hours, flow_members=members_of(hours, 10 * draws("gap")))
    if source == "laboratory":
        return computed(hours, [ensemble(hours, laboratory=draws("laboratory"))])
    if source == "backward_water":
        hours = flow([100.0, -50.0])
        return computed(hours, [ensemble(hours, doubt=draws("returning water"))])
    return computed(hours, [ensemble(hours, deviation=draws("line"))])


@pytest.mark.parametrize("source", table("uncertainty_budget").column("source").codes)
def test_a_source_that_errs_alone_has_all_of_the_variance(source):
    found = shares(one_source(source))
    assert found.pop(source) == pytest.approx(1.0)
    assert list(found.values()) == pytest.approx([0.0] * len(found), abs=1e-9)


@settings(max_examples=5, deadline=None)
@given(seeds)
def test_shares_of_variance_make_up_the_whole(seed):
    totals = computed(**invented(seed)).budget.groupby("plot")["variance_share"].sum()
    np.testing.assert_allclose(totals, 1.0, atol=1e-12)


def test_what_concentration_has_from_flow_that_is_not_known_is_the_gaps_doing():
    hours = filled([100.0, 100.0])
    moved = 10 * draws("gap")
    followed = np.broadcast_to(np.exp(-moved / 50), (ENSEMBLE_MEMBERS, 2)).astype(np.float32)
    given = ensemble(hours)
    given = dataclasses.replace(given, members=10 * followed, members_without_laboratory=10 * followed, followed=followed)
    made = computed(hours, [given], flow_members=members_of(hours, moved))
    assert shares(made)["gap_filling"] == pytest.approx(1.0)
    loads = ((100 + moved) * 10 * followed).sum(axis=1) / 1e6 / AREA_HA["P1"]
    sd = made.budget.set_index("source")["sd_kg_ha"]["gap_filling"]
    assert sd == pytest.approx(loads.std(), rel=0.05)


def test_standard_deviations_are_in_kg_per_ha():
    # By hand: 2 % of 200 L at 10 mg/L are 40 mg.
    budget = one_source("calibration").budget.set_index("source")["sd_kg_ha"]
    assert budget["calibration"] == pytest.approx(40 / 1e6 / AREA_HA["P1"], rel=0.05)


def test_receiving_water_in_use_is_what_is_not_known_of_returning_water():
    hours = flow([100.0, -50.0])
    site = EXACT.model_copy(update={"policies": EXACT.policies.model_copy(update={"backward_water": "receiving_water"})})
    given = ensemble(hours, receiving=4.0)
    outside = (4.0 + draws("outside")).astype(np.float32)
    members = given.members.copy()
    members[:, given.backward] = outside
    given = dataclasses.replace(
        given, members=members, members_without_laboratory=members, receiving_water=outside, mg_l=np.array([10.0, 4.0])
    )
    assert shares(computed(hours, [given], site=site))["backward_water"] == pytest.approx(1.0)


def test_below_range_and_within_share_out_one_error():
    # One error of 5 % in all hours: two thirds of the water are within the range, and make up two thirds of the variance of both.
    hours = flow([100.0, 100.0, 100.0], basis=["measured", "measured", "measured_below_range"])
    found = shares(computed(hours, of_meters=metered(hours, curve=0.05)))
    assert (found["error_curve"], found["below_range"]) == pytest.approx((2 / 3, 1 / 3), rel=1e-6)


def test_estimated_water_that_ran_slowly_is_below_range():
    # 120 L/h are 2 L/min, where the curve has 12 %, beyond the tolerance of 5 %.
    hours = filled([120.0])
    found = shares(computed(hours, flow_members=members_of(hours, 0.0), site=WITH_CURVES))
    assert found["below_range"] == pytest.approx(1.0)


def test_a_year_without_any_error_has_no_shares():
    assert computed(flow([1.0, 2.0])).budget["variance_share"].isna().all()


# Treatments


def treated(*rows):
    return EXACT.model_copy(update={"treatments": tuple(Treatment(line=0, **row) for row in rows)})


def treatment(plot, name, start="2019-10-01", end=None) -> dict:
    at = {"start": pd.Timestamp(f"{start}T06:00Z").to_pydatetime()}
    return {"plot": plot, "treatment": name, **at, "end": end and pd.Timestamp(f"{end}T06:00Z").to_pydatetime()}


def test_a_treatments_load_is_the_mean_of_its_plots_weighted_by_area():
    hours = pd.concat([flow(np.full(10, 100.0)), flow(np.full(10, 300.0), "P2")], ignore_index=True)
    row = only(computed(hours, site=treated(treatment("P1", "free"), treatment("P2", "free"))).treatment)
    assert row["plots"] == 2
    assert row["load_kg_ha"] == pytest.approx((100 + 300) * 10 * 10 / 1e6 / sum(AREA_HA.values()))
    assert row["hours"] == 20


def test_plots_of_different_treatments_are_not_mixed():
    hours = pd.concat([flow(np.full(10, 100.0)), flow(np.full(10, 300.0), "P2")], ignore_index=True)
    result = computed(hours, site=treated(treatment("P1", "free"), treatment("P2", "raised outlet")))
    by_plot = result.annual.set_index("plot")["load_kg_ha"]
    by_treatment = result.treatment.set_index("treatment")["load_kg_ha"]
    assert by_treatment.tolist() == pytest.approx([by_plot["P1"], by_plot["P2"]])


def test_a_change_within_the_year_cuts_the_year():
    rows = [treatment("P1", "free", end="2020-10-03"), treatment("P1", "raised outlet", start="2020-10-03")]
    found = computed(flow(np.ones(100)), site=treated(*rows)).treatment
    assert found[["treatment", "hours"]].values.tolist() == [["free", 48], ["raised outlet", 52]]


def test_errors_of_different_meters_shrink_in_a_mean_of_plots():
    # Two plots with the same relative error, independent: the mean's is smaller by the root of the sum of squared weights.
    hours = pd.concat([flow(np.full(10, 100.0)), flow(np.full(10, 100.0), "P2")], ignore_index=True)
    site = with_calibrations(treated(treatment("P1", "free"), treatment("P2", "free")), 4.0)
    row = only(computed(hours, site=site).treatment)
    relative = (row["volume_mm_p95"] - row["volume_mm_p05"]) / 2 / row["volume_mm"]
    assert relative == pytest.approx(0.02 * STANDARD_90 / np.sqrt(2), rel=0.12)


# Quarters, and periods of site.yaml


def years_of(site, *years, net=100.0, **given) -> dict[int, Loads]:
    """Whole water years of one plot."""
    made = {}
    for year in years:
        first, after = site.water_year_period(year)
        hours = flow(np.full(int((after - first) / timedelta(hours=1)), net), first=pd.Timestamp(first))
        made[year] = computed(hours, site=site, year=year, **given)
    return made


def of_years(made: dict[int, Loads], site, year) -> tuple[pd.DataFrame, pd.DataFrame]:
    return period_loads(pd.concat([result.members for result in made.values()], ignore_index=True), site, year)


@pytest.fixture(scope="module")
def two_years():
    site = with_calibrations(EXACT, 4.0).model_copy(
        update={
            "periods": (
                OwnPeriod(name="before", start=date(2020, 3, 1), end=date(2020, 11, 14)),
                OwnPeriod(name="spring", start=date(2021, 3, 1), end=date(2021, 6, 1)),
                OwnPeriod(name="all", start=date(2019, 1, 1)),
            )
        }
    )
    return site, years_of(site, 2020, 2021)


def test_a_quarter_across_the_years_end_is_whole_in_the_year_in_which_it_ends(two_years):
    site, made = two_years
    seasonal = of_years(made, site, 2021)[0].set_index("first_day")
    assert seasonal["season"].tolist() == ["Sep-Nov", "Dec-Feb", "Mar-May", "Jun-Aug"]
    assert seasonal.index[0] == date(2020, 9, 1)
    assert seasonal["hours"].tolist() == [24 * days for days in (91, 90, 92, 92)]


def test_the_records_first_quarter_begins_with_the_record(two_years):
    site, made = two_years
    seasonal = of_years({2020: made[2020]}, site, 2020)[0].set_index("first_day")
    assert seasonal.loc[date(2019, 9, 1), "hours"] == 24 * 61
    assert date(2020, 9, 1) not in seasonal.index


def test_the_records_last_quarter_ends_with_the_record():
    site = EXACT.model_copy(update={"last_day": date(2020, 9, 30)})
    seasonal = of_years(years_of(site, 2020), site, 2020)[0].set_index("first_day")
    assert seasonal.loc[date(2020, 9, 1), "hours"] == 24 * 30


def test_quarters_add_up_to_the_record():
    site = EXACT.model_copy(update={"last_day": date(2021, 9, 30)})
    made = years_of(site, 2020, 2021)
    quarters = pd.concat([of_years({2020: made[2020]}, site, 2020)[0], of_years(made, site, 2021)[0]])
    whole = sum(only(result.annual)["load_kg_ha"] for result in made.values())
    assert quarters["load_kg_ha"].sum() == pytest.approx(whole, rel=1e-9)


def test_a_period_of_site_yaml_holds_its_days(two_years):
    site, made = two_years
    custom = of_years(made, site, 2021)[1].set_index("period")
    assert custom["hours"].to_dict() == {"before": 24 * 258, "spring": 24 * 92}
    assert custom.loc["spring", "last_day"] == date(2021, 5, 31)


def test_a_period_without_an_end_stands_in_the_records_last_year():
    site = EXACT.model_copy(
        update={"last_day": date(2021, 9, 30), "periods": (OwnPeriod(name="all", start=date(2019, 1, 1)),)}
    )
    custom = only(of_years(years_of(site, 2020, 2021), site, 2021)[1])
    assert custom["hours"] == 24 * (366 + 365)
    assert custom["last_day"] is None


def test_a_calibrations_error_is_one_error_across_years():
    # A period of two years under one calibration: twice the water, twice the error, not the root of two.
    site = with_calibrations(EXACT, 4.0).model_copy(
        update={"periods": (OwnPeriod(name="both", start=date(2019, 10, 1), end=date(2020, 12, 1)),)}
    )
    custom = only(of_years(years_of(site, 2020, 2021), site, 2021)[1])
    assert half_width(custom, "volume_mm") == pytest.approx(0.02 * STANDARD_90 * 100 * custom["hours"], rel=0.02)


def test_an_unfilled_hour_empties_the_longer_period_too():
    site = EXACT.model_copy(
        update={"periods": (OwnPeriod(name="start", start=date(2020, 10, 1), end=date(2020, 10, 2)),)}
    )
    made = computed(with_an_unfilled_hour(), site=site)
    custom = only(period_loads(made.members, site, YEAR)[1])
    assert np.isnan(custom["load_kg_ha"])
    assert custom["why_empty"] == "unfilled_hours"
    assert custom["load_known_kg_ha"] == pytest.approx(40 / 1e6 / AREA_HA["P1"])


@pytest.mark.parametrize(("kind", "name"), [(0, "loads_seasonal"), (1, "loads_custom")])
def test_columns_of_longer_periods_are_those_of_the_declaration(two_years, kind, name):
    site, made = two_years
    assert tuple(of_years(made, site, 2021)[kind].columns) == table(name).names
