"""How strongly a record speaks against its meter.

Belongs here: evidence, as log10 of a likelihood ratio, that a run of zeros is a dead meter and not a dry drain, that a level changed
on a date, that signs or plots are exchanged.
Does not: what flow was to be expected (flow_expectation.py), tables and words (stages/meter_findings.py).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import t as student

from pipeline.science.event_rule import stretches

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Indices = NDArray[np.int64]

TAIL_FREEDOM = 6.0
"""Degrees of freedom of the predictive distribution: plots depart from one another further than a normal law allows."""
MOST_PER_BLOCK = 4.0
"""Most evidence of a block, log10: nothing that a model says of half a day is surer than that."""
LEAST_ABRUPT_ROOT = 0.3
"""Root of mm per day below which a flow that stops is as good as none."""
LEAST_TURNED_ROOT = 0.4
"""Expected root of mm per day below which the sign of a flow tells nothing."""
FEWEST_BINS = 4
"""Bins on each side of a step."""
MOST_OF_EDGE = 1.5
"""Most evidence of an edge, log10."""


def zero_runs(zero: Flags, known: Flags, fewest: int) -> list[tuple[int, int]]:
    """Runs of steps in which a meter counted nothing, across steps without a record; a step that counted something ends one.

    Args:
        zero: steps with a record and no count, shape (n,).
        known: steps with a record, shape (n,).
        fewest: steps with a record that a run must have.

    Returns:
        First step and the one after the last, both with a record, of each run.
    """
    where = np.flatnonzero(known)
    first, last = stretches(zero[where])
    return [(int(where[a]), int(where[b - 1]) + 1) for a, b in zip(first, last, strict=True) if b - a >= fewest]


def zeros_evidence(
    expected: Floats, spread: Floats, persistence: float, departure_before: float, least_root: float, frozen: Flags
) -> Floats:
    """Evidence of each block of a run of zeros that the meter is dead, log10 of a likelihood ratio, never negative.

    A dead meter gives zeros for certain; how likely a live one gives a zero is the lower tail of its predictive distribution,
    Student's t about the expectation, given how far the block before lay below its own (autoregressive departures). So a drain that has
    run dry while others still run does not become more suspicious with every day, but one that sleeps through a storm does. In
    frost a drain or its outlet may freeze: no zero is evidence then, and after a thaw it is judged as if nothing were known.

    Args:
        expected, spread: of the signed root of flow in each block, shape (n,); not-a-number where nothing tells.
        persistence: correlation of departures one block apart.
        departure_before: of the block before the run, in units of its spread; not-a-number where not known.
        least_root: root of a flow that is as good as none.
        frozen: blocks of frost or just after it, shape (n,).

    Returns:
        Shape (n,).
    """
    departure = np.where(frozen, np.nan, (0.0 - expected) / spread)
    before = np.concatenate([[departure_before], departure[:-1]])
    told = np.isfinite(before)
    # A plot that ran more than expected just before, in a shower of its own, may stop all the same.
    centre = expected + np.where(told, persistence * spread * np.minimum(np.nan_to_num(before), 0.0), 0.0)
    width = spread * np.where(told, np.sqrt(1.0 - persistence**2), 1.0)
    # A zero below the middle of the distribution is no surprise at all, so that twice the tail is its chance.
    chance = np.minimum(2.0 * student.cdf((least_root - centre) / width, TAIL_FREEDOM), 1.0)
    evidence = np.minimum(-np.log10(np.maximum(np.nan_to_num(chance, nan=1.0), 1e-12)), MOST_PER_BLOCK)
    return np.where(frozen | ~np.isfinite(expected), 0.0, np.abs(evidence))


def edge_evidence(root: float, others: Floats) -> float:
    """Evidence of how abruptly a run of zeros begins or ends, log10, never negative.

    A drain runs dry slowly and a dead meter stops at once. What is usual is told by the runs of zeros of the same record: the chance
    that one of these has as much flow beside it.

    Args:
        root: of the flow in the hour beside the run; not-a-number where not known.
        others: the same of other runs, not-a-number where not known, shape (k,).
    """
    if not root >= LEAST_ABRUPT_ROOT:
        return 0.0
    known = others[np.isfinite(others)]
    chance = (np.count_nonzero(known >= root) + 0.5) / (known.size + 1.0)
    return min(-float(np.log10(chance)), MOST_OF_EDGE)


def best_segment(gain: Floats) -> tuple[int, int, float]:
    """The stretch whose gains add up to most: first step, the one after the last, and the sum; (0, 0, 0.0) where none is positive."""
    running = np.concatenate([[0.0], np.cumsum(gain)])
    lowest = np.minimum.accumulate(running)
    rise = running - lowest
    end = int(np.argmax(rise))
    first = int(np.flatnonzero(running[: end + 1] == lowest[end])[-1]) if end else 0
    return (first, end, float(rise[end])) if rise[end] > 0 else (0, 0, 0.0)


def log_density(value: Floats, centre: Floats, spread: Floats) -> Floats:
    """Natural logarithm of the predictive density of a measured root, shape (n,); 0 where anything is unknown."""
    density = student.logpdf((value - centre) / spread, TAIL_FREEDOM) - np.log(spread)
    return np.where(np.isfinite(density), density, 0.0)


def turned_gain(root: Floats, expected: Floats, spread: Floats) -> Floats:
    """By how much each block fits the opposite sign better than its own, natural logarithm of a likelihood ratio, shape (n,).

    The other explanation of a negative flow is backwater, which may be anything up to the size of the expected flow and more: a broad
    distribution stands for it. Only flow that mirrors the expectation, storm by storm, speaks for exchanged wires.

    Args:
        root: measured signed root of flow.
        expected, spread: of the size of the root.
    """
    broad = 1.5 * np.abs(expected) + spread
    own = np.maximum(log_density(root, expected, spread), log_density(root, np.zeros_like(expected), broad))
    gain = log_density(root, -expected, spread) - own
    return np.where(np.isfinite(root) & (np.abs(expected) >= LEAST_TURNED_ROOT), gain, 0.0)


@dataclass(frozen=True)
class Step:
    """A change of level: the first bin after it, the difference of the means, and its evidence, log10."""

    place: int
    change: float
    evidence: float


def level_step(level: Floats, variance: Floats) -> Step | None:
    """The most likely single change of a level.

    Levels of bins wobble slowly; how much is taken from the differences between neighbouring bins, of which a step makes but one
    large, and added to the variance of each. What wobble is left after the step and lasts over bins makes the evidence less. The choice
    among all places costs the logarithm of their number.

    Args:
        level: mean of each bin, in order of time, shape (n,).
        variance: of each mean, by what is known of its parts, shape (n,).

    Returns:
        The step; none with fewer than eight bins.
    """
    bins = level.size
    if bins < 2 * FEWEST_BINS:
        return None
    difference = np.diff(level)
    wobble = max((1.4826 * float(np.median(np.abs(difference)))) ** 2 / 2 - float(np.median(variance)), 0.0)
    weight = 1.0 / (variance + wobble)
    total, moment = np.cumsum(weight), np.cumsum(weight * level)
    place = np.arange(FEWEST_BINS, bins - FEWEST_BINS + 1)
    before, after = total[place - 1], total[-1] - total[place - 1]
    change = (moment[-1] - moment[place - 1]) / after - moment[place - 1] / before
    likelihood = 0.5 * np.square(change) / (1.0 / before + 1.0 / after)
    best = int(np.argmax(likelihood))
    split = int(place[best])
    left = level - np.where(np.arange(bins) >= split, moment[-1] - moment[split - 1], 0.0) / max(after[best], 1e-12)
    left[:split] = level[:split] - moment[split - 1] / before[best]
    left *= np.sqrt(weight)
    lasting = float(np.clip((left[1:] @ left[:-1]) / max(float(left @ left), 1e-9), 0.0, 0.9))
    excess = max(float(left @ left) / bins, 1.0)
    worth = (1.0 - lasting) / (1.0 + lasting) / excess
    evidence = likelihood[best] * worth / np.log(10) - np.log10(place.size)
    return Step(split, float(change[best]), float(evidence))
