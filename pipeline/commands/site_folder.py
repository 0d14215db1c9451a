"""The commands about a site folder: new-site, check-site.

Belongs here: their arguments and which rooms they call.
Does not: what is asked and written (publish/new_site*.py), what is wrong with a site folder (site/).
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from rich.console import Console

from pipeline.commands.common import DONE, FAILED, RefusalError, new_command

if TYPE_CHECKING:
    from pipeline.commands.common import Commands


def add_new_site(commands: Commands) -> None:
    """`drainledger new-site`."""
    new = new_command(
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
    new.set_defaults(carry_out=_new_site)


def add_check_site(commands: Commands) -> None:
    """`drainledger check-site`."""
    check = new_command(
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
    check.set_defaults(carry_out=_check_site)


def _new_site(command: argparse.Namespace, console: Console, errors: Console) -> int:
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


def _check_site(command: argparse.Namespace, console: Console, errors: Console) -> int:
    from pipeline.publish.new_site import next_steps, still_to_decide
    from pipeline.site import SiteErrors, load_site

    try:
        site = load_site(command.folder)
    except SiteErrors as found:
        errors.print(str(found), markup=False, highlight=False, soft_wrap=True)
        errors.print(f"{len(found.errors)} to mend in {command.folder}.", style="red", markup=False, highlight=False)
        return FAILED
    years = site.water_years()
    console.print(
        f"{command.folder}: nothing is wrong. {site.title}: {len(site.plots)} plots, {len({m.meter for m in site.meters})} meters, "
        f"{len(site.loggers)} {'logger' if len(site.loggers) == 1 else 'loggers'}, {len(site.calibrations)} calibrations, water years "
        f"{years[0]} to {years[-1]}.",
        markup=False,
        highlight=False,
        soft_wrap=True,
    )
    if decide := still_to_decide(command.folder):
        console.print("Still to decide, or to correct:", highlight=False)
        for one in decide:
            console.print(f"  {one}", markup=False, highlight=False, soft_wrap=True)
    console.print("Next:", highlight=False)
    for number, step in enumerate(next_steps(site, command.lake), start=1):
        console.print(f"  {number}. {step}", markup=False, highlight=False, soft_wrap=True)
    return DONE
