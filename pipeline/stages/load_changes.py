"""Which loads moved from one state to another, by how much, and on which hours.

Belongs here: matching loads of two states, differences, the parts of a change of volume that stand on metered hours and on others.
Does not: why a load moved (orchestration/attribution.py), where states are kept (lake/published.py), wording (publish/).
"""

from __future__ import annotations

import numpy as np
import pandas as pd

PERIODS = {"annual": "water_year", "monthly": "month", "event": "event"}
"""Column of each loads table that names its period."""
METERED = ("measured", "measured_below_range")
"""Basis of hours whose water was metered."""
_KEY = ["plot", "analyte", "water_year", "period"]
_NUMBERS = ["load_kg_ha", "load_kg_ha_p05", "load_kg_ha_p95", "volume_mm", "volume_mm_p05", "volume_mm_p95"]


def moved_loads(
    kind: str, before: pd.DataFrame, after: pd.DataFrame, basis_before: pd.DataFrame, basis_after: pd.DataFrame
) -> pd.DataFrame:
    """The loads of one kind of period whose load, volume or interval differs between two states.

    A change is after minus before, both as they were published. Where both have a number, before + change is after as exactly as
    floating-point numbers can say it. A load that only one of the states has has no change.

    Args:
        kind: annual, monthly or event.
        before: rows of the loads table of the earlier state.
        after: rows of that of the later one.
        basis_before: rows of `load_basis` of the earlier state.
        basis_after: rows of that of the later one.

    Returns:
        Columns of `load_changes` but for the revisions and what is said of the cause, kg/ha and mm.
    """
    both = _of(kind, before).merge(_of(kind, after), on=_KEY, how="outer", suffixes=("_before", "_after"))
    differs = np.zeros(len(both), dtype=bool)
    for name in _NUMBERS:
        one, other = both[f"{name}_before"].to_numpy(dtype=float), both[f"{name}_after"].to_numpy(dtype=float)
        differs |= ~((one == other) | (np.isnan(one) & np.isnan(other)))
    both = both[differs].sort_values(_KEY, ignore_index=True)
    load_before, load_after = (both[f"load_kg_ha_{when}"].to_numpy(dtype=float) for when in ("before", "after"))
    volume_before, volume_after = (both[f"volume_mm_{when}"].to_numpy(dtype=float) for when in ("before", "after"))
    change = difference(load_before, load_after)
    with np.errstate(divide="ignore", invalid="ignore"):
        change_pct = np.where(load_before != 0, 100 * change / np.abs(load_before), np.nan)
    rows = both[_KEY].assign(
        kind=kind,
        before=load_before,
        after=load_after,
        change=change,
        change_pct=change_pct,
        before_p05=both["load_kg_ha_p05_before"],
        before_p95=both["load_kg_ha_p95_before"],
        after_p05=both["load_kg_ha_p05_after"],
        after_p95=both["load_kg_ha_p95_after"],
        volume_before_mm=volume_before,
        volume_after_mm=volume_after,
        volume_change_mm=difference(volume_before, volume_after),
    )
    parts = _volume_changes(kind, basis_before, basis_after)
    if parts is None:
        return rows.assign(volume_change_measured_mm=np.nan, volume_change_filled_mm=np.nan)
    return rows.merge(parts, on=_KEY, how="left")


def difference(before: np.ndarray, after: np.ndarray) -> np.ndarray:
    """After minus before, moved by at most two units in its last place where before plus it would not be after.

    Floating-point subtraction rounds; of the numbers beside the rounded difference one often gives the sum exactly.
    """
    change = np.asarray(after - before, dtype=float)
    best = change.copy()
    for step in (np.inf, -np.inf):
        tried = change
        for _ in range(2):
            tried = np.nextafter(tried, step)
            mend = (before + best != after) & (before + tried == after)
            best = np.where(mend, tried, best)
    return best


def _of(kind: str, loads: pd.DataFrame) -> pd.DataFrame:
    period = loads[PERIODS[kind]].astype(str)
    return loads.assign(period=period)[[*_KEY, *_NUMBERS]]


def _volume_changes(kind: str, before: pd.DataFrame, after: pd.DataFrame) -> pd.DataFrame | None:
    """What of the change of volume stands on metered hours, and what on others, by period; none for events."""
    if kind == "event":
        return None
    sums = {}
    for when, basis in (("before", before), ("after", after)):
        period = basis[PERIODS[kind]].astype(str)
        rows = basis.assign(period=period, metered=basis["basis"].isin(METERED))
        sums[when] = rows.pivot_table(
            index=_KEY, columns="metered", values="volume_mm", aggfunc="sum", observed=True
        ).reindex(columns=[True, False])
    before_mm, after_mm = sums["before"].align(sums["after"], join="outer", fill_value=0.0)
    parts = (after_mm.fillna(0.0) - before_mm.fillna(0.0)).rename(
        columns={True: "volume_change_measured_mm", False: "volume_change_filled_mm"}
    )
    return parts.rename_axis(columns=None).reset_index()
