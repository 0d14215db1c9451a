"""Concentration as a log-normal series conditioned on grabs, composites and bounds.

Belongs here: what a result says of the logarithm, how a mean over a window becomes linear, bounds of censored results, the choice of
the memory, hourly draws.
Does not: regressors (flow_drivers.py), the linear system (conditioned_series.py), tables and names (stages/concentration.py).

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
from scipy.special import log_ndtr, ndtri_exp

from pipeline.science.conditioned_series import Observations, Points, Pooled, Prior, Solved, System, pooled
from pipeline.science.ensemble import ENSEMBLE_MEMBERS
from pipeline.science.exponential_memory import PARTS, Between, Memory, walks

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Indices = NDArray[np.int64]

BLOCKS = 6
"""A composite's window touches the deviations at so many hours."""
DENSE = 60
"""A composite whose window holds more grabs than this tells nothing new, and is set aside."""
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
GIBBS_ROUNDS = 12
MOST_BOUNDS = 400
"""Bounds of a series that count; of more, some at even distances: a long run of results below the limit says one thing."""
WIDEST = 1e4
"""Variance that stands for a bound that tells nothing."""
LOWEST, HIGHEST = np.log(1 / 1000), np.log(30)
"""Histories stay within these multiples of the lowest and highest result: what few and wild results would make of a peak is no water."""
HALF = ENSEMBLE_MEMBERS // 2


@dataclass(frozen=True)
class LogResults:
    """Results of one series, sorted by nothing in particular.

    Attributes:
        mean_of: the hours that each is a mean of, with weights, hour by hour.
        log_value: logarithm of the result or bound, shape (n,).
        sd: standard deviation of its error, in the logarithm, shape (n,).
        bound: 0 a value, -1 the truth lies below, 1 above, shape (n,).
        shared_sd: part of `sd` that results may have in common, shape (n,).
    """

    mean_of: Points
    log_value: Floats
    sd: Floats
    bound: Indices
    shared_sd: Floats

    def __len__(self) -> int:
        return self.log_value.size

    def take(self, rows: Indices) -> LogResults:
        """Some of the results, rows ascending."""
        number = np.full(len(self), -1)
        number[rows] = np.arange(rows.size)
        points = self.mean_of
        kept = number[points.observation] >= 0
        return LogResults(
            Points(number[points.observation[kept]], points.hour[kept], points.weight[kept]),
            self.log_value[rows],
            self.sd[rows],
            self.bound[rows],
            self.shared_sd[rows],
        )


def usable(results: LogResults) -> Indices:
    """The results that a series is conditioned on: all but composites whose windows grabs fill already, and all too many bounds."""
    points = results.mean_of
    count = np.bincount(points.observation, minlength=len(results))
    first = np.append(0, np.cumsum(count))[:-1]
    opens, closes = points.hour[first], points.hour[first + count - 1]
    grabs = np.sort(opens[count == 1])
    within = np.searchsorted(grabs, closes, side="right") - np.searchsorted(grabs, opens)
    kept = (count == 1) | (within <= DENSE)
    bounded = np.flatnonzero(kept & (results.bound != 0))
    if bounded.size > MOST_BOUNDS:
        in_time = bounded[np.argsort(opens[bounded], kind="stable")]
        kept[in_time] = False
        kept[in_time[np.linspace(0, bounded.size - 1, MOST_BOUNDS).astype(np.int64)]] = True
    return np.flatnonzero(kept)


@dataclass(frozen=True)
class _Tangent:
    """Results as linear statements at a given series.

    Attributes:
        blocks: hours whose deviations they touch.
        offset: logarithm of the mean less the mean of logarithms, shape (n,).
        design: shape (n, p).
    """

    blocks: Points
    offset: Floats
    design: Floats

    @classmethod
    def of(cls, results: LogResults, design: Floats, series: Floats) -> _Tangent:
        """The tangent at a series of logarithms, both with a row an hour."""
        points = results.mean_of
        n = len(results)
        size = np.bincount(points.observation, minlength=n)
        first = np.append(0, np.cumsum(size))[:-1]
        log = series[points.hour]
        top = np.maximum.reduceat(log, first)
        amount = points.weight * np.exp(log - top[points.observation])
        total = np.add.reduceat(amount, first)
        share = amount / total[points.observation]
        offset = np.log(total) + top - np.add.reduceat(share * log, first)

        place = np.arange(points.hour.size) - first[points.observation]
        number = np.minimum(size, BLOCKS)
        block_of = (
            np.append(0, np.cumsum(number))[points.observation]
            + place * number[points.observation] // size[points.observation]
        )
        blocks = int(number.sum())
        weight = np.bincount(block_of, share, minlength=blocks).astype(float)
        centre = np.bincount(block_of, share * points.hour, minlength=blocks)
        plain = np.bincount(block_of, points.hour, minlength=blocks) / np.bincount(block_of, minlength=blocks)
        hour = np.where(weight > 0, centre / np.where(weight > 0, weight, 1.0), plain)
        whole = np.add.reduceat(share[:, np.newaxis] * design[points.hour], first, axis=0)
        return cls(Points(np.repeat(np.arange(n), number), np.rint(hour).astype(np.int64), weight), offset, whole)

    def observations(self, value: Floats, variance: Floats) -> Observations:
        return Observations(self.blocks, value - self.offset, variance, self.design)


@dataclass(frozen=True)
class Series:
    """One series to be estimated.

    Attributes:
        results: one at least.
        design: regressors of every hour, shape (hours, p).
        first, last: hours that are wanted, and the first not wanted any more.
    """

    results: LogResults
    design: Floats
    first: int
    last: int

    @property
    def bounds(self) -> tuple[float, float]:
        """Lowest and highest logarithm that is believed."""
        return self.results.log_value.min() + LOWEST, self.results.log_value.max() + HIGHEST

    @property
    def ends(self) -> Indices:
        """Hours that need a state even where no result touches them."""
        return np.array([0, self.first, self.last - 1, len(self.design) - 1])


@dataclass
class _State:
    """A series while it is being estimated: tangent, and what stands for bounds."""

    series: Series
    tangent: _Tangent
    value: Floats
    variance: Floats

    @classmethod
    def begin(cls, series: Series) -> _State:
        results = series.results
        tangent = _Tangent.of(results, series.design, np.zeros(len(series.design)))
        bounded = results.bound != 0
        value = results.log_value + 0.5 * results.bound
        return cls(series, tangent, value, results.sd**2 + 0.5 * bounded)

    def system(self) -> System:
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
        tangent = _Tangent(few, self.tangent.offset[rows], self.tangent.design[rows])
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
        self.tangent = _Tangent.of(results, self.series.design, np.clip(log, *self.series.bounds))
        bounded = np.flatnonzero(results.bound)
        if bounded.size == 0:
            return
        # One step of expectation propagation: the bounds' own part taken out, their probability put in, a normal density for both.
        expected = self.tangent.offset + _mean_at(self.tangent.blocks, states[:, np.newaxis], solved.system)[:, 0]
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


def _mean_at(points: Points, states: Floats, system: System) -> Floats:
    """Weighted mean deviations under each observation, from states, shape (n, m)."""
    place = PARTS * np.searchsorted(system.knot, points.hour)
    first = np.flatnonzero(np.diff(points.observation, prepend=-1))
    both = (states[place] + states[place + 1]) * points.weight[:, np.newaxis]
    return np.asarray(np.add.reduceat(both, first, axis=0))


@dataclass(frozen=True)
class Fitted:
    """Series that are alike, estimated together.

    Attributes:
        memories: equally likely, the members being shared out among them in turn.
        series: as given.
        tangents: results as linear statements.
        solved: of each memory, of each series; bounds with their own error.
        unbounded: the same as if bounds told nothing; empty where there are none.
        priors: of the coefficients, likewise.
    """

    memories: list[Memory]
    states: list[_State]
    solved: list[list[Solved]]
    unbounded: list[list[Solved]]
    priors: list[list[Prior]]


def fit(series: Sequence[Series], common_sd: Floats, own_sd: Floats) -> Fitted:
    """Estimate series that are alike.

    Args:
        series: each with one result at least; logarithms counted from about their mean.
        common_sd, own_sd: what coefficients have in common and of their own, shape (p,).
    """
    states = [_State.begin(each) for each in series]
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


@dataclass(frozen=True)
class LogMembers:
    """Draws of hourly logarithms, shape (members, hours), and the same had the laboratory made none of its errors."""

    members: Singles
    without_laboratory: Singles


def draw(fitted: Fitted, number: int, shared: Floats, generator: np.random.Generator) -> LogMembers:
    """Equally likely histories of the wanted hours of one series.

    Members come in pairs of opposite deviations, a half of the ensemble apart, so that their mean logarithm is the conditional mean.

    Args:
        fitted: estimated series.
        number: which.
        shared: standard normal draws of the error that results have in common, shape (n, members / 2).
        generator: for all else.
    """
    state = fitted.states[number]
    results, design = state.series.results, state.series.design
    first, last = state.series.first, state.series.last
    hours = np.arange(first, last)
    members = np.empty((ENSEMBLE_MEMBERS, hours.size), dtype=np.float32)
    without = np.empty_like(members)
    wanted = design[first:last].T.astype(np.float32)
    own_sd = np.sqrt(np.maximum(results.sd**2 - results.shared_sd**2, 0.0))
    each = HALF // len(fitted.memories)
    for place, memory in enumerate(fitted.memories):
        solved, prior = fitted.solved[place][number], fitted.priors[place][number]
        rows = slice(place * each, (place + 1) * each)
        opposite = slice(HALF + place * each, HALF + (place + 1) * each)
        values = results.log_value[:, np.newaxis]
        if fitted.unbounded[place]:
            values = _with_bounds_drawn(state, fitted.unbounded[place][number], prior, 2 * each, generator)
        told = (prior.precision @ prior.mean)[:, np.newaxis]
        mean = solved.response(prior, values - state.tangent.offset[:, np.newaxis], told, np.zeros((1, 1)))
        errors = own_sd[:, np.newaxis] * generator.standard_normal((own_sd.size, each))
        errors += results.shared_sd[:, np.newaxis] * shared[:, rows]
        # A bound tells of the truth: its value was drawn, and has no error of a laboratory beyond that.
        of_laboratory = np.where((results.bound == 0)[:, np.newaxis], errors, 0.0)
        deviation = solved.draws(prior, errors, generator)
        nothing = np.zeros((prior.mean.size, 1)), np.zeros((1, 1))
        laboratory = solved.response(prior, of_laboratory, *nothing)

        between = Between.of(solved.system.knot, hours, memory)
        at_knots = (solved.system.knot >= first) & (solved.system.knot < last)
        inside = np.flatnonzero(at_knots)
        free = _free_histories(memory, each, hours.size, generator)
        centre, away, of_errors = (
            _hourly(coefficients, states, wanted, between)
            for coefficients, states in (mean, _bridged(deviation, free, solved, inside, first), laboratory)
        )
        for part in range(PARTS):
            away += free[part]
        said, said_away, said_errors = (_said(state.tangent, drawn, solved) for drawn in (mean, deviation, laboratory))
        for of, sign, half in ((rows, 1, slice(0, each)), (opposite, -1, slice(each, 2 * each))):
            # Without bounds all members have one conditional mean, else each has its own.
            middle = centre if len(centre) == 1 else centre[half]
            target = (said if len(centre) == 1 else said[:, half]) + state.tangent.offset[:, np.newaxis]
            for made, errors_h, errors_said in ((members, 0.0, 0.0), (without, of_errors, said_errors)):
                log = np.clip(middle + sign * (away - errors_h), *state.series.bounds)
                onto = np.clip(target + sign * (said_away - errors_said), *state.series.bounds)
                _moved_onto(log, results.mean_of, onto, first, last)
                made[of] = log
    return LogMembers(members, without)


def _free_histories(memory: Memory, count: int, hours: int, generator: np.random.Generator) -> list[Singles]:
    return [walks(generator, sd, constant, count, hours) for sd, constant in zip(memory.sd, memory.hours, strict=True)]


def _bridged(
    deviation: tuple[Floats, Floats], free: list[Singles], solved: Solved, inside: Indices, first: int
) -> tuple[Floats, Floats]:
    """Deviations at knots less what free histories have there, so that adding these keeps the knots."""
    coefficients, states = deviation
    states = states.copy()
    hour = solved.system.knot[inside] - first
    for part in range(PARTS):
        states[PARTS * inside + part] -= free[part][:, hour].T
    return coefficients, states


def _hourly(coefficients: Floats, states: Floats, design: Singles, between: Between) -> Singles:
    """Logarithms in the wanted hours, shape (m, hours)."""
    # By hand: the linear algebra library's last digit depends on the number of threads.
    made = np.zeros((coefficients.shape[1], design.shape[1]), dtype=np.float32)
    for of_regressor, regressor in zip(coefficients.astype(np.float32), design, strict=True):
        made += of_regressor[:, np.newaxis] * regressor
    for part in range(PARTS):
        made += between(part, np.ascontiguousarray(states[part::PARTS].T, dtype=np.float32))
    return made


def _said(tangent: _Tangent, drawn: tuple[Floats, Floats], solved: Solved) -> Floats:
    """What drawn coefficients and states make of each result, shape (n, m)."""
    coefficients, states = drawn
    return tangent.design @ coefficients + _mean_at(tangent.blocks, states, solved.system)


def _with_bounds_drawn(
    state: _State, unbounded: Solved, prior: Prior, count: int, generator: np.random.Generator
) -> Floats:
    """Logarithms of results, those of bounds drawn beyond them, shape (n, count), or (n, 1) where there are none.

    Bounds are drawn one after the other given all others, from the normal distribution that the remaining results leave, cut off.
    """
    results = state.series.results
    values = results.log_value[:, np.newaxis]
    bounded = np.flatnonzero(results.bound)
    if bounded.size == 0:
        return values
    coefficients, states = unbounded.mean(prior)
    centre = (
        _said(state.tangent, (coefficients[:, np.newaxis], states[:, np.newaxis]), unbounded)[:, 0] + state.tangent.offset
    )[bounded]
    sd, sign, limit = results.sd[bounded], results.bound[bounded], results.log_value[bounded]
    precision = np.linalg.inv(unbounded.covariance(prior, bounded) + np.diag(sd**2))
    alone = 1 / np.sqrt(np.diag(precision))
    beyond = np.where(sign < 0, np.minimum(state.value[bounded], limit), np.maximum(state.value[bounded], limit))
    drawn = np.repeat(beyond[:, np.newaxis], count, axis=1)
    for _ in range(GIBBS_ROUNDS):
        chance = np.log(generator.random(drawn.shape))
        for row in range(bounded.size):
            given = drawn[row] - precision[row] @ (drawn - centre[:, np.newaxis]) * alone[row] ** 2
            room = log_ndtr(-sign[row] * (limit[row] - given) / alone[row])
            drawn[row] = given - sign[row] * alone[row] * ndtri_exp(chance[row] + room)
    values = np.repeat(values, count, axis=1)
    values[bounded] = drawn
    return values


def _moved_onto(members: Singles, points: Points, target: Floats, first: int, last: int) -> None:
    """Move histories within windows so that the logarithm of their weighted mean is the target, shape (n, m); in place.

    Windows that do not lie wholly within the hours stay. Where windows overlap, the later one has the last word.
    """
    count = np.bincount(points.observation)
    begin = np.append(0, np.cumsum(count))[:-1]
    opens, closes = points.hour[begin], points.hour[begin + count - 1] + 1
    left = np.flatnonzero((count > 1) & (opens >= first) & (closes <= last))
    left = left[np.argsort(opens[left], kind="stable")]
    while left.size:
        # Windows of one layer do not overlap: each begins after all before it have ended.
        ended = np.append(-1, np.maximum.accumulate(closes[left]))[:-1]
        layer = left[opens[left] >= ended]
        left = left[opens[left] < ended]
        size = count[layer]
        start = np.append(0, np.cumsum(size))[:-1]
        place = np.arange(size.sum()) - np.repeat(start, size) + np.repeat(begin[layer], size)
        log = members[:, points.hour[place] - first]
        amount = np.exp(log) * points.weight[place].astype(np.float32)
        exact = np.log(np.add.reduceat(amount, start, axis=1, dtype=np.float64))
        move = (target[layer].T - exact).astype(np.float32)
        members[:, points.hour[place] - first] = log + np.repeat(move, size, axis=1)
