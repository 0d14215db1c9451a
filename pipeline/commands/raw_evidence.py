"""The commands that look at raw files: inspect, proofs.

Belongs here: their arguments and which rooms they call.
Does not: what is made of a file (stages/), how it is told (publish/).
"""

from __future__ import annotations

import argparse
import csv
import os
import tempfile
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from rich.console import Console
from rich.text import Text

from pipeline.commands.common import DONE, FAILED, RefusalError, add_places, known_sites, new_command, open_lake

if TYPE_CHECKING:
    from pipeline.commands.common import Commands


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


def add_inspect(commands: Commands) -> None:
    """`drainledger inspect`."""
    inspect = new_command(
        commands,
        "inspect",
        "say what the program makes of one raw file",
        "Reads one file, wherever it lies, and says which layout reads it or where it differs, what its lines, columns and times "
        "hold, which lines and values cannot be used, and what of it is in the lake already. For a file that no declared layout "
        "reads it proposes one. Changes nothing. Exit code 0: a declared layout reads it; 1: none does.",
        "drainledger inspect sample_lake/raw/sedge-hollow/logger/east_2019-12-14.csv.gz",
    )
    inspect.add_argument("file", type=Path, metavar="FILE", help="the file")
    add_places(inspect)
    inspect.set_defaults(carry_out=_inspect)


def add_proofs(commands: Commands) -> None:
    """`drainledger proofs`."""
    proofs = new_command(
        commands,
        "proofs",
        "say what bench tests prove of meters",
        PROOFS,
        "drainledger proofs\n  drainledger proofs sample_lake/raw/sedge-hollow/bench/east_2021-02-10.csv",
    )
    proofs.add_argument(
        "files", type=Path, nargs="*", metavar="FILE", help="bench files (default: all of raw/<site>/bench/ in the lake)"
    )
    add_places(proofs)
    proofs.set_defaults(carry_out=_proofs)


def _inspect(command: argparse.Namespace, console: Console, errors: Console) -> int:
    from pipeline.lake import Lake
    from pipeline.orchestration.sites import found_folders, load_sites
    from pipeline.publish.inspection import inspect
    from pipeline.publish.inspection_text import inspection_text

    file = command.file
    shown = str(file).encode(errors="backslashreplace").decode()
    if not file.is_file():
        what = "is a folder" if file.is_dir() else "is no ordinary file" if os.path.lexists(file) else "does not exist"
        raise RefusalError(f"{shown} {what}. Name one raw file.")
    sites = load_sites(dict.fromkeys(command.site or found_folders()))
    for folder, why in sites.broken.items():
        errors.print(why, markup=False, highlight=False, soft_wrap=True)
        errors.print(f"{folder} is passed over until this is mended.", style="red", markup=False, highlight=False)
    if not sites.usable:
        errors.print("No site folder is known; name one with --site. The file is looked at without it.", highlight=False)
    lake = Lake(command.lake) if command.lake.is_dir() else None
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
        console.print(f"{command.lake} is no folder: nothing is compared with a lake.", markup=False, highlight=False)
    return DONE if found.fits else FAILED


def _proofs(command: argparse.Namespace, console: Console, errors: Console) -> int:
    from pipeline.publish.proofs import proofs_text
    from pipeline.stages.bench_proofs import bench_proofs

    files = command.files
    sites = known_sites(command.site)
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
        lake = open_lake(command.lake)
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
