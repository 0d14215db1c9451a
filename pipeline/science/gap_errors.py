"""How the errors of what fills gaps hang together, and members drawn from them.

Belongs here: persistence and common part of errors by kind of model, members of gaps tied to their edges, intervals tried on blocks
of the measured record.
Does not: which model fills which hour (gap_choice.py), the processes themselves (residual_process.py).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import partial
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from pipeline.science.ensemble import ENSEMBLE_MEMBERS
from pipeline.science.gap_choice import FROM_NEIGHBOURS, FROM_WEATHER, GapModels, Segment
from pipeline.science.gap_models import Combination
from pipeline.science.residual_process import Draws, ResidualProcess
from pipeline.science.signed_root import signed_root

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Flags = NDArray[np.bool_]
Indices = NDArray[np.int64]
Named = Callable[[int | None, str, int], np.random.Generator]

EDGE_HOURS = np.array([0, 1, 3, 7, 15, 31])
"""Measured hours that tie members at each side of a gap, counted from its edge."""
WIDENING: Mapping[str, float] = {FROM_NEIGHBOURS: 1.5, FROM_WEATHER: 1.2}
"""Factor on the spread of errors. What takes a meter out comes with storms, and hours in gaps are harder to estimate than those left
out in cross-validation; found on six invented fields with hidden truth, of two soils, and measured on others
(tests/bench/gap_recovery.py)."""

TRIED_HOURS, TRIED_MEMBERS = 800, 40
"""Hours and members with which intervals are tried on the measured record: enough to see a fault, at little cost."""


@dataclass(frozen=True)
class Errors:
    """How errors hang together.

    Attributes:
        processes: by basis; shared: part of the variance that all plots have in common, by basis.
    """

    processes: Mapping[str, ResidualProcess]
    shared: Mapping[str, float]

    @classmethod
    def of(cls, models: GapModels) -> Errors:
        """How errors from neighbours and from the weather persist, and what part of them all plots share."""
        processes, shared = {}, {}
        for basis in (FROM_NEIGHBOURS, FROM_WEATHER):
            # One model of each plot tells: the one that has seen most.
            of_plot: dict[int, Combination] = {}
            for (plot, used, _), model in models.combinations.items():
                if models.basis(used) == basis and (plot not in of_plot or model.rows.size > of_plot[plot].rows.size):
                    of_plot[plot] = model
            series = []
            for plot, model in sorted(of_plot.items()):
                series.append((model.left_out_score(models.flow_l[plot]), _weight(model)))
            processes[basis] = ResidualProcess.of(series)
            shared[basis] = _shared_part(series)
        return cls(processes, shared)


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


def _edges(first: int, last: int, model: Combination) -> Indices:
    """Hours around a gap, given by its first and past-the-last hour, of which the model knows its error."""
    edge = np.concatenate([first - 1 - EDGE_HOURS, last + EDGE_HOURS])
    return edge[np.isin(edge, model.rows, assume_unique=True)]


def members_of(segments: list[Segment], errors: Errors, flow_l: Floats, named: Named) -> Iterable[tuple[Segment, Floats]]:
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
            edge = _edges(first, last, segment.model)
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
            centre = score.mean(axis=1, keepdims=True)
            score = centre + segment.novelty[:, np.newaxis] * (score - centre)
            widening = WIDENING[segment.basis] * segment.novelty
            yield segment, segment.model.members(segment.hours, segment.model.estimate[segment.hours], score, widening)


def tried_intervals(
    model: Combination,
    process: ResidualProcess,
    flow_l: Floats,
    length_h: int,
    widening: float,
    generator: np.random.Generator,
) -> dict[str, float]:
    """How often, and how narrowly, 90 % intervals held volumes of blocks that the models had not seen.

    Some blocks of the measured record are drawn as if they were gaps, around the left-out estimates and tied to left-out scores.

    Args:
        model: what fills; process: of its errors.
        flow_l: measured flow of the plot, L per hour, shape (hours,).
        length_h: of a block.
        widening: factor on the spread of errors.
        generator: of the draws.

    Returns:
        `coverage_90`, `width_90` (over the mean volume); nothing where no block is known.
    """
    left_out = np.full(flow_l.size, np.nan)
    left_out[model.rows] = model.left_out
    scores = model.left_out_score(flow_l)
    known = np.isfinite(left_out[: flow_l.size // length_h * length_h]).reshape(-1, length_h)
    blocks = np.flatnonzero(known.mean(axis=1) >= 0.9)
    if blocks.size == 0:
        return {}
    most = int(np.clip(TRIED_HOURS // length_h, 3, 12))
    truth, low, high = [], [], []
    for first in length_h * blocks[np.unique(np.linspace(0, blocks.size - 1, most).round().astype(int))]:
        hours = first + np.flatnonzero(np.isfinite(left_out[first : first + length_h]))
        edge = _edges(first, first + length_h, model)
        begin, end = min([hours[0], *edge]), max([hours[-1], *edge]) + 1
        draws = Draws.of(np.ones(end - begin, dtype=bool), lambda _: generator, TRIED_MEMBERS)
        drawn, at_edge = (draws.at(at - begin, process.share) for at in (hours, edge))
        score = process.given(hours, edge, scores[edge], drawn, at_edge, widening)
        sums = model.members(hours, left_out[hours], score, np.full(hours.size, widening)).sum(axis=0)
        truth.append(flow_l[hours].sum())
        bounds = np.quantile(sums, [0.05, 0.95])
        low.append(bounds[0])
        high.append(bounds[1])
    scale = np.mean(np.abs(truth))
    held = np.mean((np.array(low) <= truth) & (truth <= np.array(high)))
    found = {"coverage_90": float(held)}
    if scale > 0:
        found["width_90"] = float(np.mean(np.array(high) - low) / scale)
    return found
