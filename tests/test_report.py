"""The page as a person meets it: in a browser without a network, by keyboard, on paper, and held against the tables.

The browser is Chromium, driven by selenium; where the machine has none, what needs it is skipped. Accessibility is audited by axe-core.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from importlib import resources
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pint
import pytest

from pipeline.cli import main
from pipeline.lake import Lake, open_session
from pipeline.publish.load_words import NAMES as SOURCES
from pipeline.publish.report import report_page
from pipeline.publish.report.backwater import backwater
from pipeline.publish.report.growth import growth
from pipeline.publish.report.health import changes
from pipeline.publish.report.packing import packed
from pipeline.publish.report.reading import Source
from pipeline.site import Site, load_site
from pipeline.tables import TABLES, table
from tests.two_weeks import compute, write_two_weeks

SITE = "small"

HOSTILE = '</script><img src=x onerror="window.harmed=1"><b>&amp;"'


OF_ANALYTES = [one.name for one in TABLES if "analyte" in one.names and one.name not in ("revisions", "load_changes")]
PHOSPHORUS_SHARE = 1 / 64
"""What there is of phosphorus for each part of nitrogen on the invented site: a power of two, so that nothing is rounded."""
FINDING = {
    "plot": "north",
    "meter": "M1",
    "kind": "silence",
    "start": pd.Timestamp("2020-10-04T00:00Z"),
    "end": pd.Timestamp("2020-10-06T00:00Z"),
    "evidence": 7.0,
    "strength": "strong",
    "told": pd.Timestamp("2020-10-05T00:00Z"),
    "factor": np.nan,
    "direction": None,
    "others": None,
    "finding": HOSTILE,
    "check": "Look whether the pulse wire is whole.",
}


def with_phosphorus(rows: pd.DataFrame) -> pd.DataFrame:
    """Rows of one analyte, and the same of another with a share of its amounts."""
    amounts = [name for name in rows if name.startswith(("mg_l", "load_", "sd_kg"))]
    other = rows.assign(analyte="total_p", **{name: rows[name] * PHOSPHORUS_SHARE for name in amounts})
    return pd.concat([rows, other], ignore_index=True)


def page_of(field: Field) -> str:
    with open_session() as session:
        return report_page(session, field.lake, field.site)


@dataclass
class Field:
    """A computed site: its folder, its lake."""

    root: Path

    @property
    def lake(self) -> Lake:
        return Lake(self.root / "lake")

    @property
    def folder(self) -> Path:
        return self.root / "configs" / "small"

    @property
    def site(self) -> Site:
        return load_site(self.folder)


@pytest.fixture(scope="module")
def field(tmp_path_factory: pytest.TempPathFactory) -> Field:
    """Two weeks of a small site: rain, failed checks, a finding, two analytes, and words that would be harmful as markup."""
    field = Field(tmp_path_factory.mktemp("report"))
    compute(field.lake, write_two_weeks(field.root))
    structure = field.folder / "site.yaml"
    structure.write_text(
        structure.read_text().replace("title: A small site", f"title: {json.dumps(HOSTILE + ' A small site')}")
    )

    def rewrite(name: str, change: Callable[[pd.DataFrame, Any], pd.DataFrame]) -> None:
        declared = table(name)
        for year in [None] if declared.time_column is None else field.lake.years(declared, SITE):
            field.lake.write_frame(declared, change(field.lake.frame(declared, SITE, [year]), year), "a test", SITE, year)

    start, turn = field.site.record_period()[0], field.site.water_year_period(2021)[0]
    hours = pd.date_range(start, periods=14 * 24, freq="h").as_unit("us")
    rain = pd.DataFrame({"hour_start": hours, "rain_mm": np.where(np.arange(336) % 31 < 4, 2.3, 0.0), "air_temp_c": 11.5})
    rewrite("weather_hours", lambda rows, year: rain[(rain["hour_start"] < turn) == (year == 2020)])
    for name in OF_ANALYTES:
        rewrite(name, lambda rows, year: with_phosphorus(rows))
    structure.write_text(structure.read_text().replace("analytes: [nitrate_n]", "analytes: [nitrate_n, total_p]"))
    rewrite("meter_findings", lambda rows, year: pd.DataFrame([FINDING]) if year == 2021 else rows)
    rewrite("outages", lambda rows, year: rows.assign(cause=HOSTILE))
    rewrite("sample_results", lambda rows, year: rows.assign(censored=rows["sample"] == "S3", qualifiers=HOSTILE))
    kept = {"table": "events", "partition": "2020", "severity": "warning", "detail": HOSTILE}
    field.lake.write_frame(
        table("checks"),
        pd.DataFrame([kept | {"expectation": "one", "passed": True}, kept | {"expectation": "other", "passed": False}]),
        "a test",
        SITE,
    )
    return field


@pytest.fixture(scope="module")
def browser(field: Field, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """A browser without a network in which the page of the invented site is open."""
    # Looked for when it is needed: the browser may come on the machine while other tests run.
    chromium = next(
        (path for name in ("chromium", "chromium-browser", "google-chrome") if (path := shutil.which(name))), None
    )
    chromedriver = shutil.which("chromedriver")
    if chromium is None or chromedriver is None:
        pytest.skip(
            "no Chromium with chromedriver on this machine: the page is not driven (Debian: chromium, chromium-driver)"
        )
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    options.binary_location = chromium
    for argument in (
        "--headless=new",
        "--no-sandbox",
        "--disable-gpu",
        "--force-prefers-reduced-motion",
        "--disable-dev-shm-usage",
        "--window-size=1200,900",
        "--host-resolver-rules=MAP * ~NOTFOUND",
    ):
        options.add_argument(argument)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    page = tmp_path_factory.mktemp("page") / "page.html"
    page.write_text(page_of(field), encoding="utf-8")
    driver = webdriver.Chrome(options=options, service=Service(chromedriver))
    try:
        driver.execute_cdp_cmd("Network.enable", {})
        driver.execute_cdp_cmd(
            "Network.emulateNetworkConditions",
            {"offline": True, "latency": 0, "downloadThroughput": 0, "uploadThroughput": 0},
        )
        driver.get(page.as_uri())
        wait_until_drawn(driver)
        yield driver
    finally:
        driver.quit()


def wait_until_drawn(driver: Any) -> None:
    from selenium.webdriver.support.ui import WebDriverWait

    WebDriverWait(driver, 30).until(lambda one: one.execute_script("return document.documentElement.dataset.ready"))


def run(driver: Any, script: str, *arguments: Any) -> Any:
    return driver.execute_script(script, *arguments)


def waited(driver: Any, promise: str) -> Any:
    """What a promise of the page's own script comes to."""
    return driver.execute_async_script(f"const done = arguments[arguments.length - 1]; ({promise}).then(done)")


def cells(driver: Any, summary: str) -> pd.DataFrame:
    """The stored values of the table under a fold of this name, as the page carries them."""
    found = run(
        driver,
        """
        const fold = [...document.querySelectorAll("details")].find((one) => one.querySelector("summary").textContent === arguments[0]);
        fold.open = true;
        fold.dispatchEvent(new Event("toggle"));
        const heads = [...fold.querySelectorAll("thead th")].map((one) => one.firstChild.textContent);
        const cells = (row) => [...row.cells].map((one) => ({...one.dataset, text: one.textContent}));
        return [heads, [...fold.querySelectorAll("tbody tr")].map(cells)];
        """,
        summary,
    )
    return pd.DataFrame(found[1], columns=found[0])


def stored(field: Field, name: str) -> pd.DataFrame:
    declared = table(name)
    return field.lake.frame(declared, SITE, [None] if declared.time_column is None else field.lake.years(declared, SITE))


def loads_of_years(field: Field, analyte: str = "nitrate_n") -> pd.DataFrame:
    """Stored annual loads of one analyte, by plot and water year."""
    annual = stored(field, "loads_annual")
    return annual[annual["analyte"] == analyte].set_index(["plot", "water_year"])


def test_the_page_opens_without_a_network_and_without_an_error(browser: Any) -> None:
    asked = [
        entry["message"] for entry in browser.get_log("performance") if '"Network.requestWillBeSent"' in entry["message"]
    ]
    reached = [message for message in asked if '"url":"http' in message]
    assert len(asked) >= 1
    assert reached == []
    assert [entry for entry in browser.get_log("browser") if entry["level"] in ("SEVERE", "WARNING")] == []


def test_every_figure_has_a_text_alternative_and_a_table_behind_it(browser: Any) -> None:
    figures = run(
        browser,
        """
        return [...document.querySelectorAll("figure")].map((figure) => {
            const picture = figure.querySelector("svg[role=img]");
            const words = picture.getAttribute("aria-labelledby").split(" ").map((id) => document.getElementById(id).textContent);
            for (const fold of figure.querySelectorAll("details")) { fold.open = true; fold.dispatchEvent(new Event("toggle")); }
            const [rows, shapes] = ["table tbody tr", "path, rect, circle"].map((what) => figure.querySelectorAll(what).length);
            return [figure.dataset.figure, words, rows, shapes];
        });
        """,
    )
    assert len(figures) >= 8
    for name, (title, words), rows, shapes in figures:
        assert len(title) > 10, name
        assert len(words) > 60, name
        assert any(letter.isdigit() for letter in words), name
        assert rows > 0, name
        assert shapes > 0, name


def test_loads_and_drainage_on_the_page_are_those_of_the_tables(browser: Any, field: Field) -> None:
    shown = cells(browser, "Loads and drainage as a table")
    annual = loads_of_years(field)
    assert len(shown) == len(annual) > 0
    for row in shown.to_dict("records"):
        truth = annual.loc[(row["Plot"]["text"], int(row["Water year"]["value"]))]
        for heading, name in (("Load", "load_kg_ha"), ("Drainage", "volume_mm")):
            read = [float(row[heading][key]) for key in ("value", "low", "high")]
            assert read == [truth[name], truth[f"{name}_p05"], truth[f"{name}_p95"]]
        assert float(row["Measured"]["value"]) == truth["share_measured"]
        assert row["Load"]["text"].startswith(f"{truth['load_kg_ha']:.1f}".replace("-", "−"))


def test_events_results_budget_and_checks_on_the_page_are_those_of_the_tables(browser: Any, field: Field) -> None:
    analyte = field.site.analytes[0]
    pairs = (
        (
            "Every event as a table",
            "events",
            ["event", "plot"],
            ["Event", "Plot"],
            {"Drainage": "volume_mm", "Rain": "rain_mm"},
        ),
        (
            "Every result as a table",
            "sample_results",
            ["sample"],
            ["Sample"],
            {"Result": "mg_l", "Detection limit": "detection_limit_mg_l"},
        ),
        (
            "The budget as a table",
            "uncertainty_budget",
            ["plot", "water_year", "source"],
            ["Plot", "Water year", "Source"],
            {"Standard deviation": "sd_kg_ha", "Share of the variance": "variance_share"},
        ),
    )
    for summary, name, keys, headings, columns in pairs:
        rows = stored(field, name)
        rows = rows[rows["plot"].notna() & (rows["analyte"] == analyte)] if "analyte" in rows else rows
        if "source" in rows:
            rows = rows.assign(source=rows["source"].map(SOURCES))
        truth = {tuple(str(row[key]) for key in keys): row for row in rows.to_dict("records")}
        shown = cells(browser, summary)
        assert len(shown) == len(truth) > 0
        for row in shown.to_dict("records"):
            one = truth[tuple(row[heading]["text"] for heading in headings)]
            for heading, column in columns.items():
                value = row[heading].get("value")
                assert (None if pd.isna(one[column]) else one[column]) == (None if value is None else float(value))
    failed = stored(field, "checks").query("not passed")
    assert len(cells(browser, "What is not kept")) == len(failed) > 0


def test_units_change_on_a_switch_and_the_stored_values_do_not(browser: Any) -> None:
    units = pint.UnitRegistry()
    before = cells(browser, "Loads and drainage as a table")
    run(browser, "document.querySelector('[data-units=us]').click()")
    after = cells(browser, "Loads and drainage as a table")
    run(browser, "document.querySelector('[data-units=si]').click()")
    for heading, si, us, decimals in (("Load", "kg/hectare", "pound/acre", 1), ("Drainage", "mm", "inch", 2)):
        assert [one["value"] for one in after[heading]] == [one["value"] for one in before[heading]]
        for cell in after[heading]:
            expected = units.Quantity(float(cell["value"]), si).to(us).magnitude
            assert float(cell["text"].split("[")[0].replace("−", "-")) == pytest.approx(
                expected, abs=0.51 * 10**-decimals
            )
    assert cells(browser, "Loads and drainage as a table")["Load"].tolist() == before["Load"].tolist()


def test_another_analyte_is_shown_when_it_is_chosen_and_the_first_one_again(browser: Any, field: Field) -> None:
    choose = "const pick = document.getElementById('analyte'); pick.value = arguments[0]; pick.dispatchEvent(new Event('change'))"
    shown = {}
    for analyte in ("total_p", "nitrate_n"):
        run(browser, choose, analyte)
        shown[analyte] = cells(browser, "Loads and drainage as a table")
        annual = loads_of_years(field, analyte)
        assert len(shown[analyte]) == len(annual) > 0
        for row in shown[analyte].to_dict("records"):
            truth = annual.loc[(row["Plot"]["text"], int(row["Water year"]["value"]))]
            assert float(row["Load"]["value"]) == truth["load_kg_ha"]
            assert float(row["Drainage"]["value"]) == truth["volume_mm"]
    loads = {analyte: [float(one["value"]) for one in rows["Load"]] for analyte, rows in shown.items()}
    assert loads["total_p"] == [load * PHOSPHORUS_SHARE for load in loads["nitrate_n"]] != loads["nitrate_n"]


def test_a_finding_against_a_meter_stands_on_the_page_in_its_words(browser: Any, field: Field) -> None:
    assert len(stored(field, "meter_findings")) == 1
    (row,) = cells(browser, "What speaks against meters").to_dict("records")
    assert [row[heading]["text"] for heading in ("Plot", "Meter", "What", "Evidence", "Found")] == [
        "north",
        "M1",
        "silence",
        "strong",
        HOSTILE,
    ]
    said = run(browser, "return document.querySelector('[data-said=\"meters.findings_said\"]').textContent")
    assert said == "1 stretch of the record speaks against a meter."


def test_every_hour_and_every_interval_of_the_flow_is_on_the_page(browser: Any, field: Field) -> None:
    plot = field.site.plots[0].plot
    hours = stored(field, "hourly_flow").query("plot == @plot").sort_values("hour_start")
    read = waited(
        browser, f"flowOfPlot('{plot}').then((flow) => [flow.first, [...flow.net], [...flow.below], [...flow.above]])"
    )
    assert read[0] == hours["hour_start"].iloc[0].timestamp() * 1000
    for series, expected in zip(
        read[1:], (hours.net_l, hours.net_l - hours.net_l_p05, hours.net_l_p95 - hours.net_l), strict=True
    ):
        np.testing.assert_allclose(series, expected, rtol=0, atol=0.0501)
    flow = stored(field, "interval_flow").query("plot == @plot and forward_l == forward_l").sort_values("interval_start")
    sums = waited(
        browser,
        f"""flowOfPlot('{plot}').then((flow) => {{
            const found = [];
            for (const {{start, length, n, forward, reverse}} of flow.grids) {{
                for (let i = 0; i < n; i++) if (!Number.isNaN(forward[i])) found.push([start + i * length, forward[i], reverse[i]]);
            }}
            for (const [start, , forward, reverse] of flow.single) found.push([start, forward, reverse]);
            return found.sort((a, b) => a[0] - b[0]);
        }})""",
    )
    assert [row[0] for row in sums] == [start.timestamp() * 1000 for start in flow["interval_start"]]
    np.testing.assert_allclose([row[1] for row in sums], flow["forward_l"], rtol=1e-12, atol=1e-9)
    np.testing.assert_allclose([row[2] for row in sums], flow["reverse_l"].fillna(0), rtol=1e-12, atol=1e-9)


def test_hours_of_the_flow_hold_the_water_of_their_intervals_each_way(browser: Any, field: Field) -> None:
    plot = field.site.plots[0].plot
    hours = stored(field, "metered_hours").query("plot == @plot").sort_values("hour_start")
    forward, reverse = waited(browser, f"flowOfPlot('{plot}').then((flow) => [[...flow.forward], [...flow.reverse]])")
    whole = hours["measured_fraction"].to_numpy() == 1
    assert whole.sum() > 200
    np.testing.assert_allclose(np.array(forward)[whole], hours["forward_l"][whole], rtol=1e-12, atol=1e-9)
    np.testing.assert_allclose(np.array(reverse)[whole], hours["reverse_l"][whole], rtol=1e-12, atol=1e-9)


def test_the_flow_zooms_from_years_to_one_night_by_buttons_and_keys(browser: Any) -> None:
    from selenium.webdriver.common.keys import Keys

    span = "return (view.end - view.start) / 3600000"
    chart = browser.find_element("css selector", "figure[data-figure=flow] .viewer")
    chart.send_keys(Keys.HOME)
    whole = run(browser, span)
    assert whole == 14 * 24
    browser.find_element("css selector", "[data-span=night]").click()
    assert run(browser, span) == pytest.approx(14)
    start = run(browser, "return view.start")
    chart.send_keys(Keys.ARROW_RIGHT)
    assert run(browser, "return view.start") == pytest.approx(start + 3.5 * 3_600_000)
    chart.send_keys("-")
    assert run(browser, span) == pytest.approx(28)
    picture = run(browser, "return document.querySelector('figure[data-figure=flow] svg[role=img]').dataset.minutes")
    assert float(picture) <= 60
    chart.send_keys(Keys.HOME)
    assert run(browser, span) == whole


def test_an_accessibility_audit_finds_nothing_serious(browser: Any) -> None:
    # Anew, without the thousands of cells that other tests have opened.
    browser.refresh()
    wait_until_drawn(browser)
    run(browser, resources.files("axe_core_python").joinpath("axe.min.js").read_text(encoding="utf-8"))
    contrast = "{ runOnly: ['color-contrast'] }"
    # Letters in figures have the two colours of the text around them; asking for each of them takes most of a minute.
    audits = (
        ("light", "document, { rules: { 'color-contrast': { enabled: false } } }", 20),
        ("light", f"{{ exclude: [['figure svg']] }}, {contrast}", 1),
        ("dark", f"{{ exclude: [['figure svg']] }}, {contrast}", 1),
    )
    for scheme, what, least in audits:
        browser.execute_cdp_cmd(
            "Emulation.setEmulatedMedia", {"features": [{"name": "prefers-color-scheme", "value": scheme}]}
        )
        passed, violations = browser.execute_async_script(
            f"const done = arguments[0]; axe.run({what}).then((found) => done([found.passes.length, found.violations]))"
        )
        assert passed >= least
        assert [
            (one["id"], one["impact"], one["nodes"][0]["html"][:200])
            for one in violations
            if one["impact"] in ("serious", "critical")
        ] == []


def test_words_of_registers_stay_words_on_the_page(browser: Any, field: Field) -> None:
    assert run(browser, "return window.harmed") is None
    assert run(browser, "return document.querySelectorAll('main img, header img').length") == 0
    assert HOSTILE in run(browser, "return document.querySelector('h1').textContent")
    assert cells(browser, "Every outage")["Cause"].iloc[0]["text"] == HOSTILE
    assert "<img" not in page_of(field)


def test_on_paper_every_figure_is_drawn_for_the_width_of_paper(browser: Any) -> None:
    run(browser, "window.dispatchEvent(new Event('beforeprint'))")
    try:
        widths = run(
            browser,
            "return [...document.querySelectorAll('figure svg[role=img]')].map((one) => one.viewBox.baseVal.width)",
        )
    finally:
        run(browser, "window.dispatchEvent(new Event('afterprint'))")
    assert widths
    assert set(widths) == {run(browser, "return PAPER")}


@pytest.mark.parametrize("width", [360, 760, 1280])
def test_figures_stay_within_their_frames_and_no_words_lie_on_one_another(browser: Any, width: int) -> None:
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride", {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": False}
    )
    try:
        browser.execute_async_script("requestAnimationFrame(() => requestAnimationFrame(arguments[0]))")
        found = run(
            browser,
            """
            const found = [];
            for (const figure of document.querySelectorAll("figure")) {
                const picture = figure.querySelector("svg[role=img]"), frame = picture.getBoundingClientRect(), words = [];
                for (const one of picture.querySelectorAll("text, rect, circle, path, line")) {
                    const box = one.getBoundingClientRect(), name = `${figure.dataset.figure}: ${one.textContent || one.tagName}`;
                    const clipped = one.ownerSVGElement !== picture;
                    if (!clipped && (box.left < frame.left - 3 || box.right > frame.right + 12)) found.push(`${name} leaves its frame`);
                    if (one.tagName !== "text" || !one.textContent) continue;
                    for (const [other, said] of words) {
                        const across = Math.min(box.right, other.right) - Math.max(box.left, other.left);
                        const down = Math.min(box.bottom, other.bottom) - Math.max(box.top, other.top);
                        if (across > 2 && down > 5) found.push(`${name} lies on ${said}`);
                    }
                    words.push([box, one.textContent]);
                }
            }
            return found;
            """,
        )
    finally:
        browser.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
    assert found == []


def test_on_a_telephone_nothing_is_wider_than_the_screen(browser: Any) -> None:
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride", {"width": 360, "height": 740, "deviceScaleFactor": 1, "mobile": True}
    )
    try:
        assert run(browser, "return document.documentElement.scrollWidth") <= 360
    finally:
        browser.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})


def test_the_load_that_grew_ends_as_the_load_of_the_year(field: Field) -> None:
    with open_session() as session:
        found = growth(Source(session, field.lake, field.site))[field.site.analytes[0]]
    annual = loads_of_years(field)
    ends = {(one["plot"], year): numbers for one in found["plots"] for year, _, _, *numbers in one["months"]}
    last = max(end for one in found["plots"] for _, _, end, *_ in one["months"])
    assert last == field.site.record_period()[1].timestamp() * 1000
    assert set(ends) == set(annual.index)
    for key, numbers in ends.items():
        np.testing.assert_allclose(
            numbers,
            annual.loc[key, ["load_kg_ha", "load_kg_ha_p05", "load_kg_ha_p95"]].astype(float),
            rtol=1e-5,
            atol=1e-6,
        )


def test_what_moved_since_loads_were_published_is_told_with_its_cause(field: Field, tmp_path: Path) -> None:
    lake = Lake(shutil.copytree(field.root / "lake", tmp_path / "lake"))
    moments = pd.to_datetime(["2021-01-01", "2021-02-01"], utc=True).as_unit("us")
    revision = {
        "fingerprint": "0" * 64,
        "first_water_year": 2020,
        "last_water_year": 2021,
        "annual_loads": 4,
        "raw_files": 2,
    }
    revision |= {"program_commit": None, "program_changed": None, "registers_commit": None, "registers_changed": None}
    rows = [
        revision | {"revision": number, "made_at": moments[number - 1], "reason": HOSTILE, "versions": "-"}
        for number in (1, 2)
    ]
    lake.write_frame(table("revisions"), pd.DataFrame(rows), "a test", SITE)
    moved = {
        "kind": "annual",
        "plot": "north",
        "analyte": "nitrate_n",
        "water_year": 2020,
        "period": "2020",
        "cause": "calibration",
    }
    numbers = {
        name: np.nan for name in table("load_changes").names if table("load_changes").column(name).type == "decimal"
    }
    known = numbers | {"before": 10.0, "after": 10.4, "change": 0.4, "how": "direct", "detail": HOSTILE}
    other = {"how": "interval_only", "from_revision": 2, "to_revision": 0, "water_year": 2021, "period": "2021"}
    changes_made = [
        moved | known | {"from_revision": 2, "to_revision": 0},
        moved | known | {"from_revision": 1, "to_revision": 2},
    ]
    lake.write_frame(table("load_changes"), pd.DataFrame([*changes_made, moved | known | other]), "a test", SITE)
    with open_session() as session:
        found = changes(Source(session, lake, field.site))
    assert found["said"][0] == "The last published state is number 2, of "
    assert found["said"][-1] == "1 load of a year has moved since."
    assert [[*row[:3], row[3][0], row[4][0], row[5], row[6]] for row in found["sheet"]["rows"]] == [
        ["north", "nitrate_n", year, 10.0, 10.4, 0.4, "calibration"] for year in (2020, 2021)
    ]
    assert len(found["revisions"]["rows"]) == 2


def test_all_water_that_ran_back_is_told_and_each_time_once(field: Field) -> None:
    with open_session() as session:
        found = backwater(Source(session, field.lake, field.site))
    hours = stored(field, "metered_hours").query("net_l < 0")
    rows = found["sheet"]["rows"]
    assert sum(row[3] for row in rows) == len(hours) > 0
    assert sum(row[4] for row in rows) == pytest.approx(hours["reverse_l"].sum(), rel=1e-12)
    assert all(later[0] - earlier[1] > 12 * 3_600_000 for earlier, later in pairwise(rows))
    assert 1 <= len(found["drawn"]) <= 3


def test_the_calendar_holds_every_hour_of_the_record_by_its_basis(browser: Any, field: Field) -> None:
    hours = stored(field, "hourly_flow")
    drawn = waited(
        browser,
        "Promise.all(data.record.plots.map(({hours}) => unpacked(hours))).then((all) => data.record.bases.map(({basis}, number) => "
        "[basis, all.reduce((sum, hours) => sum + hours.subarray(number * data.record.days, (number + 1) * data.record.days)"
        ".reduce((a, b) => a + b, 0), 0)]))",
    )
    assert {basis: count for basis, count in drawn if count} == hours["basis"].value_counts().to_dict()
    first = (hours["hour_start"].min() + field.site.utc_offset).date()
    assert run(browser, "return new Date(data.record.first_day * DAY).toISOString().slice(0, 10)") == first.isoformat()


def test_the_same_tables_give_the_same_page(field: Field) -> None:
    assert page_of(field) == page_of(field)


def test_packed_numbers_come_back_also_where_some_are_absent(browser: Any) -> None:
    draw = np.random.default_rng(7)
    for values, step, differences in (
        (draw.normal(0, 4000, 999), 0.1, True),
        (np.where(draw.random(999) < 0.3, np.nan, draw.normal(0, 4000, 999)), 0.1, True),
        (np.where(draw.random(999) < 0.3, np.nan, draw.poisson(3, 999) * 7.327), 7.327, False),
        (np.full(5, np.nan), 1.0, True),
        (np.empty(0), 1.0, True),
        (np.array([2.0**29, -(2.0**29), 0.0]), 1.0, True),
    ):
        back = browser.execute_async_script(
            """
            const [series, done] = arguments;
            unpacked(series).then((found) => done([...found].map((one) => (Number.isNaN(one) ? null : one))));
            """,
            packed(values, step, differences),
        )
        np.testing.assert_allclose(np.array(back, dtype=float), values, rtol=0, atol=step / 2 * (1 + 1e-9))


def test_the_command_writes_one_file_and_keeps_out_of_the_tables(
    field: Field, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lake, target = field.root / "lake", tmp_path / "season.html"
    places = ["--site", str(field.folder), "--lake", str(lake)]
    assert main(["report", *places, "--out", str(target)]) == 0
    assert [path.name for path in tmp_path.iterdir()] == ["season.html"]
    assert target.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    assert main(["report", *places, "--out", str(lake / "tables" / "season.html")]) == 1
    assert "Name another place" in capsys.readouterr().err


def test_a_site_without_loads_is_told_what_computes_them(
    field: Field, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "lake" / "raw").mkdir(parents=True)
    assert (
        main(
            [
                "report",
                "--site",
                str(field.folder),
                "--lake",
                str(tmp_path / "lake"),
                "--out",
                str(tmp_path / "page.html"),
            ]
        )
        == 1
    )
    assert "`drainledger run` computes them" in capsys.readouterr().err
    assert not (tmp_path / "page.html").exists()
