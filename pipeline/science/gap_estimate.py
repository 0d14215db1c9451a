"""Members for hours without a measurement.

Belongs here: which model fills which hour, short holes bridged, draws of the errors that plots and hours share, members.
Does not: tables, registers, partly measured hours, known totals (stages/hours.py); the models (gap_models.py,
rain_drainage.py); how errors persist (residual_process.py).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import partial
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from pipeline.science.blocked_validation import block_folds, typical_gap_hours
from pipeline.science.ensemble import ENSEMBLE_MEMBERS
from pipeline.science.gap_models import (
    RESERVOIRS,
    Candidate,
    Combination,
    antecedent_candidate,
    combine,
    neighbour_candidates,
    season_predictors,
    sums_of_blocks,
    weather_predictors,
)
from pipeline.science.gap_skill import Skill, skill_of
from pipeline.science.rain_drainage import fit_rain_drainage
from pipeline.science.residual_process import Draws, ResidualProcess, stretches_of
from pipeline.science.signed_root import signed_power, signed_root

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Flags = NDArray[np.bool_]
Indices = NDArray[np.int64]
Named = Callable[[int | None, str, int], np.random.Generator]

BRIDGED, FROM_NEIGHBOURS, FROM_WEATHER, UNFILLED = "bridged", "from_neighbours", "from_weather", "unfilled"

GAP_LENGTHS_H = (12, 72, 336, 1080)
"""Longest gap of each class but the last, h; models are weighted by their skill at volumes of gaps of these lengths."""
MOST_DONORS = 4
FEWEST_COMMON_HOURS = 30 * 24
"""Concurrent hours below which a relation between plots is not trusted."""
LEAST_COMMON_SHARE = 0.35
"""Share of the plot's measured hours that must be common, so that the relation has seen more than one season."""
EDGE_HOURS = np.array([0, 1, 3, 7, 15, 31, 63])
"""Measured hours that tie members at each side of a gap, counted from its edge."""
WIDENING: Mapping[str, float] = {FROM_NEIGHBOURS: 1.2, FROM_WEATHER: 1.2}
COMPARED_LENGTH_H = 72
"""Neighbours fill where they do better than the weather at volumes of gaps of this length."""


@dataclass(frozen=True)
class GapEstimates:
    """What fills hours.

    Attributes:
        basis: how each hour was estimated, "" where none was wanted, shape (plots, hours).
        hours: of each plot, those that have members, ascending.
        members: equally likely flows, L per hour, of each plot, shape (its hours, members).
        skill: how well the models did on left-out blocks.
    """

    basis: NDArray[np.str_]
    hours: list[Indices]
    members: list[Singles]
    skill: list[Skill]


@dataclass(frozen=True)
class _Segment:
    """Hours of one gap of one plot that the same model fills: `gap` is its first and past-the-last hour."""

    plot: int
    hours: Indices
    gap: tuple[int, int]
    basis: str
    model: Combination


def estimate_gaps(
    flow_l: Floats,
    wanted: Flags,
    day: Floats,
    rain_mm: Floats,
    air_temp_c: Floats,
    treatment: Indices,
    bridge_longest_hours: int,
    named: Named,
) -> GapEstimates:
    """Members for the wanted hours of each plot.

    A hole of at most `bridge_longest_hours` between two measured hours is bridged: a straight line, and upon it how flow ran across the
    most similar stretches of the plot's own record. Other hours are estimated by models that compete on left-out blocks
    (gap_models.py): from other plots that are measured in that hour, or from the weather where no plot is measured, where common hours
    are too few or where the weather does better. Errors on the root scale are drawn with their own distribution and persistence
    (normal_scores.py, residual_process.py), tied to the errors at the edges of the gap, and partly the same for all plots.

    Args:
        flow_l: net volume of measured hours, L, not-a-number elsewhere, shape (plots, hours).
        wanted: hours to estimate, none of them measured, shape (plots, hours).
        day: days since a fixed date, with fraction, one step of an hour each, shape (hours,).
        rain_mm: mm per hour, shape (hours,); air_temp_c: degrees Celsius, shape (hours,); not-a-number where missing.
        treatment: number of the plot's treatment in each hour, shape (plots, hours).
        bridge_longest_hours: longest hole that is bridged, h.
        named: gives the generator for a plot (none: what all plots share), what is drawn, and the hour at which that begins.

    Returns:
        The members; `unfilled` only where a plot has no measured hour at all.
    """
    measured = np.isfinite(flow_l)
    basis = np.full(flow_l.shape, "", dtype="<U15")
    basis[wanted & ~measured.any(axis=1, keepdims=True)] = UNFILLED
    filled = [np.zeros(0, dtype=np.int64)] * len(flow_l)
    members = [np.zeros((0, ENSEMBLE_MEMBERS), dtype=np.float32)] * len(flow_l)
    parts: list[list[tuple[Indices, Floats]]] = [[] for _ in flow_l]
    gaps: list[tuple[int, int, int]] = []
    for plot in np.flatnonzero(measured.any(axis=1)).tolist():
        root = signed_root(flow_l[plot])
        for first, last in stretches_of(~measured[plot]):
            hours = first + np.flatnonzero(wanted[plot, first:last])
            if hours.size == 0:
                continue
            if first > 0 and last < day.size and last - first <= bridge_longest_hours:
                drawn = _bridged(flow_l[plot], root, first, last, named(plot, "bridge", first))
                parts[plot].append((hours, drawn[hours - first]))
                basis[plot, hours] = BRIDGED
            else:
                gaps.append((plot, first, last))
    skill: list[Skill] = []
    if gaps:
        models = _Models(flow_l, day, rain_mm, air_temp_c, treatment)
        segments = [segment for gap in gaps for segment in models.segments(wanted, *gap)]
        skill = models.skill()
        for segment, drawn in _drawn(segments, models.errors(), flow_l, named):
            parts[segment.plot].append((segment.hours, drawn))
            basis[segment.plot, segment.hours] = segment.basis
    for plot, of_plot in enumerate(parts):
        if of_plot:
            at = np.concatenate([hours for hours, _ in of_plot])
            order = np.argsort(at, kind="stable")
            filled[plot] = at[order]
            members[plot] = np.concatenate([drawn.astype(np.float32) for _, drawn in of_plot])[order]
    return GapEstimates(basis, filled, members, skill)


def _bridged(flow_l: Floats, root: Floats, first: int, last: int, generator: np.random.Generator) -> Floats:
    """Members across a short hole, shape (its hours, members).

    A straight line of flow, and upon it, on the root scale, how flow departed from such lines across as many stretches of the record as
    there are members, those whose two edges were the most alike.
    """
    length = last - first
    share = np.arange(1, length + 1) / (length + 1)
    line = (1 - share) * flow_l[first - 1] + share * flow_l[last]
    known = np.concatenate([[0], np.cumsum(np.isfinite(flow_l))])
    start = np.arange(flow_l.size - length - 1)
    start = start[known[start + length + 2] - known[start] == length + 2]
    if start.size == 0:
        return np.repeat(line[:, np.newaxis], ENSEMBLE_MEMBERS, axis=1)
    unlike = np.abs(root[start] - root[first - 1]) + np.abs(root[start + length + 1] - root[last])
    most = min(ENSEMBLE_MEMBERS, start.size)
    alike = np.sort(start[np.argpartition(unlike, most - 1)[:most]])
    tried = (1 - share)[:, np.newaxis] * flow_l[alike] + share[:, np.newaxis] * flow_l[alike + length + 1]
    departure = root[alike + np.arange(1, length + 1)[:, np.newaxis]] - signed_root(tried)
    chosen = generator.permutation(np.resize(np.arange(most), ENSEMBLE_MEMBERS))
    return signed_power(signed_root(line)[:, np.newaxis] + departure[:, chosen])


@dataclass(frozen=True)
class _Errors:
    """How errors hang together.

    Attributes:
        processes: by basis; shared: part of the variance that all plots have in common, by basis.
    """

    processes: Mapping[str, ResidualProcess]
    shared: Mapping[str, float]


class _Models:
    """The models of all plots, each fitted when it is first asked for."""

    def __init__(self, flow_l: Floats, day: Floats, rain_mm: Floats, air_temp_c: Floats, treatment: Indices) -> None:
        self.flow_l, self.day, self.treatment = flow_l, day, treatment
        self.measured = np.isfinite(flow_l)
        self.root = signed_root(flow_l)
        self.fold = block_folds(day.size, typical_gap_hours(~self.measured.all(axis=0)))
        self.reservoirs = fit_rain_drainage(flow_l, day, rain_mm, air_temp_c, self.fold, treatment)
        self.expected_root = np.nan_to_num(signed_root(self.reservoirs.estimate))
        self.weather = weather_predictors(day, rain_mm, air_temp_c)
        self.season = season_predictors(day)
        self.correlation = _correlation(self.root)
        self._candidates: dict[tuple[int, tuple[int, ...]], list[Candidate]] = {}
        self._combinations: dict[tuple[int, tuple[int, ...], int], Combination] = {}
        self._serves: dict[tuple[int, tuple[int, ...]], bool] = {}

    def segments(self, wanted: Flags, plot: int, first: int, last: int) -> Iterable[_Segment]:
        """The hours of a gap by the model that fills them."""
        hours = first + np.flatnonzero(wanted[plot, first:last])
        length = next((most for most in GAP_LENGTHS_H if last - first <= most), GAP_LENGTHS_H[-1])
        patterns, which = np.unique(self._donors(plot, hours), axis=0, return_inverse=True)
        by_donors: dict[tuple[int, ...], list[Indices]] = {}
        for number, pattern in enumerate(patterns):
            used = self._usable(plot, pattern[pattern >= 0])
            if used and (plot, used) not in self._serves:
                self._serves[plot, used] = self._better(plot, used)
            by_donors.setdefault(used if used and self._serves[plot, used] else (), []).append(
                hours[which.ravel() == number]
            )
        for used, at in by_donors.items():
            basis = FROM_NEIGHBOURS if used else FROM_WEATHER
            yield _Segment(plot, np.sort(np.concatenate(at)), (first, last), basis, self._combination(plot, used, length))

    def errors(self) -> _Errors:
        """How errors from neighbours and from the weather persist, and what part of them all plots share."""
        processes, shared = {}, {}
        for basis in (FROM_NEIGHBOURS, FROM_WEATHER):
            # One model of each plot tells: the one that has seen most.
            of_plot: dict[int, Combination] = {}
            for (plot, used, _), model in self._combinations.items():
                if bool(used) == (basis == FROM_NEIGHBOURS) and (
                    plot not in of_plot or model.rows.size > of_plot[plot].rows.size
                ):
                    of_plot[plot] = model
            models = [of_plot[plot] for plot in sorted(of_plot)]
            processes[basis] = ResidualProcess.of([(model.left_out_score, _weight(model)) for model in models])
            shared[basis] = _shared_part(models)
        return _Errors(processes, shared)

    def skill(self) -> list[Skill]:
        """How the models did on the blocks that they had not seen."""
        return [
            each
            for (plot, used, length), model in self._combinations.items()
            for each in skill_of(plot, used, length, self._candidates[plot, used], model, self.flow_l[plot])
        ]

    def _donors(self, plot: int, hours: Indices) -> Indices:
        """The best correlated of the plots measured in each hour, best first, -1 for none, shape (hours, MOST_DONORS)."""
        correlation = np.abs(self.correlation[plot])
        order = np.argsort(-correlation, kind="stable")
        order = order[(order != plot) & (correlation[order] > 0)]
        chosen = np.full((hours.size, MOST_DONORS), -1)
        taken = np.zeros(hours.size, dtype=int)
        for donor in order:
            free = np.flatnonzero(self.measured[donor, hours] & (taken < MOST_DONORS))
            chosen[free, taken[free]] = donor
            taken[free] += 1
        return chosen

    def _usable(self, plot: int, donors: Indices) -> tuple[int, ...]:
        """The donors, best first, that have enough measured hours in common with the plot and with the better donors.

        The others are left out: a relation learned in a dry summer says nothing about spring.
        """
        fewest = max(FEWEST_COMMON_HOURS, LEAST_COMMON_SHARE * float(self.measured[plot].sum()))
        used: list[int] = []
        common = self.measured[plot]
        for donor in donors:
            with_donor = common & self.measured[donor]
            if with_donor.sum() >= fewest:
                used.append(int(donor))
                common = with_donor
        return tuple(used)

    def _of(self, plot: int, used: tuple[int, ...]) -> list[Candidate]:
        """Candidates that learn from some donors, or from the weather alone."""
        if (plot, used) not in self._candidates:
            if used:
                found = neighbour_candidates(
                    self.root, self.expected_root, self.season, self.treatment, plot, used, self.fold
                )
            else:
                rows = np.flatnonzero(self.measured[plot])
                found = [
                    Candidate(RESERVOIRS, rows, self.reservoirs.left_out[plot, rows], self.reservoirs.estimate[plot]),
                    antecedent_candidate(self.root[plot], self.weather, self.treatment[plot], self.fold),
                ]
            self._candidates[plot, used] = found
        return self._candidates[plot, used]

    def _combination(self, plot: int, used: tuple[int, ...], length: int) -> Combination:
        if (plot, used, length) not in self._combinations:
            self._combinations[plot, used, length] = combine(self._of(plot, used), self.flow_l[plot], self.day, length)
        return self._combinations[plot, used, length]

    def _better(self, plot: int, used: tuple[int, ...]) -> bool:
        """Whether donors do better than the weather at volumes, over the hours that both have seen."""
        best = []
        rows = self._of(plot, used)[0].rows
        for source in (used, ()):
            candidates = self._of(plot, source)
            known = np.searchsorted(candidates[0].rows, rows)
            errors = (each.left_out[known] - self.flow_l[plot, rows] for each in candidates)
            sums = (sums_of_blocks(self.day.size, rows, error, COMPARED_LENGTH_H) for error in errors)
            best.append(min(float(np.mean(np.square(each))) for each in sums))
        return best[0] <= best[1]


def _correlation(root: Floats) -> Floats:
    """Correlation of each pair of plots over their common hours, shape (plots, plots); 0 where they are too few."""
    known = np.isfinite(root)
    here = known.astype(float)
    value = np.where(known, root, 0.0)
    count = here @ here.T
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = value @ here.T / count
        square = np.square(value) @ here.T / count
        variance = square - mean**2
        correlation = (value @ value.T / count - mean * mean.T) / np.sqrt(variance * variance.T)
    return np.where((count >= FEWEST_COMMON_HOURS) & np.isfinite(correlation), correlation, 0.0)


def _weight(model: Combination) -> Floats:
    """What an hour's score counts for volumes: the root of the flow expected, and a tenth of its mean at least; shape (hours,)."""
    root = np.abs(signed_root(model.estimate))
    return root + 0.1 * float(np.nanmean(root)) + 1e-9


def _shared_part(models: list[Combination]) -> float:
    """Mean correlation of the scores of different plots in the same hours, from 0 to 0.95."""
    product, squares = 0.0, 0.0
    for one, other in combinations(models, 2):
        both = np.isfinite(one.left_out_score) & np.isfinite(other.left_out_score)
        weight = (_weight(one) * _weight(other))[both]
        first, second = one.left_out_score[both], other.left_out_score[both]
        product += float(np.sum(weight * first * second))
        squares += float(np.sqrt(np.sum(weight * first**2) * np.sum(weight * second**2)))
    return float(np.clip(product / squares, 0.0, 0.95)) if squares > 0 else 0.0


def _drawn(segments: list[_Segment], errors: _Errors, flow_l: Floats, named: Named) -> Iterable[tuple[_Segment, Floats]]:
    """Members of every segment, L per hour, shape (its hours, members)."""
    plots, count = flow_l.shape
    around = np.zeros((plots, count), dtype=bool)
    reach = int(EDGE_HOURS[-1]) + 1
    for segment in segments:
        first, last = segment.gap
        around[segment.plot, max(first - reach, 0) : last + reach] = True
    of_all = Draws.of(np.logical_or.reduce(around), partial(named, None, "errors"), ENSEMBLE_MEMBERS)
    for plot in range(plots):
        of_plot = [segment for segment in segments if segment.plot == plot]
        if not of_plot:
            continue
        own = Draws.of(around[plot], partial(named, plot, "errors"), ENSEMBLE_MEMBERS)
        for segment in of_plot:
            process, part = errors.processes[segment.basis], errors.shared[segment.basis]
            first, last = segment.gap
            edge = np.concatenate([first - 1 - EDGE_HOURS, last + EDGE_HOURS])
            edge = edge[(edge >= 0) & (edge < count)]
            edge = edge[np.isfinite(segment.model.left_out_score[edge])]
            at = np.concatenate([segment.hours, edge])
            drawn = np.sqrt(1.0 - part) * own.at(at, process.share) + np.sqrt(part) * of_all.at(at, process.share)
            inside = segment.hours.size
            score = process.given(
                segment.hours,
                edge,
                segment.model.score(edge, flow_l[plot, edge]),
                drawn[:inside],
                drawn[inside:],
                WIDENING[segment.basis],
            )
            yield segment, segment.model.members(segment.hours, score, WIDENING[segment.basis])
