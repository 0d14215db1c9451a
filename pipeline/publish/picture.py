"""What the pictures are drawn with: SVG that needs nothing from outside and prints on white paper.

Belongs here: axes, lines, marks, words, labels that keep apart; colours and marks that tell lines apart for everybody.
Does not: any one picture (sizing_picture.py, comparison_picture.py, advice_picture.py), writing the file (cli.py).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from xml.etree import ElementTree

import numpy as np

INK, QUIET, FAINT, BAND = "#1a1a1a", "#595959", "#d9d9d9", "#f0f0f0"
COLOURS = ("#0072b2", "#d55e00", "#00785a", "#8f4a7d", "#1a1a1a")
"""Told apart by people with any common kind of colour vision (after Okabe and Ito), dark enough for lines on white."""

DASHES = ("", "6 3", "2 3", "8 3 2 3", "12 4")
LABEL_STEP = 13.0


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
            if sum(self.low <= tick <= self.high for tick in ticks) < 3:
                ticks = [part * tick for tick in ticks for part in (1, 2, 5)]
        else:
            step = 10 ** np.floor(np.log10(self.high - self.low))
            step *= 0.2 if (self.high - self.low) / step < 2 else 0.5 if (self.high - self.low) / step < 5 else 1
            ticks = [float(tick) for tick in np.arange(np.ceil(self.low / step) * step, self.high + step / 2, step)]
        return [tick for tick in ticks if self.low * (1 - 1e-9) <= tick <= self.high * (1 + 1e-9)]


def document(width: float, height: float, heading: str, description: str) -> ElementTree.Element:
    """An empty white picture with its title, and in words what it shows for those who do not see it."""
    svg = ElementTree.Element(
        "svg",
        {
            "xmlns": "http://www.w3.org/2000/svg",
            "viewBox": f"0 0 {width:g} {height:g}",
            "width": f"{width:g}",
            "height": f"{height:g}",
            "role": "img",
            "aria-labelledby": "title description",
            "font-family": "system-ui, sans-serif",
            "font-size": "12",
            "fill": INK,
        },
    )
    ElementTree.SubElement(svg, "title", {"id": "title"}).text = heading
    ElementTree.SubElement(svg, "desc", {"id": "description"}).text = description
    ElementTree.SubElement(svg, "rect", {"width": "100%", "height": "100%", "fill": "#ffffff"})
    write(svg, 20, 28, heading, size=17, weight="600")
    return svg


def text_of(svg: ElementTree.Element) -> str:
    """The picture as the text of an SVG file."""
    ElementTree.indent(svg)
    return ElementTree.tostring(svg, encoding="unicode") + "\n"


def _circle(svg: ElementTree.Element, x: float, y: float, colour: str) -> None:
    shape(svg, "circle", cx=x, cy=y, r=4.0, fill=colour)


def _square(svg: ElementTree.Element, x: float, y: float, colour: str) -> None:
    shape(
        svg, "rect", x=x - 3.7, y=y - 3.7, width=7.4, height=7.4, fill="#ffffff", stroke=colour, **{"stroke-width": "1.8"}
    )


def _triangle(svg: ElementTree.Element, x: float, y: float, colour: str) -> None:
    shape(svg, "path", d=f"M{x:.1f} {y - 5:.1f}L{x + 5:.1f} {y + 4:.1f}H{x - 5:.1f}Z", fill=colour)


def _diamond(svg: ElementTree.Element, x: float, y: float, colour: str) -> None:
    outline = f"M{x:.1f} {y - 5.4:.1f}L{x + 5.4:.1f} {y:.1f}L{x:.1f} {y + 5.4:.1f}L{x - 5.4:.1f} {y:.1f}Z"
    shape(svg, "path", d=outline, fill="#ffffff", stroke=colour, **{"stroke-width": "1.8"})


MARKS: tuple[Callable[[ElementTree.Element, float, float, str], None], ...] = (_circle, _square, _triangle, _diamond)


def apart(places: Sequence[float]) -> list[float]:
    """Places of labels: near what they name, and no two on top of one another."""
    order = sorted(range(len(places)), key=lambda number: places[number])
    moved = list(places)
    for above, below in pairwise(order):
        moved[below] = max(moved[below], moved[above] + LABEL_STEP)
    # What was pushed down together goes up again by half, so that labels stand around their lines.
    shift = sum(moved[number] - places[number] for number in order) / max(len(order), 1)
    return [place - shift for place in moved]


def room(values: Sequence[float]) -> tuple[float, float]:
    """Bounds of a logarithmic axis that hold the values with a little air."""
    low, high = (min(values), max(values)) if len(values) else (1.0, 10.0)
    return low / 1.3, high * 1.3


def line(svg: ElementTree.Element, points: Sequence[tuple[float, float]], colour: str, dash: str) -> None:
    """Add a line through points."""
    drawn = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
    shape(svg, "polyline", points=drawn, fill="none", stroke=colour, **{"stroke-width": "2", "stroke-dasharray": dash})


def shape(svg: ElementTree.Element, kind: str, **attributes: float | str) -> None:
    """Add a shape; lengths to a tenth of a unit, attributes that are empty left out."""
    written = {
        name: value if isinstance(value, str) else f"{value:.1f}" for name, value in attributes.items() if value != ""
    }
    ElementTree.SubElement(svg, kind, written)


def write(
    svg: ElementTree.Element,
    x: float,
    y: float,
    text: str,
    anchor: str = "start",
    fill: str = INK,
    size: float | None = None,
    weight: str | None = None,
) -> None:
    """Add words; `y` is their base line."""
    attributes = {"x": f"{x:.1f}", "y": f"{y:.1f}", "fill": fill}
    if anchor != "start":
        attributes["text-anchor"] = anchor
    if size is not None:
        attributes["font-size"] = f"{size:g}"
    if weight is not None:
        attributes["font-weight"] = weight
    ElementTree.SubElement(svg, "text", attributes).text = text
