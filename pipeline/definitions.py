"""The orchestrator's entry point: `dagster dev` reads `defs` from here.

Belongs here: which lake and which site folders, from the environment. Assembles, computes nothing.
Does not: how assets are made (orchestration/).

`DRAINLEDGER_LAKE` names the lake (default `sample_lake`); `DRAINLEDGER_SITES` lists site folders, separated as paths are on this
system (default: every folder of `configs/` with a site.yaml). A site folder with errors is shown with its errors; the
other sites work.
"""

from __future__ import annotations

import logging
import os
from pathlib import Path

from dagster import Definitions

from pipeline.lake import Lake
from pipeline.orchestration.build import build_definitions
from pipeline.orchestration.workbench import Workbench
from pipeline.site import Site, SiteErrors, load_site

LAKE_VARIABLE = "DRAINLEDGER_LAKE"
SITES_VARIABLE = "DRAINLEDGER_SITES"


def _site_folders() -> list[Path]:
    named = os.environ.get(SITES_VARIABLE)
    if named:
        return [Path(folder) for folder in named.split(os.pathsep) if folder]
    return sorted(path.parent for path in Path("configs").glob("*/site.yaml"))


def _assemble() -> Definitions:
    sites: dict[str, Site] = {}
    broken: dict[str, str] = {}
    for folder in _site_folders():
        try:
            site = load_site(folder)
        except SiteErrors as errors:
            broken[str(folder)] = str(errors)
            continue
        if site.site in sites:
            broken[str(folder)] = f"{folder} and {sites[site.site].folder} both name their site {site.site}."
            continue
        sites[site.site] = site
    for folder_name, why in broken.items():
        logging.getLogger("drainledger").error("%s cannot be used:\n%s", folder_name, why)
    return build_definitions(Workbench(Lake(Path(os.environ.get(LAKE_VARIABLE, "sample_lake"))), sites), broken)


defs = _assemble()
