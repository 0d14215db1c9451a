"""Hourly series as one netCDF file that keeps to the CF conventions, for models.

Belongs here: dimensions, variables and attributes of the file.
Does not: the tables it is made of, what they mean (tables/).

The file is classic netCDF (64-bit offsets), which every reader of the format knows. `time` is the only name of the CF table of standard
names in it: the table (as far as is known from memory) has none for drainage of a plot or for what a drain's water holds, and a name for
sea water would be wrong; all else has a `long_name`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from scipy.io import netcdf_file

from pipeline.lake import Lake
from pipeline.publish.share.descriptors import data_title, state_digest
from pipeline.site import Site
from pipeline.tables import Column, Table, table

FILL = 9.969209968386869e36
"""The format's own default for missing doubles."""
NO_FLAG = -1
CONVENTIONS = "CF-1.8"
UNITS = {"L": "L", "mg/L": "mg L-1", "1": "1"}
"""How UDUNITS writes the units of the tables."""
FLOW = ("net_l", "net_l_p05", "net_l_p95", "basis", "measured_fraction")
CONCENTRATION = ("mg_l", "mg_l_p05", "mg_l_p95", "basis")


def write_time_series(lake: Lake, site: Site, path: Path, wrote: Callable[[int], None]) -> int:
    """Write hourly net volume and concentrations of all plots, with intervals and basis.

    Dimensions are `plot` and `time` (starts of hours, with bounds); an hour without a row is missing.

    Args:
        lake: the lake.
        site: the experiment; its plots are the file's stations, in their order.
        path: the file.
        wrote: told how many rows have been written since it was told last.

    Returns:
        The number of hours.
    """
    flow, concentration = table("hourly_flow"), table("concentration")
    years = lake.years(flow, site.site)
    hours = _hours(lake, flow, site, years)
    plots = {one.plot: place for place, one in enumerate(site.plots)}
    with netcdf_file(path, "w", version=2) as file:
        _say(file, Conventions=CONVENTIONS, featureType="timeSeries", title=data_title(site))
        _say(file, source=f"drainledger {version('drainledger')}, state {state_digest(lake, site)[:12]}")
        if site.licence is not None:
            _say(file, license=site.licence)
        file.createDimension("plot", len(plots))
        file.createDimension("time", len(hours))
        file.createDimension("bounds", 2)
        _time(file, hours)
        _plots(file, site)
        series: list[tuple[Table, tuple[str, ...], str, str | None]] = [(flow, FLOW, "", None)]
        series += [(concentration, CONCENTRATION, f"{analyte}_", analyte) for analyte in site.analytes]
        for declared, columns, prefix, analyte in series:
            for name in columns:
                column = declared.column(name)
                values = np.full(
                    (len(plots), len(hours)), NO_FLAG if column.codes else FILL, dtype="b" if column.codes else "d"
                )
                for rows in _by_year(lake, declared, site, analyte):
                    places = (rows["plot"].map(plots).to_numpy(), hours.get_indexer(pd.DatetimeIndex(rows["hour_start"])))
                    values[places] = _numbers(rows[name], column)
                    if name == columns[0]:
                        wrote(len(rows))
                _variable(file, column, prefix, values, columns)
    return len(hours)


def _hours(lake: Lake, flow: Table, site: Site, years: list[int]) -> pd.DatetimeIndex:
    """All hours from the first to the last, in UTC."""
    ends = [lake.frame(flow, site.site, [year])["hour_start"].agg(["min", "max"]) for year in (years[0], years[-1])]
    return pd.date_range(ends[0]["min"], ends[1]["max"], freq="h")


def _by_year(lake: Lake, declared: Table, site: Site, analyte: str | None) -> Iterator[pd.DataFrame]:
    for year in lake.years(declared, site.site):
        rows = lake.frame(declared, site.site, [year])
        rows = rows[rows["plot"].isin([one.plot for one in site.plots])]
        yield rows if analyte is None else rows[rows["analyte"] == analyte]


def _numbers(values: pd.Series[Any], column: Column) -> np.ndarray:
    if column.codes:
        return values.map({code: number for number, code in enumerate(column.codes)}).fillna(NO_FLAG).to_numpy("b")
    return values.astype("float64").fillna(FILL).to_numpy()


def _time(file: netcdf_file, hours: pd.DatetimeIndex) -> None:
    seconds = hours.as_unit("s").asi8.astype("d")
    time = file.createVariable("time", "d", ("time",))
    time[:] = seconds
    units = "seconds since 1970-01-01T00:00:00Z"
    _say(
        time,
        standard_name="time",
        long_name="start of the hour",
        units=units,
        calendar="standard",
        axis="T",
        bounds="time_bounds",
    )
    bounds = file.createVariable("time_bounds", "d", ("time", "bounds"))
    bounds[:] = np.column_stack([seconds, seconds + 3600])


def _plots(file: netcdf_file, site: Site) -> None:
    names = [one.plot.encode() for one in site.plots]
    longest = max(map(len, names))
    file.createDimension("name_length", longest)
    plot = file.createVariable("plot_name", "c", ("plot", "name_length"))
    plot[:] = np.array(names, dtype=f"S{longest}").view("S1").reshape(len(names), longest)
    _say(plot, cf_role="timeseries_id", long_name="field plot", _Encoding="utf-8")
    area = file.createVariable("area", "d", ("plot",))
    area[:] = [one.area_ha * 10_000 for one in site.plots]
    _say(area, long_name="area that the drain drains", units="m2")


def _variable(file: netcdf_file, column: Column, prefix: str, values: np.ndarray, beside: tuple[str, ...]) -> None:
    name = f"{prefix}{column.name}" if prefix or column.name != "basis" else "flow_basis"
    variable = file.createVariable(name, values.dtype.char, ("plot", "time"))
    variable[:] = values
    _say(variable, long_name=column.meaning, coordinates="plot_name")
    if column.codes:
        variable._FillValue = np.int8(NO_FLAG)
        variable.flag_values = np.arange(len(column.codes), dtype="b")
        _say(variable, flag_meanings=" ".join(column.codes))
        return
    variable._FillValue = FILL
    _say(variable, units=UNITS[column.unit])
    if column.name in (beside[0], "measured_fraction"):
        _say(variable, cell_methods="time: sum" if column.unit == "L" else "time: mean")
    if column.name == beside[0]:
        others = (f"{prefix}{one}" if prefix or one != "basis" else "flow_basis" for one in beside[1:])
        _say(variable, ancillary_variables=" ".join(others))


def _say(what: Any, **attributes: str) -> None:
    """Attributes as UTF-8: the library writes bytes as they are."""
    for name, text in attributes.items():
        setattr(what, name, text.encode())
