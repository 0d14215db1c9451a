"""Which part of a month's volume and load stands on which kind of hour.

Belongs here: sums of hourly flow and of flow times concentration by plot, analyte, month and basis.
Does not: loads of periods and their uncertainty (loads.py), filling hours (hours.py).
"""

from __future__ import annotations

import pandas as pd

from pipeline.science.units import depth_mm, kg_per_ha
from pipeline.site import Site
from pipeline.tables import table


def load_basis(hours: pd.DataFrame, concentration: pd.DataFrame, site: Site, year: int) -> pd.DataFrame:
    """Volume and load of every month of a water year, parted by where the hours' flow comes from.

    The parts of a month add up to its volume and load of known hours in `loads_monthly`: the load of an hour is its net volume times
    its concentration, with the sign of the flow.

    Args:
        hours: rows of `hourly_flow`, L.
        concentration: rows of `concentration` for the same hours, mg/L.
        site: areas (ha) and the standard time, in which months are.
        year: the water year.

    Returns:
        Rows of `load_basis`; an hour whose flow or concentration is not known counts as an hour and adds nothing.
    """
    flow = hours[["plot", "hour_start", "net_l", "basis"]]
    rows = concentration[["plot", "analyte", "hour_start", "mg_l"]].merge(flow, on=["plot", "hour_start"])
    local = rows["hour_start"].dt.tz_convert("UTC").dt.tz_localize(None) + site.utc_offset
    rows = rows.assign(month=local.dt.strftime("%Y-%m"), load_mg=rows["net_l"] * rows["mg_l"])
    keys = ["plot", "analyte", "month", "basis"]
    parts = rows.groupby(keys, observed=True, sort=True, as_index=False).agg(
        hours=("hour_start", "size"), net_l=("net_l", "sum"), load_mg=("load_mg", "sum")
    )
    area_ha = parts["plot"].map({plot.plot: plot.area_ha for plot in site.plots}).to_numpy(dtype="float64")
    parts = parts.assign(
        water_year=year, volume_mm=depth_mm(parts["net_l"], area_ha), load_kg_ha=kg_per_ha(parts["load_mg"], area_ha)
    )
    return parts[list(table("load_basis").names)]
