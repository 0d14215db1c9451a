"""How fast a package of ten years of five plots is shared, beside what else writes the same text, and in how much memory.

Belongs here: an invented lake of that size, the times as a ratio to pandas' own writing of the same rows, the peak of memory.
Does not: any promise about seconds.

    python -m tests.bench.share_package [YEARS]
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd

from pipeline.lake import Lake, open_session
from pipeline.publish.share import share
from pipeline.tables import table
from tests.invented_tables import invented_rows
from tests.small_site import small_site

PLOTS = 5


def rows_of(name: str, hours: int, first: str, every: str) -> pd.DataFrame:
    """Rows of a table at regular times for five plots."""
    declared = table(name)
    times = pd.date_range(first, periods=hours, freq=every, tz="UTC").as_unit("us")
    few = invented_rows(declared, 64)
    parts = []
    for plot in range(PLOTS):
        rows = few.iloc[np.arange(hours) % len(few)].reset_index(drop=True)
        rows["plot"] = f"P{plot}"
        rows[declared.time_column] = times
        parts.append(rows)
    return pd.concat(parts, ignore_index=True)


def main() -> None:
    """Make the lake, share it, write the same rows with pandas, print ratios."""
    years = int(sys.argv[1]) if len(sys.argv) > 1 else 10
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        site, lake = small_site(root), Lake(root / "lake")
        lake.write_frame(table("loads_annual"), invented_rows(table("loads_annual"), 50), "0" * 64, site.site, 2020)
        lake.write_frame(table("source_files"), invented_rows(table("source_files"), 50), "0" * 64, site.site)
        for year in range(2011, 2011 + years):
            for name, count, every in (
                ("hourly_flow", 8766, "h"),
                ("concentration", 8766, "h"),
                ("interval_flow", 52_596, "10min"),
            ):
                lake.write_frame(table(name), rows_of(name, count, f"{year - 1}-10-01", every), "0" * 64, site.site, year)
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        began = time.perf_counter()
        with open_session() as session:
            shared = share(session, lake, site, root / "out", archive=True, by_interval=True)
        took = time.perf_counter() - began
        after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        rows = sum(shared.rows.values())
        sample = lake.frame(table("interval_flow"), site.site, [2011])
        began = time.perf_counter()
        sample.to_csv(root / "yardstick.csv", index=False)
        yardstick = (time.perf_counter() - began) / len(sample) * rows
        print(f"{rows:,} rows of {years} years: {took:.1f} s for text, Parquet, checksums and archive")
        print(f"{took / yardstick:.2f} of what pandas takes for the text alone ({yardstick:.1f} s by one year's rows)")
        print(f"peak of memory {after:,.0f} MB, of which {before:,.0f} MB before sharing began")


if __name__ == "__main__":
    main()
