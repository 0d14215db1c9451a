"""What fails: lightning, lost lines, missing words.

Belongs here: when meters and loggers are out, which of it people wrote down, which single readings are lost.
Does not: how a file shows it (raw_files.py), the register of declared outages as a file (site_folder.py).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.field.plan import Plan
from tests.field.plots import Logger, Meter
from tests.field.weather import Floats

SHORTEST_HOURS = 3
LONGEST_HOURS = 90 * 24
MOST_MISSING_SHARE = 0.42


@dataclass(frozen=True)
class Outage:
    """A stretch of intervals [start, end) without a record.

    Attributes:
        scope: "meter" (its columns carry the missing word), "logger" (no lines at all) or "site" (no lines from any).
        name: the meter or logger; empty for the site.
        declared: whether it stands in the outage register.
    """

    scope: str
    name: str
    start: int
    end: int
    cause: str
    declared: bool


@dataclass(frozen=True)
class Failures:
    """All that failed.

    Attributes:
        outages: in order of scope and drawing.
        dead: meters that count nothing, shape (meters, intervals).
        dark: loggers that write nothing, by logger, shape (intervals,).
        garbled_lines: intervals whose line is unreadable, by logger.
        missing_words: (meter, interval) pairs whose cells alone carry the missing word, shape (meters, intervals).
    """

    outages: list[Outage]
    dead: NDArray[np.bool_]
    dark: dict[str, NDArray[np.bool_]]
    garbled_lines: dict[str, NDArray[np.int64]]
    missing_words: NDArray[np.bool_]


def thunder(rain_mm: Floats, air_temp_c: Floats) -> Floats:
    """How ready each hour is for lightning: heavy rain in warm air."""
    return np.minimum(rain_mm, 20.0) * np.clip((air_temp_c - 8.0) / 10.0, 0.0, 1.0)


def draw_outages(
    plan: Plan,
    generator: np.random.Generator,
    storm: Floats,
    out: NDArray[np.bool_],
    wanted_share: float,
    scope: str,
    name: str,
) -> list[Outage]:
    """Outages of log-uniform length until `out` (changed in place) is true for the wanted share of intervals."""
    drawn: list[Outage] = []
    # A little can fail in any hour: batteries, mice, ploughs.
    chance = np.cumsum(0.004 + 0.1 * storm)
    taken = np.zeros(plan.intervals, dtype=bool)
    longest = min(LONGEST_HOURS, 0.12 * plan.hours)
    while (lacking := wanted_share - out.mean()) > 0:
        hours = float(np.exp(generator.uniform(np.log(SHORTEST_HOURS), np.log(longest))))
        length = round(min(max(lacking * plan.hours, SHORTEST_HOURS), hours) * plan.intervals_per_hour)
        hour = int(np.searchsorted(chance, generator.random() * chance[-1]))
        start = hour * plan.intervals_per_hour + int(generator.integers(plan.intervals_per_hour))
        end = min(start + length, plan.intervals)
        day = 24 * plan.intervals_per_hour
        declared = end - start > day and generator.random() < 0.55
        # Two outages of the same thing keep a day apart, and the record begins and ends with a reading.
        if start < day or end > plan.intervals - day or taken[start - day : end + day].any():
            continue
        taken[start:end] = True
        out[start:end] = True
        cause = "lightning" if storm[hour] > 0 else "power supply"
        drawn.append(Outage(scope, name, start, end, cause, declared))
    return drawn


def invent_failures(
    plan: Plan, meters: list[Meter], loggers: list[Logger], rain_mm: Floats, air_temp_c: Floats
) -> Failures:
    """Failures of a plan; none at all where the plan wants none.

    A meter that keeps running totals and dies is always declared: the total of the meter that replaces it says nothing
    of the days between, and nobody could tell that from the numbers.
    """
    dead = np.zeros((len(meters), plan.intervals), dtype=bool)
    dark = {logger.logger: np.zeros(plan.intervals, dtype=bool) for logger in loggers}
    garbled: dict[str, NDArray[np.int64]] = {logger.logger: np.zeros(0, dtype=np.int64) for logger in loggers}
    missing_words = np.zeros_like(dead)
    outages: list[Outage] = []
    if not plan.outages:
        return Failures(outages, dead, dark, garbled, missing_words)

    generator = plan.stream("failures")
    storm = thunder(rain_mm, air_temp_c)
    site_out = np.zeros(plan.intervals, dtype=bool)
    outages += draw_outages(plan, generator, storm, site_out, float(generator.uniform(0.035, 0.06)), "site", "")
    for name, out in dark.items():
        out |= site_out
        wanted = float(generator.uniform(0.09, 0.14))
        outages += draw_outages(plan, generator, storm, out, wanted, "logger", name)
    for index, meter in enumerate(meters):
        unusable = dark[meter.logger].copy()
        wanted = float(generator.uniform(0.18, MOST_MISSING_SHARE - 0.02))
        for outage in draw_outages(plan, generator, storm, unusable, wanted, "meter", meter.meter):
            dead[index, outage.start : outage.end] = True
            declared = outage.declared or meter.counts == "running"
            outages.append(Outage("meter", meter.meter, outage.start, outage.end, outage.cause, declared))
    for name in garbled:
        garbled[name] = np.sort(generator.choice(plan.intervals, 3 * plan.years, replace=False))
    words = generator.integers(0, plan.intervals, (len(meters), 4 * plan.years))
    missing_words[np.arange(len(meters))[:, None], words] = True
    return Failures(outages, dead, dark, garbled, missing_words)


def missing_readings(meters: list[Meter], failures: Failures) -> NDArray[np.bool_]:
    """Whether the record lacks a meter's reading, shape (meters, intervals)."""
    missing = failures.dead | failures.missing_words
    for index, meter in enumerate(meters):
        missing[index] |= failures.dark[meter.logger]
        missing[index, failures.garbled_lines[meter.logger]] = True
    return missing
