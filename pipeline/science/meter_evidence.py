"""How strongly a record speaks against its meter.

Belongs here: evidence, as log10 of a likelihood ratio, that a run of zeros is a dead meter and not a dry drain.
Does not: what flow was to be expected (flow_expectation.py), tables and words (stages/meter_findings.py).
"""

from __future__ import annotations

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
LEAST_ABRUPT_ROOT = 0.2
"""Root of mm per day below which a flow that stops is as good as none."""
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
