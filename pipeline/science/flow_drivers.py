"""What an hour's flow and season may tell of its concentration.

Belongs here: regressors of log concentration, how far each may be expected to matter.
Does not: coefficients (conditioned_series.py), which treatments there are (stages/concentration.py).

Flow enters as its ratio to the plot's mean, so that plots of any size are alike: the coefficient of its logarithm is the exponent of
a power law between concentration and flow, seldom outside plus or minus a half (Godsey, Kirchner and Clow 2009, Hydrological
Processes 23). Beside it stand how far the hour's flow exceeds that of the last days (new water at a peak dilutes, or flushes), whether
it rises or falls, and how much drained in the last month (a store that empties).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.signal import lfilter

from pipeline.science.returned_water import returned_shares

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Number = TypeVar("Number", np.float32, np.float64)

HOURS_A_YEAR = 8766.0
TRICKLE = 0.05
"""Of the mean flow: below it a logarithm would tell more of the meter than of the water. Common practice, no source."""
RECENT_HOURS = 120.0
RISE_HOURS = 24.0
STORE_HOURS = 720.0
STORE = 3
"""Number of the store among the regressors."""
MEMORIES = (RECENT_HOURS, RISE_HOURS, STORE_HOURS)
COMMON_SD: Floats = np.array([1.0, 0.3, 0.3, 0.12, 0.12, 0.1, 0.25, 0.25, 0.15, 0.25])
"""Standard deviation of what coefficients of all plots have in common, about 0: level (counted from the results' mean), season and trend,
then flow, peak, rise, store."""
OWN_SD: Floats = np.array([0.4, 0.08, 0.08, 0.04, 0.04, 0.08, 0.08, 0.08, 0.05, 0.08])
"""And of what each plot has of its own. Common practice, no source: `tests/bench/concentration_recovery.py` holds them to the truth."""
TREATMENT_SD = (0.2, 0.1)
"""Of a treatment's step, common to plots and own."""


def flow_drivers(net_l: ArrayLike) -> Floats:
    """Regressors that follow from the flow alone, shape (h, 4): flow, peak, rise, store.

    Water that runs back is no trickle: it is water that had left. Its hour has the regressors, but for the store, of the hours in which
    that was by the account of what left last (returned_water.py), or the mean of all that drain where the account is empty; for the hours
    that follow nothing ran.

    Args:
        net_l: hourly net flow in order of time, L, not-a-number where it is not known, shape (h,). An hour that is not known counts as
            the mean of those that are.
    """
    net = np.asarray(net_l, dtype=float)
    mean = _mean_outflow(net)
    if mean <= 0:
        return np.zeros((net.size, 4))
    ratio = _ratio(net, mean)
    drivers = _drivers(ratio, [_faded(ratio, hours, _at_first(ratio)) for hours in MEMORIES])
    back, shares = returned_shares(net)
    told = drivers[:STORE].T
    drivers[:STORE, back] = (shares @ told + (1 - shares.sum(axis=1))[:, np.newaxis] * told[net > 0].mean(axis=0)).T
    return drivers.T


def drivers_beside(net_l: ArrayLike, first: int, histories: ArrayLike) -> Singles:
    """How far the regressors of histories of the flow lie from those of the flow itself, shape (4, m, k).

    An account of what left last is not kept for each: where a history alone runs back, it has the mean of all hours that drain.

    Args:
        net_l: as of `flow_drivers`.
        first: the hour in which histories begin; before it all are the flow itself.
        histories: likewise, L, shape (m, k).
    """
    net, drawn = np.asarray(net_l, dtype=float), np.asarray(histories, dtype=np.float32)
    mean = _mean_outflow(net)
    if mean <= 0:
        return np.zeros((4, *drawn.shape), dtype=np.float32)
    ratio, given = _ratio(net, mean), flow_drivers(net).astype(np.float32)
    hours_of = slice(first, first + drawn.shape[1])
    # The flow itself goes the same way, so that a history like it lies beside it by nothing.
    with_itself = np.concatenate([drawn, net[np.newaxis, hours_of].astype(np.float32)])
    ratios = _ratio(with_itself, np.float32(mean))
    faded = []
    for hours in MEMORIES:
        before = _faded(ratio[:first], hours, _at_first(ratio))[-1] if first else _at_first(ratio)
        faded.append(_faded(ratios, hours, before).astype(np.float32))
    drivers = _drivers(ratios, faded)
    back, of_mean = with_itself < 0, given[net > 0].mean(axis=0)
    known_back = np.where(net[hours_of] < 0, given[hours_of].T, of_mean[:, np.newaxis])
    for number in range(STORE):
        drivers[number][back] = np.broadcast_to(known_back[number], back.shape)[back]
    drivers[:, :-1] -= drivers[:, -1:]
    return np.asarray(drivers[:, :-1], dtype=np.float32)


def _mean_outflow(net_l: Floats) -> float:
    known = np.isfinite(net_l)
    return float(np.maximum(net_l[known], 0.0).mean()) if known.any() else 0.0


def _ratio(net_l: NDArray[Number], mean: float | np.float32) -> NDArray[Number]:
    return np.where(np.isfinite(net_l), np.maximum(net_l, 0.0) / mean, 1.0).astype(net_l.dtype)


def _drivers(ratio: NDArray[Number], faded: Sequence[NDArray[Number]]) -> NDArray[Number]:
    """Regressors, shape (4, ...)."""
    now = np.log(ratio + TRICKLE)
    recent, day, store = (np.log(each + TRICKLE) for each in faded)
    return np.stack([now, np.maximum(now - recent, 0.0), now - day, store])


def season_drivers(hour_of_year: ArrayLike, hours_from_middle: ArrayLike) -> Floats:
    """Regressors of season and trend, shape (h, 5): two harmonics of the year, and years from the middle.

    Args:
        hour_of_year: from any fixed day on, shape (h,).
        hours_from_middle: of the time looked at, shape (h,).
    """
    angle = 2 * np.pi * np.asarray(hour_of_year, dtype=float) / HOURS_A_YEAR
    return np.column_stack(
        [
            np.cos(angle),
            np.sin(angle),
            np.cos(2 * angle),
            np.sin(2 * angle),
            np.asarray(hours_from_middle, dtype=float) / HOURS_A_YEAR,
        ]
    )


def _at_first(values: Floats) -> float:
    """What a memory begins with: the first day's mean."""
    return float(values[:24].mean())


def _faded(values: Floats, hours: float, before: float) -> Floats:
    """Mean of the past along the last axis, older values counting less: a linear reservoir's outflow, which was `before`."""
    new = -np.expm1(-1 / hours)
    begun = np.full((*values.shape[:-1], 1), before * (1 - new))
    return np.asarray(lfilter([new], [1.0, new - 1.0], values, zi=begun)[0])
