"""Models that compete for hours without a measurement, and what comes of combining them.

Belongs here: regression on neighbours (variance-keeping and penalised), regression on antecedent rain and season, the reservoirs'
estimates as one model among others; weights by skill on left-out blocks; the combination with its scores.
Does not: which hours are missing and what is drawn for them (gap_estimate.py), the reservoirs themselves (rain_drainage.py).

Regressions are fitted on the signed square root of flow: errors grow with flow, and backward flow stays backward. Every model ends
as litres per hour, since sums of litres are what matters and what combines.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from pipeline.science.antecedent import antecedent_mean, antecedent_sum, water_reaching_soil
from pipeline.science.blocked_validation import ridge_by_blocks
from pipeline.science.normal_scores import NormalScores, seasonal_scale
from pipeline.science.record_extension import variance_keeping_line
from pipeline.science.signed_root import signed_power, signed_root

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Indices = NDArray[np.int64]

VARIANCE_KEEPING, PENALISED = "neighbours, variance kept", "neighbours and weather, penalised"
RESERVOIRS, ANTECEDENT = "soil water and reservoirs", "antecedent rain, penalised"

FEWEST_HOURS_FOR_SEASON = 30 * 24
"""Measured hours below which only the mean is used."""
LEAST_CORRELATION = 0.6
"""Correlation of an index with the plot below which keeping the variance would blow up noise."""
SKILL_POWER = 1.0
"""Weights go with the mean squared error of a gap's volume to minus this power: near to equal where models are alike."""

_ENOUGH = 6000
"""Hours from which the spread of residuals is told: neighbouring ones tell alike."""

RAIN_TIME_CONSTANTS_H = (3.0, 10.0, 30.0, 90.0, 240.0, 720.0, 2160.0)
FROST_TIME_CONSTANT_H = 120.0
SEASON_TIME_CONSTANT_H = 720.0


@dataclass(frozen=True)
class Candidate:
    """A fitted model of one plot.

    Attributes:
        name: what it is called in tables.
        rows: measured hours that it learned from, shape (n,).
        left_out: its estimates for these by fits that have not seen their block, L per hour, shape (n,).
        estimate: for every hour, L per hour, not-a-number where a predictor is lacking, shape (hours,).
    """

    name: str
    rows: Indices
    left_out: Floats
    estimate: Floats


@dataclass(frozen=True)
class Combination:
    """Several models as one, with all that is known of its errors.

    Attributes:
        weights: of the models by name, sum 1.
        rows, left_out, estimate: as of a candidate; the estimate is not yet freed of what residuals are on average.
        scores: residuals on the root scale by size of the estimate.
        season_scale: factor on scores by season, shape (hours,).
        tables: means of members by estimate, once they have been asked for.
    """

    weights: Mapping[str, float]
    rows: Indices
    left_out: Floats
    estimate: Floats
    scores: NormalScores
    season_scale: Floats
    tables: dict[tuple[Callable[[Floats], Floats], float], tuple[Floats, Floats]] = field(
        default_factory=dict, repr=False
    )

    def freed(self, estimate: Floats) -> Floats:
        """Estimates freed of what residuals are on average: the mean of members without edges, L per hour, same shape."""
        return self.scores.mean(signed_root(estimate), signed_power)

    def left_out_score(self, flow_l: Floats) -> Floats:
        """Standardised score of each measured hour by what has not seen it, not-a-number elsewhere, shape (hours,)."""
        score = np.full(flow_l.size, np.nan)
        root = signed_root(self.left_out)
        score[self.rows] = self.scores.scores(root, signed_root(flow_l[self.rows]) - root) / self.season_scale[self.rows]
        return score

    def score(self, hours: Indices, flow_l: Floats) -> Floats:
        """Standardised scores of measured flows by the estimate that fills, L per hour, shapes (n,): what goes on into a gap."""
        root = signed_root(self.estimate[hours])
        return self.scores.scores(root, signed_root(flow_l) - root) / self.season_scale[hours]

    def litres_per_score(self) -> Floats:
        """What one standardised score more or less is of the left-out estimates' flow, L per hour, shape (n,)."""
        root, one = signed_root(self.left_out), self.season_scale[self.rows]
        scores = np.stack([-one, one], axis=1)
        low, high = signed_power(root[:, np.newaxis] + self.scores.residuals(root, scores)).T
        return np.asarray(high - low) / 2

    def members(self, hours: Indices, estimate: Floats, score: Floats, widening: Floats) -> Floats:
        """Flows of standardised scores, L per hour, shape (n, members).

        Args:
            hours, estimate: the hours and what is estimated of them, L per hour, shape (n,).
            score: standardised scores, whose spread was widened, shape (n, members).
            widening: by these factors, which must not move the mean, shape (n,).
        """
        root = signed_root(estimate)
        flow = signed_power(
            root[:, np.newaxis] + self.scores.residuals(root, score * self.season_scale[hours][:, np.newaxis])
        )
        # Wider errors move neither the mean of what runs forward, so that dry hours stay dry, nor that of what runs back.
        kept = np.ones((2, root.size))
        for factor in np.unique(widening[widening != 1.0]):
            at = widening == factor
            for number, part in enumerate((_forward, _backward)):
                usual, widened = (np.interp(root[at], *self._means(part, each)) for each in (1.0, float(factor)))
                kept[number, at] = np.divide(usual, widened, out=np.ones_like(usual), where=widened != 0)
        return flow * np.where(flow > 0, kept[0, :, np.newaxis], kept[1, :, np.newaxis])

    def _means(self, part: Callable[[Floats], Floats], factor: float) -> tuple[Floats, Floats]:
        """What part of the flow is on average, by root of the estimate, over all estimates that the models gave."""
        if (part, factor) not in self.tables:
            given = signed_root(np.concatenate([self.left_out, self.estimate[np.isfinite(self.estimate)]]))
            self.tables[part, factor] = self.scores.means(float(given.min()), float(given.max()), part, factor)
        return self.tables[part, factor]


def _forward(root: Floats) -> Floats:
    return np.maximum(signed_power(root), 0.0)


def _backward(root: Floats) -> Floats:
    return np.minimum(signed_power(root), 0.0)


@dataclass(frozen=True)
class WeatherPredictors:
    """Predictors of the regression on weather, each of shape (hours, k); `all` holds the others and their products."""

    season: Floats
    wetness: Floats
    all: Floats


def season_predictors(day: Floats) -> Floats:
    """Two harmonics of the year, shape (n,) days to (n, 4)."""
    angle = 2 * np.pi * day / 365.2425
    return np.column_stack([np.cos(angle), np.sin(angle), np.cos(2 * angle), np.sin(2 * angle)])


def weather_predictors(day: Floats, rain_mm: Floats, air_temp_c: Floats) -> WeatherPredictors:
    """Predictors of the regression on weather: season, wetness at several memories, their products, frost.

    Wetness is the square root of a fading mean of rain (and melt); it enters alone, with the season (the same rain drains less
    in summer) and in pairs (rain on wet soil drains more). Missing rain counts as the record's mean rain, missing temperature as
    between its neighbours; without any rain only the season is left.

    Args:
        day: days since a fixed date, with fraction, shape (n,).
        rain_mm: mm per hour, not-a-number where missing, shape (n,).
        air_temp_c: degrees Celsius, not-a-number where missing, shape (n,).

    """
    season = season_predictors(day)
    wetness = np.empty((day.size, 0))
    columns = [season]
    known_temperature = np.isfinite(air_temp_c)
    known_rain = np.isfinite(rain_mm)
    warmth = np.zeros_like(day)
    if known_temperature.any():
        warmth = np.interp(day, day[known_temperature], air_temp_c[known_temperature])
        columns.append(
            np.column_stack(
                [
                    antecedent_mean(np.minimum(warmth, 0.0), FROST_TIME_CONSTANT_H),
                    antecedent_mean(warmth, SEASON_TIME_CONSTANT_H),
                ]
            )
        )
    if known_rain.any():
        rain = np.where(known_rain, rain_mm, rain_mm[known_rain].mean())
        water = water_reaching_soil(rain, warmth) if known_temperature.any() else rain
        wetness = np.column_stack([np.sqrt(antecedent_sum(water, k) / k) for k in RAIN_TIME_CONSTANTS_H])
        first, second = np.triu_indices(wetness.shape[1], k=1)
        columns.append(wetness)
        columns.append(_each_with_each(wetness, season[:, :2]))
        columns.append(wetness[:, first] * wetness[:, second])
    return WeatherPredictors(season, wetness, np.concatenate(columns, axis=1))


def level_predictors(level: Floats) -> Floats:
    """Predictors of water that backs up, from the receiving water's level, shape (hours,) to (hours, k); k is 0 without any level.

    Low water tells nothing and high water much: the level itself, and how far it stands above what it exceeds for half, a fifth and a
    twentieth of the time. Not-a-number where the level is.
    """
    known = np.isfinite(level)
    if not known.any():
        return np.empty((level.size, 0))
    scale = level[known].std()
    over = [np.maximum(level - place, 0.0) for place in np.quantile(level[known], [0.5, 0.8, 0.95])]
    return np.column_stack([level, *over]) / (scale if scale > 0 else 1.0)


def antecedent_candidate(
    root: Floats, weather: WeatherPredictors, treatment: Indices, fold: Indices, level: Floats
) -> Candidate:
    """Ridge regression of the plot's root flow on season and wetness, with terms of their own for each treatment.

    Args:
        root: signed root of flow in L per hour, not-a-number where not measured, shape (hours,); measured at least once.
        weather: predictors of every hour.
        treatment: number of the plot's treatment in each hour, shape (hours,); fold: of each hour, shape (hours,).
        level: as from `level_predictors`, or without columns.
    """
    rows = np.flatnonzero(np.isfinite(root) & np.isfinite(level).all(axis=1))
    design = np.empty((root.size, 0))
    if rows.size >= FEWEST_HOURS_FOR_SEASON:
        contrast = _treatment_contrasts(treatment[np.newaxis], rows)
        design = np.concatenate(
            [
                weather.all,
                contrast,
                _each_with_each(contrast, weather.season),
                _each_with_each(contrast, weather.wetness),
                level,
            ],
            axis=1,
        )
    fit = ridge_by_blocks(design[rows], root[rows], fold[rows])
    # Squares of an extrapolated root run away; the plot is not thought to drain more than it was seen to.
    estimate = np.clip(fit.predict(design), root[rows].min(), root[rows].max())
    return _in_litres(ANTECEDENT, rows, root, np.clip(fit.left_out, root[rows].min(), root[rows].max()), estimate)


def neighbour_candidates(
    root: Floats,
    expected_root: Floats,
    season: Floats,
    treatment: Indices,
    plot: int,
    donors: Sequence[int],
    fold: Indices,
    level: Floats,
) -> list[Candidate]:
    """Regressions of a plot on others: one that keeps the variance, and a penalised one that knows the weather too.

    The first combines donors and season into one index by least squares and extends that as a single donor would be
    extended; where the index is not like the plot there is none. The second sets what the weather lets expect of plot
    and donors beside what the donors gave. Where the treatment of plot or donor changes, relations have a level, a
    slope and a season of their own for each, shrunken as far as left-out blocks advise.

    Args:
        root: signed roots of flow in L per hour, not-a-number where not measured, shape (plots, hours).
        expected_root: signed roots of what the weather lets expect, shape (plots, hours); not-a-number for a plot without any.
        season: as from `season_predictors`.
        treatment: shape (plots, hours); fold: shape (hours,).
        plot: the plot to estimate.
        donors: the others, best correlated first, at least one.
        level: as from `level_predictors`, or without columns.
    """
    target = root[plot]
    given = root[list(donors)]
    rows = np.flatnonzero(np.isfinite(target) & np.isfinite(given).all(axis=0) & np.isfinite(level).all(axis=1))
    best_donor = given[0][:, np.newaxis]
    contrast = _treatment_contrasts(treatment[[plot, *donors]], rows)
    of_treatment = np.concatenate([contrast, _each_with_each(contrast, np.column_stack([best_donor, season]))], axis=1)
    together = np.concatenate([given.T, season, best_donor * season[:, :2], of_treatment], axis=1)
    informed = np.concatenate([together, expected_root[[plot, *donors]].T, level], axis=1)
    found: list[Candidate] = []
    fit = ridge_by_blocks(together[rows], target[rows], fold[rows])
    # A plot or an index that never varies has no correlation, and is like nothing.
    with np.errstate(invalid="ignore", divide="ignore"):
        alike = np.corrcoef(fit.left_out, target[rows])[0, 1] >= LEAST_CORRELATION
    if alike:
        index = fit.predict(together)
        slope, intercept = variance_keeping_line(index[rows], target[rows])
        left_out = np.empty(rows.size)
        for number in np.unique(fold[rows]):
            out = fold[rows] == number
            kept = ~out if (~out).sum() >= 2 else np.ones_like(out)
            left_slope, left_intercept = variance_keeping_line(fit.left_out[kept], target[rows][kept])
            left_out[out] = left_intercept + left_slope * fit.left_out[out]
        found.append(Candidate(VARIANCE_KEEPING, rows, signed_power(left_out), signed_power(intercept + slope * index)))
    fit = ridge_by_blocks(informed[rows], target[rows], fold[rows])
    found.append(_in_litres(PENALISED, rows, target, fit.left_out, fit.predict(informed)))
    return found


def _in_litres(name: str, rows: Indices, root: Floats, left_out: Floats, estimate: Floats) -> Candidate:
    """A least-squares model of roots as one of litres: the mean over its residuals, by size of the estimate."""
    some = _enough(rows)
    spread = NormalScores.of(left_out[some], root[rows[some]] - left_out[some])
    return Candidate(name, rows, spread.mean(left_out, signed_power), spread.mean(estimate, signed_power))


def _enough(rows: Indices) -> slice:
    """Every few of many hours."""
    return slice(None, None, max(1, rows.size // _ENOUGH))


def _treatment_contrasts(treatment: Indices, hours: Indices) -> Floats:
    """One 0/1 column for each treatment beside the first of any of some plots, shape (plots, all hours) to (all hours, k).

    Columns that do not vary over the hours to learn from, or that repeat another, are left out.
    """
    columns = {(row == value).tobytes(): row == value for row in treatment for value in np.unique(row[hours])[1:]}
    return np.array([*columns.values()], dtype=float).reshape(len(columns), treatment.shape[1]).T


def _each_with_each(first: Floats, second: Floats) -> Floats:
    """Products of every column with every column, shapes (n, k) and (n, m) to (n, k m)."""
    return (first[:, :, np.newaxis] * second[:, np.newaxis, :]).reshape(first.shape[0], -1)


def sums_of_blocks(hours: int, rows: Indices, values: Floats, length_h: int) -> Floats:
    """Sums over blocks of a length of which at least half is known, scaled to the whole block.

    Args:
        hours: of the record; rows: the known ones, shape (n,); values: shape (n,).
        length_h: of a block.

    Returns:
        Shape (blocks,); the whole record as one block where no block is known for half.
    """
    block = rows // length_h
    count = np.bincount(block, minlength=hours // length_h + 1)
    total = np.bincount(block, values, minlength=count.size)
    enough = count >= 0.5 * length_h
    if not enough.any():
        return np.array([values.mean() * length_h])
    return total[enough] * (length_h / count[enough])


def combine(candidates: Sequence[Candidate], flow_l: Floats, day: Floats, length_h: int) -> Combination:
    """Combine models by their skill at volumes of gaps of a length.

    Args:
        candidates: at least one, all with the same rows.
        flow_l: measured flow of the plot, L per hour, not-a-number elsewhere, shape (hours,).
        day: days since a fixed date, shape (hours,).
        length_h: length of the gap.
    """
    rows = candidates[0].rows
    truth = flow_l[rows]
    least = 1e-6 * float(np.mean(np.square(truth))) * length_h**2 + 1e-12
    skill = np.array(
        [
            np.mean(np.square(sums_of_blocks(flow_l.size, rows, each.left_out - truth, length_h))) + least
            for each in candidates
        ]
    )
    weight = skill**-SKILL_POWER / np.sum(skill**-SKILL_POWER)
    left_out = weight @ np.stack([each.left_out for each in candidates])
    estimate = weight @ np.stack([each.estimate for each in candidates])
    root = signed_root(left_out)
    residual = signed_root(truth) - root
    some = _enough(rows)
    scores = NormalScores.of(root[some], residual[some])
    season_scale = seasonal_scale(day[rows[some]], scores.scores(root[some], residual[some]), day)
    return Combination(
        {each.name: float(share) for each, share in zip(candidates, weight, strict=True)},
        rows,
        left_out,
        estimate,
        scores,
        season_scale,
    )
