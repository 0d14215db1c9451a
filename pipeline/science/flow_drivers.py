"""What an hour's flow and season may tell of its concentration.

Belongs here: regressors of log concentration, how far each may be expected to matter.
Does not: coefficients (conditioned_series.py), which treatments there are (stages/concentration.py).

Flow enters as its ratio to the plot's mean, so that plots of any size are alike: the coefficient of its logarithm is the exponent of
a power law between concentration and flow, seldom outside plus or minus a half (Godsey, Kirchner and Clow 2009, Hydrological
Processes 23). Beside it stand how far the hour's flow exceeds that of the last days (new water at a peak dilutes, or flushes), whether
it rises or falls, and how much drained in the last month (a store that empties).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.signal import lfilter

Floats = NDArray[np.float64]

HOURS_A_YEAR = 8766.0
TRICKLE = 0.05
"""Of the mean flow: below it a logarithm would tell more of the meter than of the water. Common practice, no source."""
RECENT_HOURS = 120.0
RISE_HOURS = 24.0
STORE_HOURS = 720.0
COMMON_SD: Floats = np.array([1.0, 0.3, 0.3, 0.12, 0.12, 0.1, 0.25, 0.25, 0.15, 0.25])
"""Standard deviation of what coefficients of all plots have in common, about 0: level (counted from the results' mean), season and trend,
then flow, peak, rise, store."""
OWN_SD: Floats = np.array([0.4, 0.08, 0.08, 0.04, 0.04, 0.08, 0.08, 0.08, 0.05, 0.08])
"""And of what each plot has of its own. Common practice, no source: `tests/bench/concentration_recovery.py` holds them to the truth."""
TREATMENT_SD = (0.2, 0.1)
"""Of a treatment's step, common to plots and own."""


def flow_drivers(net_l: ArrayLike) -> Floats:
    """Regressors that follow from the flow alone, shape (h, 4): flow, peak, rise, store.

    Args:
        net_l: hourly net flow in order of time, L, not-a-number where it is not known, shape (h,). Water that runs back counts as none;
            an hour that is not known as the mean of those that are.
    """
    net = np.maximum(np.asarray(net_l, dtype=float), 0.0)
    known = np.isfinite(net)
    mean = float(net[known].mean()) if known.any() else 0.0
    if mean <= 0:
        return np.zeros((net.size, 4))
    ratio = np.where(known, net, mean) / mean
    now = np.log(ratio + TRICKLE)
    recent, day, store = (np.log(_faded(ratio, hours) + TRICKLE) for hours in (RECENT_HOURS, RISE_HOURS, STORE_HOURS))
    return np.column_stack([now, np.maximum(now - recent, 0.0), now - day, store])


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


def _faded(values: Floats, hours: float) -> Floats:
    """Mean of the past, older values counting less: a linear reservoir's outflow, begun at the first day's mean."""
    new = -np.expm1(-1 / hours)
    begun = float(values[:24].mean())
    return np.asarray(lfilter([new], [1.0, new - 1.0], values, zi=[begun * (1 - new)])[0])
