"""The commands that make what people look at and take away: report, share, health, serve.

Belongs here: their arguments, which rooms they call, starting the web page of Dagster.
Does not: what a page or a package holds (publish/).
"""

from __future__ import annotations

import argparse
import os
import signal
import socket
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from rich.console import Console
from rich.progress import BarColumn, Progress, TaskID, TextColumn, TimeElapsedColumn

from pipeline.commands.common import (
    DONE,
    FAILED,
    RefusalError,
    add_places,
    keep_apart,
    new_command,
    places,
    port,
    progress_bar,
)

if TYPE_CHECKING:
    from pipeline.commands.common import Commands


def add_report(commands: Commands) -> None:
    """`drainledger report`."""
    report = new_command(
        commands,
        "report",
        "write the page that people look at",
        "Writes one HTML file per site that needs no network and no program but a browser: what left each plot, how much of it was "
        "measured, the flow from years to one night, and how sure one can be. It can be mailed, printed and kept; every figure has "
        "its numbers behind it. Needs the tables that `drainledger run` has stored, and changes none.",
        "drainledger report\n  drainledger report --site configs/sedge-hollow --out season.html",
    )
    add_places(report)
    report.add_argument(
        "--out", type=Path, metavar="FILE", help="where the page goes (default: report_SITE.html in this folder)"
    )
    report.set_defaults(carry_out=_report)


def add_share(commands: Commands) -> None:
    """`drainledger share`."""
    share = new_command(
        commands,
        "share",
        "make a package of tables for collaborators",
        "Makes a folder that explains itself: loads, hourly flow and concentration, events, outages, samples, registers and more as "
        "comma-separated text (which no spreadsheet executes) and as Parquet; README.md on what must be known before a number is used; "
        "METHODS.md on how the numbers were made; a descriptor by the Data Package standard; provenance with checksums; a citation "
        "file. The same lake gives the same bytes. A package that was shared into the folder before is replaced, anything else is "
        "left alone. Licence, creators, contact and citation come from site.yaml. Exit code 1: tables were not up to date, and the "
        "package says so.",
        "drainledger share --out sedge-hollow-package --zip",
    )
    share.add_argument("--out", type=Path, required=True, metavar="FOLDER", help="the folder to make")
    share.add_argument("--zip", action="store_true", help="make an archive of the folder beside it as well")
    share.add_argument(
        "--intervals",
        action="store_true",
        help="share the record by metering interval too (flow and gauges), for models that need more than hours",
    )
    share.add_argument(
        "--netcdf",
        action="store_true",
        help="share hourly flow and concentration also as CF-convention time series (netCDF)",
    )
    add_places(share)
    share.set_defaults(carry_out=_share)


def add_health(commands: Commands) -> None:
    """`drainledger health`."""
    health = new_command(
        commands,
        "health",
        "say how the stations do: what is silent, what needs somebody",
        "Says what arrived in the last day, which logger or meter is silent, which supply voltage falls, how much of the last seven days "
        "was measured, and first of all what needs somebody. Writes the same text to tables/health/<site>.txt in the lake. Reads what "
        "the last run has stored. Exit code 1: something needs somebody.",
        "drainledger health\n\nevery morning from cron:\n  0 6 * * * cd /path/to/clone && .venv/bin/drainledger run && "
        ".venv/bin/drainledger health",
    )
    add_places(health)
    health.set_defaults(carry_out=_health)


def add_serve(commands: Commands) -> None:
    """`drainledger serve`."""
    serve = new_command(
        commands,
        "serve",
        "open the web page of runs, tables and checks",
        "Starts Dagster's web page on this computer: the graph of all tables, their partitions and checks, past runs. With --watch it "
        "also looks for new raw files every minute and computes what they change, and writes the health of every site each morning. "
        "Ends with Ctrl+C.",
        "drainledger serve --port 3000\n  drainledger serve --watch",
    )
    serve.add_argument(
        "--watch",
        action="store_true",
        help="run the sensor for new files and the daily schedule from the start (else they can be started on the page)",
    )
    add_places(serve)
    serve.add_argument("--port", type=port, default=3000, metavar="NUMBER", help="port of the page (default: 3000)")
    serve.add_argument(
        "--host",
        default="127.0.0.1",
        metavar="ADDRESS",
        help="address of the page (default: 127.0.0.1, which only this computer reaches; the page asks for no password)",
    )
    serve.set_defaults(carry_out=_serve)


def _report(command: argparse.Namespace, console: Console, errors: Console) -> int:
    from pipeline.lake import open_session, replace_text
    from pipeline.orchestration.runs import look
    from pipeline.orchestration.workbench import Workbench
    from pipeline.publish.report import ReportError, report_page
    from pipeline.publish.summary import not_up_to_date

    lake, sites = places(command)
    out = command.out

    if out is not None and len(sites) > 1:
        raise RefusalError(f"Each site has a page of its own: name the site of {out} with --site ({', '.join(sites)}).")
    targets = {name: out or Path(f"report_{name}.html") for name in sites}
    for name, site in sites.items():
        keep_apart(targets[name], lake, site)
    for name, site in sites.items():
        stale = [f"Not up to date: {sentence}" for sentence in not_up_to_date(look(Workbench(lake, sites), site).all())]
        with tempfile.TemporaryDirectory() as spill, open_session(Path(spill)) as session, progress_bar(console) as bar:
            task = bar.add_task(f"reading the tables of {name}", total=None)

            def on_part(done: int, of: int, bar: Progress = bar, task: TaskID = task) -> None:
                bar.update(task, completed=done, total=of)

            try:
                page = report_page(session, lake, site, stale, on_part)
            except ReportError as error:
                raise RefusalError(str(error)) from error
        replace_text(targets[name], page)
        size = len(page.encode()) / 1e6
        console.print(
            f"{targets[name]} ({size:.1f} MB) opens in any browser.", markup=False, highlight=False, soft_wrap=True
        )
        for sentence in stale:
            console.print(f"{sentence} The page says so too.", markup=False, highlight=False, soft_wrap=True)
    return DONE


def _share(command: argparse.Namespace, console: Console, errors: Console) -> int:
    from pipeline.lake import open_session
    from pipeline.orchestration.runs import look
    from pipeline.orchestration.workbench import Workbench
    from pipeline.publish.share import ShareError, share
    from pipeline.publish.summary import not_up_to_date

    lake, sites = places(command)

    if len(sites) > 1:
        raise RefusalError(
            f"Which site is to be shared? Name its folder with --site; {len(sites)} are known: {', '.join(sites)}."
        )
    (site,) = sites.values()
    stale = tuple(not_up_to_date(look(Workbench(lake, sites), site).all()))
    bar = Progress(
        TextColumn("writing rows"),
        BarColumn(),
        TimeElapsedColumn(),
        console=console,
        transient=True,
        disable=not console.is_terminal,
    )
    task = bar.add_task("", total=None)
    try:
        with open_session() as session, bar:
            shared = share(
                session,
                lake,
                site,
                command.out,
                archive=command.zip,
                by_interval=command.intervals,
                netcdf=command.netcdf,
                stale=stale,
                expect=lambda rows: bar.update(task, total=rows),
                wrote=lambda rows: bar.advance(task, rows),
            )
    except ShareError as error:
        raise RefusalError(str(error)) from error
    beside = f" and {shared.archive}" if shared.archive else ""
    console.print(
        f"{shared.folder}{beside}: {len(shared.rows)} tables of {site.title}, {sum(shared.rows.values()):,} rows, each as .csv and "
        ".parquet. Its README.md is what the receiver reads first.",
        markup=False,
        highlight=False,
        soft_wrap=True,
    )
    if site.licence is None or not site.creators:
        console.print(
            f"{site.folder / 'site.yaml'} names no licence or no creators, and the package says so: nobody may pass on what has no "
            "licence. Add licence, creators and contact there.",
            markup=False,
            highlight=False,
            soft_wrap=True,
        )
    for sentence in stale:
        errors.print(
            f"Not up to date, and the package says so: {sentence}",
            style="red",
            markup=False,
            highlight=False,
            soft_wrap=True,
        )
    return FAILED if stale else DONE


def _health(command: argparse.Namespace, console: Console, errors: Console) -> int:
    from datetime import UTC, datetime

    from pipeline.lake import open_session
    from pipeline.publish.health import health_text, write_health

    lake, sites = places(command)
    needed = False
    with open_session() as session:
        for site in sites.values():
            health, path = write_health(session, lake, site, datetime.now(UTC))
            needed = needed or bool(health.needs)
            console.print(health_text(health, site), markup=False, highlight=False, soft_wrap=True)
            console.print(f"This text stands in {path}.\n", markup=False, highlight=False, soft_wrap=True)
    return FAILED if needed else DONE


def _serve(command: argparse.Namespace, console: Console, errors: Console) -> int:
    from pipeline.orchestration.instance import LAKE_VARIABLE, SITES_VARIABLE, WATCH_VARIABLE, open_records

    lake, sites = places(command)
    host, port = command.host, command.port
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError as error:
            raise RefusalError(
                f"Port {port} of {host} cannot be used: {error.strerror or error}. Choose another with --port."
            ) from error
    with open_records(lake.root) as records:
        folder = records.root_directory
    environment = os.environ | {
        "PYTHONWARNINGS": "ignore",
        "DAGSTER_HOME": folder,
        LAKE_VARIABLE: str(lake.root.resolve()),
        SITES_VARIABLE: os.pathsep.join(str(site.folder.resolve()) for site in sites.values()),
    }
    if command.watch:
        environment[WATCH_VARIABLE] = "1"
    watches = " and watches for new files" if command.watch else ""
    console.print(f"http://{host}:{port} shows the lake {lake.root}{watches}. Ctrl+C ends it.", highlight=False)
    page = [sys.executable, "-m", "dagster", "dev", "-m", "pipeline.definitions", "-h", host, "-p", str(port)]
    # A shell that starts a command in the background has it ignore Ctrl+C; whoever asks it to end must still be heard.
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    # Dagster ends its own processes by SIGINT, which they would ignore where this one was started in the background.
    signal.signal(signal.SIGINT, signal.default_int_handler)
    with subprocess.Popen(page, env=environment) as process:
        try:
            code = process.wait()
        except KeyboardInterrupt:
            # Ctrl+C reached the page too, a plain request to end did not; it ends its own processes.
            process.terminate()
            process.wait()
            return DONE
    return DONE if code == 0 else FAILED
