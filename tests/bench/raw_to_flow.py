"""Raw text to `pulse_counts` and `interval_flow`, against the floor and against pandas.

Run `python -m tests.bench.raw_to_flow`. A site of four plots, both directions, is written once (5 million lines of 11 columns,
20 million plot-intervals); then each of these runs in a process of its own:

- floor: DuckDB's own reader over the same files into a table, and one COPY of the finished `interval_flow` rows to Parquet.
- drainledger: intake, pulse_counts and interval_flow as the pipeline runs them, both tables written.
- pandas: a careful script that writes the same `interval_flow`, and is then compared with it value by value.

Belongs here: this one comparison. Does not: assertions about time.
"""

from __future__ import annotations

import argparse
import json
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

YEAR = 2020
FILES = 10
PLOTS = ("p1", "p2", "p3", "p4")
LITRES_PER_PULSE = {"p1": 5.0, "p2": 4.9, "p3": 5.2, "p4": 10.1}


def write_site(folder: Path, lines: int) -> None:
    """A site folder and its raw files: minute readings of four meters, both directions, one supply voltage, one level."""
    import duckdb

    configs, raw = folder / "configs" / "bench", folder / "lake" / "raw" / "bench" / "logger"
    configs.mkdir(parents=True)
    raw.mkdir(parents=True)
    columns = ", ".join(f"(random() * 80)::INT AS {p}_fwd, (random() * 2)::INT AS {p}_rev" for p in PLOTS)
    session = duckdb.connect()
    session.execute("SELECT setseed(0.25)")
    for number in range(FILES):
        first = number * (lines // FILES)
        session.execute(
            f"""
            COPY (SELECT strftime(TIMESTAMP '2010-10-01' + INTERVAL 1 MINUTE * (i + {first}), '%d.%m.%Y %H:%M') AS "when",
                    {columns}, round(12 + random(), 2) AS volt, round(random() * 100, 1) AS level
                FROM range(1, {lines // FILES + 1}) AS t(i))
            TO '{raw / f"east_{number:02d}.csv"}' (DELIMITER ';', HEADER true)
            """
        )
    (configs / "site.yaml").write_text(
        """
site: bench
title: Bench
clock: {utc_offset: "-06:00"}
water_year_starts: "10-01"
first_day: 2010-10-01
last_day: 2020-09-30
analytes: [nitrate_n]
logger_layouts:
  plain:
    delimiter: ";"
    encoding: utf-8
    decimal: "."
    lines_before_data: 1
    names_on_line: 1
    timestamp: {column: when, format: "%d.%m.%Y %H:%M", stamps: end, utc_offset: "-06:00"}
    interval: 1min
    missing: ["---", ""]
loggers:
  east: {layout: plain, files: "logger/east_*.csv"}
policies: {}
"""
    )
    since = "2010-01-01"
    tables = {
        "plots": ["plot,title,area_ha", *(f"{p},Plot {p},1.0" for p in PLOTS)],
        "meters": [
            "meter,plot,bore_mm,main_mm,accuracy,top_l_min,from,to",
            *(f"m-{p},{p},75,150,standard,900,{since}," for p in PLOTS),
        ],
        "accuracy": ["accuracy,flow_l_min,error_pct", "standard,4.2,5.0", "standard,40,1.0", "standard,400,0.2"],
        "wiring": [
            "logger,column,meter,direction,counts,modulus,from,to",
            *(f"east,{p}_fwd,m-{p},forward,interval,,{since}," for p in PLOTS),
            *(f"east,{p}_rev,m-{p},reverse,interval,,{since}," for p in PLOTS),
        ],
        "calibrations": [
            "meter,direction,litres_per_pulse,expanded_uncertainty_pct,from,to,evidence,entered",
            *(
                f"m-{p},{way},{LITRES_PER_PULSE[p]},1.0,{since},,bench,{since}"
                for p in PLOTS
                for way in ("forward", "reverse")
            ),
        ],
        "gauges": [
            "gauge,logger,column,quantity,unit,plot,from,to",
            f"supply,east,volt,supply_voltage,V,,{since},",
            f"ditch,east,level,water_level,cm,,{since},",
        ],
    }
    for name, rows in tables.items():
        (configs / f"{name}.csv").write_text("\n".join(rows) + "\n")


def drainledger(folder: Path) -> dict[str, float]:
    """As the pipeline runs: read, count, convert; both tables written."""
    from pipeline.lake import Lake, open_session
    from pipeline.site import load_site
    from pipeline.stages.intake import raw_paths, read_raw_files
    from pipeline.stages.pulses import pulse_counts
    from pipeline.stages.volumes import interval_flow
    from pipeline.tables import table

    site, lake = load_site(folder / "configs" / "bench"), Lake(folder / "lake")
    start, end = site.record_period()
    began = time.perf_counter()
    with tempfile.TemporaryDirectory() as spill:
        session = open_session(Path(spill))
        readings = read_raw_files(session, site, lake.raw("bench"), raw_paths(site, lake.raw("bench")), Path(spill))
        read = time.perf_counter()
        pulses = pulse_counts(session, readings, site, start, end)
        lake.write_relation(table("pulse_counts"), pulses, "bench", "bench", YEAR)
        counted = time.perf_counter()
        stored = lake.relation(session, table("pulse_counts"), "bench", [YEAR])
        lake.write_relation(table("interval_flow"), interval_flow(session, stored, site), "bench", "bench", YEAR)
    ended = time.perf_counter()
    return {"seconds": ended - began, "read": read - began, "count": counted - read, "convert": ended - counted}


def floor(folder: Path) -> dict[str, float]:
    """DuckDB's reader over the same files, and one COPY of the finished rows."""
    from pipeline.lake import Lake, open_session
    from pipeline.tables import table

    lake = Lake(folder / "lake")
    session = open_session(memory_limit="6GB")
    session.execute(f"CREATE TEMP TABLE finished AS FROM '{lake.path(table('interval_flow'), 'bench', YEAR)}'")
    types = {"when": "TIMESTAMP", **{f"{p}_{way}": "INTEGER" for p in PLOTS for way in ("fwd", "rev")}}
    types |= {"volt": "DOUBLE", "level": "DOUBLE"}
    began = time.perf_counter()
    session.execute(
        f"""
        CREATE TEMP TABLE wide AS
        FROM read_csv('{lake.raw("bench")}/logger/*.csv', delim = ';', header = true, columns = {types},
            timestampformat = '%d.%m.%Y %H:%M')
        """
    )
    read = time.perf_counter()
    session.execute(
        f"COPY finished TO '{folder / 'floor.parquet'}' (FORMAT parquet, COMPRESSION zstd, PARQUET_VERSION v2)"
    )
    ended = time.perf_counter()
    return {"seconds": ended - began, "read": read - began, "write": ended - read}


def with_pandas(folder: Path) -> dict[str, float]:
    """The same `interval_flow` by a careful pandas script: typed reading, categories, no loop over rows."""
    import numpy as np
    import pandas as pd

    began = time.perf_counter()
    counts = {f"{p}_{way}": "int32" for p in PLOTS for way in ("fwd", "rev")}
    parts = [
        pd.read_csv(path, sep=";", dtype={"when": "str", **counts}, usecols=["when", *counts], na_values=["---"])
        for path in sorted((folder / "lake" / "raw" / "bench" / "logger").glob("*.csv"))
    ]
    wide = pd.concat(parts, ignore_index=True)
    del parts
    stamps = pd.to_datetime(wide.pop("when"), format="%d.%m.%Y %H:%M") + pd.Timedelta(hours=6)
    wide["interval_end"] = stamps.dt.tz_localize("UTC").dt.as_unit("us")
    wide = wide.drop_duplicates("interval_end").sort_values("interval_end")
    lowest = 4.2
    frames = []
    for p in PLOTS:
        forward = wide[f"{p}_fwd"].to_numpy() * LITRES_PER_PULSE[p]
        reverse = wide[f"{p}_rev"].to_numpy() * LITRES_PER_PULSE[p]
        both = forward + reverse
        frames.append(
            pd.DataFrame(
                {
                    "plot": pd.Categorical.from_codes(np.full(len(wide), PLOTS.index(p), dtype="int8"), list(PLOTS)),
                    "meter": pd.Categorical.from_codes(
                        np.full(len(wide), PLOTS.index(p), dtype="int8"), [f"m-{name}" for name in PLOTS]
                    ),
                    "interval_start": wide["interval_end"] - pd.Timedelta(minutes=1),
                    "interval_end": wide["interval_end"],
                    "forward_l": forward,
                    "reverse_l": reverse,
                    "net_l": forward - reverse,
                    "flow_l_min": forward - reverse,
                    "calibration": pd.Categorical.from_codes(
                        np.full(len(wide), PLOTS.index(p), dtype="int8"),
                        [f"m-{name} forward 2010-01-01" for name in PLOTS],
                    ),
                    "reverse_calibration": pd.Categorical.from_codes(
                        np.full(len(wide), PLOTS.index(p), dtype="int8"),
                        [f"m-{name} reverse 2010-01-01" for name in PLOTS],
                    ),
                    "below_range": (both > 0) & (both < lowest),
                    "quality": pd.Categorical.from_codes(np.zeros(len(wide), dtype="int8"), ["ok"]),
                }
            )
        )
    pd.concat(frames, ignore_index=True).to_parquet(folder / "pandas.parquet", compression="zstd", index=False)
    return {"seconds": time.perf_counter() - began}


def differing_rows(folder: Path) -> int:
    """Rows of the two finished tables that differ in any value."""
    import duckdb

    from pipeline.lake import Lake
    from pipeline.tables import table

    ours = Lake(folder / "lake").path(table("interval_flow"), "bench", YEAR)
    found = duckdb.execute(
        f"""
        SELECT count(*) FROM '{ours}' AS a FULL JOIN '{folder / "pandas.parquet"}' AS b
            ON a.plot = b.plot::VARCHAR AND a.interval_start = b.interval_start
        WHERE a.meter IS DISTINCT FROM b.meter::VARCHAR OR a.interval_end IS DISTINCT FROM b.interval_end
            OR a.forward_l IS DISTINCT FROM b.forward_l OR a.reverse_l IS DISTINCT FROM b.reverse_l
            OR a.net_l IS DISTINCT FROM b.net_l OR a.flow_l_min IS DISTINCT FROM b.flow_l_min
            OR a.below_range IS DISTINCT FROM b.below_range OR a.calibration IS DISTINCT FROM b.calibration::VARCHAR
        """
    ).fetchone()
    return int(found[0]) if found else -1


RUNS: dict[str, Callable[[Path], dict[str, float]]] = {
    "drainledger": drainledger,
    "floor": floor,
    "pandas": with_pandas,
}


def _in_own_process(name: str, folder: Path) -> dict[str, float]:
    command = [sys.executable, "-m", "tests.bench.raw_to_flow", "--only", name, "--folder", str(folder)]
    return json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout.splitlines()[-1])


def main() -> None:
    """Write the site, run each in its own process several times, print medians and ratios."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--lines", type=int, default=5_000_000, help="lines of raw text (default 5,000,000)")
    parser.add_argument("--repeats", type=int, default=3, help="runs of each; the median is printed (default 3)")
    parser.add_argument("--only", choices=RUNS, help=argparse.SUPPRESS)
    parser.add_argument("--folder", type=Path, help=argparse.SUPPRESS)
    wanted = parser.parse_args()
    if wanted.only:
        measured = RUNS[wanted.only](wanted.folder)
        measured["peak_mb"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print(json.dumps(measured))
        return
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        print(f"writing {wanted.lines:,} lines ...", flush=True)
        write_site(folder, wanted.lines)
        runs: dict[str, list[dict[str, float]]] = {name: [] for name in RUNS}
        for _ in range(wanted.repeats):
            for run in RUNS:
                runs[run].append(_in_own_process(run, folder))
        medians = {
            run: {key: statistics.median(row[key] for row in rows) for key in rows[0]} for run, rows in runs.items()
        }
        for run, row in medians.items():
            print(f"{run:12s}", "  ".join(f"{key} {value:,.2f}" for key, value in row.items()))
        ours = medians["drainledger"]
        print(f"drainledger / floor   time {ours['seconds'] / medians['floor']['seconds']:.2f}")
        print(
            f"pandas / drainledger  time {medians['pandas']['seconds'] / ours['seconds']:.2f}   "
            f"peak memory {medians['pandas']['peak_mb'] / ours['peak_mb']:.2f}"
        )
        print(f"rows that differ from pandas: {differing_rows(folder)}")


if __name__ == "__main__":
    main()
