"""Intervals tried on blocks of the measured record, as if these were gaps.

Belongs here: which blocks are tried, what members say of their volumes, how often and how narrowly intervals hold them.
Does not: what is made of it for real gaps (gap_errors.py), the processes (residual_process.py), the models (gap_models.py).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.science.gap_models import Combination
from pipeline.science.residual_process import Draws, ResidualProcess

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]

EDGE_HOURS = np.array([0, 1, 3, 7, 15, 31, 63])
"""Measured hours that tie members at each side of a gap, counted from its edge."""
REACH_H = int(EDGE_HOURS[-1]) + 1
BACKWARD_SHARE = 0.1
"""Share of the mean flow from which on backward flow counts as the receiving water's. It comes out again when that falls, and says nothing
of the days after: tied to it, members ran backwards for weeks."""

MOST_TRIED = 12
"""Blocks of one plot and length that are tried."""
TRIED_HOURS = 3_000
"""Hours of them together."""
FEWEST_TRIED = 3
TRIED_MEMBERS = 40
KNOWN_SHARE = 0.6
"""Share of a block that must be measured, so that it is tried."""


def edges(first: int, last: int, model: Combination, flow_l: Floats) -> Indices:
    """Hours around a gap, given by its first and past-the-last hour, of which the model knows its error; flow of shape (hours,)."""
    edge = np.concatenate([first - 1 - EDGE_HOURS, last + EDGE_HOURS])
    if model.rows.size == 0 or not np.isfinite(flow_l).any():
        return np.asarray(edge[:0])
    # Rows ascend: looking a few up in them takes less than sorting all of them anew.
    edge = edge[model.rows[np.minimum(np.searchsorted(model.rows, edge), model.rows.size - 1)] == edge]
    return np.asarray(edge[flow_l[edge] >= -BACKWARD_SHARE * np.abs(np.nanmean(flow_l))])


@dataclass(frozen=True)
class Tried:
    """Volumes of some blocks and what members that had not seen them say, L, each of shape (blocks,)."""

    truth: Floats
    mean: Floats
    low: Floats
    high: Floats

    @property
    def factor(self) -> Floats:
        """By what each interval's half on the truth's side must be multiplied to reach it, shape (blocks,)."""
        above = self.truth > self.mean
        half = np.where(above, self.high - self.mean, self.mean - self.low)
        off = np.abs(self.truth - self.mean)
        least = 1e-6 * max(float(np.abs(self.truth).max(initial=0.0)), 1e-9)
        return np.asarray(off / np.maximum(half, least))

    def scores(self, widening: float) -> Mapping[str, float]:
        """`coverage_90`, `width_90` (over the mean volume) of intervals widened by a factor; nothing where no block was tried."""
        if self.truth.size == 0:
            return {}
        found = {"coverage_90": float(np.mean(self.factor <= widening))}
        scale = float(np.mean(np.abs(self.truth)))
        if scale > 0:
            found["width_90"] = widening * float(np.mean(self.high - self.low)) / scale
        return found


def tried_blocks(model: Combination, process: ResidualProcess, flow_l: Floats, length_h: int, draws: Draws) -> Tried:
    """Draw some blocks of the measured record as if they were gaps, around left-out estimates and tied to left-out scores.

    The wetter half of the blocks is tried, evenly spread over the record: dry ones need no interval.

    Args:
        model: what fills; process: of its errors.
        flow_l: measured flow of the plot, L per hour, shape (hours,).
        length_h: of a block.
        draws: of `length_h` and twice `REACH_H` hours at least.
    """
    left_out, wet = np.full((2, flow_l.size), np.nan)
    left_out[model.rows], wet[model.rows] = model.left_out, model.litres_per_score()
    scores = model.left_out_score(flow_l)
    whole = wet[: flow_l.size // length_h * length_h].reshape(-1, length_h)
    known = np.flatnonzero(np.isfinite(whole).mean(axis=1) >= KNOWN_SHARE)
    if known.size > FEWEST_TRIED:
        size = np.nansum(whole[known], axis=1)
        known = known[size >= np.median(size)]
    most = int(np.clip(TRIED_HOURS // length_h, FEWEST_TRIED, MOST_TRIED))
    places = np.unique(np.linspace(0, known.size - 1, most).round().astype(int)) if known.size else np.zeros(0, dtype=int)
    found = np.empty((4, places.size))
    for number, first in enumerate(length_h * known[places]):
        hours = first + np.flatnonzero(np.isfinite(left_out[first : first + length_h]))
        edge = edges(first, first + length_h, model, flow_l)
        begin = first - REACH_H
        drawn, at_edge = (draws.at(at - begin, process.share) for at in (hours, edge))
        score = process.given(hours, edge, scores[edge], drawn, at_edge)
        sums = model.members(hours, left_out[hours], score, np.ones(hours.size)).sum(axis=0)
        found[:, number] = flow_l[hours].sum(), sums.mean(), *np.quantile(sums, [0.05, 0.95])
    return Tried(*found)
