"""How the errors of what fills gaps hang together, and members drawn from them.

Belongs here: persistence, spread and common part of errors by kind of model, members of gaps tied to their edges.
Does not: which model fills which hour (gap_choice.py), the processes themselves (residual_process.py), intervals tried on blocks
of the measured record (gap_trials.py).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import partial
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from pipeline.science.ensemble import ENSEMBLE_MEMBERS
from pipeline.science.gap_choice import (
    FROM_NEIGHBOURS,
    FROM_WEATHER,
    GAP_LENGTHS_H,
    GapModels,
    Segment,
    length_class,
)
from pipeline.science.gap_models import Combination
from pipeline.science.gap_trials import REACH_H, TRIED_MEMBERS, Tried, edges, tried_blocks
from pipeline.science.residual_process import Draws, ResidualProcess
from pipeline.science.side_by_side import side_by_side
from pipeline.science.signed_root import signed_root

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Flags = NDArray[np.bool_]
Indices = NDArray[np.int64]
Named = Callable[[int | None, str, int], np.random.Generator]

HARDER = 1.35
"""Factor on the spread of errors over that of left-out blocks. What takes a meter out comes with storms, and hours in gaps are harder to
estimate than those left out in cross-validation; found on invented fields with hidden truth, of two soils, and measured on others
(tests/bench/gap_recovery.py)."""
LEVEL_FROM_H = 336
"""Length of left-out blocks from which on their volumes tell of an error that a model keeps through a whole gap."""
LEVEL_HARDER: Mapping[str, float] = {FROM_NEIGHBOURS: 0.8, FROM_WEATHER: 1.4}
"""Factor on what they tell; found as `HARDER` was."""
USUAL_LEVEL = 0.15
LEVEL_AWAY_H = 100.0
"""Distance from a gap's edge at which a model's own error has come through, h."""
FEWEST_BLOCKS = 12
LEAST_WIDENING, LARGEST_WIDENING, USUAL_WIDENING = 0.8, 3.0, 1.25
"""Bounds of what left-out blocks advise, and what is taken where too few of them are known."""


@dataclass(frozen=True)
class Errors:
    """How errors hang together.

    Attributes:
        processes: by basis; shared: part of the variance that all plots have in common, by basis.
        widening: factor on the spread, by basis and length of gap, h.
        level: standard deviation of the logarithm of a factor on all that a kind of model fills, by basis.
        tried: what intervals without it did on left-out blocks, by plot, donors and length of gap, h.
    """

    processes: Mapping[str, ResidualProcess]
    shared: Mapping[str, float]
    widening: Mapping[tuple[str, int], float]
    level: Mapping[str, float]
    tried: Mapping[tuple[int, tuple[int, ...], int], Tried]

    @classmethod
    def of(cls, models: GapModels, named: Named) -> Errors:
        """How errors from neighbours and from the weather persist, what part of them all plots share, and how far they spread.

        For each plot, kind and length of gap, the model tells that has seen most.
        """
        best: dict[tuple[int, str, int], tuple[int, ...]] = {}
        for plot, used, length in models.combinations:
            known = best.setdefault((plot, models.basis(used), length), used)
            if models.combinations[plot, used, length].rows.size > models.combinations[plot, known, length].rows.size:
                best[plot, models.basis(used), length] = used
        processes, shared, widening, level = {}, {}, {}, {}
        tried: dict[tuple[int, tuple[int, ...], int], Tried] = {}
        draws = Draws.of(
            np.ones(GAP_LENGTHS_H[-1] + 2 * REACH_H, dtype=bool), partial(named, None, "tried"), TRIED_MEMBERS
        )
        for basis in (FROM_NEIGHBOURS, FROM_WEATHER):
            chosen = sorted((plot, used, length) for (plot, of, length), used in best.items() if of == basis)
            of_plot: dict[int, Combination] = {}
            for key in chosen:
                model = models.combinations[key]
                if key[0] not in of_plot or model.rows.size > of_plot[key[0]].rows.size:
                    of_plot[key[0]] = model
            series = [
                (model.left_out_score(models.flow_l[plot]), _weight(model)) for plot, model in sorted(of_plot.items())
            ]
            processes[basis] = ResidualProcess.of(series)
            shared[basis] = _shared_part(series)
            tried.update(zip(chosen, side_by_side(partial(_tried, models, processes[basis], draws), chosen), strict=True))
            by_length = {
                length: np.concatenate([tried[key].factor for key in chosen if key[2] == length])
                for length in {key[2] for key in chosen}
            }
            widening.update({(basis, length): HARDER * each for length, each in _widening(by_length).items()})
            long = [tried[key] for key in chosen if key[2] >= LEVEL_FROM_H]
            level[basis] = LEVEL_HARDER[basis] * _level(long)
        return cls(processes, shared, widening, level, tried)


def _level(tried: list[Tried]) -> float:
    """Size of a model's relative error of a gap's volume, from those of left-out blocks: root mean square over root mean square."""
    if sum(each.truth.size for each in tried) < FEWEST_BLOCKS:
        return USUAL_LEVEL
    # Each plot counts alike.
    sizes = [float(np.mean(each.truth**2)) for each in tried]
    errors = [
        float(np.mean((each.truth - each.mean) ** 2)) / size for each, size in zip(tried, sizes, strict=True) if size > 0
    ]
    return float(np.sqrt(np.mean(errors))) if errors else USUAL_LEVEL


def _widening(factors: Mapping[int, Floats]) -> dict[int, float]:
    """Factors with which 90 % of left-out blocks lie within 90 % intervals, by length of gap: half that of the length, half of all."""
    told = {length: float(np.quantile(each, 0.9)) for length, each in factors.items() if each.size >= FEWEST_BLOCKS}
    told = {length: float(np.clip(each, LEAST_WIDENING, LARGEST_WIDENING)) for length, each in told.items()}
    usual = float(np.mean(list(told.values()))) if told else USUAL_WIDENING
    return {length: (told.get(length, usual) + usual) / 2 for length in factors}


def _weight(model: Combination) -> Floats:
    """What an hour's score counts for volumes: the root of the flow expected, and a tenth of its mean at least; shape (hours,)."""
    root = np.abs(signed_root(model.estimate))
    return root + 0.1 * float(np.nanmean(root)) + 1e-9


def _shared_part(series: list[tuple[Floats, Floats]]) -> float:
    """Mean correlation of the scores of different plots in the same hours, from 0 to 0.95; of scores and what each counts."""
    product, squares = 0.0, 0.0
    for (one, weight), (other, other_weight) in combinations(series, 2):
        both = np.isfinite(one) & np.isfinite(other)
        counts, first, second = (weight * other_weight)[both], one[both], other[both]
        product += float(np.sum(counts * first * second))
        squares += float(np.sqrt(np.sum(counts * first**2) * np.sum(counts * second**2)))
    return float(np.clip(product / squares, 0.0, 0.95)) if squares > 0 else 0.0


def _tried(models: GapModels, process: ResidualProcess, draws: Draws, key: tuple[int, tuple[int, ...], int]) -> Tried:
    """What intervals of one model do on blocks of its plot's record, by plot, donors and length of the blocks."""
    plot, _, length = key
    return tried_blocks(models.combinations[key], process, models.flow_l[plot], length, draws)


def members_of(
    segments: list[Segment], errors: Errors, flow_l: Floats, named: Named
) -> Iterable[tuple[Segment, Singles]]:
    """Members of every segment, L per hour, shape (its hours, members)."""
    for basis in sorted({segment.basis for segment in segments}):
        # What is wrong with one kind of model says nothing of the other kind.
        of_basis = [segment for segment in segments if segment.basis == basis]
        yield from _members_of_basis(of_basis, errors, flow_l, partial(_of_basis, named, basis))


def _of_basis(named: Named, basis: str, plot: int | None, what: str, hour: int) -> np.random.Generator:
    return named(plot, f"{what} {basis}", hour)


def _members_of_basis(
    segments: list[Segment], errors: Errors, flow_l: Floats, named: Named
) -> list[tuple[Segment, Singles]]:
    """Members of the segments of one kind."""
    plots, count = flow_l.shape
    around = np.zeros((plots, count), dtype=bool)
    for segment in segments:
        first, last = segment.gap
        around[segment.plot, segment.hours[0] : segment.hours[-1] + 1] = True
        around[segment.plot, max(first - REACH_H, 0) : first] = True
        around[segment.plot, last : last + REACH_H] = True
    of_all = Draws.of(np.logical_or.reduce(around), partial(named, None, "errors"), ENSEMBLE_MEMBERS)

    def of_plot(plot: int) -> list[tuple[Segment, Singles]]:
        own = Draws.of(around[plot], partial(named, plot, "errors"), ENSEMBLE_MEMBERS)
        return [
            (segment, _members_of_segment(segment, errors, flow_l[plot], own, of_all, named))
            for segment in segments
            if segment.plot == plot
        ]

    return [each for found in side_by_side(of_plot, sorted({s.plot for s in segments})) for each in found]


def _members_of_segment(
    segment: Segment, errors: Errors, flow_l: Floats, own: Draws, of_all: Draws, named: Named
) -> Singles:
    """Members of one segment from draws of its plot and of all plots, L per hour, shape (its hours, members)."""
    process, part = errors.processes[segment.basis], errors.shared[segment.basis]
    first, last = segment.gap
    wider = errors.widening[segment.basis, length_class(last - first)]
    edge = edges(first, last, segment.model, flow_l)
    at = np.concatenate([segment.hours, edge])
    drawn = np.sqrt(1.0 - part) * own.at(at, process.share) + np.sqrt(part) * of_all.at(at, process.share)
    inside = segment.hours.size
    known = segment.model.score(edge, flow_l[edge])
    score = process.given(segment.hours, edge, known, drawn[:inside], drawn[inside:], wider)
    centre = score.mean(axis=1, keepdims=True)
    score = centre + segment.novelty[:, np.newaxis] * (score - centre)
    flow = segment.model.members(segment.hours, segment.model.estimate[segment.hours], score, wider * segment.novelty)
    away = np.minimum(segment.hours - first + 1, last - segment.hours)
    deviation = segment.doubt * errors.level[segment.basis] * np.sqrt(-np.expm1(-away / LEVEL_AWAY_H))[:, np.newaxis]
    of_all_level, own_level = (
        named(which, "level", int(segment.hours[0])).standard_normal(ENSEMBLE_MEMBERS) for which in (None, segment.plot)
    )
    level = np.sqrt(part) * of_all_level + np.sqrt(1.0 - part) * own_level
    return (flow * np.exp(deviation * level - deviation**2 / 2)).astype(np.float32)
