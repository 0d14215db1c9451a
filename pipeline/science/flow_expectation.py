"""What a plot's flow should be, given the other plots and the weather.

Belongs here: robust relations between plots on a signed root, the weather's own expectation, their combination with its predictive
spread and persistence.
Does not: judging a meter by it (meter_evidence.py), filling gaps (gap_estimate.py), tables (stages/meter_findings.py).

The expectation is meant to find lies of meters, so that it must not believe them: every relation is fitted by reweighted least
squares in which departures lose weight (Huber 1964, Annals of Mathematical Statistics 35), the relations are combined about
their median, and stretches that are already known to be lies are left out by the caller. Blocks of some hours are its unit: meters
are judged by days, not by minutes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import nnls
from scipy.stats import qmc

from pipeline.science.rain_drainage import BOUNDS, STEP_H, forcing, outflows, parameters, water_balance

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Indices = NDArray[np.int64]

HUBER = 1.5
"""Residuals beyond so many robust standard deviations lose weight."""
ROUNDS = 4
FEWEST_DAYS = 20.0
"""Common days below which two plots say nothing of one another."""
OTHER_CONTEXT_DAYS = 30.0
"""Days that all data of other treatments together are worth beside those of the same treatments."""
LEAST_SPREAD = 0.04
"""Of a root of mm per day: no relation is known better than this."""
DONOR_CORRELATION = 0.5
"""Correlation between the errors of two relations of a plot: it is the plot itself that departs from all of them."""
WEATHER_SETS = 16
"""Parameter sets of the water balance that are tried."""
BEST_SETS = 4
WEATHER_ROUNDS = 3
NORMAL_MAD = 1.4826
DRY_ROOT = 0.2
"""Root of mm per day below which flow is as good as none."""
DRY_WORTH = 0.1
"""What a block without flow is worth beside one with flow: most of a record may be dry, and says the same again and again."""


@dataclass(frozen=True)
class Expectation:
    """Expected signed root of flow, mm per day, each of shape (plots, blocks); not-a-number where nothing tells it.

    Attributes:
        root: centre of the predictive distribution.
        spread: its standard deviation.
        persistence: correlation of a plot's departure with that one block before, shape (plots,).
    """

    root: Floats
    spread: Floats
    persistence: Floats


@dataclass(frozen=True)
class Relations:
    """What each source says of each plot; sources are the plots in their order, and last the weather.

    Attributes:
        root: shape (plots, sources, blocks); not-a-number where the source is not measured or not related.
        spread: standard deviation of the plot's departure from it, same shape.
        measured: the plots' own roots, shape (plots, blocks).
        learned: blocks that a plot's departures may be learned from, shape (plots, blocks).
        block_days: length of a block.
    """

    root: Floats
    spread: Floats
    measured: Floats
    learned: Flags
    block_days: float

    def combined(self, ignored: Flags, wanted: tuple[int, ...] | None = None) -> Expectation:
        """The sources together, without those that are ignored.

        Args:
            ignored: blocks in which a source is not believed, shape (sources, blocks).
            wanted: plots whose expectation is asked, all if none are named; of the others nothing is told.
        """
        plots, _, blocks = self.root.shape
        root, spread = np.full((plots, blocks), np.nan), np.full((plots, blocks), np.nan)
        persistence = np.zeros(plots)
        for plot in range(plots) if wanted is None else wanted:
            said = np.where(ignored, np.nan, self.root[plot])
            known = np.isfinite(said).any(axis=1)
            if not known.any():
                continue
            root[plot], spread[plot] = _location(said[known], self.spread[plot, known])
            learned = self.learned[plot] & np.isfinite(root[plot])
            departure = (self.measured[plot] - root[plot])[learned]
            spread[plot] *= _growth(np.abs(departure) / spread[plot, learned], root[plot, learned], root[plot])
            spread[plot] = np.maximum(spread[plot], LEAST_SPREAD)
            persistence[plot] = _persistence((self.measured[plot] - root[plot]) / spread[plot], self.learned[plot])
        return Expectation(root, spread, persistence)


def weather_root(
    day: Floats, rain_mm: Floats, air_temp_c: Floats, root: Floats, learned: Flags, block_hours: int
) -> Floats:
    """Root of flow that the water balance of snow and soil gives each plot, mm per day, shape (plots, blocks).

    A few parameter sets of science/rain_drainage.py; for each plot non-negative weights of their reservoirs, fitted to flow whose
    departures lose weight. Not-a-number everywhere where there is no rain record.

    Args:
        day: days since a fixed date, with fraction, one step of an hour each, shape (hours,), whole blocks.
        rain_mm, air_temp_c: hourly, not-a-number where missing, shape (hours,).
        root: measured signed root of mm per day, shape (plots, blocks).
        learned: blocks to learn from, shape (plots, blocks).
        block_hours: hours in a block, a multiple of the balance's step.
    """
    result = np.full(root.shape, np.nan)
    if not np.isfinite(rain_mm).any():
        return result
    weather = forcing(day, rain_mm, air_temp_c)
    places = qmc.Sobol(len(BOUNDS), scramble=False).random(2 * WEATHER_SETS)[WEATHER_SETS:].T
    recharge = water_balance(weather, parameters(places)).recharge
    features = outflows(recharge.T, STEP_H)[:, :, weather.spin_up_steps :]
    steps = block_hours // STEP_H
    blocks = root.shape[1]
    # Shape (sets, blocks, reservoirs and a constant), mm per day.
    columns = features[:, :, : blocks * steps].reshape(features.shape[0], features.shape[1], blocks, steps).mean(axis=3)
    columns = np.moveaxis(columns, 0, 2)
    columns[..., :-1] *= 24.0 / STEP_H
    flow = np.maximum(np.sign(root) * np.square(root), 0.0)
    estimates = np.full((len(columns), *root.shape), np.nan)
    errors = np.full((len(columns), len(root)), np.inf)
    for plot in range(len(root)):
        rows = learned[plot] & np.isfinite(root[plot])
        if rows.sum() * block_hours < FEWEST_DAYS * 24.0:
            continue
        target = flow[plot, rows]
        wet = target > DRY_ROOT**2
        if not wet.any():
            continue
        # Departures on the root count, to first order; blocks without flow would drown the others by their number.
        usual = (0.25 * target[wet].mean() + target) / np.where(wet, 1.0, DRY_WORTH)
        for number, of_set in enumerate(columns):
            weight = 1.0 / usual
            for _ in range(WEATHER_ROUNDS):
                scaled = of_set[rows] * np.sqrt(weight)[:, np.newaxis]
                gram = scaled.T @ scaled
                gram[np.diag_indices_from(gram)] *= 1.0 + 1e-6
                factor = np.linalg.cholesky(gram + 1e-9 * np.eye(len(gram)))
                weights = nnls(factor.T, np.linalg.solve(factor, scaled.T @ (target * np.sqrt(weight))))[0]
                estimate = np.sqrt(of_set @ weights)
                off = np.abs(root[plot, rows] - estimate[rows])
                limit = HUBER * max(NORMAL_MAD * float(np.median(off[wet])), LEAST_SPREAD)
                weight = np.minimum(1.0, limit / np.maximum(off, 1e-9)) / usual
            estimates[number, plot] = estimate
            errors[number, plot] = float(np.minimum(off, 3 * limit).mean())
        best = np.argsort(errors[:, plot], kind="stable")[:BEST_SETS]
        result[plot] = estimates[best, plot].mean(axis=0)
    return result


def relations(
    root: Floats, by_weather: Floats, learned: Flags, context: Indices, block_days: float, half: int | None = None
) -> Relations:
    """Robust lines from every source to every plot.

    Where the treatment of the plot or of the source changes, each pair of treatments has a line of its own; data of others count
    little beside it.

    Args:
        root: measured signed root of mm per day, not-a-number where not measured, shape (plots, blocks).
        by_weather: what the weather says, shape (plots, blocks).
        learned: blocks that may be learned from, shape (plots, blocks).
        context: number of the treatment, shape (plots, blocks).
        block_days: length of a block, days.
        half: 0 or 1 to learn each line from the first or the second half of its source's flow alone; under each pair of treatments,
            since a half that lacks one would take the treatment for a change.
    """
    plots, blocks = root.shape
    said = np.full((plots, plots + 1, blocks), np.nan)
    spread = np.full(said.shape, np.nan)
    for plot in range(plots):
        for source in range(plots + 1):
            if source == plot:
                continue
            told = by_weather[plot] if source == plots else root[source]
            common = learned[plot] & np.isfinite(root[plot]) & np.isfinite(told)
            if source < plots:
                common &= learned[source]
            codes = context[plot] + 1000 * (0 if source == plots else context[source])
            if half is not None:
                common &= _in_half(common & (np.abs(told) > DRY_ROOT), codes, half)
            if common.sum() * block_days < FEWEST_DAYS:
                continue
            for code in np.unique(codes):
                here = codes == code
                alike = common & here
                others = common & ~here
                worth = np.where(alike, 1.0, 0.0)
                if others.any():
                    worth[others] = min(1.0, OTHER_CONTEXT_DAYS / block_days / others.sum())
                level, slope, scale = _robust_line(told[common], root[plot, common], worth[common])
                # What few days tell may be chance: the spread of all data stands beside it.
                days = alike.sum() * block_days
                scale *= 1.0 + FEWEST_DAYS / (FEWEST_DAYS + days)
                said[plot, source, here] = level + slope * told[here]
                spread[plot, source, here] = scale
    learned = learned & np.isfinite(root)
    if half is not None:
        running = (learned & (np.abs(np.nan_to_num(root)) > DRY_ROOT)).sum(axis=0)
        learned = learned & np.stack([_in_half(running, of_plot, half) for of_plot in context])
    return Relations(said, spread, root, learned, block_days)


def _in_half(amount: NDArray[Any], codes: Indices, half: int) -> Flags:
    """Blocks of the first or the second half of an amount, under each code apart, shape (blocks,)."""
    first = np.zeros(codes.size, dtype=np.bool_)
    for code in np.unique(codes):
        here = codes == code
        passed = np.cumsum(np.where(here, amount, 0))
        first |= here & (2 * passed <= passed[-1])
    return ~first if half else first


def _robust_line(x: Floats, y: Floats, worth: Floats) -> tuple[float, float, float]:
    """Level, slope (not negative) and spread of a line, by reweighted least squares."""
    wet = (np.abs(x) > DRY_ROOT) | (np.abs(y) > DRY_ROOT)
    worth = worth * np.where(wet, 1.0, DRY_WORTH)
    weight = worth
    level, slope, scale = 0.0, 1.0, 1.0
    for _ in range(ROUNDS):
        total = weight.sum()
        x_mean, y_mean = (weight @ x) / total, (weight @ y) / total
        variance = weight @ np.square(x - x_mean)
        slope = max(float(weight @ ((x - x_mean) * (y - y_mean)) / variance), 0.0) if variance > 1e-9 else 0.0
        level = float(y_mean - slope * x_mean)
        off = np.abs(y - level - slope * x)
        scale = max(NORMAL_MAD * _weighted_median(off, worth), LEAST_SPREAD)
        weight = worth * np.minimum(1.0, HUBER * scale / np.maximum(off, 1e-9))
    # The median alone would forget that wet days are few and depart more.
    clipped = np.minimum(off, 4 * scale)
    return level, slope, max(float(np.sqrt((worth @ np.square(clipped)) / worth.sum())), LEAST_SPREAD)


def _weighted_median(values: Floats, worth: Floats) -> float:
    order = np.argsort(values, kind="stable")
    running = np.cumsum(worth[order])
    return float(values[order][np.searchsorted(running, 0.5 * running[-1])])


def _location(said: Floats, spread: Floats) -> tuple[Floats, Floats]:
    """Robust weighted mean of the sources in each block and its spread; shape (sources, blocks) to (blocks,) each."""
    there = np.isfinite(said)
    anything = there.any(axis=0)
    values = np.where(there, said, 0.0)
    sigma = np.where(there, spread, 1.0)
    centre = _weighted_medians(values, np.where(there, 1.0 / np.square(sigma), 0.0))
    weight = np.zeros(said.shape)
    for _ in range(3):
        far = np.abs(values - centre) / sigma
        weight = np.where(there, np.minimum(1.0, HUBER / np.maximum(far, 1e-9)) / np.square(sigma), 0.0)
        centre = (weight * values).sum(axis=0) / np.maximum(weight.sum(axis=0), 1e-12)
    share = weight / np.maximum(weight.sum(axis=0), 1e-12)
    common = np.square((share * sigma).sum(axis=0))
    own = np.square(share * sigma).sum(axis=0)
    variance = DONOR_CORRELATION * common + (1 - DONOR_CORRELATION) * own
    # Where the sources contradict one another, none of them is to be believed as much as usual.
    trust = np.where(there, 1.0 / np.square(sigma), 0.0)
    variance += (trust * np.square(values - centre)).sum(axis=0) / np.maximum(trust.sum(axis=0), 1e-12)
    return np.where(anything, centre, np.nan), np.where(anything, np.sqrt(variance), np.nan)


def _weighted_medians(values: Floats, worth: Floats) -> Floats:
    """Weighted median of each column; shape (sources, blocks) to (blocks,)."""
    order = np.argsort(values, axis=0, kind="stable")
    running = np.cumsum(np.take_along_axis(worth, order, axis=0), axis=0)
    middle = np.argmax(running >= 0.5 * running[-1], axis=0)
    column = np.arange(values.shape[1])
    return np.take_along_axis(values, order, axis=0)[middle, column]


def _growth(departure: Floats, expected: Floats, wanted: Floats) -> Floats:
    """How departures, in units of the spread so far, grow with the expected root: factors for the wanted ones.

    A line through means of absolute departures (large ones clipped), by size class of the expected root; never falling.
    """
    if departure.size < 20:
        return np.full(wanted.size, 1.5)
    edges = np.quantile(expected, np.linspace(0, 1, 9))
    place = np.clip(np.searchsorted(edges, expected, side="right") - 1, 0, 7)
    limit = 4 * max(float(np.median(departure)) * NORMAL_MAD, 0.3)
    count = np.bincount(place, minlength=8)
    mean = np.bincount(place, np.minimum(departure, limit), minlength=8) / np.maximum(count, 1)
    centre = np.bincount(place, expected, minlength=8) / np.maximum(count, 1)
    used = count > 0
    # 1.2533 is sqrt(pi / 2): from a mean absolute departure to a standard deviation.
    size = np.maximum.accumulate(1.2533 * mean[used])
    order = np.argsort(centre[used], kind="stable")
    return np.interp(wanted, centre[used][order], size[order]).clip(0.3)


def _persistence(departure: Floats, learned: Flags) -> float:
    """Correlation of departures one block apart, large ones clipped."""
    both = learned[1:] & learned[:-1] & np.isfinite(departure[1:]) & np.isfinite(departure[:-1])
    if both.sum() < 20:
        return 0.8
    later, earlier = np.clip(departure[1:][both], -3, 3), np.clip(departure[:-1][both], -3, 3)
    return float(np.clip(float(later @ earlier) / max(float(earlier @ earlier), 1e-9), 0.0, 0.95))
