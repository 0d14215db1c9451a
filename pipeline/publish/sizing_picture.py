"""Meter sizing as one picture: how long which flow ran, what each bore loses in head, what each leaves below its range.

Belongs here: what stands where; lines are told apart by mark, dash and name and not by colour alone.
Does not: what pictures are drawn with (picture.py), any number (stages/meter_sizing.py), words on the terminal (sizing.py), writing the
file (cli.py).
"""

from __future__ import annotations

from collections.abc import Sequence
from xml.etree import ElementTree

import numpy as np
from numpy.typing import NDArray

from pipeline.publish.picture import (
    BAND,
    COLOURS,
    DASHES,
    FAINT,
    INK,
    MARKS,
    QUIET,
    Axis,
    apart,
    document,
    line,
    room,
    shape,
    text_of,
    write,
)
from pipeline.publish.sizing import flow_names
from pipeline.science.flow_duration import exceeded_share
from pipeline.stages.meter_sizing import Sizing

Floats = NDArray[np.float64]

WIDTH, LEFT, RIGHT = 800.0, 78.0, 600.0
PANEL_HEIGHT, PANEL_STEP, FIRST_TOP = 190.0, 262.0, 84.0
SMALLEST_HEAD_M = 1e-4
"""A tenth of a millimetre: less head is left out of the picture."""


def sizing_picture(sizing: Sizing) -> str:
    """The picture as the text of an SVG file.

    Three panels, one below another: the flow-duration curve with the flow from which each bore is accurate; head loss by bore; water and
    running time below range and uncertainty of a year's volume by bore. The bore in use stands on a grey band.
    """
    height = FIRST_TOP + 3 * PANEL_STEP - 20
    heading = f"{sizing.site.title}, plot {sizing.plot}: which bore for the meter?"
    svg = document(WIDTH, height, heading, _description(sizing))
    record = sizing.record
    measured, period = sum(record.measured_hours.values()), sum(record.period_hours.values())
    write(
        svg,
        20,
        48,
        f"Main {sizing.meter.main_mm:g} mm; in use: {sizing.meter.meter}, {sizing.meter.bore_mm:g} mm. "
        f"Measured {100 * measured / period:.0f} % of water years {min(record.period_hours)} to {max(record.period_hours)}.",
        fill=QUIET,
    )
    _duration(svg, sizing, FIRST_TOP)
    _head_loss(svg, sizing, FIRST_TOP + PANEL_STEP)
    _below_range(svg, sizing, FIRST_TOP + 2 * PANEL_STEP)
    return text_of(svg)


def _description(sizing: Sizing) -> str:
    """What the picture shows, for those who do not see it."""
    said = [
        f"Highest flow {sizing.flows_l_min[0]:.3g} litres a minute. By bore: head loss at the highest flow; share of the water below the "
        "accurate range."
    ]
    said += [
        f"{row['bore_mm']:g} mm{' (in use)' if row['in_use'] else ''}: {row['head_loss_m'][0]:.3g} m; "
        f"{100 * row['water_below_range']:.2g} %."
        for row in sizing.candidates.to_dict("records")
    ]
    return " ".join(said)


def _duration(svg: ElementTree.Element, sizing: Sizing, top: float) -> None:
    """Flow over the share of measured time that exceeded it, with the lowest accurate flow of each bore."""
    record = sizing.record
    running = record.flow_l_min > 0
    flow, share = record.flow_l_min[running], 100 * exceeded_share(record.hours)[running]
    lowest = sizing.candidates["accurate_from_l_min"].to_numpy()
    shown = lowest[np.isfinite(lowest)]
    across = Axis(0, 100, LEFT, RIGHT, logarithmic=False)
    up = Axis(*room([*flow, *shown]), top + PANEL_HEIGHT, top, logarithmic=True)
    _panel(svg, "How long which flow ran, whichever way", "L/min", top, up)
    for tick in across.ticks():
        write(svg, across(tick), top + PANEL_HEIGHT + 16, f"{tick:g}", anchor="middle", fill=QUIET)
    write(
        svg,
        (LEFT + RIGHT) / 2,
        top + PANEL_HEIGHT + 33,
        "share of the measured time with more flow, %",
        anchor="middle",
        fill=QUIET,
    )
    # From the highest flow to the lowest: a flow of this class ran between the share above it and the share above the one below.
    total = 100 * record.hours[running] / record.hours.sum()
    steps = [
        point
        for at, part, rate in zip(share[::-1], total[::-1], flow[::-1], strict=True)
        for point in ((at, rate), (at + part, rate))
    ]
    line(svg, [(across(min(at, 100.0)), up(rate)) for at, rate in steps], COLOURS[0], "")
    labels = [
        (up(rate), f"{row['bore_mm']:g} mm: {rate:.2g}", bool(row["in_use"]))
        for row in sizing.candidates.to_dict("records")
        if np.isfinite(rate := row["accurate_from_l_min"])
    ]
    for (place, text, in_use), at in zip(labels, apart([label[0] for label in labels]), strict=True):
        ends = {"x1": LEFT if in_use else RIGHT - 8, "x2": RIGHT, "y1": place, "y2": place}
        shape(svg, "line", **ends, stroke=INK, **{"stroke-width": "1", "stroke-dasharray": "6 3" if in_use else ""})
        shape(svg, "line", x1=RIGHT, x2=RIGHT + 14, y1=place, y2=at, stroke=QUIET, **{"stroke-width": "0.6"})
        write(svg, RIGHT + 18, at + 4, text, weight="600" if in_use else None, size=11)
    write(svg, RIGHT + 18, top - 8, "accurate from, L/min", fill=QUIET, size=11)


def _head_loss(svg: ElementTree.Element, sizing: Sizing, top: float) -> None:
    """Head loss of each bore at each flow."""
    losses = np.array(sizing.candidates["head_loss_m"].tolist())
    head_m = sizing.conditions.head_m
    shown = losses[losses >= SMALLEST_HEAD_M]
    up = Axis(*room([*shown, *([head_m] if head_m else [])]), top + PANEL_HEIGHT, top, logarithmic=True)
    across = _bores(svg, sizing, top)
    _panel(svg, "Head lost in throat and reducers, 0.1 mm and more", "m", top, up)
    if head_m:
        shape(svg, "line", x1=LEFT, x2=RIGHT, y1=up(head_m), y2=up(head_m), stroke=INK, **{"stroke-width": "1.5"})
        write(svg, RIGHT - 4, up(head_m) - 5, f"head at hand, {head_m:g} m", anchor="end", size=11)
    times = ["highest", *(f"{name} of time" for name in flow_names(sizing)[1:])]
    names = [f"{name}: {flow:.3g} L/min" for name, flow in zip(times, sizing.flows_l_min, strict=True)]
    _series(svg, across, up, names, np.where(losses >= SMALLEST_HEAD_M, losses, 0.0).T)


def _below_range(svg: ElementTree.Element, sizing: Sizing, top: float) -> None:
    """What each bore leaves below its range, and how uncertain that makes a year's volume."""
    rows = sizing.candidates
    names, values = ["running time", "water"], [100 * rows["running_time_below_range"], 100 * rows["water_below_range"]]
    if sizing.net_l > 0:
        names.append("uncertainty")
        values.append(100 * rows["expanded_l"] / sizing.net_l)
    shares = np.array([column.to_numpy() for column in values])
    up = Axis(0, max(1.0, 1.05 * float(shares.max())), top + PANEL_HEIGHT, top, logarithmic=False)
    across = _bores(svg, sizing, top)
    _panel(svg, "Below the accurate range, and expanded uncertainty of a year's net volume (k = 2)", "%", top, up)
    _series(svg, across, up, names, shares)


def _bores(svg: ElementTree.Element, sizing: Sizing, top: float) -> list[float]:
    """Places of the bores, with a band behind the one in use and their names below."""
    count = len(sizing.candidates)
    step = (RIGHT - LEFT) / count
    places = [LEFT + step * (number + 0.5) for number in range(count)]
    for row, place in zip(sizing.candidates.to_dict("records"), places, strict=True):
        if row["in_use"]:
            shape(svg, "rect", x=place - step / 2, y=top, width=step, height=PANEL_HEIGHT, fill=BAND)
            write(svg, place, top + 12, "in use", anchor="middle", fill=QUIET, size=11)
        weight = "600" if row["in_use"] else None
        write(svg, place, top + PANEL_HEIGHT + 16, f"{row['bore_mm']:g}", anchor="middle", fill=QUIET, weight=weight)
    write(svg, (LEFT + RIGHT) / 2, top + PANEL_HEIGHT + 33, "bore, mm", anchor="middle", fill=QUIET)
    return places


def _panel(svg: ElementTree.Element, title: str, unit: str, top: float, up: Axis) -> None:
    write(svg, 20, top - 10, f"{title}, {unit}", weight="600", size=13)
    for tick in up.ticks():
        shape(svg, "line", x1=LEFT, x2=RIGHT, y1=up(tick), y2=up(tick), stroke=FAINT, **{"stroke-width": "0.8"})
        write(svg, LEFT - 8, up(tick) + 4, np.format_float_positional(tick, trim="-"), anchor="end", fill=QUIET)


def _series(
    svg: ElementTree.Element, across: Sequence[float], up: Axis, names: Sequence[str], values: NDArray[np.float64]
) -> None:
    """One line a name, marked at each bore and named at its right end; values that a logarithmic axis cannot show are left out."""
    ends: list[tuple[float, float, str, str]] = []
    for number, (name, heights) in enumerate(zip(names, values, strict=True)):
        colour, dash = COLOURS[number % len(COLOURS)], DASHES[number % len(DASHES)]
        points = [(x, up(y)) for x, y in zip(across, heights, strict=True) if y > 0 or not up.logarithmic]
        if not points:
            continue
        line(svg, points, colour, dash)
        for x, y in points:
            MARKS[number % len(MARKS)](svg, x, y, colour)
        ends.append((*points[-1], name, colour))
    for (x, place, name, colour), at in zip(ends, apart([end[1] for end in ends]), strict=True):
        shape(svg, "line", x1=x + 6, x2=RIGHT + 14, y1=place, y2=at, stroke=QUIET, **{"stroke-width": "0.6"})
        write(svg, RIGHT + 18, at + 4, name, fill=colour, size=11, weight="600")
