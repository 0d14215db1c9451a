"""The command line of `drainledger`.

Belongs here: reading the command, calling the rooms that do the work, exit codes (0 done; 1 failed, a check failed or a raw file is
held; 2 the command itself was wrong).
Does not: any computation; layout of what is shown (publish/).

Slow libraries are imported where they are used, so that `--help` and a wrong command answer at once.
"""

from __future__ import annotations

import argparse
import csv
import math
import os
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TaskID, TextColumn, TimeElapsedColumn
from rich.text import Text

if TYPE_CHECKING:
    from pipeline.lake import Lake
    from pipeline.orchestration.runs import Outcome
    from pipeline.orchestration.workbench import Workbench
    from pipeline.site import Site

DONE, FAILED = 0, 1
MOST_FINDINGS = 10

DESCRIPTION = """\
From raw logger files, calibrations and lab results of drained field plots to nutrient loads that survive review.

A lake is one folder: raw/<site>/ holds the text files as they came and is never written; tables/ holds what is
computed from them and can always be rebuilt. A site folder describes one experiment: site.yaml and its registers."""


PROOFS = """\
Says for every column of a bench file which meter and direction it is and how sure that is, its litres per pulse with expanded
uncertainty (95 %), repeatability and linearity, how meters in series compare, and whether calibrations.csv and wiring.csv
agree. Proposes rows for calibrations.csv; edits nothing. Exit code 1: a line could not be used.

A bench file lies in raw/<site>/bench/, named by logger and day, such as east_2019-09-25.csv. A line is a run:

  run,direction,in_line,reference_l,reference_u_l,seconds,n1,n2,n3,n4
  1,forward,E1 E2,401.6,0.6,2676,59,0,50,0
  2,forward,E2,921.6,0.6,921,0,0,115,0
  3,reverse,E1 E2,411.4,0.6,987,0,62,0,50

  run, seconds      number of the run, and how long it lasted
  reference_l       volume that ran; reference_u_l is its standard uncertainty. Empty where meters in series are only
                    compared with one another
  reference_kg      instead of it, what a balance showed; with reference_u_kg and water_temp_c, and air_temp_c and
                    air_pressure_hpa if you have them
  reference_common_u_pct  standard uncertainty of the reference that is one error in all runs (a certificate's), in %
  direction, in_line      forward or reverse; the meters in the line. Leave either out where nobody knows: then less can be
                    told, and what cannot be told is said
  logger, date      where the file's name does not say them
  every other column is one of the logger's, with the pulses that it counted in the run

Two meters of about the same litres per pulse can be told apart only by a run in which one of them is not in line."""


class RefusalError(Exception):
    """The command cannot be carried out; the message is a sentence for a person."""


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="drainledger",
        description=DESCRIPTION,
        epilog="examples:\n  drainledger run\n  drainledger status\n\nEvery command explains itself: drainledger run --help",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")

    run = _command(
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
    _add_places(run)
    run.add_argument(
        "--accept",
        action="append",
        default=[],
        metavar="PATH",
        help="take a held raw file as it is now: a changed one is read anew, a vanished one is forgotten with its readings. PATH "
        "is below raw/<site>/, as a run prints it; may be given several times; `all` accepts every held file",
    )
    run.add_argument(
        "--dry-run",
        action="store_true",
        help="write nothing: say which tables and water years would be computed, and what changed since they were",
    )

    status = _command(
        commands,
        "status",
        "show what is fresh, stale, missing or failing",
        "Shows the state of every table and water year, the days on record of every plot and month, and every check "
        "that fails. Changes nothing.",
        "drainledger status --lake sample_lake",
    )
    _add_places(status)

    inspect = _command(
        commands,
        "inspect",
        "say what the program makes of one raw file",
        "Reads one file, wherever it lies, and says which layout reads it or where it differs, what its lines, columns and times "
        "hold, which lines and values cannot be used, and what of it is in the lake already. For a file that no declared layout "
        "reads it proposes one. Changes nothing. Exit code 0: a declared layout reads it; 1: none does.",
        "drainledger inspect sample_lake/raw/sedge-hollow/logger/east_2019-12-14.csv.gz",
    )
    inspect.add_argument("file", type=Path, metavar="FILE", help="the file")
    _add_places(inspect)

    proofs = _command(
        commands,
        "proofs",
        "say what bench tests prove of meters",
        PROOFS,
        "drainledger proofs\n  drainledger proofs sample_lake/raw/sedge-hollow/bench/east_2021-02-10.csv",
    )
    proofs.add_argument(
        "files", type=Path, nargs="*", metavar="FILE", help="bench files (default: all of raw/<site>/bench/ in the lake)"
    )
    _add_places(proofs)

    serve = _command(
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
    _add_places(serve)
    serve.add_argument("--port", type=_port, default=3000, metavar="NUMBER", help="port of the page (default: 3000)")
    serve.add_argument(
        "--host",
        default="127.0.0.1",
        metavar="ADDRESS",
        help="address of the page (default: 127.0.0.1, which only this computer reaches; the page asks for no password)",
    )

    check = _command(
        commands,
        "check-site",
        "say everything that is wrong with a site folder",
        "Reads site.yaml and all registers of a site folder and says everything that is wrong, with file, line and column. "
        "Computes nothing.",
        "drainledger check-site configs/sedge-hollow",
    )
    check.add_argument("folder", type=Path, metavar="FOLDER", help="the site folder")
    check.add_argument(
        "--lake",
        type=Path,
        default=Path("sample_lake"),
        metavar="FOLDER",
        help="the lake that the next steps name (default: sample_lake)",
    )
    _add_new_site(commands)
    meters = _command(
        commands,
        "meters",
        "say which meters the record speaks against, and what to check",
        "Says of every finding in the stored tables which meter it is about, from when to when, how strong the evidence is and what to "
        "check in the field: silent meters, stuck counters, rates that cannot be, steps of a calibration, exchanged directions and "
        "exchanged columns. Changes nothing.",
        "drainledger meters",
    )
    _add_places(meters)
    _add_size_meter(commands)
    _add_share(commands)
    _add_trace(commands)
    _add_load_methods(commands)
    _add_history(commands)

    report = _command(
        commands,
        "report",
        "write the page that people look at",
        "Writes one HTML file per site that needs no network and no program but a browser: what left each plot, how much of it was "
        "measured, the flow from years to one night, and how sure one can be. It can be mailed, printed and kept; every figure has "
        "its numbers behind it. Needs the tables that `drainledger run` has stored, and changes none.",
        "drainledger report\n  drainledger report --site configs/sedge-hollow --out season.html",
    )
    _add_places(report)
    report.add_argument(
        "--out", type=Path, metavar="FILE", help="where the page goes (default: report_SITE.html in this folder)"
    )
    health = _command(
        commands,
        "health",
        "say how the stations do: what is silent, what needs somebody",
        "Says what arrived in the last day, which logger or meter is silent, which supply voltage falls, how much of the last seven days "
        "was measured, and first of all what needs somebody. Writes the same text to tables/health/<site>.txt in the lake. Reads what "
        "the last run has stored. Exit code 1: something needs somebody.",
        "drainledger health\n\nevery morning from cron:\n  0 6 * * * cd /path/to/clone && .venv/bin/drainledger run && "
        ".venv/bin/drainledger health",
    )
    _add_places(health)
    _add_compare_plots(commands)
    _add_advise_sampling(commands)
    return parser


def _add_compare_plots(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    compare = _command(
        commands,
        "compare-plots",
        "say what a treatment did, by a plot that did not have it",
        "Pairs a treated plot with a control: regression of treated on control before the change, shift after it, with a 90 % interval "
        "that carries scatter, autocorrelation and the uncertainty of the loads, and one plain sentence. What is not named comes from "
        "treatments.csv: the plot and the day of the only change; as control, of the plots that kept their treatment the one that goes "
        "best with the treated plot before the change. Says why where the design cannot carry a comparison: too few pairs, control beyond "
        "what it had before, plots that do not go together, a control that was changed too, too much that was filled. Prints a table, "
        "writes a picture; changes no table. Needs what `drainledger run` has stored. Exit code 1: it cannot be told.",
        "drainledger compare-plots --treated P2\n"
        "  drainledger compare-plots --treated P2 --control P1 --change 2020-11-14 --by event --of volume",
    )
    _add_places(compare)
    compare.add_argument(
        "--treated", metavar="PLOT", help="the plot whose treatment changed (default: the only one that did)"
    )
    compare.add_argument(
        "--control",
        metavar="PLOT",
        help="the plot beside it (default: the best of those that kept theirs)",
    )
    compare.add_argument(
        "--change",
        type=_day,
        metavar="DAY",
        help="first day of the new treatment, as 2020-11-14 (default: the only one of the plot)",
    )
    compare.add_argument(
        "--by", choices=("month", "event", "year"), default="month", help="what a pair is (default: month)"
    )
    compare.add_argument("--of", metavar="WHAT", help="volume, or an analyte (default: the first analyte of site.yaml)")
    compare.add_argument(
        "--scale",
        choices=("auto", "log", "plain"),
        default="auto",
        help="lines of logarithms or of the values as they are (default: logarithms where all are positive)",
    )
    compare.add_argument(
        "--picture",
        type=Path,
        metavar="FILE",
        help="where the picture (SVG) goes (default: named after what it shows, in this folder)",
    )


def _add_advise_sampling(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    advise = _command(
        commands,
        "advise-sampling",
        "say what other plans of sampling would have told",
        "Takes equally likely histories of a plot's flow and concentration for the truth, one after another, samples them by grabs every "
        "so many days or by flow-paced composites, lets the laboratory err, and says how far the annual load would lie off. Prints a "
        "table, writes a picture; changes no table. Needs what `drainledger run` has stored.",
        "drainledger advise-sampling --plot P1\n  drainledger advise-sampling --plot P1 --every 2,5,10 --pacing-mm 0.5,2",
    )
    _add_places(advise)
    advise.add_argument("--plot", required=True, metavar="PLOT", help="the plot, as named in plots.csv")
    advise.add_argument("--analyte", metavar="NAME", help="the analyte (default: the first of site.yaml)")
    advise.add_argument(
        "--every",
        type=_numbers(0, 366, "days between 1 and 366, such as 3,7,14"),
        default=(3.0, 7.0, 14.0, 28.0),
        metavar="LIST",
        help="whole days between grabs, parted by commas (default: 3,7,14,28)",
    )
    advise.add_argument(
        "--pacing-mm",
        type=_numbers(0, 1000, "mm of drainage above 0, such as 1,5"),
        default=(1.0, 5.0),
        metavar="LIST",
        help="drainage for which a composite takes one aliquot, in mm, parted by commas (default: 1,5)",
    )
    advise.add_argument(
        "--picture",
        type=Path,
        metavar="FILE",
        help="where the picture (SVG) goes (default: named after what it shows, in this folder)",
    )


def _add_load_methods(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    methods = _command(
        commands,
        "load-methods",
        "show the load of each year by each method, side by side",
        "Shows the reported load of every plot and water year beside the estimators that the trade uses: straight lines between "
        "results with continuous flow, flow-weighted mean, ratio estimator, rating curve, time-weighted mean, composites by volume. With "
        "--plot, one plot with standard errors and what each load is made from. Needs what `drainledger run` has stored; changes nothing.",
        "drainledger load-methods\n  drainledger load-methods --plot P1",
    )
    _add_places(methods)
    methods.add_argument(
        "--plot", metavar="PLOT", help="the plot to show in full, as named in plots.csv (default: all, loads only)"
    )


def _add_history(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    publish = _command(
        commands,
        "publish",
        "name a state of the loads that others may cite",
        "Keeps the loads as they are now as a numbered revision, with the reason, the registers, the digests of all raw files, the "
        "state of the repository and what every table was made from, in published/<site>/ of the lake, which no run changes or removes. "
        "Later runs say which loads have moved since. Everything must be up to date. Exit code 1: nothing was published.",
        'drainledger publish --reason "report to the funder, 2022"',
    )
    publish.add_argument("--reason", required=True, metavar="TEXT", help="why, in a few words")
    _add_places(publish)
    revisions = _command(
        commands,
        "revisions",
        "list the published states of the loads",
        "Lists every published state: number, day, reason, commits of the program and of the registers.",
        "drainledger revisions",
    )
    _add_places(revisions)
    changes = _command(
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
    _add_places(changes)


def _add_share(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    share = _command(
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
    _add_places(share)


def _add_trace(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    trace = _command(
        commands,
        "trace",
        "follow a published load back to pulses, files and samples",
        "Says what a load is made of: hours by basis, concentrations, metered water by calibration, logger column and raw file, with the "
        "lines that hold it, estimated hours and what told them, samples and their laboratory batches. Every list adds up to the load. "
        "Pulses are taken anew times the litres per pulse of calibrations.csv, so that a trace that adds up is also a proof. "
        "Without a plot and a period, every published load is held to its trace. Changes nothing. Exit code 1: something does not add up.",
        "drainledger trace --plot P1 --year 2021\n"
        "  drainledger trace --plot P5 --event 2020-003 --lines\n"
        "  drainledger trace --plot P1 --month 2021-03 --json > trace.json\n"
        '  drainledger trace --treatment "controlled drainage" --year 2022\n'
        "  drainledger trace",
    )
    trace.add_argument("--plot", metavar="PLOT", help="the plot, as named in plots.csv")
    trace.add_argument("--analyte", metavar="NAME", help="the analyte (default: the first of site.yaml)")
    trace.add_argument(
        "--year", type=_year, metavar="YEAR", help="water year; also which one an event or treatment is of"
    )
    period = trace.add_mutually_exclusive_group()
    for name, metavar, what in (
        ("month", "YYYY-MM", "a month"),
        ("day", "YYYY-MM-DD", "a day"),
        ("event", "NAME", "an event, as in the table events; `between` with --year: the water between events"),
        ("season", "YYYY-MM-DD", "a quarter of the year, by its first day"),
        ("period", "NAME", "a period of site.yaml"),
        ("treatment", "NAME", "a treatment of a water year (--year), instead of a plot"),
    ):
        period.add_argument(f"--{name}", metavar=metavar, help=what)
    trace.add_argument(
        "--lines",
        action="store_true",
        help="print every line of a raw file behind the load as it stands there, with what it gave",
    )
    trace.add_argument("--json", action="store_true", help="print it for programs: everything, SI units, times in UTC")
    _add_places(trace)


def _add_size_meter(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    size = _command(
        commands,
        "size-meter",
        "compare bores for a plot's meter on its measured flow",
        "Takes the measured flow of one plot, both ways by size, and says for each bore: from which flow a meter is accurate, how "
        "much water and time lies below that and what it does to the uncertainty of a year's volume; velocity and head loss of throat "
        "and reducers at the highest flow and at flows that are exceeded for a share of the time. A smaller bore reads slow water "
        "better and holds back more head; which of the two matters more is for you to weigh. Prints tables, writes a picture, and a "
        "sheet if asked; changes no table and no register. Needs the flow that `drainledger run` has stored.",
        "drainledger size-meter configs/sedge-hollow --plot P1\n"
        "  drainledger size-meter configs/sedge-hollow --plot P1 --bore-mm 50,65,100 --exceeded 0.5,2,10 --head-m 0.3 --slope 0.002",
    )
    size.add_argument(
        "folder",
        nargs="?",
        type=Path,
        metavar="FOLDER",
        help="the site folder (default: the one of configs/ that has the plot)",
    )
    size.add_argument("--plot", required=True, metavar="PLOT", help="the plot, as named in plots.csv")
    size.add_argument(
        "--lake", type=Path, default=Path("sample_lake"), metavar="FOLDER", help="the lake (default: sample_lake)"
    )
    size.add_argument(
        "--bore-mm",
        type=_numbers(0, math.inf, "bores in mm, such as 50,65,100"),
        metavar="LIST",
        help="bores to compare, in mm, parted by commas (default: nominal trade sizes from 40 mm up to the main; a maker's own bore "
        "differs by some per cent). The bore in use is always shown",
    )
    size.add_argument(
        "--exceeded",
        type=_numbers(0, 100, "percentages between 0 and 100, such as 1,5,50"),
        default=(1.0, 5.0, 50.0),
        metavar="LIST",
        help="percentages of the measured time, parted by commas: the flows that are exceeded for so long are looked at, and the "
        "highest (default: 1,5,50)",
    )
    size.add_argument(
        "--range",
        choices=("meter", "trade"),
        default="meter",
        help="from where on a meter of another bore is accurate: `meter`, the error curve of the meter in use at the same velocity; "
        "`trade`, ±5 %% from 1.5 cm/s upwards (default: meter)",
    )
    size.add_argument(
        "--reducer-angle-deg",
        type=_number(0, 180, "an angle above 0 and up to 180 degrees"),
        default=30.0,
        metavar="NUMBER",
        help="angle between opposite walls of both reducers; 180 is a sudden change of bore (default: 30, usual for fittings)",
    )
    size.add_argument(
        "--throat-mm",
        type=_number(0, math.inf, "a length in mm above 0"),
        metavar="NUMBER",
        help="length of pipe of the meter's bore between the reducers (default: ten bores)",
    )
    size.add_argument(
        "--roughness-mm",
        type=_number(0, math.inf, "a roughness in mm above 0"),
        default=0.0015,
        metavar="NUMBER",
        help="roughness of the throat's wall (default: 0.0015, drawn plastic)",
    )
    size.add_argument(
        "--water-temp-c",
        type=_number(0, 40, "a temperature above 0 and up to 40 °C"),
        default=10.0,
        metavar="NUMBER",
        help="temperature of the water, which sets its viscosity (default: 10)",
    )
    size.add_argument(
        "--slope",
        type=_number(0, 1, "a fall in m per m above 0, such as 0.002"),
        metavar="NUMBER",
        help="fall of the main in m per m: says what it carries when it just runs full (default: slope in meters.csv, if it is there)",
    )
    size.add_argument(
        "--manning-n",
        type=_number(0, 1, "a coefficient above 0, such as 0.015"),
        default=0.015,
        metavar="NUMBER",
        help="Manning's coefficient of the main (default: 0.015, corrugated plastic; smooth pipe about 0.010)",
    )
    size.add_argument(
        "--head-m",
        type=_number(0, math.inf, "a head in m above 0"),
        metavar="NUMBER",
        help="head in m that may be lost at the meter: says how much of it each bore takes, and for how long more",
    )
    size.add_argument(
        "--picture",
        type=Path,
        metavar="FILE",
        help="where the picture (SVG) goes (default: meter-sizing_SITE_PLOT.svg in this folder)",
    )
    size.add_argument(
        "--csv", type=Path, metavar="FILE", help="write every number of the comparison to this file as well"
    )


def _command(
    commands: argparse._SubParsersAction[argparse.ArgumentParser], name: str, summary: str, description: str, example: str
) -> argparse.ArgumentParser:
    return commands.add_parser(
        name,
        help=summary,
        description=description,
        epilog=f"example:\n  {example}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )


def _add_new_site(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    new = _command(
        commands,
        "new-site",
        "write a commented site folder to begin with",
        "Writes site.yaml and all registers of a new site, commented and valid, and NOTES.md, which explains every column and lists what "
        "was assumed. With --from it tells the layout from a logger file of yours. What is not said here is asked at a terminal. Never "
        "overwrites: the folder must not be there, or be empty. `drainledger check-site` leads on from there.",
        "drainledger new-site configs/west-field\n"
        "  drainledger new-site configs/west-field --from west-field.csv --title 'West field' --utc-offset=-06:00 \\\n"
        "    --plot name=north,area_ha=1.6,column=North,litres_per_pulse=5,bore_mm=75",
    )
    new.add_argument("folder", type=Path, metavar="FOLDER", help="the folder to make; its name becomes the site's")
    new.add_argument(
        "--from", dest="file", type=Path, metavar="FILE", help="a logger file of yours, from which the layout is told"
    )
    new.add_argument("--title", metavar="TEXT", help="what the experiment is called")
    new.add_argument("--utc-offset", metavar="OFFSET", help="the site's standard time, such as --utc-offset=-06:00")
    new.add_argument(
        "--first-day", metavar="DATE", help="first day of the record (default: that of the file's first reading)"
    )
    new.add_argument("--last-day", metavar="DATE", help="last day of the record (default: it goes on)")
    new.add_argument("--stamps", choices=("start", "end"), help="which end of its interval a time stamp marks")
    new.add_argument("--analytes", metavar="LIST", help="what loads are wanted of, parted by commas (default: nitrate_n)")
    new.add_argument(
        "--plot",
        action="append",
        default=[],
        metavar="KEY=VALUE,...",
        help="a plot and its meter; may be given several times. Needed: name, area_ha, column (of its pulses), litres_per_pulse, "
        "bore_mm; also: reverse (column of water running back), counts (interval or running), modulus, main_mm, "
        "expanded_uncertainty_pct",
    )
    new.add_argument(
        "--lake",
        type=Path,
        default=Path("sample_lake"),
        metavar="FOLDER",
        help="the lake that the next steps name (default: sample_lake)",
    )


def _add_places(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--site",
        action="append",
        type=Path,
        metavar="FOLDER",
        help="a site folder; may be given several times (default: every folder of configs/ that holds a site.yaml)",
    )
    command.add_argument(
        "--lake", type=Path, default=Path("sample_lake"), metavar="FOLDER", help="the lake (default: sample_lake)"
    )


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"a day is written as 2020-11-14, not {text}") from None


def _port(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= 65535:
        raise argparse.ArgumentTypeError(f"a port is a whole number from 1 to 65535, not {text}")
    return int(text)


def _year(text: str) -> int:
    if not (text.isdecimal() and len(text) == 4):
        raise argparse.ArgumentTypeError(f"a water year is named by four digits, not {text}")
    return int(text)


def _number(above: float, up_to: float, allowed: str) -> Callable[[str], float]:
    """What reads a number within bounds; `allowed` says them."""

    def read(text: str) -> float:
        try:
            number = float(text)
        except ValueError:
            number = math.nan
        if not (above < number <= up_to and math.isfinite(number)):
            raise argparse.ArgumentTypeError(f"expected {allowed}, and found {text}")
        return number

    return read


def _numbers(above: float, up_to: float, allowed: str) -> Callable[[str], tuple[float, ...]]:
    """What reads numbers parted by commas, each once, in increasing order."""
    read_one = _number(above, up_to, allowed)

    def read(text: str) -> tuple[float, ...]:
        return tuple(sorted({read_one(part) for part in text.split(",")}))

    return read


def main(arguments: Sequence[str] | None = None) -> int:
    """Carry out one command; returns the exit code."""
    command = _parser().parse_args(arguments)
    console, errors = Console(), Console(stderr=True)
    import duckdb

    from pipeline.lake import LakeError, trouble
    from pipeline.orchestration.lock import LakeBusyError

    try:
        if command.command == "check-site":
            return _check_site(console, errors, command.folder, command.lake)
        if command.command == "new-site":
            return _new_site(console, command)
        if command.command == "inspect":
            return _inspect(console, errors, command.file, command.site, command.lake)
        if command.command == "proofs":
            return _proofs(console, command.files, command.site, command.lake)
        lake = _lake(command.lake)
        if command.command == "size-meter":
            return _size_meter(console, lake, command)
        sites = _sites(command.site)
        if command.command == "meters":
            return _meters(console, lake, sites)
        if command.command == "health":
            return _health(console, lake, sites)
        if command.command == "share":
            return _share(console, errors, lake, sites, command)
        if command.command == "trace":
            return _trace(console, errors, lake, sites, command)
        if command.command in ("publish", "revisions", "changes"):
            return _history(console, errors, lake, sites, command)
        if command.command == "run":
            if command.dry_run:
                return _dry_run(console, errors, lake, sites, command.accept)
            return _run(console, errors, lake, sites, command.accept)
        if command.command == "compare-plots":
            return _compare_plots(console, lake, sites, command)
        if command.command == "advise-sampling":
            return _advise_sampling(console, lake, sites, command)
        if command.command == "load-methods":
            return _load_methods(console, lake, sites, command.plot)
        if command.command == "status":
            return _status(console, lake, sites)
        if command.command == "report":
            return _report(console, lake, sites, command.out)
        return _serve(console, lake, sites, command)
    except (RefusalError, LakeError, LakeBusyError) as error:
        errors.print(str(error), style="red", markup=False, highlight=False, soft_wrap=True)
    except (OSError, duckdb.IOException) as error:
        errors.print(trouble(error) or str(error), style="red", markup=False, highlight=False, soft_wrap=True)
    except KeyboardInterrupt:
        errors.print("Stopped. What was computed stays; the next run goes on from there.")
        return 130
    return FAILED


def _lake(folder: Path) -> Lake:
    from pipeline.lake import Lake

    if not (folder / "raw").is_dir():
        found = "is no folder" if not folder.is_dir() else "has no folder raw/"
        raise RefusalError(
            f"{folder} {found}. A lake is one folder with raw/<site>/logger/, weather/, samples/ and lab/ in it; name yours "
            "with --lake."
        )
    return Lake(folder)


def _sites(named: Sequence[Path] | None) -> dict[str, Site]:
    from pipeline.orchestration.sites import found_folders, load_sites

    folders = list(named or found_folders())
    if not folders:
        raise RefusalError("No folder of configs/ holds a site.yaml here. Name a site folder with --site.")
    sites = load_sites(dict.fromkeys(folders))
    if sites.broken:
        count = sum(len(why.splitlines()) for why in sites.broken.values())
        raise RefusalError(
            "\n".join(sites.broken.values())
            + f"\n{count} to mend in {', '.join(map(str, sites.broken))}. Nothing was done."
        )
    return sites.usable


def _check_site(console: Console, errors: Console, folder: Path, lake: Path) -> int:
    from pipeline.publish.new_site import next_steps, still_to_decide
    from pipeline.site import SiteErrors, load_site

    try:
        site = load_site(folder)
    except SiteErrors as found:
        errors.print(str(found), markup=False, highlight=False, soft_wrap=True)
        errors.print(f"{len(found.errors)} to mend in {folder}.", style="red", markup=False, highlight=False)
        return FAILED
    years = site.water_years()
    console.print(
        f"{folder}: nothing is wrong. {site.title}: {len(site.plots)} plots, {len({m.meter for m in site.meters})} meters, "
        f"{len(site.loggers)} {'logger' if len(site.loggers) == 1 else 'loggers'}, {len(site.calibrations)} calibrations, water years "
        f"{years[0]} to {years[-1]}.",
        markup=False,
        highlight=False,
        soft_wrap=True,
    )
    if decide := still_to_decide(folder):
        console.print("Still to decide, or to correct:", highlight=False)
        for one in decide:
            console.print(f"  {one}", markup=False, highlight=False, soft_wrap=True)
    console.print("Next:", highlight=False)
    for number, step in enumerate(next_steps(site, lake), start=1):
        console.print(f"  {number}. {step}", markup=False, highlight=False, soft_wrap=True)
    return DONE


def _new_site(console: Console, command: argparse.Namespace) -> int:
    from pipeline.publish.new_site import NewSiteError, site_files, write_new_site
    from pipeline.publish.new_site_questions import Said, answers
    from pipeline.site import SiteErrors

    said = Said(
        folder=command.folder,
        title=command.title,
        utc_offset=command.utc_offset,
        first_day=command.first_day,
        last_day=command.last_day,
        stamps=command.stamps,
        analytes=command.analytes,
        plots=command.plot,
        file=command.file,
    )
    try:
        files = site_files(answers(said, console.input if sys.stdin.isatty() else None))
        write_new_site(command.folder, files)
    except EOFError:
        raise RefusalError("The questions ended before they were answered. Nothing was written.") from None
    except (NewSiteError, SiteErrors) as error:
        raise RefusalError(str(error)) from error
    console.print(
        f"{command.folder} holds {len(files)} files: {', '.join(files)}.\n"
        f"Look through them, then `drainledger check-site {command.folder} --lake {command.lake}`.",
        markup=False,
        highlight=False,
        soft_wrap=True,
    )
    return DONE


def _inspect(console: Console, errors: Console, file: Path, named: Sequence[Path] | None, lake_folder: Path) -> int:
    from pipeline.lake import Lake
    from pipeline.orchestration.sites import found_folders, load_sites
    from pipeline.publish.inspection import inspect
    from pipeline.publish.inspection_text import inspection_text

    shown = str(file).encode(errors="backslashreplace").decode()
    if not file.is_file():
        what = "is a folder" if file.is_dir() else "is no ordinary file" if os.path.lexists(file) else "does not exist"
        raise RefusalError(f"{shown} {what}. Name one raw file.")
    sites = load_sites(dict.fromkeys(named or found_folders()))
    for folder, why in sites.broken.items():
        errors.print(why, markup=False, highlight=False, soft_wrap=True)
        errors.print(f"{folder} is passed over until this is mended.", style="red", markup=False, highlight=False)
    if not sites.usable:
        errors.print("No site folder is known; name one with --site. The file is looked at without it.", highlight=False)
    lake = Lake(lake_folder) if lake_folder.is_dir() else None
    with tempfile.TemporaryDirectory(prefix="drainledger-") as workspace:
        try:
            found = inspect(file, list(sites.usable.values()), lake, Path(workspace))
        except OSError as error:
            raise RefusalError(
                f"{shown} cannot be read: {error.strerror or error}. Check the file and its permissions."
            ) from error
        offset = next((site.utc_offset for site in sites.usable.values()), None)
        for part in inspection_text(found, found.reading.site.utc_offset if found.reading else offset):
            console.print(part, highlight=False, soft_wrap=isinstance(part, Text))
    if lake is None:
        console.print(f"{lake_folder} is no folder: nothing is compared with a lake.", markup=False, highlight=False)
    return DONE if found.fits else FAILED


def _size_meter(console: Console, lake: Lake, command: argparse.Namespace) -> int:
    from pipeline.lake import open_session, replace_text
    from pipeline.publish.sizing import size_meter, sizing_sheet, sizing_text
    from pipeline.publish.sizing_picture import sizing_picture
    from pipeline.stages.meter_sizing import Conditions, SizingError

    sites = list(_sites([command.folder] if command.folder else None).values())
    having = [site for site in sites if command.plot in {plot.plot for plot in site.plots}] or sites
    if len(having) > 1:
        raise RefusalError(
            f"Which site is meant by plot {command.plot}? Name its folder: {', '.join(str(site.folder) for site in having)}."
        )
    site = having[0]
    picture = command.picture or Path(f"meter-sizing_{site.site}_{command.plot.replace('/', '_')}.svg")
    if command.csv is not None and command.csv.resolve() == picture.resolve():
        raise RefusalError(f"--csv and the picture would both be {picture}. Name another place for one of them.")
    for target in filter(None, (picture, command.csv)):
        _keep_out(target, lake, site)
        _keep_apart(target, lake, site)
    conditions = Conditions(
        exceeded_pct=command.exceeded,
        angle_deg=command.reducer_angle_deg,
        throat_mm=command.throat_mm,
        roughness_mm=command.roughness_mm,
        temperature_c=command.water_temp_c,
        accurate_range=command.range,
        slope=command.slope,
        manning_n=command.manning_n,
        head_m=command.head_m,
    )
    try:
        with open_session() as session:
            sizing = size_meter(session, lake, site, command.plot, command.bore_mm, conditions)
    except SizingError as error:
        raise RefusalError(str(error)) from error
    for part in sizing_text(sizing):
        console.print(part, highlight=False, soft_wrap=isinstance(part, Text))
    files = [("Picture", picture, sizing_picture(sizing))]
    if command.csv is not None:
        files.append(("Sheet", command.csv, sizing_sheet(sizing)))
    for what, target, text in files:
        replace_text(target, text)
        console.print(f"{what}: {target}", markup=False, highlight=False, soft_wrap=True)
    return DONE


def _health(console: Console, lake: Lake, sites: dict[str, Site]) -> int:
    from datetime import UTC, datetime

    from pipeline.lake import open_session
    from pipeline.publish.health import health_text, write_health

    needed = False
    with open_session() as session:
        for site in sites.values():
            health, path = write_health(session, lake, site, datetime.now(UTC))
            needed = needed or bool(health.needs)
            console.print(health_text(health, site), markup=False, highlight=False, soft_wrap=True)
            console.print(f"This text stands in {path}.\n", markup=False, highlight=False, soft_wrap=True)
    return FAILED if needed else DONE


def _share(console: Console, errors: Console, lake: Lake, sites: dict[str, Site], command: argparse.Namespace) -> int:
    from pipeline.lake import open_session
    from pipeline.orchestration.runs import look
    from pipeline.orchestration.workbench import Workbench
    from pipeline.publish.share import ShareError, share
    from pipeline.publish.summary import not_up_to_date

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


def _trace(console: Console, errors: Console, lake: Lake, sites: dict[str, Site], command: argparse.Namespace) -> int:
    from pipeline.publish.tracing import NoSuchLoadError, Wanted, trace

    names = ("month", "day", "event", "season", "period", "treatment")
    kind, name = next(
        ((kind, getattr(command, kind)) for kind in names if getattr(command, kind)), ("year", command.year)
    )
    wanted = Wanted(command.plot, command.analyte, kind, name if name is None else str(name), command.year)
    try:
        return DONE if trace(console, errors, lake, sites, wanted, command.json, command.lines) else FAILED
    except NoSuchLoadError as error:
        raise RefusalError(str(error)) from error


def _keep_apart(target: Path, lake: Lake, site: Site) -> None:
    """Refuse a file that a person asks for among registers, raw files or tables."""
    for kept in (site.folder, lake.root / "raw", lake.tables):
        if target.resolve().is_relative_to(kept.resolve()):
            raise RefusalError(
                f"{target} would lie in {kept}, where only what belongs there is kept. Name another place."
            )


def _only_site(sites: dict[str, Site]) -> Site:
    if len(sites) > 1:
        raise RefusalError(
            f"Which site is meant? Name its folder with --site; {len(sites)} are known: {', '.join(sites)}."
        )
    return next(iter(sites.values()))


def _compare_plots(console: Console, lake: Lake, sites: dict[str, Site], command: argparse.Namespace) -> int:
    from pipeline.lake import replace_text
    from pipeline.publish.comparison import compare_plots, comparison_text
    from pipeline.publish.comparison_picture import comparison_picture
    from pipeline.stages.paired_plots import DesignError

    site = _only_site(sites)
    if command.picture is not None:
        _keep_apart(command.picture, lake, site)
    change = None if command.change is None else site.midnight(command.change)
    of = command.of or site.analytes[0]
    try:
        result = compare_plots(lake, site, command.treated, command.control, change, of, command.by, command.scale)
    except DesignError as error:
        raise RefusalError(str(error)) from error
    plots = f"{result.design.treated}_{result.design.control}".replace("/", "_")
    picture = command.picture or Path(f"compare-plots_{site.site}_{plots}_{of}_{command.by}.svg")
    _keep_apart(picture, lake, site)
    for part in comparison_text(result, site):
        console.print(part, highlight=False, soft_wrap=isinstance(part, Text))
    replace_text(picture, comparison_picture(result, site))
    console.print(f"Picture: {picture}", markup=False, highlight=False, soft_wrap=True)
    return DONE


def _advise_sampling(console: Console, lake: Lake, sites: dict[str, Site], command: argparse.Namespace) -> int:
    from pipeline.lake import replace_text
    from pipeline.publish.advice import advice_text, sampling_advice
    from pipeline.publish.advice_picture import advice_picture
    from pipeline.stages.sampling_advice import AdviceError

    site = _only_site(
        {name: site for name, site in sites.items() if command.plot in {row.plot for row in site.plots}} or sites
    )
    if any(days != int(days) for days in command.every):
        raise RefusalError("--every takes whole days, such as 3,7,14.")
    analyte = command.analyte or site.analytes[0]
    picture = command.picture or Path(f"advise-sampling_{site.site}_{command.plot.replace('/', '_')}_{analyte}.svg")
    _keep_apart(picture, lake, site)
    try:
        with console.status("") as status:
            advice = sampling_advice(
                lake,
                site,
                command.plot,
                analyte,
                [int(days) for days in command.every],
                command.pacing_mm,
                lambda year: status.update(f"drawing histories of {year}"),
            )
    except AdviceError as error:
        raise RefusalError(str(error)) from error
    for part in advice_text(advice):
        console.print(part, highlight=False, soft_wrap=isinstance(part, Text))
    replace_text(picture, advice_picture(advice))
    console.print(f"Picture: {picture}", markup=False, highlight=False, soft_wrap=True)
    return DONE


def _load_methods(console: Console, lake: Lake, sites: dict[str, Site], plot: str | None) -> int:
    from pipeline.publish.load_methods_text import methods_text, stored_methods

    having = [site for site in sites.values() if plot is None or plot in {row.plot for row in site.plots}]
    if not having:
        known = ", ".join(row.plot for site in sites.values() for row in site.plots)
        raise RefusalError(f"There is no plot {plot}. Plots are {known}.")
    for site in having:
        rows = stored_methods(lake, site)
        if rows.empty:
            raise RefusalError(
                f"{lake.tables} does not hold the loads of {site.title} yet. Run `drainledger run --site {site.folder} "
                f"--lake {lake.root}` first."
            )
        for part in methods_text(rows, site, plot):
            console.print(part, highlight=False, soft_wrap=isinstance(part, Text))
    return DONE


def _keep_out(target: Path, lake: Lake, site: Site) -> None:
    """Refuse a file that a person asks for among registers, raw files or tables."""
    for kept in (site.folder, lake.root / "raw", lake.tables):
        if target.resolve().is_relative_to(kept.resolve()):
            raise RefusalError(
                f"{target} would lie in {kept}, where only what belongs there is kept. Name another place."
            )


def _report(console: Console, lake: Lake, sites: dict[str, Site], out: Path | None) -> int:
    from pipeline.lake import open_session, replace_text
    from pipeline.orchestration.runs import look
    from pipeline.orchestration.workbench import Workbench
    from pipeline.publish.report import ReportError, report_page
    from pipeline.publish.summary import not_up_to_date

    if out is not None and len(sites) > 1:
        raise RefusalError(f"Each site has a page of its own: name the site of {out} with --site ({', '.join(sites)}).")
    targets = {name: out or Path(f"report_{name}.html") for name in sites}
    for name, site in sites.items():
        _keep_out(targets[name], lake, site)
    for name, site in sites.items():
        stale = [f"Not up to date: {sentence}" for sentence in not_up_to_date(look(Workbench(lake, sites), site).all())]
        with tempfile.TemporaryDirectory() as spill, open_session(Path(spill)) as session, _bar(console) as bar:
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


def _proofs(console: Console, files: Sequence[Path], named: Sequence[Path] | None, lake_folder: Path) -> int:
    from pipeline.publish.proofs import proofs_text
    from pipeline.stages.bench_proofs import bench_proofs

    sites = _sites(named)
    if files and len(sites) > 1:
        raise RefusalError(f"Name the site of these files with --site; {len(sites)} are known: {', '.join(sites)}.")
    for file in files:
        if not file.is_file():
            raise RefusalError(f"{file} {'is a folder' if file.is_dir() else 'does not exist'}. Name a bench file.")
    if files:
        (site,) = sites.values()
        beside = Path(os.path.commonpath([file.absolute().parent for file in files]))
        tests = [(site, beside, [file.absolute() for file in files])]
    else:
        lake = _lake(lake_folder)
        tests = [
            (site, raw, sorted(raw.glob("bench/*.csv*"))) for site in sites.values() for raw in [lake.raw(site.site)]
        ]
    if not any(paths for _, _, paths in tests):
        where = ", ".join(str(raw / "bench") for _, raw, _ in tests)
        raise RefusalError(f"No .csv file lies in {where}. `drainledger proofs --help` says what a bench file holds.")
    rejected = 0
    for site, raw, paths in tests:
        proved = bench_proofs(site, raw, paths)
        with (site.folder / "calibrations.csv").open(encoding="utf-8-sig", newline="") as stream:
            register = [name.strip() for name in next(csv.reader(stream))]
        console.print(f"Bench tests of {site.title}\n", markup=False, highlight=False)
        for part in proofs_text(proved, register, date.today()):
            console.print(part, markup=False, highlight=False, soft_wrap=isinstance(part, str))
        rejected += len(proved.rejected)
    return FAILED if rejected else DONE


def _run(console: Console, errors: Console, lake: Lake, sites: dict[str, Site], accept: Sequence[str]) -> int:
    from pipeline.orchestration.runs import bring_up_to_date
    from pipeline.orchestration.workbench import Workbench
    from pipeline.stages.intake import raw_paths

    bench = Workbench(lake, sites)
    bench.accepted = _accepted(bench, accept)
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


def _history(console: Console, errors: Console, lake: Lake, sites: dict[str, Site], command: argparse.Namespace) -> int:
    from pipeline.publish.history_commands import list_revisions, publish_loads, show_changes

    if command.command == "publish":
        return publish_loads(console, errors, lake, sites, command.reason)
    if command.command == "revisions":
        return list_revisions(console, lake, sites)
    kind = {"year": "annual", "month": "monthly", "event": "event"}[command.by]
    return show_changes(console, lake, sites, command.earlier, command.later, kind, command.csv)


def _dry_run(console: Console, errors: Console, lake: Lake, sites: dict[str, Site], accept: Sequence[str]) -> int:
    from pipeline.orchestration.computations import COMPUTATIONS
    from pipeline.orchestration.plan import plan
    from pipeline.orchestration.workbench import Workbench
    from pipeline.publish.plan_words import plan_text

    bench = Workbench(lake, sites)
    bench.accepted = _accepted(bench, accept)
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


def _meters(console: Console, lake: Lake, sites: dict[str, Site]) -> int:
    from pipeline.publish.findings import findings_text

    for site in sites.values():
        for paragraph in findings_text(lake, site):
            console.print(paragraph, markup=False, highlight=False, soft_wrap=True)
    return DONE


def _status(console: Console, lake: Lake, sites: dict[str, Site]) -> int:
    from pipeline.lake import open_session
    from pipeline.orchestration.runs import look
    from pipeline.orchestration.workbench import Workbench
    from pipeline.publish.findings import findings_note
    from pipeline.publish.summary import STATE_MEANINGS, calendar_table, failed_checks, held_tables, states_table

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


def _serve(console: Console, lake: Lake, sites: dict[str, Site], command: argparse.Namespace) -> int:
    from pipeline.orchestration.instance import LAKE_VARIABLE, SITES_VARIABLE, WATCH_VARIABLE, open_records

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


def _bar(console: Console) -> Progress:
    """A bar on a terminal that goes away when it is done, nothing elsewhere."""
    return Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeElapsedColumn(),
        console=console,
        transient=True,
        disable=not console.is_terminal,
    )


class _Progress:
    """What is being done, for the person who waits: a bar on a terminal, nothing elsewhere."""

    def __init__(self, console: Console) -> None:
        self.computed = 0
        self.checked = 0
        self._steps = 0
        self._bar = _bar(console)
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


if __name__ == "__main__":
    sys.exit(main())
