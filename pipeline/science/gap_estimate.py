"""Estimates for hours without a measurement.

Belongs here: the models of the first gap stage and their intervals: bridging, variance-keeping regression on the neighbours,
regression on antecedent rain and season.
Does not: tables, registers, partly measured hours, known totals (stages/hours.py); the parts of the models (record_extension.py,
antecedent.py, blocked_validation.py, residuals.py).

All regressions are fitted on the signed square root of flow: errors grow with flow, and backward flow stays backward.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.science.antecedent import antecedent_mean, antecedent_sum, water_reaching_soil
from pipeline.science.blocked_validation import block_folds, ridge_by_blocks, typical_gap_hours
from pipeline.science.record_extension import variance_keeping_line
from pipeline.science.residuals import PROBABILITIES, EdgeResiduals, ResidualSpread, seasonal_scale
from pipeline.science.signed_root import signed_power, signed_root, smeared_mean

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Indices = NDArray[np.int64]

BRIDGED, FROM_NEIGHBOURS, FROM_WEATHER, UNFILLED = "bridged", "from_neighbours", "from_weather", "unfilled"

MOST_DONORS = 4
FEWEST_COMMON_HOURS = 30 * 24
"""Concurrent hours below which a relation between plots is not trusted."""
FEWEST_HOURS_FOR_SEASON = 30 * 24
"""Measured hours below which only the mean is used."""
LEAST_COMMON_SHARE = 0.35
"""Share of the plot's measured hours that must be common, so that the relation has seen more than one season."""
LEAST_CORRELATION = 0.6
"""Correlation of an index with the plot below which keeping the variance would blow up noise."""
WIDENING = 1.2
"""Factor on the spread of residuals. What takes a meter out (lightning, floods) comes with storms, and hours in gaps are harder to
estimate than the ordinary hours left out in cross-validation; found on invented fields with hidden truth, where intervals without
it held the truth in about 85 of 100 hours."""

RAIN_TIME_CONSTANTS_H = (3.0, 10.0, 30.0, 90.0, 240.0, 720.0, 2160.0)
FROST_TIME_CONSTANT_H = 120.0
SEASON_TIME_CONSTANT_H = 720.0


@dataclass(frozen=True)
class GapEstimates:
    """Estimates of hourly volume, each array of shape (plots, hours); not-a-number where nothing was wanted or possible.

    Attributes:
        volume: L per hour.
        lower, upper: 5th and 95th percentile, L per hour.
        basis: how the estimate was made; "" where none was wanted.
    """

    volume: Floats
    lower: Floats
    upper: Floats
    basis: NDArray[np.str_]


@dataclass(frozen=True)
class _Model:
    """A fitted model for one plot: its estimates for all hours, and how wrong they are, on the root scale.

    Attributes:
        estimate: shape (hours,), not-a-number where a predictor is lacking.
        keeps_variance: whether estimates already vary as flow does and must not be smeared.
        error: mean squared residual of left-out hours.
        spread: of these residuals, by size of the estimate; `season_scale` widens or narrows it, shape (hours,).
        edges: what the residuals at a gap's edges say about the hours inside it.
    """

    estimate: Floats
    keeps_variance: bool
    error: float
    spread: ResidualSpread
    season_scale: Floats
    edges: EdgeResiduals


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


def estimate_gaps(
    flow_l: Floats,
    wanted: Flags,
    day: Floats,
    rain_mm: Floats,
    air_temp_c: Floats,
    treatment: Indices,
    bridge_longest_hours: int,
) -> GapEstimates:
    """Estimates for the wanted hours of each plot.

    A hole of at most `bridge_longest_hours` between two measured hours is bridged by a straight line of flow. Other hours are estimated
    from the other plots that are measured in that hour (at most four, the best correlated), by least squares on their roots and the
    season and then by the line that keeps the variance; or, where no plot is measured, where common hours are too few or where the
    weather does better on left-out blocks, from antecedent rain and season with the smearing mean. The residuals at both edges of
    the gap are carried into it as far as residuals persist.

    Where the plot's treatment, or a donor's, changes within the data, relations have terms of their own for each treatment, shrunken as
    far as left-out blocks advise: much data gives each treatment its own relation, little data hardly departs from the common one.

    Args:
        flow_l: net volume of measured hours, L, not-a-number elsewhere, shape (plots, hours).
        wanted: hours to estimate, none of them measured, shape (plots, hours).
        day: days since a fixed date, with fraction, one step of an hour each, shape (hours,).
        rain_mm: mm per hour, shape (hours,); air_temp_c: degrees Celsius, shape (hours,); not-a-number where missing.
        treatment: number of the plot's treatment in each hour, shape (plots, hours).
        bridge_longest_hours: longest hole that is bridged, h.

    Returns:
        The estimates; `unfilled` only where a plot has no measured hour at all.
    """
    shape = flow_l.shape
    result = GapEstimates(
        np.full(shape, np.nan), np.full(shape, np.nan), np.full(shape, np.nan), np.full(shape, "", dtype="<U15")
    )
    measured = np.isfinite(flow_l)
    root = signed_root(flow_l)
    season = season_predictors(day)
    weather: WeatherPredictors | None = None
    correlation = _correlation(root)
    for plot in range(shape[0]):
        if not wanted[plot].any():
            continue
        if not measured[plot].any():
            result.basis[plot, wanted[plot]] = UNFILLED
            continue
        left, right = _edges(measured[plot])
        hole = right - left - 1
        bridge = wanted[plot] & (left >= 0) & (right < shape[1]) & (hole <= bridge_longest_hours)
        _bridge(result, plot, flow_l[plot], root[plot], np.flatnonzero(bridge), left, right)

        rest = np.flatnonzero(wanted[plot] & ~bridge)
        if rest.size == 0:
            continue
        if weather is None:
            weather = weather_predictors(day, rain_mm, air_temp_c)
        fold = block_folds(shape[1], typical_gap_hours(~measured[plot]))
        donors = _best_donors(measured, correlation[plot], plot, rest)
        by_weather = _weather_model(root[plot], weather, treatment[plot], fold, day)
        by_neighbours: dict[tuple[int, ...], _Model | None] = {}
        patterns, which = np.unique(donors, axis=0, return_inverse=True)
        for number, pattern in enumerate(patterns):
            hours = rest[which.ravel() == number]
            used = _usable_donors(measured, plot, pattern[pattern >= 0])
            if used and used not in by_neighbours:
                by_neighbours[used] = _neighbour_model(root, season, treatment, plot, used, fold, day)
            model, basis = by_weather, FROM_WEATHER
            neighbours = by_neighbours.get(used)
            if neighbours is not None and neighbours.error <= by_weather.error:
                model, basis = neighbours, FROM_NEIGHBOURS
            _apply(result, plot, model, basis, hours, left, right)
    return result


def _edges(measured: Flags) -> tuple[Indices, Indices]:
    """For each hour the last measured hour before it (-1: none) and the first after it (n: none); itself where measured."""
    count = measured.size
    number = np.arange(count)
    left = np.maximum.accumulate(np.where(measured, number, -1))
    right = np.minimum.accumulate(np.where(measured, number, count)[::-1])[::-1]
    return left, right


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


def _best_donors(measured: Flags, correlation: Floats, plot: int, hours: Indices) -> Indices:
    """The best correlated of the plots measured in each hour, best first, -1 for none, shape (hours, MOST_DONORS)."""
    order = np.argsort(-np.abs(correlation), kind="stable")
    order = order[(order != plot) & (np.abs(correlation[order]) > 0)]
    chosen = np.full((hours.size, MOST_DONORS), -1)
    taken = np.zeros(hours.size, dtype=int)
    for donor in order:
        free = np.flatnonzero(measured[donor, hours] & (taken < MOST_DONORS))
        chosen[free, taken[free]] = donor
        taken[free] += 1
    return chosen


def _model(
    estimate: Floats, rows: Indices, left_out: Floats, target: Floats, day: Floats, keeps_variance: bool
) -> _Model:
    """A model with its residuals worked up.

    What edges tell is how residuals there differ from the usual ones of such estimates: the usual ones of a variance-keeping line,
    positive below the mean and negative above it, are no news, and carrying them would take back the variance.
    """
    error = target[rows] - left_out
    spread = ResidualSpread.of(left_out, error)
    centre, scale = spread.centre_and_scale(left_out)
    season_scale = seasonal_scale(day[rows], (error - centre) / scale, day)
    scale = scale * season_scale[rows]
    residual, typical = np.full(estimate.size, np.nan), np.full(estimate.size, np.nan)
    residual[rows] = error - centre
    typical[rows] = scale
    return _Model(
        estimate, keeps_variance, float(np.mean(error**2)), spread, season_scale, EdgeResiduals.of(residual, typical)
    )


def _treatment_contrasts(treatment: Indices, hours: Indices) -> Floats:
    """One 0/1 column for each treatment beside the first of any of some plots, shape (plots, all hours) to (all hours, k).

    Columns that do not vary over the hours to learn from, or that repeat another, are left out.
    """
    columns = {(row == value).tobytes(): row == value for row in treatment for value in np.unique(row[hours])[1:]}
    return np.array([*columns.values()], dtype=float).reshape(len(columns), treatment.shape[1]).T


def _each_with_each(first: Floats, second: Floats) -> Floats:
    """Products of every column with every column, shapes (n, k) and (n, m) to (n, k m)."""
    return (first[:, :, np.newaxis] * second[:, np.newaxis, :]).reshape(first.shape[0], -1)


def _weather_model(root: Floats, weather: WeatherPredictors, treatment: Indices, fold: Indices, day: Floats) -> _Model:
    """Ridge regression of the plot's root flow on season and wetness, with terms of their own for each treatment."""
    rows = np.flatnonzero(np.isfinite(root))
    design = np.empty((root.size, 0))
    if rows.size >= FEWEST_HOURS_FOR_SEASON:
        contrast = _treatment_contrasts(treatment[np.newaxis], rows)
        design = np.concatenate(
            [
                weather.all,
                contrast,
                _each_with_each(contrast, weather.season),
                _each_with_each(contrast, weather.wetness),
            ],
            axis=1,
        )
    fit = ridge_by_blocks(design[rows], root[rows], fold[rows])
    # Squares of an extrapolated root run away; the plot is not thought to drain more than it was seen to.
    estimate = np.clip(fit.predict(design), root[rows].min(), root[rows].max())
    return _model(estimate, rows, fit.left_out, root, day, keeps_variance=False)


def _usable_donors(known: Flags, plot: int, donors: Indices) -> tuple[int, ...]:
    """The donors, best first, that have enough measured hours in common with the plot and with the better donors.

    The others are left out: a relation learned in a dry summer says nothing about spring.
    """
    fewest = max(FEWEST_COMMON_HOURS, LEAST_COMMON_SHARE * float(known[plot].sum()))
    used: list[int] = []
    common = known[plot]
    for donor in donors:
        with_donor = common & known[donor]
        if with_donor.sum() >= fewest:
            used.append(int(donor))
            common = with_donor
    return tuple(used)


def _neighbour_model(
    root: Floats,
    season: Floats,
    treatment: Indices,
    plot: int,
    used: tuple[int, ...],
    fold: Indices,
    day: Floats,
) -> _Model | None:
    """Variance-keeping regression on donors; none where the plot is not like them.

    Several donors and the season are first combined into one index by least squares; the index is then extended as a single
    donor would be. The best donor alone, the combination, and the combination whose slope on the best donor varies with
    the season compete on left-out blocks. Where a plot's treatment changes within the window, all but the first have a level,
    a slope and a season of their own for each treatment.
    """
    target = root[plot]
    rows = np.flatnonzero(np.isfinite(target) & np.isfinite(root[list(used)]).all(axis=0))
    best_donor = root[used[0]][:, np.newaxis]
    contrast = _treatment_contrasts(treatment[[plot, *used]], rows)
    together = np.concatenate(
        [root[list(used)].T, season, contrast, _each_with_each(contrast, np.column_stack([best_donor, season]))], axis=1
    )
    seasonal = np.concatenate([together, best_donor * season[:, :2]], axis=1)
    best: tuple[float, Floats, Floats] | None = None
    for design in (best_donor, together, seasonal):
        fit = ridge_by_blocks(design[rows], target[rows], fold[rows])
        # A plot or an index that never varies has no correlation, and is like nothing.
        with np.errstate(invalid="ignore"):
            alike = np.corrcoef(fit.left_out, target[rows])[0, 1] >= LEAST_CORRELATION
        if not alike:
            continue
        index = fit.predict(design)
        slope, intercept = variance_keeping_line(index[rows], target[rows])
        left_out = np.empty(rows.size)
        for number in np.unique(fold[rows]):
            out = fold[rows] == number
            kept = ~out if (~out).sum() >= 2 else np.ones_like(out)
            left_slope, left_intercept = variance_keeping_line(fit.left_out[kept], target[rows][kept])
            left_out[out] = left_intercept + left_slope * fit.left_out[out]
        error = float(np.mean((target[rows] - left_out) ** 2))
        if best is None or error < best[0]:
            best = (error, intercept + slope * index, left_out)
    if best is None:
        return None
    return _model(best[1], rows, best[2], target, day, keeps_variance=True)


def _apply(
    result: GapEstimates, plot: int, model: _Model, basis: str, hours: Indices, left: Indices, right: Indices
) -> None:
    """Write a model's estimates for some hours of one plot into the result."""
    estimate = model.estimate[hours]
    widening = model.season_scale[hours]
    middle, scale = model.spread.centre_and_scale(estimate)
    shifted = estimate + model.edges.carried(hours, left[hours], right[hours], scale * widening)
    spread = (model.spread.at(estimate) - middle[:, np.newaxis]) * widening[:, np.newaxis]
    centred = shifted + middle
    volume = signed_power(shifted) if model.keeps_variance else smeared_mean(centred, spread, signed_power)
    distribution = signed_power(centred[:, np.newaxis] + WIDENING * spread)
    _store(result, plot, hours, volume, distribution, basis)


def _bridge(
    result: GapEstimates, plot: int, flow_l: Floats, root: Floats, hours: Indices, left: Indices, right: Indices
) -> None:
    """Draw straight lines of flow across short holes of one plot.

    The interval comes from holes of the same length made in the measured record: how far, on the root scale, the truth lay from the
    line at the same place in the hole, where flow at the two edges differed as much.
    """
    for length in np.unique(right[hours] - left[hours] - 1):
        of_length = hours[right[hours] - left[hours] - 1 == length]
        for place in range(1, length + 1):
            here = of_length[of_length - left[of_length] == place]
            share = place / (length + 1)
            line = (1 - share) * flow_l[left[here]] + share * flow_l[right[here]]
            first = np.arange(flow_l.size - length - 1)
            tried = (1 - share) * flow_l[first] + share * flow_l[first + length + 1]
            error = root[first + place] - signed_root(tried)
            unrest = np.abs(root[first + length + 1] - root[first])
            known = np.isfinite(error)
            if known.any():
                spread = ResidualSpread.of(unrest[known], error[known])
                quantiles = spread.at(np.abs(root[right[here]] - root[left[here]]))
            else:
                quantiles = np.zeros((here.size, PROBABILITIES.size))
            _store(
                result, plot, here, line, signed_power(signed_root(line)[:, np.newaxis] + WIDENING * quantiles), BRIDGED
            )


def _store(result: GapEstimates, plot: int, hours: Indices, volume: Floats, distribution: Floats, basis: str) -> None:
    """Keep estimates with the 5th and 95th percentile of their distribution, which always enclose them."""
    lower, upper = np.quantile(distribution, [0.05, 0.95], axis=1)
    result.volume[plot, hours] = volume
    result.lower[plot, hours] = np.minimum(lower, volume)
    result.upper[plot, hours] = np.maximum(upper, volume)
    result.basis[plot, hours] = basis
