"""Promises of litres per pulse from bench runs: against textbook statistics, and against truth."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from pipeline.science.bench_regression import (
    BenchResult,
    linearity,
    litres_per_pulse,
    repeatability,
    runs_at_one_flow,
)
from tests.bench.bench_proofs import CURVE, curve_limit

NEVER_OFF = 1e-9
FINE_PULSE_L = 0.001


def _proof(
    pulses: np.ndarray, reference_l: np.ndarray, u_l: float = 1e-6, curve: float = NEVER_OFF, common: float = 0.0
) -> BenchResult:
    runs = len(pulses)
    flow = np.geomspace(20.0, 200.0, runs)
    return litres_per_pulse(pulses, reference_l, np.full(runs, u_l), flow, np.full(runs, curve), common)


@pytest.mark.parametrize("runs", [5, 8, 12])
def test_where_only_repeatability_matters_the_interval_is_students(runs: int) -> None:
    # The t interval of a mean, any text on statistics, by scipy.
    generator = np.random.default_rng(runs)
    volume = np.full(runs, 1000.0)
    pulses = volume / FINE_PULSE_L * (1 + 0.003 * generator.standard_normal(runs))
    per_litre = pulses / volume
    expected = stats.t.ppf(0.975, runs - 1) * stats.sem(per_litre) / per_litre.mean()
    found = _proof(pulses, volume)
    assert found.expanded_uncertainty == pytest.approx(expected, rel=0.05)
    assert found.litres_per_pulse == pytest.approx(1 / per_litre.mean(), rel=1e-4)


def test_where_known_variances_outweigh_the_unknown_the_interval_is_normal() -> None:
    # Law of propagation, JCGM 100:2008, 5.1.2: the weighted mean of runs with relative uncertainties u / V.
    volume = np.array([500.0, 700.0, 900.0, 1500.0])
    u_l = 40.0
    expected = stats.norm.ppf(0.975) / np.sqrt(((volume / u_l) ** 2).sum())
    found = _proof(volume / FINE_PULSE_L, volume, u_l)
    assert found.expanded_uncertainty == pytest.approx(expected, rel=0.03)
    assert found.expanded_uncertainty > expected  # what nobody knows of repeatability is never nothing


def test_the_regression_is_the_weighted_one_through_the_origin() -> None:
    # Weighted least squares of pulses on litres without a constant, by numpy: each row divided by its standard deviation.
    volume = np.array([100.0, 400.0, 1600.0])
    pulses = volume / FINE_PULSE_L * np.array([1.02, 0.99, 1.001])
    u_l = 3.0
    deviation = pulses / volume * u_l
    slope, *_ = np.linalg.lstsq((volume / deviation)[:, None], pulses / deviation, rcond=None)
    assert _proof(pulses, volume, u_l).litres_per_pulse == pytest.approx(1 / slope[0], rel=1e-3)


def test_counting_alone_leaves_a_sixth_of_a_square_pulse_a_run() -> None:
    # The difference of two independent rectangular errors of width 1 has the variance 1/6 (JCGM 100:2008, 4.3.7 and 4.3.9).
    ends = np.random.default_rng(1).random((200_000, 2))
    scatter = (ends[:, 0] - ends[:, 1]).var()
    found = _proof(np.full(4, 50.0), np.full(4, 1000.0))
    assert found.counting == pytest.approx(np.sqrt(scatter / 4) / 50, rel=0.01)


@pytest.mark.parametrize("runs", [3, 30])
def test_an_error_of_the_reference_that_all_runs_share_does_not_fade(runs: int) -> None:
    volume = np.full(runs, 1000.0)
    found = _proof(volume / FINE_PULSE_L, volume, u_l=1.0, common=0.01)
    assert found.expanded_uncertainty >= 1.96 * 0.0098
    assert found.reference == pytest.approx(0.01, rel=0.05)


def test_a_wider_error_curve_leaves_litres_per_pulse_less_sure() -> None:
    volume = np.full(6, 1000.0)
    wide, narrow = (_proof(volume / FINE_PULSE_L, volume, 1.0, curve).expanded_uncertainty for curve in (0.02, 0.002))
    assert wide > 1.5 * narrow


def test_more_runs_make_surer() -> None:
    few, many = (_proof(np.full(runs, 80.0), np.full(runs, 400.0)).expanded_uncertainty for runs in (3, 12))
    assert many < 0.6 * few


def test_runs_without_a_pulse_are_refused() -> None:
    with pytest.raises(ValueError, match="a run with pulses"):
        _proof(np.zeros(3), np.full(3, 100.0))


benches = st.integers(3, 9).flatmap(
    lambda runs: st.tuples(
        st.lists(st.floats(200, 3000), min_size=runs, max_size=runs),
        st.lists(st.floats(0.98, 1.02), min_size=runs, max_size=runs),
        st.lists(st.floats(10, 300), min_size=runs, max_size=runs),
        st.permutations(range(runs)),
    )
)


def _of(bench: tuple[list[float], list[float], list[float], list[int]], scale: float = 1.0) -> tuple[np.ndarray, ...]:
    volume, excess, flow, _ = (np.array(part) for part in bench)
    return np.round(volume * excess / 6.0), volume * scale, np.full(volume.size, 0.8 * scale), flow, curve_limit(flow)


@settings(max_examples=30, deadline=None)
@given(benches, st.floats(0.1, 10.0))
def test_scaling_the_reference_scales_litres_per_pulse(bench: tuple, scale: float) -> None:
    one, scaled = litres_per_pulse(*_of(bench)), litres_per_pulse(*_of(bench, scale))
    assert scaled.litres_per_pulse == pytest.approx(scale * one.litres_per_pulse, rel=1e-9)
    assert scaled.expanded_uncertainty == pytest.approx(one.expanded_uncertainty, rel=1e-6)


@settings(max_examples=30, deadline=None)
@given(benches)
def test_the_order_of_runs_does_not_matter(bench: tuple) -> None:
    parts = _of(bench)
    one, shuffled = litres_per_pulse(*parts), litres_per_pulse(*(part[bench[3]] for part in parts))
    assert shuffled.litres_per_pulse == pytest.approx(one.litres_per_pulse, rel=1e-9)
    assert shuffled.expanded_uncertainty == pytest.approx(one.expanded_uncertainty, rel=1e-6)


@settings(max_examples=30, deadline=None)
@given(benches)
def test_the_sources_make_up_the_whole(bench: tuple) -> None:
    found = litres_per_pulse(*_of(bench))
    whole = found.reference**2 + found.counting**2 + found.repeatability**2 + found.error_curve**2
    assert found.coverage_factor * np.sqrt(whole) == pytest.approx(found.expanded_uncertainty)


def test_the_true_value_lies_within_the_stated_uncertainty_about_95_times_in_100() -> None:
    """A short run of tests/bench/bench_proofs.py, on arrays; with 500 benches 95 % shows as 92 to 98 %."""
    generator = np.random.default_rng(140)
    covered = []
    for _ in range(500):
        runs = int(generator.integers(3, 13))
        flow = np.exp(generator.uniform(np.log(8), np.log(500), runs))
        true = np.exp(generator.uniform(np.log(0.5), np.log(200)))
        volume = np.maximum(flow * generator.uniform(5, 20, runs), 10 * true)
        u_l = volume.mean() * np.exp(generator.uniform(np.log(2e-4), np.log(5e-3)))
        wave = generator.uniform(0.4, 0.9) * np.sin(
            generator.uniform(0.4, 1.5) * np.log(flow) + generator.uniform(0, 6.3)
        )
        error = wave * curve_limit(flow) + np.exp(
            generator.uniform(np.log(2e-4), np.log(5e-3))
        ) * generator.standard_normal(runs)
        pulses = np.floor(volume * (1 + error) / true + generator.random(runs))
        reference = volume + u_l * generator.standard_normal(runs)
        found = litres_per_pulse(pulses, reference, np.full(runs, u_l), flow, curve_limit(flow))
        covered.append(abs(found.litres_per_pulse / true - 1) <= found.expanded_uncertainty)
    assert 0.92 <= np.mean(covered) <= 0.98


def test_runs_are_at_one_flow_when_they_are_within_ten_per_cent() -> None:
    assert list(runs_at_one_flow([60.0, 9.0, 61.0, 240.0, 9.5])) == [1, 0, 1, 2, 0]


def test_repeatability_is_the_pooled_standard_deviation_at_each_flow() -> None:
    # By hand: sums of squares 2 (0.01)² and 2 (0.02)², two degrees of freedom.
    found = repeatability([0.01, -0.01, 0.12, 0.08, 0.5], [0, 0, 1, 1, 2])
    assert found == pytest.approx(np.sqrt((2 * 0.01**2 + 2 * 0.02**2) / 2))


def test_repeatability_is_unknown_where_no_flow_was_run_twice() -> None:
    assert np.isnan(repeatability([0.01, 0.02], [0, 1]))


def test_linearity_is_half_the_range_over_the_middle() -> None:
    # 5.00, 5.10 and 5.20 L per pulse: (5.2 - 5.0) / (5.2 + 5.0).
    assert linearity([100, 50, 50, 200], [500, 255, 255, 1040], [0, 1, 1, 2]) == pytest.approx(0.2 / 10.2)


def test_linearity_is_unknown_at_one_flow() -> None:
    assert np.isnan(linearity([100, 50], [500, 255], [0, 0]))


def test_the_study_uses_the_error_curve_that_it_says() -> None:
    flows, limits = np.array(CURVE).T
    assert curve_limit(flows) == pytest.approx(limits / 100)
    assert curve_limit(np.array([1.0])) == pytest.approx([0.24])
