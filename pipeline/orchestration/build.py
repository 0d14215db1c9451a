"""Everything that Dagster shows, assembled.

Belongs here: one function that puts assets, checks, sensor, schedule and executor together for a lake and its sites.
Does not: what any of them does (assets.py, sensors.py), where lake and sites come from (definitions.py, cli.py).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path

from dagster import (
    AssetSpec,
    Definitions,
    InitResourceContext,
    ResourceDefinition,
    in_process_executor,
    resource,
)

from pipeline.orchestration.assets import RAW_FILES, WORKBENCH, build_asset, build_checks, checks_asset, history_assets
from pipeline.orchestration.computations import COMPUTATIONS
from pipeline.orchestration.instance import process_tag
from pipeline.orchestration.partitions import Partitions
from pipeline.orchestration.schedules import WriteHealth, build_daily_health, build_health_job
from pipeline.orchestration.sensors import BY_SITE, BY_WATER_YEAR, build_raw_files_sensor
from pipeline.orchestration.staleness import build_staleness_sensor
from pipeline.orchestration.workbench import Workbench

LONGEST_WAIT_SECONDS = 6 * 3600.0
"""How long a run that Dagster started waits for another run on the same lake."""


def _workbench_resource(bench: Workbench) -> ResourceDefinition:
    @resource(description="The lake, held for the length of a run; the sites; a DuckDB session.")
    def workbench(context: InitResourceContext) -> Iterator[Workbench]:
        run = context.run.run_id[:8] if context.run is not None else "unknown"
        if context.run is not None and context.instance is not None:
            context.instance.add_run_tags(context.run.run_id, process_tag())
        with bench.hold(f"Dagster's run {run}", LONGEST_WAIT_SECONDS):
            yield bench

    return workbench


def build_definitions(
    bench: Workbench,
    broken: Mapping[Path, str] | None = None,
    write_health: WriteHealth | None = None,
    watch: bool = False,
) -> Definitions:
    """Assets, checks, sensor and schedule over the sites of a workbench.

    Args:
        bench: lake, sites and stages; tests put other stages in.
        broken: site folders that cannot be used, and why; each is shown as an asset that says so.
        write_health: writes the daily health of a site; without it there is no schedule.
        watch: whether sensor and schedule run from the start, and not only once somebody starts them on the page.
    """
    partitions = Partitions(bench.sites)
    notices = [
        AssetSpec(
            f"site_folder_{number}", description=f"{folder} cannot be used.\n\n{why}", group_name="broken_site_folders"
        )
        for number, (folder, why) in enumerate((broken or {}).items(), start=1)
    ]
    if not bench.sites:
        return Definitions(assets=notices)
    health_jobs = [build_health_job(bench, write_health)] if write_health is not None else []
    return Definitions(
        assets=[
            RAW_FILES,
            *(build_asset(computation, partitions, bench.stages) for computation in COMPUTATIONS),
            checks_asset(partitions),
            *history_assets(partitions),
            *notices,
        ],
        asset_checks=[build_checks(computation, partitions) for computation in COMPUTATIONS],
        jobs=[BY_SITE, BY_WATER_YEAR, *health_jobs],
        sensors=[build_raw_files_sensor(bench, watch), build_staleness_sensor(bench)],
        schedules=[build_daily_health(bench, job, watch) for job in health_jobs],
        resources={WORKBENCH: _workbench_resource(bench)},
        executor=in_process_executor,
    )
