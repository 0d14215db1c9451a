"""The orchestrator's entry point: `dagster dev` reads `defs` from here.

Belongs here: which lake and which site folders, from the environment. Assembles, computes nothing.
Does not: how assets are made (orchestration/).

`DRAINLEDGER_LAKE` names the lake (default `sample_lake`); `DRAINLEDGER_SITES` lists site folders, separated as paths are on this
system (default: every folder of `configs/` with a site.yaml). A site folder with errors is shown with its errors; the
other sites work. `DRAINLEDGER_WATCH`, where it is set, has the sensor and the schedule run from the start.
"""

from __future__ import annotations

import logging
import os
from datetime import UTC, datetime
from pathlib import Path

from dagster import Definitions

from pipeline.lake import Lake, open_session
from pipeline.orchestration.build import build_definitions
from pipeline.orchestration.instance import LAKE_VARIABLE, SITES_VARIABLE, WATCH_VARIABLE
from pipeline.orchestration.sites import found_folders, load_sites
from pipeline.orchestration.workbench import Workbench
from pipeline.publish.health import write_health
from pipeline.site import Site


def _write_health(bench: Workbench, site: Site) -> Path:
    with open_session() as session:
        _, path = write_health(session, bench.lake, site, datetime.now(UTC))
    return path


def _assemble() -> Definitions:
    named = [Path(folder) for folder in os.environ.get(SITES_VARIABLE, "").split(os.pathsep) if folder]
    sites = load_sites(named or found_folders())
    for folder, why in sites.broken.items():
        logging.getLogger("drainledger").error("%s cannot be used:\n%s", folder, why)
    lake = Lake(Path(os.environ.get(LAKE_VARIABLE, "sample_lake")))
    return build_definitions(
        Workbench(lake, sites.usable), sites.broken, _write_health, watch=bool(os.environ.get(WATCH_VARIABLE))
    )


defs = _assemble()
