"""What other plans of sampling would tell, as a person reads it.

Belongs here: which stored rows are looked at, layout, rounding, wording, what members cannot tell.
Does not: the trial itself (stages/sampling_advice.py), the picture (advice_picture.py).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import pandas as pd
from rich.box import SIMPLE_HEAD
from rich.console import RenderableType
from rich.table import Table as TextTable
from rich.text import Text

from pipeline.lake import Lake
from pipeline.site import Site
from pipeline.stages.concentration import concentration_members
from pipeline.stages.flow_ensemble import flow_ensembles
from pipeline.stages.sample_flow import drainage_results
from pipeline.stages.sampling_advice import (
    COLLECTED_EVERY_DAYS,
    VISIT_HOUR,
    WITHIN_PCT,
    AdviceError,
    advise,
    relative_uncertainty,
    year_of,
)
from pipeline.tables import table

NAMES = {
    "linear_interpolation": "straight lines",
    "ratio_estimator": "ratio",
    "composite_by_volume": "composites",
}
SURE = 0.9
NOTABLE_PCT = 1.0
WHAT_MEMBERS_CANNOT_TELL = (
    "The histories are the model's, made of the results that there are: between samples they move as much and as fast as results have "
    "shown. Peaks of the concentration that nobody sampled, such as a first flush of an hour, are smoother in them than in nature, so "
    "that errors of grabs, of long intervals above all, are rather larger than told here. The flow counts as known: its own "
    "uncertainty comes on top (see the budget of `drainledger run`). Composites are told as if no bottle overran and no sampler "
    "failed. The reported loads come from a model that uses flow and season between results, which these estimators do not."
)


@dataclass(frozen=True)
class Advice:
    """Plans tried on the record of one plot and analyte.

    Attributes:
        plans: rows as from `advise`.
        years: water years whose histories were used.
        left_out: water years that could not be.
        results: results of the plot in the years used, a year.
        uncertainty: standard uncertainty of one result, as a share.
    """

    site: Site
    plot: str
    analyte: str
    plans: pd.DataFrame
    years: list[int]
    left_out: list[int]
    results: float
    uncertainty: float


def sampling_advice(
    lake: Lake,
    site: Site,
    plot: str,
    analyte: str,
    every_days: Sequence[int],
    pacing_mm: Sequence[float],
    on_year: Callable[[int], object] = lambda year: None,
) -> Advice:
    """Try plans of sampling on the members of a plot's record.

    Args:
        lake: holds results, hourly flow and its members.
        site: the experiment.
        plot, analyte: of which.
        every_days: days between grabs.
        pacing_mm: drainage for one aliquot of a composite, mm.
        on_year: told of each year that is begun.

    Raises:
        AdviceError: plot or analyte is not known, nothing is stored, or no year's histories are known in full.
    """
    plots = {row.plot: row.area_ha for row in site.plots}
    if plot not in plots:
        raise AdviceError(f"There is no plot {plot}. Plots are {', '.join(plots)}.")
    if analyte not in site.analytes:
        raise AdviceError(f"{analyte} is no analyte of {site.title}. Analytes are {', '.join(site.analytes)}.")
    of_one = site.model_copy(update={"analytes": (analyte,)})
    stored = {name: table(name) for name in ("hourly_flow", "metered_hours", "flow_members", "sample_flow")}
    years = lake.years(stored["hourly_flow"], site.site)
    placed = lake.frame(stored["sample_flow"], site.site, years)
    results = drainage_results(lake.frame(table("sample_results"), site.site), placed)
    own = results[(results["plot"] == plot) & (results["analyte"] == analyte)]
    if not years or own.empty:
        missing = "the hourly flow" if not years else f"a usable result of {analyte} from {plot}"
        raise AdviceError(
            f"{lake.tables} does not hold {missing}. Run `drainledger run --site {site.folder} --lake {lake.root}` first, or see "
            "rejected_results."
        )
    made, left_out = [], []
    for year in years:
        on_year(year)
        near = [other for other in years if abs(other - year) <= 1]
        around = lake.frame(stored["hourly_flow"], site.site, near)
        here, metered, drawn = (
            frame[frame["plot"] == plot]
            for frame in (
                lake.frame(stored[name], site.site, [year]) for name in ("hourly_flow", "metered_hours", "flow_members")
            )
        )
        receiving = lake.frame(table("receiving_water_results"), site.site, near)
        flow = next(flow_ensembles(here, metered, drawn, site, year), None)
        ensembles = concentration_members(results, around, of_one, year, receiving, drawn)
        concentration = next((each for each in ensembles if each.plot == plot), None)
        known = None if flow is None or concentration is None else year_of(flow, concentration, site, year)
        if known is None:
            left_out.append(year)
        else:
            made.append(known)
    if not made:
        raise AdviceError(
            f"No water year of {plot} has its flow and its {analyte} known in every hour, so that no history can play the truth. "
            "`drainledger run` says which hours are unfilled."
        )
    uncertainty = relative_uncertainty(own, site)
    used = [year.year for year in made]
    first = {year: pd.Timestamp(site.water_year_period(year)[0]) for year in used}
    last = {year: pd.Timestamp(site.water_year_period(year)[1]) for year in used}
    count = sum(((own["start"] >= first[year]) & (own["start"] < last[year])).sum() for year in used)
    plans = advise(made, every_days, pacing_mm, plots[plot], uncertainty, (site.site, plot, analyte))
    return Advice(site, plot, analyte, plans, used, left_out, count / len(used), uncertainty)


def plan_name(row: pd.Series) -> str:
    """A plan in words."""
    if row["plan"] == "grabs":
        return f"grab every {row['every_days']:.0f} days" if row["every_days"] > 1 else "grab every day"
    return f"composites of {row['pacing_mm']:g} mm"


def conclusion(advice: Advice) -> str:
    """Which plan is enough for ± 10 %, in a sentence."""
    enough = advice.plans[advice.plans["within"] >= SURE]
    goal = f"within {WITHIN_PCT:g} % of the true annual load nine times of ten"
    grabs = enough[enough["plan"] == "grabs"]
    composites = enough[enough["plan"] == "composites"]
    said = []
    if len(grabs):
        widest = grabs.sort_values("every_days").iloc[-1]
        said.append(f"a grab every {widest['every_days']:.0f} days ({NAMES[widest['method']]})")
    if len(composites):
        widest = composites.sort_values("pacing_mm").iloc[-1]
        said.append(f"{plan_name(widest)} (an aliquot for each {widest['pacing_mm']:g} mm of drainage)")
    if not said:
        return f"None of these plans lies {goal}; more samples than any of them are needed, above all at high flow."
    return f"On this record {' or '.join(said)} would do to lie {goal}; this is the fewest of those tried."


def leaning(advice: Advice) -> str:
    """Why straight lines lie off on average, where they do; else an empty text."""
    lines = advice.plans[advice.plans["method"] == "linear_interpolation"].dropna(subset="mean_pct")
    if lines.empty or lines["mean_pct"].abs().max() < NOTABLE_PCT:
        return ""
    mean = lines.loc[lines["mean_pct"].abs() == lines["mean_pct"].abs().max(), "mean_pct"].iloc[0]
    side, moves = ("high", "falls") if mean > 0 else ("low", "rises")
    return (
        f"Straight lines lie {side} on average: while the flow peaks the concentration {moves}, by results and model, and most grabs "
        "miss it. More grabs make that smaller, taking them at peaks or by flow takes it away."
    )


def advice_text(advice: Advice) -> Iterator[RenderableType]:
    """Everything that is said of the plans."""
    yield Text(
        f"{advice.site.title}, plot {advice.plot}, {advice.analyte}: what other plans of sampling would tell",
        style="bold",
    )
    yield Text(
        f"\nTried on equally likely histories of water years {', '.join(map(str, advice.years))}, in which the plot has "
        f"{advice.results:.0f} results a year; one result has a standard uncertainty of {100 * advice.uncertainty:.1f} %. Grabs at "
        f"{VISIT_HOUR}:00 standard time from every first day that there is; composites with an aliquot for each so many mm of drainage, "
        f"collected every {COLLECTED_EVERY_DAYS} days."
    )
    if advice.left_out:
        yield Text(
            f"Left out: {', '.join(map(str, advice.left_out))}, in which flow or concentration of some hour is not known."
        )
    yield Text("")
    yield _plans(advice)
    yield Text("")
    yield Text(conclusion(advice), style="bold")
    if side := leaning(advice):
        yield Text("\n" + side)
    yield Text("\n" + WHAT_MEMBERS_CANNOT_TELL)


def _plans(advice: Advice) -> TextTable:
    shown = TextTable(
        title="Error of the annual load, % of the true load",
        title_justify="left",
        box=SIMPLE_HEAD,
        show_edge=False,
        pad_edge=False,
        padding=(0, 1, 0, 0),
    )
    shown.add_column("plan", no_wrap=True)
    shown.add_column("load by", no_wrap=True)
    for heading in ("results\na year", "mean", "90 % interval", f"% within\n±{WITHIN_PCT:g} %"):
        shown.add_column(heading, justify="right", no_wrap=True)
    previous = ""
    for _, row in advice.plans.iterrows():
        name = plan_name(row)
        shown.add_row(
            "" if name == previous else name,
            NAMES[row["method"]],
            "" if name == previous else f"{row['results']:.0f}",
            _signed(row["mean_pct"]),
            f"{_signed(row['p05_pct'])} to {_signed(row['p95_pct'])}" if pd.notna(row["p05_pct"]) else "–",
            f"{100 * row['within']:.0f}" if pd.notna(row["within"]) else "–",
        )
        previous = name
    return shown


def _signed(value: float) -> str:
    return "–" if pd.isna(value) else f"{value:+.1f}".replace("-", "−")
