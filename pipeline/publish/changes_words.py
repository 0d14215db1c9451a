"""Published states and what moved between them, for a person on the terminal and as delimited text.

Belongs here: which changes are shown, layout, rounding, wording.
Does not: finding changes and causes (orchestration/history.py), deciding what is shown when (cli.py).
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pandas as pd
from rich.box import SIMPLE_HEAD
from rich.table import Table as TextTable

from pipeline.lake import Lake
from pipeline.orchestration.history import NOW
from pipeline.site import Site
from pipeline.tables import table
from pipeline.tables.declared.history import HOW_CHANGED
from pipeline.tables.declared.words import CAUSES

HOW_SHORT = {
    "direct": "",
    "filled_from_neighbour": "by filling from a neighbour",
    "filled_from_other_year": "by filling from another year",
    "concentration_only": "by its concentration only",
    "interval_only": "interval only",
    "unknown": "",
}
MOST_ROWS = 200


def revisions_text(lake: Lake, site: Site) -> TextTable | None:
    """Every published state; none where there is none."""
    rows = lake.frame(table("revisions"), site.site)
    if rows.empty:
        return None
    shown = TextTable(title=f"{site.title}: published states of the loads", box=SIMPLE_HEAD, title_justify="left")
    for heading in ("revision", "published (UTC)", "water years", "annual loads", "program", "registers", "reason"):
        shown.add_column(heading)
    for row in rows.to_dict("records"):
        shown.add_row(
            str(row["revision"]),
            row["made_at"].strftime("%Y-%m-%d %H:%M"),
            f"{row['first_water_year']}–{row['last_water_year']}",
            str(row["annual_loads"]),
            _commit(row["program_commit"], row["program_changed"]),
            _commit(row["registers_commit"], row["registers_changed"]),
            row["reason"],
        )
    return shown


def _commit(commit: object, changed: object) -> str:
    if not isinstance(commit, str):
        return "no repository"
    return f"{commit[:10]}{' and changes' if changed is True else ''}"


def state_words(number: int) -> str:
    """A state as people call it."""
    return "the tables as they are now" if number == NOW else f"revision {number}"


def changes_text(site: Site, changes: pd.DataFrame, kind: str, earlier: int, later: int) -> Iterator[str | TextTable]:
    """What moved from one state to another: a table of loads of one kind, then the causes in sentences.

    Args:
        site: the experiment.
        changes: rows of `load_changes` of these two states.
        kind: annual, monthly or event.
        earlier: number of the state before.
        later: number of the state after, or `NOW`.
    """
    between = f"from {state_words(earlier)} to {state_words(later)}"
    if changes.empty:
        yield f"{site.title}: no load moved {between}."
        return
    rows = changes[changes["kind"] == kind]
    counts = changes.groupby("kind").size()
    yield (
        f"{site.title}: what moved {between}. "
        f"{', '.join(f'{counts.get(name, 0)} {name}' for name in ('annual', 'monthly', 'event'))} loads differ."
    )
    if len(rows):
        yield _table(rows.head(MOST_ROWS))
    if len(rows) > MOST_ROWS:
        yield f"and {len(rows) - MOST_ROWS} more; `--csv FILE` has them all."
    causes = dict.fromkeys((row["detail"], row["how"]) for row in rows.to_dict("records"))
    for number, (detail, how) in enumerate(causes, start=1):
        words = "" if how in ("direct", "unknown") else f" ({HOW_CHANGED[how]})"
        yield f"[{number}] {detail}{words}"


def _table(rows: pd.DataFrame) -> TextTable:
    notes = {(row["detail"], row["how"]): 0 for row in rows.to_dict("records")}
    notes = {note: number for number, note in enumerate(notes, start=1)}
    several = rows["analyte"].nunique() > 1
    shown = TextTable(box=SIMPLE_HEAD, pad_edge=False)
    shown.add_column("plot")
    if several:
        shown.add_column("analyte")
    shown.add_column("period")
    for heading in ("before\nkg/ha", "after\nkg/ha", "change\nkg/ha", "change\n%", "water\nmm"):
        shown.add_column(heading, justify="right", no_wrap=True)
    shown.add_column("why")
    for row in rows.to_dict("records"):
        kinds = ", ".join(CAUSES.get(kind, kind) for kind in row["cause"].split("; "))
        how = HOW_SHORT[row["how"]]
        shown.add_row(
            row["plot"],
            *([row["analyte"]] if several else []),
            row["period"],
            _number(row["before"], ".3f"),
            _number(row["after"], ".3f"),
            _number(row["change"], "+.3f"),
            _number(row["change_pct"], "+.2f"),
            _number(row["volume_change_mm"], "+.2f"),
            f"{kinds}{', ' + how if how else ''} [{notes[row['detail'], row['how']]}]",
        )
    return shown


def _number(value: Any, how: str) -> str:
    return "–" if pd.isna(value) else format(value, how)


def changes_csv(changes: pd.DataFrame) -> str:
    """Every change as delimited text, each number with all its digits."""
    return changes.to_csv(index=False, lineterminator="\r\n")


def moved_note(lake: Lake, site: Site) -> str:
    """A sentence for the end of a run where loads differ from the last published state; empty where none does."""
    rows = lake.frame(table("load_changes"), site.site)
    rows = rows[(rows["to_revision"] == NOW) & (rows["kind"] == "annual") & (rows["how"] != "interval_only")]
    if rows.empty:
        return ""
    most = rows.assign(size=rows["change"].abs()).sort_values("size", ascending=False, na_position="last").iloc[0]
    plural = len(rows) > 1
    return (
        f"{len(rows)} annual load{'s' if plural else ''} of {site.title} differ{'' if plural else 's'} from the last published state "
        f"(revision {most['from_revision']}), most {most['plot']} {most['analyte']} in {most['water_year']}: "
        f"{_number(most['before'], '.3f')} → {_number(most['after'], '.3f')} kg/ha ({_number(most['change_pct'], '+.2f')} %). "
        "`drainledger changes` says which and why."
    )
