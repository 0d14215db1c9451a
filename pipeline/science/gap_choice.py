"""Which model fills which hour of a gap.

Belongs here: the situations of a gap (which plots are measured), usable donors, models fitted once and combined by length of gap.
Does not: the models themselves (gap_models.py, rain_drainage.py), their errors and draws (gap_errors.py).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.science.blocked_validation import block_folds, long_gap_hours
from pipeline.science.disagreement import LARGEST_FACTOR, times_farther_apart, usual_disagreement
from pipeline.science.gap_models import (
    RESERVOIRS,
    Candidate,
    Combination,
    antecedent_candidate,
    combine,
    level_predictors,
    neighbour_candidates,
    season_predictors,
    sums_of_blocks,
    weather_predictors,
)
from pipeline.science.rain_drainage import fit_rain_drainage
from pipeline.science.signed_root import signed_root

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Flags = NDArray[np.bool_]
Indices = NDArray[np.int64]

FROM_NEIGHBOURS, FROM_WEATHER = "from_neighbours", "from_weather"

GAP_LENGTHS_H = (12, 72, 336, 1080)
"""Longest gap of each class but the last, h; models are weighted by their skill at volumes of gaps of these lengths."""
MOST_DONORS = 4
FEWEST_BACKWARD_HOURS = 24
"""Measured hours of backward flow from which on the receiving water's level is asked."""
FEWEST_COMMON_HOURS = 30 * 24
"""Concurrent hours below which a relation between plots is not trusted."""
LEAST_COMMON_SHARE = 0.35
"""Share of the plot's measured hours that must be common, so that the relation has seen more than one season."""
NOVELTY_HOURS = 500.0
"""Measured hours under a treatment at which errors are taken to spread 1.4 times as far as under one long known."""
LARGEST_NOVELTY = 3.0
COMPARED_LENGTH_H = 72
"""Neighbours fill where they do better than the weather at volumes of gaps of this length."""


def length_class(hours: int) -> int:
    """The one of `GAP_LENGTHS_H` that stands for a gap of some hours."""
    return next((most for most in GAP_LENGTHS_H if hours <= most), GAP_LENGTHS_H[-1])


@dataclass(frozen=True)
class Segment:
    """Hours of one gap of one plot that the same model fills.

    `gap` is its first and past-the-last hour; `novelty` a factor on the spread of errors where the treatments of plot and donors are new
    to the model, shape (hours,); `doubt` a factor on the error of all hours together.
    """

    plot: int
    hours: Indices
    gap: tuple[int, int]
    basis: str
    model: Combination
    novelty: Floats
    doubt: float = 1.0


class GapModels:
    """The models of all plots, each fitted when it is first asked for."""

    def __init__(
        self, flow_l: Floats, day: Floats, rain_mm: Floats, air_temp_c: Floats, level: Floats, treatment: Indices
    ) -> None:
        self.level = level
        # The level is one more donor, after the plots, in hours of which it is known; it serves plots that it backs up.
        self.with_level = np.isfinite(level) & (np.sum(flow_l < 0, axis=1, keepdims=True) >= FEWEST_BACKWARD_HOURS)
        self.flow_l, self.day, self.treatment = flow_l, day, treatment
        self.measured = np.isfinite(flow_l)
        self.root = signed_root(flow_l)
        self.fold = block_folds(day.size, long_gap_hours(~self.measured.all(axis=0)))
        self.reservoirs = fit_rain_drainage(flow_l, day, rain_mm, air_temp_c, self.fold, treatment)
        self.expected_root = np.nan_to_num(signed_root(self.reservoirs.estimate))
        self.weather = weather_predictors(day, rain_mm, air_temp_c)
        self.season = season_predictors(day)
        self.correlation = _correlation(self.root)
        self.candidates: dict[tuple[int, tuple[int, ...]], list[Candidate]] = {}
        self.combinations: dict[tuple[int, tuple[int, ...], int], Combination] = {}
        self._serves: dict[tuple[int, tuple[int, ...]], bool] = {}
        self._novelty: dict[tuple[int, tuple[int, ...]], Floats] = {}
        self._usually_apart: dict[tuple[int, tuple[int, ...]], float] = {}
        self._sets_apart: dict[int, float] = {}

    def segments(self, wanted: Flags, plot: int, first: int, last: int) -> Iterable[Segment]:
        """The hours of a gap by the model that fills them."""
        hours = first + np.flatnonzero(wanted[plot, first:last])
        length = length_class(last - first)
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
            basis = self.basis(used)
            inside = np.sort(np.concatenate(at))
            model = self._combination(plot, used, length)
            if (plot, used) not in self._novelty:
                self._novelty[plot, used] = _novelty(self.treatment[[plot, *self.plots_of(used)]], model.rows)
            novelty = self._novelty[plot, used][inside]
            yield Segment(plot, inside, (first, last), basis, model, novelty, self._doubt(plot, used, inside))

    def _doubt(self, plot: int, used: tuple[int, ...], hours: Indices) -> float:
        """How much farther than usual models, and of the weather's parameter sets too, lie apart over some hours."""
        models = [each.estimate for each in self._of(plot, used)]
        if (plot, used) not in self._usually_apart:
            self._usually_apart[plot, used] = usual_disagreement(np.stack(models))
        doubt = times_farther_apart(np.stack([each[hours] for each in models]), self._usually_apart[plot, used])
        if not self.plots_of(used):
            sets = self.reservoirs.by_set[:, plot]
            if plot not in self._sets_apart:
                self._sets_apart[plot] = usual_disagreement(sets)
            doubt *= times_farther_apart(sets[:, hours], self._sets_apart[plot])
        return min(doubt, LARGEST_FACTOR)

    def plots_of(self, used: tuple[int, ...]) -> tuple[int, ...]:
        """Donors that are plots: all but the receiving water's level."""
        return tuple(donor for donor in used if donor < len(self.flow_l))

    def basis(self, used: tuple[int, ...]) -> str:
        """Where an estimate comes from that uses some donors."""
        return FROM_NEIGHBOURS if self.plots_of(used) else FROM_WEATHER

    def _donors(self, plot: int, hours: Indices) -> Indices:
        """The best correlated of the plots measured in each hour, best first, -1 for none, and last the level.

        Shape (hours, MOST_DONORS + 1).
        """
        correlation = np.abs(self.correlation[plot])
        order = np.argsort(-correlation, kind="stable")
        order = order[(order != plot) & (correlation[order] > 0)]
        chosen = np.full((hours.size, MOST_DONORS), -1)
        taken = np.zeros(hours.size, dtype=int)
        for donor in order:
            free = np.flatnonzero(self.measured[donor, hours] & (taken < MOST_DONORS))
            chosen[free, taken[free]] = donor
            taken[free] += 1
        level = np.where(self.with_level[plot, hours], len(self.flow_l), -1)
        return np.column_stack([chosen, level])

    def _usable(self, plot: int, donors: Indices) -> tuple[int, ...]:
        """The donors, best first, that have enough measured hours in common with the plot and with the better donors.

        The others are left out: a relation learned in a dry summer says nothing about spring.
        """
        fewest = max(FEWEST_COMMON_HOURS, LEAST_COMMON_SHARE * float(self.measured[plot].sum()))
        used: list[int] = []
        common = self.measured[plot]
        for donor in donors:
            with_donor = common & (self.measured[donor] if donor < len(self.flow_l) else self.with_level[plot])
            if with_donor.sum() >= fewest:
                used.append(int(donor))
                common = with_donor
        return tuple(used)

    def _of(self, plot: int, used: tuple[int, ...]) -> list[Candidate]:
        """Candidates that learn from some donors, or from the weather alone."""
        if (plot, used) not in self.candidates:
            donors = self.plots_of(used)
            level = level_predictors(self.level[plot] if used != donors else np.full(self.day.size, np.nan))
            if donors:
                found = neighbour_candidates(
                    self.root, self.expected_root, self.season, self.treatment, plot, donors, self.fold, level
                )
            else:
                rows = np.flatnonzero(self.measured[plot] & np.isfinite(level).all(axis=1))
                found = [
                    Candidate(RESERVOIRS, rows, self.reservoirs.left_out[plot, rows], self.reservoirs.estimate[plot]),
                    antecedent_candidate(self.root[plot], self.weather, self.treatment[plot], self.fold, level),
                ]
            self.candidates[plot, used] = found
        return self.candidates[plot, used]

    def _combination(self, plot: int, used: tuple[int, ...], length: int) -> Combination:
        if (plot, used, length) not in self.combinations:
            self.combinations[plot, used, length] = combine(self._of(plot, used), self.flow_l[plot], self.day, length)
        return self.combinations[plot, used, length]

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


def _novelty(treatment: Indices, learned: Indices) -> Floats:
    """How much farther errors spread in each hour because little was learned under the same treatments, shape (hours,).

    Args:
        treatment: of plot and donors, shape (1 + donors, hours).
        learned: hours that the model learned from.
    """
    varies = (treatment != treatment[:, :1]).any(axis=1)
    if not varies.any():
        return np.ones(treatment.shape[1])
    # One number for each combination of treatments.
    kind = np.ravel_multi_index(tuple(treatment[varies]), tuple(treatment[varies].max(axis=1) + 1))
    known = np.bincount(kind[learned], minlength=int(kind.max()) + 1)[kind]
    return np.minimum(np.sqrt(1.0 + NOVELTY_HOURS / np.maximum(known, 1.0)), LARGEST_NOVELTY)
