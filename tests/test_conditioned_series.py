"""Conditioned series: against dense matrices of numpy and scipy, which know nothing of bands."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import multivariate_normal

from pipeline.science.conditioned_series import Observations, Points, Prior, System, pooled
from pipeline.science.exponential_memory import Between, Memory, walks

MEMORY = Memory((0.3, 0.1), (200.0, 12.0))
PRIOR = Prior(np.array([0.2, -0.1]), np.diag([1.0, 4.0]))


def invented(seed: int, hours: int = 120, grabs: int = 8) -> tuple[Observations, np.ndarray, np.ndarray]:
    """Grabs, an hour sampled twice, and two windows that overlap: observations, weights by hour (n, hours), design by hour."""
    generator = np.random.default_rng(seed)
    design = np.column_stack([np.ones(hours), np.sin(np.arange(hours) / 10)])
    at = np.sort(generator.choice(hours, grabs, replace=False))
    hour = np.concatenate([at, at[:1], [40, 44, 50], [47, 60]])
    observation = np.concatenate([np.arange(grabs), [grabs], [grabs + 1] * 3, [grabs + 2] * 2])
    weight = np.concatenate([np.ones(grabs + 1), [0.5, 0.3, 0.2], [0.6, 0.4]])
    n = grabs + 3
    by_hour = np.zeros((n, hours))
    by_hour[observation, hour] = weight
    observations = Observations(
        Points(observation, hour, weight), generator.normal(0, 0.5, n), generator.uniform(0.001, 0.1, n), by_hour @ design
    )
    return observations, by_hour, design


def dense_covariance(hours: int) -> np.ndarray:
    lag = np.abs(np.subtract.outer(np.arange(hours), np.arange(hours)))
    return sum(sd**2 * np.exp(-lag / constant) for sd, constant in zip(MEMORY.sd, MEMORY.hours, strict=True))


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_the_conditional_mean_is_that_of_dense_gaussian_variables(seed):
    # Conditional mean of Gaussian variables, any statistics text: m + C_hy C_yy^-1 (y - m_y), by numpy's dense solver.
    observations, weights, design = invented(seed)
    hours = len(design)
    of_hours = dense_covariance(hours) + design @ np.linalg.inv(PRIOR.precision) @ design.T
    of_values = weights @ of_hours @ weights.T + np.diag(observations.variance)
    away = observations.value - weights @ design @ PRIOR.mean
    expected = design @ PRIOR.mean + of_hours @ weights.T @ np.linalg.solve(of_values, away)

    solved = System.of(observations, np.array([0, hours - 1])).solved(MEMORY)
    coefficients, states = solved.mean(PRIOR)
    between = Between.of(solved.system.knot, np.arange(hours), MEMORY)
    got = design @ coefficients + sum(between(part, states[part::2].astype(np.float32)) for part in range(2))
    np.testing.assert_allclose(got, expected, atol=2e-6)


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_the_likelihood_of_several_series_is_that_of_one_dense_normal_density(seed):
    # Common coefficients tie the series together; scipy's multivariate normal knows only the covariance of all values.
    common, own = np.array([1.0, 0.3]), np.array([0.4, 0.1])
    made = [invented(seed), invented(seed + 1)]
    values = np.concatenate([each.value for each, _, _ in made])
    designs = [each.design for each, _, _ in made]
    stacked = np.concatenate(designs)
    covariance = stacked @ np.diag(common**2) @ stacked.T
    place = 0
    for observations, weights, design in made:
        here = slice(place, place + len(weights))
        covariance[here, here] += weights @ dense_covariance(len(design)) @ weights.T + np.diag(observations.variance)
        covariance[here, here] += observations.design @ np.diag(own**2) @ observations.design.T
        place += len(weights)
    expected = multivariate_normal(np.zeros(values.size), covariance).logpdf(values)
    solved = [System.of(each, np.array([0, 119])).solved(MEMORY) for each, _, _ in made]
    got = pooled(solved, common, own).log_likelihood - values.size / 2 * np.log(2 * np.pi)
    assert got == pytest.approx(expected, rel=1e-9)


def test_what_a_series_has_from_the_others_is_what_dense_conditioning_gives():
    common, own = np.array([1.0, 0.3]), np.array([0.4, 0.1])
    (one, _, _), (other, weights, design) = invented(1), invented(2)
    covariance = weights @ dense_covariance(len(design)) @ weights.T + np.diag(other.variance)
    covariance += other.design @ np.diag(common**2 + own**2) @ other.design.T
    gain = np.diag(common**2) @ other.design.T @ np.linalg.inv(covariance)
    left = np.diag(common**2) - gain @ other.design @ np.diag(common**2) + np.diag(own**2)
    solved = [System.of(each, np.array([0, 119])).solved(MEMORY) for each in (one, other)]
    prior = pooled(solved, common, own).priors[0]
    np.testing.assert_allclose(prior.mean, gain @ other.value, atol=1e-9)
    np.testing.assert_allclose(np.linalg.inv(prior.precision), left, atol=1e-9)


def test_draws_spread_as_the_dense_conditional_covariance_says():
    observations, weights, design = invented(3)
    hours = len(design)
    of_hours = dense_covariance(hours) + design @ np.linalg.inv(PRIOR.precision) @ design.T
    of_values = weights @ of_hours @ weights.T + np.diag(observations.variance)
    expected = of_hours - of_hours @ weights.T @ np.linalg.solve(of_values, weights @ of_hours)
    solved = System.of(observations, np.array([0, hours - 1])).solved(MEMORY)
    generator = np.random.default_rng(7)
    count = 20_000
    errors = np.sqrt(observations.variance)[:, np.newaxis] * generator.standard_normal((len(weights), count))
    coefficients, states = solved.draws(PRIOR, errors, generator)
    knot = solved.system.knot
    got = np.cov(design[knot] @ coefficients + states[::2] + states[1::2])
    # A sample variance of 20,000 draws is within 4 % of the truth in all but one case in 10,000 (chi-squared distribution).
    np.testing.assert_allclose(got, expected[np.ix_(knot, knot)], atol=0.05 * expected.max())


def test_free_histories_have_the_covariance_of_the_process():
    history = walks(np.random.default_rng(5), 0.3, 12.0, 20_000, 40)
    lag = np.abs(np.subtract.outer(np.arange(40), np.arange(40)))
    np.testing.assert_allclose(np.cov(history.T), 0.09 * np.exp(-lag / 12), atol=0.004)


def test_cost_grows_linearly_with_results():
    # Not seconds: the band's height, which is what a quadratic cost would show in.
    few, many = (System.of(Observations(Points(np.arange(n), np.arange(n), np.ones(n)), np.zeros(n), np.ones(n), np.ones((n, 1))),
                           np.array([0])) for n in (100, 10_000))  # fmt: skip
    assert many.band.shape[0] == few.band.shape[0]
    assert many.band.shape[1] == 100 * few.band.shape[1]
