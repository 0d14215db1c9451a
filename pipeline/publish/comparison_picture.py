"""Two plots compared as one picture: pairs before and after the change, and the line of either period.

Belongs here: what stands where; periods are told apart by mark, dash and name and not by colour alone.
Does not: what pictures are drawn with (picture.py), any number (stages/paired_plots.py), words on the terminal (comparison.py), writing
the file (cli.py).
"""

from __future__ import annotations

import textwrap
from xml.etree import ElementTree

import numpy as np
import pandas as pd

from pipeline.publish.comparison import sentence, unit_of
from pipeline.publish.picture import COLOURS, FAINT, MARKS, QUIET, Axis, document, line, room, shape, text_of, write
from pipeline.site import Site
from pipeline.stages.paired_plots import PlotsCompared

WIDTH, LEFT, RIGHT, PANEL = 800.0, 78.0, 520.0, 420.0
CHARACTERS = 118
POINTS = 40


def comparison_picture(result: PlotsCompared, site: Site) -> str:
    """The picture as the text of an SVG file."""
    design, unit = result.design, unit_of(result)
    said = textwrap.wrap(sentence(result, site), CHARACTERS)
    top = 66.0 + 16 * len(said)
    svg = document(
        WIDTH,
        top + PANEL + 60,
        f"{site.title}: {design.treated} paired with {design.control}",
        sentence(result, site),
    )
    for number, words in enumerate(said):
        write(svg, 20, 50 + 16 * number, words, fill=QUIET)
    rows = result.pairs.rows[result.pairs.used]
    across, up = (_axis(rows[name], result.logarithmic, *ends) for name, ends in (
        ("control", (LEFT, RIGHT)), ("treated", (top + PANEL, top)),
    ))  # fmt: skip
    what = "drainage" if design.of == "volume" else design.of
    write(svg, 20, top - 10, f"{design.treated}: {what}, {unit} per {design.by}", weight="600", size=13)
    for tick in up.ticks():
        shape(svg, "line", x1=LEFT, x2=RIGHT, y1=up(tick), y2=up(tick), stroke=FAINT, **{"stroke-width": "0.8"})
        write(svg, LEFT - 8, up(tick) + 4, f"{tick:g}", anchor="end", fill=QUIET)
    for tick in across.ticks():
        shape(
            svg, "line", x1=across(tick), x2=across(tick), y1=top, y2=top + PANEL, stroke=FAINT, **{"stroke-width": "0.8"}
        )
        write(svg, across(tick), top + PANEL + 16, f"{tick:g}", anchor="middle", fill=QUIET)
    middle = (LEFT + RIGHT) / 2
    write(
        svg,
        middle,
        top + PANEL + 36,
        f"{design.control}: {what}, {unit} per {design.by}",
        anchor="middle",
        weight="600",
        size=13,
    )
    day = f"{design.change + site.utc_offset:%Y-%m-%d}"
    for number, (name, fitted, late, dash) in enumerate((
        (f"before {day}", result.found.calibration, False, ""),
        (f"from {day} on", result.found.treatment, True, "6 3"),
    )):  # fmt: skip
        here = rows[rows["after"] == late]
        _pairs(svg, here, across, up, number)
        drawn = np.linspace(*_span(here["control"], result.logarithmic), POINTS)
        treated = fitted.at(drawn)
        if result.logarithmic:
            drawn, treated = np.exp(drawn), np.exp(treated)
        inside = (treated >= up.low) & (treated <= up.high)
        points = [(across(x), up(y)) for x, y in zip(drawn[inside], treated[inside], strict=True)]
        if points:
            line(svg, points, COLOURS[number], dash)
        at = top + 20 + 22 * number
        MARKS[number](svg, RIGHT + 28, at - 4, COLOURS[number])
        line(svg, [(RIGHT + 40, at - 4), (RIGHT + 76, at - 4)], COLOURS[number], dash)
        write(svg, RIGHT + 84, at, f"{name} ({len(here)})", fill=COLOURS[number], weight="600")
    return text_of(svg)


def _pairs(svg: ElementTree.Element, rows: pd.DataFrame, across: Axis, up: Axis, number: int) -> None:
    for x, y in zip(rows["control"], rows["treated"], strict=True):
        MARKS[number](svg, across(x), up(y), COLOURS[number])


def _span(values: pd.Series, logarithmic: bool) -> tuple[float, float]:
    low, high = float(values.min()), float(values.max())
    return (float(np.log(low)), float(np.log(high))) if logarithmic else (low, high)


def _axis(values: pd.Series, logarithmic: bool, start: float, end: float) -> Axis:
    if logarithmic:
        return Axis(*room(values.to_list()), start, end, logarithmic=True)
    low, high = min(0.0, float(values.min())), float(values.max())
    air = 0.05 * (high - low) or 1.0
    return Axis(low - air if low < 0 else 0.0, high + air, start, end, logarithmic=False)
