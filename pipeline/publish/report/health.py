"""Whether the machinery behind the numbers is well: checks, meters, supplies; and what changed since loads were last published.

Belongs here: checks that fail, bench proofs, meters in series, findings, supply voltage, published states and what moved.
Does not: judging any of it (stages/, tables/expectations.py).
"""

from __future__ import annotations

from datetime import UTC
from typing import Any

import numpy as np
import pandas as pd

from pipeline.orchestration.history import NOW
from pipeline.publish.health import site_health
from pipeline.publish.report.packing import packed
from pipeline.publish.report.reading import Source
from pipeline.publish.report.record import DAY_MS
from pipeline.publish.report.words import Said, amount, milliseconds, plain, sheet
from pipeline.stages.health import LAST_DAYS
from pipeline.tables.declared.history import HOW_CHANGED


def checks(source: Source) -> dict[str, Any]:
    """Expectations that are not kept."""
    rows = source.frame("checks")
    failed = rows[~rows["passed"].astype(bool)].sort_values(["severity", "table", "partition"]) if len(rows) else rows
    broken = int((failed["severity"] == "error").sum()) if len(failed) else 0
    said = f"{len(rows) - len(failed):,} of {len(rows):,} expectations on tables are kept"
    if broken:
        said += f"; {broken} that are not stop what lies downstream"
    if warned := len(failed) - broken:
        said += f"; {warned} {'is a warning' if warned == 1 else 'are warnings'}: look at them, the numbers are computed"
    return {
        "said": [f"{said}."],
        "sheet": sheet(
            "Expectations that are not kept",
            [
                ("Table", "text"),
                ("Water year", "text"),
                ("Severity", "text"),
                ("What is expected", "text"),
                ("What was found", "text"),
            ],
            failed[["table", "partition", "severity", "expectation", "detail"]].itertuples(index=False)
            if len(failed)
            else (),
        ),
    }


def meters(source: Source) -> dict[str, Any]:
    """Bench proofs, meters in series, findings in the record."""
    return {
        "proofs": _chosen(
            source.frame("meter_proofs"),
            "Bench proofs: litres per pulse with expanded uncertainty (95 %), and the calibration that is in the register",
            {
                "proved": ("Proved", "day"),
                "meter": ("Meter", "text"),
                "direction": ("Direction", "text"),
                "column": ("Logger column", "text"),
                "litres_per_pulse": ("Litres per pulse", "number_fine"),
                "expanded_uncertainty_pct": ("Uncertainty", "percent_fine"),
                "register_litres_per_pulse": ("In the register", "number_fine"),
                "difference_pct": ("Register exceeds proof by", "percent_fine"),
                "agrees": ("Agrees", "flag"),
                "note": ("Look at", "text"),
            },
        ),
        "comparisons": _chosen(
            source.frame("meter_comparisons"),
            "Meters that counted the same water on a bench",
            {
                "proved": ("Proved", "day"),
                "direction": ("Direction", "text"),
                "meter": ("Meter", "text"),
                "other_meter": ("Other meter", "text"),
                "difference_pct": ("The one shows more by", "percent_fine"),
                "expanded_uncertainty_pct": ("Uncertainty", "percent_fine"),
                "agree": ("Agree", "flag"),
            },
        ),
        "findings": _chosen(
            source.frame("meter_findings"),
            "Stretches in which the record speaks against a meter",
            {
                "plot": ("Plot", "text"),
                "meter": ("Meter", "text"),
                "kind": ("What", "text"),
                "start": ("From", "instant"),
                "end": ("To", "instant"),
                "strength": ("Evidence", "text"),
                "finding": ("Found", "text"),
                "check": ("Check in the field", "text"),
            },
        ),
        "findings_said": _findings_said(source),
    }


def last_days(source: Source) -> dict[str, Any]:
    """What needed somebody at the end of what is stored, and how much of the last days each plot's meter was on record.

    The moment is that of the tables and not that of the page, so that the same tables give the same page.
    """
    last = source.ask("hourly_flow", "SELECT max(hour_start) + INTERVAL 1 HOUR AS moment FROM stored")["moment"][0]
    health = site_health(source.session, source.lake, source.site, last.to_pydatetime().astimezone(UTC))
    count = len(health.needs)
    needing = "nothing needed anybody" if not count else f"{count} {'thing' if count == 1 else 'things'} needed somebody"
    return {
        "said": [
            "At the end of what is stored, ",
            {"v": milliseconds(health.station.moment), "q": "instant"},
            f", {needing}.",
        ],
        "needs": list(health.needs),
        "sheet": sheet(
            f"The last {LAST_DAYS} days of every plot",
            [("Plot", "text"), ("Measured", "share"), ("Last interval on record", "instant"), ("Last pulse", "instant")],
            ((one.plot, one.measured_share, one.last_interval, one.last_pulse) for one in health.station.plots),
        ),
    }


def _findings_said(source: Source) -> str:
    if source.declared("meter_findings") is None:
        return "This version of the program does not search the record for failing meters."
    count = len(source.frame("meter_findings"))
    if not count:
        return "Nothing in the record speaks against a meter."
    return (
        f"{count} stretch{'es' if count > 1 else ''} of the record {'speak' if count > 1 else 'speaks'} against a meter."
    )


def _chosen(rows: pd.DataFrame, caption: str, columns: dict[str, tuple[str, str]]) -> dict[str, Any]:
    """A sheet of those of the columns that hold anything."""
    there = [name for name in columns if name in rows and rows[name].notna().any()]
    return sheet(caption, [columns[name] for name in there], rows[there].itertuples(index=False))


def supply(source: Source) -> dict[str, Any]:
    """Lowest supply voltage of every day, by gauge."""
    local = source.local("interval_start")
    rows = source.ask(
        "gauge_readings",
        f"""
        SELECT gauge, epoch_ms(date_trunc('day', {local})) // {DAY_MS} AS day, min("value") AS lowest FROM stored
        WHERE quantity = 'supply_voltage' GROUP BY gauge, day ORDER BY gauge, day
        """,
    )
    gauges = []
    said: Said = []
    for gauge, of_gauge in rows.groupby("gauge", sort=True):
        first = int(of_gauge["day"].iloc[0])
        at = of_gauge["day"].to_numpy() - first
        lowest = np.full(int(at[-1]) + 1, np.nan)
        lowest[at] = of_gauge["lowest"]
        gauges.append({"gauge": gauge, "first_day": first, "lowest": packed(lowest, 0.01)})
        said += [
            f"{gauge}: lowest ",
            amount(float(of_gauge["lowest"].min()), "volt"),
            ", last day ",
            amount(float(lowest[-1]), "volt"),
            ". ",
        ]
    month = pd.to_datetime(rows["day"] * DAY_MS, unit="ms").dt.strftime("%Y-%m")
    by_month = (
        rows.assign(month=month).groupby(["gauge", "month"], sort=True)["lowest"].agg(["min", "median"]).reset_index()
    )
    return {
        "gauges": gauges,
        "alternative": ["Lowest supply voltage of each day. ", *said],
        "sheet": sheet(
            "Supply voltage by month: lowest, and median of the days' lowest",
            [("Gauge", "text"), ("Month", "text"), ("Lowest", "volt"), ("Median of days", "volt")],
            by_month.itertuples(index=False),
        ),
    }


def changes(source: Source) -> dict[str, Any]:
    """Published states, and loads that moved since the last one."""
    revisions, moved = source.frame("revisions"), source.frame("load_changes")
    if revisions.empty:
        return {"said": ["No state of the loads has been published yet, so that there is nothing to compare with."]}
    last = revisions.sort_values("revision").to_dict("records")[-1]
    since = moved[
        (moved["from_revision"] == last["revision"]) & (moved["to_revision"] == NOW) & (moved["kind"] == "annual")
    ]
    loads = since[since["how"] != "interval_only"]
    said: Said = [
        f"The last published state is number {last['revision']}, of ",
        {"v": plain(last["made_at"]), "q": "day"},
        f": {last['reason']}. ",
        "No load of a year has moved since."
        if loads.empty
        else f"{len(loads)} {'load of a year has' if len(loads) == 1 else 'loads of years have'} moved since.",
    ]
    return {
        "said": said,
        "sheet": sheet(
            "Loads of years, or their intervals, that moved since the last published state",
            [
                ("Plot", "text"),
                ("Analyte", "text"),
                ("Water year", "year"),
                ("Before", "kg_ha_fine"),
                ("Now", "kg_ha_fine"),
                ("Change", "kg_ha_fine"),
                ("Cause", "text"),
                ("How", "text"),
                ("What changed", "text"),
            ],
            (
                (
                    row["plot"],
                    row["analyte"],
                    row["water_year"],
                    [row["before"], row["before_p05"], row["before_p95"]],
                    [row["after"], row["after_p05"], row["after_p95"]],
                    row["change"],
                    row["cause"],
                    HOW_CHANGED[row["how"]],
                    row["detail"],
                )
                for row in since.to_dict("records")
            ),
        ),
        "revisions": sheet(
            "Published states of the loads",
            [("Number", "count"), ("Published", "instant"), ("Reason", "text")],
            revisions.sort_values("revision")[["revision", "made_at", "reason"]].itertuples(index=False),
        ),
    }
