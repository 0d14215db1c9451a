"""The page of ten years of five plots at ten-minute steps: how long it takes to build and to open, and how large it is.

Run `python -m tests.bench.page --folder FOLDER`. The invented field is written there and computed by the project's own stages, which
takes minutes; a folder that holds it already is used as it is. Building is then timed in a process of its own, beside the floor of
reading `hourly_flow` and `interval_flow` whole, and opening in a headless browser, beside an empty page.

Belongs here: this one measurement. Does not: assertions about time.
"""

from __future__ import annotations

import argparse
import shutil
import subprocess
import sys
import time
from pathlib import Path

from pipeline.lake import Lake, open_session
from pipeline.site import load_site
from pipeline.tables import table

YEARS, PLOTS, MINUTES, TIMES = 10, 5, 10, 5
EMPTY = (
    "<!DOCTYPE html><html lang=en><title>empty</title><p>empty"
    "<script>document.documentElement.dataset.ready = Math.round(performance.now())</script>"
)


def compute(folder: Path) -> None:
    """Write the field and compute its lake, once."""
    from tests.field import Plan, simulate, write_field

    done = folder / "computed"
    if done.exists():
        return
    write_field(simulate(Plan(years=YEARS, plots=PLOTS, interval_minutes=MINUTES)), folder / "lake", folder / "configs")
    site = next((folder / "configs").iterdir())
    run = [sys.executable, "-m", "pipeline.cli", "run", "--site", str(site), "--lake", str(folder / "lake")]
    subprocess.run(run, check=True, stdout=subprocess.DEVNULL)
    done.touch()


def build(folder: Path, page: Path) -> float:
    """Seconds of the command, with all that it imports."""
    site = next((folder / "configs").iterdir())
    began = time.monotonic()
    command = ["report", "--site", str(site), "--lake", str(folder / "lake"), "--out", str(page)]
    subprocess.run([sys.executable, "-m", "pipeline.cli", *command], check=True, stdout=subprocess.DEVNULL)
    return time.monotonic() - began


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
    """Compute what is not there, measure, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument(
        "--folder", type=Path, required=True, help="where the field and its lake lie or are to be written"
    )
    folder = parser.parse_args().folder
    compute(folder)
    page, empty = folder / "page.html", folder / "empty.html"
    empty.write_text(EMPTY)
    seconds, (read, rows) = build(folder, page), floor(folder)
    print(f"{rows['hourly_flow']:,} plot-hours, {rows['interval_flow']:,} plot-intervals")
    print(
        f"page: {page.stat().st_size / 1e6:.2f} MB, built in {seconds:.1f} s; the two largest tables are read in {read:.1f} s"
    )
    for name, one in (("page", page), ("an empty page", empty)):
        painted, drawn = opened(one)
        print(
            f"{name}, {TIMES} times: first paint after {min(painted):.0f} to {max(painted):.0f} ms, all drawn after {min(drawn):.0f} to "
            f"{max(drawn):.0f} ms"
        )


if __name__ == "__main__":
    main()
