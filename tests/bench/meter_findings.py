"""How many planted lies of meters are found, how soon, and how often a sound record is accused.

Run `python -m tests.bench.meter_findings`. Fields are invented (three years of five plots each), their hourly litres are counted in whole
pulses, and the search runs on them as they are and with one lie of each kind planted, in a plot whose treatment did not change:
silence of three wet days to two months, a stuck counter, impossible rates, a step, exchanged directions, exchanged columns, and a
whole site that falls silent. A lie counts as found where a finding of its kind about its plot shares time with it. A false alarm is a
finding in a sound record; what else is found beside a planted lie is counted apart. Delay: days from the lie's first hour until the
evidence sufficed.

Which days are wet is told by the hidden truth: a day is wet for a plot if its true mean flow is at least the flow from which its meter
is accurate (within the site's tolerance), and neither it nor the three days before had frost. A silence is planted where its first
days, up to three, are wet; in one that hides no such water there is little to miss and nothing to see. Three days of slow flow (at
least 0.1 mm each, all below that flow) and the whole site are lines of their own, not in "all".

    --fields N         fields (67: 201 site-years); --first S is the first seed
    --weather real, --soil other   as in tests/bench/gap_recovery.py
    --keep FOLDER      keep what each field gave, so that a study can be made in parts

Thresholds were set on seeds 1 to 12 and 500 to 523, and 1 to 8 and 500 to 509 with other soil and real weather; report on others.

Belongs here: this study. Does not: assertions; what is printed is judged by people.
"""

from __future__ import annotations

import argparse
import json
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.science.error_curve import lowest_flow_within
from pipeline.stages.count_lies import count_lies
from pipeline.stages.error_curves import error_curve
from pipeline.stages.meter_findings import findings
from pipeline.stages.meter_record import BLOCK_HOURS, HOUR_US, M2_PER_HA, Finding, Record
from tests.bench.gap_recovery import Truth, truth_of
from tests.field import Plan
from tests.field.lies import Counts, exchanged, raced, scaled, silenced, stuck, turned_round

LITRES_PER_PULSE = 8.0
SLOW_MM_PER_DAY = 0.1
MINUTES_PER_DAY = 1440.0
DAYS_PER_WEEK = 7
SILENCE_DAYS = (3, 5, 10, 30, 60)
FACTORS = (0.1, 0.5, 0.7, 0.8, 1.25, 1.4, 2.0, 10.0)
SLOW = "3 slow days"
WHOLE_SITE = "whole site, 30 days"
Lie = tuple[str, list[int], int, int, str, Counts]
"""Kind, plots, first hour, the one after the last, what exactly, the counts."""


def counted(truth: Truth) -> Counts:
    """Litres of whole pulses."""

    def whole(litres: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.diff(np.floor(np.cumsum(litres, axis=1) / LITRES_PER_PULSE), axis=1, prepend=0) * LITRES_PER_PULSE

    return Counts(whole(truth.forward_l), whole(truth.reverse_l))


def record_of_truth(truth: Truth, counts: Counts) -> Record:
    """The record as the stage has it."""
    treatment = np.zeros(counts.forward.shape, dtype=np.int64)
    names = sorted({row.treatment for row in truth.site.treatments})
    start = truth.weather["hour_start"]
    for row in truth.site.treatments:
        during = start >= row.start
        if row.end is not None:
            during &= start < row.end
        treatment[truth.plots.index(row.plot), during] = 1 + names.index(row.treatment)
    return Record(
        plots=truth.plots,
        area_ha=truth.area_ha,
        first_us=int(start.iloc[0].value // 1000),
        net_l=counts.net,
        gross_l=counts.forward + counts.reverse,
        fraction=np.ones(counts.forward.shape),
        rain_mm=truth.weather["rain_mm"].to_numpy(dtype=float),
        air_temp_c=truth.weather["air_temp_c"].to_numpy(dtype=float),
        treatment=treatment,
    )


def lowest_accurate_l_min(truth: Truth) -> NDArray[np.float64]:
    """Flow from which each plot's meter is within the site's tolerance, L/min, shape (plots,)."""
    accuracy = {row.plot: row.accuracy for row in truth.site.meters}
    tolerance = truth.site.policies.accuracy_tolerance_pct
    return np.array([lowest_flow_within(tolerance, *error_curve(truth.site, accuracy[plot])) for plot in truth.plots])


def plot_weeks(truth: Truth, record: Record) -> dict[str, int]:
    """Weeks of plots in which a sound meter looks odd: without any flow, with frost, with water that runs back."""
    weeks = truth.net_l.shape[1] // (24 * DAYS_PER_WEEK)

    def by_week(hourly: NDArray[np.bool_]) -> NDArray[np.bool_]:
        return hourly[:, : weeks * 24 * DAYS_PER_WEEK].reshape(len(hourly), weeks, -1)

    frost = np.repeat(record.frozen(), BLOCK_HOURS)[np.newaxis]
    return {
        "plot-weeks": weeks * len(truth.plots),
        "without flow": int(by_week(record.gross_l == 0).all(axis=2).sum()),
        "with frost": int(by_week(frost).any(axis=2).sum()) * len(truth.plots),
        "with backwater": int(by_week(record.net_l < 0).any(axis=2).sum()),
    }


def planted(truth: Truth, sound: Counts) -> Iterator[Lie]:
    """One lie of each kind, silence of each length."""
    generator = np.random.default_rng([truth.plan.seed, 17])
    record = record_of_truth(truth, sound)
    free = [plot for plot in range(len(truth.plots)) if len(np.unique(record.treatment[plot])) == 1]
    hours = sound.forward.shape[1]
    daily_l = truth.net_l.reshape(len(truth.plots), -1, 24).sum(axis=2)
    thawed = ~record.frozen()[::2]
    accurate = daily_l >= lowest_accurate_l_min(truth)[:, np.newaxis] * MINUTES_PER_DAY
    wet = accurate & thawed
    slow = (daily_l >= SLOW_MM_PER_DAY * truth.area_ha[:, np.newaxis] * M2_PER_HA) & ~accurate & thawed

    def starts(days_of_kind: NDArray[np.bool_], days: int) -> int | None:
        """An hour from which on so many days, or their first three, are of a kind."""
        run = min(days, 3)
        good = np.flatnonzero(np.convolve(days_of_kind, np.ones(run), "valid") == run)
        good = good[good + days < days_of_kind.size - 1]
        return int(generator.choice(good)) * 24 if good.size else None

    def wet_start(plot: int, days: int) -> int | None:
        return starts(wet[plot], days)

    for days in SILENCE_DAYS:
        plot = int(generator.choice(free))
        first = wet_start(plot, days)
        if first is not None:
            yield (
                "silence",
                [plot],
                first,
                first + 24 * days,
                f"{days} days",
                silenced(sound, [plot], first, first + 24 * days),
            )
    plot = int(generator.choice(free))
    first = starts(slow[plot], 3)
    if first is not None:
        yield "silence", [plot], first, first + 72, SLOW, silenced(sound, [plot], first, first + 72)
    everyone = list(range(len(truth.plots)))
    first = wet_start(free[0], 30)
    if first is not None:
        yield (
            "silence",
            everyone,
            first,
            first + 720,
            WHOLE_SITE,
            silenced(sound, everyone, first, first + 720),
        )
    plot = int(generator.choice(free))
    first = wet_start(plot, 10)
    if first is not None:
        yield "stuck_counter", [plot], first, first + 240, "10 days", stuck(sound, plot, first, first + 240)
    top_l = 60.0 * next(row.top_l_min for row in truth.site.meters if row.plot == truth.plots[plot])
    steps = generator.choice(hours, 3, replace=False)
    yield "impossible_rate", [plot], int(steps.min()), int(steps.max()) + 1, "3 hours", raced(sound, plot, steps, top_l)
    first = int(generator.integers(hours // 5, hours * 4 // 5))
    factor = float(generator.choice(FACTORS))
    yield "step", [plot], first, hours, f"x {factor:g}", scaled(sound, plot, first, hours, factor)
    plot = int(generator.choice(free))
    yield "direction_swapped", [plot], first, hours, "to the end", turned_round(sound, plot, first, hours)
    one, other = (int(each) for each in generator.choice(free, 2, replace=False))
    first = int(generator.integers(hours // 2, hours * 4 // 5))
    yield "columns_swapped", [one, other], first, hours, "to the end", exchanged(sound, one, other, first, hours)


def search(truth: Truth, counts: Counts) -> list[Finding]:
    """What is found in a record."""
    record = record_of_truth(truth, counts)
    found, expectation = findings(record, truth.site)
    meter = {row.plot: row.meter for row in truth.site.meters}
    start = truth.weather["hour_start"].dt.tz_convert(None).to_numpy("datetime64[us]")
    with duckdb.connect() as session:
        session.execute("SET TimeZone = 'UTC'")
        for number, plot in enumerate(truth.plots):
            columns = {"hour_start": start, "forward_l": counts.forward[number], "reverse_l": counts.reverse[number]}
            session.register(f"plot_{number}", pd.DataFrame(columns))
            session.execute(
                f"""
                {"INSERT INTO flow" if number else "CREATE TABLE flow AS"}
                SELECT ?::VARCHAR AS plot, ?::VARCHAR AS meter, hour_start::TIMESTAMPTZ AS interval_start,
                    hour_start::TIMESTAMPTZ + INTERVAL 1 HOUR AS interval_end, forward_l, reverse_l, forward_l - reverse_l AS net_l,
                    'ok' AS quality
                FROM plot_{number}
                """,
                [plot, meter[plot]],
            )
        found += count_lies(session, session.table("flow"), record, expectation, truth.site)
    return found


def study(plan: Plan) -> list[dict[str, Any]]:
    """One field: sound, and with each lie."""
    truth = truth_of(plan)
    sound = counted(truth)
    first_us = int(truth.weather["hour_start"].iloc[0].value // 1000)
    years = sound.forward.shape[1] / 8766
    alone = search(truth, sound)
    weeks = plot_weeks(truth, record_of_truth(truth, sound))
    rows: list[dict[str, Any]] = [
        {"what": "sound", "years": years, "alarms": [one.kind for one in alone], "weeks": weeks}
    ]
    known = {(one.plot, one.kind) for one in alone}
    for kind, plots, first, end, what, counts in planted(truth, sound):
        start_us, end_us = first_us + first * HOUR_US, first_us + end * HOUR_US
        names = [truth.plots[plot] for plot in plots]
        found = search(truth, counts)
        hits = [
            one for one in found if one.kind == kind and one.plot in names and one.start < end_us and one.end > start_us
        ]
        others = [one.kind for one in found if one not in hits and (one.plot, one.kind) not in known]
        delay = (min(one.told for one in hits) - start_us) / HOUR_US / 24 if hits else None
        share = len({one.plot for one in hits}) / len(names)
        rows.append({"what": kind, "of": what, "found": share, "delay_days": delay, "others": others, "years": years})
    return rows


def report(rows: list[dict[str, Any]]) -> None:
    """Print the table."""
    sound = [row for row in rows if row["what"] == "sound"]
    years = sum(row["years"] for row in sound)
    alarms = [kind for row in sound for kind in row["alarms"]]
    print(
        f"{years:.0f} sound site-years: {len(alarms)} false alarms, one in {years / max(len(alarms), 1):.0f} site-years"
    )
    for kind in sorted(set(alarms)):
        print(f"    {kind}: {alarms.count(kind)}, {alarms.count(kind) / years:.3f} a site-year")
    weeks = {name: sum(row["weeks"][name] for row in sound) for name in sound[0]["weeks"]}
    print(", ".join(f"{count:,} {name}" for name, count in weeks.items()))
    groups: dict[tuple[str, str], list[dict[str, Any]]] = defaultdict(list)
    for row in rows:
        if row["what"] != "sound":
            groups[row["what"], row["of"]].append(row)
            if row["of"] not in (SLOW, WHOLE_SITE):
                groups[row["what"], "all"].append(row)
    print(
        f"\n{'planted':34}{'site-years':>11}{'planted':>9}{'found %':>9}{'median delay, days':>20}{'other findings':>16}"
    )
    for (kind, what), of_kind in sorted(groups.items()):
        delays = [row["delay_days"] for row in of_kind if row["delay_days"] is not None]
        print(
            f"{kind + ', ' + what:34}{sum(row['years'] for row in of_kind):11.0f}{len(of_kind):9}"
            f"{100 * np.mean([row['found'] for row in of_kind]):9.1f}{np.median(delays) if delays else np.nan:20.1f}"
            f"{sum(len(row['others']) for row in of_kind):16}"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--fields", type=int, default=67)
    parser.add_argument("--first", type=int, default=101, help="seed of the first field")
    parser.add_argument("--weather", choices=["invented", "real"], default="invented")
    parser.add_argument("--soil", choices=["default", "other"], default="default")
    parser.add_argument("--keep", type=Path, help="folder for what each field gave")
    chosen = parser.parse_args()
    rows: list[dict[str, Any]] = []
    for seed in range(chosen.first, chosen.first + chosen.fields):
        kept = chosen.keep / f"{chosen.weather}_{chosen.soil}_{seed}.json" if chosen.keep else None
        if kept is not None and kept.exists():
            rows += json.loads(kept.read_text())
            continue
        plan = Plan(
            seed=seed,
            first_year=2012 if chosen.weather == "real" else 2019,
            interval_minutes=60,
            outages=False,
            pulses=False,
            weather="recorded" if chosen.weather == "real" else "invented",
            soil="spread_capacity" if chosen.soil == "other" else "one_store",
        )
        of_field = study(plan)
        if kept is not None:
            kept.parent.mkdir(parents=True, exist_ok=True)
            kept.write_text(json.dumps(of_field))
        rows += of_field
    report(rows)


if __name__ == "__main__":
    main()
