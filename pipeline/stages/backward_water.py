"""What water that ran back carried.

Belongs here: the two answers (what left last, or receiving water), the doubt about them, the receiving water's own concentration.
Does not: which results are of receiving water (sample_flow.py), the account of levels (science/returned_water.py), loads (loads.py).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.science.concentration_draws import draw
from pipeline.science.concentration_model import Fitted, Series, fit
from pipeline.science.ensemble import seed_of, uniform_draws
from pipeline.science.log_results import LogResults, usable
from pipeline.science.returned_water import returned_shares
from pipeline.site import Site
from pipeline.stages.concentration_terms import Grid, PlotFlow, log_results, of_batches

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Indices = NDArray[np.int64]

DITCH_SD = (1.0, 0.4, 0.4, 0.2, 0.2)
"""Expected size of the receiving water's level, about the results' mean, and of its season. Common practice, no source."""
UNKNOWN_DITCH = 0.3
"""Where no result tells, receiving water may hold so much more or less than what left, as a share. Common practice, no source."""

LONGEST_AWAY_H = 48
"""Water that left longer ago has gone down the ditch; what runs back instead is told by its hour. Common practice, no source."""


@dataclass(frozen=True)
class BackwardWater:
    """Hours in which water ran back, b of them, and what it held.

    Attributes:
        hours: numbers of the hours.
        undoubted: concentration of what left last, mg/L, shape (members, b).
        as_left: the same, in doubt.
        receiving: of the receiving water, none where no result tells.
        without_laboratory: `as_left` had the laboratory made none of its errors.
    """

    hours: Indices
    undoubted: Singles
    as_left: Singles
    receiving: Singles | None
    without_laboratory: Singles


def backward_water(
    net_l: Floats, members: Singles, without_laboratory: Singles, receiving: Singles | None, name: tuple[str, ...]
) -> BackwardWater:
    """What water that ran back held, by what left last.

    Which water it is nobody sees, so that the answer is in doubt by half of the difference between the two, either way; one draw a
    member for the whole year.

    Args:
        net_l: the year's flow, L, shape (h,).
        members, without_laboratory: concentration of drainage, mg/L, shape (members, h).
        receiving: members of the receiving water, mg/L, shape (members, h).
        name: names the draws.
    """
    hours, shares = returned_shares(net_l)
    away = np.repeat(hours, np.diff(shares.indptr)) - shares.indices
    shares.data[away > LONGEST_AWAY_H] = 0.0
    doubt = uniform_draws(seed_of(*name, "backward_water")).astype(np.float32) / 2
    none_left = np.maximum(1.0 - np.asarray(shares.sum(axis=1)), 0.0).astype(np.float32)
    shares = shares.astype(np.float32)
    # What came back beyond all that had left of late is told by nothing but its hour.
    undoubted, exact = (
        np.ascontiguousarray((shares @ each.T).T, dtype=np.float32) + none_left * each[:, hours]
        for each in (members, without_laboratory)
    )
    of_ditch = None if receiving is None else np.ascontiguousarray(receiving[:, hours])
    apart = UNKNOWN_DITCH * 2 * undoubted if of_ditch is None else of_ditch - undoubted
    as_left = np.maximum(undoubted + doubt * apart, 0.0)
    return BackwardWater(hours, undoubted, as_left, of_ditch, np.maximum(exact + (as_left - undoubted), 0.0))


@dataclass(frozen=True)
class ReceivingWater:
    """The receiving water at a plot, as far as results tell it.

    Attributes:
        said: the results.
        fitted: one series.
        level: logarithm from which its logarithms count.
    """

    said: pd.DataFrame
    fitted: Fitted
    level: float

    @classmethod
    def of(cls, results: pd.DataFrame, flow: PlotFlow, grid: Grid, site: Site) -> ReceivingWater | None:
        """From rows of `receiving_water_results` of one analyte, of the plot and of the ditch as a whole; none without any.

        Season, a slow and a fast deviation; the drain's flow tells nothing of the ditch.
        """
        said = grid.in_reach(results)
        positive = said.loc[said["mg_l"] > 0, "mg_l"]
        if positive.empty:
            return None
        level = float(np.log(positive).mean())
        logs = log_results(said, flow, float(positive.min()), site)
        kept = usable(logs)
        logs = logs.take(kept)
        centred = LogResults(logs.mean_of, logs.log_value - level, logs.sd, logs.bound, logs.shared_sd)
        size = np.array(DITCH_SD)
        series = Series(centred, flow.season[:, : size.size], grid.first, grid.last)
        # One series: what it has in common with others is all that it has.
        return cls(said.iloc[kept].reset_index(drop=True), fit([series], size, size / 100), level)

    def members(self, site: Site, analyte: str, year: int) -> Singles:
        """Equally likely histories of the hours of the year, mg/L; the same for all plots that have the same results."""
        shared = of_batches(self.said, site, analyte)
        drawn = draw(self.fitted, 0, shared, seed_of(site.site, analyte, str(year), "receiving_water"))
        return np.asarray(np.exp(drawn.members + np.float32(self.level)), dtype=np.float32)
