"""From rain and air temperature to drainage: a conceptual model of snow, soil water and reservoirs.

Belongs here: the water balance that makes recharge of weather, the reservoirs that make flow of recharge, their fit to measured flow,
what a measured flow at a gap's edge says of the reservoirs.
Does not: regression on neighbours, the choice between models, ensembles (gap_estimate.py), reading weather (stages/weather.py).

The model is meant for hours in which no plot is measured: there only weather is left. It knows no latitude, no soil and no area:
what it needs is drawn by chance within wide bounds, and what fits the measured hours is kept. Volumes are fitted as they are, in
litres, not on a root: sums over weeks and years are what matters, and they need no retransformation.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import nnls
from scipy.signal import lfilter

from pipeline.science.side_by_side import side_by_side

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Indices = NDArray[np.int64]
Flags = NDArray[np.bool_]

STEP_H = 6
"""Step of the soil's water balance, h; reservoirs are stepped hourly."""
YEAR_DAYS = 365.2425
RESERVOIRS_H = np.array([3.0, 10.0, 30.0, 100.0, 300.0, 1000.0, 3000.0])
"""Time constants of the reservoirs that recharge enters side by side, h: from cracks to groundwater."""
CASCADES_H = np.array([6.0, 20.0, 60.0])
"""Time constants of pairs of equal reservoirs, one behind the other, h: flow that rises before it falls."""
TIME_CONSTANTS_H = np.concatenate([RESERVOIRS_H, CASCADES_H])

BOUNDS: dict[str, tuple[float, float, bool]] = {
    "snow_c": (-1.0, 1.5, False),
    "snow_catch": (0.9, 1.5, True),
    "melt_mm_per_degree_day": (1.5, 7.0, True),
    "unevenness_c": (0.0, 3.0, False),
    "frost_share": (0.0, 1.0, False),
    "evaporation": (0.5, 1.6, True),
    "crop": (0.0, 0.8, False),
    "radiation_lead_days": (10.0, 50.0, False),
    "capacity_mm": (40.0, 400.0, True),
    "recharge_power": (0.7, 6.0, True),
    "stress_share": (0.4, 1.0, False),
    "deficit_mm": (1.0, 120.0, True),
    "seepage_mm_per_day": (0.02, 1.5, True),
    "rise_share": (0.01, 1.0, True),
}
"""Lowest and highest value of each parameter, and whether it is drawn on a logarithmic scale. Degree-days of 1.5 to 7 mm, capacities of
40 to 400 mm and powers up to 6 are ranges of textbooks and of published catchment models (common practice, no source)."""

DRAWN = (64, 32, 32)
"""Parameter sets tried: the first by chance, the others near the best so far. More of them fit the measured hours better and the
hidden ones no better."""
KEPT = 6
"""Parameter sets whose estimates are averaged: different sets fit alike."""
FEWEST_HOURS = 240
"""Measured hours that at least one plot must have before rain is asked."""
PRIOR_HOURS = 4_000.0
"""Measured hours, half a year, that the weights common to all plots are worth in the fit of one plot."""
TREATMENT_HOURS = 20_000.0
"""Measured hours that a plot's weights, at their own level, are worth in the fit of one of its treatments: what a treatment changes is
told by level and season first, and by the shape of the response only after years."""
LEVEL_HOURS = 100.0
"""Measured hours that an unchanged level is worth: of a plot's mean flow, of a plot's flow under another treatment."""
WEIGHT_FLOOR = 0.3
"""Share of the mean flow that is added to an estimate before errors are taken to grow with its root."""
LARGEST_SEASONAL_FACTOR = 3.0
PENALTIES = (1e-2, 1e-1, 3e-1, 1.0, 3.0, 30.0)
EDGE_HOURS = 6
"""Measured hours before a gap whose mean tells the state of the reservoirs."""
_LEARNED_AT_H = np.array([1, 3, 6, 12, 24, 48, 96, 168, 336])
_FAST_H = 50.0


@dataclass(frozen=True)
class Forcing:
    """Weather by the step of the soil's balance, with a year of spin-up, or of the whole record, before it.

    Attributes:
        hours: number of hours of the record; spin_up_steps come before it.
        rain_share: share of each step's rain that fell in each of its hours, shape (steps, STEP_H).
        rain_mm: per step, shape (steps,); air_temp_c, daily_temp_c, soil_temp_c: means of the step, of a day and of ten days.
        season_angle: angle of the year less that of the warmest time, shape (steps,).
        has_rain, has_temperature: whether the record has any.
    """

    hours: int
    spin_up_steps: int
    rain_share: Floats
    rain_mm: Floats
    air_temp_c: Floats
    daily_temp_c: Floats
    soil_temp_c: Floats
    season_angle: Floats
    has_rain: bool
    has_temperature: bool


@dataclass(frozen=True)
class Balance:
    """What becomes of the weather under some parameter sets, each of shape (steps, sets); mm per step or mm at the step's end.

    Attributes:
        liquid: rain and melt that reach the soil's surface and may enter it.
        snow: water that lies as snow.
        refused: liquid water that frozen soil turned away.
        evaporation: from the soil; soil: water held in it.
        drained: water that left the soil downwards.
        lost: water that made good the deficit below the drains and went elsewhere (sinks, rises to the roots).
        deficit: water that is lacking below the drains.
        recharge: water that reaches the drains.
    """

    liquid: Floats
    snow: Floats
    refused: Floats
    evaporation: Floats
    soil: Floats
    drained: Floats
    lost: Floats
    deficit: Floats
    recharge: Floats


@dataclass(frozen=True)
class RainDrainage:
    """A fitted rainfall-drainage model.

    Attributes:
        estimate: flow of every hour, L per hour, shape (plots, hours); not-a-number for a plot that was never measured.
        left_out: the same by models that have not seen the hour's fold.
        features: states that a regression may learn from, shape (hours, k): square roots of the reservoirs' outflow in mm per hour
            (`TIME_CONSTANTS_H`), soil wetness 0 to 1, deficit below the drains and snow on the ground in roots of mm, recharge of the
            last day in root of mm. Empty (k = 0) without rain.
        stores_l: what each reservoir, and last the steady water from elsewhere, contributes to `estimate`, L per hour, shape
            (plots, reservoirs + 1, hours).
        by_set: estimates of each good parameter set alone, L per hour, shape (sets, plots, hours): where these differ nobody knows.
        persistence: share of a flow's departure at a gap's edge that the fast and the slow reservoirs carry on, shape (plots, 2).
    """

    estimate: Floats
    left_out: Floats
    features: Floats
    stores_l: Floats
    by_set: Singles
    persistence: Floats


def linear_reservoir(inflow: ArrayLike, time_constant: float, axis: int = -1) -> Floats:
    """Outflow of a linear reservoir, in the inflow's unit, same shape; it begins with the mean inflow as its outflow.

    Outflow is storage over the time constant k; without inflow it recedes as exp(-t / k), and the volume left is k times the outflow
    (any hydrology text). Inflow is steady within a step; the mean outflow of a step is taken as the one at its end, so that
    mass is conserved with a storage of outflow times kept / (1 - kept), where kept = exp(-1 / k).

    Args:
        inflow: depth or volume per step along `axis`.
        time_constant: k, in steps.
        axis: of time.
    """
    series = np.moveaxis(np.asarray(inflow, dtype=float), axis, -1)
    kept = np.exp(-1.0 / time_constant)
    start = series.mean(axis=-1, keepdims=True) * kept
    return np.moveaxis(lfilter([1.0 - kept], [1.0, -kept], series, axis=-1, zi=start)[0], -1, axis)


def forcing(day: Floats, rain_mm: Floats, air_temp_c: Floats) -> Forcing:
    """Weather made ready, holes closed: missing rain is the calendar month's mean, missing temperature its season's and the neighbours'.

    Args:
        day: days since a fixed date, with fraction, one step of an hour each, shape (hours,).
        rain_mm: mm per hour, shape (hours,); air_temp_c: degrees Celsius, shape (hours,); not-a-number where missing.
    """
    hours = day.size
    rain, temperature = np.nan_to_num(rain_mm), np.full(hours, 10.0)
    known = np.isfinite(rain_mm)
    if known.any():
        month = ((day % YEAR_DAYS) / YEAR_DAYS * 12).astype(int) % 12
        total = np.bincount(month[known], rain_mm[known], minlength=12)
        count = np.bincount(month[known], minlength=12)
        mean = np.where(count > 0, total / np.maximum(count, 1), rain_mm[known].mean())
        rain = np.where(known, rain, mean[month])
    angle = 2 * np.pi * day / YEAR_DAYS
    warmest = 0.0
    felt = np.isfinite(air_temp_c)
    if felt.any():
        season = np.column_stack([np.ones(hours), np.cos(angle), np.sin(angle)])
        usual = season @ np.linalg.lstsq(season[felt], air_temp_c[felt], rcond=None)[0]
        temperature = usual + np.interp(day, day[felt], (air_temp_c - usual)[felt])
        swing = np.linalg.lstsq(season[felt], air_temp_c[felt], rcond=None)[0]
        warmest = float(np.arctan2(swing[2], swing[1]))

    # Soil and groundwater remember months: the first year, or what there is of it, comes twice.
    spin_up = min(round(YEAR_DAYS * 24 / STEP_H), hours // STEP_H) * STEP_H
    pad = (-hours) % STEP_H

    def by_step(values: Floats) -> Floats:
        return np.pad(np.concatenate([values[:spin_up], values]), (0, pad), mode="edge").reshape(-1, STEP_H)

    rain_by_hour = by_step(rain)
    if pad:
        rain_by_hour[-1, -pad:] = 0.0
    rain_step = rain_by_hour.sum(axis=1)
    share = np.full(rain_by_hour.shape, 1.0 / STEP_H)
    np.divide(rain_by_hour, rain_step[:, np.newaxis], out=share, where=rain_step[:, np.newaxis] > 0)
    warmth = by_step(temperature).mean(axis=1)
    steps_a_day = 24 // STEP_H
    around = np.pad(warmth, (steps_a_day // 2, steps_a_day - 1 - steps_a_day // 2), mode="edge")
    return Forcing(
        hours=hours,
        spin_up_steps=spin_up // STEP_H,
        rain_share=share,
        rain_mm=rain_step,
        air_temp_c=warmth,
        daily_temp_c=np.convolve(around, np.full(steps_a_day, 1.0 / steps_a_day), "valid"),
        soil_temp_c=linear_reservoir(warmth, 240.0 / STEP_H),
        season_angle=by_step(angle).mean(axis=1) - warmest,
        has_rain=bool(known.any()),
        has_temperature=bool(felt.any()),
    )


def parameters(places: Floats) -> dict[str, Floats]:
    """Parameter sets from places between 0 and 1, shape (parameters, sets) to one array of shape (sets,) by name."""
    values = {}
    for place, (name, (low, high, logarithmic)) in zip(places, BOUNDS.items(), strict=True):
        values[name] = low * (high / low) ** place if logarithmic else low + (high - low) * place
    return values


def potential_evaporation(weather: Forcing, by: dict[str, Floats]) -> Floats:
    """Potential evaporation, mm per step, shape (steps, sets).

    Extraterrestrial radiation times (temperature + 5) / 100 over the heat of evaporation, from daily temperature (Oudin and others
    2005, Journal of Hydrology 303). Latitude is not known: radiation swings by half about its mean and leads the warmest time by
    some weeks, and a factor, larger while crops grow, makes up for the rest. Without temperature the season stands for it, and
    its warmest time is one of the parameters too.
    """
    angle = weather.season_angle[:, np.newaxis]
    lead = by["radiation_lead_days"]
    temperature = weather.daily_temp_c[:, np.newaxis]
    if not weather.has_temperature:
        low, high, _ = BOUNDS["radiation_lead_days"]
        angle = angle - 2 * np.pi * (lead - low) / (high - low)
        temperature = 10.0 + 9.0 * np.cos(angle)
        lead = np.full_like(lead, 28.0)
    radiation_mj = 28.0 * (1.0 + 0.5 * np.cos(angle + 2 * np.pi * lead / YEAR_DAYS))
    growing = np.square(np.maximum(np.cos(angle), 0.0))
    per_day = radiation_mj / 2.45 * np.maximum(temperature + 5.0, 0.0) / 100.0
    return per_day * by["evaporation"] * (1.0 + by["crop"] * (growing - 0.4)) * (STEP_H / 24.0)


def snow_and_melt(weather: Forcing, by: dict[str, Floats]) -> tuple[Floats, Floats]:
    """Rain and melt, and snow on the ground as water, mm, shape (steps, sets): means of three places of unequal warmth.

    Degree-day melt (any hydrology text); the store's closed form is the distance of its running balance from the lowest so far.
    """
    rain = weather.rain_mm[:, np.newaxis]
    shape = (rain.size, by["snow_c"].size)
    if not weather.has_temperature:
        return np.broadcast_to(rain, shape).copy(), np.zeros(shape)
    liquid, lying = np.zeros(shape), np.zeros(shape)
    for place in (-1.0, 0.0, 1.0):
        warmth = weather.air_temp_c[:, np.newaxis] + place * by["unevenness_c"] - by["snow_c"]
        as_rain = np.clip((warmth + 1.0) / 2.0, 0.0, 1.0) * rain
        fallen = by["snow_catch"] * (rain - as_rain)
        possible = by["melt_mm_per_degree_day"] * np.maximum(warmth, 0.0) * (STEP_H / 24.0)
        running = np.cumsum(fallen - possible, axis=0)
        on_ground = running - np.minimum(np.minimum.accumulate(running, axis=0), 0.0)
        melt = fallen - np.diff(on_ground, axis=0, prepend=0.0)
        liquid = liquid + (as_rain + np.maximum(melt, 0.0)) / 3.0
        lying = lying + on_ground / 3.0
    return liquid, lying


def water_balance(weather: Forcing, by: dict[str, Floats]) -> Balance:
    """Soil water and recharge under some parameter sets, stepped together.

    Of what enters the soil, (soil / capacity) ^ power passes through it (the form of Bergström's soil routine), and all that
    exceeds the capacity; evaporation falls short of demand in proportion below the stress limit. What passes first makes good a
    deficit below the drains, which seepage and roots renew: after a dry summer drains begin late.
    """
    liquid, snow = snow_and_melt(weather, by)
    kept_off = by["frost_share"] * np.clip(-weather.soil_temp_c[:, np.newaxis] / 2.0, 0.0, 1.0)
    refused = liquid * kept_off if weather.has_temperature else np.zeros_like(liquid)
    entering = liquid - refused
    demand = potential_evaporation(weather, by)
    capacity, power = by["capacity_mm"], by["recharge_power"]
    per_capacity, per_stress = 1.0 / capacity, 1.0 / (by["stress_share"] * capacity)
    deepest, per_deepest = by["deficit_mm"], 1.0 / by["deficit_mm"]
    seepage, rise = by["seepage_mm_per_day"] * (STEP_H / 24.0), by["rise_share"]
    soil, drained, evaporation, lost, deficit, recharge = (np.zeros_like(liquid) for _ in range(6))
    held, lacking = 0.7 * capacity, np.zeros_like(capacity)
    wet = np.asarray(entering.any(axis=1))
    for step in range(len(entering)):
        if wet[step]:
            water = entering[step]
            passing = water * (held * per_capacity) ** power
            held = held + water - passing
            over = np.maximum(held - capacity, 0.0)
            held = held - over
            passing = passing + over
            drained[step] = passing
            lacking = lacking - passing
            reaching = np.maximum(-lacking, 0.0)
            lacking = lacking + reaching
            recharge[step] = reaching
        lack = demand[step]
        taken = lack * np.minimum(held * per_stress, 1.0)
        held = held - taken
        room = deepest - lacking
        leaving = np.minimum((seepage + rise * (lack - taken)) * room * per_deepest, room)
        lacking = lacking + leaving
        soil[step], evaporation[step], lost[step], deficit[step] = held, taken, leaving, lacking
    return Balance(liquid, snow, refused, evaporation, soil, drained, lost, deficit, recharge)


def outflows(recharge: Floats, hours_per_step: float) -> Floats:
    """Outflow of every reservoir and cascade, and a steady 1 for water from elsewhere.

    Shape (..., time) to (`TIME_CONSTANTS_H` and one, ..., time), in the recharge's unit.
    """
    flow = np.ones((TIME_CONSTANTS_H.size + 1, *recharge.shape))
    for number, k in enumerate(TIME_CONSTANTS_H):
        flow[number] = linear_reservoir(recharge, k / hours_per_step)
        if number >= RESERVOIRS_H.size:
            flow[number] = linear_reservoir(flow[number], k / hours_per_step)
    return flow


def fit_rain_drainage(
    flow_l: Floats, day: Floats, rain_mm: Floats, air_temp_c: Floats, fold: Indices, treatment: Indices
) -> RainDrainage:
    """Fit the model to the measured hours of some plots of one site.

    Parameter sets of the soil are drawn by chance, then near the best, and judged on all plots together; on each of the best the
    reservoirs' weights are found for each plot by non-negative least squares, with errors that grow with the root of the flow, and
    drawn towards the weights common to all plots. The estimates of the best sets are averaged, and changed by a factor of the
    season and of the plot's treatment as far as left-out folds advise. For `left_out` sets, weights and factor are chosen anew
    without the fold; only the search for good sets has seen all hours.

    Args:
        flow_l: net volume of measured hours, L, not-a-number elsewhere, any sign, shape (plots, hours).
        day: days since a fixed date, with fraction, one step of an hour each, shape (hours,).
        rain_mm: mm per hour, shape (hours,); air_temp_c: degrees Celsius, shape (hours,); not-a-number where missing.
        fold: fold of each hour, shape (hours,).
        treatment: number of the plot's treatment in each hour, shape (plots, hours).

    Returns:
        The fitted model. Without rain, or with hardly any measured hour, it is the season's mean; without temperature it knows no snow.
    """
    weather = forcing(day, rain_mm, air_temp_c)
    measured = np.isfinite(flow_l)
    numbers = np.unique(fold)
    folds = np.searchsorted(numbers, fold)
    count = numbers.size
    hours = day.size

    if weather.has_rain and measured.sum(axis=1).max(initial=0) >= FEWEST_HOURS:
        places, chosen = _search(weather, flow_l, measured, folds, count)
        used = np.unique(np.concatenate(chosen))
        balance = water_balance(weather, parameters(places[:, used]))
        columns = _hourly_outflows(weather, balance.recharge)
        best = np.searchsorted(used, chosen[0])
        features = _features(weather, balance, columns, parameters(places[:, used]), best)
        chosen = [np.searchsorted(used, row) for row in chosen]
    else:
        columns = np.zeros((1, TIME_CONSTANTS_H.size + 1, hours))
        columns[:, -1] = 1.0
        features = np.empty((hours, 0))
        chosen = [np.zeros(1, dtype=np.int64)] * (count + 1)
    return _fitted(flow_l, day, folds, count, treatment, columns, chosen, features)


def edge_corrected(model: RainDrainage, flow_l: Floats, estimate: Floats | None = None) -> Floats:
    """Estimates that begin at the measured flow of each gap's left edge.

    What the flow of the last measured hours departs from the estimate is laid on the reservoirs in proportion to what each then
    gives, as if each held more (or less) by one share; from there it fades as each of them drains: departure times
    exp(-t / k) (the recession of a linear reservoir, any hydrology text), which in the end adds k times its departure. How much
    of a departure does persist, in the fast and in the slow reservoirs, was learned from left-out hours.

    Args:
        model: the fitted model.
        flow_l: net volume of measured hours, L, not-a-number elsewhere, shape (plots, hours). Hours may be hidden that the model
            was fitted to.
        estimate: what to correct, L, shape (plots, hours); the model's own if not given.

    Returns:
        The estimates, corrected in hours that are not-a-number in `flow_l` and come after a measured one, L, shape (plots, hours).
    """
    corrected = (model.estimate if estimate is None else estimate).copy()
    for plot, flow in enumerate(flow_l):
        measured = np.isfinite(flow)
        number = np.arange(flow.size)
        left = np.maximum.accumulate(np.where(measured, number, -1))
        wanted = np.flatnonzero(~measured & (left >= 0) & np.isfinite(corrected[plot]))
        if wanted.size == 0:
            continue
        edges, which = np.unique(left[wanted], return_inverse=True)
        departure = _departure_before(flow - corrected[plot], edges)
        held = _laid_on_stores(departure, model.stores_l[plot], edges)
        held *= np.where(TIME_CONSTANTS_H <= _FAST_H, *model.persistence[plot])[:, np.newaxis]
        fading = np.exp(-(wanted - left[wanted]) / TIME_CONSTANTS_H[:, np.newaxis])
        corrected[plot, wanted] += np.sum(held[:, which] * fading, axis=0)
    return corrected


def _departure_before(departure: Floats, edges: Indices) -> Floats:
    """Mean departure of the measured ones among the `EDGE_HOURS` hours up to each edge, shapes (hours,), (edges,) to (edges,)."""
    before = edges[:, np.newaxis] - np.arange(EDGE_HOURS)
    values = np.where(before >= 0, departure[np.maximum(before, 0)], np.nan)
    known = np.isfinite(values)
    return np.where(known, values, 0.0).sum(axis=1) / np.maximum(known.sum(axis=1), 1)


def _laid_on_stores(departure: Floats, stores_l: Floats, edges: Indices) -> Floats:
    """A departure in proportion to the reservoirs' outflow at each edge, shape (reservoirs, edges).

    A hundredth of its mean is what each reservoir counts for at least: dry ones cannot be told apart.
    """
    reservoirs = stores_l[:-1]
    outflow = reservoirs[:, edges] + 0.01 * reservoirs.mean(axis=1, keepdims=True) + 1e-12
    return departure * outflow / outflow.sum(axis=0)


def _persistence(flow_l: Floats, left_out: Floats, stores_l: Floats) -> Floats:
    """Share of a departure that the fast and the slow reservoirs carry on, shape (2,), from 0 to 1.

    Non-negative least squares of later departures of left-out estimates on what fading would make of the earlier ones.
    """
    departure = flow_l - left_out
    edges = np.arange(EDGE_HOURS, flow_l.size - int(_LEARNED_AT_H[-1]), 12)
    edges = edges[np.isfinite(departure[edges])]
    held = _laid_on_stores(_departure_before(departure, edges), stores_l, edges)
    fast = TIME_CONSTANTS_H <= _FAST_H
    size = np.sqrt(np.maximum(left_out[edges], 0.0) + WEIGHT_FLOOR * max(float(left_out.mean()), 1e-9))
    rows, targets = [], []
    for later in _LEARNED_AT_H:
        fading = held * np.exp(-later / TIME_CONSTANTS_H)[:, np.newaxis]
        after = departure[edges + later]
        known = np.isfinite(after)
        rows.append(
            (np.stack([fading[fast].sum(axis=0), fading[~fast].sum(axis=0)], axis=1) / size[:, np.newaxis])[known]
        )
        targets.append((after / size)[known])
    design = np.concatenate(rows)
    if len(design) < 2:
        return np.zeros(2)
    return np.minimum(nnls(design, np.concatenate(targets))[0], 1.0)


def _search(
    weather: Forcing, flow_l: Floats, measured: Flags, folds: Indices, count: int
) -> tuple[Floats, list[Indices]]:
    """Parameter sets tried, as places, shape (parameters, sets), and the best of them without each fold; entry 0 leaves nothing out.

    Errors are sums of squares over each plot's own variance, at the step of the soil's balance.
    """
    from scipy.stats.qmc import LatinHypercube

    generator = np.random.default_rng(zlib.crc32(b"parameter sets of the rainfall-drainage model"))
    pad = (-weather.hours) % STEP_H
    here = np.pad(measured, ((0, 0), (0, pad))).reshape(len(flow_l), -1, STEP_H)
    total = np.pad(np.where(measured, flow_l, 0.0), ((0, 0), (0, pad))).reshape(here.shape).sum(axis=2)
    number = here.sum(axis=2)
    flow = total / np.maximum(number, 1)
    rows = [np.flatnonzero(row) for row in number >= STEP_H / 2]
    learned = [plot for plot, row in enumerate(rows) if row.size > 0 and flow[plot, row].var() > 0]
    fold, alike = folds[::STEP_H], np.ones(flow.shape[1])
    places, error = np.empty((len(BOUNDS), 0)), np.empty(0)
    sums: list[list[_Sums]] = []
    for drawn in DRAWN:
        if error.size == 0:
            new = LatinHypercube(len(BOUNDS), rng=generator).random(drawn).T
        else:
            parents = places[:, _best(error, 8)]
            mother, father = (parents[:, generator.integers(0, parents.shape[1], drawn)] for _ in range(2))
            child = np.where(generator.random(mother.shape) < 0.5, mother, father)
            new = np.clip(child + 0.09 * generator.standard_normal(child.shape), 0.0, 1.0)
        recharge = water_balance(weather, parameters(new)).recharge
        columns = outflows(np.ascontiguousarray(recharge.T), STEP_H)[..., weather.spin_up_steps :].transpose(1, 0, 2)

        def sums_of(plot: int, columns: Floats = columns) -> _Sums:
            return _Sums.of(columns, flow[plot], rows[plot], alike, fold, count, flow[plot, rows[plot]].var())

        batch = side_by_side(sums_of, learned)
        sums += [[one.of_set(number) for one in batch] for number in range(drawn)]
        places = np.concatenate([places, new], axis=1)
        new_error = [sum(one.error_without(None) for one in of_set) for of_set in sums[-drawn:]]
        error = np.concatenate([error, new_error])
    # What is best without a fold is sought among what is good with it.
    good = _best(error, 5 * KEPT)
    without = [
        np.array([sum(one.error_without(left) for one in sums[number]) for number in good]) for left in range(count)
    ]
    return places, [good[:KEPT], *(good[_best(row, KEPT)] for row in without)]


def _best(error: Floats, number: int) -> Indices:
    """The sets of least error, best first; the last digits of a sum decide nothing."""
    return np.argsort(np.round(error, 8), kind="stable")[:number]


@dataclass(frozen=True)
class _Sums:
    """Sums of products of some predictors and a target by fold: all that a least-squares fit without any one fold needs.

    Attributes:
        products: shape (folds, ..., k, k); moments: shape (folds, ..., k); squares: of the target, shape (folds,).
    """

    products: Floats
    moments: Floats
    squares: Floats

    @classmethod
    def of(
        cls, design: Floats, target: Floats, rows: Indices, share: Floats, fold: Indices, folds: int, scale: float = 1.0
    ) -> _Sums:
        """From predictors, shape (..., k, n), target, weights of errors and fold, shape (n,), over some rows; sums over `scale`."""
        parts = []
        for number in range(folds):
            at = rows[fold[rows] == number]
            part, wanted = design[..., at], target[at] * share[at]
            part *= share[at]
            parts.append((part @ part.swapaxes(-1, -2), part @ wanted, wanted @ wanted))
        products, moments, squares = (np.stack(sums) / scale for sums in zip(*parts, strict=True))
        return cls(products, moments, squares)

    def of_set(self, number: int) -> _Sums:
        return _Sums(self.products[:, number], self.moments[:, number], self.squares)

    def without(self, fold: int | None) -> tuple[Floats, Floats, float]:
        """Products, moments and squares of all folds but one, or of all; of all too where there is no other fold."""
        kept = np.arange(len(self.squares))
        if fold is not None and kept.size > 1:
            kept = np.delete(kept, fold)
        return self.products[kept].sum(axis=0), self.moments[kept].sum(axis=0), float(self.squares[kept].sum())

    def error_without(self, fold: int | None) -> float:
        """Sum of squared errors of non-negative least squares on these very rows."""
        product, moment, squares = self.without(fold)
        weights = _non_negative(product, moment)
        return float(squares - 2 * weights @ moment + weights @ product @ weights)


def _non_negative(product: Floats, moment: Floats) -> Floats:
    """Non-negative least squares from sums of products, each predictor on its own scale."""
    size = np.sqrt(np.diag(product) + 1e-12)
    root = np.linalg.cholesky(product / size[:, np.newaxis] / size + 1e-4 * np.eye(size.size))
    weights, _ = nnls(root.T, np.linalg.solve(root, moment / size), maxiter=50 * size.size)
    return np.asarray(weights / size, dtype=np.float64)


def _hourly_outflows(weather: Forcing, recharge: Floats) -> Floats:
    """Outflow of the reservoirs in each hour of the record, mm per hour, shape (steps, sets) to (sets, reservoirs, hours).

    Recharge of a step comes in its hours as rain did, evenly where none fell.
    """
    by_hour = (recharge.T[:, :, np.newaxis] * weather.rain_share).reshape(recharge.shape[1], -1)
    record = slice(weather.spin_up_steps * STEP_H, weather.spin_up_steps * STEP_H + weather.hours)
    return np.stack([outflows(series, 1.0)[:, record] for series in by_hour])


def _features(weather: Forcing, balance: Balance, columns: Floats, by: dict[str, Floats], sets: Indices) -> Floats:
    """States of the chosen sets, averaged, as roots (see `RainDrainage`), shape (hours, k)."""
    record = slice(weather.spin_up_steps * STEP_H, weather.spin_up_steps * STEP_H + weather.hours)

    def hourly(states: Floats) -> Floats:
        return np.repeat(states[:, sets].mean(axis=1), STEP_H)[record]

    recharge = hourly(balance.recharge) / STEP_H
    return np.column_stack(
        [
            *np.sqrt(np.maximum(columns[sets, :-1].mean(axis=0), 0.0)),
            hourly(balance.soil / by["capacity_mm"]),
            np.sqrt(hourly(balance.deficit)),
            np.sqrt(np.maximum(hourly(balance.snow), 0.0)),
            np.sqrt(np.maximum(linear_reservoir(recharge, 24.0), 0.0)),
        ]
    )


@dataclass(frozen=True)
class _Stretch:
    """The hours of one plot under one treatment.

    Attributes:
        inside: all its hours, flags of shape (hours,); rows: the measured ones among them, shape (n,).
        share: what each hour counts for, as a factor on its error, 0 where not measured, shape (hours,).
        sums: of the reservoirs' outflow and the flow, by fold; products of shape (folds, sets, reservoirs, reservoirs).
    """

    plot: int
    inside: Flags
    rows: Indices
    share: Floats
    sums: _Sums


def _stretches(
    plot: int, flow_l: Floats, folds: Indices, count: int, treatment: Indices, columns: Floats, first: int
) -> list[_Stretch]:
    """A plot's hours by treatment; errors are taken to grow with the root of the flow that a first fit expects."""
    rows = np.flatnonzero(np.isfinite(flow_l))
    outflow = columns[first][:, rows]
    expected = _non_negative(outflow @ outflow.T, outflow @ flow_l[rows]) @ outflow
    share = np.zeros(flow_l.size)
    share[rows] = 1.0 / np.sqrt(expected + WEIGHT_FLOOR * max(expected.mean(), 1e-9))
    found = []
    for value in np.unique(treatment):
        inside = treatment == value
        at = rows[inside[rows]]
        found.append(_Stretch(plot, inside, at, share, _Sums.of(columns, flow_l, at, share, folds, count)))
    return found


def _reservoir_weights(
    by_plot: list[list[_Stretch]], scale: list[float], number: int, fold: int | None
) -> list[list[Floats]]:
    """Weights of the reservoirs of one set for each plot and treatment: drawn towards the plot's, these towards those of all plots."""
    parts = [[stretch.sums.of_set(number).without(fold) for stretch in of_plot] for of_plot in by_plot]
    product = [np.sum([part[0] for part in of_plot], axis=0) for of_plot in parts]
    moment = [np.sum([part[1] for part in of_plot], axis=0) for of_plot in parts]
    # Errors are weighted by one over flow: times the mean flow, each plot counts alike.
    together = np.sum([p * size for p, size in zip(product, scale, strict=True)], axis=0)
    common = _non_negative(together, np.sum(moment, axis=0))
    an_hour = together / sum(stretch.rows.size for of_plot in by_plot for stretch in of_plot)
    weights = []
    for of_plot, p, m, size in zip(parts, product, moment, scale, strict=True):
        doubt = LEVEL_HOURS * max(float(common @ an_hour @ common), 1e-12) / size
        level = max(0.0, (float(m @ common) + doubt * size) / (float(common @ p @ common) + doubt))
        pull = np.diag(PRIOR_HOURS / size * np.diag(an_hour))
        own = _non_negative(p + pull, m + pull @ common * level)
        if len(of_plot) == 1:
            weights.append([own])
        else:
            pull *= TREATMENT_HOURS / PRIOR_HOURS
            by_treatment = []
            for product_of, moment_of, _ in of_plot:
                doubt = LEVEL_HOURS * max(float(own @ an_hour @ own), 1e-12) / size
                level = max(0.0, (float(moment_of @ own) + doubt) / (float(own @ product_of @ own) + doubt))
                by_treatment.append(_non_negative(product_of + pull, moment_of + pull @ own * level))
            weights.append(by_treatment)
    return weights


def _fitted(
    flow_l: Floats,
    day: Floats,
    folds: Indices,
    count: int,
    treatment: Indices,
    columns: Floats,
    chosen: list[Indices],
    features: Floats,
) -> RainDrainage:
    """Weights of the reservoirs and seasonal factors of each plot, with and without each fold."""
    measured = np.isfinite(flow_l)
    stores = np.full((len(flow_l), columns.shape[1], day.size), np.nan)
    left_out, persistence = np.full(flow_l.shape, np.nan), np.zeros((len(flow_l), 2))
    by_set = np.zeros((len(columns), *flow_l.shape), dtype=np.float32)
    learned = np.flatnonzero(measured.any(axis=1))
    if learned.size == 0:
        return RainDrainage(stores.sum(axis=1), left_out, features, stores, by_set, persistence)
    by_plot = side_by_side(
        lambda plot: _stretches(int(plot), flow_l[plot], folds, count, treatment[plot], columns, int(chosen[0][0])),
        learned,
    )
    scale = [max(float(np.nanmean(flow_l[plot])), 1e-9) for plot in learned]
    stores[learned], left_out[learned] = 0.0, 0.0
    for number in range(len(columns)):
        weights = _reservoir_weights(by_plot, scale, number, None)
        for of_plot, by_stretch in zip(by_plot, weights, strict=True):
            for stretch, w in zip(of_plot, by_stretch, strict=True):
                hours = np.flatnonzero(stretch.inside)
                outflow = columns[number][:, hours]
                by_set[number, stretch.plot, hours] = w @ outflow
                if number in chosen[0]:
                    stores[stretch.plot, :, hours] += (w[:, np.newaxis] * outflow).T / chosen[0].size
    for fold, sets in enumerate(chosen[1:]):
        for number in sets:
            weights = _reservoir_weights(by_plot, scale, int(number), fold)
            for of_plot, by_stretch in zip(by_plot, weights, strict=True):
                for stretch, w in zip(of_plot, by_stretch, strict=True):
                    hours = np.flatnonzero((folds == fold) & stretch.inside)
                    left_out[stretch.plot, hours] += w @ columns[number][:, hours] / sets.size

    shapes = _shapes_of_departure(day, treatment, measured)
    departure = _Departure.of(
        [
            _Sums.of(
                shapes[stretch.plot] * left_out[stretch.plot],
                flow_l[stretch.plot] - left_out[stretch.plot],
                stretch.rows,
                stretch.share,
                folds,
                count,
                size,
            )
            for of_plot, size in zip(by_plot, scale, strict=True)
            for stretch in of_plot
        ]
    )
    for plot in learned:
        factor, left_factor = departure.factor(shapes[plot], folds)
        stores[plot] *= factor
        by_set[:, plot] *= factor.astype(np.float32)
        left_out[plot] *= left_factor
        persistence[plot] = _persistence(flow_l[plot], left_out[plot], stores[plot])
    return RainDrainage(stores.sum(axis=1), left_out, features, stores, by_set, persistence)


def _shapes_of_departure(day: Floats, treatment: Indices, measured: Flags) -> Floats:
    """How estimates may depart from what was measured: two harmonics of the year, and two more and a level for each treatment.

    The treatment under which most was measured has none of its own. Shape (plots, k, hours).
    """
    angle = 2 * np.pi * day / YEAR_DAYS
    season = np.stack([np.cos(angle), np.sin(angle), np.cos(2 * angle), np.sin(2 * angle)])
    with_level = np.vstack([np.ones(day.size), season])
    names, hours = np.unique(treatment[measured], return_counts=True)
    others = np.delete(names, hours.argmax())
    return np.stack([np.concatenate([season, *(with_level * (row == other) for other in others)]) for row in treatment])


@dataclass(frozen=True)
class _Departure:
    """Coefficients by which estimates depart from what they were, with all folds and without each, shape (k,) and (folds, k)."""

    coefficients: Floats
    without: Floats

    @classmethod
    def of(cls, parts: list[_Sums]) -> _Departure:
        """Ridge regression of errors on estimates times some shapes, as much of it as left-out folds advise, or none."""
        if not parts:
            return cls(np.zeros(0), np.zeros((0, 0)))
        sums = _Sums(
            *(np.sum([getattr(part, name) for part in parts], axis=0) for name in ("products", "moments", "squares"))
        )
        folds, size = sums.moments.shape
        best = (0.0, np.zeros(size), np.zeros((folds, size)))
        energy = sums.products.sum(axis=0).diagonal().max(initial=1e-12)
        for penalty in PENALTIES:
            pull = penalty * energy * np.eye(size)
            by_fold = []
            for fold in range(folds):
                product, moment, _ = sums.without(fold)
                by_fold.append(np.linalg.solve(product + pull, moment))
            left = np.array(by_fold)
            error = float(np.einsum("fi,fij,fj->", left, sums.products, left) - 2 * np.sum(left * sums.moments))
            if error < best[0]:
                product, moment, _ = sums.without(None)
                best = (error, np.linalg.solve(product + pull, moment), left)
        return cls(best[1], best[2])

    def factor(self, shapes: Floats, folds: Indices) -> tuple[Floats, Floats]:
        """By what to multiply estimates in each hour, shapes (k, hours) and (hours,) to two of (hours,); the second without the fold."""
        whole = 1.0 + self.coefficients @ shapes
        left = 1.0 + np.einsum("hk,kh->h", self.without[folds], shapes)
        return np.clip(whole, 0.0, LARGEST_SEASONAL_FACTOR), np.clip(left, 0.0, LARGEST_SEASONAL_FACTOR)
