"""The commands about meters: meters, size-meter.

Belongs here: their arguments and which rooms they call.
Does not: the comparison of bores (publish/sizing.py), what speaks against a meter (stages/).
"""

from __future__ import annotations

import argparse
import math
from pathlib import Path
from typing import TYPE_CHECKING

from rich.console import Console
from rich.text import Text

from pipeline.commands.common import (
    DONE,
    RefusalError,
    add_places,
    keep_apart,
    known_sites,
    new_command,
    number,
    numbers,
    open_lake,
    places,
)

if TYPE_CHECKING:
    from pipeline.commands.common import Commands


def add_meters(commands: Commands) -> None:
    """`drainledger meters`."""
    meters = new_command(
        commands,
        "meters",
        "say which meters the record speaks against, and what to check",
        "Says of every finding in the stored tables which meter it is about, from when to when, how strong the evidence is and what to "
        "check in the field: silent meters, stuck counters, rates that cannot be, steps of a calibration, exchanged directions and "
        "exchanged columns. Changes nothing.",
        "drainledger meters",
    )
    add_places(meters)
    meters.set_defaults(carry_out=_meters)


def add_size_meter(commands: Commands) -> None:
    """`drainledger size-meter`."""
    size = new_command(
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
        type=numbers(0, math.inf, "bores in mm, such as 50,65,100"),
        metavar="LIST",
        help="bores to compare, in mm, parted by commas (default: nominal trade sizes from 40 mm up to the main; a maker's own bore "
        "differs by some per cent). The bore in use is always shown",
    )
    size.add_argument(
        "--exceeded",
        type=numbers(0, 100, "percentages between 0 and 100, such as 1,5,50"),
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
        type=number(0, 180, "an angle above 0 and up to 180 degrees"),
        default=30.0,
        metavar="NUMBER",
        help="angle between opposite walls of both reducers; 180 is a sudden change of bore (default: 30, usual for fittings)",
    )
    size.add_argument(
        "--throat-mm",
        type=number(0, math.inf, "a length in mm above 0"),
        metavar="NUMBER",
        help="length of pipe of the meter's bore between the reducers (default: ten bores)",
    )
    size.add_argument(
        "--roughness-mm",
        type=number(0, math.inf, "a roughness in mm above 0"),
        default=0.0015,
        metavar="NUMBER",
        help="roughness of the throat's wall (default: 0.0015, drawn plastic)",
    )
    size.add_argument(
        "--water-temp-c",
        type=number(0, 40, "a temperature above 0 and up to 40 °C"),
        default=10.0,
        metavar="NUMBER",
        help="temperature of the water, which sets its viscosity (default: 10)",
    )
    size.add_argument(
        "--slope",
        type=number(0, 1, "a fall in m per m above 0, such as 0.002"),
        metavar="NUMBER",
        help="fall of the main in m per m: says what it carries when it just runs full (default: slope in meters.csv, if it is there)",
    )
    size.add_argument(
        "--manning-n",
        type=number(0, 1, "a coefficient above 0, such as 0.015"),
        default=0.015,
        metavar="NUMBER",
        help="Manning's coefficient of the main (default: 0.015, corrugated plastic; smooth pipe about 0.010)",
    )
    size.add_argument(
        "--head-m",
        type=number(0, math.inf, "a head in m above 0"),
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
    size.set_defaults(carry_out=_size_meter)


def _meters(command: argparse.Namespace, console: Console, errors: Console) -> int:
    from pipeline.publish.findings import findings_text

    lake, sites = places(command)
    for site in sites.values():
        for paragraph in findings_text(lake, site):
            console.print(paragraph, markup=False, highlight=False, soft_wrap=True)
    return DONE


def _size_meter(command: argparse.Namespace, console: Console, errors: Console) -> int:
    from pipeline.lake import open_session, replace_text
    from pipeline.publish.sizing import size_meter, sizing_sheet, sizing_text
    from pipeline.publish.sizing_picture import sizing_picture
    from pipeline.stages.meter_sizing import Conditions, SizingError

    lake = open_lake(command.lake)
    sites = list(known_sites([command.folder] if command.folder else None).values())
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
        keep_apart(target, lake, site)
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
