"""What filling the gaps of a long record costs: time and memory by years, and whether the time is linear in them.

Run `python -m tests.bench.gap_stage`. True hours of an invented field of 8 plots and 20 water years are hidden as in the recovery study
(tests/bench/gap_recovery.py), and the stage fills every year from the hours of its window. Time is that of the process's own work
(CPU), which other work on the machine hardly changes, and wall time beside it; the field's own invention is not in it.

    --plots N --years N    size of the field
    --work FILE            keeps the time of every year and goes on where it stopped

Belongs here: this measurement. Does not: assertions; how good the filling is (gap_recovery.py).
"""

from __future__ import annotations

import argparse
import json
import resource
import time
from pathlib import Path

import pandas as pd

from pipeline.stages.hours import fill_hours
from tests.bench.gap_recovery import hidden_hours, metered, truth_of
from tests.field import Plan

MB_PER_KB = 1 / 1024


def peak_mb() -> float:
    """The most memory that this process has held so far, MB."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * MB_PER_KB


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--plots", type=int, default=8)
    parser.add_argument("--years", type=int, default=20)
    parser.add_argument("--work", type=Path)
    chosen = parser.parse_args()
    # Seconds of work, seconds by the wall, and the peak in MB after the year.
    kept: dict[str, list[float]] = {}
    if chosen.work is not None and chosen.work.exists():
        kept = json.loads(chosen.work.read_text())
    truth = truth_of(
        Plan(
            seed=1,
            plots=chosen.plots,
            years=chosen.years,
            first_year=2000,
            interval_minutes=60,
            outages=False,
            pulses=False,
        )
    )
    record = metered(truth, hidden_hours(truth))
    site = truth.site
    reach = site.policies.gap_window_years
    print(f"{chosen.plots} plots, {chosen.years} years; the record alone: {peak_mb():.0f} MB", flush=True)
    for year in site.water_years():
        if str(year) in kept:
            continue
        since, until = (pd.Timestamp(site.water_year_period(each)[0]) for each in (year - reach, year + reach + 1))
        window = record.hours[(record.hours["hour_start"] >= since) & (record.hours["hour_start"] < until)]
        cpu, wall = time.process_time(), time.perf_counter()
        fill_hours(window, record.known_totals, truth.weather, site, year)
        kept[str(year)] = [time.process_time() - cpu, time.perf_counter() - wall, peak_mb()]
        print(
            f"{year}: {kept[str(year)][0]:.1f} s of work, {kept[str(year)][1]:.1f} s, peak {peak_mb():.0f} MB", flush=True
        )
        if chosen.work is not None:
            chosen.work.write_text(json.dumps(kept))
    work = [kept[str(year)][0] for year in site.water_years()]
    half = len(work) // 2
    print(f"\n{'years':>8}{'work, s':>10}{'wall, s':>10}{'s a plot-year':>15}")
    for count in dict.fromkeys((max(half, 1), len(work))):
        wall = sum(kept[str(year)][1] for year in list(site.water_years())[:count])
        print(f"{count:8}{sum(work[:count]):10.0f}{wall:10.0f}{sum(work[:count]) / count / chosen.plots:15.2f}")
    print(
        f"peak {max(each[2] for each in kept.values()):.0f} MB, of which the record before any year is the first line's"
    )


if __name__ == "__main__":
    main()
