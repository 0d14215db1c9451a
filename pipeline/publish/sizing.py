"""Meter sizing as a person reads it: tables and sentences on the terminal, and a sheet.

Belongs here: which stored rows are looked at, layout, rounding, wording, advice that leaves the choice to the reader.
Does not: the comparison itself (stages/meter_sizing.py), the picture (publish/sizing_picture.py).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import duckdb
import numpy as np
import pandas as pd
from rich.box import SIMPLE_HEAD
from rich.console import RenderableType
from rich.table import Table as TextTable
from rich.text import Text

from pipeline.lake import Lake
from pipeline.site import Site
from pipeline.stages.flow_duration import flow_record
from pipeline.stages.meter_sizing import (
    THROAT_BORES,
    Conditions,
    Sizing,
    SizingError,
    bores_to_compare,
    meter_in_use,
    meter_sizing,
)
from pipeline.tables import table

UNKNOWN = "–"

HEAD_CAUTION = (
    "Head that is lost at a meter stands in the main above it as well and backs water up into the field: a smaller bore reads slow water "
    "better and drains the field worse. Whether a main may run submerged, and whether one is too small already, is a matter for a "
    "licensed engineer."
)


def size_meter(
    session: duckdb.DuckDBPyConnection,
    lake: Lake,
    site: Site,
    plot: str,
    bores_mm: Sequence[float] | None,
    conditions: Conditions,
) -> Sizing:
    """Compare bores on the flow that is stored of a plot.

    Args:
        session: in which the stored rows are read.
        lake: holds `interval_flow` and `outages`.
        site: the experiment.
        plot: the plot.
        bores_mm: candidates, mm; none: the trade's sizes up to the main's bore.
        conditions: what is assumed of pipe, water and meter.

    Raises:
        SizingError: there is no such plot, nothing of it is stored or was measured, or a bore is larger than the main.
    """
    bores_to_compare(site, meter_in_use(site, plot), bores_mm)
    flow, outages = table("interval_flow"), table("outages")
    years = lake.years(flow, site.site)
    run_first = f"Run `drainledger run --site {site.folder} --lake {lake.root}` first."
    if not years or set(years) - set(lake.years(outages, site.site)):
        raise SizingError(f"{lake.tables} does not hold the measured flow of {site.title} yet. {run_first}")
    try:
        record = flow_record(
            session,
            lake.relation(session, flow, site.site, years),
            lake.relation(session, outages, site.site, years),
            site,
            plot,
            years,
        )
    except duckdb.Error as error:
        raise SizingError(
            f"The flow of {site.title} in {lake.tables} cannot be read: it is damaged, or another version of the program wrote it "
            f"({str(error).splitlines()[0]}). {run_first}"
        ) from error
    if not record.hours.size:
        raise SizingError(
            f"{lake.tables} holds no measured interval of plot {plot} outside its outages. `drainledger status --site {site.folder} "
            f"--lake {lake.root}` shows the days on record; see wiring.csv and outages.csv."
        )
    return meter_sizing(site, plot, record, bores_mm, conditions)


def flow_names(sizing: Sizing) -> list[str]:
    """A name for each flow that is looked at, such as 'highest' and '5 %'."""
    return ["highest", *(f"{share:g} %" for share in sizing.conditions.exceeded_pct)]


def sizing_text(sizing: Sizing) -> Iterator[RenderableType]:
    """Everything that is said of the candidates, from what was measured to the cautions."""
    yield Text(
        f"{sizing.site.title}, plot {sizing.plot}: meters of several bores on the flow that was measured", style="bold"
    )
    yield from map(Text, _what_was_measured(sizing))
    yield Text("")
    yield from map(Text, _what_is_assumed(sizing))
    yield Text("")
    yield _range_table(sizing)
    yield Text("")
    yield _velocity_table(sizing)
    yield Text("")
    yield _head_table(sizing)
    yield Text("")
    yield from (Text(f"{row['bore_mm']:g} mm {sentence}") for row, sentence in advice(sizing))
    yield Text("")
    yield Text(HEAD_CAUTION, style="bold")


def _what_was_measured(sizing: Sizing) -> Iterator[str]:
    record = sizing.record
    measured, period = sum(record.measured_hours.values()), sum(record.period_hours.values())
    by_year = ", ".join(
        f"{year} {_percent(record.measured_hours[year] / hours)} %" for year, hours in record.period_hours.items()
    )
    yield (
        f"Measured: {measured:,.0f} of {period:,.0f} hours, {_percent(measured / period)} % (water year {by_year}). What was not measured "
        "is left out, not filled: where whole seasons are missing, the shares of time are not those of a year."
    )
    running = record.hours[record.flow_l_min > 0].sum() / record.hours.sum()
    yield (
        f"Water ran in {_percent(running)} % of the measured time: {record.forward_l.sum() / 1000:,.0f} m³ drained, "
        f"{record.reverse_l.sum() / 1000:,.0f} m³ ran back. Flow counts by its size, whichever way it ran."
    )
    if sizing.step_l_min > 0:
        yield (
            f"One pulse in {record.interval_minutes:g} min is {_digits(sizing.step_l_min)} L/min: slower flow shows as single pulses among "
            "zeros, and peaks shorter than an interval are averaged."
        )


def _what_is_assumed(sizing: Sizing) -> Iterator[str]:
    meter, conditions = sizing.meter, sizing.conditions
    tolerance = sizing.site.policies.accuracy_tolerance_pct
    if conditions.accurate_range == "trade":
        range_ = (
            "Accurate range: the trade's ±5 % from 1.5 cm/s upwards, and no better above (common practice, no source)"
        )
    else:
        range_ = f"Accurate range: its error curve {meter.accuracy}, carried to other bores at the same velocity; within ±{tolerance:g} %"
    yield (
        f"In use: meter {meter.meter}, bore {meter.bore_mm:g} mm in a main of {meter.main_mm:g} mm, top flow {meter.top_l_min:g} L/min "
        f"({_digits(sizing.top_velocity_m_s)} m/s). {range_}."
    )
    throat = f"{conditions.throat_mm:g} mm" if conditions.throat_mm is not None else f"{THROAT_BORES:g} bores"
    reducers = (
        "sudden changes of bore"
        if conditions.angle_deg == 180
        else f"reducers of {conditions.angle_deg:g}° between walls"
    )
    yield (
        f"Assumed: {reducers}, a throat of {throat} with a roughness of {conditions.roughness_mm:g} mm, water of "
        f"{conditions.temperature_c:g} °C. The loss of a meter's own rotor and struts comes on top: see its maker's sheet."
    )
    if sizing.capacity_l_min is not None and conditions.slope is not None:
        share = sizing.flows_l_min[0] / sizing.capacity_l_min
        more = ": it ran under pressure, or slope or n are others" if share > 1 else ""
        yield (
            f"The main carries {_digits(sizing.capacity_l_min)} L/min when it just runs full at a slope of {conditions.slope:g} and "
            f"n = {conditions.manning_n:g} (Manning). The highest flow is {_percent(share)} % of that{more}."
        )


def _range_table(sizing: Sizing) -> TextTable:
    shown = _text_table("Accurate range, and uncertainty of a year's net volume")
    for heading in (
        "\nbore\nmm",
        "accurate\nfrom\nL/min",
        "water\nbelow\nrange %",
        "running time\nbelow\nrange %",
        "error\ncurve\n± %",
        "\ncalibration\n± %",
        "\ntogether\n± % (k = 2)",
    ):
        shown.add_column(heading, justify="right", no_wrap=True)
    for row in sizing.candidates.to_dict("records"):
        shown.add_row(
            _bore(row),
            _digits(row["accurate_from_l_min"]) if np.isfinite(row["accurate_from_l_min"]) else "nowhere",
            _percent(row["water_below_range"]),
            _percent(row["running_time_below_range"]),
            *(_share_of_net(sizing, row[name]) for name in ("error_curve_l", "calibration_l", "expanded_l")),
            style="bold" if row["in_use"] else None,
        )
    return shown


def _velocity_table(sizing: Sizing) -> TextTable:
    shown = _flow_table(sizing, "Velocity in the throat, m/s, by share of the measured time with more flow")
    for row in sizing.candidates.to_dict("records"):
        shown.add_row(_bore(row), *map(_digits, row["velocity_m_s"]), style="bold" if row["in_use"] else None)
    return shown


def _head_table(sizing: Sizing) -> TextTable:
    shown = _flow_table(sizing, "Head lost in throat and reducers, m, by share of the measured time with more flow")
    with_head = sizing.conditions.head_m is not None
    if with_head:
        shown.add_column(f"% of time\nover {sizing.conditions.head_m:g} m", justify="right", no_wrap=True)
    for row in sizing.candidates.to_dict("records"):
        time_over = (_percent(row["time_above_head"]),) if with_head else ()
        shown.add_row(_bore(row), *map(_head, row["head_loss_m"]), *time_over, style="bold" if row["in_use"] else None)
    return shown


def _flow_table(sizing: Sizing, title: str) -> TextTable:
    shown = _text_table(title)
    shown.add_column("bore\nmm", justify="right", no_wrap=True)
    for name, flow in zip(flow_names(sizing), sizing.flows_l_min, strict=True):
        shown.add_column(f"{name}\n{_digits(flow)} L/min", justify="right", no_wrap=True)
    return shown


def advice(sizing: Sizing) -> Iterator[tuple[dict[str, Any], str]]:
    """One sentence a candidate, beside its row: what would be won and lost against the bore in use. The reader decides."""
    rows: list[dict[str, Any]] = [
        {str(name): value for name, value in row.items()} for row in sizing.candidates.to_dict("records")
    ]
    now = next(row for row in rows if row["in_use"])
    now_below, now_head = (_percent(now["water_below_range"]), _head(now["head_loss_m"][0]))
    for row in rows:
        below, head = _percent(row["water_below_range"]), _head(row["head_loss_m"][0])
        if row["in_use"]:
            said = (
                f"is in use: {below} % of the water ran below its range, and at the highest flow it holds back {head} m"
            )
        elif row["bore_mm"] < now["bore_mm"]:
            said = (
                f"would have {below} % of the water below its range instead of {now_below} %, for {head} m of head at the highest flow "
                f"instead of {now_head} m"
            )
        else:
            said = (
                f"would hold back {head} m at the highest flow instead of {now_head} m, with {below} % of the water below its range "
                f"instead of {now_below} %"
            )
        yield row, said + "".join(f"; {clause}" for clause in _reservations(sizing, row)) + "."


def _reservations(sizing: Sizing, row: dict[str, Any]) -> Iterator[str]:
    if row["velocity_m_s"][0] > sizing.top_velocity_m_s:
        yield (
            f"the highest flow would run at {_digits(row['velocity_m_s'][0])} m/s, faster than the meter in use is made for "
            f"({_digits(sizing.top_velocity_m_s)} m/s)"
        )
    head_m = sizing.conditions.head_m
    if head_m is None:
        return
    if row["head_loss_m"][0] > head_m:
        yield f"more than the {head_m:g} m at hand would be lost for {_percent(row['time_above_head'])} % of the measured time"
    else:
        yield f"of the {head_m:g} m at hand {_head(head_m - row['head_loss_m'][0])} m would be left"


def sizing_sheet(sizing: Sizing) -> str:
    """The comparison as RFC 4180 text, one line a bore; empty where a value has no meaning."""
    conditions, meter, hours = sizing.conditions, sizing.meter, sizing.record.hours
    names = ["highest", *(f"exceeded_{share:g}_pct" for share in conditions.exceeded_pct)]
    rows = sizing.candidates
    running = hours[sizing.record.flow_l_min > 0].sum() / hours.sum()
    share_of_net = 100 / sizing.net_l if sizing.net_l > 0 else np.nan
    sheet = pd.DataFrame(
        {
            "site": sizing.site.site,
            "plot": sizing.plot,
            "bore_mm": rows["bore_mm"],
            "in_use": np.where(rows["in_use"], "yes", "no"),
            "main_mm": meter.main_mm,
            "accurate_from_l_min": rows["accurate_from_l_min"].where(np.isfinite(rows["accurate_from_l_min"])),
            "water_below_range_pct": 100 * rows["water_below_range"],
            "running_time_below_range_pct": 100 * rows["running_time_below_range"],
            "measured_time_below_range_pct": 100 * rows["running_time_below_range"] * running,
            "measured_net_l": sizing.net_l,
            "error_curve_pct": rows["error_curve_l"] * share_of_net,
            "calibration_pct": rows["calibration_l"] * share_of_net,
            "expanded_uncertainty_pct": rows["expanded_l"] * share_of_net,
        }
    )
    for place, name in enumerate(names):
        sheet[f"flow_l_min_{name}"] = sizing.flows_l_min[place]
        sheet[f"velocity_m_s_{name}"] = [row[place] for row in rows["velocity_m_s"]]
        sheet[f"head_loss_m_{name}"] = [row[place] for row in rows["head_loss_m"]]
    for part in ("contraction", "friction", "enlargement"):
        sheet[f"{part}_m_highest"] = rows[f"{part}_m"]
    if conditions.head_m is not None:
        sheet["head_m"] = conditions.head_m
        sheet["time_above_head_pct"] = 100 * rows["time_above_head"]
    if sizing.capacity_l_min is not None:
        sheet["main_capacity_l_min"] = sizing.capacity_l_min
    return sheet.to_csv(index=False, float_format="%.6g", lineterminator="\r\n")


def _text_table(title: str) -> TextTable:
    return TextTable(
        title=title, title_justify="left", box=SIMPLE_HEAD, show_edge=False, pad_edge=False, padding=(0, 1, 0, 0)
    )


def _bore(row: Any) -> str:
    return f"in use {row['bore_mm']:g}" if row["in_use"] else f"{row['bore_mm']:g}"


def _share_of_net(sizing: Sizing, litres: float) -> str:
    return f"{100 * litres / sizing.net_l:.1f}" if sizing.net_l > 0 else UNKNOWN


def _digits(value: float) -> str:
    """Three significant digits, written out."""
    if value == 0:
        return "0"
    decimals = max(0, 2 - int(np.floor(np.log10(abs(value)))))
    return f"{value:,.{min(decimals, 4)}f}"


def _head(metres: float) -> str:
    """Metres to the millimetre; to the decimetre from 10 m."""
    if metres == 0:
        return "0"
    return "<0.001" if metres < 0.0005 else f"{metres:,.3f}" if metres < 10 else f"{metres:,.1f}"


def _percent(share: float) -> str:
    """Per cent without more digits than say something."""
    percent = 100 * share
    return f"{percent:.0f}" if percent >= 9.95 or percent == 0 else "<0.1" if percent < 0.05 else f"{percent:.1f}"
