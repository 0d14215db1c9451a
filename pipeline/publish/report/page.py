"""The page put together: data, template, style and script in one text.

Belongs here: which parts the page has and in which order they are read, and how they stand in the file.
Does not: what each part holds (the modules beside it), writing the file (cli.py).
"""

from __future__ import annotations

import base64
import hashlib
import html
import json
from collections.abc import Callable, Sequence
from importlib import resources
from typing import Any

import duckdb

from pipeline.lake import Lake
from pipeline.publish.report.backwater import backwater
from pipeline.publish.report.concentrations import concentrations
from pipeline.publish.report.doubt import budget, methods
from pipeline.publish.report.events import events
from pipeline.publish.report.flow import hours, intervals, monthly
from pipeline.publish.report.growth import growth
from pipeline.publish.report.health import changes, checks, last_days, meters, supply
from pipeline.publish.report.reading import Source
from pipeline.publish.report.record import record
from pipeline.publish.report.words import milliseconds, plain
from pipeline.publish.report.yearly import analyte_title, yearly
from pipeline.site import Site
from pipeline.tables.declared.words import NEGATIVE_IS_REAL

SCRIPTS = (
    "base",
    "drawing",
    "annual",
    "calendar",
    "flowdata",
    "flow",
    "backwater",
    "growth",
    "samples",
    "doubt",
    "start",
)
"""Files of parts/ in the order in which they run."""

READ_AT_ONCE: dict[str, Callable[[Source], Any]] = {
    "yearly": yearly,
    "record": record,
    "monthly": monthly,
    "backwater": backwater,
    "growth": growth,
    "events": events,
    "concentrations": concentrations,
    "budget": budget,
    "methods": methods,
    "checks": checks,
    "meters": meters,
    "supply": supply,
    "last_days": last_days,
    "changes": changes,
}
READ_WHEN_SHOWN: dict[str, Callable[[Source], Any]] = {"hours": hours, "intervals": intervals}
"""Long series stand at the end of the file, so that the page is there before they are unpacked."""


class ReportError(Exception):
    """There is nothing to show; the message is a sentence for a person."""


def report_page(
    session: duckdb.DuckDBPyConnection,
    lake: Lake,
    site: Site,
    stale: Sequence[str] = (),
    on_part: Callable[[int, int], None] = lambda done, of: None,
) -> str:
    """The page of one site: HTML that needs nothing else.

    The same tables and site folder give the same text.

    Args:
        session: does the reading.
        lake: holds the tables.
        site: the experiment.
        stale: what is to be said of tables that are not up to date.
        on_part: told how many parts are read, and of how many.

    Raises:
        ReportError: no loads are stored for the site.
    """
    source = Source(session, lake, site)
    if source.frame("loads_annual").empty:
        raise ReportError(f"{lake.tables} holds no loads of {site.title}. `drainledger run` computes them.")
    parts = READ_AT_ONCE | READ_WHEN_SHOWN
    read: dict[str, Any] = {}
    for name, part in parts.items():
        on_part(len(read), len(parts))
        read[name] = part(source)
    on_part(len(parts), len(parts))
    data = _site(source) | {"stale": list(stale)} | {name: read[name] for name in READ_AT_ONCE}
    script = "\n".join(_part(f"{name}.js") for name in SCRIPTS)
    allowed = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    return _filled(
        _part("page.html"),
        title=html.escape(site.title),
        allowed_script=f"'sha256-{allowed}'",
        style=_part("page.css"),
        data=_json(data),
        series="\n".join(
            f'<script type="application/json" id="series-{name}">{_json(read[name])}</script>' for name in READ_WHEN_SHOWN
        ),
        script=script,
    )


def _site(source: Source) -> dict[str, Any]:
    site = source.site
    start, end = site.record_period(_last_stored_day(source))
    return {
        "site": site.site,
        "title": site.title,
        "offset": round(source.offset.total_seconds() * 1000),
        "start": milliseconds(start),
        "end": milliseconds(end),
        "water_year_starts": list(site.water_year_starts),
        "analytes": [{"analyte": name, "title": analyte_title(name)} for name in site.analytes],
        "plots": [
            {
                "plot": plot.plot,
                "title": plot.title,
                "area_ha": plot.area_ha,
                "treatments": [
                    plain([row.treatment, row.start, row.end]) for row in site.treatments if row.plot == plot.plot
                ],
            }
            for plot in site.plots
        ],
        "negative": NEGATIVE_IS_REAL,
    }


def _last_stored_day(source: Source) -> Any:
    """The last day of which an hour is stored: the page does not change with the day on which it is made."""
    local = source.local("max(hour_start)")
    return source.ask("hourly_flow", f"SELECT CAST({local} AS DATE) AS day FROM stored")["day"][0].date()


def _part(name: str) -> str:
    return resources.files("pipeline.publish.report").joinpath("parts", name).read_text(encoding="utf-8")


def _filled(template: str, **texts: str) -> str:
    """The template with each {{name}} replaced, in one pass, so that no text is looked at twice."""
    pieces = template.split("{{")
    filled = [pieces[0]]
    for piece in pieces[1:]:
        name, rest = piece.split("}}", 1)
        filled += [texts[name], rest]
    return "".join(filled)


def _json(data: Any) -> str:
    """JSON that may stand within a script element: nothing in it can end that element or begin another."""
    text = json.dumps(data, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return (
        text.replace("&", "\\u0026")
        .replace("<", "\\u003c")
        .replace(">", "\\u003e")
        .replace("\u2028", "\\u2028")
        .replace("\u2029", "\\u2029")
    )
