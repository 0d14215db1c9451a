"""The commands about history: publish a state of the loads, list published states, say what moved.

Belongs here: what each does with what the person asked for, and what it prints.
Does not: reading the command (cli.py), finding changes (orchestration/history.py), layout and wording (changes_words.py).
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import pandas as pd
from rich.console import Console

from pipeline.lake import Lake, LakeError, replace_text
from pipeline.lake.published import Published
from pipeline.orchestration.history import NOW, changes_between, state_number, write_history
from pipeline.orchestration.publishing import PublishError, publish
from pipeline.orchestration.workbench import Workbench
from pipeline.publish.changes_words import changes_csv, changes_text, revisions_text
from pipeline.site import Site


def publish_loads(console: Console, errors: Console, lake: Lake, sites: Mapping[str, Site], reason: str) -> int:
    """Publish the loads of every site as they are now; exit code 1 where one could not be."""
    bench = Workbench(lake, sites)
    failed = False
    for site in sites.values():
        try:
            number = publish(bench, site, reason)
        except PublishError as error:
            errors.print(str(error), style="red", markup=False, highlight=False, soft_wrap=True)
            failed = True
            continue
        write_history(lake, site)
        console.print(
            f"{site.title}: the loads as they are now are revision {number}, kept in {Published(lake, site.site).path(number)}. Later "
            "runs are compared with it.",
            markup=False,
            highlight=False,
            soft_wrap=True,
        )
        if number > 1:
            _print_changes(console, site, changes_between(lake, site, number - 1, number), "annual", number - 1, number)
    return 1 if failed else 0


def list_revisions(console: Console, lake: Lake, sites: Mapping[str, Site]) -> int:
    """Print every published state."""
    for site in sites.values():
        state_number(lake, site, None)
        write_history(lake, site)
        console.print(revisions_text(lake, site))
    return 0


def show_changes(
    console: Console,
    lake: Lake,
    sites: Mapping[str, Site],
    earlier: int | None,
    later: int | None,
    kind: str,
    target: Path | None,
) -> int:
    """Print what moved between two states, and write it to a file if one is named.

    Raises:
        LakeError: a state was not published, or is damaged; or the file cannot be written.
    """
    found = []
    for site in sites.values():
        first = state_number(lake, site, earlier)
        last = NOW if later is None else state_number(lake, site, later)
        if last != NOW and last <= first:
            raise LakeError(f"FROM must come before TO; asked for was from revision {first} to revision {last}.")
        changes = changes_between(lake, site, first, last)
        _print_changes(console, site, changes, kind, first, last)
        found.append(changes.assign(site=site.site))
    if target is not None:
        replace_text(target, changes_csv(pd.concat(found, ignore_index=True)))
        console.print(f"Every change: {target}", markup=False, highlight=False, soft_wrap=True)
    return 0


def _print_changes(console: Console, site: Site, changes: pd.DataFrame, kind: str, earlier: int, later: int) -> None:
    for part in changes_text(site, changes, kind, earlier, later):
        console.print(part, markup=False, highlight=False, soft_wrap=isinstance(part, str))
