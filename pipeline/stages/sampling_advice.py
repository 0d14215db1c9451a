"""From members of flow and concentration to what other plans of sampling would have told.

Belongs here: which members play the truth, when visits are, the laboratory's error, what is said of the errors of each plan.
Does not: sampling and estimating members (science/sampling_plans.py), reading the lake and words (publish/advice.py).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.science.ensemble import seed_of
from pipeline.science.sampling_plans import Histories
from pipeline.science.units import LITRES_PER_MM_HA
from pipeline.site import Site
from pipeline.stages.concentration import ConcentrationEnsemble
from pipeline.stages.flow_ensemble import FlowEnsemble, draws_of

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]

VISIT_HOUR = 10
"""Of the day of the site's standard time."""
HOURS_PER_DAY = 24
COLLECTED_EVERY_DAYS = 14
"""How often composites are collected and analysed."""
FEWEST_VISITS = 2
WITHIN_PCT = 10.0


@dataclass(frozen=True)
class Year:
    """One water year of which histories are known.

    Attributes:
        histories: members of flow and concentration.
        reported_l: reported net volume of each hour, L, shape (hours,).
        first_visit: number of the first hour at which somebody may come.
    """

    year: int
    histories: Histories
    reported_l: Floats
    first_visit: int


class AdviceError(Exception):
    """No advice can be given; the message is a sentence for a person."""


def year_of(flow: FlowEnsemble, concentration: ConcentrationEnsemble, site: Site, year: int) -> Year | None:
    """The histories of a water year; none where an hour of flow or concentration is not known, or nothing drained."""
    place = pd.Index(concentration.hour_start).get_indexer(pd.Index(flow.hour_start))
    if (place < 0).any() or np.isnan(flow.net_l).any() or np.isnan(concentration.mg_l[place]).any():
        return None
    members = flow.members(draws_of(flow, site, year)).astype(float)
    histories = Histories.of(members, concentration.members[:, place])
    if not (histories.load_mg > 0).all():
        return None
    hour_of_day = (flow.hour_start.iloc[0] + site.utc_offset).hour
    return Year(year, histories, flow.net_l, (VISIT_HOUR - hour_of_day) % HOURS_PER_DAY)


def relative_uncertainty(results: pd.DataFrame, site: Site) -> float:
    """Standard uncertainty of a single result of the laboratory, as a share: the median of what is stated of the results."""
    told = (results["uncertainty_mg_l"] / results["mg_l"].where(results["mg_l"] > 0)).dropna()
    return float(told.median()) if len(told) else site.policies.laboratory_uncertainty_pct / 200


def advise(
    years: Sequence[Year],
    every_days: Sequence[int],
    pacing_mm: Sequence[float],
    area_ha: float,
    uncertainty: float,
    names: tuple[str, ...],
) -> pd.DataFrame:
    """What each plan would have told of the annual load.

    Every member is taken for the truth in turn: its load is known, it is sampled, the laboratory errs, an estimator makes a load of
    the results, and the relative error is noted. The flow counts as known, so that what is told is the uncertainty that sampling
    and laboratory make. Grabs are taken at `VISIT_HOUR` every so many days, from each first day that there is; a visit when nothing
    drained by the reported flow brings no sample. Composites take one aliquot for each mm of pacing and are collected every
    `COLLECTED_EVERY_DAYS`; the container is large enough and the sampler never fails.

    Source: Monte Carlo propagation, JCGM 101:2008; sampling from known histories as in Williams and others 2015, Journal of Hydrology.

    Args:
        years: water years with their histories, at least one.
        every_days: days between visits.
        pacing_mm: drainage for which one aliquot is taken, mm.
        area_ha: of the plot.
        uncertainty: standard uncertainty of one result, as a share.
        names: of what the draws belong to, such as site, plot, analyte.

    Returns:
        One row for each plan and method: `plan` (grabs, composites), `every_days` or `pacing_mm`, `method`, `results` (analyses a
        year, mean), `mean_pct`, `p05_pct`, `p95_pct` (of the relative error) and `within` (share of errors within `WITHIN_PCT`).
    """
    rows = []
    for days in every_days:
        taken, errors = zip(*(_grabs(year, days, uncertainty, names) for year in years), strict=True)
        for method in errors[0]:
            of_all = np.concatenate([each[method] for each in errors])
            rows.append({"plan": "grabs", "every_days": days, "pacing_mm": np.nan, "method": method}
                        | {"results": float(np.mean(taken))} | _summary(of_all))  # fmt: skip
    for pacing in pacing_mm:
        taken, composites = zip(*(_composites(year, pacing, area_ha, uncertainty, names) for year in years), strict=True)
        rows.append({"plan": "composites", "every_days": COLLECTED_EVERY_DAYS, "pacing_mm": pacing, "method": "composite_by_volume"}
                    | {"results": float(np.mean(taken))} | _summary(np.concatenate(composites)))  # fmt: skip
    return pd.DataFrame(rows)


def visits(year: Year, days: int) -> Iterator[Indices]:
    """Hours at which samples are taken, for every first day that there is."""
    hours = year.reported_l.size
    for first in range(days):
        at = np.arange(year.first_visit + first * HOURS_PER_DAY, hours, days * HOURS_PER_DAY)
        yield at[year.reported_l[at] > 0]


def _grabs(year: Year, days: int, uncertainty: float, names: tuple[str, ...]) -> tuple[float, Mapping[str, Floats]]:
    """Mean number of grabs, and relative errors of all members and first days by method."""
    histories, truth = year.histories, year.histories.load_mg
    generator = seed_of(*names, str(year.year), "grabs", str(days))
    taken: list[int] = []
    errors: dict[str, list[Floats]] = {"linear_interpolation": [], "ratio_estimator": []}
    for at in visits(year, days):
        taken.append(at.size)
        if at.size < FEWEST_VISITS:
            continue
        drawn = generator.standard_normal((truth.size, at.size))
        results = histories.mg_l[:, at] * np.maximum(1 + uncertainty * drawn, 0.0)
        steps = year.reported_l.size / HOURS_PER_DAY
        errors["linear_interpolation"].append(histories.interpolated_mg(at, results) / truth - 1)
        errors["ratio_estimator"].append(histories.ratio_mg(at, results, steps) / truth - 1)
    return float(np.mean(taken)), {
        method: np.concatenate(parts) if parts else np.empty(0) for method, parts in errors.items()
    }


def _composites(
    year: Year, pacing_mm: float, area_ha: float, uncertainty: float, names: tuple[str, ...]
) -> tuple[float, Floats]:
    """Mean number of composites with water in them, and relative errors of all members."""
    windows = np.arange(0, year.reported_l.size, COLLECTED_EVERY_DAYS * HOURS_PER_DAY)
    drained = np.add.reduceat(np.maximum(year.reported_l, 0.0), windows)
    litres = pacing_mm * LITRES_PER_MM_HA * area_ha
    drawn = seed_of(*names, str(year.year), "composites", str(pacing_mm)).standard_normal(
        (year.histories.net_l.shape[0], windows.size)
    )
    estimate = year.histories.composite_mg(litres, windows, np.maximum(uncertainty * drawn, -1.0))
    return float((drained > litres).sum()), estimate / year.histories.load_mg - 1


def _summary(errors: Floats) -> dict[str, float]:
    known = errors[np.isfinite(errors)]
    if known.size == 0:
        return dict.fromkeys(("mean_pct", "p05_pct", "p95_pct", "within"), float("nan"))
    low, high = np.quantile(known, [0.05, 0.95])
    within = float((np.abs(known) <= WITHIN_PCT / 100).mean())
    return {
        "mean_pct": 100 * float(known.mean()),
        "p05_pct": 100 * float(low),
        "p95_pct": 100 * float(high),
        "within": within,
    }
