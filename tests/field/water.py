"""Where the rain goes: soil water, water table, drains and the ditch that pushes back.

Belongs here: the water balance of every plot, the ditch's level, the true flow through each drain outlet.
Does not: what a meter makes of that flow (meters.py), what the water carries (nitrate.py).

The soil holds water against gravity and lets the rest recharge the water table, more of it the wetter it is. The water
table drains through a linear and a quadratic term of the head above the drain, or above the water outside it where that
stands higher; a raised outlet (controlled drainage) or a high ditch takes that head away, and a ditch above both water
table and outlet drives water back into the plot. State is stepped hourly, over all plots at once.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from tests.field.plan import Plan, day_of_year
from tests.field.plots import Plot
from tests.field.weather import Floats, Weather, autoregressive

DRAIN_DEPTH_M = 1.1
RAISED_OUTLET_M = 0.7
DEEP_OUTLET_MM = 60.0
STRESS_BELOW_SHARE_OF_CAPACITY = 0.65
INFILTRATION_LIMIT_MM = 22.0
INFILTRATION_LIMIT_FROZEN_MM = 1.2
BACKWARD_SHARE_OF_CONDUCTANCE = 0.22
LATERAL_LOSS_PER_HOUR = 3e-4


@dataclass(frozen=True)
class Water:
    """Hourly water balance in mm over each plot, shape (plots, hours), spin-up included; storages at the hour's end.

    Attributes:
        input_mm: rain and melt that reach the plot: the site's, with the unevenness of showers.
        soil_mm: water held in the root zone.
        percolating_mm: recharge on its way to the water table.
        groundwater_mm: drainable water above the drains; negative where the water table lies below them.
        evaporation_mm, runoff_mm: losses at the surface.
        deep_seepage_mm: losses downward and sideways.
        drain_mm: net flow through the outlet; negative where the ditch pushed water back.
        quick_share: share of the recharge of the last hours that came through macropores.
        ditch_m: the ditch's level above its bed, shape (hours,).
        submergence_m: ditch level above the outlet, or above the raised outlet; 0 where it stands lower.
        raised: whether the outlet was raised.
    """

    input_mm: Floats
    soil_mm: Floats
    percolating_mm: Floats
    groundwater_mm: Floats
    evaporation_mm: Floats
    runoff_mm: Floats
    deep_seepage_mm: Floats
    drain_mm: Floats
    quick_share: Floats
    ditch_m: Floats
    submergence_m: Floats
    raised: NDArray[np.bool_]


def column(plots: list[Plot], name: str) -> Floats:
    """One property of all plots, shape (plots,)."""
    return np.array([getattr(plot, name) for plot in plots], dtype=float)


def soil_balance(infiltration_mm: Floats, demand_mm: Floats, capacity_mm: Floats) -> tuple[Floats, Floats, Floats]:
    """Root-zone storage, recharge and evaporation, mm, shape (hours, columns).

    Recharge is the share (storage / capacity)² of what infiltrates (the form of Bergström's soil routine), and all that
    exceeds the capacity; evaporation falls short of demand in proportion where the soil is drier than the stress limit.
    """
    soil = np.empty_like(infiltration_mm)
    recharge = np.empty_like(infiltration_mm)
    evaporation = np.empty_like(infiltration_mm)
    held = 0.72 * capacity_mm
    stress_limit = STRESS_BELOW_SHARE_OF_CAPACITY * capacity_mm
    for hour in range(len(infiltration_mm)):
        infiltrating = infiltration_mm[hour]
        if infiltrating.any():
            wetness = held / capacity_mm
            passing = infiltrating * wetness * wetness
            held = held + infiltrating - passing
            excess = np.maximum(held - capacity_mm, 0.0)
            held = held - excess
            recharge[hour] = passing + excess
        else:
            recharge[hour] = 0.0
        lost = demand_mm[hour] * np.minimum(held / stress_limit, 1.0)
        held = held - lost
        evaporation[hour] = lost
        soil[hour] = held
    return soil, recharge, evaporation


def linear_reservoir(inflow: Floats, hours: float) -> tuple[Floats, Floats]:
    """Outflow and end-of-hour storage of a linear reservoir, conserving mass to rounding."""
    share = round(float(-np.expm1(-1.0 / hours)), 9)
    outflow = lfilter([share], [1.0, share - 1.0], inflow)
    return outflow, outflow * (1.0 - share) / share


def ditch_level(quick_mm: Floats, slow_mm: Floats) -> Floats:
    """Level above the ditch's bed, m: two quick reservoirs in line and a slow one, through a power-law rating."""
    quick = linear_reservoir(linear_reservoir(quick_mm, 9.0)[0], 14.0)[0]
    slow = linear_reservoir(linear_reservoir(slow_mm, 30.0)[0], 90.0)[0]
    return np.round(0.12 + 1.95 * np.power(np.maximum(quick + slow, 0.0), 0.52), 4)


def groundwater_balance(
    recharge_mm: Floats,
    unmet_demand_mm: Floats,
    outside_mm: Floats,
    pushing: NDArray[np.bool_],
    plots: list[Plot],
) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """Groundwater storage, drain flow, deep seepage, capillary rise and overflow, mm, shape (hours, plots).

    `outside_mm` is the head outside the drain, as the groundwater storage that would stand level with it; water enters
    from outside only where `pushing`.
    """
    linear = 1.0 / column(plots, "recession_hours")
    quadratic = linear / column(plots, "quickening_mm")
    limit = column(plots, "drain_limit_mm_per_hour")
    seepage_rate = column(plots, "deep_seepage_per_hour")
    brim = column(plots, "drainable_porosity") * 1000 * DRAIN_DEPTH_M
    lowest_flow = np.where(pushing, -BACKWARD_SHARE_OF_CONDUCTANCE, 0.0)
    held = np.full(len(plots), -10.0)
    storage, drain, seepage, rise, overflow = (np.empty_like(recharge_mm) for _ in range(5))
    for hour in range(len(recharge_mm)):
        head = held - outside_mm[hour]
        conductance = linear + quadratic * np.abs(head)
        leaving = np.minimum(np.maximum(head, lowest_flow[hour] * np.abs(head)) * conductance, limit)
        sinking = seepage_rate * np.maximum(held + DEEP_OUTLET_MM, 0.0)
        sinking = sinking + LATERAL_LOSS_PER_HOUR * np.maximum(held, 0.0)
        rising = unmet_demand_mm[hour] * np.minimum(np.maximum(held + 25.0, 0.0), 50.0) * 0.008
        held = held + recharge_mm[hour] - leaving - sinking - rising
        over = np.maximum(held - brim, 0.0)
        held = held - over
        storage[hour], drain[hour], seepage[hour], rise[hour], overflow[hour] = (
            held,
            leaving,
            sinking,
            rising,
            over,
        )
    return storage, drain, seepage, rise, overflow


def outlet_raised(plan: Plan, plots: list[Plot]) -> NDArray[np.bool_]:
    """Hours, shape (plots, hours), in which an outlet is raised: winter and high summer, lowered for field work."""
    local = plan.hours_local_spun_up
    day = day_of_year(local)
    season = (day < 80) | (day >= 318) | ((day >= 162) & (day < 250))
    raised = np.zeros((len(plots), local.size), dtype=bool)
    for index, plot in enumerate(plots):
        if plot.controlled_from is not None:
            raised[index] = season & (local >= np.datetime64(plot.controlled_from, "s"))
    return raised


def balance_water(plan: Plan, plots: list[Plot], weather: Weather) -> Water:
    """The water balance of every plot under the given weather."""
    # The last column stands for the catchment of the ditch.
    unevenness = autoregressive(plan.stream("showers"), (weather.rain_mm.size, len(plots)), 8, 0.12, axis=0)
    on_plots = np.round(weather.water_input_mm[:, None] * np.exp(unevenness), 4)
    reaching = np.column_stack([on_plots, weather.upstream_input_mm])
    limit = np.where(weather.frozen, INFILTRATION_LIMIT_FROZEN_MM, INFILTRATION_LIMIT_MM)
    infiltration = np.minimum(reaching, limit[:, None])
    demand = weather.evaporative_demand_mm[:, None] * np.append(column(plots, "crop_factor"), 1.0)
    capacity = np.append(column(plots, "field_capacity_mm"), 118.0)
    soil, recharge, evaporation = soil_balance(infiltration, demand, capacity)
    runoff = reaching - infiltration

    catchment_recharge = recharge[:, -1]
    ditch = ditch_level(0.45 * catchment_recharge + runoff[:, -1], 0.35 * catchment_recharge)

    soil, recharge, evaporation, runoff = (a[:, :-1] for a in (soil, recharge, evaporation, runoff))
    through_macropores = recharge * column(plots, "macropore_share")
    arriving = np.empty_like(recharge)
    percolating = np.empty_like(recharge)
    for index, plot in enumerate(plots):
        arriving[:, index], percolating[:, index] = linear_reservoir(
            recharge[:, index] - through_macropores[:, index], plot.percolation_hours
        )

    raised = outlet_raised(plan, plots)
    sill = np.where(raised.T, RAISED_OUTLET_M, 0.0)
    ditch_above_outlet = ditch[:, None] - column(plots, "outlet_m")
    outside_m = np.maximum(ditch_above_outlet, sill)
    submergence = np.maximum(ditch_above_outlet - sill, 0.0)
    storage, drain, seepage, rise, overflow = groundwater_balance(
        arriving + through_macropores,
        demand[:, :-1] - evaporation,
        outside_m * column(plots, "drainable_porosity") * 1000,
        submergence > 0,
        plots,
    )
    recent_quick, _ = linear_reservoir(through_macropores.T, 8.0)
    recent_all, _ = linear_reservoir((arriving + through_macropores).T, 24.0)
    return Water(
        input_mm=on_plots.T,
        soil_mm=soil.T,
        percolating_mm=percolating.T,
        groundwater_mm=storage.T,
        evaporation_mm=(evaporation + rise).T,
        runoff_mm=(runoff + overflow).T,
        deep_seepage_mm=seepage.T,
        drain_mm=drain.T,
        quick_share=np.clip(recent_quick / (recent_quick + recent_all + 0.01), 0.0, 1.0),
        ditch_m=ditch,
        submergence_m=submergence.T,
        raised=raised,
    )


def both_ways(net: Floats, swing: Floats) -> tuple[Floats, Floats]:
    """Forward and backward volume of a flow that swings as a sine about its mean, any shape.

    `net` is the mean and `swing` the amplitude, in the same unit per interval. Forward is the mean of the positive part over
    a full turn of the sine, backward what is left to give `net`. A swing smaller than the mean runs one way only.
    """
    amplitude = np.maximum(swing, np.abs(net))
    ratio = np.divide(net, amplitude, out=np.zeros_like(net), where=amplitude > 0)
    forward = (np.sqrt(amplitude**2 - net**2) + net * (np.pi / 2 + np.arcsin(ratio))) / np.pi
    forward = np.maximum(forward, 0.0)
    return forward, np.maximum(forward - net, 0.0)


def outlet_flow(plan: Plan, plots: list[Plot], water: Water) -> tuple[Floats, Floats]:
    """True litres forward and backward through each outlet per metering interval, shape (plots, intervals).

    Hourly volumes are spread over the hour along a curve through the means of neighbouring hours, conserving each hour's
    sum to rounding. Where the ditch stands above the outlet it surges: within an interval the flow then swings as a sine
    about its mean, and where the swing is larger than the mean, water runs both ways. Volumes are rounded to 0.1 mL.
    """
    steps = plan.intervals_per_hour
    record = slice(plan.spin_up_hours, None)
    litres = water.drain_mm[:, record] * column(plots, "area_ha")[:, None] * 10_000
    # An edge between two hours lies midway, but never so far above the smaller one that its hour would change sign.
    one, other = litres[:, :-1], litres[:, 1:]
    smaller = np.where(np.abs(one) < np.abs(other), one, other)
    midway = np.where(np.abs(one + other) > 4 * np.abs(smaller), 2 * smaller, (one + other) / 2)
    midway = np.where(one * other > 0, midway, 0.0)
    edge = np.concatenate([litres[:, :1], midway, litres[:, -1:]], axis=1)
    before, after = edge[:, :-1, None], edge[:, 1:, None]
    place = (np.arange(steps) + 0.5) / steps
    arch = place * (1 - place)
    arch = arch / arch.mean()
    net = (before + (after - before) * place + (litres[..., None] - (before + after) / 2) * arch) / steps

    generator = plan.stream("surges")
    submergence = water.submergence_m[:, record, None]
    strength = np.minimum(submergence, 0.25) * column(plots, "area_ha")[:, None, None] * 1_900 / steps
    surge = strength * np.round(generator.standard_normal(net.shape[1:]), 6)
    surge -= surge.mean(axis=2, keepdims=True)
    net = (net + surge).reshape(len(plots), -1)
    swing = strength * np.round(0.3 + generator.random((net.shape[1] // steps, steps)), 6)
    forward, reverse = both_ways(net, swing.reshape(len(plots), -1))
    return forward.round(4), reverse.round(4)
