"""Why negative flow is real, told by this site's own record: every time that water ran back up a main.

Belongs here: stretches of metered backward flow, what the ditch and the rain did, which of them are drawn.
Does not: the flow series (flow.py), what the water that ran back carried (stages/loads.py).
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from pipeline.publish.load_words import listed
from pipeline.publish.report.flow import HOUR_MS
from pipeline.publish.report.reading import Source
from pipeline.publish.report.words import Said, amount, sheet

LULL_HOURS = 12
"""Backward flow after a longer lull, at all plots, is another time."""

DRAWN = 3
AROUND_HOURS = 18
"""Hours before and after, so that a reader sees the water come back out."""

LONGEST_DRAWN_HOURS = 120


def backwater(source: Source) -> dict[str, Any]:
    """Every stretch in which meters counted more backward than forward, and the largest ones to draw."""
    hours = _backward_hours(source)
    if hours.empty:
        return {"drawn": [], "said": ["In no metered hour of the record did more water run back than drained."]}
    stretches = _stretches(source, hours)
    largest = stretches.sort_values("back_mm", ascending=False, kind="stable")
    # One of each water year before a second one of any.
    largest = largest.assign(rank=largest.groupby("water_year").cumcount()).sort_values(
        ["rank", "back_mm"], ascending=[True, False]
    )
    return {
        "drawn": [
            {
                "plot": row["most_plot"],
                "began": int(row["start"]),
                "start": int(row["start"]) - AROUND_HOURS * HOUR_MS,
                "end": int(min(row["end"], row["start"] + LONGEST_DRAWN_HOURS * HOUR_MS)) + AROUND_HOURS * HOUR_MS,
                "said": _said_of(row),
            }
            for row in largest.head(DRAWN).sort_values("start").to_dict("records")
        ],
        "said": _said(hours, stretches),
        "alternative": [
            f"{min(DRAWN, len(stretches))} times at which water ran back, each with the water level of the ditch beneath where a gauge "
            "reads it. ",
            *(
                part
                for row in largest.head(DRAWN).sort_values("start").to_dict("records")
                for part in [*_said_of(row), " "]
            ),
        ],
        "sheet": sheet(
            "Every time that water ran back: metered hours in which more ran back than drained, at any plot, parted by lulls of more than "
            f"{LULL_HOURS} hours",
            [
                ("From", "instant"),
                ("To", "instant"),
                ("Plots", "text"),
                ("Plot-hours", "count"),
                ("Ran back", "l"),
                ("Drained in the same hours", "l"),
                ("Ran back, most of a plot", "mm"),
                ("Plot", "text"),
                ("Rain, 24 h before to the end", "mm"),
                *((f"Highest level, {gauge}", "m" if unit == "m" else "number") for gauge, unit in _gauges(source)),
            ],
            stretches[
                ["start", "end", "plots", "hours", "reverse_l", "forward_l", "back_mm", "most_plot", "rain_mm"]
                + [f"level {gauge}" for gauge, _ in _gauges(source)]
            ].itertuples(index=False),
        ),
    }


def _backward_hours(source: Source) -> pd.DataFrame:
    return source.ask(
        "metered_hours",
        "SELECT plot, epoch_ms(hour_start) AS hour, forward_l, reverse_l FROM stored WHERE net_l < 0 ORDER BY hour, plot",
    )


def _gauges(source: Source) -> list[tuple[str, str]]:
    return sorted((gauge.gauge, gauge.unit) for gauge in source.site.gauges if gauge.quantity == "water_level")


def _stretches(source: Source, hours: pd.DataFrame) -> pd.DataFrame:
    number = (hours["hour"].diff() > (LULL_HOURS + 1) * HOUR_MS).cumsum()
    area = hours["plot"].map(source.area()).astype(float)
    hours = hours.assign(number=number, back_mm=hours["reverse_l"] / 1e4 / area)
    by_plot = hours.groupby(["number", "plot"], sort=True)["back_mm"].sum().reset_index()
    most = by_plot.loc[by_plot.groupby("number")["back_mm"].idxmax()].set_index("number")
    order = {plot: place for place, plot in enumerate(source.plots())}
    stretches = hours.groupby("number").agg(
        start=("hour", "min"),
        end=("hour", "max"),
        hours=("hour", "size"),
        reverse_l=("reverse_l", "sum"),
        forward_l=("forward_l", "sum"),
        plots=("plot", lambda plots: listed(sorted(set(plots), key=lambda plot: order.get(plot, 0)))),
    )
    stretches["end"] += HOUR_MS
    stretches["back_mm"], stretches["most_plot"] = most["back_mm"], most["plot"]
    for gauge, _ in _gauges(source):
        stretches[f"level {gauge}"] = _within(stretches, _levels(source, gauge), "level", 0, np.fmax)
    stretches["rain_mm"] = _within(stretches, _rain(source), "rain_mm", 24, np.add)
    bounds = [(year, *source.site.water_year_period(year)) for year in source.site.water_years()]
    starts = np.array([int(start.timestamp() * 1000) for _, start, _ in bounds])
    stretches["water_year"] = np.array([year for year, _, _ in bounds])[
        np.searchsorted(starts, stretches["start"], side="right") - 1
    ]
    return stretches


def _levels(source: Source, gauge: str) -> pd.DataFrame:
    rows = source.ask(
        "gauge_readings",
        "SELECT gauge, epoch_ms(interval_start) AS hour, \"value\" AS level FROM stored WHERE quantity = 'water_level' ORDER BY hour",
    )
    return rows[rows["gauge"] == gauge]


def _rain(source: Source) -> pd.DataFrame:
    return source.ask(
        "weather_hours",
        "SELECT epoch_ms(hour_start) AS hour, rain_mm FROM stored WHERE rain_mm IS NOT NULL ORDER BY hour",
    )


def _within(
    stretches: pd.DataFrame, readings: pd.DataFrame, name: str, before_hours: int, together: np.ufunc
) -> np.ndarray[Any, Any]:
    """Readings of each stretch, from some hours before it, put together; not-a-number where there is none."""
    times = readings["hour"].to_numpy()
    values = readings[name].to_numpy(dtype=float)
    first = np.searchsorted(times, stretches["start"].to_numpy() - before_hours * HOUR_MS)
    last = np.searchsorted(times, stretches["end"].to_numpy())
    found = np.full(len(stretches), np.nan)
    for place in np.flatnonzero(last > first):
        found[place] = together.reduce(values[first[place] : last[place]])
    return found


def _said(hours: pd.DataFrame, stretches: pd.DataFrame) -> Said:
    together = int(stretches["plots"].str.contains(",| and ").sum())
    return [
        f"In {len(hours):,} metered plot-hours, at {len(stretches):,} times, more water ran back than drained; ",
        amount(float(hours["reverse_l"].sum()), "l"),
        f" in all. At {together:,} of these times it ran back at more than one plot at once, which no single broken meter can do.",
    ]


def _said_of(row: dict[Any, Any]) -> Said:
    said: Said = [
        {"v": int(row["start"]), "q": "day"},
        f": {row['plots']} ran back; most at {row['most_plot']}, ",
        amount(row["back_mm"], "mm"),
    ]
    if not np.isnan(row["rain_mm"]):
        said += ["; rain from 24 h before to the end ", amount(row["rain_mm"], "mm")]
    return [*said, "."]
