"""A trace as programs read it.

Belongs here: the JSON form.
Does not: the numbers (publish/trace.py), what people read (publish/trace_words.py).
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import date, datetime
from typing import Any

import numpy as np
import pandas as pd

from pipeline.publish.trace import Trace, clock_shifts, files, rest
from pipeline.site import Site


def trace_json(trace: Trace, site: Site, lines: Mapping[str, pd.DataFrame]) -> str:
    """The whole trace for programs: SI units in the names, times in UTC as ISO 8601, empty values as null.

    Args:
        trace: what a load is made of.
        site: the experiment.
        lines: further lists, by name.
    """
    load = trace.load
    volume, mass = trace.differences
    whole = {
        "site": site.site,
        "kind": load.kind,
        "period": load.name,
        "plots": list(load.periods["plot"]),
        "analyte": load.row["analyte"],
        "area_ha": load.area_ha,
        "published": load.row,
        "traced": {
            "volume_mm": trace.volume_mm,
            "load_kg_ha": trace.load_kg_ha,
            "volume_l": trace.volume_l,
            "load_mg": trace.load_mg,
            "not_metered_l": trace.rest_l,
            "not_metered_mg": trace.rest_mg,
            "volume_difference_mm": volume,
            "load_difference_kg_ha": mass,
            "adds_up": trace.adds_up,
        },
        "flow_by_basis": _records(trace.flow),
        "concentration_by_basis": _records(trace.concentration),
        "metered": _records(trace.metered),
        "not_metered": [dict(zip(("basis", "volume_l", "load_mg"), row, strict=True)) for row in rest(trace)],
        "calibrations": [
            row.model_dump(by_alias=True) | {"place": row.place}
            for row in site.calibrations
            if row.name in set(trace.metered["calibration"])
        ],
        "files": files(trace),
        "clock_shifts": clock_shifts(trace, site),
        "estimated": _records(trace.estimated),
        "known_totals": _records(trace.totals),
        "outages": _records(trace.outages),
        "samples": _records(trace.samples),
        "laboratory_batches": _records(trace.batches),
        **{name: _records(rows) for name, rows in lines.items()},
    }
    return json.dumps(_plain(whole), ensure_ascii=False, indent=1, allow_nan=False)


def _records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    return [{str(name): value for name, value in row.items()} for row in frame.to_dict("records")]


def _plain(value: Any) -> Any:
    """A value as JSON knows it."""
    if isinstance(value, Mapping):
        return {key: _plain(each) for key, each in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(each) for each in value]
    if isinstance(value, np.generic):
        value = value.item()
    if value is None or value is pd.NaT or (isinstance(value, float) and not np.isfinite(value)):
        return None
    if isinstance(value, datetime):
        return pd.Timestamp(value).tz_convert("UTC").isoformat().replace("+00:00", "Z")
    return value.isoformat() if isinstance(value, date) else value
