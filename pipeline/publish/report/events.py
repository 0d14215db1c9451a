"""Drainage events of every plot, side by side.

Belongs here: events with their loads.
Does not: the rule by which an event begins and ends (stages/events.py).
"""

from __future__ import annotations

from typing import Any

import numpy as np

from pipeline.publish.report.reading import Source
from pipeline.publish.report.words import Said, amount, plain, sheet, with_interval

COLUMNS = (
    ("Event", "text"),
    ("Plot", "text"),
    ("From", "instant"),
    ("To", "instant"),
    ("Drainage", "mm"),
    ("Load", "kg_ha_fine"),
    ("Flow-weighted mean", "mg_l"),
    ("Highest hour", "l_min"),
    ("Rain", "mm"),
    ("Hours metered", "share"),
)


def events(source: Source) -> dict[str, Any]:
    """Events by analyte: where and when, water, load, peak, rain."""
    found, loads = source.frame("events"), source.frame("loads_event")
    order = {plot: place for place, plot in enumerate(source.plots())}
    made = {}
    for analyte in source.site.analytes:
        columns = ["plot", "event", "load_kg_ha", "load_kg_ha_p05", "load_kg_ha_p95", "flow_weighted_mg_l"]
        rows = found.merge(loads.loc[loads["analyte"] == analyte, columns], on=["plot", "event"], how="left")
        rows = rows.assign(order=rows["plot"].map(order)).sort_values(["start", "order"], kind="stable")
        records = rows.to_dict("records")
        between = loads[(loads["analyte"] == analyte) & (loads["event"] == "between")]
        made[analyte] = {
            "rows": [
                plain(
                    [
                        row["plot"],
                        row["event"],
                        row["start"],
                        row["end"],
                        row["volume_mm"],
                        row["load_kg_ha"],
                        row["measured_fraction"],
                    ]
                )
                for row in records
            ],
            "alternative": _alternative(
                records, float(np.nansum(between["load_kg_ha"])), float(np.nansum(rows["load_kg_ha"]))
            ),
            "sheet": sheet(
                "Drainage events, named alike across plots",
                COLUMNS,
                (
                    (
                        row["event"],
                        row["plot"],
                        row["start"],
                        row["end"],
                        row["volume_mm"],
                        with_interval(row, "load_kg_ha"),
                        row["flow_weighted_mg_l"],
                        row["peak_l_min"],
                        row["rain_mm"],
                        row["measured_fraction"],
                    )
                    for row in records
                ),
            ),
        }
    return made


def _alternative(rows: list[dict[Any, Any]], between: float, within: float) -> Said:
    if not rows:
        return ["No drainage event was found in 0 plots."]
    largest = max(
        rows, key=lambda row: -1 if row["volume_mm"] is None or np.isnan(row["volume_mm"]) else row["volume_mm"]
    )
    said: Said = [
        f"{len(rows):,} events of {len({row['plot'] for row in rows})} plots over time, as tall as they drained. The largest: "
        f"{largest['event']} at {largest['plot']}, ",
        amount(largest["volume_mm"], "mm"),
    ]
    if within + between > 0:
        said += [
            "; events carried ",
            amount(within / (within + between), "share"),
            " of the load, the time between them the rest",
        ]
    return [*said, "."]
