"""The stages that a run uses, by name, each replaceable.

Belongs here: which function computes what, and the version of its method.
Does not: what a stage does (stages/), on which partition (computations.py).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

VERSIONS: Mapping[str, int] = {
    "read_raw_files": 1,
    "pulse_counts": 1,
    "gauge_readings": 1,
    "weather_hours": 1,
    "interval_flow": 2,
    "metered_hours": 1,
    "meter_findings": 3,
    "outages": 2,
    "fill_hours": 9,
    "events": 1,
    "sample_results": 2,
    "sample_flow": 1,
    "bench_proofs": 1,
    "concentration_members": 6,
    "loads": 5,
    "period_loads": 1,
    "load_methods": 1,
    "load_basis": 1,
}
"""Raised by one when a stage's numbers change: every partition that the stage made becomes stale."""


@dataclass(frozen=True)
class Stages:
    """One function per stage, with the signatures of the modules in stages/."""

    read_raw_files: Callable[..., Any]
    pulse_counts: Callable[..., Any]
    gauge_readings: Callable[..., Any]
    weather_hours: Callable[..., Any]
    interval_flow: Callable[..., Any]
    metered_hours: Callable[..., Any]
    meter_findings: Callable[..., Any]
    outages: Callable[..., Any]
    fill_hours: Callable[..., Any]
    events: Callable[..., Any]
    sample_results: Callable[..., Any]
    sample_flow: Callable[..., Any]
    bench_proofs: Callable[..., Any]
    concentration_members: Callable[..., Any]
    loads: Callable[..., Any]
    period_loads: Callable[..., Any]
    load_methods: Callable[..., Any]
    load_basis: Callable[..., Any]

    @classmethod
    def of_project(cls) -> Stages:
        """The project's own stages; imported here, since their libraries take a second to load."""
        from pipeline.stages.bench_proofs import bench_proofs
        from pipeline.stages.concentration import concentration_members
        from pipeline.stages.events import events
        from pipeline.stages.hours import fill_hours
        from pipeline.stages.intake import read_raw_files
        from pipeline.stages.load_basis import load_basis
        from pipeline.stages.load_methods import load_methods
        from pipeline.stages.loads import loads
        from pipeline.stages.meter_findings import meter_findings
        from pipeline.stages.metered_hours import metered_hours
        from pipeline.stages.outages import outages
        from pipeline.stages.period_loads import period_loads
        from pipeline.stages.pulses import gauge_readings, pulse_counts
        from pipeline.stages.sample_flow import sample_flow
        from pipeline.stages.samples import sample_results
        from pipeline.stages.volumes import interval_flow
        from pipeline.stages.weather import weather_hours

        return cls(
            read_raw_files=read_raw_files,
            pulse_counts=pulse_counts,
            gauge_readings=gauge_readings,
            weather_hours=weather_hours,
            interval_flow=interval_flow,
            metered_hours=metered_hours,
            meter_findings=meter_findings,
            outages=outages,
            fill_hours=fill_hours,
            events=events,
            sample_results=sample_results,
            sample_flow=sample_flow,
            bench_proofs=bench_proofs,
            concentration_members=concentration_members,
            loads=loads,
            period_loads=period_loads,
            load_methods=load_methods,
            load_basis=load_basis,
        )
