"""The command `drainledger trace`: which load is meant, and showing what it is made of.

Belongs here: what a person asked for, refusals, printing.
Does not: finding and following loads (publish/trace.py), wording (publish/trace_words.py, publish/trace_json.py).
"""

from __future__ import annotations

import json
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import duckdb
import pandas as pd
from rich.console import Console
from rich.text import Text

from pipeline.lake import Lake, open_session
from pipeline.publish.published_loads import find_load
from pipeline.publish.trace import hold_loads, off, trace_load
from pipeline.publish.trace_json import trace_json
from pipeline.publish.trace_lines import lines_text, raw_lines, sample_lines
from pipeline.publish.trace_words import held_text, trace_text
from pipeline.site import Site
from pipeline.stages.trace import TraceError


class NoSuchLoadError(Exception):
    """What was asked for is not there; the message is a sentence for a person."""


@dataclass(frozen=True)
class Wanted:
    """Which load a person wants traced; without plot and name: all of them.

    `kind` and `name` tell the period as `publish.trace.KINDS` does; `year` is the water year, where the name does not tell it.
    """

    plot: str | None
    analyte: str | None
    kind: str
    name: str | None
    year: int | None


def trace(
    console: Console,
    errors: Console,
    lake: Lake,
    sites: Mapping[str, Site],
    wanted: Wanted,
    as_json: bool,
    with_lines: bool,
) -> bool:
    """Print a trace, or what came of holding every load to its trace; says whether everything adds up.

    Args:
        console, errors: where to print the trace, and that it is under way.
        lake, sites: where loads are published.
        wanted: which load.
        as_json: print it for programs.
        with_lines: print every line of a raw file that gave something to the load as well.

    Raises:
        NoSuchLoadError: there is no such load, or it cannot be traced.
    """
    with tempfile.TemporaryDirectory(prefix="drainledger-") as spill, open_session(Path(spill)) as session:
        try:
            if wanted.plot is None and wanted.name is None:
                held = [_hold(console, errors, session, lake, site, as_json) for site in sites.values()]
                return all(held)
            site = _site(sites, wanted)
            _complete(site, wanted)
            analyte = wanted.analyte or site.analytes[0]
            load = find_load(lake, site, wanted.kind, str(wanted.name), wanted.plot, analyte, wanted.year)
            found = trace_load(session, lake, site, load)
            lines = (
                {"lines": raw_lines(session, lake, site, found), "sample_lines": sample_lines(lake, site, found)}
                if with_lines
                else {}
            )
        except TraceError as error:
            raise NoSuchLoadError(str(error)) from error
        except duckdb.Error as error:
            raise NoSuchLoadError(
                f"A table in {lake.tables} cannot be read: it is damaged, or another version of the program wrote it "
                f"({str(error).splitlines()[0]}). `drainledger run` makes it anew."
            ) from error
    if as_json:
        console.file.write(trace_json(found, site, lines) + "\n")
    else:
        for part in trace_text(found, site):
            console.print(part, highlight=False, soft_wrap=isinstance(part, Text))
        if lines:
            console.file.writelines(f"{line}\n" for line in lines_text(lines["lines"], lines["sample_lines"], site))
    return found.adds_up


def _hold(
    console: Console, errors: Console, session: duckdb.DuckDBPyConnection, lake: Lake, site: Site, as_json: bool
) -> bool:
    held = pd.DataFrame()
    with errors.status(f"tracing all loads of {site.title}") as waiting:
        for found in hold_loads(session, lake, site):
            if isinstance(found, int):
                waiting.update(f"traced water year {found} of {site.title}")
            else:
                held = found
    if as_json:
        records = json.loads(held.to_json(orient="records"))
        console.file.write(json.dumps({"site": site.site, "loads": records}, ensure_ascii=False, indent=1) + "\n")
    else:
        console.print(f"{site.title}: every published load against the sum of its trace", style="bold", highlight=False)
        for part in held_text(held):
            console.print(part, highlight=False, soft_wrap=isinstance(part, Text))
    return not off(held).any()


def _site(sites: Mapping[str, Site], wanted: Wanted) -> Site:
    """The site that has the plot or treatment.

    Raises:
        NoSuchLoadError: none or several have.
    """
    column = "treatments" if wanted.kind == "treatment" else "plots"
    asked = wanted.name if wanted.kind == "treatment" else wanted.plot
    names = {
        name: list(dict.fromkeys(getattr(row, column.removesuffix("s")) for row in getattr(site, column)))
        for name, site in sites.items()
    }
    having = [name for name, known in names.items() if asked in known]
    if asked is None and len(sites) == 1:
        having = list(sites)
    if len(having) == 1:
        return sites[having[0]]
    if having:
        raise NoSuchLoadError(
            f"{asked} is a name at several sites ({', '.join(having)}): name the folder of one with --site."
        )
    known = "; ".join(f"{name}: {', '.join(of)}" for name, of in names.items())
    raise NoSuchLoadError(
        f"No site has {'a treatment' if column == 'treatments' else 'a plot'} {asked}. Known are: {known}."
    )


def _complete(site: Site, wanted: Wanted) -> None:
    if wanted.name is None:
        raise NoSuchLoadError("Say which period is meant: --year, --month, --day, --event, --season or --period.")
    if wanted.plot is None and wanted.kind != "treatment":
        raise NoSuchLoadError(f"Say which plot is meant with --plot: {', '.join(plot.plot for plot in site.plots)}.")
    if wanted.plot is not None and wanted.kind == "treatment":
        raise NoSuchLoadError("A treatment is traced over all its plots: leave out --plot, or --treatment.")
    if wanted.analyte is not None and wanted.analyte not in site.analytes:
        raise NoSuchLoadError(f"{site.title} computes no {wanted.analyte}. Its analytes are: {', '.join(site.analytes)}.")
