"""The commands about published states: publish, revisions, changes.

Belongs here: their arguments.
Does not: what they do and say (publish/history_commands.py).
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from rich.console import Console

from pipeline.commands.common import add_places, new_command, places

if TYPE_CHECKING:
    from pipeline.commands.common import Commands


def add_history(commands: Commands) -> None:
    """`drainledger publish`, `revisions`, `changes`."""
    publish = new_command(
        commands,
        "publish",
        "name a state of the loads that others may cite",
        "Keeps the loads as they are now as a numbered revision, with the reason, the registers, the digests of all raw files, the "
        "state of the repository and what every table was made from, in published/<site>/ of the lake, which no run changes or removes. "
        "Later runs say which loads have moved since. Everything must be up to date. Exit code 1: nothing was published.",
        'drainledger publish --reason "report to the funder, 2022"',
    )
    publish.add_argument("--reason", required=True, metavar="TEXT", help="why, in a few words")
    add_places(publish)
    revisions = new_command(
        commands,
        "revisions",
        "list the published states of the loads",
        "Lists every published state: number, day, reason, commits of the program and of the registers.",
        "drainledger revisions",
    )
    add_places(revisions)
    changes = new_command(
        commands,
        "changes",
        "say which loads moved since they were published, by how much and why",
        "Compares two published states, or one with the tables as they are now: every load that moved, before, after, kg/ha and %, with "
        "what changed. Plots that moved only because a filled hour leans on a corrected neighbour are told apart. Changes nothing.",
        "drainledger changes\n  drainledger changes 1 2 --by month\n  drainledger changes 1 --csv changes.csv",
    )
    changes.add_argument("earlier", type=int, nargs="?", metavar="FROM", help="number of a revision (default: the last)")
    changes.add_argument("later", type=int, nargs="?", metavar="TO", help="number of a later one (default: now)")
    changes.add_argument(
        "--by",
        choices=("year", "month", "event"),
        default="year",
        help="which loads are printed (default: year); the file of --csv holds all three",
    )
    changes.add_argument(
        "--csv", type=Path, metavar="FILE", help="write every change with all digits to this file as well"
    )
    add_places(changes)
    for command, carry_out in ((publish, _publish), (revisions, _revisions), (changes, _changes)):
        command.set_defaults(carry_out=carry_out)


def _publish(command: argparse.Namespace, console: Console, errors: Console) -> int:
    from pipeline.publish.history_commands import publish_loads

    return publish_loads(console, errors, *places(command), command.reason)


def _revisions(command: argparse.Namespace, console: Console, errors: Console) -> int:
    from pipeline.publish.history_commands import list_revisions

    return list_revisions(console, *places(command))


def _changes(command: argparse.Namespace, console: Console, errors: Console) -> int:
    from pipeline.publish.history_commands import show_changes

    kind = {"year": "annual", "month": "monthly", "event": "event"}[command.by]
    return show_changes(console, *places(command), command.earlier, command.later, kind, command.csv)
