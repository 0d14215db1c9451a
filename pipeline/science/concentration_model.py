"""Concentration as a log-normal series conditioned on grabs, composites and bounds.

Belongs here: what stands for bounds of censored results, the choice of the memory, what several series are together.
Does not: regressors (flow_drivers.py), means over hours (log_results.py), the linear system (conditioned_series.py), members
(concentration_draws.py), tables and names (stages/concentration.py).

The logarithm of the concentration is a regression plus a slow and a fast deviation; a result adds the laboratory's error. A
concentration is therefore never negative. A composite is the logarithm of a weighted mean: it is replaced by its tangent at the
conditional mean, again and again (Gauss and Newton), and each drawn history is then moved within the window by what the tangent
misses. A result below a limit counts by the probability that it lies there: while the memory is chosen, by the normal density that has
the same effect (expectation propagation; Rasmussen and Williams 2006, section 3.6), then drawn together with the series (data
augmentation; Tanner and Wong 1987, J. Am. Stat. Assoc. 82; Gibbs sampling of a truncated normal, Geweke 1991).
The memory is the mode of likelihood times a weak prior, all plots together; draws carry what is not known of it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import log_ndtr

from pipeline.science.conditioned_series import Points, Pooled, Prior, Solved, System, pooled
from pipeline.science.exponential_memory import PARTS, Between, Memory
from pipeline.science.log_results import LogResults, Tangent, mean_at

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Indices = NDArray[np.int64]

MEMORY_PRIOR = np.log([0.15, 24 * 20.0, 0.05, 18.0, 1.0])
MEMORY_PRIOR_SD = np.array([0.7, 0.6, 0.7, 0.4, 0.4])
"""Logarithms of slow sd, slow hours, fast sd, fast hours, and of a factor on the coefficients' expected size. Common practice, no
source."""
MEMORIES = 4
"""Different memories among the members."""
MOST_FOR_MEMORY = 400
"""Results of a series by which the memory is chosen; of more, runs of results that lie close together are taken evenly."""
RUN = 20
ROUNDS = 4
"""Of propagation, before each choice of the memory and after the last; a composite's tangent is taken anew in each."""
CHOICES = 4
"""Of the memory, where there are bounds."""
DAMPING = 0.7
WIDEST = 1e4
"""Variance that stands for a bound that tells nothing."""
LOWEST, HIGHEST = np.log(1 / 1000), np.log(30)
"""Histories stay within these multiples of the lowest and highest result: what few and wild results would make of a peak is no water."""


@dataclass(frozen=True)
class Series:
    """One series to be estimated.

    Attributes:
        results: one at least.
        design: regressors of every hour, shape (hours, p).
        first, last: hours that are wanted, and the first not wanted any more.
        beside: where what regressors follow from is not known, gives how far those of some members lie from those of the series in the
            wanted hours, shape (m,) to (k, m, last - first); none where it is known. Asked for as they are used: of a year and 200 members
            they are 28 MB.
        beside_column: the first of the k regressors in `design`.
    """

    results: LogResults
    design: Floats
    first: int
    last: int
    beside: Callable[[Indices], Singles] | None = None
    beside_column: int = 0

    def moved(self, coefficients: Floats, members: Indices) -> Singles | None:
        """By how much that moves the logarithm of some members, shape (members, hours)."""
        if self.beside is None:
            return None
        made = np.zeros((members.size, self.last - self.first), dtype=np.float32)
        of_regressors = coefficients[self.beside_column :].astype(np.float32)
        for regressor, coefficient in zip(self.beside(members), of_regressors, strict=False):
            made += regressor * coefficient
        return made

    @property
    def bounds(self) -> tuple[float, float]:
        """Lowest and highest logarithm that is believed."""
        return self.results.log_value.min() + LOWEST, self.results.log_value.max() + HIGHEST

    @property
    def ends(self) -> Indices:
        """Hours that need a state even where no result touches them."""
        return np.array([0, self.first, self.last - 1, len(self.design) - 1])


@dataclass
class Estimated:
    """A series as far as it is estimated: the tangent of its results, and what stands for bounds."""

    series: Series
    tangent: Tangent
    value: Floats
    variance: Floats

    @classmethod
    def begin(cls, series: Series) -> Estimated:
        """Before anything is known: the tangent at a level series, bounds as vague values beyond themselves."""
        results = series.results
        tangent = Tangent.of(results, series.design, np.zeros(len(series.design)))
        bounded = results.bound != 0
        value = results.log_value + 0.5 * results.bound
        return cls(series, tangent, value, results.sd**2 + 0.5 * bounded)

    def system(self) -> System:
        """The system of results, with what stands for bounds."""
        return System.of(self.tangent.observations(self.value, self.variance), self.series.ends)

    def system_with(self, variance: Floats) -> System:
        """The system of results and bounds as they stand, with other variances."""
        return System.of(self.tangent.observations(self.series.results.log_value, variance), self.series.ends)

    def thinned(self) -> System:
        """The system by which the memory is chosen."""
        count = len(self.series.results)
        if count <= MOST_FOR_MEMORY:
            return self.system()
        points = self.tangent.blocks
        middle = np.bincount(points.observation, points.hour) / np.bincount(points.observation)
        order = np.argsort(middle, kind="stable")
        runs = -(-count // RUN)
        every = -(-runs * RUN // MOST_FOR_MEMORY)
        rows = np.sort(order[(np.arange(count) // RUN) % every == 0])
        number = np.full(count, -1)
        number[rows] = np.arange(rows.size)
        kept = number[points.observation] >= 0
        few = Points(number[points.observation[kept]], points.hour[kept], points.weight[kept])
        tangent = Tangent(few, self.tangent.offset[rows], self.tangent.design[rows])
        return System.of(tangent.observations(self.value[rows], self.variance[rows]), np.empty(0, dtype=np.int64))

    def move_to(self, solved: Solved, prior: Prior) -> None:
        """Take the tangent at the conditional mean."""
        coefficients, states = solved.mean(prior)
        results = self.series.results
        log = self.series.design @ coefficients
        hour = np.arange(log.size)
        between = Between.of(solved.system.knot, hour, solved.memory)
        for part in range(PARTS):
            log = log + between(part, states[part::PARTS].astype(np.float32))
        self.tangent = Tangent.of(results, self.series.design, np.clip(log, *self.series.bounds))
        bounded = np.flatnonzero(results.bound)
        if bounded.size == 0:
            return
        # One step of expectation propagation: the bounds' own part taken out, their probability put in, a normal density for both.
        expected = self.tangent.offset + mean_at(self.tangent.blocks, states[:, np.newaxis], solved.system)[:, 0]
        expected = (expected + self.tangent.design @ coefficients)[bounded]
        of_all = np.maximum(np.diag(solved.covariance(prior, bounded)), 1e-12)
        sd, sign, own = results.sd[bounded], results.bound[bounded], self.variance[bounded]
        without = 1 / np.maximum(1 / of_all - 1 / own, 1 / WIDEST)
        centre = without * (expected / of_all - self.value[bounded] / own)
        wide = np.sqrt(sd**2 + without)
        distance = sign * (centre - results.log_value[bounded]) / wide
        mills = np.exp(-0.5 * distance**2 - 0.5 * np.log(2 * np.pi) - log_ndtr(distance))
        curvature = np.maximum(mills * (mills + distance), 1e-9) / wide**2
        variance = np.clip(1 / curvature - without, 1e-8, WIDEST)
        value = centre + sign * mills / wide * (without + variance)
        precision = DAMPING / variance + (1 - DAMPING) / own
        self.value[bounded] = (DAMPING * value / variance + (1 - DAMPING) * self.value[bounded] / own) / precision
        self.variance[bounded] = 1 / precision


@dataclass(frozen=True)
class Fitted:
    """Series that are alike, estimated together.

    Attributes:
        memories: equally likely, the members being shared out among them in turn.
        states: the series with their results as linear statements.
        solved: of each memory, of each series; bounds with their own error.
        unbounded: the same as if bounds told nothing; empty where there are none.
        priors: of the coefficients, likewise.
    """

    memories: list[Memory]
    states: list[Estimated]
    solved: list[list[Solved]]
    unbounded: list[list[Solved]]
    priors: list[list[Prior]]


def fit(series: Sequence[Series], common_sd: Floats, own_sd: Floats) -> Fitted:
    """Estimate series that are alike.

    Args:
        series: each with one result at least; logarithms counted from about their mean.
        common_sd, own_sd: what coefficients have in common and of their own, shape (p,).
    """
    states = [Estimated.begin(each) for each in series]
    logarithms = MEMORY_PRIOR.copy()

    def solve(systems: Sequence[System], at: Floats) -> tuple[list[Solved], Pooled]:
        memory = Memory.of_logarithms(at[:4])
        solved = [system.solved(memory) for system in systems]
        scale = float(np.exp(at[4]))
        return solved, pooled(solved, common_sd * scale, own_sd * scale)

    def converge(rounds: int) -> None:
        for _ in range(rounds):
            solved, together = solve([state.system() for state in states], logarithms)
            for state, each, prior in zip(states, solved, together.priors, strict=True):
                state.move_to(each, prior)

    bounds = any(state.series.results.bound.any() for state in states)
    thinned: list[System] = []

    def unlikeliness(at: Floats) -> float:
        return -solve(thinned, at)[1].log_likelihood + float(np.sum(((at - MEMORY_PRIOR) / MEMORY_PRIOR_SD) ** 2)) / 2

    # What stands for bounds depends on the memory, and the memory on them.
    for _ in range(CHOICES if bounds else 1):
        converge(ROUNDS if bounds else 1)
        thinned[:] = [state.thinned() for state in states]
        found = minimize(
            unlikeliness,
            logarithms,
            method="L-BFGS-B",
            bounds=list(zip(MEMORY_PRIOR - 4 * MEMORY_PRIOR_SD, MEMORY_PRIOR + 4 * MEMORY_PRIOR_SD, strict=True)),
            options={"maxiter": 15, "ftol": 1e-5, "eps": 1e-3},
        )
        logarithms = found.x
    converge(ROUNDS if bounds else 1)
    if bounds:
        thinned[:] = [state.thinned() for state in states]
    standing = [state.system() for state in states]
    # From here on a bound has its own error, and its value is drawn.
    exact = [state.system_with(state.series.results.sd**2) for state in states] if bounds else standing
    silent = [
        state.system_with(np.where(state.series.results.bound == 0, state.series.results.sd**2, WIDEST))
        for state in states
    ]
    memories, all_solved, all_silent, all_priors = [], [], [], []
    for at in _spread(unlikeliness, logarithms):
        solved, together = solve(standing, at)
        memory = solved[0].memory
        memories.append(memory)
        all_solved.append([system.solved(memory) for system in exact] if bounds else solved)
        all_silent.append([system.solved(memory) for system in silent] if bounds else [])
        all_priors.append(together.priors)
    return Fitted(memories, states, all_solved, all_silent, all_priors)


def _spread(unlikeliness: Callable[[Floats], float], mode: Floats) -> list[Floats]:
    """Points about the mode that have the posterior's variance along the two directions that are known least."""
    free = 4
    step = 0.25
    shift = step * np.eye(mode.size)[:free]
    here = unlikeliness(mode)
    single = np.array([[unlikeliness(mode + sign * each) for each in shift] for sign in (1, -1)])
    curvature = np.diag((single[0] + single[1] - 2 * here) / step**2)
    for one in range(free):
        for other in range(one):
            both = unlikeliness(mode + shift[one] + shift[other])
            curvature[one, other] = curvature[other, one] = (both - single[0, one] - single[0, other] + here) / step**2
    value, direction = np.linalg.eigh(curvature)
    least = 1 / np.max(MEMORY_PRIOR_SD[:free]) ** 2
    points = []
    for axis in range(MEMORIES // 2):
        along = direction[:, axis]
        along = along * np.sign(along[np.argmax(np.abs(along))])
        # Two of four members lie along each direction: twice the variance, for half the members.
        away = along * np.sqrt(MEMORIES / 2 / max(value[axis], least))
        for sign in (1, -1):
            points.append(mode + sign * np.append(away, np.zeros(mode.size - free)))
    return points
