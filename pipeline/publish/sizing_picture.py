"""Meter sizing as one picture: how long which flow ran, what each bore loses in head, what each leaves below its range.

Belongs here: an SVG that needs nothing from outside, prints on white paper, and tells its lines apart by mark, dash and name and not by
colour alone.
Does not: any number (stages/meter_sizing.py), words on the terminal (publish/sizing.py), writing the file (cli.py).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from xml.etree import ElementTree

import numpy as np
from numpy.typing import NDArray

from pipeline.publish.sizing import flow_names
from pipeline.science.flow_duration import exceeded_share
from pipeline.stages.meter_sizing import Sizing

Floats = NDArray[np.float64]

WIDTH, LEFT, RIGHT = 800.0, 78.0, 600.0
PANEL_HEIGHT, PANEL_STEP, FIRST_TOP = 190.0, 262.0, 84.0
INK, QUIET, FAINT, BAND = "#1a1a1a", "#595959", "#d9d9d9", "#f0f0f0"
COLOURS = ("#0072b2", "#d55e00", "#00785a", "#8f4a7d", "#1a1a1a")
"""Told apart by people with any common kind of colour vision (after Okabe and Ito), dark enough for lines on white."""

DASHES = ("", "6 3", "2 3", "8 3 2 3", "12 4")
LABEL_STEP = 13.0
SMALLEST_HEAD_M = 1e-4
"""A tenth of a millimetre: less head is left out of the picture."""


@dataclass(frozen=True)
class Axis:
    """Maps values to the picture; `logarithmic` axes leave out what is not positive."""

    low: float
    high: float
    start: float
    end: float
    logarithmic: bool

    def __call__(self, value: float) -> float:
        """Place of a value within the picture."""
        low, high, at = np.log10([self.low, self.high, value]) if self.logarithmic else (self.low, self.high, value)
        return float(self.start + (at - low) / (high - low) * (self.end - self.start))

    def ticks(self) -> list[float]:
        """Round values within the axis."""
        if self.logarithmic:
            powers = range(int(np.floor(np.log10(self.low))), int(np.ceil(np.log10(self.high))) + 1)
            ticks = [10.0**power for power in powers]
        else:
            step = 10 ** np.floor(np.log10(self.high - self.low))
            step *= 0.2 if (self.high - self.low) / step < 2 else 0.5 if (self.high - self.low) / step < 5 else 1
            ticks = [float(tick) for tick in np.arange(np.ceil(self.low / step) * step, self.high + step / 2, step)]
        return [tick for tick in ticks if self.low * (1 - 1e-9) <= tick <= self.high * (1 + 1e-9)]


def sizing_picture(sizing: Sizing) -> str:
    """The picture as the text of an SVG file.

    Three panels, one below another: the flow-duration curve with the flow from which each bore is accurate; head loss by bore; water and
    running time below range and uncertainty of a year's volume by bore. The bore in use stands on a grey band.
    """
    height = FIRST_TOP + 3 * PANEL_STEP - 20
    svg = ElementTree.Element(
        "svg",
        {
            "xmlns": "http://www.w3.org/2000/svg",
            "viewBox": f"0 0 {WIDTH:g} {height:g}",
            "width": f"{WIDTH:g}",
            "height": f"{height:g}",
            "role": "img",
            "aria-labelledby": "title description",
            "font-family": "system-ui, sans-serif",
            "font-size": "12",
            "fill": INK,
        },
    )
    heading = f"{sizing.site.title}, plot {sizing.plot}: which bore for the meter?"
    ElementTree.SubElement(svg, "title", {"id": "title"}).text = heading
    ElementTree.SubElement(svg, "desc", {"id": "description"}).text = _description(sizing)
    ElementTree.SubElement(svg, "rect", {"width": "100%", "height": "100%", "fill": "#ffffff"})
    _write(svg, 20, 28, heading, size=17, weight="600")
    record = sizing.record
    measured, period = sum(record.measured_hours.values()), sum(record.period_hours.values())
    _write(
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
    ElementTree.indent(svg)
    return ElementTree.tostring(svg, encoding="unicode") + "\n"


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
    up = Axis(*_room([*flow, *shown]), top + PANEL_HEIGHT, top, logarithmic=True)
    _panel(svg, "How long which flow ran, whichever way", "L/min", top, up)
    for tick in across.ticks():
        _write(svg, across(tick), top + PANEL_HEIGHT + 16, f"{tick:g}", anchor="middle", fill=QUIET)
    _write(
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
    _line(svg, [(across(min(at, 100.0)), up(rate)) for at, rate in steps], COLOURS[0], "")
    labels = [
        (up(rate), f"{row['bore_mm']:g} mm: {rate:.2g}", bool(row["in_use"]))
        for row in sizing.candidates.to_dict("records")
        if np.isfinite(rate := row["accurate_from_l_min"])
    ]
    for (place, text, in_use), at in zip(labels, _apart([label[0] for label in labels]), strict=True):
        ends = {"x1": LEFT if in_use else RIGHT - 8, "x2": RIGHT, "y1": place, "y2": place}
        _shape(svg, "line", **ends, stroke=INK, **{"stroke-width": "1", "stroke-dasharray": "6 3" if in_use else ""})
        _shape(svg, "line", x1=RIGHT, x2=RIGHT + 14, y1=place, y2=at, stroke=QUIET, **{"stroke-width": "0.6"})
        _write(svg, RIGHT + 18, at + 4, text, weight="600" if in_use else None, size=11)
    _write(svg, RIGHT + 18, top - 8, "accurate from, L/min", fill=QUIET, size=11)


def _head_loss(svg: ElementTree.Element, sizing: Sizing, top: float) -> None:
    """Head loss of each bore at each flow."""
    losses = np.array(sizing.candidates["head_loss_m"].tolist())
    head_m = sizing.conditions.head_m
    shown = losses[losses >= SMALLEST_HEAD_M]
    up = Axis(*_room([*shown, *([head_m] if head_m else [])]), top + PANEL_HEIGHT, top, logarithmic=True)
    across = _bores(svg, sizing, top)
    _panel(svg, "Head lost in throat and reducers, 0.1 mm and more", "m", top, up)
    if head_m:
        _shape(svg, "line", x1=LEFT, x2=RIGHT, y1=up(head_m), y2=up(head_m), stroke=INK, **{"stroke-width": "1.5"})
        _write(svg, RIGHT - 4, up(head_m) - 5, f"head at hand, {head_m:g} m", anchor="end", size=11)
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
            _shape(svg, "rect", x=place - step / 2, y=top, width=step, height=PANEL_HEIGHT, fill=BAND)
            _write(svg, place, top + 12, "in use", anchor="middle", fill=QUIET, size=11)
        weight = "600" if row["in_use"] else None
        _write(svg, place, top + PANEL_HEIGHT + 16, f"{row['bore_mm']:g}", anchor="middle", fill=QUIET, weight=weight)
    _write(svg, (LEFT + RIGHT) / 2, top + PANEL_HEIGHT + 33, "bore, mm", anchor="middle", fill=QUIET)
    return places


def _panel(svg: ElementTree.Element, title: str, unit: str, top: float, up: Axis) -> None:
    _write(svg, 20, top - 10, f"{title}, {unit}", weight="600", size=13)
    for tick in up.ticks():
        _shape(svg, "line", x1=LEFT, x2=RIGHT, y1=up(tick), y2=up(tick), stroke=FAINT, **{"stroke-width": "0.8"})
        _write(svg, LEFT - 8, up(tick) + 4, np.format_float_positional(tick, trim="-"), anchor="end", fill=QUIET)


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
        _line(svg, points, colour, dash)
        for x, y in points:
            MARKS[number % len(MARKS)](svg, x, y, colour)
        ends.append((*points[-1], name, colour))
    for (x, place, name, colour), at in zip(ends, _apart([end[1] for end in ends]), strict=True):
        _shape(svg, "line", x1=x + 6, x2=RIGHT + 14, y1=place, y2=at, stroke=QUIET, **{"stroke-width": "0.6"})
        _write(svg, RIGHT + 18, at + 4, name, fill=colour, size=11, weight="600")


def _circle(svg: ElementTree.Element, x: float, y: float, colour: str) -> None:
    _shape(svg, "circle", cx=x, cy=y, r=4.0, fill=colour)


def _square(svg: ElementTree.Element, x: float, y: float, colour: str) -> None:
    _shape(
        svg, "rect", x=x - 3.7, y=y - 3.7, width=7.4, height=7.4, fill="#ffffff", stroke=colour, **{"stroke-width": "1.8"}
    )


def _triangle(svg: ElementTree.Element, x: float, y: float, colour: str) -> None:
    _shape(svg, "path", d=f"M{x:.1f} {y - 5:.1f}L{x + 5:.1f} {y + 4:.1f}H{x - 5:.1f}Z", fill=colour)


def _diamond(svg: ElementTree.Element, x: float, y: float, colour: str) -> None:
    outline = f"M{x:.1f} {y - 5.4:.1f}L{x + 5.4:.1f} {y:.1f}L{x:.1f} {y + 5.4:.1f}L{x - 5.4:.1f} {y:.1f}Z"
    _shape(svg, "path", d=outline, fill="#ffffff", stroke=colour, **{"stroke-width": "1.8"})


MARKS: tuple[Callable[[ElementTree.Element, float, float, str], None], ...] = (_circle, _square, _triangle, _diamond)


def _apart(places: Sequence[float]) -> list[float]:
    """Places of labels: near what they name, and no two on top of one another."""
    order = sorted(range(len(places)), key=lambda number: places[number])
    moved = list(places)
    for above, below in pairwise(order):
        moved[below] = max(moved[below], moved[above] + LABEL_STEP)
    # What was pushed down together goes up again by half, so that labels stand around their lines.
    shift = sum(moved[number] - places[number] for number in order) / max(len(order), 1)
    return [place - shift for place in moved]


def _room(values: Sequence[float]) -> tuple[float, float]:
    """Bounds of a logarithmic axis that hold the values with a little air."""
    low, high = (min(values), max(values)) if len(values) else (1.0, 10.0)
    return low / 1.3, high * 1.3


def _line(svg: ElementTree.Element, points: Sequence[tuple[float, float]], colour: str, dash: str) -> None:
    drawn = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
    _shape(svg, "polyline", points=drawn, fill="none", stroke=colour, **{"stroke-width": "2", "stroke-dasharray": dash})


def _shape(svg: ElementTree.Element, kind: str, **attributes: float | str) -> None:
    """Add a shape; lengths to a tenth of a unit, attributes that are empty left out."""
    written = {
        name: value if isinstance(value, str) else f"{value:.1f}" for name, value in attributes.items() if value != ""
    }
    ElementTree.SubElement(svg, kind, written)


def _write(
    svg: ElementTree.Element,
    x: float,
    y: float,
    text: str,
    anchor: str = "start",
    fill: str = INK,
    size: float | None = None,
    weight: str | None = None,
) -> None:
    attributes = {"x": f"{x:.1f}", "y": f"{y:.1f}", "fill": fill}
    if anchor != "start":
        attributes["text-anchor"] = anchor
    if size is not None:
        attributes["font-size"] = f"{size:g}"
    if weight is not None:
        attributes["font-weight"] = weight
    ElementTree.SubElement(svg, "text", attributes).text = text
