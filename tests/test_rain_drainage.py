"""The rainfall-drainage model: mass, recession, published formulas, and what it makes of an invented field.

Belongs here: science/rain_drainage.py against closed forms and hidden truth.
Does not: the choice between models and their ensemble (test_hours.py), the study over many fields (bench/gap_recovery.py).
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.science.rain_drainage import (
    BOUNDS,
    STEP_H,
    TIME_CONSTANTS_H,
    RainDrainage,
    edge_corrected,
    fit_rain_drainage,
    forcing,
    linear_reservoir,
    parameters,
    potential_evaporation,
    water_balance,
)
from tests.field import Plan
from tests.field.plots import invent_plots
from tests.field.water import balance_water, column
from tests.field.weather import invent_weather

HOURS = 2 * 8766


def weather_of(seed: int, hours: int = HOURS) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Day, rain and temperature of some invented hours."""
    weather = invent_weather(Plan(seed=seed, years=-(-hours // 8760), spin_up_days=0))
    return np.arange(hours) / 24 + 18_000, weather.rain_mm[:hours], weather.air_temp_c[:hours]


def places(generator: np.random.Generator, sets: int, **fixed: float) -> np.ndarray:
    """Places of parameter sets by chance, some values fixed."""
    drawn = generator.random((len(BOUNDS), sets))
    for name, value in fixed.items():
        low, high, logarithmic = BOUNDS[name]
        place = np.log(value / low) / np.log(high / low) if logarithmic else (value - low) / (high - low)
        drawn[list(BOUNDS).index(name)] = place
    return drawn


# ---------------------------------------------------------------- reservoirs


@pytest.mark.parametrize("time_constant", TIME_CONSTANTS_H)
def test_a_reservoir_recedes_exponentially_and_leaves_its_time_constant_times_the_flow(time_constant: float) -> None:
    # q(t) = q0 exp(-t / k), volume left k q(t): closed form of a linear reservoir, any hydrology text. The flow of an hour is
    # taken at its end, so that the sum of the hours to come falls short of the integral by half an hour's flow.
    hours = int(20 * time_constant)
    inflow = np.zeros(hours + 10)
    inflow[:10] = 3.0
    flow = linear_reservoir(inflow, time_constant)[9:]
    np.testing.assert_allclose(flow, flow[0] * np.exp(-np.arange(hours + 1) / time_constant), rtol=1e-9)
    assert flow[1:].sum() + flow[0] / 2 == pytest.approx(time_constant * flow[0], rel=0.01)


@settings(deadline=None)
@given(st.integers(0, 10**6), st.floats(1.0, 3000.0))
def test_a_reservoir_loses_no_water(seed: int, time_constant: float) -> None:
    inflow = np.random.default_rng(seed).gamma(0.1, 3.0, 400)
    flow = linear_reservoir(inflow, time_constant)
    kept = np.exp(-1 / time_constant)
    storage = np.concatenate([[inflow.mean()], flow]) * kept / (1 - kept)
    np.testing.assert_allclose(np.diff(storage), inflow - flow, atol=1e-6)


# ---------------------------------------------------------------- balance


@settings(deadline=None, max_examples=10)
@given(st.integers(0, 10**6))
def test_every_parameter_sets_water_balance_closes(seed: int) -> None:
    day, rain, temperature = weather_of(seed % 7, 4000)
    weather = forcing(day, rain, temperature - 6.0)
    balance = water_balance(weather, parameters(places(np.random.default_rng(seed), 5, snow_catch=1.0)))
    melted = np.cumsum(balance.liquid, axis=0) + balance.snow
    np.testing.assert_allclose(melted, np.cumsum(weather.rain_mm)[:, np.newaxis] * np.ones(5), atol=1e-6)
    entered = (balance.liquid - balance.refused - balance.evaporation - balance.drained)[1:]
    np.testing.assert_allclose(np.diff(balance.soil, axis=0), entered, atol=1e-9)
    below = (balance.recharge + balance.lost - balance.drained)[1:]
    np.testing.assert_allclose(np.diff(balance.deficit, axis=0), below, atol=1e-9)
    for part in (balance.snow, balance.soil, balance.deficit, balance.recharge, balance.refused, balance.evaporation):
        assert part.min() > -1e-9


def test_potential_evaporation_is_the_published_formula() -> None:
    # Oudin and others 2005: radiation over (2.45 MJ/kg x 1000 kg/m3) times (temperature + 5) / 100; at 10 degrees and the mean
    # radiation of 28 MJ/m2/d that is 28 / 2.45 x 0.15 = 1.714 mm a day; nothing at or below -5 degrees.
    day = np.arange(365 * 24) / 24
    sets = parameters(places(np.random.default_rng(1), 1, evaporation=1.0, crop=0.0))
    mild, frost = (
        potential_evaporation(forcing(day, np.zeros(day.size), np.full(day.size, t)), sets) for t in (10.0, -5.0)
    )
    assert mild.mean() * 24 / STEP_H == pytest.approx(1.714, abs=0.002)
    assert (frost == 0).all()


def test_snow_waits_for_warmth() -> None:
    day = np.arange(60 * 24) / 24
    rain = np.where(day < 10, 0.5, 0.0)
    temperature = np.where(day < 30, -8.0, 8.0)
    weather = forcing(day, rain, temperature)
    balance = water_balance(weather, parameters(places(np.random.default_rng(2), 4, snow_catch=1.0)))
    liquid, snow = balance.liquid[weather.spin_up_steps :], balance.snow[weather.spin_up_steps :]
    month = 30 * 24 // STEP_H
    assert liquid[:month].sum() == 0
    np.testing.assert_allclose(snow[month - 1], 0.5 * 240)
    np.testing.assert_allclose(liquid[month:].sum(axis=0), 0.5 * 240)


# ---------------------------------------------------------------- fit


@pytest.fixture(scope="module")
def field() -> dict[str, np.ndarray]:
    """Two years of three plots; every third block of ten days is hidden on all of them."""
    plan = Plan(seed=5, years=2, plots=3)
    plots = invent_plots(plan)
    weather = invent_weather(plan)
    record = slice(plan.spin_up_hours, None)
    net = balance_water(plan, plots, weather).drain_mm[:, record] * column(plots, "area_ha")[:, None] * 1e4
    hidden = np.arange(plan.hours) // 240 % 3 == 2
    return {
        "net": net,
        "hidden": hidden,
        "flow_l": np.where(hidden, np.nan, net),
        "day": np.arange(plan.hours) / 24 + 18_170,
        "rain_mm": weather.rain_mm[record],
        "air_temp_c": weather.air_temp_c[record],
        "fold": np.arange(plan.hours) // 240 % 6,
        "treatment": outlet_number(plan, len(plots)),
    }


def outlet_number(plan: Plan, plots: int) -> np.ndarray:
    numbers = np.zeros((plots, plan.hours), dtype=np.int64)
    numbers[1, round(0.374 * plan.hours) :] = 1
    return numbers


def fitted(field: dict[str, np.ndarray], **others: np.ndarray) -> RainDrainage:
    values = field | others
    return fit_rain_drainage(*(values[name] for name in ("flow_l", "day", "rain_mm", "air_temp_c", "fold", "treatment")))


@pytest.fixture(scope="module")
def short(field: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    """Ten months of it."""
    return {name: values[..., :7300] for name, values in field.items()}


@pytest.fixture(scope="module")
def short_model(short: dict[str, np.ndarray]) -> RainDrainage:
    return fitted(short)


@pytest.fixture(scope="module")
def model(field: dict[str, np.ndarray]) -> RainDrainage:
    return fitted(field)


def efficiency(estimate: np.ndarray, truth: np.ndarray) -> float:
    """Nash and Sutcliffe 1970: 1 - sum of squared errors over the sum of squares about the mean."""
    return float(1 - np.square(estimate - truth).sum() / np.square(truth - truth.mean()).sum())


def test_hidden_hours_are_told_from_weather_alone(field: dict[str, np.ndarray], model: RainDrainage) -> None:
    # The field drains by another structure, against a ditch that no weather record tells of. Half of the variance is what is
    # called satisfactory of catchment models (common practice, no source); the second plot is under two treatments.
    for plot, least in enumerate((0.5, 0.2, 0.5)):
        assert efficiency(model.estimate[plot, field["hidden"]], field["net"][plot, field["hidden"]]) > least


def test_the_sum_of_measured_hours_is_kept_by_left_out_estimates(
    field: dict[str, np.ndarray], model: RainDrainage
) -> None:
    shown = ~field["hidden"]
    ratio = model.left_out[:, shown].sum(axis=1) / field["net"][:, shown].sum(axis=1)
    np.testing.assert_allclose(ratio, 1.0, atol=0.12)


def test_left_out_estimates_are_worse_than_those_that_saw_the_hours(
    field: dict[str, np.ndarray], model: RainDrainage
) -> None:
    shown = ~field["hidden"]
    seen, unseen = (
        np.square((estimate - field["net"])[:, shown]).sum(axis=1) for estimate in (model.estimate, model.left_out)
    )
    assert (seen < unseen).all()


def test_estimates_are_the_sum_of_the_reservoirs(model: RainDrainage) -> None:
    np.testing.assert_allclose(model.stores_l.sum(axis=1), model.estimate, atol=1e-6)


def test_left_out_estimates_do_not_follow_what_they_have_not_seen(
    short: dict[str, np.ndarray], short_model: RainDrainage
) -> None:
    # Parameter sets are sought with all hours in view, so that a little of so gross a change may come through.
    inside = short["fold"] == 1
    changed = fitted(short, flow_l=np.where(inside, 10 * short["flow_l"], short["flow_l"]))
    followed, leaked = (
        getattr(changed, kind)[:, inside].sum() / getattr(short_model, kind)[:, inside].sum() - 1
        for kind in ("estimate", "left_out")
    )
    assert followed > 2.0
    assert leaked < 0.25 * followed


def test_litres_and_gallons_are_told_alike(short: dict[str, np.ndarray], short_model: RainDrainage) -> None:
    gallons = fitted(short, flow_l=short["flow_l"] / 3.785411784)
    np.testing.assert_allclose(gallons.estimate * 3.785411784, short_model.estimate, rtol=1e-3, atol=1.0)


def test_the_same_hours_give_the_same_bytes(short: dict[str, np.ndarray], short_model: RainDrainage) -> None:
    again = fitted(short)
    for name in ("estimate", "left_out", "features", "stores_l", "persistence"):
        np.testing.assert_array_equal(getattr(again, name), getattr(short_model, name))


def test_features_are_finite_in_every_hour(model: RainDrainage) -> None:
    assert model.features.shape[0] == model.estimate.shape[1]
    assert np.isfinite(model.features).all()


def test_a_change_of_treatment_changes_the_estimates_from_its_day_on(field: dict[str, np.ndarray]) -> None:
    halved = np.where(field["treatment"] == 1, 0.4, 1.0)
    uncontrolled = field["net"][[0, 0, 2]]
    flow = np.where(field["hidden"], np.nan, uncontrolled * halved)
    model = fitted(field, flow_l=flow)
    after = field["treatment"][1] == 1
    share = [model.estimate[1, when].sum() / model.estimate[0, when].sum() for when in (~after, after)]
    assert share == pytest.approx([1.0, 0.4], rel=0.1)


def test_without_temperature_rain_tells_more_than_the_season_alone(field: dict[str, np.ndarray]) -> None:
    nothing = np.full(field["day"].size, np.nan)
    rain_only, season_only = fitted(field, air_temp_c=nothing), fitted(field, air_temp_c=nothing, rain_mm=nothing)
    assert season_only.features.shape == (field["day"].size, 0)
    for plot, truth in enumerate(field["net"][:, field["hidden"]]):
        better, worse = (efficiency(model.estimate[plot, field["hidden"]], truth) for model in (rain_only, season_only))
        assert better > worse + 0.1


def test_without_rain_the_season_is_left(field: dict[str, np.ndarray]) -> None:
    model = fitted(field, rain_mm=np.full(field["day"].size, np.nan))
    spring, autumn = ((field["day"] % 365.2425 // 30.44).astype(int) == month for month in (3, 8))
    assert (model.estimate[:, spring].mean(axis=1) > 2 * model.estimate[:, autumn].mean(axis=1)).all()


def test_a_plot_that_was_never_measured_has_no_estimate(short: dict[str, np.ndarray]) -> None:
    flow = short["flow_l"].copy()
    flow[1] = np.nan
    model = fitted(short, flow_l=flow)
    assert np.isnan(model.estimate[1]).all()
    assert np.isfinite(model.estimate[[0, 2]]).all()
    assert np.isnan(fitted(short, flow_l=np.full_like(flow, np.nan)).estimate).all()


def test_a_plot_with_few_hours_borrows_from_the_others(short: dict[str, np.ndarray]) -> None:
    flow = short["flow_l"].copy()
    flow[2] = np.nan
    wet = np.argmax(np.convolve(short["net"][2], np.ones(48), "valid"))
    flow[2, wet : wet + 48] = short["net"][2, wet : wet + 48]
    model = fitted(short, flow_l=flow)
    assert efficiency(model.estimate[2], short["net"][2]) > 0.3


# ---------------------------------------------------------------- edges


def one_store(time_constant: float, hours: int, held: float) -> RainDrainage:
    """A model whose estimates come from one reservoir only, steady at `held`."""
    stores = np.zeros((1, TIME_CONSTANTS_H.size + 1, hours))
    stores[0, list(TIME_CONSTANTS_H).index(time_constant)] = held
    estimate = stores.sum(axis=1)
    return RainDrainage(
        estimate, estimate, np.empty((hours, 0)), stores, estimate[np.newaxis].astype(np.float32), np.ones((1, 2))
    )


def test_the_estimate_lies_among_what_the_good_sets_say(short_model: RainDrainage) -> None:
    # It is a mean over the best of them.
    model = short_model
    low, high = model.by_set.min(axis=0), model.by_set.max(axis=0)
    slack = 1e-4 * np.abs(model.estimate).max()
    assert ((model.estimate >= low - slack) & (model.estimate <= high + slack)).all()
    assert (high > low).any()


@pytest.mark.parametrize("time_constant", [30.0, 100.0])
def test_a_departure_at_the_edge_fades_as_the_reservoir_drains(time_constant: float) -> None:
    # q0 exp(-t / k), and k q0 of water in the end: closed form of a linear reservoir.
    hours, edge = 4000, 500
    flow = np.full((1, hours), np.nan)
    flow[0, : edge + 1] = 7.0
    model = one_store(time_constant, hours, held=2.0)
    added = (edge_corrected(model, flow) - model.estimate)[0, edge + 1 :]
    np.testing.assert_allclose(added, 5.0 * np.exp(-np.arange(1, hours - edge) / time_constant), rtol=0.1, atol=1e-3)
    assert added.sum() == pytest.approx(time_constant * 5.0, rel=0.1)


def test_measured_hours_and_hours_before_any_measurement_are_left_alone() -> None:
    model = one_store(100.0, 200, held=2.0)
    flow = np.full((1, 200), np.nan)
    flow[0, 50:80] = 3.0
    corrected = edge_corrected(model, flow)
    np.testing.assert_array_equal(corrected[0, :80], model.estimate[0, :80])
    assert (corrected[0, 80:] > model.estimate[0, 80:]).all()


def test_edges_make_the_first_days_of_gaps_better(field: dict[str, np.ndarray], model: RainDrainage) -> None:
    soon = field["hidden"] & (np.arange(field["hidden"].size) % 240 < 72)
    plain, corrected = (
        np.square((estimate - field["net"])[:, soon]).sum()
        for estimate in (model.estimate, edge_corrected(model, field["flow_l"]))
    )
    assert corrected < 0.9 * plain
