"""Which logger column is which meter and direction, by the evidence of bench runs.

Belongs here: litres per pulse of columns from runs with and without a reference, the likelihood of an assignment, the best one
and what else could be.
Does not: registers and files (stages/bench_proofs.py), litres per pulse to be relied on (bench_regression.py).

The evidence is of three kinds: litres per pulse (a meter counts about as it did at its other calibrations), direction (a forward column
counts in forward runs only), and presence (a meter that is not in line does not count). Where they do not tell two meters apart,
the second-best assignment is about as likely as the best, and that is what is handed back.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components
from scipy.special import gammaln, logsumexp

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Flags = NDArray[np.bool_]

FORWARD, REVERSE = 0, 1

COUNTS_AT_ALL = 0.25
"""A column counts in a run when it does so at more than this share of its fastest run per litre: a rotor that shakes to and fro, or is
moved while it is built in, gives stray pulses."""

METER_SCATTER = 0.003
"""Share by which litres per pulse move from one calibration to the next beyond the stated uncertainties (common practice, no source)."""

DEGREES_OF_FREEDOM = 4.0
"""Of Student's t around a calibration: rotors are exchanged, so that far deviations are rare and not impossible."""

WRONG_RUN = 8.0
"""How much one run that speaks against an assignment lowers its log-likelihood; a cell can be mistyped."""

FIRST_RUN_FORWARD = float(np.log(50.0))
BOTH_WAYS = float(np.log(20.0))
"""Where nobody wrote down the direction of the runs: prior odds that the first run was forward, and that columns which never count
together are those of the two directions."""

NO_METER = float(np.log(1e-3))
LITRES_PER_PULSE_IMAGINABLE = (1e-3, 1e4)
"""A column may belong to a meter that no register knows: prior odds, and bounds of its litres per pulse, uniform in the logarithm."""

IMPOSSIBLE = -1e6

MOST_OFFSETS = 400
MOST_PATTERNS = 6
"""Bounds of what is tried: offsets (combinations where several groups of columns have one each), and groups of runs of which nobody
wrote down the direction."""


@dataclass(frozen=True)
class Counting:
    """What the columns count, with what is known of the water.

    Attributes:
        active: whether a column counts in a run, shape (columns, runs).
        log_litres: natural logarithm of litres per pulse, shape (columns,); not-a-number for a column that never counts.
        standard_uncertainty: of `log_litres`, shape (columns,).
        group: 0 where `log_litres` rests on a reference; columns of one other number share an unknown offset, shape (columns,).
    """

    active: Flags
    log_litres: Floats
    standard_uncertainty: Floats
    group: Integers


@dataclass(frozen=True)
class Candidates:
    """Meters and directions that a column may belong to.

    Attributes:
        meter: number of the meter, shape (candidates,).
        direction: FORWARD or REVERSE, shape (candidates,).
        log_litres: logarithm of litres per pulse by each known calibration, not-a-number where there are fewer, shape
            (candidates, calibrations).
        standard_uncertainty: of these, same shape.
        log_prior: of the meter being on this logger, shape (candidates,).
    """

    meter: Integers
    direction: Integers
    log_litres: Floats
    standard_uncertainty: Floats
    log_prior: Floats


@dataclass(frozen=True)
class Choice:
    """What a column is taken for: candidate numbers, None for no known meter.

    Attributes:
        best: the candidate in the best assignment of all columns.
        others: further candidates, likeliest first, each with the natural logarithm of how many times less likely the runs are
            under the best assignment that has it; all within the threshold are there, and the first meter beyond it.
    """

    best: int | None
    others: tuple[tuple[int | None, float], ...]


def counting_runs(pulses: Floats, volume_l: Floats) -> Flags:
    """Whether a column counts in a run at all, shape (columns, runs).

    Args:
        pulses: counts, not-a-number where nothing was recorded, shape (columns, runs).
        volume_l: volumes of the runs, not-a-number where unknown: the busiest column's count stands for it, shape (runs,).
    """
    counted = np.nan_to_num(pulses)
    amount = np.where(np.isnan(volume_l).any(), counted.max(axis=0, initial=0.0), np.nan_to_num(volume_l))
    with np.errstate(invalid="ignore", divide="ignore"):
        rate = np.where(amount > 0, counted / amount, 0.0)
    return (rate > COUNTS_AT_ALL * rate.max(axis=1, keepdims=True, initial=0.0)) & (counted > 0)


def column_litres(pulses: Floats, active: Flags, volume_l: Floats, volume_share: Floats, scatter: Floats) -> Counting:
    """Logarithm of litres per pulse of every column, from all runs together.

    A run's logarithm of count is that of its volume less that of the column's litres per pulse. Volumes are known where there was a
    reference; elsewhere columns in series are compared with one another, and what they share stays open (least squares of two
    factors, solved with the pseudo-inverse).

    Args:
        pulses: counts, shape (columns, runs).
        active: whether a column counts in a run, shape (columns, runs).
        volume_l: volumes, not-a-number where there was no reference, shape (runs,).
        volume_share: standard uncertainty of the volumes as a share, shape (runs,).
        scatter: standard deviation of a meter's error in a run, as a share, shape (runs,).
    """
    columns, runs = active.shape
    column, run = np.nonzero(active)
    known = np.flatnonzero(~np.isnan(volume_l))
    counted = pulses[column, run]
    rows = column.size + known.size
    design = np.zeros((rows, columns + runs))
    design[np.arange(column.size), column] = -1.0
    design[np.arange(column.size), columns + run] = 1.0
    design[column.size + np.arange(known.size), columns + known] = 1.0
    seen = np.concatenate([np.log(counted), np.log(volume_l[known])])
    variance = np.concatenate([1 / (6 * counted**2) + scatter[run] ** 2, np.maximum(volume_share[known], 1e-6) ** 2])
    weight = 1 / np.sqrt(variance)
    inverse = np.linalg.pinv(design * weight[:, None], rcond=1e-9)
    solution = inverse @ (seen * weight)
    spread = np.sqrt((inverse[:columns] ** 2).sum(axis=1))

    links = csr_array((np.ones(column.size), (column, columns + run)), shape=(columns + runs, columns + runs))
    _, together = connected_components(links, directed=False)
    referenced = np.isin(together[:columns], together[columns + known])
    _, group = np.unique(np.where(referenced, -1, together[:columns]), return_inverse=True)
    group = group if referenced.any() else group + 1
    counts = active.any(axis=1)
    return Counting(active, np.where(counts, solution[:columns], np.nan), np.where(counts, spread, np.nan), group)


def assign(
    counting: Counting,
    candidates: Candidates,
    direction: Integers | None,
    in_line: Floats,
    reference_scale: float,
    threshold: float,
) -> tuple[Choice, ...]:
    """The likeliest assignment of columns to meters and directions, and for each column what else it could be.

    The assignment that maximises the sum of log-likelihoods is found exactly (linear sum assignment), for each way in which the
    water may have run where nobody wrote it down, and for each offset that all columns may share: the error of the reference,
    or, without one, the unknown volume. A column's alternatives are the best assignments of all columns in which it is something
    else.

    Args:
        counting: the columns; those that never count get no meter.
        candidates: what they may be.
        direction: FORWARD or REVERSE for each run, shape (runs,); None where it was not written down.
        in_line: 1 where a meter was in line in a run, 0 where not, not-a-number where it was not written down, shape (meters, runs).
        reference_scale: how far the reference may be off, as a share.
        threshold: alternatives are listed until a meter is so much (natural logarithm) less likely.

    Returns:
        One choice per column.
    """
    counts = np.flatnonzero(counting.active.any(axis=1))
    choices = [Choice(None, ())] * counting.active.shape[0]
    if counts.size == 0:
        return tuple(choices)
    search = _Search(counting, counts, candidates, direction, in_line, reference_scale)
    allowed = np.ones((counts.size, candidates.meter.size + 1), dtype=bool)
    total, best = search.best(allowed)
    for place, column in enumerate(counts):
        others: list[tuple[int | None, float]] = []
        still = allowed.copy()
        chosen = best[place]
        while True:
            still[place, chosen] = False
            if not still[place].any():
                break
            other_total, other = search.best(still)
            chosen = other[place]
            others.append((search.named(chosen), max(total - other_total, 0.0)))
            if total - other_total > threshold and others[-1][0] is not None:
                break
        choices[column] = Choice(search.named(best[place]), tuple(others))
    return tuple(choices)


class _Search:
    """All hypotheses of direction and offset, scored once; the best assignment among them under what is allowed."""

    def __init__(
        self,
        counting: Counting,
        counts: Integers,
        candidates: Candidates,
        direction: Integers | None,
        in_line: Floats,
        reference_scale: float,
    ) -> None:
        self.candidates = candidates
        self.log_litres = counting.log_litres[counts]
        self.spread = np.sqrt(counting.standard_uncertainty[counts] ** 2 + METER_SCATTER**2)
        self.group = counting.group[counts]
        self.reference_scale = reference_scale
        active = counting.active[counts]
        self.ways = [(prior, _penalty(active, candidates, way, in_line)) for prior, way in _directions(active, direction)]
        offsets = list(self._offsets())
        self.scores = np.stack([self._score(offset) for offset in offsets])
        self.offset_priors = np.array([self._offset_prior(offset) for offset in offsets])

    def named(self, chosen: int) -> int | None:
        """The candidate's number, None for no known meter."""
        return None if chosen == self.candidates.meter.size else int(chosen)

    def best(self, allowed: Flags) -> tuple[float, Integers]:
        """Log-likelihood of the best assignment, and each column's candidate (the number after the last: no known meter)."""
        scores = np.where(allowed, self.scores, IMPOSSIBLE)
        priors = np.stack([prior + self.offset_priors for prior, _ in self.ways])
        bounds = priors + np.stack([(scores - penalty).max(axis=2).sum(axis=1) for _, penalty in self.ways])
        columns, unknown = scores.shape[1], scores.shape[2] - 1
        total, found = -np.inf, np.zeros(columns, dtype=np.int64)
        for way, offset in zip(
            *np.unravel_index(np.argsort(-bounds, axis=None, kind="stable"), bounds.shape), strict=True
        ):
            if bounds[way, offset] <= total:
                break
            score = scores[offset] - self.ways[way][1]
            without = np.full((columns, columns), IMPOSSIBLE)
            np.fill_diagonal(without, score[:, unknown])
            _, chosen = linear_sum_assignment(np.hstack([score[:, :unknown], without]), maximize=True)
            chosen = np.minimum(chosen, unknown)
            reached = float(priors[way, offset] + score[np.arange(columns), chosen].sum())
            if reached > total:
                total, found = reached, chosen
        return total, found

    def _score(self, offset: Floats) -> Floats:
        """Log-likelihood of each column's litres per pulse under each candidate and under none, shape (columns, candidates + 1)."""
        litres = self.log_litres - offset[self.group]
        scale = np.sqrt(self.spread[:, None, None] ** 2 + self.candidates.standard_uncertainty[None] ** 2)
        density = _log_student((litres[:, None, None] - self.candidates.log_litres[None]) / scale) - np.log(scale)
        calibrations = (~np.isnan(density)).sum(axis=2)
        fits = logsumexp(np.where(np.isnan(density), -np.inf, density), axis=2) - np.log(calibrations)
        least, most = np.log(LITRES_PER_PULSE_IMAGINABLE)
        nothing = np.full((litres.size, 1), NO_METER - np.log(most - least))
        return np.hstack([fits + self.candidates.log_prior, nothing])

    def _offset_prior(self, offset: Floats) -> float:
        return float(_log_student(offset[0] / self.reference_scale) - _log_student(np.zeros(())))

    def _offsets(self) -> Iterator[Floats]:
        """Offsets by group that could fit: none for columns with a reference, and each that brings a column onto a calibration."""
        anchors = self.log_litres[:, None, None] - self.candidates.log_litres[None]
        groups = int(self.group.max()) + 1
        present = np.unique(self.group)
        most = max(2, int(MOST_OFFSETS ** (1 / present.size)))
        choices = []
        for number in range(groups):
            own = self.group == number
            if not own.any():
                choices.append(np.zeros(1))
                continue
            possible = np.unique(np.round(anchors[own][~np.isnan(anchors[own])], 4))
            if number == 0:
                possible = np.unique([0.0, *possible[np.abs(possible) < 30 * self.reference_scale]])
            choices.append(self._promising(possible, own, number, groups)[:most])
        yield from (np.array(combination) for combination in product(*choices))

    def _promising(self, possible: Floats, own: Flags, number: int, groups: int) -> Floats:
        """Offsets of one group, the most promising first: by what its columns reach when each takes what fits it best."""
        reached = []
        for value in possible:
            offset = np.zeros(groups)
            offset[number] = value
            fit = self._score(offset)[own].max(axis=1).sum()
            reached.append(fit + (self._offset_prior(offset) if number == 0 else 0.0))
        return possible[np.argsort(-np.array(reached), kind="stable")]


def _log_student(deviation: Floats) -> Floats:
    """Logarithm of Student's density."""
    v = DEGREES_OF_FREEDOM
    constant = gammaln((v + 1) / 2) - gammaln(v / 2) - 0.5 * np.log(v * np.pi)
    return constant - (v + 1) / 2 * np.log1p(deviation**2 / v)


def _penalty(active: Flags, candidates: Candidates, way: Integers, in_line: Floats) -> Floats:
    """What the runs that speak against a candidate take from its log-likelihood, shape (columns, candidates + 1)."""
    same_way = way[None, :] == candidates.direction[:, None]
    presence = in_line[candidates.meter]
    may_count = same_way & (np.isnan(presence) | (presence == 1))
    must_count = same_way & (presence == 1)
    counts = active.astype(float)
    wrong = counts @ (~may_count).T.astype(float) + (1 - counts) @ must_count.T.astype(float)
    return WRONG_RUN * np.hstack([wrong, np.zeros((active.shape[0], 1))])


def _directions(active: Flags, direction: Integers | None) -> Iterator[tuple[float, Integers]]:
    """Each way in which the water may have run: logarithm of its prior odds, and the direction of each run."""
    if direction is not None:
        yield 0.0, direction
        return
    patterns, of_run = np.unique(active, axis=1, return_inverse=True)
    if patterns.shape[1] > MOST_PATTERNS:
        # Runs that share a column went the same way.
        _, of_run = connected_components(csr_array(active.T.astype(float) @ active.astype(float)), directed=False)
    numbers = list(dict.fromkeys(int(of_run[run]) for run in np.flatnonzero(active.any(axis=0))))
    free = numbers[:MOST_PATTERNS]
    for ways in product((FORWARD, REVERSE), repeat=len(free)):
        way = np.zeros(active.shape[1], dtype=np.int64)
        for number, one in zip(free, ways, strict=True):
            way[of_run == number] = one
        prior = (FIRST_RUN_FORWARD if ways[0] == FORWARD else 0.0) + (BOTH_WAYS if len(set(ways)) > 1 else 0.0)
        yield prior, way
