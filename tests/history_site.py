"""A site of two plots and two water years, read by the hour, for tests of history: published, corrected, computed again.

Belongs here: its raw files and registers, runs on it, a stand-in that fills one plot's hours from the other's.
Does not: promises (test_history.py).

The north plot is fully measured; the south plot lacks a week of the first water year. A gap model learns from its own year only,
so that the second year lies outside the window of the first.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd

from pipeline.orchestration.checks import check_tables
from pipeline.orchestration.computations import COMPUTATIONS
from pipeline.orchestration.history import write_history
from pipeline.orchestration.making import make_partition
from pipeline.orchestration.workbench import Workbench
from pipeline.science.ensemble import ENSEMBLE_MEMBERS
from pipeline.site import Site
from pipeline.stages.hours import FilledHours
from tests.plain_stages import fill_hours, plain_stages
from tests.site_on_disk import SiteOnDisk
from tests.small_site import HEADER, LAYOUT, raw_folder, small_site

SITE = "small"
YEARS = (2020, 2021)
CALIBRATIONS = (
    "meter,direction,litres_per_pulse,expanded_uncertainty_pct,from,to,evidence,entered\n"
    "M1,forward,5.0,1.0,2019-10-01,2020-10-01,bench,2019-09-01\nM1,forward,5.1,1.0,2020-10-01,,bench,2019-09-01\n"
    "M1,reverse,5.0,1.0,2019-10-01,,bench,2019-09-01\n"
    "M2,forward,5.0,1.0,2019-10-01,,bench,2019-09-01\nM2,reverse,5.0,1.0,2019-10-01,,bench,2019-09-01\n"
)
CORRECTED = ("M1,forward,5.0,1.0,2019-10-01,2020-10-01", "M1,forward,5.2,1.0,2019-10-01,2020-10-01")
"""A row of calibrations.csv and the same with 4 % more litres per pulse."""
FIRST_STAMP, HOURS = datetime(2020, 9, 1), 61 * 24
"""The record goes on for a month of each of its water years."""
GAP = (datetime(2020, 9, 11), datetime(2020, 9, 18))


def fill_from_the_other_plot(
    metered: pd.DataFrame, known_totals: pd.DataFrame, weather: pd.DataFrame, site: Site, year: int, gauges: pd.DataFrame
) -> FilledHours:
    """The hours of one year; what is missing becomes the other plot's measured flow, in all members."""
    filled = fill_hours(metered, known_totals, weather, site, year, gauges)
    of_hour = metered.groupby("hour_start")["net_l"].mean()
    missing = filled.hours["basis"] != "measured"
    net = filled.hours["net_l"].where(~missing, filled.hours["hour_start"].map(of_hour).fillna(0.0))
    basis = filled.hours["basis"].where(~missing, "from_neighbours")
    hours = filled.hours.assign(net_l=net, net_l_p05=net - 1.0, net_l_p95=net + 1.0, basis=basis)
    lists = [np.full(ENSEMBLE_MEMBERS, value) for value in net[missing]]
    members = filled.members.assign(net_l=pd.Series(lists, filled.members.index, object))
    return replace(filled, hours=hours, members=members)


@dataclass
class HistorySite(SiteOnDisk):
    """The site on disk; `raw` may lie in another folder than its lake's."""

    name = SITE

    @property
    def places(self) -> list[str]:
        """Arguments of a command that name the lake and the site."""
        return ["--lake", str(self.lake.root), "--site", str(self.folder)]

    def bench(self) -> Workbench:
        return Workbench(self.lake, {SITE: self.site}, load_stages=plain_stages(fill_hours=fill_from_the_other_plot))

    def run(self) -> set[tuple[str, int | None]]:
        """Bring every table up to date, without Dagster's records, which take longer than the work; gives what was computed."""
        bench, made = self.bench(), set()
        bench.on_step = lambda what, site, year, words: made.add((what, year)) if words == "computing" else None
        with bench.hold("a test"):
            for computation in COMPUTATIONS:
                years = computation.years(bench.sites[SITE])
                for year in years:
                    make_partition(bench, computation, bench.sites[SITE], year)
                check_tables(bench, bench.sites[SITE], computation.tables, years)
            write_history(bench.lake, bench.sites[SITE])
        return made


def write_site(root: Path) -> HistorySite:
    """Raw files and registers, nothing computed."""
    small_site(root, layout=LAYOUT.replace("10min", "1h"), policies="{gap_window_years: 0}", calibrations=CALIBRATIONS)
    site = HistorySite(root)
    site.edit("site.yaml", "first_day: 2019-10-01", "first_day: 2020-09-01")
    site.edit("site.yaml", "last_day: 2021-09-30", "last_day: 2020-10-31")
    rows = []
    for hour in range(HOURS):
        start = FIRST_STAMP + timedelta(hours=hour)
        south = "---;---" if GAP[0] <= start < GAP[1] else f"{5 + hour % 7};{hour % 2}"
        rows.append(f"{start + timedelta(hours=1):%Y-%m-%d %H:%M};{3 + hour % 11};0;{south};12.5")
    raw = raw_folder(root, east__csv=HEADER + "\n".join(rows) + "\n")
    for name in ("samples", "lab"):
        (raw / name).mkdir()
    days = [f"{FIRST_STAMP + timedelta(days=4 * visit):%Y-%m-%d}T12:00" for visit in range(15)]
    samples = [(f"{plot}{number}", plot, when) for plot in ("north", "south") for number, when in enumerate(days)]
    book = "".join(f"{name},{plot},grab,{when},\n" for name, plot, when in samples)
    (raw / "samples" / "book.csv").write_text(f"sample,plot,kind,from,to\n{book}")
    sheet = "".join(f"{name},nitrate_n,{8 + number % 5},mg/L,result\n" for number, (name, _, _) in enumerate(samples))
    (raw / "lab" / "sheet.csv").write_text(f"sample,analyte,value,unit,role\n{sheet}")
    return site
