"""The load of each plot and year by each method, as a person reads it.

Belongs here: which stored rows are shown, layout, rounding, wording.
Does not: the estimates (stages/load_methods.py), the project's own loads (stages/loads.py).
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Mapping
from typing import Any

import numpy as np
import pandas as pd
from rich.box import SIMPLE_HEAD
from rich.console import RenderableType
from rich.table import Table as TextTable
from rich.text import Text

from pipeline.lake import Lake
from pipeline.site import Site
from pipeline.tables import table

UNKNOWN = "–"
NAMES: Mapping[str, tuple[str, str]] = {
    "reported": ("reported", "reported"),
    "linear_interpolation": ("straight lines", "straight\nlines"),
    "flow_weighted_mean": ("flow-weighted mean", "flow\nmean"),
    "ratio_estimator": ("ratio estimator", "ratio"),
    "rating_curve": ("rating curve", "rating\ncurve"),
    "time_weighted_mean": ("time-weighted mean", "time\nmean"),
    "composite_by_volume": ("composites by volume", "compo-\nsites"),
}
"""Of each method, whole, and as the heading of a column."""
WHY: Mapping[str, str] = {
    "unfilled_hours": "hours of the year could not be filled",
    "no_results": "no usable result of the year",
    "few_results": "too few results, or none while water drained",
    "no_composites": "no composite in the year",
}
HOW_TO_READ = (
    "Beside the reported load stand the estimators of the trade on the same flow and the same results: straight lines between results "
    "times continuous flow, the flow-weighted mean of the results, Beale's ratio estimator in strata of flow, a rating curve with "
    "smearing, the time-weighted mean, the composites by the volume of their windows. Spread is the range of straight lines, "
    "flow-weighted mean, ratio and rating curve in per cent of their median: how much the choice among methods that use the flow "
    "matters. The time-weighted mean leaves the flow out, and composites speak for their own windows first: both can lie far off, and "
    "neither counts for the spread."
)
OF_ERRORS = (
    "A standard error here is that of sampling alone, as if the results were a random sample of the year and the flow were known; "
    "straight lines and the time-weighted mean have none. The interval of the reported load holds flow and laboratory too."
)
WITH_FLOW = ("linear_interpolation", "flow_weighted_mean", "ratio_estimator", "rating_curve")


def stored_methods(lake: Lake, site: Site) -> pd.DataFrame:
    """Rows of `load_methods` of all years, and the reported loads as a method named `reported`; by plot, analyte and year."""
    declared, annual = table("load_methods"), table("loads_annual")
    methods = lake.frame(declared, site.site, lake.years(declared, site.site))
    loads = lake.frame(annual, site.site, lake.years(annual, site.site))
    columns = ["plot", "analyte", "water_year", "load_kg_ha", "load_kg_ha_p05", "load_kg_ha_p95", "why_empty"]
    reported = loads[columns].assign(method="reported")
    keys = ["plot", "analyte", "water_year"]
    reported = reported.merge(methods[keys].drop_duplicates(), on=keys)
    return pd.concat([reported, methods], ignore_index=True).sort_values(keys, kind="stable", ignore_index=True)


def spread_pct(loads: Mapping[Hashable, Any]) -> float:
    """Range of the methods that use the flow, in per cent of their median; not-a-number from fewer than two."""
    values = np.array([loads.get(method, np.nan) for method in WITH_FLOW], dtype=float)
    values = values[np.isfinite(values)]
    middle = float(np.median(values)) if values.size else 0.0
    return 100 * float(np.ptp(values)) / middle if values.size > 1 and middle > 0 else float("nan")


def methods_text(rows: pd.DataFrame, site: Site, plot: str | None) -> Iterator[RenderableType]:
    """All plots and years side by side, or one plot in full, and how to read it.

    Args:
        rows: as from `stored_methods`, not empty.
        site: for its title.
        plot: shown in full; none: all plots, loads only.
    """
    if plot is None:
        yield _side_by_side(rows, site)
    else:
        yield _in_full(rows[rows["plot"] == plot], site, plot)
        yield Text("\n" + OF_ERRORS)
    yield Text("\n" + HOW_TO_READ)


def _text_table(title: str) -> TextTable:
    return TextTable(
        title=title, title_justify="left", box=SIMPLE_HEAD, show_edge=False, pad_edge=False, padding=(0, 1, 0, 0)
    )


def _side_by_side(rows: pd.DataFrame, site: Site) -> TextTable:
    several = rows["analyte"].nunique() > 1
    shown = _text_table(f"{site.title}: annual load by method, kg/ha")
    shown.add_column("plot", no_wrap=True)
    if several:
        shown.add_column("analyte")
    for heading in ("water\nyear", *(heading for _, heading in NAMES.values()), "spread\n%"):
        shown.add_column(heading, justify="right", no_wrap=True)
    previous = None
    for (plot, analyte, year), of_year in rows.groupby(["plot", "analyte", "water_year"], sort=True):
        loads = dict(zip(of_year["method"], of_year["load_kg_ha"], strict=True))
        if previous not in (None, (plot, analyte)):
            shown.add_section()
        shown.add_row(
            "" if previous == (plot, analyte) else str(plot),
            *([str(analyte)] if several else []),
            str(year),
            *(_number(loads.get(method)) for method in NAMES),
            _number(spread_pct(loads), 0),
        )
        previous = (plot, analyte)
    return shown


def _in_full(rows: pd.DataFrame, site: Site, plot: str) -> TextTable:
    shown = _text_table(f"{site.title}, plot {plot}: annual load by method, with what each is made from")
    for heading, justify in (
        ("water\nyear", "right"),
        ("method", "left"),
        ("load\nkg/ha", "right"),
        ("standard\nerror", "right"),
        ("90 % interval", "right"),
        ("results", "right"),
        ("remark", "left"),
    ):
        shown.add_column(heading, justify=justify, no_wrap=heading != "remark")  # type: ignore[arg-type]
    several = rows["analyte"].nunique() > 1
    previous: object = None
    in_order = rows["method"].map(list(NAMES).index)
    for row in rows.assign(order=in_order).sort_values(["analyte", "water_year", "order"]).to_dict("records"):
        series = (row["analyte"], row["water_year"])
        if previous is not None and previous != series:
            shown.add_section()
        year = f"{row['water_year']} {row['analyte']}" if several else str(row["water_year"])
        low, high = row["load_kg_ha_p05"], row["load_kg_ha_p95"]
        shown.add_row(
            year if previous != series else "",
            NAMES[row["method"]][0],
            _number(row["load_kg_ha"]),
            _number(row["standard_error_kg_ha"]),
            UNKNOWN if pd.isna(low) else f"{low:,.1f} to {high:,.1f}",
            UNKNOWN if pd.isna(row["results"]) else f"{row['results']:.0f}",
            _remark(row),
        )
        previous = series
    return shown


def _remark(row: Mapping[Hashable, Any]) -> str:
    if not pd.isna(row["why_empty"]):
        return WHY.get(row["why_empty"], str(row["why_empty"]).replace("_", " "))
    if not pd.isna(row["strata"]):
        return f"{row['strata']:.0f} {'stratum' if row['strata'] == 1 else 'strata'} of flow"
    if not pd.isna(row["share_in_windows"]):
        return f"of {100 * row['share_in_windows']:.0f} % of the water"
    return ""


def _number(value: Any, decimals: int = 1) -> str:
    return UNKNOWN if value is None or pd.isna(value) else f"{value:,.{decimals}f}"
