"""What moved since loads were published: the tables `revisions` and `load_changes`.

Belongs here: the states that are compared, when these two tables are written.
Does not: what a published state holds (publishing.py), differences (stages/load_changes.py), causes (attribution.py), wording (publish/).

Both tables follow from the published states and the tables as they are; removing them loses nothing.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import pandas as pd

from pipeline.lake import Lake, LakeError, fingerprint
from pipeline.lake.published import Published
from pipeline.orchestration.attribution import Attribution, State
from pipeline.orchestration.checks import declaration_text
from pipeline.orchestration.publishing import (
    SITE_FOLDER,
    loads_fingerprint,
    origins_of,
    published_origins,
    revision_rows,
)
from pipeline.site import Site, SiteErrors, load_site
from pipeline.stages.load_changes import PERIODS, moved_loads
from pipeline.tables import table

NOW = 0
"""Stands for the tables as they are now, where the number of a published state is asked for."""
METHOD = 1
"""Raised when the rows of `load_changes` come to say something else of the same states."""


def changes_between(lake: Lake, site: Site, earlier: int, later: int) -> pd.DataFrame:
    """Rows of `load_changes` from one published state to another, or to the tables as they are now.

    Args:
        lake: the lake.
        site: the experiment as it is now.
        earlier: number of the published state before.
        later: number of the one after, or `NOW`.

    Raises:
        LakeError: a published state cannot be read.
    """
    published = Published(lake, site.site)
    declared = table("load_changes")
    lakes = [lake if number == NOW else published.kept(number) for number in (earlier, later)]
    basis = [_frame(one, site, "load_basis") for one in lakes]
    moved = pd.concat(
        [moved_loads(kind, *(_frame(one, site, f"loads_{kind}") for one in lakes), *basis) for kind in PERIODS],
        ignore_index=True,
    )
    moved = moved.assign(from_revision=earlier, to_revision=later)
    if len(moved):
        attribution = Attribution(*(_state(lake, site, number) for number in (earlier, later)))
        told = [
            attribution.explain({str(name): value for name, value in row.items()}) for row in moved.to_dict("records")
        ]
        moved = pd.concat([moved, pd.DataFrame(told)], axis=1)
    return moved.reindex(columns=list(declared.names)).sort_values(list(declared.sort), ignore_index=True)


def write_history(lake: Lake, site: Site) -> None:
    """Bring `revisions` and `load_changes` up to date; nothing is written where they are, or where nothing was ever published.

    Raises:
        LakeError: a published state cannot be read, or the tables cannot be written.
    """
    published = Published(lake, site.site)
    numbers = published.numbers()
    if not numbers:
        return
    prints = [published.about(number)["fingerprint"] for number in numbers]
    made_from = fingerprint(["revisions", declaration_text("revisions"), prints])
    if lake.made_from(table("revisions"), site.site) != made_from:
        lake.write_frame(table("revisions"), revision_rows(published), made_from, site.site)
    states = [*prints, loads_fingerprint(lake, site), [_content(lake, site, name) for name in ("load_basis",)]]
    made_from = fingerprint(["load_changes", METHOD, declaration_text("load_changes"), *states])
    if lake.made_from(table("load_changes"), site.site) != made_from:
        pairs = pairwise([*numbers, NOW])
        rows = pd.concat([changes_between(lake, site, *pair) for pair in pairs], ignore_index=True)
        lake.write_frame(table("load_changes"), rows, made_from, site.site)


def _content(lake: Lake, site: Site, name: str) -> list[Any]:
    stored = [lake.stored(table(name), site.site, year) for year in site.water_years()]
    return [one.content if one is not None else None for one in stored]


def _frame(lake: Lake, site: Site, name: str) -> pd.DataFrame:
    declared = table(name)
    years = [None] if declared.time_column is None else lake.years(declared, site.site)
    return lake.frame(declared, site.site, years)


def _state(lake: Lake, site: Site, number: int) -> State:
    published = Published(lake, site.site)
    if number == NOW:
        origins, kept, registers = origins_of(lake, site), lake, site
    else:
        origins, kept = published_origins(published, number), published.kept(number)
        try:
            registers = load_site(published.path(number) / SITE_FOLDER)
        except SiteErrors:
            # Registers of then that today's rules refuse: plots of meters and loggers are told by those of now.
            registers = site
    return State(origins, registers, _frame(kept, site, "source_files"), _frame(kept, site, "sample_results"))


def state_number(lake: Lake, site: Site, asked: int | None) -> int:
    """The number of a published state: the last one where none is asked for.

    Raises:
        LakeError: nothing was published, or not that.
    """
    numbers = Published(lake, site.site).numbers()
    if not numbers:
        raise LakeError(
            f'No state of the loads of {site.title} was published yet. `drainledger publish --reason "..."` names one; later '
            "runs are compared with it."
        )
    if asked is not None and asked not in numbers:
        raise LakeError(f"{site.title} has no revision {asked}; there are {', '.join(map(str, numbers))}.")
    return numbers[-1] if asked is None else asked
