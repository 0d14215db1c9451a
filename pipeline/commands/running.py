"""The commands that compute, and that say what is not up to date: run, status.

Belongs here: their arguments, which rooms they call, what a run says at its end.
Does not: layout of what is shown (publish/), what a run does (orchestration/).
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Sequence
from typing import TYPE_CHECKING

from rich.console import Console

from pipeline.commands.common import DONE, FAILED, RefusalError, add_places, new_command, places, progress_bar

if TYPE_CHECKING:
    from pipeline.commands.common import Commands
    from pipeline.lake import Lake
    from pipeline.orchestration.runs import Outcome
    from pipeline.orchestration.workbench import Workbench
    from pipeline.site import Site

MOST_FINDINGS = 10
MOST_PROCESSES = 64


def add_run(commands: Commands) -> None:
    """`drainledger run`."""
    run = new_command(
        commands,
        "run",
        "compute and check what is not up to date",
        "Computes and checks every table that is missing or was made from files, registers or methods that have changed "
        "since, and nothing else; then shows the loads. A table that fails a check of severity error stops what needs it. "
        "A raw file of a logger or the weather station that changed in place or vanished is held: what was read of it stays in "
        "the tables, nothing is read from it, and the exit code is 1, until the file is put back or accepted. Field books and "
        "laboratory sheets are not held: laboratories revise theirs.",
        "drainledger run --site configs/sedge-hollow --lake sample_lake\n"
        "  drainledger run --dry-run\n"
        "  drainledger run --accept logger/east_2020-02-14.csv.gz",
    )
    add_places(run)
    run.add_argument(
        "--accept",
        action="append",
        default=[],
        metavar="PATH",
        help="take a held raw file as it is now: a changed one is read anew, a vanished one is forgotten with its readings. PATH "
        "is below raw/<site>/, as a run prints it; may be given several times; `all` accepts every held file",
    )
    run.add_argument(
        "--processes",
        type=_processes,
        metavar="N",
        help="how many processes may work on water years at once. Of five plots the first takes about 1 GB of memory, each other 0.6 GB; "
        "more plots take more. Usually 2, or 1 on a machine of one core. The numbers are the same to the last digit",
    )
    run.add_argument(
        "--dry-run",
        action="store_true",
        help="write nothing: say which tables and water years would be computed, and what changed since they were",
    )
    run.set_defaults(carry_out=_run)


def add_status(commands: Commands) -> None:
    """`drainledger status`."""
    status = new_command(
        commands,
        "status",
        "show what is fresh, stale, missing or failing",
        "Shows the state of every table and water year, the days on record of every plot and month, and every check "
        "that fails. Changes nothing.",
        "drainledger status --lake sample_lake",
    )
    add_places(status)
    status.set_defaults(carry_out=_status)


def _processes(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= MOST_PROCESSES:
        raise argparse.ArgumentTypeError(
            f"{text} is no number of processes: give a whole number from 1 to {MOST_PROCESSES}"
        )
    return int(text)


def _run(command: argparse.Namespace, console: Console, errors: Console) -> int:
    return (_say_what_a_run_does if command.dry_run else _bring_up_to_date)(command, console, errors)


def _bring_up_to_date(command: argparse.Namespace, console: Console, errors: Console) -> int:
    from pipeline.orchestration.runs import bring_up_to_date
    from pipeline.orchestration.workbench import Workbench
    from pipeline.stages.intake import raw_paths

    lake, sites = places(command)
    bench = Workbench(lake, sites)
    if command.processes is not None:
        bench.spare_cores = command.processes - 1
    bench.accepted = _accepted(bench, command.accept)
    for site in sites.values():
        _tell_of_files(console, errors, bench, site)
        if not raw_paths(site, lake.raw(site.site)) and not bench.raw_files(site).held:
            raise RefusalError(
                f"{lake.raw(site.site)} holds no file that matches a pattern under `loggers` in {site.folder / 'site.yaml'} "
                f"({', '.join(sorted({logger.files for logger in site.loggers.values()}))}). Put the raw files there."
            )
    began = time.monotonic()
    with _Progress(console) as progress:
        bench.on_step = progress.step
        outcome = bring_up_to_date(bench, progress.expect)
    seconds = time.monotonic() - began
    _show_loads(console, lake, sites)
    partitions = sum(len(states) for states in outcome.states.values())
    if outcome.runs:
        done = f"{progress.computed} of {partitions} partitions were computed and {progress.checked} checked"
        console.print(f"{done}, in {seconds:.0f} s.", highlight=False)
    elif all(one.state == "fresh" for states in outcome.states.values() for one in states):
        console.print(f"All {partitions} partitions are fresh: nothing was computed.", highlight=False)
    return _conclude(console, errors, lake, sites, outcome)


def _say_what_a_run_does(command: argparse.Namespace, console: Console, errors: Console) -> int:
    from pipeline.orchestration.computations import COMPUTATIONS
    from pipeline.orchestration.plan import plan
    from pipeline.orchestration.workbench import Workbench
    from pipeline.publish.plan_words import plan_text

    lake, sites = places(command)
    bench = Workbench(lake, sites)
    bench.accepted = _accepted(bench, command.accept)
    try:
        for site in sites.values():
            _tell_of_files(console, errors, bench, site)
            with console.status("looking at what changed"):
                planned = plan(bench, site)
            partitions = sum(len(computation.tables) * len(computation.years(site)) for computation in COMPUTATIONS)
            for part in plan_text(site, planned, partitions):
                console.print(part, markup=False, highlight=False, soft_wrap=isinstance(part, str))
    finally:
        bench.close()
    return DONE


def _accepted(bench: Workbench, accept: Sequence[str]) -> dict[str, list[str]]:
    """The held files that are accepted, by site."""
    held = {name: list(bench.raw_files(site).held) for name, site in bench.sites.items()}
    known = dict.fromkeys(path for paths in held.values() for path in paths)
    for path in accept:
        if path not in known and path != "all":
            listed = f"Held are: {', '.join(known)}." if known else "None is."
            raise RefusalError(
                f"--accept {path}: no raw file of this path below raw/<site>/ is held. {listed} Nothing was done."
            )
        for site in bench.sites.values():
            bench.forget_raw_files(site)
    return {name: [path for path in paths if path in accept or "all" in accept] for name, paths in held.items()}


def _tell_of_files(console: Console, errors: Console, bench: Workbench, site: Site) -> None:
    """What became of raw files that were read before."""
    from pipeline.publish.summary import departed_sheets, held_files

    raw = bench.raw_files(site)
    for paragraph in held_files(site, raw.folder, raw.held.values()):
        errors.print(paragraph, style="bold red", markup=False, highlight=False, soft_wrap=True)
    for sentence in departed_sheets(site, [*raw.departed_sample_files(), *raw.departed_bench_files()]):
        errors.print(sentence, style="bold", markup=False, highlight=False, soft_wrap=True)
    for path in raw.accepted:
        console.print(f"{path} of {site.title} is taken as it is now.", markup=False, highlight=False, soft_wrap=True)
    for path, now in raw.renamed.items():
        what = "is read by this name, and nothing of it is lost"
        console.print(
            f"{path} lies as {now} now, byte for byte: it {what}.", markup=False, highlight=False, soft_wrap=True
        )


def _show_loads(console: Console, lake: Lake, sites: dict[str, Site]) -> None:
    from pipeline.lake import open_session
    from pipeline.publish.load_words import empty_loads, largest_uncertainties
    from pipeline.publish.summary import backward_flow_note, loads_table, unusable_lines

    with open_session() as session:
        for site in sites.values():
            shown = loads_table(lake, site)
            if shown is not None:
                console.print(shown)
            for paragraph in (
                "\n".join(empty_loads(lake, site)),
                "\n".join(largest_uncertainties(lake, site)),
                backward_flow_note(session, lake, site),
                unusable_lines(session, lake, site),
            ):
                if paragraph:
                    console.print(f"{paragraph}\n", markup=False, highlight=False, soft_wrap=True)


def _conclude(console: Console, errors: Console, lake: Lake, sites: dict[str, Site], outcome: Outcome) -> int:
    from pipeline.publish.changes_words import moved_note
    from pipeline.publish.findings import findings_note
    from pipeline.publish.summary import failed_checks, held_tables

    for site in sites.values():
        if note := findings_note(lake, site):
            console.print(note, style="yellow", markup=False, highlight=False, soft_wrap=True)
        if moved := moved_note(lake, site):
            console.print(moved, style="bold", markup=False, highlight=False, soft_wrap=True)
        if doubtful := failed_checks(lake, site, "warning", MOST_FINDINGS):
            console.print(f"Look at these in {site.title} (warnings; the numbers are computed):", style="yellow")
            console.print(doubtful, markup=False, highlight=False)
        if broken := failed_checks(lake, site, "error", MOST_FINDINGS):
            errors.print(f"These checks fail in {site.title}; nothing that needs the tables is computed:", style="red")
            errors.print(broken, markup=False, highlight=False, soft_wrap=True)
    for failure in outcome.failures:
        errors.print(failure, style="red", markup=False, highlight=False, soft_wrap=True)
    if outcome.succeeded:
        console.print(
            "Everything is up to date. `drainledger report` makes a page of it, `drainledger share` a package for others.",
            highlight=False,
        )
        return DONE
    states = [one for of_site in outcome.states.values() for one in of_site]
    for sentence in held_tables(states):
        errors.print(sentence, style="red", markup=False, highlight=False, soft_wrap=True)
    if held := [file.path for files in outcome.held.values() for file in files]:
        more = f" and {len(held) - MOST_FINDINGS} more" if len(held) > MOST_FINDINGS else ""
        errors.print(
            f"HELD, as told above: {', '.join(held[:MOST_FINDINGS])}{more}. The numbers shown are of the readings as they were.",
            style="bold red",
            markup=False,
            highlight=False,
            soft_wrap=True,
        )
    if left := sum(one.state != "fresh" for one in states):
        errors.print(
            f"{left} partitions are not up to date; `drainledger status` shows which.", style="red", highlight=False
        )
    return FAILED


def _status(command: argparse.Namespace, console: Console, errors: Console) -> int:
    from pipeline.lake import open_session
    from pipeline.orchestration.runs import look
    from pipeline.orchestration.workbench import Workbench
    from pipeline.publish.findings import findings_note
    from pipeline.publish.summary import STATE_MEANINGS, calendar_table, failed_checks, held_tables, states_table

    lake, sites = places(command)

    bench = Workbench(lake, sites)
    seen: set[str] = set()
    held = False
    for site in sites.values():
        _tell_of_files(console, console, bench, site)
        held = held or bool(bench.raw_files(site).held)
    with open_session() as session:
        for site in sites.values():
            states = look(bench, site).all()
            seen |= {one.state for one in states}
            console.print(states_table(site, ((one.table, one.year, one.state) for one in states)))
            for sentence in held_tables(states):
                console.print(sentence, markup=False, highlight=False, soft_wrap=True)
            calendar = calendar_table(session, lake, site)
            if calendar is not None:
                console.print(calendar)
            if note := findings_note(lake, site):
                console.print(note, style="yellow", markup=False, highlight=False, soft_wrap=True)
            for severity in ("error", "warning"):
                if failed := failed_checks(lake, site, severity, MOST_FINDINGS):
                    console.print(f"Failed checks of severity {severity}:")
                    console.print(failed, markup=False, highlight=False)
    for state, meaning in STATE_MEANINGS.items():
        if state in seen:
            console.print(f"{state}: {meaning}", highlight=False)
    if seen - {"fresh", "held"}:
        console.print("`drainledger run` computes what is not fresh.", highlight=False)
    return FAILED if held or "failing" in seen else DONE


class _Progress:
    """What is being done, for the person who waits: a bar on a terminal, nothing elsewhere."""

    def __init__(self, console: Console) -> None:
        self.computed = 0
        self.checked = 0
        self._steps = 0
        self._bar = progress_bar(console)
        self._task = self._bar.add_task("looking at the lake", total=None)

    def __enter__(self) -> _Progress:
        self._bar.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._bar.stop()

    def expect(self, steps: int) -> None:
        """How many steps are still to come."""
        self._bar.update(self._task, total=self._steps + steps)

    def step(self, what: str, site: str, year: int | None, words: str) -> None:
        """One step begins."""
        from pipeline.orchestration.computations import computation_of

        self._steps += 1
        if words == "checking":
            self.checked += 1
        else:
            self.computed += len(computation_of(what).tables)
        partition = site if year is None else f"{site} {year}"
        self._bar.update(self._task, description=f"{words} {what}, {partition}", completed=self._steps)
