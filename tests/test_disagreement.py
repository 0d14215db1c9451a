"""Promises of doubt: it grows with how far estimates lie apart, relative to their volume and to what is usual."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.science.disagreement import BLOCK_H, LARGEST_FACTOR, times_farther_apart, usual_disagreement


def steady(*by_fortnight: tuple[float, ...]) -> np.ndarray:
    """Estimates that are steady within each fortnight, shape (estimates, hours)."""
    return np.repeat(np.array(by_fortnight), BLOCK_H, axis=1)


FIRST, SECOND = slice(0, BLOCK_H), slice(BLOCK_H, 2 * BLOCK_H)


def test_a_volume_is_doubted_more_where_estimates_lie_farther_apart() -> None:
    # Means 10 and 10, standard deviations 1 and 3: variances over the squared mean 0.01 and 0.09, usually 0.05.
    estimates = steady((9.0, 7.0), (11.0, 13.0))
    usual = usual_disagreement(estimates)
    assert usual == pytest.approx(0.05)
    assert times_farther_apart(estimates[:, FIRST], usual) == pytest.approx(np.sqrt((0.01 / 0.05 + 1) / 2))
    assert times_farther_apart(estimates[:, SECOND], usual) == pytest.approx(np.sqrt((0.09 / 0.05 + 1) / 2))


def test_what_is_usual_is_told_by_wet_fortnights_more_than_by_dry_ones() -> None:
    # Of 100 L an hour estimates agree, of 1 L they do not at all: 1 / (100^2 + 1) and not a half.
    assert usual_disagreement(steady((100.0, 0.0), (100.0, 2.0))) == pytest.approx(1 / (100**2 + 1))


def test_estimates_that_never_differ_leave_the_error_as_it_is() -> None:
    estimates = steady((5.0, 7.0), (5.0, 7.0))
    assert times_farther_apart(estimates[:, FIRST], usual_disagreement(estimates)) == 1.0


def test_opposite_estimates_of_a_dry_fortnight_do_not_make_it_boundless() -> None:
    estimates = steady((10.0, 1.0), (10.1, -1.0))
    assert times_farther_apart(estimates[:, SECOND], usual_disagreement(estimates)) == LARGEST_FACTOR


def test_hours_of_which_an_estimate_says_nothing_tell_nothing_of_what_is_usual() -> None:
    estimates = steady((9.0, 500.0), (11.0, np.nan))
    assert usual_disagreement(estimates) == pytest.approx(0.01)
    assert usual_disagreement(np.full((2, BLOCK_H), np.nan)) == 0.0
    assert usual_disagreement(estimates[:, : BLOCK_H - 1]) == 0.0


@given(st.floats(0.001, 1000.0), st.integers(0, 2**32 - 1))
def test_doubt_does_not_depend_on_the_unit(factor: float, seed: int) -> None:
    estimates = np.random.default_rng(seed).uniform(1.0, 2.0, (3, 3 * BLOCK_H))
    here = times_farther_apart(estimates[:, FIRST], usual_disagreement(estimates))
    assert times_farther_apart(factor * estimates[:, FIRST], usual_disagreement(factor * estimates)) == pytest.approx(
        here
    )
