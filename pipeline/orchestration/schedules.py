"""The schedule of the season: once a day, how the stations do.

Belongs here: when, and for which sites.
Does not: the facts and their words, which come from above (`write_health` of definitions.py); noticing new files (sensors.py).

Annotations are evaluated here (no import from __future__), since Dagster looks at the type of `context`.
"""

from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

from dagster import (
    DefaultScheduleStatus,
    JobDefinition,
    MetadataValue,
    OpExecutionContext,
    ScheduleDefinition,
    in_process_executor,
    job,
    op,
)

from pipeline.orchestration.workbench import Workbench
from pipeline.site import Site

WriteHealth = Callable[[Workbench, Site], Path]
"""Writes the health of a site into its file, and says which."""
HOUR_OF_DAY = 6


def build_health_job(bench: Workbench, write_health: WriteHealth) -> JobDefinition:
    """A job that writes the health of every site; it reads tables and needs no hold of the lake."""

    @op(name="write_health")
    def write(context: OpExecutionContext) -> None:
        for site in bench.sites.values():
            path = write_health(bench, site)
            context.add_output_metadata({site.site: MetadataValue.text(path.read_text(encoding="utf-8"))})

    @job(
        name="daily_health",
        description="Writes what arrived, what is silent, which supply falls and how much of the last days was measured.",
        executor_def=in_process_executor,
    )
    def daily_health() -> None:
        write()

    return daily_health


def build_daily_health(bench: Workbench, health_job: JobDefinition, watch: bool) -> ScheduleDefinition:
    """Once a day at six in the morning of the first site's standard time, to the whole hour."""
    offset = next(iter(bench.sites.values())).utc_offset
    return ScheduleDefinition(
        name="every_morning",
        job=health_job,
        cron_schedule=f"0 {HOUR_OF_DAY} * * *",
        execution_timezone=zone_of(offset),
        default_status=DefaultScheduleStatus.RUNNING if watch else DefaultScheduleStatus.STOPPED,
    )


def zone_of(offset: timedelta) -> str:
    """The zone without summer time that is nearest to an offset; such names count westward."""
    hours = min(max(round(offset / timedelta(hours=1)), -12), 14)
    return f"Etc/GMT{-hours:+d}" if hours else "UTC"
