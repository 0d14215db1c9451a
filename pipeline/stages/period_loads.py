"""From months of several water years to loads of quarters and of a site's own periods.

Belongs here: which of these periods end in a water year, and their sums.
Does not: what is summed and what is said of it (stages/loads.py), hours (stages/load_periods.py).
"""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pandas as pd

from pipeline.science.period_sums import Periods
from pipeline.site import Site
from pipeline.stages.load_periods import quarter_after, quarter_of_month
from pipeline.stages.loads import NUMBERS, Sums, in_order, load_columns


def period_loads(members: pd.DataFrame, site: Site, year: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Loads of the quarters of the year and of the periods of site.yaml that end in a water year.

    Quarters begin in December, March, June and September. A quarter or period that began in an earlier water year is whole here: its
    members are sums of the members of each year, in which errors of a calibration or a meter are one and the same. Only the record
    counts: what has not ended with it ends with it.

    Args:
        members: rows of `load_members` of the water year and of all years before it that its periods reach back to.
        site: areas, record, periods.
        year: the water year.

    Returns:
        Rows of `loads_seasonal`, rows of `loads_custom`.
    """
    months = members[members["kind"] == "month"]
    quarter = pd.DataFrame([quarter_of_month(month) for month in months["period"]], columns=["season", "first_day"])
    quarters = months.assign(season=quarter["season"].to_numpy(), first_day=quarter["first_day"].to_numpy())
    ending = {
        first: _ends_in(site.years_touched(first, quarter_after(first)), year) for first in quarters["first_day"].unique()
    }
    quarters = quarters[quarters["first_day"].map(ending).astype(bool)]

    bounds = pd.DataFrame(
        [(period.name, period.start, period.end) for period in site.periods], columns=["period", "first_day", "end"]
    )
    here = [period.name for period in site.periods if _ends_in(site.years_touched(period.start, period.end), year)]
    own = members[(members["kind"] == "own") & members["period"].isin(here)].merge(bounds, on="period")
    own["last_day"] = own["end"].map(lambda end: None if pd.isna(end) else end - timedelta(days=1))
    return (
        _of_members(quarters, ["season", "first_day"], "loads_seasonal", site, year),
        _of_members(own, ["period", "first_day", "last_day"], "loads_custom", site, year),
    )


def _ends_in(years: list[int], year: int) -> bool:
    return years[-1:] == [year]


def _of_members(rows: pd.DataFrame, columns: list[str], name: str, site: Site, year: int) -> pd.DataFrame:
    """Rows of a loads table from rows of `load_members`, one for each plot, analyte and what `columns` say."""
    if rows.empty:
        return in_order(name, [])
    keys = ["plot", "analyte", *columns]
    periods, first = Periods.of_labels(rows.groupby(keys, sort=True, dropna=False).ngroup())
    sums = Sums(
        {number: rows[number].to_numpy(dtype=float) for number in NUMBERS},
        *(np.stack(list(rows[drawn])).T.astype(float) for drawn in ("members_l", "members_mg")),
    ).by(periods)
    named = rows.iloc[first][keys].reset_index(drop=True).assign(water_year=year)
    area = named["plot"].map({plot.plot: plot.area_ha for plot in site.plots})
    return in_order(name, [pd.concat([named, load_columns(sums, np.asarray(area, dtype=float))], axis=1)])
