"""Lies of meters, found in the record.

Belongs here: what is looked for in which order, findings as rows of a table.
Does not: looking (stages/silences.py, stages/departures.py, stages/count_lies.py), the expectation (science/flow_expectation.py), the
evidence (science/meter_evidence.py), what a finding does to the hours (stages/outages.py), how findings are shown (publish/findings.py).
"""

from __future__ import annotations

import duckdb
import numpy as np
import pandas as pd

from pipeline.science.flow_expectation import Expectation, weather_root
from pipeline.site import Site
from pipeline.stages.count_lies import count_lies
from pipeline.stages.departures import departures
from pipeline.stages.meter_record import BLOCK_HOURS, Finding, Record, microseconds, period_of, record_of
from pipeline.stages.silences import silences
from pipeline.tables import table


def meter_findings(
    session: duckdb.DuckDBPyConnection,
    flow: duckdb.DuckDBPyRelation,
    metered: pd.DataFrame,
    weather: pd.DataFrame,
    site: Site,
    year: int,
) -> pd.DataFrame:
    """What the record of a water year says against its meters.

    Args:
        session: in which `flow` lives.
        flow: rows of `interval_flow` of the year.
        metered: rows of `metered_hours` of the years that may be learned from; declared outages are not in them.
        weather: hour_start, rain_mm, air_temp_c; may be empty.
        site: plots, treatments, meters, wiring, policies.
        year: the water year whose findings are wanted.

    Returns:
        Rows of `meter_findings`. A finding that goes on across the end of a water year stands in both.
    """
    record = record_of(metered, weather, site, year)
    start, end = period_of(site, year)
    by_expectation, expectation = findings(record, site)
    found = [
        clipped
        for finding in (*by_expectation, *count_lies(session, flow, record, expectation, site))
        if (clipped := _within(finding, microseconds(start), microseconds(end))) is not None
    ]
    return _rows(sorted(found, key=lambda one: (one.plot, one.start, one.kind)))


def findings(record: Record, site: Site) -> tuple[list[Finding], Expectation]:
    """Findings that rest on what was to be expected, in order of plot and time: silences, then what they leave; and the expectation."""
    root = record.root()
    measured = np.isfinite(root)
    by_weather = weather_root(record.day, record.rain_mm, record.air_temp_c, root, measured, BLOCK_HOURS)
    silent = silences(record, by_weather, site)
    believed = measured.copy()
    for one in silent:
        believed[record.plots.index(one.plot), record.blocks_of(one.start, one.end)] = False
    departed, expectation = departures(record, by_weather, believed, site)
    return sorted([*silent, *departed], key=lambda one: (one.plot, one.start, one.kind)), expectation


def strength(evidence: float) -> str:
    """Words for evidence: how many times better the finding explains the record than a sound meter does."""
    return "moderate" if evidence < 6 else "strong" if evidence < 10 else "very strong"


def _within(finding: Finding, first: int, last: int) -> Finding | None:
    """The part of a finding that lies in [first, last); none where there is none."""
    start, end = max(finding.start, first), min(finding.end, last)
    if start >= end:
        return None
    return Finding(**{**finding.__dict__, "start": start, "end": end})


def _rows(found: list[Finding]) -> pd.DataFrame:
    def column(name: str, kind: str) -> pd.Series:
        return pd.Series([getattr(one, name) for one in found], dtype=kind)

    frame = pd.DataFrame(
        {
            **{
                name: column(name, "str") for name in ("plot", "meter", "direction", "kind", "others", "finding", "check")
            },
            **{
                name: pd.to_datetime(column(name, "int64"), unit="us", utc=True).dt.as_unit("us")
                for name in ("start", "end", "told")
            },
            **{name: column(name, "float64") for name in ("evidence", "factor")},
            "strength": pd.Series([strength(one.evidence) for one in found], dtype="str"),
        }
    )
    return frame[list(table("meter_findings").names)]
