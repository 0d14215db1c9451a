"""How the numbers of a package were made.

Belongs here: METHODS.md: what each stage does, in its own words; choices of the site, calibrations in force, what was measured and filled.
Does not: any rule of a method: those are told by the stages themselves.
"""

from __future__ import annotations

import dataclasses
import inspect
import re
from collections.abc import Iterator, Sequence
from importlib.metadata import version

import duckdb

from pipeline.lake import Lake
from pipeline.orchestration.stages import VERSIONS, Stages
from pipeline.publish.share.descriptors import LIBRARIES
from pipeline.publish.share.markdown import plain, text_table
from pipeline.publish.share.words import UNKNOWN, number
from pipeline.site import Policies, Site
from pipeline.tables import table
from pipeline.tables.declared.words import BASIS

SECTIONS_OF_DOCSTRINGS = re.compile(r"^(Args|Returns|Raises|Yields):$", re.MULTILINE)


def methods_text(session: duckdb.DuckDBPyConnection, lake: Lake, site: Site, stale: Sequence[str]) -> str:
    """METHODS.md of the package.

    Args:
        session: sums hours.
        lake: the lake.
        site: the experiment.
        stale: what of the lake is not up to date, in sentences.
    """
    parts = [
        f"# How the numbers of {plain(site.title)} were made",
        "Every number goes back to pulses that a meter counted. The steps below are told in the words of the program that ran, each "
        "with the version of its method; numbers of different versions may differ.",
        *(
            [
                "Some tables were not up to date when this was written: they may have been made by former versions. README.md says which."
            ]
            if stale
            else []
        ),
        "## What was read",
        _read(session, lake, site),
        "## Meters and calibrations",
        _meters(site),
        _calibrations(site),
        "## What was measured and what was filled",
        _filled(session, lake, site),
        "## Steps",
        *_steps(),
        "## Choices of this site",
        _policies(site),
        "## Versions",
        text_table(("library", "version"), ((name, version(name)) for name in LIBRARIES)),
    ]
    return "\n\n".join(parts) + "\n"


def _read(session: duckdb.DuckDBPyConnection, lake: Lake, site: Site) -> str:
    stored = lake.relation(session, table("source_files"), site.site)
    files = (
        stored.aggregate("kind, count(*), sum(lines), sum(reading_lines), sum(rejected_lines)").order("kind").fetchall()
    )
    rows = [(f"{kind} files", *(f"{count:,}" for count in counts)) for kind, *counts in files]
    return text_table(("what", "files", "lines", "lines used", "lines that could not be used"), rows)


def _meters(site: Site) -> str:
    rows = (
        (
            plain(one.meter),
            plain(one.plot),
            f"{one.bore_mm:g}",
            f"{one.main_mm:g}",
            plain(one.accuracy),
            one.start.isoformat(),
            _end(one.end),
        )
        for one in site.meters
    )
    return text_table(("meter", "plot", "bore (mm)", "main (mm)", "error curve", "from", "to"), rows)


def _calibrations(site: Site) -> str:
    rows = (
        (
            plain(one.meter),
            one.direction,
            f"{one.litres_per_pulse:g}",
            f"{one.expanded_uncertainty_pct:g}",
            one.start.isoformat(),
            _end(one.end),
            plain(one.evidence),
        )
        for one in site.calibrations
    )
    headings = ("meter", "direction", "litres per pulse", "expanded uncertainty (%)", "from", "to", "evidence")
    return text_table(headings, rows)


def _end(end: object) -> str:
    return end.isoformat() if end is not None else "still so"  # type: ignore[attr-defined]


def _filled(session: duckdb.DuckDBPyConnection, lake: Lake, site: Site) -> str:
    """Share of the water of every plot and year by basis, by absolute hourly volume."""
    declared = table("hourly_flow")
    rows = []
    for year in lake.years(declared, site.site):
        hours = lake.relation(session, declared, site.site, [year])
        found = hours.aggregate("plot, basis, sum(abs(net_l)) AS water, count(*) AS hours").fetchall()
        for plot in [one.plot for one in site.plots]:
            water = {basis: volume or 0.0 for of, basis, volume, _ in found if of == plot}
            whole = sum(water.values())
            shares = (number(100 * water[basis] / whole, 1) if basis in water and whole else UNKNOWN for basis in BASIS)
            unfilled = sum(count for of, basis, _, count in found if of == plot and basis == "unfilled")
            rows.append((plain(plot), year, *shares, unfilled))
    headings = ("plot", "water year", *(f"{basis} (%)" for basis in BASIS), "hours unfilled")
    return "Per cent of the water, by absolute hourly volume:\n\n" + text_table(headings, rows)


def _steps() -> Iterator[str]:
    stages = Stages.of_project()
    for field in dataclasses.fields(stages):
        told = inspect.getdoc(getattr(stages, field.name)) or ""
        yield f"### {field.name.replace('_', ' ')}, version {VERSIONS[field.name]}"
        yield SECTIONS_OF_DOCSTRINGS.split(told)[0].strip()


def _policies(site: Site) -> str:
    rows = (
        (
            f"`{name}`",
            plain(getattr(site.policies, name)),
            "" if getattr(site.policies, name) == field.get_default() else "chosen",
            field.description,
        )
        for name, field in Policies.model_fields.items()
    )
    return text_table(("policy", "value", "default or chosen", "what it decides"), rows)
