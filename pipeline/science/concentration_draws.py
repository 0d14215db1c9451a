"""Equally likely hourly histories of an estimated concentration.

Belongs here: draws of coefficients, deviations and a laboratory's errors, of values beyond bounds, what lies between states, windows
kept to their results.
Does not: estimating (concentration_model.py), names of draws and tables (stages/concentration.py).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr, ndtri_exp

from pipeline.science.concentration_model import Estimated, Fitted
from pipeline.science.conditioned_series import Points, Prior, Solved
from pipeline.science.ensemble import ENSEMBLE_MEMBERS
from pipeline.science.exponential_memory import PARTS, Between, Memory, walks
from pipeline.science.log_results import Tangent, mean_at

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Indices = NDArray[np.int64]

GIBBS_ROUNDS = 12
HALF = ENSEMBLE_MEMBERS // 2
HOURS_AT_ONCE = 512


@dataclass(frozen=True)
class LogMembers:
    """Draws of hourly logarithms, shape (members, hours).

    Attributes:
        members: the draws.
        without_laboratory: the same had the laboratory made none of its errors.
        moved: what of them drawn regressors make; none where regressors are known.
    """

    members: Singles
    without_laboratory: Singles
    moved: Singles | None


def draw(fitted: Fitted, number: int, shared: Floats, generator: np.random.Generator) -> LogMembers:
    """Equally likely histories of the wanted hours of one series.

    Members come in pairs of opposite deviations, a half of the ensemble apart, so that their mean logarithm is the conditional mean.
    Where regressors are drawn too (`Series.beside`), each member is conditioned on the results under its own, at the mean coefficients.

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
    all_moved = None if state.series.beside is None else np.empty_like(members)
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
        moved = state.series.moved(solved.mean(prior)[0], np.r_[rows, opposite])
        moved_said = np.zeros((1, 1))
        if moved is not None and all_moved is not None:
            moved_said = _mean_moved(moved, results.mean_of, first, last)
            values = values - moved_said
            all_moved[np.r_[rows, opposite]] = moved
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
            # Without bounds and drawn regressors all members have one conditional mean, else each has its own.
            middle = centre if len(centre) == 1 else centre[half]
            target = (said if len(centre) == 1 else said[:, half]) + state.tangent.offset[:, np.newaxis]
            if moved is not None:
                middle = middle + moved[half]
                target = target + moved_said[:, half]
            for made, errors_h, errors_said in ((members, 0.0, 0.0), (without, of_errors, said_errors)):
                log = np.clip(middle + sign * (away - errors_h), *state.series.bounds)
                onto = np.clip(target + sign * (said_away - errors_said), *state.series.bounds)
                _moved_onto(log, results.mean_of, onto, first, last)
                made[of] = log
    return LogMembers(members, without, all_moved)


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
    # By hand: the linear algebra library's last digit depends on the number of threads. Some hours at a time stay in the cache.
    made = np.zeros((coefficients.shape[1], design.shape[1]), dtype=np.float32)
    told = coefficients.astype(np.float32)
    at_knots = [np.ascontiguousarray(states[part::PARTS].T, dtype=np.float32) for part in range(PARTS)]
    for first in range(0, design.shape[1], HOURS_AT_ONCE):
        some = slice(first, first + HOURS_AT_ONCE)
        here, near = made[:, some], between.of_hours(some)
        for of_regressor, regressor in zip(told, design[:, some], strict=True):
            here += of_regressor[:, np.newaxis] * regressor
        for part in range(PARTS):
            here += near(part, at_knots[part])
    return made


def _said(tangent: Tangent, drawn: tuple[Floats, Floats], solved: Solved) -> Floats:
    """What drawn coefficients and states make of each result, shape (n, m)."""
    coefficients, states = drawn
    return tangent.design @ coefficients + mean_at(tangent.blocks, states, solved.system)


def _mean_moved(moved: Singles, points: Points, first: int, last: int) -> Floats:
    """Weighted means under each result of what moves hours of members, shape (n, m); hours that are not wanted do not move."""
    begin = np.flatnonzero(np.diff(points.observation, prepend=-1))
    weight = np.where((points.hour >= first) & (points.hour < last), points.weight, 0.0)
    hour = np.clip(points.hour - first, 0, last - first - 1)
    return np.add.reduceat(moved[:, hour].T * weight[:, np.newaxis], begin, axis=0)


def _with_bounds_drawn(
    state: Estimated, unbounded: Solved, prior: Prior, count: int, generator: np.random.Generator
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
