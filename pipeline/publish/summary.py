"""The tables that a person reads on the terminal: loads by plot and year, states of the tables, the calendar of the record.

Belongs here: which stored rows they show, layout, rounding, wording.
Does not: deciding what is shown when (cli.py), any computation beyond a share or a count.
"""

from __future__ import annotations

import shlex
from collections.abc import Hashable, Iterable, Mapping
from datetime import UTC, date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import duckdb
import pandas as pd
from rich.box import SIMPLE_HEAD
from rich.table import Table as TextTable
from rich.text import Text

from pipeline.lake import Lake
from pipeline.orchestration.checks import CHECKS, CheckBook
from pipeline.orchestration.freshness import stretches
from pipeline.site import Site
from pipeline.tables import table
from pipeline.tables.declared.words import NEGATIVE_IS_REAL

if TYPE_CHECKING:
    from pipeline.orchestration.freshness import PartitionState
    from pipeline.orchestration.raw_files import HeldFile

STATE_STYLES: Mapping[str, str] = {
    "fresh": "green",
    "unchecked": "yellow",
    "stale": "yellow",
    "waiting": "yellow",
    "follows": "yellow",
    "missing": "yellow",
    "blocked": "red",
    "held": "bold red",
    "failing": "bold red",
}

STATE_MEANINGS: Mapping[str, str] = {
    "fresh": "made from what is there now, and its checks passed",
    "unchecked": "made from what is there now, not checked yet",
    "stale": "made from files, registers or a method that have changed since",
    "waiting": "raw files are new or changed; whether they touch it shows when they are read",
    "follows": "a table that it is made from is to be computed; it is too, if that one's rows change",
    "missing": "not computed yet",
    "blocked": "not computed, because a table that it needs fails a check",
    "held": "not computed anew, because it would be read from a raw file that changed in place or vanished",
    "failing": "fails a check; nothing that needs it is computed",
}

UNKNOWN = "–"


def loads_table(lake: Lake, site: Site) -> TextTable | None:
    """Loads by plot and water year; none where none are stored."""
    declared = table("loads_annual")
    annual = lake.frame(declared, site.site, lake.years(declared, site.site))
    if annual.empty:
        return None
    several = annual["analyte"].nunique() > 1
    shown = _text_table(f"{site.title}: loads by plot and water year, with 90 % intervals")
    shown.add_column("plot")
    if several:
        shown.add_column("analyte")
    for heading in (
        "water\nyear",
        "drainage\nmm",
        "load\nkg/ha",
        "mean\nmg/L",
        "measured\n%",
        "filled\n%",
        "below\nrange %",
    ):
        shown.add_column(heading, justify="right", no_wrap=True)
    previous = None
    for row in annual.sort_values(["plot", "analyte", "water_year"]).to_dict("records"):
        series = (row["plot"], row["analyte"])
        if previous is not None and previous != series:
            shown.add_section()
        shown.add_row(
            row["plot"] if previous != series else "",
            *((row["analyte"],) if several else ()),
            str(row["water_year"]),
            _with_interval(row, "volume_mm", 0),
            _with_interval(row, "load_kg_ha", 1),
            _number(row["flow_weighted_mg_l"], 1),
            _percent(row["share_measured"]),
            _percent(row["share_filled"]),
            _percent(row["share_below_range"]),
        )
        previous = series
    return shown


def backward_flow_note(session: duckdb.DuckDBPyConnection, lake: Lake, site: Site) -> str:
    """Why some numbers are negative, where water ran back; an empty text where none did."""
    declared = table("hourly_flow")
    hours = lake.relation(session, declared, site.site, lake.years(declared, site.site))
    ((backward,),) = _ask(hours, "SELECT count(*) FROM stored WHERE net_l < 0 AND basis LIKE 'measured%'")
    if not backward:
        return ""
    return f"In {backward:,} metered plot-hours more water ran back than drained. {NEGATIVE_IS_REAL}"


def states_table(site: Site, states: Iterable[tuple[str, int | None, str]]) -> TextTable:
    """The state of every table and water year: rows are tables, columns are years.

    Args:
        site: the site.
        states: table, water year (none: kept once per site) and state.
    """
    by_place = {(name, year): state for name, year, state in states}
    years = sorted({year for _, year in by_place if year is not None})
    shown = _text_table(f"{site.title}: tables")
    shown.add_column("table")
    shown.add_column("once")
    for year in years:
        shown.add_column(str(year))
    for name in dict.fromkeys(name for name, _ in by_place):
        shown.add_row(name, *(_state(by_place.get((name, year))) for year in (None, *years)))
    return shown


def _text_table(title: str) -> TextTable:
    """A table without frames, so that it fits 80 columns."""
    return TextTable(
        title=title, title_justify="left", box=SIMPLE_HEAD, show_edge=False, pad_edge=False, padding=(0, 1, 0, 0)
    )


def _state(state: str | None) -> Text:
    return Text(state or "", style=STATE_STYLES.get(state or "", ""))


def calendar_table(session: duckdb.DuckDBPyConnection, lake: Lake, site: Site) -> TextTable | None:
    """Share of the days that each plot's meter was on record: rows are plots and water years, columns are months.

    A day counts by its metered share. None where no hours are stored.
    """
    declared = table("hourly_flow")
    years = lake.years(declared, site.site)
    shown = _text_table(f"{site.title}: days on record, in %")
    first_month = site.water_year_starts[0]
    months = [(first_month - 1 + step) % 12 + 1 for step in range(12)]
    for heading in ("plot", "water\nyear", *(f"{date(2001, month, 1):%b}" for month in months), "year"):
        shown.add_column(heading, justify="left" if heading == "plot" else "right")
    shares: dict[tuple[str, int], dict[int | None, float]] = {}
    for year in years:
        hours = lake.relation(session, declared, site.site, [year])
        query = f"""
            SELECT plot, month(hour_start + INTERVAL ({site.utc_offset.total_seconds()}) SECOND) AS month,
                avg(measured_fraction)
            FROM stored GROUP BY GROUPING SETS ((plot, month), (plot))
            """
        for plot, month, share in _ask(hours, query):
            shares.setdefault((plot, year), {})[month] = share
    for (plot, year), by_month in sorted(shares.items()):
        if year == years[0] and shown.row_count:
            shown.add_section()
        name = plot if year == years[0] else ""
        shown.add_row(name, str(year), *(_shade(by_month.get(month)) for month in (*months, None)))
    return shown if shares else None


def _shade(share: float | None) -> Text:
    if share is None:
        return Text(UNKNOWN)
    # A month that lacks an hour is not called complete, nor one with an hour empty.
    percent = min(max(round(100 * share), 1 if share > 0 else 0), 100 if share == 1 else 99)
    style = "green" if percent >= 95 else "yellow" if percent >= 50 else "red"
    return Text(str(percent), style=style)


def held_files(site: Site, raw_folder: Path, held: Iterable[HeldFile]) -> list[str]:
    """One paragraph per held file: what happened, what stays, what to do. Times are the site's standard time."""
    return [
        f"HELD: {file.path} of {site.title} {_what_happened(file, raw_folder)}. {_what_stays(file, site)} "
        f"Put the file back from the logger's own download. Or, if {_what_is_right(file)}, run again with "
        f"--accept {shlex.quote(file.path)}"
        for file in held
    ]


def departed_sheets(site: Site, departed: Iterable[tuple[str, str, str | None]]) -> list[str]:
    """One sentence per field book, laboratory report or bench test that changed in place or vanished; these are never held."""
    return [
        f"VANISHED: {path} of {site.title} (it was SHA-256 {before[:12]}…) is not there any more, and its lines leave the tables. If "
        "that is not meant, put it back and run again."
        if now is None
        else f"CHANGED: {path} of {site.title} was SHA-256 {before[:12]}… and is {now[:12]}… now. It is read as it is now, since "
        "such sheets are revised; if that is not meant, put the former file back and run again."
        for path, before, now in departed
    ]


def _what_happened(file: HeldFile, raw_folder: Path) -> str:
    before = f"SHA-256 {file.digest[:12]}…"
    if file.digest_now is None:
        return f"has vanished: {raw_folder / file.path} is not there any more (it was {before})"
    return f"has changed in place: it was {before} and is {file.digest_now[:12]}… now, of {file.size_now:,} bytes"


def _what_stays(file: HeldFile, site: Site) -> str:
    if file.first is None or file.last is None:
        return "It held no usable reading; what was said of its lines stays in the tables."
    first, last = (f"{moment.astimezone(UTC) + site.utc_offset:%Y-%m-%d %H:%M}" for moment in (file.first, file.last))
    what = "and nothing is read from it as it is now" if not file.vanished else "for now"
    return (
        f"Its {file.readings:,} readings from {first} to {last} (standard time) stay in the tables as they were, {what}."
    )


def _what_is_right(file: HeldFile) -> str:
    return "its readings are to be forgotten" if file.vanished else "it is right as it is now"


def held_tables(states: Iterable[PartitionState]) -> list[str]:
    """A sentence per held file that stands in the way of tables: which, and what these wait for."""
    waiting: dict[str, list[str]] = {}
    for one in states:
        if one.state == "held":
            waiting.setdefault(one.because, []).append(one.table if one.year is None else f"{one.table} {one.year}")
    return [
        f"Not computed anew, because {path} is held: {', '.join(tables)}. What is stored of these stays."
        for path, tables in waiting.items()
    ]


def not_up_to_date(states: Iterable[PartitionState]) -> list[str]:
    """A sentence for every state other than fresh: which tables are in it, and what it means."""
    by_state: dict[str, dict[str, list[int | None]]] = {}
    for one in states:
        if one.state != "fresh":
            by_state.setdefault(one.state, {}).setdefault(one.table, []).append(one.year)
    return [
        f"{state} ({STATE_MEANINGS[state]}): {', '.join(f'{name} {_years(years)}'.rstrip() for name, years in tables.items())}."
        for state, tables in by_state.items()
    ]


def _years(years: Iterable[int | None]) -> str:
    """Water years in words, runs of them by their ends; an empty text for what is kept once per site."""
    runs = [f"{run[0]} to {run[-1]}" if len(run) > 1 else str(run[0]) for run in stretches(years)]
    return " and ".join(runs)


def failed_checks(lake: Lake, site: Site, severity: str, most: int) -> str:
    """Failed expectations of a severity, one a line, at most so many; an empty text where none failed."""
    rows = CheckBook(lake, site).rows
    failed = rows[(rows["severity"] == severity) & ~rows["passed"].astype(bool)]
    lines = [
        f"  {row.table}, {row.partition}: {row.expectation} ({row.detail})" for row in failed.head(most).itertuples()
    ]
    if len(failed) > most:
        lines.append(f"  and {len(failed) - most} more in {lake.path(CHECKS, site.site)}")
    return "\n".join(lines)


def unusable_lines(session: duckdb.DuckDBPyConnection, lake: Lake, site: Site) -> str:
    """How many raw lines could not be used, or only with a remark, and where each stands; an empty text where all could."""
    found = []
    for name, what in (
        ("rejected_lines", "lines of logger and weather files"),
        ("unread_values", "single values in lines that were used otherwise"),
        ("rejected_results", "lines of samples and results"),
        ("rejected_bench_lines", "lines of bench tests"),
    ):
        declared = table(name)
        rows = lake.relation(session, declared, site.site)
        ((lines, files),) = _ask(rows, "SELECT count(*), count(DISTINCT path) FROM stored")
        if lines:
            found.append(
                f"{lines:,} {what} in {files} files could not be used; each stands with its reason in "
                f"{lake.path(declared, site.site)}"
            )
    declared = table("result_remarks")
    ((lines, files),) = _ask(
        lake.relation(session, declared, site.site),
        "SELECT count(DISTINCT (path, line)), count(DISTINCT path) FROM stored",
    )
    if lines:
        found.append(
            f"{lines:,} lines of samples and results in {files} files are used, but something about each is doubtful; it stands with "
            f"its remark in {lake.path(declared, site.site)}"
        )
    return "\n".join(found)


def _ask(stored: duckdb.DuckDBPyRelation, query: str) -> list[tuple[Any, ...]]:
    """Rows of a query over a relation that it calls `stored`."""
    found = stored.query("stored", query)
    assert found is not None
    return found.fetchall()


def _number(value: float | None, decimals: int) -> str:
    return UNKNOWN if value is None or pd.isna(value) else f"{value:,.{decimals}f}"


def _with_interval(row: Mapping[Hashable, Any], name: str, decimals: int) -> str:
    """A value and its 90 % interval, such as 28.7 [26.4, 31.2]."""
    low, high = row[f"{name}_p05"], row[f"{name}_p95"]
    value = _number(row[name], decimals)
    return value if pd.isna(low) or pd.isna(high) else f"{value} \\[{low:,.{decimals}f}, {high:,.{decimals}f}]"


def _percent(share: float | None) -> str:
    return UNKNOWN if share is None or pd.isna(share) else f"{100 * share:.0f}"
