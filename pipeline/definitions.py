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
from pipeline.orchestration.instance import LAKE_VARIABLE, SITES_VARIABLE
from pipeline.orchestration.sites import found_folders, load_sites
from pipeline.orchestration.workbench import Workbench


def _assemble() -> Definitions:
    named = [Path(folder) for folder in os.environ.get(SITES_VARIABLE, "").split(os.pathsep) if folder]
    sites = load_sites(named or found_folders())
    for folder, why in sites.broken.items():
        logging.getLogger("drainledger").error("%s cannot be used:\n%s", folder, why)
    lake = Lake(Path(os.environ.get(LAKE_VARIABLE, "sample_lake")))
    return build_definitions(Workbench(lake, sites.usable), sites.broken)


defs = _assemble()
