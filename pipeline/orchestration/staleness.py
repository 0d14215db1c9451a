"""What is stale, told on Dagster's page.

Belongs here: the sensor that looks at files and registers and writes an observation for every partition that is not fresh.
Does not: deciding what is stale (freshness.py), the words for what changed (causes.py), asking for runs (sensors.py).

Dagster knows by itself when a needed table or a method's version changed; of raw files and rows of registers it knows nothing.
"""

from __future__ import annotations

import json

from dagster import (
    AssetObservation,
    DefaultSensorStatus,
    MetadataValue,
    MultiPartitionKey,
    SensorDefinition,
    SensorEvaluationContext,
    SensorResult,
    SkipReason,
    sensor,
)

from pipeline.lake import fingerprint
from pipeline.orchestration.partitions import SITE, WATER_YEAR
from pipeline.orchestration.plan import Planned, plan
from pipeline.orchestration.workbench import Workbench
from pipeline.site import Site, SiteErrors, load_site

SECONDS_BETWEEN_LOOKS = 60


def places_digest(bench: Workbench, site: Site) -> str:
    """Digest of sizes and times of change of raw files, registers and tables: cheap, and different when one changes."""
    seen = []
    for folder in (bench.lake.raw(site.site), site.folder, bench.lake.tables):
        for path in sorted(folder.rglob("*")):
            if path.is_file():
                facts = path.stat()
                seen.append(f"{path.as_posix()} {facts.st_size} {facts.st_mtime_ns}")
    return fingerprint(seen)


def build_staleness_sensor(bench: Workbench) -> SensorDefinition:
    """A sensor that tells, for every partition that a run would compute, why it would."""

    @sensor(
        name="staleness_sensor",
        minimum_interval_seconds=SECONDS_BETWEEN_LOOKS,
        default_status=DefaultSensorStatus.RUNNING,
        description=(
            "Looks at raw files, registers and tables. For every partition that a run would compute it writes an observation with what "
            "changed; `drainledger run --dry-run` says the same. Starts nothing."
        ),
    )
    def staleness_sensor(context: SensorEvaluationContext) -> SensorResult | SkipReason:
        told: dict[str, str] = json.loads(context.cursor) if context.cursor else {}
        observations = []
        for name, known in bench.sites.items():
            digest = places_digest(bench, known)
            if told.get(name) == digest:
                continue
            told[name] = digest
            try:
                site = load_site(known.folder)
            except SiteErrors as errors:
                context.log.warning(f"{known.folder} cannot be used as it is now:\n{errors}")
                continue
            looking = Workbench(bench.lake, {name: site}, load_stages=bench.load_stages)
            try:
                observations += [_observation(site, one) for one in plan(looking, site) if one.causes]
            finally:
                looking.close()
        cursor = json.dumps(told, sort_keys=True)
        if not observations:
            context.update_cursor(cursor)
            return SkipReason("nothing has become stale since the last look")
        return SensorResult(asset_events=observations, cursor=cursor)

    return staleness_sensor


def _observation(site: Site, one: Planned) -> AssetObservation:
    key = site.site if one.year is None else MultiPartitionKey({SITE: site.site, WATER_YEAR: str(one.year)})
    why = "\n".join(f"- {cause.sentence}" for cause in one.causes)
    return AssetObservation(one.table, partition=key, metadata={"state": one.state, "why": MetadataValue.md(why)})
