"""Members of filled hours made from their intervals, as long as the gap models give none.

Belongs here: this one stand-in.
Does not: estimating (stages/hours.py).
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipeline.science.ensemble import seed_of, standard_normal_draws
from pipeline.science.period_sums import run_starts
from pipeline.site import Site
from pipeline.stages.flow_ensemble import METERED

ERROR_BLOCK_HOURS = 15 * 24
"""Errors of a long filled stretch are common within so many hours, and independent beyond."""
SURE = 1.6448536269514722


def flow_members(hours: pd.DataFrame, site: Site, year: int) -> pd.DataFrame:
    """Rows of `flow_members` of the hours that are filled: one error in every block of a filled stretch.

    Args:
        hours: rows of `hourly_flow` of one water year.
        site: its name makes the seed.
        year: the water year.
    """
    parts = []
    for plot, of_plot in hours.sort_values(["plot", "hour_start"]).groupby("plot", sort=True):
        filled = (~of_plot["basis"].isin(METERED) & of_plot["net_l"].notna()).to_numpy()
        number = np.arange(filled.size)
        starts = run_starts(filled)
        since = number - starts[np.searchsorted(starts, number, side="right") - 1]
        block = np.cumsum((since == 0) | (since % ERROR_BLOCK_HOURS == 0))[filled]
        if block.size == 0:
            continue
        draws = standard_normal_draws(seed_of(site.site, str(plot), str(year), "gap"), int(block.max()) + 1)[:, block]
        net, low, high = (of_plot[name].to_numpy(dtype=float)[filled] for name in ("net_l", "net_l_p05", "net_l_p95"))
        members = net + np.where(draws > 0, high - net, net - low) / SURE * draws
        lists = pd.Series(list((members - members.mean(axis=0) + net).T.astype(np.float32)), dtype="object")
        parts.append(
            pd.DataFrame({"plot": plot, "hour_start": of_plot["hour_start"].to_numpy()[filled], "net_l": lists}).astype(
                {"hour_start": "datetime64[us, UTC]"}
            )
        )
    if parts:
        return pd.concat(parts, ignore_index=True)
    nothing = pd.Series(dtype="object")
    return pd.DataFrame({"plot": nothing, "hour_start": pd.Series(dtype="datetime64[us, UTC]"), "net_l": nothing})
