"""Precision and bias of a laboratory, held against simulated laboratories and textbook values."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from pipeline.science.holding_times import FILTERED_ANALYTES, FILTERING_LIMITS_H, HOLDING_LIMITS_H
from pipeline.science.laboratory_precision import (
    LIMIT_PER_STANDARD_DEVIATION,
    recovery_pct,
    relative_bias_pct,
    relative_difference_pct,
    relative_standard_deviation_pct,
    standard_uncertainty_mg_l,
)
from pipeline.site.analytes import ANALYTES
from pipeline.tables.declared.samples import PRESERVATION

positive = st.floats(1e-3, 1e3)


def test_pairs_give_back_the_precision_of_a_simulated_laboratory():
    generator = np.random.default_rng(3)
    true = generator.uniform(5, 20, 20_000)
    first, second = (true * (1 + 0.03 * generator.standard_normal(true.size)) for _ in range(2))
    shown = relative_standard_deviation_pct(np.mean(relative_difference_pct(first, second) ** 2))
    # 20,000 pairs know a standard deviation to 0.5 %; the mean of the pair in the divisor takes a thousandth.
    assert shown == pytest.approx(3.0, rel=0.02)


def test_a_single_pair_shows_its_half_difference_times_root_two():
    # The standard deviation of two values a and b is |a - b| / sqrt(2): numpy's, with one degree of freedom.
    pair = np.array([9.0, 11.0])
    shown = relative_standard_deviation_pct(relative_difference_pct(*pair) ** 2)
    assert shown == pytest.approx(100 * np.std(pair, ddof=1) / pair.mean())


@given(positive, positive, positive)
def test_a_relative_difference_knows_neither_unit_nor_order(first, second, scale):
    known = relative_difference_pct(first, second)
    assert relative_difference_pct(second * scale, first * scale) == pytest.approx(known, rel=1e-9, abs=1e-9)
    assert 0 <= known <= 200


def test_two_results_of_nothing_do_not_differ():
    assert relative_difference_pct(0.0, 0.0) == 0.0


@given(positive, positive, st.floats(1, 200))
def test_a_laboratory_that_finds_a_share_of_what_was_added_recovers_that_share(before, added, share_pct):
    found = before + added * share_pct / 100
    assert recovery_pct(found, before, added) == pytest.approx(share_pct, rel=1e-6, abs=1e-6 * (1 + 100 * before / added))


def test_a_laboratory_that_always_finds_four_per_cent_too_much_is_off_by_four_per_cent():
    assert relative_bias_pct(np.mean((np.full(7, 104.0) - 100) ** 2)) == pytest.approx(4.0)


def test_a_detection_limit_is_twice_the_95_per_cent_quantile_of_the_normal_distribution():
    assert pytest.approx(2 * norm.ppf(0.95), abs=0.005) == LIMIT_PER_STANDARD_DEVIATION


def test_far_above_the_limit_the_uncertainty_is_relative():
    assert standard_uncertainty_mg_l(100.0, 0.1, 2.0) == pytest.approx(2.0, rel=1e-3)


def test_near_nothing_the_uncertainty_is_that_of_the_limit():
    assert standard_uncertainty_mg_l(0.0, 3.29, 2.0) == pytest.approx(1.0)


def test_without_a_limit_the_uncertainty_is_relative_alone():
    assert standard_uncertainty_mg_l(10.0, np.nan, 2.0) == pytest.approx(0.2)


# Holding times: 40 CFR Part 136, Table II, from memory.


def test_every_known_analyte_has_holding_times_for_known_preservations():
    assert set(HOLDING_LIMITS_H) == set(ANALYTES)
    assert all(set(limits) <= set(PRESERVATION) for limits in HOLDING_LIMITS_H.values())


def test_analytes_that_are_filtered_are_known():
    assert {*FILTERED_ANALYTES, *FILTERING_LIMITS_H} <= set(ANALYTES)


@pytest.mark.parametrize(
    ("analyte", "preserved", "days"),
    [
        ("nitrate_n", "chilled", 2),
        ("nitrate_nitrite_n", "acidified", 28),
        ("ammonium_n", "acidified", 28),
        ("kjeldahl_n", "acidified", 28),
        ("dissolved_reactive_p", "chilled", 2),
        ("total_p", "acidified", 28),
    ],
)
def test_bottles_may_wait_as_long_as_the_table_says(analyte, preserved, days):
    assert HOLDING_LIMITS_H[analyte][preserved] == 24 * days


def test_dissolved_reactive_phosphorus_is_filtered_within_fifteen_minutes():
    assert FILTERING_LIMITS_H["dissolved_reactive_p"] * 60 == 15
