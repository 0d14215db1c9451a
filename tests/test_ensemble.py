"""Promises of the ensemble's draws: means of exactly zero, their distribution, and the same draws for the same names."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from pipeline.science.ensemble import ENSEMBLE_MEMBERS, percentiles_90, seed_of, standard_normal_draws, uniform_draws

DRAWS = {"normal": (standard_normal_draws, stats.norm()), "uniform": (uniform_draws, stats.uniform(-1, 2))}

names = st.lists(st.text(max_size=8), min_size=1, max_size=4)


@settings(max_examples=50, deadline=None)
@given(names, st.sampled_from(sorted(DRAWS)))
def test_the_mean_over_members_is_exactly_zero(words: list[str], kind: str) -> None:
    draws = DRAWS[kind][0](seed_of(*words), 5)
    assert draws.shape == (ENSEMBLE_MEMBERS, 5)
    assert np.array_equal(np.sort(draws, axis=0), -np.sort(draws, axis=0)[::-1])


@settings(max_examples=50, deadline=None)
@given(names, st.sampled_from(sorted(DRAWS)))
def test_one_draw_lies_in_each_of_as_many_equal_strata_as_members(words: list[str], kind: str) -> None:
    draw, distribution = DRAWS[kind]
    strata = np.floor(distribution.cdf(draw(seed_of(*words))[:, 0]) * ENSEMBLE_MEMBERS)
    # A draw on a stratum's very edge may be rounded across it.
    assert (np.abs(np.sort(strata) - np.arange(ENSEMBLE_MEMBERS)) <= 1).all()
    assert len(set(strata)) >= ENSEMBLE_MEMBERS - 1


@pytest.mark.parametrize("kind", sorted(DRAWS))
def test_draws_have_the_spread_of_their_distribution(kind: str) -> None:
    # Standard deviations: 1, and 1/sqrt(3) of a rectangular distribution (JCGM 100:2008, 4.3.7).
    draw, distribution = DRAWS[kind]
    assert draw(seed_of("spread"), 50).std() == pytest.approx(distribution.std(), rel=0.005)


def test_independent_errors_are_hardly_correlated() -> None:
    draws = standard_normal_draws(seed_of("independence"), 40)
    off_diagonal = np.corrcoef(draws, rowvar=False)[~np.eye(40, dtype=bool)]
    # The correlation of independent samples of n has a standard deviation of 1/sqrt(n - 1).
    assert off_diagonal.std() == pytest.approx(1 / np.sqrt(ENSEMBLE_MEMBERS - 1), rel=0.15)


def test_the_same_names_give_the_same_draws_and_others_give_others() -> None:
    first = standard_normal_draws(seed_of("site", "north", "2020"))
    assert np.array_equal(first, standard_normal_draws(seed_of("site", "north", "2020")))
    for others in (("site", "north", "2021"), ("site", "north2020"), ("north", "site", "2020"), ("site", "north")):
        assert not np.array_equal(first, standard_normal_draws(seed_of(*others)))


@given(
    st.integers(1, 60).flatmap(
        lambda count: st.lists(
            st.lists(st.floats(-1e6, 1e6, width=32), min_size=count, max_size=count), min_size=1, max_size=4
        )
    )
)
def test_percentiles_are_those_of_numpy(columns: list[list[float]]) -> None:
    """numpy's own default (the seventh of Hyndman and Fan 1996) finds each column's by itself."""
    members = np.array(columns).T
    for drawn in (members, members.astype(np.float32)):
        expected = np.quantile(members, [0.05, 0.95], axis=0)
        np.testing.assert_allclose(percentiles_90(drawn), expected, rtol=1e-12, atol=1e-9)


def test_no_percentile_where_a_member_is_not_known() -> None:
    low, high = percentiles_90(np.array([[1.0, np.nan], [2.0, 5.0]]))
    assert (low[0], high[0]) == pytest.approx((1.05, 1.95))
    assert np.isnan([low[1], high[1]]).all()
