"""How well models did at hours and gaps that they had not seen.

Belongs here: the published scores, and which of them a gap model is given.
Does not: the models (gap_models.py), left-out blocks (blocked_validation.py).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.science.gap_models import Candidate, Combination, sums_of_blocks

Floats = NDArray[np.float64]

COMBINATION = "combination"


@dataclass(frozen=True)
class Skill:
    """Scores of one model of one plot on left-out blocks.

    Attributes:
        plot: number; donors: numbers of the plots that it learned from, and that after the last plot for the receiving water's level;
            none: the weather alone.
        gap_hours: length of the gaps at whose volumes it was scored, h.
        model: name.
        values: by metric.
    """

    plot: int
    donors: tuple[int, ...]
    gap_hours: int
    model: str
    values: Mapping[str, float]


def nash_sutcliffe(estimate: ArrayLike, truth: ArrayLike) -> float:
    """One less the mean squared error over the truth's variance (Nash and Sutcliffe 1970, Journal of Hydrology 10).

    1 is perfect, 0 as good as the truth's mean; not-a-number where the truth does not vary.
    """
    x, y = np.asarray(estimate, dtype=float), np.asarray(truth, dtype=float)
    spread = np.sum(np.square(y - y.mean()))
    return float(1 - np.sum(np.square(x - y)) / spread) if spread > 0 else float("nan")


def kling_gupta(estimate: ArrayLike, truth: ArrayLike) -> float:
    """One less the distance of correlation, ratio of spreads and ratio of means from 1 (Gupta and others 2009, Journal of Hydrology 377).

    Not-a-number where either does not vary or the truth's mean is nothing.
    """
    x, y = np.asarray(estimate, dtype=float), np.asarray(truth, dtype=float)
    if x.std() == 0 or y.std() == 0 or y.mean() == 0:
        return float("nan")
    correlation = float(np.mean((x - x.mean()) * (y - y.mean())) / (x.std() * y.std()))
    return float(1 - np.sqrt((correlation - 1) ** 2 + (x.std() / y.std() - 1) ** 2 + (x.mean() / y.mean() - 1) ** 2))


def skill_of(
    plot: int,
    donors: tuple[int, ...],
    gap_hours: int,
    candidates: Sequence[Candidate],
    combination: Combination,
    flow_l: Floats,
    intervals: Mapping[str, float],
) -> list[Skill]:
    """Scores of every candidate and of their combination, whose estimates are those of left-out blocks.

    Args:
        plot, donors, gap_hours: as of `Skill`.
        candidates, combination: what was combined, and what came of it.
        flow_l: measured flow of the plot, L per hour, shape (hours,).
        intervals: scores of the combination's intervals.
    """
    rows = combination.rows
    truth = flow_l[rows]
    by_name = {each.name: each.left_out for each in candidates}
    by_name[COMBINATION] = combination.freed(combination.left_out)
    weights = {**combination.weights, COMBINATION: 1.0}
    total = sums_of_blocks(flow_l.size, rows, truth, gap_hours)
    found = []
    for name, left_out in by_name.items():
        error = sums_of_blocks(flow_l.size, rows, left_out - truth, gap_hours)
        scale = np.mean(np.abs(total))
        values = {
            "weight": weights[name],
            "bias": float(np.mean(error) / scale) if scale > 0 else float("nan"),
            "gap_volume_error": float(np.sqrt(np.mean(np.square(error))) / scale) if scale > 0 else float("nan"),
            "nash_sutcliffe": nash_sutcliffe(left_out, truth),
            "kling_gupta": kling_gupta(left_out, truth),
        }
        if name == COMBINATION:
            values.update(intervals)
        found.append(Skill(plot, donors, gap_hours, name, values))
    return found
