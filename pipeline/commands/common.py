"""What the commands share.

Belongs here: exit codes, what refuses a command, reading of arguments, the lake and the sites that a command names, a bar for waiting.
Does not: any one command; computation; layout of what is shown (publish/).
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable, Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

if TYPE_CHECKING:
    from pipeline.lake import Lake
    from pipeline.site import Site

    Commands = argparse._SubParsersAction[argparse.ArgumentParser]


DONE, FAILED = 0, 1


class RefusalError(Exception):
    """The command cannot be carried out; the message is a sentence for a person."""


def new_command(commands: Commands, name: str, summary: str, description: str, example: str) -> argparse.ArgumentParser:
    """A command that explains itself, with an example; its `carry_out` is set by who adds it."""
    return commands.add_parser(
        name,
        help=summary,
        description=description,
        epilog=f"example:\n  {example}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )


def add_places(command: argparse.ArgumentParser) -> None:
    """The options that name sites and lake, for `places`."""
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


def day(text: str) -> date:
    """A day of the command line."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"a day is written as 2020-11-14, not {text}") from None


def port(text: str) -> int:
    """A port."""
    if not text.isdecimal() or not 1 <= int(text) <= 65535:
        raise argparse.ArgumentTypeError(f"a port is a whole number from 1 to 65535, not {text}")
    return int(text)


def year(text: str) -> int:
    """A water year."""
    if not (text.isdecimal() and len(text) == 4):
        raise argparse.ArgumentTypeError(f"a water year is named by four digits, not {text}")
    return int(text)


def number(above: float, up_to: float, allowed: str) -> Callable[[str], float]:
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


def numbers(above: float, up_to: float, allowed: str) -> Callable[[str], tuple[float, ...]]:
    """What reads numbers parted by commas, each once, in increasing order."""
    read_one = number(above, up_to, allowed)

    def read(text: str) -> tuple[float, ...]:
        return tuple(sorted({read_one(part) for part in text.split(",")}))

    return read


def places(command: argparse.Namespace) -> tuple[Lake, dict[str, Site]]:
    """The lake and the sites that a command names by `add_places`."""
    return open_lake(command.lake), known_sites(command.site)


def open_lake(folder: Path) -> Lake:
    """The lake of a folder."""
    from pipeline.lake import Lake

    if not (folder / "raw").is_dir():
        found = "is no folder" if not folder.is_dir() else "has no folder raw/"
        raise RefusalError(
            f"{folder} {found}. A lake is one folder with raw/<site>/logger/, weather/, samples/ and lab/ in it; name yours "
            "with --lake."
        )
    return Lake(folder)


def known_sites(named: Sequence[Path] | None) -> dict[str, Site]:
    """The sites of named folders, or all of configs/."""
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


def only_site(sites: dict[str, Site]) -> Site:
    """The site, where one only can be meant."""
    if len(sites) > 1:
        raise RefusalError(
            f"Which site is meant? Name its folder with --site; {len(sites)} are known: {', '.join(sites)}."
        )
    return next(iter(sites.values()))


def keep_apart(target: Path, lake: Lake, site: Site) -> None:
    """Refuse a file that a person asks for among registers, raw files or tables."""
    for kept in (site.folder, lake.root / "raw", lake.tables):
        if target.resolve().is_relative_to(kept.resolve()):
            raise RefusalError(
                f"{target} would lie in {kept}, where only what belongs there is kept. Name another place."
            )


def progress_bar(console: Console) -> Progress:
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
