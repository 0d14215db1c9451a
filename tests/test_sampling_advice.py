"""Sampling advice: plans are tried on known histories, and what is told of them is what sampling these histories gives."""

from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pandas as pd
import pytest

from pipeline.lake import Lake
from pipeline.publish.advice import Advice, conclusion, leaning, plan_name, sampling_advice
from pipeline.publish.advice_picture import advice_picture
from pipeline.science.load_estimators import interpolated_load, ratio_estimate
from pipeline.science.sampling_plans import Histories
from pipeline.site import load_site
from pipeline.stages.sampling_advice import AdviceError, Year, advise, relative_uncertainty, visits
from tests.two_weeks import compute, write_two_weeks

SITE = load_site(Path(__file__).parents[1] / "configs" / "sedge-hollow")
HOURS = 120 * 24
SVG = "{http://www.w3.org/2000/svg}"


def wandering(members=200, seed=0, hours=HOURS) -> Histories:
    """Flow and concentration of autocorrelated logarithms."""
    generator = np.random.default_rng(seed)
    noise = generator.normal(size=(2, members, hours))
    for hour in range(1, hours):
        noise[:, :, hour] = 0.99 * noise[:, :, hour - 1] + np.sqrt(1 - 0.99**2) * noise[:, :, hour]
    return Histories.of(100 * np.exp(noise[0]), 10 * np.exp(0.3 * noise[1] + 0.1 * noise[0]))


def year_with(histories: Histories) -> Year:
    return Year(2021, histories, histories.net_l[0], 10)


def flat(mg_l=8.0, members=200) -> Histories:
    net = np.full((members, HOURS), 50.0)
    return Histories.of(net, np.full(net.shape, mg_l))


@pytest.mark.parametrize("at", [[100], [0, HOURS - 1], [5, 6, 300, 900, 2000]])
def test_straight_lines_of_all_members_are_those_of_the_single_estimator(at):
    histories = wandering(members=5)
    at = np.array(at)
    results = histories.mg_l[:, at]
    made = histories.interpolated_mg(at, results)
    for member in range(5):
        line = np.interp(np.arange(HOURS), at, results[member])
        assert made[member] == pytest.approx(interpolated_load(histories.net_l[member], line).value)


def test_ratios_of_all_members_are_those_of_the_single_estimator():
    histories, at = wandering(members=5), np.arange(10, HOURS, 170)
    results = histories.mg_l[:, at]
    made = histories.ratio_mg(at, results, HOURS / 24)
    for member in range(5):
        net = histories.net_l[member]
        one = ratio_estimate(net[at], results[member], net.mean(), HOURS / 24).times(HOURS)
        assert made[member] == pytest.approx(one.value)


def test_composites_of_fine_pacing_are_the_exact_flow_weighted_mean():
    histories = wandering(members=5)
    nothing = np.zeros((5, 9))
    made = histories.composite_mg(0.05, np.arange(0, HOURS, 336), nothing)
    assert made == pytest.approx(histories.load_mg, rel=1e-3)


def test_an_aliquot_is_taken_whenever_so_much_has_drained():
    # 5 L an hour, an aliquot each 15 L: hours 2, 5, 8, ... counted from 0.
    net = np.full((1, 30), 5.0)
    mg_l = np.arange(30.0)[np.newaxis]
    made = Histories.of(net, mg_l).composite_mg(15.0, np.array([0]), np.zeros((1, 1)))
    assert made == pytest.approx(mg_l[0, 2::3].mean() * 150)


def test_a_composite_errs_as_a_whole():
    errors = np.where(np.arange(9) < 4, 0.1, 0.0)[np.newaxis]
    histories = flat(members=1)
    made = histories.composite_mg(50.0, np.arange(0, HOURS, 336), errors)
    assert made == pytest.approx(histories.load_mg * (1 + 0.1 * 4 * 336 / HOURS))


def test_water_that_ran_back_drives_no_sampler():
    net = np.array([[10.0, -10.0, 10.0, 10.0]])
    made = Histories.of(net, np.array([[1.0, 50.0, 3.0, 5.0]])).composite_mg(10.0, np.array([0]), np.zeros((1, 1)))
    assert made == pytest.approx(3.0 * 20.0)


def test_a_plan_is_tried_from_every_first_day():
    found = list(visits(year_with(flat()), 7))
    assert [at[0] for at in found] == [10 + 24 * day for day in range(7)]
    assert all((np.diff(at) == 7 * 24).all() for at in found)


def test_a_visit_when_nothing_drained_brings_no_sample():
    histories = flat()
    reported = histories.net_l[0].copy()
    reported[10 : 10 + 24 * 30] = 0.0
    (at,) = visits(Year(2021, histories, reported, 10), 1)
    assert at[0] == 10 + 24 * 30


def test_a_concentration_that_never_changes_is_told_exactly_by_every_plan():
    plans = advise([year_with(flat())], [3, 28], [1.0], 0.5, 0.0, ("site",))
    assert len(plans) == 5
    assert plans[["mean_pct", "p05_pct", "p95_pct"]].to_numpy() == pytest.approx(0, abs=1e-9)
    assert (plans["within"] == 1).all()


def test_the_laboratory_s_error_averages_out_as_independent_errors_do():
    plans = advise([year_with(flat(members=400))], [7], [], 0.5, 0.05, ("site",))
    ratio = plans[plans["method"] == "ratio_estimator"].iloc[0]
    # The mean of n results of constant flow: 5 % over the root of n, 17 or 18 visits in 120 days.
    assert ratio["p95_pct"] == pytest.approx(1.645 * 5 / np.sqrt(ratio["results"]), rel=0.1)


def test_seldom_sampling_leaves_a_wider_interval():
    plans = advise([year_with(wandering())], [3, 7, 14, 28], [], 0.5, 0.025, ("site",))
    lines = plans[plans["method"] == "linear_interpolation"]
    assert (np.diff(lines["p95_pct"] - lines["p05_pct"]) > 0).all()
    assert lines["results"].to_list() == pytest.approx([120 / days for days in (3, 7, 14, 28)], abs=0.5)


def test_what_is_told_is_what_sampling_a_history_of_the_same_kind_gives():
    plans = advise([year_with(wandering())], [14], [], 0.5, 0.0, ("site",))
    told = plans[plans["method"] == "linear_interpolation"].iloc[0]
    hidden = wandering(seed=1)
    at = np.arange(10 + 3 * 24, HOURS, 14 * 24)
    errors = 100 * (hidden.interpolated_mg(at, hidden.mg_l[:, at]) / hidden.load_mg - 1)
    inside = ((errors >= told["p05_pct"]) & (errors <= told["p95_pct"])).mean()
    # 200 hidden histories tell a share of 0.9 to within 0.021 (one standard deviation).
    assert 0.83 <= inside <= 0.97


def test_the_laboratory_s_uncertainty_is_the_median_of_what_is_stated():
    results = pd.DataFrame({"mg_l": [10.0, 10.0, 10.0, 0.0], "uncertainty_mg_l": [0.2, 0.3, np.nan, 1.0]})
    assert relative_uncertainty(results, SITE) == pytest.approx(0.025)
    nothing = relative_uncertainty(results.assign(uncertainty_mg_l=np.nan), SITE)
    assert nothing == pytest.approx(SITE.policies.laboratory_uncertainty_pct / 200)


def advice(**within: float) -> Advice:
    """Advice of which only the share of errors within bounds matters, by plan."""
    rows = [
        {"plan": "grabs" if name[0] == "g" else "composites", "every_days": float(name[1:]) if name[0] == "g" else 14.0,
         "pacing_mm": np.nan if name[0] == "g" else float(name[1:]), "within": share, "results": 30.0, "mean_pct": -1.0,
         "p05_pct": -8.0, "p95_pct": 6.0, "method": "linear_interpolation" if name[0] == "g" else "composite_by_volume"}
        for name, share in within.items()
    ]  # fmt: skip
    return Advice(SITE, "P1", "nitrate_n", pd.DataFrame(rows), [2020], [], 35.0, 0.025)


@pytest.mark.parametrize(
    ("within", "words"),
    [
        ({"g3": 0.99, "g7": 0.92, "g14": 0.7, "c1": 0.5}, "a grab every 7 days (straight lines) would do"),
        ({"g3": 0.5, "c1": 0.95, "c5": 0.2}, "composites of 1 mm (an aliquot for each 1 mm of drainage) would do"),
        ({"g3": 0.5, "c5": 0.2}, "None of these plans"),
    ],
)
def test_the_fewest_samples_that_are_enough_are_named(within, words):
    assert words in conclusion(advice(**within))


@pytest.mark.parametrize(("with_flow", "side"), [(-0.5, "high"), (0.0, ""), (0.5, "low")])
def test_straight_lines_are_said_to_lean_where_peaks_dilute_or_flush(with_flow, side):
    # Two-day peaks of flow in random hours; concentration goes with them or against them.
    generator = np.random.default_rng(2)
    peaks = np.exp(2 * np.sin(np.arange(HOURS) * 2 * np.pi / 60 + generator.uniform(0, 6, (200, 1))))
    year = year_with(Histories.of(peaks, 10 * peaks**with_flow))
    plans = advise([year], [14], [], 0.5, 0.0, ("site",))
    said = leaning(Advice(SITE, "P1", "nitrate_n", plans, [2021], [], 35.0, 0.0))
    assert (f"lie {side} on average" in said) if side else not said


def test_the_picture_tells_every_plan_to_those_who_do_not_see_it():
    shown = advice(g3=0.99, g7=0.92, c1=0.95)
    (description,) = ElementTree.fromstring(advice_picture(shown)).iter(f"{SVG}desc")
    assert description.text is not None
    for _, row in shown.plans.iterrows():
        assert f"{plan_name(row)}, " in description.text
    assert "90 % from -8.0 to 6.0 %" in description.text


def test_methods_are_told_apart_by_mark_and_dash_too():
    svg = ElementTree.fromstring(advice_picture(advice(g3=0.99, c1=0.95)))
    lines = [each for each in svg.iter(f"{SVG}polyline") if each.get("stroke-width") == "2"]
    assert (
        len({(each.get("stroke"), each.get("stroke-dasharray")) for each in lines if each.get("stroke-dasharray")}) == 1
    )
    assert len(list(svg.iter(f"{SVG}circle"))) == 2


@pytest.mark.parametrize(
    ("plot", "analyte", "words"),
    [
        ("P9", "nitrate_n", "no plot P9"),
        ("P1", "gold", "gold is no analyte"),
        ("P1", "nitrate_n", "does not hold the hourly flow"),
    ],
)
def test_advice_that_cannot_be_given_is_refused_with_its_reason(tmp_path, plot, analyte, words):
    with pytest.raises(AdviceError, match=words):
        sampling_advice(Lake(tmp_path), SITE, plot, analyte, [7], [1.0])


def test_a_computed_lake_gives_advice_of_every_year(tmp_path):
    lake, site = Lake(tmp_path / "lake"), write_two_weeks(tmp_path)
    compute(lake, site)
    given = sampling_advice(lake, site, "south", "nitrate_n", [1, 2], [0.2])
    # The record ends a week after the turn of the water year.
    assert sorted(given.years + given.left_out) == [2020, 2021]
    assert given.years
    assert len(given.plans) == 5
    lines = given.plans[given.plans["method"] == "linear_interpolation"]
    assert (lines["p05_pct"] < lines["p95_pct"]).all()
