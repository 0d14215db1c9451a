"""Two weeks of a small site across a turn of the water year, quick to compute whole.

Belongs here: the site folder, its raw files, and all its tables computed by the project's own stages, without Dagster and checks.
Does not: promises (test_*.py), truth (tests/field).
"""

from __future__ import annotations

import random
from datetime import datetime, timedelta
from pathlib import Path

import pandas as pd

from pipeline.lake import Lake
from pipeline.orchestration.computations import COMPUTATIONS
from pipeline.orchestration.workbench import Workbench
from pipeline.site import Site, load_site
from pipeline.tables import table
from tests.small_site import HEADER, raw_folder, small_site

TREATMENTS = (
    "plot,treatment,from,to\nnorth,free drainage,2019-10-01,\n"
    "south,free drainage,2019-10-01,2020-10-04\nsouth,controlled drainage,2020-10-04,\n"
)
CALIBRATIONS = (
    "meter,direction,litres_per_pulse,expanded_uncertainty_pct,from,to,evidence,entered\n"
    "M1,forward,5.0,1.0,2019-10-01,2020-09-30T10:00,bench,2019-09-01\nM1,forward,5.5,1.0,2020-09-30T10:00,,bench,2020-10-01\n"
    "M1,reverse,5.25,1.0,2019-10-01,,bench,2019-09-01\n"
    "M2,forward,7.0,1.0,2019-10-01,,bench,2019-09-01\nM2,reverse,7.5,1.0,2019-10-01,,bench,2019-09-01\n"
)
WIRING = (
    "logger,column,meter,direction,counts,modulus,from,to\n"
    "east,a,M1,forward,interval,,2019-10-01,\neast,b,M1,reverse,interval,,2019-10-01,\n"
    "east,c,M2,forward,running,65536,2019-10-01,\neast,d,M2,reverse,running,65536,2019-10-01,\n"
)
OUTAGES = "scope,name,from,to,cause,note\nmeter,M1,2020-10-02T03:15,2020-10-02T16:40,lightning,\n"
FIELD_BOOK = (
    "sample,plot,kind,from,to\nS1,north,grab,2020-09-26 10:00,\nS2,north,grab,2020-10-03 10:00,\n"
    "S3,south,grab,2020-09-27 12:00,\nS4,south,flow_composite,2020-10-02 00:00,2020-10-03 00:00\n"
)
RESULTS = "sample,analyte,value,unit,qualifier,detection_limit,analysed,batch,role\n" + "".join(
    f"S{number},nitrate_n,{8 + number},mg/L,,0.1,2020-10-06,B1,result\n" for number in (1, 2, 3, 4)
)


def write_two_weeks(folder: Path) -> Site:
    """Write site folder and raw files below a folder: `configs/small`, `lake/raw/small`."""
    small_site(folder, treatments=TREATMENTS, calibrations=CALIBRATIONS, wiring=WIRING, outages=OUTAGES)
    structure = folder / "configs" / "small" / "site.yaml"
    text = structure.read_text().replace("first_day: 2019-10-01", "first_day: 2020-09-25")
    structure.write_text(
        text.replace("last_day: 2021-09-30", "last_day: 2020-10-08")
        + "periods:\n  - {name: both, from: 2020-09-28, to: 2020-10-05}\n"
    )
    draw = random.Random(1)
    lines, forward, reverse = [], 65_000, 0
    for number in range(1, 14 * 144 + 1):
        at = datetime(2020, 9, 25) + number * timedelta(minutes=10)
        south = draw.choice([0, 0, 4, 31])
        forward, reverse = (forward + south) % 65536, reverse + draw.choice([0, 0, 0, 9])
        missing = (at.day == 29 and 5 < at.hour < 20) or number % 97 == 0
        if not missing:
            lines.append(
                f"{at:%Y-%m-%d %H:%M};{draw.choice([0, 3, 20, 45])};{draw.choice([0, 0, 30])};{forward};{reverse};12.5\n"
            )
    raw = raw_folder(folder, east_1__csv=HEADER + "".join(lines[:1000]), east_2__csv=HEADER + "".join(lines[900:]))
    for name, content in (("samples/book.csv", FIELD_BOOK), ("lab/results.csv", RESULTS)):
        (raw / name).parent.mkdir()
        (raw / name).write_text(content)
    return load_site(folder / "configs" / "small")


def compute(lake: Lake, site: Site) -> None:
    """Compute every table of a site, unchecked."""
    bench = Workbench(lake, {site.site: site})
    with bench.hold("a test"):
        for computation in COMPUTATIONS:
            for year in computation.years(site):
                for name, rows in computation.make(bench, site, year).items():
                    write = lake.write_frame if isinstance(rows, pd.DataFrame) else lake.write_relation
                    write(table(name), rows, "a test", site.site, year)  # type: ignore[arg-type]
            if not computation.needs:
                bench.forget_raw_files(site)
