"""The commands that ask of loads: trace, load-methods, compare-plots, advise-sampling.

Belongs here: their arguments and which rooms they call.
Does not: the answers (stages/, publish/).
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from rich.console import Console
from rich.text import Text

from pipeline.commands.common import (
    DONE,
    FAILED,
    RefusalError,
    add_places,
    day,
    keep_apart,
    new_command,
    numbers,
    only_site,
    places,
    year,
)

if TYPE_CHECKING:
    from pipeline.commands.common import Commands


def add_trace(commands: Commands) -> None:
    """`drainledger trace`."""
    trace = new_command(
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
    trace.add_argument("--year", type=year, metavar="YEAR", help="water year; also which one an event or treatment is of")
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
    add_places(trace)
    trace.set_defaults(carry_out=_trace)


def add_load_methods(commands: Commands) -> None:
    """`drainledger load-methods`."""
    methods = new_command(
        commands,
        "load-methods",
        "show the load of each year by each method, side by side",
        "Shows the reported load of every plot and water year beside the estimators that the trade uses: straight lines between "
        "results with continuous flow, flow-weighted mean, ratio estimator, rating curve, time-weighted mean, composites by volume. With "
        "--plot, one plot with standard errors and what each load is made from. Needs what `drainledger run` has stored; changes nothing.",
        "drainledger load-methods\n  drainledger load-methods --plot P1",
    )
    add_places(methods)
    methods.add_argument(
        "--plot", metavar="PLOT", help="the plot to show in full, as named in plots.csv (default: all, loads only)"
    )
    methods.set_defaults(carry_out=_load_methods)


def add_compare_plots(commands: Commands) -> None:
    """`drainledger compare-plots`."""
    compare = new_command(
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
    add_places(compare)
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
        type=day,
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
    compare.set_defaults(carry_out=_compare_plots)


def add_advise_sampling(commands: Commands) -> None:
    """`drainledger advise-sampling`."""
    advise = new_command(
        commands,
        "advise-sampling",
        "say what other plans of sampling would have told",
        "Takes equally likely histories of a plot's flow and concentration for the truth, one after another, samples them by grabs every "
        "so many days or by flow-paced composites, lets the laboratory err, and says how far the annual load would lie off. Prints a "
        "table, writes a picture; changes no table. Needs what `drainledger run` has stored.",
        "drainledger advise-sampling --plot P1\n  drainledger advise-sampling --plot P1 --every 2,5,10 --pacing-mm 0.5,2",
    )
    add_places(advise)
    advise.add_argument("--plot", required=True, metavar="PLOT", help="the plot, as named in plots.csv")
    advise.add_argument("--analyte", metavar="NAME", help="the analyte (default: the first of site.yaml)")
    advise.add_argument(
        "--every",
        type=numbers(0, 366, "days between 1 and 366, such as 3,7,14"),
        default=(3.0, 7.0, 14.0, 28.0),
        metavar="LIST",
        help="whole days between grabs, parted by commas (default: 3,7,14,28)",
    )
    advise.add_argument(
        "--pacing-mm",
        type=numbers(0, 1000, "mm of drainage above 0, such as 1,5"),
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
    advise.set_defaults(carry_out=_advise_sampling)


def _trace(command: argparse.Namespace, console: Console, errors: Console) -> int:
    from pipeline.publish.tracing import NoSuchLoadError, Wanted, trace

    lake, sites = places(command)
    names = ("month", "day", "event", "season", "period", "treatment")
    kind, name = next(
        ((kind, getattr(command, kind)) for kind in names if getattr(command, kind)), ("year", command.year)
    )
    wanted = Wanted(command.plot, command.analyte, kind, name if name is None else str(name), command.year)
    try:
        return DONE if trace(console, errors, lake, sites, wanted, command.json, command.lines) else FAILED
    except NoSuchLoadError as error:
        raise RefusalError(str(error)) from error


def _load_methods(command: argparse.Namespace, console: Console, errors: Console) -> int:
    from pipeline.publish.load_methods_text import methods_text, stored_methods

    lake, sites = places(command)
    plot = command.plot
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


def _compare_plots(command: argparse.Namespace, console: Console, errors: Console) -> int:
    from pipeline.lake import replace_text
    from pipeline.publish.comparison import compare_plots, comparison_text
    from pipeline.publish.comparison_picture import comparison_picture
    from pipeline.stages.paired_plots import DesignError

    lake, sites = places(command)
    site = only_site(sites)
    if command.picture is not None:
        keep_apart(command.picture, lake, site)
    change = None if command.change is None else site.midnight(command.change)
    of = command.of or site.analytes[0]
    try:
        result = compare_plots(lake, site, command.treated, command.control, change, of, command.by, command.scale)
    except DesignError as error:
        raise RefusalError(str(error)) from error
    plots = f"{result.design.treated}_{result.design.control}".replace("/", "_")
    picture = command.picture or Path(f"compare-plots_{site.site}_{plots}_{of}_{command.by}.svg")
    keep_apart(picture, lake, site)
    for part in comparison_text(result, site):
        console.print(part, highlight=False, soft_wrap=isinstance(part, Text))
    replace_text(picture, comparison_picture(result, site))
    console.print(f"Picture: {picture}", markup=False, highlight=False, soft_wrap=True)
    return DONE


def _advise_sampling(command: argparse.Namespace, console: Console, errors: Console) -> int:
    from pipeline.lake import replace_text
    from pipeline.publish.advice import advice_text, sampling_advice
    from pipeline.publish.advice_picture import advice_picture
    from pipeline.stages.sampling_advice import AdviceError

    lake, sites = places(command)
    site = only_site(
        {name: site for name, site in sites.items() if command.plot in {row.plot for row in site.plots}} or sites
    )
    if any(days != int(days) for days in command.every):
        raise RefusalError("--every takes whole days, such as 3,7,14.")
    analyte = command.analyte or site.analytes[0]
    picture = command.picture or Path(f"advise-sampling_{site.site}_{command.plot.replace('/', '_')}_{analyte}.svg")
    keep_apart(picture, lake, site)
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
