"""The page of ten years of five plots at ten-minute steps: how long it takes to build and to open, and how large it is.

Run `python -m tests.bench.page` where the demo is computed (`drainledger run`). Its three water years are written one after the other
until there are ten, shifted in time, with names of events and samples of their own: as many rows as ten computed years have, and as
hard to pack, since no packing reaches back three years. Building is timed in a process of its own, beside the floor of reading
`hourly_flow` and `interval_flow` whole; opening in a headless browser, beside an empty page.

Belongs here: this one measurement. Does not: assertions about time.
"""

from __future__ import annotations

import argparse
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import duckdb

from pipeline.lake import Lake, open_session
from pipeline.site import Site, load_site
from pipeline.tables import TABLES, Column, Table, table

YEARS, TIMES = 10, 5
EMPTY = (
    "<!DOCTYPE html><html lang=en><title>empty</title><p>empty"
    "<script>document.documentElement.dataset.ready = Math.round(performance.now())</script>"
)
SAMPLED = {"samples": "start", "sample_results": "start"}
"""Tables kept once per site of which every repeated year has rows of its own, and the column that says when."""


def repeat(demo: Lake, site: Site, folder: Path) -> None:
    """Write the demo's lake and site folder anew, its years repeated."""
    lake = Lake(folder / "lake")
    (folder / "lake" / "raw").mkdir(parents=True)
    structure = shutil.copytree(site.folder, folder / "configs" / site.site) / "site.yaml"
    known = site.water_years()
    last = known[0] + YEARS - 1
    assert site.last_day is not None
    structure.write_text(
        structure.read_text().replace(f"last_day: {site.last_day}", f"last_day: {site.last_day.replace(year=last)}")
    )
    with open_session(folder) as session:
        for declared in TABLES:
            years: list[int | None] = [None] if declared.time_column is None else [*demo.years(declared, site.site)]
            if not all(demo.path(declared, site.site, year).exists() for year in years):
                continue
            if declared.time_column is None and declared.name not in SAMPLED:
                lake.write_relation(declared, demo.relation(session, declared, site.site), "bench", site.site)
                continue
            parts = [
                _shifted(session, demo, site, declared, known[number % len(known)], known[0] + number)
                for number in range(YEARS)
            ]
            if declared.time_column is None:
                whole = parts[0]
                for part in parts[1:]:
                    whole = whole.union(part)
                lake.write_relation(declared, whole, "bench", site.site)
                continue
            for number, part in enumerate(parts):
                lake.write_relation(declared, part, "bench", site.site, known[0] + number)


def _shifted(
    session: duckdb.DuckDBPyConnection, demo: Lake, site: Site, declared: Table, source: int, target: int
) -> duckdb.DuckDBPyRelation:
    """The rows of one water year as those of another."""
    (start, end), (begins, ends) = site.water_year_period(source), site.water_year_period(target)
    days = (begins - start).days

    def value(column: Column) -> str:
        name = f'"{column.name}"'
        if column.type in ("instant", "day"):
            return f"({name} + INTERVAL {days} DAY)::{'DATE' if column.type == 'day' else 'TIMESTAMPTZ'}"
        if column.name == "water_year":
            return f"{name} + {target - source}"
        if column.name in ("event", "month", "period"):
            text = f"{name}::VARCHAR"
            later = f"(left({text}, 4)::INT + {target - source}) || substr({text}, 5)"
            return f"CASE WHEN regexp_matches({text}, '^[0-9]{{4}}-') THEN {later} ELSE {text} END"
        return f"{name}::VARCHAR || '-{target}'" if column.name == "sample" else name

    rows = demo.relation(session, declared, site.site, [None if declared.time_column is None else source])
    when = SAMPLED.get(declared.name, declared.time_column)
    kind = declared.column(when or "").type
    if kind in ("instant", "day"):
        # A year that is a day shorter lacks the last day's rows.
        bounds = [start, start + min(end - start, ends - begins)]
        first, last = (
            (bound + site.utc_offset).date().isoformat() if kind == "day" else bound.isoformat() for bound in bounds
        )
        rows = rows.filter(f"\"{when}\" >= '{first}' AND \"{when}\" < '{last}'")
    return rows.project(", ".join(f'{value(column)} AS "{column.name}"' for column in declared.columns))


def build(folder: Path, page: Path) -> tuple[float, float]:
    """Seconds of the command, with all that it imports, and of its processor time."""
    site = next((folder / "configs").iterdir())
    began, used = time.monotonic(), resource.getrusage(resource.RUSAGE_CHILDREN)
    command = ["report", "--site", str(site), "--lake", str(folder / "lake"), "--out", str(page)]
    subprocess.run([sys.executable, "-m", "pipeline.cli", *command], check=True, stdout=subprocess.DEVNULL)
    now = resource.getrusage(resource.RUSAGE_CHILDREN)
    return time.monotonic() - began, now.ru_utime + now.ru_stime - used.ru_utime - used.ru_stime


def floor(folder: Path) -> tuple[float, dict[str, int]]:
    """Seconds to read the two largest tables whole, and their rows."""
    site, lake = load_site(next((folder / "configs").iterdir())), Lake(folder / "lake")
    rows = {}
    began = time.monotonic()
    with open_session() as session:
        for name in ("hourly_flow", "interval_flow"):
            declared = table(name)
            stored = lake.relation(session, declared, site.site, lake.years(declared, site.site))
            rows[name] = len(stored.df())
    return time.monotonic() - began, rows


def opened(page: Path) -> tuple[list[float], list[float]]:
    """Milliseconds from asking for a page to its first paint, and until every figure is drawn, several times over."""
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service
    from selenium.webdriver.support.ui import WebDriverWait

    options = webdriver.ChromeOptions()
    for argument in (
        "--headless=new",
        "--no-sandbox",
        "--disable-gpu",
        "--disable-dev-shm-usage",
        "--window-size=1200,900",
    ):
        options.add_argument(argument)
    driver = webdriver.Chrome(options=options, service=Service(shutil.which("chromedriver")))
    painted, drawn = [], []
    try:
        for _ in range(TIMES):
            driver.get(page.absolute().as_uri())
            ready = WebDriverWait(driver, 60).until(
                lambda one: one.execute_script("return document.documentElement.dataset.ready")
            )
            paint = driver.execute_script(
                "return performance.getEntriesByName('first-contentful-paint')[0]?.startTime ?? NaN"
            )
            painted.append(float(paint or "nan"))
            drawn.append(float(ready))
    finally:
        driver.quit()
    return painted, drawn


def main() -> None:
    """Repeat the demo's years, measure, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--lake", type=Path, default=Path("sample_lake"), help="the demo's lake, computed")
    demo = Lake(parser.parse_args().lake)
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        repeat(demo, load_site(Path("configs/sedge-hollow")), folder)
        page, empty = folder / "page.html", folder / "empty.html"
        empty.write_text(EMPTY)
        (seconds, processor), (read, rows) = build(folder, page), floor(folder)
        print(f"{rows['hourly_flow']:,} plot-hours, {rows['interval_flow']:,} plot-intervals")
        print(f"page: {page.stat().st_size / 1e6:.2f} MB, built in {seconds:.1f} s ({processor:.1f} s of a processor)")
        print(f"the two largest tables are read in {read:.1f} s")
        for name, one in (("page", page), ("an empty page", empty)):
            painted, drawn = opened(one)
            first, all_drawn = (f"{min(times):.0f} to {max(times):.0f} ms" for times in (painted, drawn))
            print(f"{name}, {TIMES} times: first paint after {first}, all drawn after {all_drawn}")


if __name__ == "__main__":
    main()
