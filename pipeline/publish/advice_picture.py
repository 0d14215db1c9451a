"""Plans of sampling as one picture: the error of the annual load that each leaves.

Belongs here: what stands where; methods are told apart by mark, dash and name and not by colour alone.
Does not: what pictures are drawn with (picture.py), any number (stages/sampling_advice.py), words on the terminal (advice.py), writing
the file (cli.py).
"""

from __future__ import annotations

import textwrap

import pandas as pd

from pipeline.publish.advice import NAMES, Advice, conclusion, plan_name
from pipeline.publish.picture import (
    BAND,
    COLOURS,
    DASHES,
    FAINT,
    INK,
    MARKS,
    QUIET,
    Axis,
    document,
    line,
    shape,
    text_of,
    write,
)
from pipeline.stages.sampling_advice import WITHIN_PCT

WIDTH, LEFT, RIGHT = 800.0, 250.0, 770.0
TOP, ROW = 118.0, 26.0
CHARACTERS = 115


def advice_picture(advice: Advice) -> str:
    """The picture as the text of an SVG file: a row for each plan and method, with the mean error and its 90 % interval."""
    plans = advice.plans.dropna(subset="p05_pct").reset_index(drop=True)
    bottom = TOP + ROW * len(plans)
    svg = document(
        WIDTH,
        bottom + 56,
        f"{advice.site.title}, plot {advice.plot}: how often to sample {advice.analyte}?",
        _description(advice, plans),
    )
    for number, words in enumerate(textwrap.wrap(conclusion(advice), CHARACTERS)):
        write(svg, 20, 50 + 16 * number, words, fill=QUIET)
    reach = 1.1 * max(WITHIN_PCT, *plans["p05_pct"].abs(), *plans["p95_pct"].abs()) if len(plans) else WITHIN_PCT
    across = Axis(-reach, reach, LEFT, RIGHT, logarithmic=False)
    shape(
        svg,
        "rect",
        x=across(-WITHIN_PCT),
        y=TOP,
        width=across(WITHIN_PCT) - across(-WITHIN_PCT),
        height=bottom - TOP,
        fill=BAND,
    )
    write(svg, across(0), TOP - 8, f"within ±{WITHIN_PCT:g} %", anchor="middle", fill=QUIET, size=11)
    for tick in across.ticks():
        width = "1.4" if abs(tick) < 1e-9 else "0.8"
        colour = INK if abs(tick) < 1e-9 else FAINT
        shape(svg, "line", x1=across(tick), x2=across(tick), y1=TOP, y2=bottom, stroke=colour, **{"stroke-width": width})
        write(
            svg, across(tick), bottom + 16, f"{tick:+g}".replace("-", "−") if tick else "0", anchor="middle", fill=QUIET
        )
    write(
        svg,
        (LEFT + RIGHT) / 2,
        bottom + 36,
        "error of the annual load, % of the true load (mean and 90 %)",
        anchor="middle",
        fill=QUIET,
    )
    previous = ""
    for place, (_, row) in enumerate(plans.iterrows()):
        style = list(NAMES).index(row["method"])
        y, colour = TOP + ROW * (place + 0.5), COLOURS[style]
        name = plan_name(row)
        if name != previous:
            write(svg, 20, y + 4, name, size=11, weight="600")
            shape(svg, "line", x1=20.0, x2=RIGHT, y1=y - ROW / 2, y2=y - ROW / 2, stroke=FAINT, **{"stroke-width": "0.8"})
        previous = name
        line(svg, [(across(row["p05_pct"]), y), (across(row["p95_pct"]), y)], colour, DASHES[style])
        for end in (row["p05_pct"], row["p95_pct"]):
            line(svg, [(across(end), y - 5), (across(end), y + 5)], colour, "")
        MARKS[style](svg, across(row["mean_pct"]), y, colour)
    for style, (method, name) in enumerate(NAMES.items()):
        at = 20 + 200.0 * style
        if method in set(plans["method"]):
            MARKS[style](svg, at + 4, 94, COLOURS[style])
            line(svg, [(at + 14, 94), (at + 44, 94)], COLOURS[style], DASHES[style])
            write(svg, at + 50, 98, name, fill=COLOURS[style], weight="600")
    return text_of(svg)


def _description(advice: Advice, plans: pd.DataFrame) -> str:
    """What the picture shows, for those who do not see it."""
    said = [
        f"{plan_name(row)}, {NAMES[row['method']]}: mean error {row['mean_pct']:.1f} %, 90 % from {row['p05_pct']:.1f} to "
        f"{row['p95_pct']:.1f} %."
        for _, row in plans.iterrows()
    ]
    return " ".join([conclusion(advice), *said])
