"""The site folder of the field: what the researcher knows and writes down.

Belongs here: site.yaml and the registers. Does not: any true value; a register holds what is stated, not what is so.
"""

import csv
import io
from datetime import date
from pathlib import Path

import numpy as np

from tests.field.plots import ERROR_CURVES, TOP_L_MIN, Logger, Meter
from tests.field.simulation import Field

LAYOUTS = {
    "east": """\
  east:
    delimiter: ";"
    encoding: utf-8
    decimal: ","
    lines_before_data: 3
    names_on_line: 2
    timestamp: {{column: when, format: "%d.%m.%Y %H:%M", stamps: end, utc_offset: "-06:00"}}
    interval: {interval}min
    missing: ["---", ""]
""",
    "west": """\
  west:
    delimiter: ","
    quote: '"'
    encoding: utf-8
    decimal: "."
    lines_before_data: 4
    names_on_line: 3
    timestamp: {{column: TIMESTAMP, format: "%Y-%m-%d %H:%M:%S", stamps: start, utc_offset: "+00:00"}}
    interval: {interval}min
    missing: ["---", ""]
""",
}


def site_yaml(field: Field) -> str:
    plan = field.plan
    names = [logger.logger for logger in field.loggers]
    layouts = "".join(LAYOUTS[name].format(interval=plan.interval_minutes) for name in names)
    loggers = "".join(f'  {name}: {{layout: {name}, files: "logger/{name}_*.csv*"}}\n' for name in names)
    title = plan.site.replace("-", " ").title()
    return f"""\
# An invented site. Written by tests/field; its truth is known to the tests only.
site: {plan.site}
title: {title} drainage experiment
clock: {{utc_offset: "-06:00"}}
water_year_starts: "10-01"
first_day: {plan.first_day}
last_day: {plan.last_day}
analytes: [nitrate_n]
logger_layouts:
{layouts}loggers:
{loggers}weather: {{interval: 1h, stamps: end}}
policies: {{}}
licence: CC0-1.0
creators:
  - {{name: {title} field crew}}
contact: {{name: {title} field crew, email: crew@{plan.site}.example}}
"""


def register(header: str, rows: list[list[object]]) -> str:
    """A register as CSV: header of comma-separated names, then the rows; None is an empty cell."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(header.split(", "))
    writer.writerows(rows)
    return text.getvalue()


def plot_rows(field: Field) -> list[list[object]]:
    return [[p.plot, p.title, f"{p.area_ha:.2f}"] for p in field.plots]


def treatment_rows(field: Field) -> list[list[object]]:
    rows: list[list[object]] = []
    for plot in field.plots:
        rows.append([plot.plot, "free drainage", field.plan.first_day, plot.controlled_from])
        if plot.controlled_from:
            rows.append([plot.plot, "controlled drainage", plot.controlled_from, None])
    return rows


def meter_rows(field: Field) -> list[list[object]]:
    return [
        [
            m.meter,
            field.plots[m.plot].plot,
            m.bore_mm,
            m.main_mm,
            f"bore-{m.bore_mm}",
            TOP_L_MIN[m.bore_mm],
            field.plan.first_day,
            None,
        ]
        for m in field.meters
    ]


def accuracy_rows() -> list[list[object]]:
    return [[f"bore-{bore}", flow, error] for bore, points in ERROR_CURVES.items() for flow, error in points]


def wiring_rows_of(meter: Meter) -> list[list[object]]:
    rows: list[list[object]] = []
    ends: list[date | None] = [channel.first_day for channel in meter.channels[1:]] + [None]
    for channel, end in zip(meter.channels, ends, strict=True):
        for direction, name in (("forward", channel.forward), ("reverse", channel.reverse)):
            rows.append([meter.logger, name, meter.meter, direction, meter.counts, meter.modulus, channel.first_day, end])
    return rows


def gauge_rows_of(field: Field, logger: Logger) -> list[list[object]]:
    since = field.plan.first_day
    supply = f"{logger.logger}_supply"
    rows: list[list[object]] = [[supply, logger.logger, logger.voltage_column, "supply_voltage", "V", None, since, None]]
    if logger.level_column:
        rows.append(["ditch", logger.logger, logger.level_column, "water_level", "m", None, since, None])
    return rows


def calibration_rows_of(meter: Meter) -> list[list[object]]:
    rows: list[list[object]] = []
    for calibration in sorted(meter.calibrations, key=lambda c: (c.direction, c.first_day)):
        later = [
            c.first_day
            for c in meter.calibrations
            if c.direction == calibration.direction and c.first_day > calibration.first_day
        ]
        rows.append(
            [
                meter.meter,
                calibration.direction,
                calibration.litres_per_pulse,
                calibration.expanded_uncertainty_pct,
                calibration.first_day,
                min(later, default=None),
                calibration.evidence,
                calibration.entered,
            ]
        )
    return rows


def outage_rows(field: Field) -> list[list[object]]:
    """Declared outages as people write them down: whole hours, outward; an outage of the site as one row per logger."""
    plan = field.plan
    per_hour = plan.intervals_per_hour
    rows: list[list[object]] = []
    for outage in sorted(field.failures.outages, key=lambda o: (o.start, o.name)):
        if not outage.declared:
            continue
        begin = plan.start_local + np.timedelta64(outage.start // per_hour, "h")
        end = plan.start_local + np.timedelta64(-(-outage.end // per_hour), "h")
        if outage.scope == "site":
            things = [("logger", logger.logger) for logger in field.loggers]
            note = "whole site out"
        else:
            things = [(outage.scope, outage.name)]
            note = ""
            if outage.scope == "meter":
                running = next(m for m in field.meters if m.meter == outage.name).counts == "running"
                note = "meter replaced, its running total begins at zero" if running else "meter replaced"
        for scope, name in things:
            span = [str(np.datetime_as_string(t, unit="m")) for t in (begin, end)]
            rows.append([scope, name, *span, outage.cause, note])
    return rows


def write_site_folder(field: Field, folder: Path) -> None:
    """site.yaml and all registers of a site."""
    files = {
        "site.yaml": site_yaml(field),
        "plots.csv": register("plot, title, area_ha", plot_rows(field)),
        "treatments.csv": register("plot, treatment, from, to", treatment_rows(field)),
        "meters.csv": register("meter, plot, bore_mm, main_mm, accuracy, top_l_min, from, to", meter_rows(field)),
        "accuracy.csv": register("accuracy, flow_l_min, error_pct", accuracy_rows()),
        "wiring.csv": register(
            "logger, column, meter, direction, counts, modulus, from, to",
            [row for meter in field.meters for row in wiring_rows_of(meter)],
        ),
        "gauges.csv": register(
            "gauge, logger, column, quantity, unit, plot, from, to",
            [row for logger in field.loggers for row in gauge_rows_of(field, logger)],
        ),
        "calibrations.csv": register(
            "meter, direction, litres_per_pulse, expanded_uncertainty_pct, from, to, evidence, entered",
            [row for meter in field.meters for row in calibration_rows_of(meter)],
        ),
        "outages.csv": register("scope, name, from, to, cause, note", outage_rows(field)),
        "clocks.csv": register("logger, from, to, shift_s", []),
    }
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in files.items():
        (folder / name).write_bytes(text.encode())
