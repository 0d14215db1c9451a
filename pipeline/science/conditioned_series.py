"""A regression with persistent deviations, conditioned on weighted means of moments.

Belongs here: the linear system of one series, its likelihood, several series that share what they tell of coefficients, the
conditional mean, and draws about it.
Does not: the process (exponential_memory.py), logarithms, limits and composites (concentration_model.py).

Every observation is a weighted mean of (design times coefficients, plus deviations) at some hours, plus an independent error. With
states at the hours that observations touch (knots), the posterior precision has a narrow band, as wide as the knots under one
observation; cost and memory grow linearly with their number.
Source: Rue and Held 2005, Gaussian Markov Random Fields (banded precision); Rasmussen and Williams 2006, Gaussian Processes for
Machine Learning, section 2.7 (coefficients with a prior); Lindley and Smith 1972, J. R. Stat. Soc. B 34 (coefficients of alike series).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_solve_banded, cholesky_banded

from pipeline.science.exponential_memory import PARTS, Memory, information_draws, precision_band

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]


@dataclass(frozen=True)
class Points:
    """Which hours each observation is a mean of; sorted by observation.

    Attributes:
        observation, hour: shape (q,).
        weight: sums to 1 in each observation, shape (q,).
    """

    observation: Indices
    hour: Indices
    weight: Floats


@dataclass(frozen=True)
class Observations:
    """Observations of one series with their errors.

    Attributes:
        points: what they are means of; every observation has one at least.
        value: shape (n,).
        variance: of the independent error, shape (n,).
        design: mean of the regressors under each, shape (n, p).
    """

    points: Points
    value: Floats
    variance: Floats
    design: Floats


@dataclass(frozen=True)
class System:
    """What observations say, whatever the process.

    Attributes:
        knot: hours with a state, ascending, shape (k,).
        band: their information about the states, lower banded form, shape (rows, 2 k).
        state: number of the first state (of two) that each point touches, shape (q,).
        informs: states' information about values and design, shape (2 k, 1 + p).
        moments: of values and design with one another, weighted by 1 / variance, shape (1 + p, 1 + p).
        log_variance: sum over observations.
    """

    observations: Observations
    knot: Indices
    band: Floats
    state: Indices
    informs: Floats
    moments: Floats
    log_variance: float

    @classmethod
    def of(cls, observations: Observations, also: Indices) -> System:
        """The system of one series.

        Args:
            observations: n at least 1.
            also: hours that need a state beside those observed, such as the first and the last.
        """
        points = observations.points
        knot = np.unique(np.concatenate([points.hour, also]))
        place = np.searchsorted(knot, points.hour)
        band = _information_band(points, place, observations.variance, PARTS * knot.size)
        told = np.column_stack([observations.value, observations.design])
        weighted = told / observations.variance[:, np.newaxis]
        system = cls(
            observations,
            knot,
            band,
            PARTS * place,
            np.empty((0, 0)),
            told.T @ weighted,
            float(np.log(observations.variance).sum()),
        )
        return cls(**{**system.__dict__, "informs": system.spread(weighted)})

    def spread(self, weighted: Floats) -> Floats:
        """Information of the states from values divided by their variances, shape (n, m) to (2 k, m)."""
        points = self.observations.points
        at_points = weighted[points.observation] * points.weight[:, np.newaxis]
        made = np.zeros((PARTS * self.knot.size, weighted.shape[1]))
        # Points of one knot come from several observations.
        np.add.at(made, self.state, at_points)
        made[1::PARTS] = made[::PARTS]
        return made

    def solved(self, memory: Memory) -> Solved:
        """The system under one process."""
        band, log_determinant = precision_band(self.knot, memory, self.band.shape[0])
        factor = cholesky_banded(band + self.band, lower=True, check_finite=False)
        reach = cho_solve_banded((factor, True), self.informs, check_finite=False)
        moments = self.moments - self.informs.T @ reach
        log_marginal = 2 * float(np.log(factor[0]).sum()) - log_determinant + self.log_variance
        return Solved(self, memory, factor, reach, moments, log_marginal)


def _information_band(points: Points, place: Indices, variance: Floats, states: int) -> Floats:
    """Lower band of the sum over observations of the outer product of their weights over their variance."""
    # All pairs of points of one observation, found by shifting the list of points against itself.
    pairs = []
    shift, size = 0, points.hour.size
    while shift < size:
        first = np.flatnonzero(points.observation[shift:] == points.observation[: size - shift])
        if first.size == 0:
            break
        pairs.append((first, first + shift))
        shift += 1
    one, other = (np.concatenate([pair[side] for pair in pairs]) for side in (0, 1))
    value = points.weight[one] * points.weight[other] / variance[points.observation[one]]
    low, high = np.minimum(place[one], place[other]), np.maximum(place[one], place[other])
    rows = max(PARTS * int((high - low).max()) + PARTS, PARTS + 1)
    band = np.zeros((rows, states))
    for row_part in range(PARTS):
        for column_part in range(PARTS):
            row, column = PARTS * high + row_part, PARTS * low + column_part
            inside = row >= column
            np.add.at(band, (row[inside] - column[inside], column[inside]), value[inside])
    return band


@dataclass(frozen=True)
class Solved:
    """A system under one process.

    Attributes:
        factor: Cholesky factor of the states' posterior precision, coefficients being known.
        reach: states that values and design make, shape (2 k, 1 + p).
        moments: of values and design, weighted by the inverse of the observations' covariance, shape (1 + p, 1 + p).
        log_determinant: of that covariance.
    """

    system: System
    memory: Memory
    factor: Floats
    reach: Floats
    moments: Floats
    log_determinant: float

    def mean(self, prior: Prior) -> tuple[Floats, Floats]:
        """Conditional means of coefficients, shape (p,), and of states, shape (2 k,)."""
        told = prior.precision @ prior.mean + self.moments[1:, 0]
        coefficients = np.linalg.solve(prior.precision + self.moments[1:, 1:], told).astype(np.float64)
        return coefficients, self.reach[:, 0] - self.reach[:, 1:] @ coefficients

    def covariance(self, prior: Prior, rows: Indices) -> Floats:
        """Conditional covariance of what some of the observations measure, without their errors, shape (m, m)."""
        unit = np.zeros((self.system.observations.value.size, rows.size))
        unit[rows, np.arange(rows.size)] = 1.0
        touched = self.system.spread(unit)
        of_states = touched.T @ cho_solve_banded((self.factor, True), touched, check_finite=False)
        of_coefficients = self.system.observations.design[rows].T - self.reach[:, 1:].T @ touched
        known = prior.precision + self.moments[1:, 1:]
        return np.asarray(of_states + of_coefficients.T @ np.linalg.solve(known, of_coefficients), dtype=float)

    def response(self, prior: Prior, value: Floats, of_coefficients: Floats, of_states: Floats) -> tuple[Floats, Floats]:
        """Coefficients and states that other values and information would make.

        The response is linear: errors of observations, with information of the priors drawn beside them, make draws about the
        conditional mean (perturbation of all data: Papandreou and Yuille 2010, NIPS 23; Matheron's rule).

        Args:
            prior: of the coefficients.
            value: in place of the observations', shape (n, m).
            of_coefficients: information, in place of precision times mean, shape (p, m).
            of_states: information, in place of nothing, shape (2 k, m).

        Returns:
            Shapes (p, m) and (2 k, m).
        """
        weighted = value / self.system.observations.variance[:, np.newaxis]
        states = cho_solve_banded((self.factor, True), of_states + self.system.spread(weighted), check_finite=False)
        told = of_coefficients + self.system.observations.design.T @ weighted
        told -= self.system.informs[:, 1:].T @ states
        coefficients = np.linalg.solve(prior.precision + self.moments[1:, 1:], told).astype(np.float64)
        return coefficients, states - self.reach[:, 1:] @ coefficients

    def draws(self, prior: Prior, errors: Floats, generator: np.random.Generator) -> tuple[Floats, Floats]:
        """Deviations from the conditional mean.

        Args:
            prior: of the coefficients.
            errors: of the observations, drawn, shape (n, m). They may be common to observations although the mean takes them as
                independent: the draws then tell how far that mean errs.
            generator: for coefficients and states.

        Returns:
            Shapes (p, m) and (2 k, m).
        """
        count = errors.shape[1]
        root = np.linalg.cholesky(prior.precision)
        of_coefficients = root @ generator.standard_normal((root.shape[0], count))
        fresh = generator.standard_normal((self.reach.shape[0], count))
        of_states = information_draws(self.system.knot, self.memory, fresh)
        return self.response(prior, errors, of_coefficients, of_states)


@dataclass(frozen=True)
class Prior:
    """What is known of the coefficients of a series before its own observations: mean (p,) and precision (p, p)."""

    mean: Floats
    precision: Floats


@dataclass(frozen=True)
class Pooled:
    """What alike series say together.

    Attributes:
        log_likelihood: of all observations, up to a constant.
        priors: of each series, from all others; as `priors_of` gives them.
    """

    log_likelihood: float
    priors: list[Prior]


def pooled(series: Sequence[Solved], common_sd: Floats, own_sd: Floats) -> Pooled:
    """Coefficients of each series are those that all have in common plus some of its own, both normal about 0.

    Args:
        series: solved under one process.
        common_sd, own_sd: standard deviations, positive, shape (p,).
    """
    identity = np.eye(common_sd.size)
    of_common = np.diag(1 / common_sd**2)
    log_likelihood = -2 * float(np.log(common_sd).sum())
    precisions, told = [], []
    for each in series:
        information, score = each.moments[1:, 1:], each.moments[1:, 0]
        # Own coefficients integrated out; symmetric by way of their standard deviations.
        inner = identity + own_sd[:, np.newaxis] * information * own_sd
        gain = own_sd[:, np.newaxis] * np.linalg.solve(inner, identity) * own_sd
        precisions.append(information - information @ gain @ information)
        told.append(score - information @ gain @ score)
        log_likelihood -= float(each.moments[0, 0] - score @ gain @ score) + each.log_determinant
        log_likelihood -= float(np.linalg.slogdet(inner)[1])
    whole, score = of_common + np.sum(precisions, axis=0), np.sum(told, axis=0)
    log_likelihood -= float(np.linalg.slogdet(whole)[1]) - float(score @ np.linalg.solve(whole, score))
    priors = []
    for precision, own in zip(precisions, told, strict=True):
        others = np.linalg.inv(whole - precision)
        priors.append(Prior(others @ (score - own), np.linalg.inv(others + np.diag(own_sd**2))))
    return Pooled(log_likelihood / 2, priors)
