"""The command line of `drainledger`.

Belongs here: reading the command, exit codes (0 done; 1 failed, a check failed or a raw file is held; 2 the command itself was wrong),
what is said where a command cannot go on.
Does not: the commands (commands/).
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence

from rich.console import Console

from pipeline.commands import for_people, history, loads, meters, raw_evidence, running, site_folder
from pipeline.commands.common import FAILED, RefusalError

DESCRIPTION = """\
From raw logger files, calibrations and lab results of drained field plots to nutrient loads that survive review.

A lake is one folder: raw/<site>/ holds the text files as they came and is never written; tables/ holds what is
computed from them and can always be rebuilt. A site folder describes one experiment: site.yaml and its registers."""

ADDED = (
    running.add_run,
    running.add_status,
    for_people.add_report,
    for_people.add_share,
    loads.add_trace,
    loads.add_load_methods,
    loads.add_compare_plots,
    loads.add_advise_sampling,
    history.add_history,
    for_people.add_health,
    for_people.add_serve,
    meters.add_meters,
    meters.add_size_meter,
    raw_evidence.add_inspect,
    raw_evidence.add_proofs,
    site_folder.add_new_site,
    site_folder.add_check_site,
)
"""In the order of `drainledger --help`."""


def command_line() -> argparse.ArgumentParser:
    """What reads the command line; `carry_out` of what it gives does what was asked."""
    parser = argparse.ArgumentParser(
        prog="drainledger",
        description=DESCRIPTION,
        epilog="examples:\n  drainledger run\n  drainledger status\n\nEvery command explains itself: drainledger run --help",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    for add in ADDED:
        add(commands)
    return parser


def main(arguments: Sequence[str] | None = None) -> int:
    """Carry out one command; returns the exit code."""
    command = command_line().parse_args(arguments)
    console, errors = Console(), Console(stderr=True)
    import duckdb

    from pipeline.lake import LakeError, trouble
    from pipeline.orchestration.lock import LakeBusyError

    try:
        done: int = command.carry_out(command, console, errors)
        return done
    except (RefusalError, LakeError, LakeBusyError) as error:
        errors.print(str(error), style="red", markup=False, highlight=False, soft_wrap=True)
    except (OSError, duckdb.IOException) as error:
        errors.print(trouble(error) or str(error), style="red", markup=False, highlight=False, soft_wrap=True)
    except KeyboardInterrupt:
        errors.print("Stopped. What was computed stays; the next run goes on from there.")
        return 130
    return FAILED


if __name__ == "__main__":
    sys.exit(main())
