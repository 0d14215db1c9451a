"""Loads by the estimators of the trade: each as its source has it, and all of the same water and the same results."""

import io
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from rich.console import Console
from scipy import integrate, stats

from pipeline.lake import Lake
from pipeline.publish.load_methods_text import NAMES, WHY, methods_text, spread_pct, stored_methods
from pipeline.science.load_estimators import (
    FEWEST_IN_STRATUM,
    composite_mean,
    flow_weighted_mean,
    rating_curve_mean,
    ratio_estimate,
    strata_bounds,
    stratified_ratio_estimate,
)
from pipeline.site import load_site
from pipeline.stages.load_methods import load_methods
from pipeline.tables import table

DEMO = load_site(Path(__file__).parents[1] / "configs" / "sedge-hollow")
YEAR = 2021
FIRST = pd.Timestamp(DEMO.water_year_period(YEAR)[0])
HOUR = pd.Timedelta(hours=1)
AREA_HA = DEMO.plots[0].area_ha
DAYS = 20
WAVE = 100 + 80 * np.sin(np.arange(DAYS * 24) / 30)
"""Flow of every hour of a record, L."""
SHORT = DEMO.model_copy(update={"first_day": FIRST.date(), "last_day": (FIRST + pd.Timedelta(days=DAYS - 1)).date()})


def kg_ha(milligrams: float) -> float:
    return milligrams / 1e6 / AREA_HA


def hours_of(net_l) -> pd.DataFrame:
    start = pd.date_range(FIRST, periods=len(net_l), freq="h", unit="us")
    return pd.DataFrame({"plot": "P1", "hour_start": start, "net_l": np.asarray(net_l, dtype=float)})


def results_of(*said: tuple[float, float, float]) -> pd.DataFrame:
    """Results of P1: start and end in hours from the water year's first, mg/L."""
    start, end, value = np.array(said, dtype=float).reshape(-1, 3).T
    times = [(FIRST + pd.to_timedelta(hours, unit="h")).as_unit("us") for hours in (start, end)]
    return pd.DataFrame({"plot": "P1", "analyte": "nitrate_n", "start": times[0], "end": times[1], "mg_l": value})


def by_method(results: pd.DataFrame, net_l=WAVE) -> pd.DataFrame:
    return load_methods(results, hours_of(net_l), SHORT, YEAR).set_index("method")


GRABS = [(30.5 * number, 30.5 * number, 5.0 + number) for number in range(1, 15)]
COMPOSITES = [(100.0, 130.0, 7.0), (300.0, 320.0, 9.0)]


def population(generator: np.random.Generator, size: tuple[int, int]) -> tuple[np.ndarray, np.ndarray]:
    """Flow of mean 1 and skewed; a load of mean 3 that is no multiple of it, so that the plain ratio is biased."""
    flow = generator.gamma(1.6, 1 / 1.6, size)
    return flow, 2 + flow + generator.normal(0, 0.5, size)


def test_the_ratio_estimate_is_that_of_a_worked_example():
    # By hand: flows 1, 2, 3, loads 1, 4, 6: means 2 and 11/3, s_xx = 1, s_xy = 5/2; 11/6 (1 + 5/44) / (1 + 1/12) = 49/26.
    assert ratio_estimate([1, 2, 3], [1, 2, 2], 10.0).value == pytest.approx(490 / 26)


def test_the_variance_of_the_ratio_estimate_is_that_of_a_worked_example():
    # The same example, of 12 steps: d = 1/4; relative moments by hand C_xx = 1/4, C_xy = 15/44, C_yy = 57/121, third moments
    # C_xxx = 0, C_xxy = -1/88, C_xyy = -15/484 (loads off their mean by -8/11, 1/11, 7/11, flows by -1/2, 0, 1/2).
    first = (1 / 4 + 57 / 121 - 15 / 22) / 4
    second = (2 / 16 - 4 * 15 / 176 + (15 / 44) ** 2 + 57 / 484) / 16
    third = 2 / 4 / 12 * (0 + 1 / 44 - 15 / 484)
    error = ratio_estimate([1, 2, 3], [1, 2, 2], 10.0, 12).standard_error
    assert error == pytest.approx(10 * 11 / 6 * np.sqrt(first + second + third))


@pytest.mark.parametrize(("pairs", "part_left"), [(8, 0.35), (24, 0.2)])
def test_the_bias_of_the_ratio_estimate_is_of_the_order_of_the_square(pairs, part_left):
    flow, load = population(np.random.default_rng(1), (12_000, pairs))
    plain = (load.sum(axis=1) / flow.sum(axis=1)).mean() / 3 - 1
    corrected = np.mean([ratio_estimate(q, y / q, 1.0).value for q, y in zip(flow, load, strict=True)]) / 3 - 1
    # To first order the plain ratio is off by (C_xx - C_xy) / n = (1/1.6) (1 - 1/3) / n: 5.2 % of 8 pairs, 1.7 % of 24. What is left
    # of it falls with 1/n.
    assert plain == pytest.approx(1 / 1.6 * 2 / 3 / pairs, rel=0.25)
    assert abs(corrected) < part_left * plain


@pytest.mark.parametrize("steps", [np.inf, 60])
def test_the_variance_of_the_ratio_estimate_is_that_of_repeated_sampling(steps):
    generator = np.random.default_rng(2)
    if np.isinf(steps):
        flow, load = population(generator, (4_000, 24))
        mean_flow = 1.0
    else:
        whole = np.column_stack(population(generator, (60, 1)))
        drawn = np.array([generator.permutation(60)[:24] for _ in range(4_000)])
        flow, load, mean_flow = whole[drawn, 0], whole[drawn, 1], whole[:, 0].mean()
    made = [ratio_estimate(q, y / q, mean_flow, steps) for q, y in zip(flow, load, strict=True)]
    told = np.mean([estimate.standard_error**2 for estimate in made])
    assert told == pytest.approx(np.var([estimate.value for estimate in made]), rel=0.12)


def test_the_error_of_the_flow_weighted_mean_is_that_of_repeated_sampling():
    flow, load = population(np.random.default_rng(3), (3_000, 60))
    made = [flow_weighted_mean(q, y / q) for q, y in zip(flow, load, strict=True)]
    told = np.mean([estimate.standard_error**2 for estimate in made])
    assert told == pytest.approx(np.var([estimate.value for estimate in made]), rel=0.12)


def test_strata_part_the_volume_equally_and_their_ratio_estimates_add_up():
    generator = np.random.default_rng(4)
    volume = generator.gamma(0.8, 50, 2_000)
    flow = generator.choice(volume, 90)
    mg_l = 5 + flow / 40
    bounds = strata_bounds(flow, volume)
    stratum = np.searchsorted(bounds, volume, side="right")
    shares = np.bincount(stratum, weights=volume) / volume.sum()
    assert shares == pytest.approx([1 / 3] * 3, abs=0.01)
    by_hand = [
        ratio_estimate(
            flow[np.searchsorted(bounds, flow, side="right") == part],
            mg_l[np.searchsorted(bounds, flow, side="right") == part],
            volume[stratum == part].mean(),
            (stratum == part).sum(),
        ).times((stratum == part).sum())
        for part in range(3)
    ]
    whole = stratified_ratio_estimate(flow, mg_l, volume, bounds)
    assert whole.value == pytest.approx(sum(part.value for part in by_hand))
    assert whole.standard_error == pytest.approx(np.sqrt(sum(part.standard_error**2 for part in by_hand)))


@pytest.mark.parametrize(("pairs", "strata"), [(14, 1), (2 * FEWEST_IN_STRATUM, 2), (3 * FEWEST_IN_STRATUM, 3)])
def test_no_stratum_has_fewer_pairs_than_are_asked_for(pairs, strata):
    # As many pairs in each third (or half) of the volume as possible; 14 pairs of one flow fill one stratum only.
    volume = np.linspace(1, 100, 500)
    at = (
        np.array([10.0])
        if strata == 1
        else np.interp((np.arange(strata) + 0.5) / strata, np.cumsum(volume) / volume.sum(), volume)
    )
    flow = np.repeat(at, pairs // at.size)
    assert strata_bounds(flow, volume).size + 1 == strata


def test_the_rating_curve_is_least_squares_with_the_smearing_of_its_definition():
    generator = np.random.default_rng(5)
    flow = generator.lognormal(2, 1, 30)
    mg_l = 3 * flow**0.4 * generator.lognormal(0, 0.3, 30)
    volume = generator.lognormal(2, 1, 50)
    fit = stats.linregress(np.log(flow), np.log(mg_l))
    smearing = np.exp(np.log(mg_l) - fit.intercept - fit.slope * np.log(flow)).mean()
    curve = np.exp(fit.intercept) * volume**fit.slope * smearing
    assert rating_curve_mean(flow, mg_l, volume).value == pytest.approx(curve @ volume / volume.sum())


def test_smearing_gives_the_exact_mean_of_lognormal_residuals():
    generator = np.random.default_rng(6)
    flow = generator.lognormal(0, 1, 1_500)
    mg_l = 3 * flow**-0.2 * generator.lognormal(0, 0.6, 1_500)
    # The mean of a lognormal is exp(sigma² / 2) times its median.
    exact = 3 * 2.0**-0.2 * np.exp(0.6**2 / 2)
    made = rating_curve_mean(flow, mg_l, [2.0])
    assert made.value == pytest.approx(exact, rel=0.05)
    assert abs(made.value / exact - 1) < 3 * made.standard_error / made.value


def test_the_error_of_the_rating_curve_is_that_of_repeated_sampling():
    generator = np.random.default_rng(7)
    volume = np.exp(np.linspace(-2, 2, 30))
    flow = generator.lognormal(0, 1, (600, 40))
    mg_l = 3 * flow**0.3 * generator.lognormal(0, 0.4, (600, 40))
    made = [rating_curve_mean(q, c, volume) for q, c in zip(flow, mg_l, strict=True)]
    told = np.mean([estimate.standard_error**2 for estimate in made])
    assert told == pytest.approx(np.var([estimate.value for estimate in made]), rel=0.2)


def test_composites_count_by_the_volume_of_their_windows():
    assert composite_mean([100.0, 300.0], [8.0, 4.0]).value == 5.0


def test_every_method_is_right_where_the_concentration_never_changes():
    flat = [(start, end, 8.0) for start, end, _ in GRABS + COMPOSITES]
    loads = by_method(results_of(*flat))["load_kg_ha"]
    assert set(loads.index) == set(table("load_methods").column("method").codes)
    assert loads.to_numpy() == pytest.approx(kg_ha(8.0 * WAVE.sum()), rel=1e-9)


def test_twice_the_concentration_is_twice_the_load_and_the_error_of_every_method():
    once = by_method(results_of(*GRABS, *COMPOSITES))
    twice = by_method(results_of(*((start, end, 2 * value) for start, end, value in GRABS + COMPOSITES)))
    for column in ("load_kg_ha", "standard_error_kg_ha", "load_kg_ha_p05", "load_kg_ha_p95"):
        assert twice[column].to_numpy() == pytest.approx(2 * once[column].to_numpy(), nan_ok=True)


def test_linear_interpolation_is_the_exact_integral_of_line_times_flow():
    times, values = [start for start, _, _ in GRABS], [value for _, _, value in GRABS]

    def rate(hour: float) -> float:
        return float(np.interp(hour, times, values)) * WAVE[min(int(hour), WAVE.size - 1)]

    whole = sum(integrate.quad(rate, hour, hour + 1, points=[hour + 0.5])[0] for hour in range(WAVE.size))
    assert by_method(results_of(*GRABS)).loc["linear_interpolation", "load_kg_ha"] == pytest.approx(kg_ha(whole))


def test_the_time_weighted_mean_leaves_the_flow_out():
    said = results_of((0, 0, 4.0), (DAYS * 24.0 - 0.001, DAYS * 24.0 - 0.001, 8.0))
    assert by_method(said).loc["time_weighted_mean", "load_kg_ha"] == pytest.approx(kg_ha(6 * WAVE.sum()), rel=1e-5)


def test_bottles_of_one_day_of_standard_time_make_one_pair():
    rows = by_method(results_of((1, 1, 5.0), (20, 20, 6.0), (24, 24, 7.0), (45, 45, 8.0)))
    assert rows.loc["ratio_estimator", "results"] == 2
    assert rows.loc["linear_interpolation", "results"] == 4


def test_a_composite_is_a_pair_of_its_mean_flow():
    rows = by_method(results_of((100, 130, 7.0), (300, 320, 9.0)))
    flows = np.array([WAVE[100:130].mean(), WAVE[300:320].mean()])
    mean = flows @ [7, 9] / flows.sum()
    assert rows.loc["flow_weighted_mean", "load_kg_ha"] == pytest.approx(kg_ha(mean * WAVE.sum()))


def test_the_share_of_water_in_windows_is_told():
    share = (WAVE[100:130].sum() + WAVE[300:320].sum()) / WAVE.sum()
    assert by_method(results_of(*COMPOSITES)).loc["composite_by_volume", "share_in_windows"] == pytest.approx(share)


@pytest.mark.parametrize("near", [(-10.0, -10.0, 100.0), (DAYS * 24.0 + 5, DAYS * 24.0 + 5, 100.0)])
def test_results_of_other_years_only_hold_the_ends_of_the_line(near):
    alone, beside = by_method(results_of(*GRABS)), by_method(results_of(*GRABS, near))
    moved = alone.index[alone["load_kg_ha"].to_numpy() != beside["load_kg_ha"].to_numpy()]
    moved = moved[alone.loc[moved, "load_kg_ha"].notna()]
    assert set(moved) == {"linear_interpolation", "time_weighted_mean"}
    assert (alone["results"] == beside["results"]).all()


def test_water_that_ran_back_has_no_part_in_a_composite():
    net = WAVE.copy()
    net[200:210] = -50.0
    rows = by_method(results_of((195, 215, 6.0), (300, 320, 9.0)), net)
    drained = np.maximum(net, 0)
    windows = np.array([drained[195:215].sum(), drained[300:320].sum()])
    expected = kg_ha(windows @ [6, 9] / windows.sum() * net.sum())
    assert rows.loc["composite_by_volume", "load_kg_ha"] == pytest.approx(expected)
    assert rows.loc["flow_weighted_mean", "load_kg_ha"] == pytest.approx(expected)


def test_water_that_ran_back_takes_its_concentration_out_of_the_line_s_load_again():
    net = WAVE.copy()
    net[200:210] = -50.0
    flat = results_of(*((start, end, 8.0) for start, end, _ in GRABS))
    rows = by_method(flat, net)
    assert rows.loc["linear_interpolation", "load_kg_ha"] == pytest.approx(kg_ha(8.0 * net.sum()))
    assert rows.loc["ratio_estimator", "load_kg_ha"] == pytest.approx(kg_ha(8.0 * net.sum()))


@pytest.mark.parametrize(
    ("said", "net_l", "reasons"),
    [
        (GRABS, np.where(np.arange(WAVE.size) == 7, np.nan, WAVE), {"unfilled_hours"}),
        ([], WAVE, {"no_results"}),
        ([(-5.0, -5.0, 3.0)], WAVE, {"no_results"}),
        (GRABS[:1], WAVE, {None, "few_results", "no_composites"}),
        (GRABS, WAVE, {None, "no_composites"}),
        (GRABS + COMPOSITES, np.zeros(WAVE.size), {None, "few_results"}),
    ],
)
def test_what_cannot_be_told_is_empty_with_its_reason(said, net_l, reasons):
    rows = by_method(results_of(*said), net_l)
    assert len(rows) == 6
    assert {None if pd.isna(reason) else reason for reason in rows["why_empty"]} == reasons
    assert (rows["load_kg_ha"].isna() == rows["why_empty"].notna()).all()


def test_every_method_and_every_reason_has_words():
    declared = table("load_methods")
    assert set(NAMES) == {"reported", *declared.column("method").codes}
    assert set(WHY) == set(declared.column("why_empty").codes)


def test_spread_is_the_range_of_methods_that_use_the_flow_over_their_median():
    loads = {"linear_interpolation": 20.0, "ratio_estimator": 19.0, "rating_curve": 21.0, "time_weighted_mean": 40.0}
    assert spread_pct(loads) == pytest.approx(10.0)


@pytest.mark.parametrize("plot", [None, "P1"])
def test_the_reported_load_stands_beside_the_methods(tmp_path, plot):
    lake = Lake(tmp_path)
    lake.write_frame(table("load_methods"), by_method(results_of(*GRABS)).reset_index(), "test", DEMO.site, YEAR)
    annual = table("loads_annual")
    row = {column.name: None if column.nullable else 0 for column in annual.columns}
    row |= {"plot": "P1", "analyte": "nitrate_n", "water_year": YEAR, "load_kg_ha": 98.7}
    lake.write_frame(annual, pd.DataFrame([row]), "test", DEMO.site, YEAR)
    console = Console(width=80, record=True, file=io.StringIO())
    for part in methods_text(stored_methods(lake, DEMO), DEMO, plot):
        console.print(part)
    lines = console.export_text().splitlines()
    assert any("98.7" in line and (plot is None or "reported" in line) for line in lines)
    interpolated = by_method(results_of(*GRABS)).loc["linear_interpolation", "load_kg_ha"]
    assert any(f"{interpolated:.1f}" in line for line in lines)
