"""Sums over periods, intervals from members, shares of variance: against plain sums and published distributions."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.science.ensemble import seed_of, standard_normal_draws, uniform_draws
from pipeline.science.period_sums import Periods, interval_90, run_starts, sums_of_runs
from pipeline.science.variance_shares import variance_shares

labels = st.lists(st.integers(0, 3), min_size=1, max_size=40)


def test_a_run_ends_where_any_label_changes():
    assert run_starts([1, 1, 2, 2, 2], ["a", "a", "a", "b", "b"]).tolist() == [0, 2, 3]


def test_nothing_has_no_runs():
    assert run_starts(np.empty(0)).tolist() == []


@settings(max_examples=50, deadline=None)
@given(labels, st.integers(0, 2**32 - 1))
def test_sums_by_label_are_those_of_a_plain_grouping(label, seed):
    # Outside check: pandas, over hours and not over runs.
    values = np.random.default_rng(seed).normal(size=(3, len(label)))
    starts = run_starts(label)
    periods, first = Periods.of_labels(np.asarray(label)[starts])
    found = periods.sums(sums_of_runs(values, starts))
    expected = pd.DataFrame(values.T).groupby(np.asarray(label)).sum()
    np.testing.assert_allclose(found, expected.T, atol=1e-12)
    assert np.asarray(label)[starts][first].tolist() == expected.index.tolist()


def test_single_precision_is_summed_in_double_precision():
    # 2^24 + 1 is not a number of single precision (IEEE 754): added one by one in it, the ones would be lost.
    values = np.array([2.0**24, *[1.0] * 100], dtype=np.float32)
    assert sums_of_runs(values, np.array([0])).tolist() == [2**24 + 100]


def test_a_run_may_belong_to_several_periods():
    periods = Periods(np.array([0, 1, 1, 2]), np.array([0, 2]))
    assert periods.sums([1.0, 10.0, 100.0]).tolist() == [11.0, 110.0]


def test_no_periods_have_no_sums():
    assert Periods(np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64)).sums(np.ones((5, 3))).shape == (5, 0)


@pytest.mark.parametrize(
    ("draws", "half_width"),
    [
        # JCGM 101:2008, 9.2.2 to 9.2.3, has 95 % intervals of sums of four inputs, ±3.92 and ±3.88 (from memory); of one input, 90 %
        # intervals are 1.645 (standard normal, from tables) and 0.9 (rectangular within ±1, JCGM 100:2008, 4.3.7).
        (standard_normal_draws, 1.645),
        (uniform_draws, 0.9),
    ],
)
def test_an_interval_of_one_error_is_that_of_its_distribution(draws, half_width):
    low, high = interval_90(7.0, draws(seed_of("test", "interval"))[:, 0])
    assert (7.0 - low, high - 7.0) == pytest.approx((half_width, half_width), rel=0.03)


def test_four_normal_errors_add_up_as_published():
    # JCGM 101:2008, 9.2.2 (from memory): four standard normal inputs have a standard deviation of 2, and 90 % within 3.29. One
    # ensemble of 200 tells that within some 6 % (standard error of two quantiles); the mean of 200 ensembles within 0.5 %.
    totals = [standard_normal_draws(seed_of("test", "four", str(each)), 4).sum(axis=1) for each in range(200)]
    low, high = interval_90(np.zeros(200), np.stack(totals, axis=1))
    assert np.mean(high - low) / 2 == pytest.approx(2 * 1.645, rel=0.02)


def test_the_interval_is_moved_onto_the_reported_value():
    members = np.linspace(0.0, 1.0, 200)
    low, high = interval_90(100.0, members)
    assert (low + high) / 2 == pytest.approx(100.0)
    assert high - low == pytest.approx(0.9)


def test_the_interval_holds_the_reported_value_however_lopsided():
    # One member in 200 has everything: its mean lies above the 95th percentile.
    members = np.zeros(200)
    members[0] = 1000.0
    low, high = interval_90(5.0, members)
    assert low <= 5.0 <= high


def test_shares_are_squares_over_their_sum():
    # By hand: 9 and 16 of 25.
    assert variance_shares({"one": 3.0, "other": 4.0}) == pytest.approx({"one": 0.36, "other": 0.64})


@settings(max_examples=50, deadline=None)
@given(st.lists(st.floats(0, 1e200), min_size=1, max_size=8).filter(any))
def test_shares_make_up_the_whole(sizes):
    shares = variance_shares({str(number): size for number, size in enumerate(sizes)})
    assert sum(shares.values()) == pytest.approx(1.0)


def test_where_nothing_errs_there_are_no_shares():
    assert np.isnan(list(variance_shares({"one": 0.0, "other": 0.0}).values())).all()
