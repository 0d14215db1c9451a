"""The sensor that notices new raw files.

Belongs here: seeing that files or registers changed, and asking for the runs that follow from it.
Does not: deciding what is stale (freshness.py).
"""

from __future__ import annotations

import json
from collections.abc import Iterator

from dagster import (
    AssetKey,
    DefaultSensorStatus,
    RunRequest,
    SensorDefinition,
    SensorEvaluationContext,
    SensorResult,
    SkipReason,
    define_asset_job,
    sensor,
)
from dagster._core.definitions.unresolved_asset_job_definition import UnresolvedAssetJobDefinition

from pipeline.lake import Lake, fingerprint
from pipeline.orchestration.computations import COMPUTATIONS
from pipeline.orchestration.freshness import Freshness, stretches
from pipeline.orchestration.partitions import range_tags
from pipeline.orchestration.raw_files import RawFiles
from pipeline.orchestration.workbench import Workbench
from pipeline.site import Site

SECONDS_BETWEEN_LOOKS = 60


def _job(name: str, by_year: bool) -> UnresolvedAssetJobDefinition:
    tables = [table for computation in COMPUTATIONS if computation.by_year == by_year for table in computation.tables]
    return define_asset_job(name, selection=tables)


BY_SITE = _job("tables_kept_by_site", by_year=False)
BY_WATER_YEAR = _job("tables_kept_by_water_year", by_year=True)


def folder_digest(lake: Lake, site: Site) -> str:
    """Digest of the names, sizes and times of change of all raw files of a site: cheap, and different when one changes."""
    folder = lake.raw(site.site)
    seen = []
    for path in sorted(folder.rglob("*")):
        if path.is_file():
            facts = path.stat()
            seen.append(f"{path.relative_to(folder).as_posix()} {facts.st_size} {facts.st_mtime_ns}")
    return fingerprint(seen)


def build_raw_files_sensor(bench: Workbench, watch: bool = False) -> SensorDefinition:
    """A sensor over the raw folders of all sites; `watch`: it looks from the start."""

    @sensor(
        name="raw_files_sensor",
        jobs=[BY_SITE, BY_WATER_YEAR],
        minimum_interval_seconds=SECONDS_BETWEEN_LOOKS,
        default_status=DefaultSensorStatus.RUNNING if watch else DefaultSensorStatus.STOPPED,
        description=(
            "Looks at the raw folders. When files appeared or changed, it asks first for the tables that are kept once per site, "
            "then for the water years that turn out to be stale. Each state of the folder is asked for once."
        ),
    )
    def raw_files_sensor(context: SensorEvaluationContext) -> SensorResult | SkipReason:
        settled: dict[str, str] = json.loads(context.cursor) if context.cursor else {}
        requests = []
        for name, site in bench.sites.items():
            digest = folder_digest(bench.lake, site)
            if settled.get(name) == digest:
                continue
            asked = list(_requests(bench.lake, site, digest))
            requests += asked
            if not asked:
                settled[name] = digest
        if not requests:
            context.update_cursor(json.dumps(settled, sort_keys=True))
            return SkipReason("no raw file is new or changed")
        return SensorResult(run_requests=requests, cursor=json.dumps(settled, sort_keys=True))

    return raw_files_sensor


def _requests(lake: Lake, site: Site, digest: str) -> Iterator[RunRequest]:
    """The runs that bring a site up to date: of the tables kept once per site, or, once those are fresh, of its water years."""
    freshness = Freshness(lake, site, RawFiles(lake, site))
    stale = {computation.name: freshness.to_do(computation) for computation in COMPUTATIONS}
    once = [computation for computation in COMPUTATIONS if not computation.by_year and stale[computation.name]]
    by_year = [computation for computation in COMPUTATIONS if computation.by_year and stale[computation.name]]
    chosen = once or by_year
    if not chosen:
        return
    keys = [AssetKey(name) for computation in chosen for name in computation.tables]
    run_key = f"{site.site} {digest} {fingerprint([[c.name, [str(y) for y in stale[c.name]]] for c in chosen])}"
    if once:
        yield RunRequest(run_key, job_name=BY_SITE.name, asset_selection=keys, partition_key=site.site)
    elif not any(one.state in ("failing", "blocked", "held") for one in freshness.all()):
        years = [year for computation in by_year for year in stale[computation.name] if year is not None]
        tags = range_tags(site.site, years)
        yield RunRequest(run_key, job_name=BY_WATER_YEAR.name, asset_selection=keys, tags=tags)
    else:
        # A run over years that cannot all be computed stops with the first table: what can be is asked for table by table.
        for computation in by_year:
            ready = [year for year in stale[computation.name] if freshness.ready(computation, year)]
            for stretch in stretches(ready):
                yield RunRequest(
                    f"{run_key} {computation.name} {stretch[0]}",
                    job_name=BY_WATER_YEAR.name,
                    asset_selection=[AssetKey(name) for name in computation.tables],
                    tags=range_tags(site.site, stretch),
                )
            if ready:
                return
