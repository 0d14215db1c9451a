"""The same field with another soil: what one physics teaches must hold under a second one.

Belongs here: a balance of two layers whose upper one has capacities spread over the plot, a bypass through cracks, and drains
that answer by a power law.
Does not: the ditch and the outlets (water.py, shared by both), anything that water.py does for its own soil.

Where the upper layer is full, which happens first where it is shallow, rain passes on: part through cracks to the drains within
hours, the rest to the subsoil. The subsoil drains as a power of what stands above a threshold and above the water outside.
"""

import numpy as np

from tests.field.plan import Plan
from tests.field.plots import Plot
from tests.field.water import (
    BACKWARD_SHARE_OF_CONDUCTANCE,
    INFILTRATION_LIMIT_FROZEN_MM,
    INFILTRATION_LIMIT_MM,
    RAISED_OUTLET_M,
    Water,
    column,
    ditch_level,
    linear_reservoir,
    outlet_raised,
)
from tests.field.weather import Floats, Weather, autoregressive

SHARE_OF_UPPER_LAYER = 0.6
POWER = 1.7
TAP_WATER_MM_PER_HOUR = 0.06
CRACK_HOURS = 5.0


def spread_capacity_balance(
    reaching_mm: Floats, limit_mm: Floats, demand_mm: Floats, capacity_mm: Floats, shape: Floats
) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """Upper storage, excess, percolation, evaporation and runoff, mm, shape (hours, columns).

    Capacities follow a Pareto distribution with the given shape; how full the layer is says which part of the plot is full
    (Moore 1985, Hydrological Sciences Journal 30). Percolation grows as the fourth power of how full it is; evaporation falls
    short of demand by the square of how empty it is.
    """
    largest = capacity_mm * (1 + shape)
    storage, excess, percolation, evaporation, runoff = (np.empty_like(reaching_mm) for _ in range(5))
    held = 0.6 * capacity_mm
    for hour in range(len(reaching_mm)):
        infiltrating = np.minimum(reaching_mm[hour], limit_mm[hour])
        runoff[hour] = reaching_mm[hour] - infiltrating
        filled = largest * (1 - np.power(np.maximum(1 - held / capacity_mm, 0.0), 1 / (1 + shape)))
        filled = np.minimum(filled + infiltrating, largest)
        after = capacity_mm * (1 - np.power(1 - filled / largest, 1 + shape))
        after = np.minimum(np.maximum(after, held), held + infiltrating)
        excess[hour] = held + infiltrating - after
        fullness = after / capacity_mm
        percolation[hour] = np.minimum(TAP_WATER_MM_PER_HOUR * fullness**4, after)
        lost = np.minimum(demand_mm[hour] * (1 - (1 - fullness) ** 2), after - percolation[hour])
        evaporation[hour] = lost
        held = after - percolation[hour] - lost
        storage[hour] = held
    return storage, excess, percolation, evaporation, runoff


def subsoil_balance(
    inflow_mm: Floats, unmet_demand_mm: Floats, outside_mm: Floats, pushing: Floats, plots: list[Plot]
) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """Subsoil storage above the drains, drain flow, seepage, evaporation and overflow, mm, shape (hours, plots)."""
    threshold = -0.12 * column(plots, "field_capacity_mm")
    quickening = column(plots, "quickening_mm")
    rate = 1.0 / column(plots, "recession_hours")
    limit = column(plots, "drain_limit_mm_per_hour")
    seepage_rate = 2.0 * column(plots, "deep_seepage_per_hour")
    brim = column(plots, "drainable_porosity") * 900
    lowest = 3 * threshold
    held = threshold.copy()
    storage, drain, seepage, evaporation, overflow = (np.empty_like(inflow_mm) for _ in range(5))
    for hour in range(len(inflow_mm)):
        head = held - outside_mm[hour]
        backward = BACKWARD_SHARE_OF_CONDUCTANCE * rate * np.minimum(head, 0.0) * pushing[hour]
        forward = rate * quickening * np.power(np.maximum(head, 0.0) / quickening, POWER)
        leaving = np.minimum(forward, limit) + backward
        sinking = seepage_rate * np.maximum(held - lowest, 0.0)
        rising = 0.35 * unmet_demand_mm[hour] * np.clip((held - lowest) / -lowest, 0.0, 1.0)
        held = held + inflow_mm[hour] - leaving - sinking - rising
        over = np.maximum(held - brim, 0.0)
        held = held - over
        storage[hour], drain[hour], seepage[hour], evaporation[hour], overflow[hour] = (
            held,
            leaving,
            sinking,
            rising,
            over,
        )
    return storage, drain, seepage, evaporation, overflow


def balance_other_soil(plan: Plan, plots: list[Plot], weather: Weather) -> Water:
    """The water balance of every plot under the given weather; cracks drain past the water table, with the ditch's level."""
    unevenness = autoregressive(plan.stream("showers"), (weather.rain_mm.size, len(plots)), 8, 0.12, axis=0)
    on_plots = np.round(weather.water_input_mm[:, None] * np.exp(unevenness), 4)
    reaching = np.column_stack([on_plots, weather.upstream_input_mm])
    limit = np.where(weather.frozen, INFILTRATION_LIMIT_FROZEN_MM, INFILTRATION_LIMIT_MM)
    demand = weather.evaporative_demand_mm[:, None] * np.append(column(plots, "crop_factor"), 1.0)
    capacity = SHARE_OF_UPPER_LAYER * np.append(column(plots, "field_capacity_mm"), 125.0)
    shape = np.append(2.0 * column(plots, "macropore_share"), 0.6)
    upper, excess, percolation, evaporation, runoff = spread_capacity_balance(
        reaching, np.repeat(limit[:, None], reaching.shape[1], axis=1), demand, capacity, shape
    )
    ditch = ditch_level(0.6 * excess[:, -1] + runoff[:, -1], 0.3 * excess[:, -1] + percolation[:, -1])
    upper, excess, percolation, evaporation, runoff = (
        a[:, :-1] for a in (upper, excess, percolation, evaporation, runoff)
    )
    through_cracks = excess * column(plots, "macropore_share")
    crack_flow, in_cracks = linear_reservoir(through_cracks.T, CRACK_HOURS)
    crack_flow, in_cracks = crack_flow.T, in_cracks.T
    arriving, on_the_way = linear_reservoir((excess - through_cracks + percolation).T, 16.0)

    raised = outlet_raised(plan, plots)
    sill = np.where(raised.T, RAISED_OUTLET_M, 0.0)
    above_outlet = ditch[:, None] - column(plots, "outlet_m")
    submergence = np.maximum(above_outlet - sill, 0.0)
    storage, drain, seepage, rise, overflow = subsoil_balance(
        arriving.T,
        demand[:, :-1] - evaporation,
        np.maximum(np.maximum(above_outlet, sill), 0.0) * column(plots, "drainable_porosity") * 1000,
        (submergence > 0).astype(float),
        plots,
    )
    recent_all, _ = linear_reservoir(arriving, 24.0)
    return Water(
        input_mm=on_plots.T,
        soil_mm=upper.T,
        percolating_mm=in_cracks.T + on_the_way,
        groundwater_mm=storage.T,
        evaporation_mm=(evaporation + rise).T,
        runoff_mm=(runoff + overflow).T,
        deep_seepage_mm=seepage.T,
        drain_mm=(drain + crack_flow).T,
        quick_share=np.clip(crack_flow.T / (crack_flow.T + recent_all + 0.01), 0.0, 1.0),
        ditch_m=ditch,
        submergence_m=submergence.T,
        raised=raised,
    )
