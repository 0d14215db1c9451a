"""Which site folders a process works with.

Belongs here: the folders that are named or found, loading them all, and what is wrong with those that cannot be loaded.
Does not: reading one folder (site/).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

from pipeline.site import Site, SiteErrors, load_site

CONFIGS = Path("configs")


@dataclass
class Sites:
    """The sites by name, and, for each folder that cannot be used, why."""

    usable: dict[str, Site] = field(default_factory=dict)
    broken: dict[Path, str] = field(default_factory=dict)


def found_folders() -> list[Path]:
    """Every folder of `configs/` that holds a site.yaml."""
    return sorted(path.parent for path in CONFIGS.glob("*/site.yaml"))


def load_sites(folders: Iterable[Path]) -> Sites:
    """Load every folder; errors of one do not hide another."""
    sites = Sites()
    for folder in folders:
        try:
            site = load_site(folder)
        except SiteErrors as errors:
            sites.broken[folder] = str(errors)
            continue
        if site.site in sites.usable:
            sites.broken[folder] = (
                f"{folder / 'site.yaml'} names its site {site.site}, as {sites.usable[site.site].folder / 'site.yaml'} does. "
                "Give one of them another name."
            )
            continue
        sites.usable[site.site] = site
    return sites
