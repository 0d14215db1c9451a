"""Promises of the mathematics of flow: transforms, record extension, antecedent sums, residuals, totals, gap estimates, events."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import integrate, signal, stats

from pipeline.science.antecedent import antecedent_mean, antecedent_sum, water_reaching_soil
from pipeline.science.blocked_validation import block_folds, long_gap_hours, ridge_by_blocks
from pipeline.science.ensemble import ENSEMBLE_MEMBERS, seed_of
from pipeline.science.event_rule import event_hours, match_events, stretches
from pipeline.science.gap_errors import HARDER
from pipeline.science.gap_estimate import estimate_gaps
from pipeline.science.gap_skill import kling_gupta, nash_sutcliffe
from pipeline.science.known_total import keep_total
from pipeline.science.normal_scores import NormalScores, seasonal_scale
from pipeline.science.record_extension import variance_keeping_line
from pipeline.science.residual_process import LEAST_SHARE, TIME_CONSTANTS_H, Draws, ResidualProcess, correlations
from pipeline.science.signed_root import signed_power, signed_root, smeared_mean

flows = st.floats(-1e5, 1e5, allow_subnormal=False)


def chance(seed: int) -> np.random.Generator:
    return np.random.Generator(np.random.PCG64(seed))


# Transform and smearing


@given(arrays(float, st.integers(1, 30), elements=flows), st.sampled_from([2.0, 3.0]))
def test_the_signed_root_is_undone_by_its_power_and_keeps_the_sign(flow: np.ndarray, order: float) -> None:
    root = signed_root(flow, order)
    assert np.array_equal(np.sign(root), np.sign(flow))
    assert np.allclose(signed_power(root, order), flow, rtol=1e-12, atol=1e-12)


def test_smearing_gives_the_mean_of_a_lognormal() -> None:
    # Mean of a lognormal: exp(mu + sigma^2 / 2), scipy.stats.lognorm; residuals at equally likely steps of the normal.
    mu, sigma = 1.3, 0.6
    residuals = stats.norm.ppf((np.arange(20_000) + 0.5) / 20_000, scale=sigma)
    expected = stats.lognorm.mean(sigma, scale=np.exp(mu))
    assert smeared_mean([mu], residuals, np.exp)[0] == pytest.approx(expected, rel=1e-3)


def test_smearing_is_the_published_factor_for_a_logarithmic_model() -> None:
    # Duan 1983: for a model of natural logarithms, exp(prediction) times the mean of exp(residuals).
    predicted, residuals = np.array([-1.0, 0.0, 2.5]), chance(1).normal(0, 0.4, 200)
    expected = np.exp(predicted) * np.exp(residuals).mean()
    assert np.allclose(smeared_mean(predicted, residuals, np.exp), expected, rtol=1e-12)


# Record extension


@given(st.integers(0, 10_000), st.floats(-0.99, 0.99))
def test_the_variance_keeping_line_is_the_published_one(seed: int, tendency: float) -> None:
    # Hirsch 1982: slope sign(r) s_y / s_x through both means. Least squares (scipy) gives r s_y / s_x.
    x = chance(seed).normal(5, 2, 60)
    y = tendency * x + chance(seed + 1).normal(0, 1, 60)
    slope, intercept = variance_keeping_line(x, y)
    least_squares = stats.linregress(x, y)
    assert slope * abs(least_squares.rvalue) == pytest.approx(least_squares.slope, rel=1e-9)
    assert slope == pytest.approx(np.sign(least_squares.rvalue) * np.std(y, ddof=1) / np.std(x, ddof=1), rel=1e-9)
    assert intercept + slope * x.mean() == pytest.approx(y.mean(), rel=1e-9, abs=1e-9)


@given(st.integers(0, 10_000))
def test_extended_records_vary_as_the_record_does(seed: int) -> None:
    # What the method promises (Hirsch 1982): mean and sample variance of the estimates over the common period.
    x, noise = chance(seed).gamma(1.5, 3, 80), chance(seed + 1).normal(0, 4, 80)
    y = 2 * x + noise
    slope, intercept = variance_keeping_line(x, y)
    estimates = intercept + slope * x
    assert estimates.var(ddof=1) == pytest.approx(y.var(ddof=1), rel=1e-9)
    assert estimates.mean() == pytest.approx(y.mean(), rel=1e-9)


def test_a_donor_that_never_varies_gives_the_mean() -> None:
    assert variance_keeping_line([3.0, 3.0, 3.0], [1.0, 2.0, 6.0]) == (0.0, 3.0)


def test_a_line_through_one_point_is_refused() -> None:
    with pytest.raises(ValueError, match="at least two values"):
        variance_keeping_line([1.0], [2.0])


# Antecedent sums


@pytest.mark.parametrize("time_constant_h", [3.0, 30.0, 720.0])
def test_an_antecedent_sum_recedes_as_a_linear_reservoir(time_constant_h: float) -> None:
    # Any hydrology text: q(t) = q0 exp(-t / k), and the volume left is k q(t), the integral of the outflow still to come.
    rain = np.zeros(200)
    rain[0] = 12.0
    storage = antecedent_sum(rain, time_constant_h)
    hours = np.arange(200)
    outflow = storage / time_constant_h
    assert np.allclose(outflow, outflow[0] * np.exp(-hours / time_constant_h), rtol=1e-9)
    still_to_come, _ = integrate.quad(lambda t: outflow[0] * np.exp(-t / time_constant_h), 50, np.inf)
    assert storage[50] == pytest.approx(still_to_come, rel=1e-6)


def test_an_antecedent_mean_of_what_never_changes_does_not_change() -> None:
    assert np.allclose(antecedent_mean(np.full(50, -4.5), 24.0), -4.5)


@given(st.integers(0, 10_000))
def test_snow_waits_and_nothing_is_lost(seed: int) -> None:
    rain = chance(seed).gamma(0.1, 3, 300)
    temperature = chance(seed + 1).normal(0, 4, 300)
    on_ground, expected = 0.0, []
    for depth, degrees in zip(rain, temperature, strict=True):
        # The degree-day method as a store, hour by hour.
        before = on_ground
        on_ground = max(0.0, on_ground + depth * (degrees < 0) - max(degrees, 0) * 3.0 / 24)
        expected.append(depth - (on_ground - before))
    liquid = water_reaching_soil(rain, temperature)
    assert np.allclose(liquid, expected, atol=1e-9)
    assert liquid.sum() + on_ground == pytest.approx(rain.sum(), rel=1e-9)


# Blocked validation


def test_a_block_left_out_is_predicted_by_a_fit_that_has_not_seen_it() -> None:
    design, target = chance(3).normal(0, 1, (240, 3)), chance(4).normal(0, 1, 240)
    target += design @ np.array([1.0, -2.0, 0.5])
    fold = block_folds(240, 20)
    fit = ridge_by_blocks(design, target, fold, penalties=(1e-9,))
    for number in np.unique(fold):
        out = fold == number
        # Ordinary least squares of numpy on the other blocks.
        with_one = np.column_stack([np.ones(240), design])
        coefficients = np.linalg.lstsq(with_one[~out], target[~out], rcond=None)[0]
        assert np.allclose(fit.left_out[out], with_one[out] @ coefficients, atol=1e-6)


def test_without_penalty_ridge_is_least_squares() -> None:
    design, target = chance(5).normal(3, 2, (100, 2)), chance(6).normal(0, 1, 100)
    fit = ridge_by_blocks(design, target, block_folds(100, 10), penalties=(1e-12,))
    with_one = np.column_stack([np.ones(100), design])
    expected = with_one @ np.linalg.lstsq(with_one, target, rcond=None)[0]
    assert np.allclose(fit.predict(design), expected, atol=1e-8)


def test_a_penalty_that_predicts_better_is_chosen() -> None:
    # Forty predictors of pure noise and sixty rows: the least shrunken fit predicts worst.
    design, target = chance(7).normal(0, 1, (60, 40)), chance(8).normal(0, 1, 60)
    fit = ridge_by_blocks(design, target, block_folds(60, 10), penalties=(1e-6, 10.0))
    assert fit.penalty == 10.0


def test_blocks_are_contiguous_and_dealt_out_in_turn() -> None:
    assert block_folds(14, 2, folds=3).tolist() == [0, 0, 1, 1, 2, 2, 0, 0, 1, 1, 2, 2, 0, 0]


def test_a_fold_leaves_out_another_season_each_year() -> None:
    # Six blocks of 60 days are a year but five days: dealt out in turn, each fold would be one season of all years.
    year = 8766
    fold = block_folds(3 * year, 1440).reshape(3, year)
    for one, other in ((0, 1), (1, 2), (0, 2)):
        assert np.mean(fold[one] == fold[other]) < 0.25


def test_blocks_are_as_long_as_the_gaps_that_hold_three_quarters_of_what_is_missing() -> None:
    missing = np.zeros(3000, dtype=bool)
    for first, last in ((100, 200), (300, 400), (1000, 1400), (2000, 2600)):
        missing[first:last] = True
    assert long_gap_hours(missing) == 600
    missing[2300:2600] = False
    assert long_gap_hours(missing) == 400


# Residuals


def test_residuals_of_scores_follow_the_size_of_the_estimate() -> None:
    # Normal residuals whose spread is a tenth of the estimate: a score is then the residual over that spread.
    estimate = chance(9).uniform(0, 100, 60_000)
    table = NormalScores.of(estimate, chance(10).normal(0, 1, estimate.size) * (0.1 * estimate))
    scores = np.array([[-1.645, -0.5, 0.0, 1.0, 2.0]])
    for size in (50.0, 80.0):
        assert np.allclose(table.residuals([size], scores)[0], 0.1 * size * scores, rtol=0.12, atol=0.4)


@given(st.integers(0, 10_000))
def test_a_residual_comes_back_from_its_score(seed: int) -> None:
    estimate = chance(seed).gamma(1, 10, 3000)
    residual = chance(seed + 1).gamma(1, 2, 3000) - 2
    table = NormalScores.of(estimate, residual)
    scores = table.scores(estimate, residual)
    inside = np.abs(scores) < 2.9
    assert np.allclose(table.residuals(estimate, scores[:, np.newaxis])[inside, 0], residual[inside], atol=1e-6)


def test_scores_are_standard_normal_whatever_residuals_are() -> None:
    # Residuals of an exponential distribution; Kolmogorov and Smirnov's distance from scipy's normal.
    estimate = chance(35).uniform(0, 10, 20_000)
    residual = chance(36).exponential(1, estimate.size) * (1 + estimate)
    scores = NormalScores.of(estimate, residual).scores(estimate, residual)
    assert stats.kstest(scores, stats.norm.cdf).statistic < 0.02


def test_members_of_scores_have_the_smearing_mean() -> None:
    # Duan 1983: the mean of the back-transformed over all residuals of a model of logarithms.
    residual = chance(37).normal(0, 0.4, 40_000) + chance(38).exponential(0.2, 40_000)
    table = NormalScores.of(np.zeros(residual.size), residual)
    members = np.exp(1.5 + table.residuals([0.0], chance(39).normal(0, 1, (1, 200_000))))
    smeared = smeared_mean([1.5], residual, np.exp)[0]
    assert members.mean() == pytest.approx(smeared, rel=0.01)
    assert table.mean([0.0], lambda root: np.exp(1.5 + root))[0] == pytest.approx(smeared, rel=0.01)


def test_residuals_that_all_are_alike_have_the_middle_score() -> None:
    table = NormalScores.of(np.zeros(500), np.full(500, -0.3))
    assert table.scores([0.0], [-0.3])[0] == 0.0


# Errors that persist


def _series(share: np.ndarray, hours: int, seed: int) -> np.ndarray:
    """One history of the processes (scipy.signal.lfilter)."""
    total = np.sqrt(share[0]) * chance(seed).normal(0, 1, hours)
    for number, k in enumerate(TIME_CONSTANTS_H[1:], start=1):
        kept = np.exp(-1 / k)
        new = chance(seed + number).normal(0, 1, hours)
        total += np.sqrt(share[number]) * signal.lfilter([np.sqrt(1 - kept**2)], [1, -kept], new)
    return total


def test_the_shares_of_memories_are_found_again() -> None:
    share = np.array([0.15, 0.2, 0.3, 0.13, 0.22])
    series = [(_series(share, 120_000, 10 * plot), np.ones(120_000)) for plot in range(3)]
    found = ResidualProcess.of(series)
    lags = np.array([1, 6, 24, 100, 400])
    assert np.allclose(found.covariance(lags), correlations(lags) @ share, atol=0.05)


def test_noise_persists_no_more_than_every_error_is_taken_to() -> None:
    found = ResidualProcess.of([(chance(13).normal(0, 1, 20_000), np.ones(20_000))])
    assert np.allclose(found.share[1:], LEAST_SHARE[1:], atol=0.02)


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 10_000))
def test_members_in_a_gap_are_gaussian_given_its_edges(seed: int) -> None:
    # Conditional mean and covariance of scipy's multivariate normal, C_12 C_22^-1 y and C_11 - C_12 C_22^-1 C_21, against those of
    # many members; unconditional draws are scipy's too.
    process = ResidualProcess(chance(seed).dirichlet(np.ones(TIME_CONSTANTS_H.size)))
    hour, edge = np.arange(5, 17), np.array([0, 3, 4, 17, 20])
    both = np.concatenate([hour, edge])
    covariance = process.covariance(both[:, None] - both)
    known = chance(seed + 1).normal(0, 1, edge.size)
    drawn = stats.multivariate_normal(cov=covariance + 1e-9 * np.eye(both.size)).rvs(4000, random_state=seed).T
    found = process.given(hour, edge, known, drawn[: hour.size], drawn[hour.size :])
    inside, across, outside = covariance[:12, :12], covariance[:12, 12:], covariance[12:, 12:]
    expected = across @ np.linalg.solve(outside, known)
    left = inside - across @ np.linalg.solve(outside, across.T)
    assert np.allclose(found.mean(axis=1), expected, atol=0.12)
    assert np.allclose(np.cov(found), left, atol=0.15)


def test_draws_of_the_processes_have_their_correlation() -> None:
    wanted = np.ones(400, dtype=bool)
    wanted[150:170] = False
    draws = Draws.of(wanted, lambda first: chance(100 + first), 2000)
    share = np.array([0.1, 0.2, 0.3, 0.2, 0.2])
    at = np.array([100, 101, 140, 180, 300])
    expected = correlations(at[:, None] - at) @ share
    assert np.allclose(np.corrcoef(draws.at(at, share)), expected, atol=0.07)


def test_what_is_drawn_for_a_gap_is_drawn_whatever_else_is() -> None:
    wanted, fewer = np.zeros(5000, dtype=bool), np.zeros(5000, dtype=bool)
    wanted[100:200] = wanted[4000:4100] = fewer[4000:4100] = True
    at, share = np.arange(4000, 4100), np.array([0.5, 0.3, 0.2, 0.0, 0.0])
    both, alone = (Draws.of(flags, lambda first: chance(first), 10).at(at, share) for flags in (wanted, fewer))
    assert np.allclose(both, alone, atol=1e-5)


def test_a_season_of_larger_residuals_is_seen() -> None:
    day = np.arange(0, 10 * 365.2425, 1 / 24)
    summer = (day % 365.2425 > 150) & (day % 365.2425 < 240)
    scale = seasonal_scale(day, np.where(summer, 2.0, 0.5), np.array([195.0, 20.0]))
    assert scale[0] == pytest.approx(2.0, rel=0.1)
    assert scale[1] == pytest.approx(0.5, rel=0.1)


# Efficiencies


def test_efficiencies_are_those_of_their_papers() -> None:
    # By hand: truth 1, 2, 3, 6 (mean 3, sum of squares about it 14), estimate 2, 2, 4, 4 (mean 3, 4): squared errors 1 + 0 + 1 + 4.
    truth, estimate = [1.0, 2.0, 3.0, 6.0], [2.0, 2.0, 4.0, 4.0]
    assert nash_sutcliffe(estimate, truth) == pytest.approx(1 - 6 / 14)
    # Correlation 6 / sqrt(14 * 4), ratio of spreads sqrt(4 / 14), ratio of means 1.
    correlation, spread = 6 / np.sqrt(56), np.sqrt(4 / 14)
    assert kling_gupta(estimate, truth) == pytest.approx(1 - np.hypot(correlation - 1, spread - 1))
    assert nash_sutcliffe(truth, truth) == kling_gupta(truth, truth) == 1.0


def test_the_mean_of_the_truth_has_no_efficiency() -> None:
    truth = [1.0, 2.0, 3.0, 6.0]
    assert nash_sutcliffe([3.0] * 4, truth) == 0.0
    assert np.isnan(kling_gupta([3.0] * 4, truth))


# Known totals


@given(
    st.integers(1, 40).flatmap(
        lambda n: st.tuples(arrays(float, n, elements=flows), arrays(float, n, elements=st.floats(0, 1e4)))
    ),
    flows,
)
def test_a_known_total_is_kept_exactly(of_hours: tuple[np.ndarray, np.ndarray], total: float) -> None:
    estimate, half_width = of_hours
    kept = keep_total(estimate, half_width, total)
    # To rounding of what was added up, or a billionth of a millilitre.
    size = np.abs(kept).sum() + np.abs(estimate).sum() + abs(total)
    assert kept.sum() == pytest.approx(total, abs=1e-12 * size + 1e-12)


@given(
    st.integers(1, 20).flatmap(
        lambda n: st.tuples(arrays(float, (n, 7), elements=flows), arrays(float, n, elements=st.floats(0, 1e4)))
    ),
    flows,
)
def test_every_member_keeps_a_known_total_as_if_it_were_alone(
    of_hours: tuple[np.ndarray, np.ndarray], total: float
) -> None:
    members, half_width = of_hours
    together = keep_total(members, half_width, total)
    alone = np.stack([keep_total(member, half_width, total) for member in members.T], axis=1)
    assert np.allclose(together, alone, rtol=1e-9, atol=1e-9)


def test_a_total_of_the_same_sign_keeps_the_shape() -> None:
    estimate = np.array([10.0, 0.0, 30.0, -4.0])
    assert np.allclose(keep_total(estimate, np.ones(4), 54.0), 1.5 * estimate)


def test_a_total_of_nothing_leaves_nothing() -> None:
    assert keep_total([10.0, 0.0, 30.0], [1.0, 1.0, 1.0], 0.0).tolist() == [0.0, 0.0, 0.0]


def test_a_total_of_the_other_sign_is_reached_where_estimates_are_least_certain() -> None:
    assert np.allclose(keep_total([10.0, 10.0], [1.0, 3.0], -20.0), [0.0, -20.0])


# Gap estimates

DAYS = 400
HOURS = DAYS * 24
DAY = np.arange(HOURS) / 24.0


def hydrograph(seed: int, time_constant_h: float = 40.0, hours: int = HOURS) -> tuple[np.ndarray, np.ndarray]:
    """Rain and the outflow of a linear reservoir that receives it: mm/h, and L/h from 1000 m²."""
    rain = chance(seed).gamma(2, 2, hours) * (chance(seed + 1).random(hours) < 0.02)
    return rain, antecedent_sum(rain, time_constant_h) / time_constant_h * 1000.0


@dataclass(frozen=True)
class Filled:
    """Means and members of what was estimated, not-a-number elsewhere, shape (plots, hours) and (plots, hours, members)."""

    volume: np.ndarray
    basis: np.ndarray
    members: np.ndarray


def estimates(
    flow: np.ndarray, rain: np.ndarray | None = None, treatment: np.ndarray | None = None, bridge: int = 6
) -> Filled:
    result = estimate_gaps(
        flow,
        np.isnan(flow),
        np.arange(flow.shape[1]) / 24.0,
        np.full(flow.shape[1], np.nan) if rain is None else rain,
        np.full(flow.shape[1], np.nan),
        np.full(flow.shape, np.nan),
        np.zeros(flow.shape, dtype=np.int64) if treatment is None else treatment,
        bridge,
        lambda plot, what, hour: seed_of(str(plot), what, str(hour)),
    )
    members = np.full((*flow.shape, ENSEMBLE_MEMBERS), np.nan, dtype=np.float32)
    for plot, hours in enumerate(result.hours):
        members[plot, hours] = result.members[plot]
    return Filled(members.mean(axis=2, dtype=float), result.basis, members)


def test_a_short_hole_in_a_recession_is_bridged_along_it() -> None:
    # Closed form of a linear reservoir without inflow: q(t) = q0 exp(-t / k); a straight line lies above it.
    k, at = 12.0, np.arange(2000)
    flow = 500.0 * np.exp(-(at % 100) / k)
    record = flow[np.newaxis].copy()
    record[0, 1010:1015] = np.nan
    result = estimates(record)
    assert (result.basis[0, 1010:1015] == "bridged").all()
    assert np.allclose(result.volume[0, 1010:1015], flow[1010:1015], rtol=1e-3)


def test_a_short_hole_between_edges_is_bridged_near_the_straight_line() -> None:
    _, flow = hydrograph(20, hours=2000)
    hole = slice(1000, 1005)
    record = flow[np.newaxis].copy()
    record[0, hole] = np.nan
    result = estimates(record)
    line = np.interp(np.arange(1000, 1005), [999, 1005], flow[[999, 1005]])
    assert (result.basis[0, hole] == "bridged").all()
    assert np.allclose(result.volume[0, hole], line, rtol=0.25)


def test_a_shower_in_a_short_hole_is_bridged_as_showers_of_the_record_ran() -> None:
    # Every shower drains within four hours, 200 L of it in all: a line between the two dry edges of the hole knows nothing of it.
    generator = np.random.default_rng(21)
    rain = np.zeros(3000)
    rain[np.sort(generator.choice(np.arange(20, 2980, 12), 120, replace=False))] = 8.0
    flow = 10.0 + np.convolve(rain / 8.0, [0.0, 40.0, 100.0, 50.0, 10.0], "full")[: rain.size]
    shower = int(np.flatnonzero(rain)[60])
    dry = 12 * next(number for number in range(100, 200) if not rain[12 * number - 12 : 12 * number + 24].any())
    record = flow[np.newaxis].copy()
    record[0, shower : shower + 5] = record[0, dry : dry + 5] = np.nan
    result = estimates(record, rain)
    assert result.volume[0, shower : shower + 5].sum() == pytest.approx(flow[shower : shower + 5].sum(), rel=0.1)
    assert result.volume[0, dry : dry + 5].sum() == pytest.approx(50.0, rel=0.1)


def test_a_hole_longer_than_the_policy_is_not_bridged() -> None:
    rain, flow = hydrograph(21, hours=4000)
    record = flow[np.newaxis].copy()
    record[0, 1000:1003] = np.nan
    assert (estimates(record, rain, bridge=2).basis[0, 1000:1003] == "from_weather").all()


def test_a_plot_that_drains_like_its_neighbour_is_filled_from_it() -> None:
    rain, flow = hydrograph(22)
    record = np.stack([flow, 2.25 * flow])
    gap = slice(3000, 3500)
    record[0, gap] = np.nan
    result = estimates(record, rain)
    assert (result.basis[0, gap] == "from_neighbours").all()
    assert np.allclose(result.volume[0, gap], flow[gap], rtol=0.02, atol=0.5)


def test_backward_flow_of_the_neighbours_is_backward_flow_here() -> None:
    rain, flow = hydrograph(23)
    flow = np.where(np.arange(HOURS) % 300 < 12, -0.5 * flow.mean(), flow)
    record = np.stack([flow, 1.5 * flow])
    gap = slice(3000, 3300)
    record[0, gap] = np.nan
    volume = estimates(record, rain).volume[0, gap]
    assert (volume[flow[gap] < 0] < 0).all()


def test_estimates_from_neighbours_vary_as_the_record_does() -> None:
    # A neighbour that explains four fifths of the variance: least squares would lose a fifth (Hirsch 1982).
    _, donor = hydrograph(24)
    root = np.sqrt(donor) + chance(25).normal(0, 0.5 * np.sqrt(donor).std(), HOURS)
    flow = signed_power(root)
    record = np.stack([flow, donor])
    out = (np.arange(HOURS) // 48) % 2 == 0
    record[0, out] = np.nan
    result = estimates(record, bridge=0)
    assert (result.basis[0, out] == "from_neighbours").all()
    # The mean of members cannot vary as the record does: each member does, and its error spreads farther by the factor.
    most = root[out].std() * np.sqrt(0.8 + 0.2 * HARDER**2)
    assert root[out].std() < signed_root(result.members[0, out]).std(axis=0).mean() < 1.05 * most


@pytest.mark.parametrize("knows", ["neighbour", "rain"])
def test_a_relation_is_not_carried_across_a_change_of_treatment(knows: str) -> None:
    # The treatment changes in the middle of the gap; what is known at the edges cannot tell when.
    rain, donor = hydrograph(26)
    half = HOURS // 2
    flow = np.where(np.arange(HOURS) < half, donor, 0.25 * donor)
    record = np.stack([flow, donor])[: 2 if knows == "neighbour" else 1]
    record[0, half - 400 : half + 400] = np.nan
    treatment = np.zeros(record.shape, dtype=np.int64)
    treatment[0, half:] = 1
    volume = estimates(record, rain if knows == "rain" else None, treatment).volume[0]
    for part in (slice(half - 400, half), slice(half, half + 400)):
        assert volume[part].sum() == pytest.approx(flow[part].sum(), rel=0.15)


def test_what_is_known_at_the_edges_is_carried_into_the_gap() -> None:
    # A relation that wanders (time constant 300 h): hours next to an edge are nearer to the truth than the relation itself is.
    _, donor = hydrograph(33)
    kept = np.exp(-1 / 300)
    wander = signal.lfilter([np.sqrt(1 - kept**2)], [1, -kept], chance(34).normal(0, 1, HOURS))
    flow = signed_power(np.sqrt(donor) + 3.0 + wander)
    record = np.stack([flow, donor])
    gaps = [slice(first, first + 150) for first in range(500, HOURS - 500, 500)]
    for gap in gaps:
        record[0, gap] = np.nan
    error = np.abs(signed_root(estimates(record).volume[0]) - signed_root(flow))
    at_edges = np.mean([error[[gap.start, gap.stop - 1]].mean() for gap in gaps])
    assert at_edges < 0.5 * np.abs(wander).mean()


def test_a_storm_in_a_dark_gap_is_known_from_the_rain() -> None:
    rain, flow = hydrograph(27)
    gap = slice(5000, 5500)
    record = flow[np.newaxis].copy()
    record[0, gap] = np.nan
    result = estimates(record, rain)
    assert (result.basis[0, gap] == "from_weather").all()
    assert np.corrcoef(result.volume[0, gap], flow[gap])[0, 1] > 0.9
    assert result.volume[0, gap].sum() == pytest.approx(flow[gap].sum(), rel=0.15)


def test_without_weather_only_the_season_fills() -> None:
    flow = 500 + 400 * np.cos(2 * np.pi * DAY / 365.2425)
    record = flow[np.newaxis].copy()
    gap = slice(5000, 5400)
    record[0, gap] = np.nan
    result = estimates(record)
    assert (result.basis[0, gap] == "from_weather").all()
    assert np.allclose(result.volume[0, gap], flow[gap], rtol=0.1)


def test_a_plot_that_was_never_measured_stays_unfilled() -> None:
    rain, flow = hydrograph(28, hours=2000)
    record = np.stack([flow, np.full(2000, np.nan)])
    result = estimates(record, rain)
    assert (result.basis[1] == "unfilled").all()
    assert np.isnan(result.volume[1]).all()


def test_intervals_from_neighbours_hold_what_a_normal_error_leaves_them() -> None:
    # Independent normal errors of one size, many gaps: a 90 % interval widened by the factor holds this share (scipy's normal).
    _, donor = hydrograph(31)
    flow = signed_power(np.sqrt(donor) + chance(32).normal(0, 1.0, HOURS))
    record = np.stack([flow, donor])
    out = (np.arange(HOURS) // 50) % 4 == 0
    record[0, out] = np.nan
    low, high = np.quantile(estimates(record, bridge=0).members[0, out], [0.05, 0.95], axis=1)
    held = (low <= flow[out]) & (flow[out] <= high)
    expected = 1 - 2 * stats.norm.sf(HARDER * stats.norm.ppf(0.95))
    assert held.mean() == pytest.approx(expected, abs=0.03)


def test_members_do_not_depend_on_the_number_of_cores(monkeypatch: pytest.MonkeyPatch) -> None:
    rain, flow = hydrograph(26, hours=4000)
    record = np.stack([flow, 1.3 * flow + 5.0])
    record[:, 1000:1060] = record[0, 2000:2100] = np.nan
    made = []
    for cores in (1, 2):
        monkeypatch.setattr("os.cpu_count", lambda cores=cores: cores)
        made.append(estimates(record, rain).members)
    assert np.isfinite(made[0][:, 1000:1060]).all()
    np.testing.assert_array_equal(made[0], made[1])


def test_plots_that_are_dark_at_once_err_together() -> None:
    # Both plots are one reservoir with rain that the gauge misses half of: their errors are the same, and so must be their members'.
    rain, flow = hydrograph(40)
    seen = np.where(chance(41).random(HOURS) < 0.5, rain, 0.0)
    record = np.stack([flow, 1.3 * flow])
    record[:, 5000:5400] = np.nan
    record[:, 7000:7300] = np.nan
    sums = estimates(record, seen).members[:, 5000:5400].sum(axis=1)
    assert np.corrcoef(sums)[0, 1] > 0.5


# Events


def test_an_event_lasts_until_a_linear_reservoir_has_receded_to_the_share_of_its_peak() -> None:
    # q(t) = q0 exp(-t / k) falls under a share s at t = k ln(1 / s): hours 0 .. floor(t).
    k, share = 30.0, 0.1
    flow = np.concatenate([np.zeros(10), 100 * np.exp(-np.arange(300) / k)])
    first, last = event_hours(flow, threshold=0.5, recession_share=share, separation_h=12)
    assert first.tolist() == [10]
    assert last.tolist() == [10 + int(k * np.log(1 / share)) + 1]


def test_an_event_ends_at_the_threshold_where_that_is_higher() -> None:
    k = 30.0
    flow = 3.0 * np.exp(-np.arange(300) / k)
    _, last = event_hours(flow, threshold=1.0, recession_share=0.1, separation_h=12)
    assert last.tolist() == [int(k * np.log(3.0)) + 1]


@pytest.mark.parametrize(("lull", "expected"), [(11, 1), (12, 2)])
def test_only_lulls_of_the_separation_divide_events(lull: int, expected: int) -> None:
    flow = np.concatenate([np.full(5, 9.0), np.full(lull, -2.0), np.full(5, 9.0)])
    assert event_hours(flow, 1.0, 0.1, 12)[0].size == expected


def test_a_second_storm_on_a_wet_recession_is_an_event_of_its_own() -> None:
    flow = np.concatenate([np.full(5, 100.0), np.full(30, 5.0), np.full(5, 60.0), np.full(30, 0.1)])
    first, last = event_hours(flow, 1.0, 0.1, 12)
    assert list(zip(first.tolist(), last.tolist(), strict=True)) == [(0, 5), (35, 40)]


def test_no_flow_is_no_event() -> None:
    assert event_hours(np.full(50, -3.0), 1.0, 0.1, 12)[0].size == 0
    assert event_hours(np.full(50, np.nan), 1.0, 0.1, 12)[0].size == 0


@given(arrays(float, st.integers(1, 200), elements=st.floats(-5, 50) | st.just(np.nan)), st.integers(1, 24))
def test_events_are_apart_and_hold_the_highest_flows(flow: np.ndarray, separation: int) -> None:
    first, last = event_hours(flow, 1.0, 0.1, separation)
    assert (last > first).all()
    assert (first[1:] - last[:-1] >= separation).all()
    assert (flow[first] >= 1.0).all()
    assert (flow[last - 1] >= 1.0).all()
    if np.nan_to_num(flow, nan=-9).max() >= 1.0:
        top = int(np.nanargmax(flow))
        assert ((first <= top) & (top < last)).any()


def test_storms_that_hold_each_others_peak_are_one_event() -> None:
    number = match_events(plot=[0, 0, 1, 1], first=[10, 100, 12, 103], last=[40, 160, 50, 150], peak=[15, 110, 16, 112])
    assert number.tolist() == [0, 1, 0, 1]


@pytest.mark.parametrize(("tolerance", "expected"), [(2, [0, 1]), (3, [0, 0])])
def test_a_plot_may_answer_later_by_the_tolerance(tolerance: int, expected: list[int]) -> None:
    # The first peak, hour 11, is three hours before the second event.
    assert match_events([0, 1], [10, 14], [16, 20], [11, 15], tolerance).tolist() == expected


def test_a_chain_of_tails_does_not_merge_a_wet_season() -> None:
    # Each event overlaps the next one's beginning, but none holds another's peak.
    begin = np.arange(0, 400, 40)
    number = match_events(np.arange(10) % 2, begin, begin + 55, begin + 20)
    assert number.tolist() == list(range(10))


@settings(max_examples=50)
@given(st.integers(0, 100_000), st.integers(2, 5))
def test_a_site_wide_event_has_at_most_one_event_of_each_plot(seed: int, plots: int) -> None:
    of_plot, begin, end, peak = [], [], [], []
    storms = chance(seed).gamma(1, 20, 400) * (chance(seed + 1).random(400) < 0.05)
    for plot in range(plots):
        response = antecedent_sum(np.roll(storms, plot), 8.0 + 6 * plot)
        for a, b in zip(*event_hours(response, 3.0, 0.2, 6), strict=True):
            of_plot.append(plot)
            begin.append(a)
            end.append(b)
            peak.append(a + int(np.argmax(response[a:b])))
    number = match_events(of_plot, begin, end, peak)
    pairs = list(zip(of_plot, number.tolist(), strict=True))
    assert len(set(pairs)) == len(pairs)
    assert set(number.tolist()) == set(range(len(set(number.tolist()))))


def test_stretches_of_true_are_found() -> None:
    first, last = stretches([True, True, False, True])
    assert (first.tolist(), last.tolist()) == ([0, 3], [2, 4])
