"""The daily health of a site: one page of text, and the facts behind it for the page that people look at.

Belongs here: gathering what the tables and the raw folder say, what of it needs somebody, wording, the file that holds the text.
Does not: when it is written (definitions.py, cli.py), how a silence or a falling supply is told (stages/health.py).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import duckdb
import pandas as pd

from pipeline.lake import Lake
from pipeline.orchestration.checks import CheckBook
from pipeline.orchestration.raw_files import RawFiles
from pipeline.site import Site
from pipeline.stages.health import LAST_DAYS, SUPPLY_DAYS, PlotHealth, RecordHealth, StationHealth, station_health
from pipeline.tables import TABLES, table

FILE = "health/{site}.txt"
"""Where the text lies below the lake's `tables/`."""
NEWLY = timedelta(hours=24)
BEHIND = timedelta(days=1)
"""A meter has no record where its last interval is older than its logger's last reading by more than this."""
MOST_FILES = 5


@dataclass(frozen=True)
class Arrival:
    """A raw file that came or changed within a day: its path below the raw folder, when, its usable readings (none: not read yet)."""

    path: str
    arrived: datetime
    readings: int | None
    rejected: int | None


@dataclass(frozen=True)
class Health:
    """All facts, and `needs`: what of them needs somebody, in sentences, the gravest first."""

    station: StationHealth
    arrivals: tuple[Arrival, ...]
    findings: tuple[str, ...]
    needs: tuple[str, ...]


def health_path(lake: Lake, site: Site) -> Path:
    """The file in which the text stands."""
    return lake.tables / FILE.format(site=site.site)


def site_health(session: duckdb.DuckDBPyConnection, lake: Lake, site: Site, now: datetime) -> Health:
    """The facts of a moment, from what is stored and from what lies in the raw folder. Changes nothing.

    Args:
        session: does the row work.
        lake: the lake.
        site: the experiment.
        now: the moment, in UTC; for a record that is over its end stands instead.
    """
    files = lake.frame(table("source_files"), site.site)
    years = [year for year in site.water_years(now.date()) if site.water_year_period(year)[0] <= now][-2:]

    def recent(name: str) -> duckdb.DuckDBPyRelation:
        return lake.relation(session, table(name), site.site, years)

    station = station_health(files, recent("pulse_counts"), recent("gauge_readings"), recent("hourly_flow"), site, now)
    raw = RawFiles(lake, site)
    arrivals = () if station.ended else tuple(_arrivals(raw, files, now))
    findings = tuple(_findings(lake, site, years, station.moment))
    failing = CheckBook(lake, site).rows
    failing = failing[(failing["severity"] == "error") & ~failing["passed"].astype(bool)]
    needs = [
        *(
            f"{path} is held: it changed in place or vanished after it was read. `drainledger status` says more."
            for path in raw.held
        ),
        *(f"{one.table}, {one.partition}: {one.expectation} ({one.detail})" for one in failing.itertuples()),
        *(need for record in station.records if (need := _record_needs(record, site))),
        *(need for plot in station.plots if (need := _plot_needs(plot, station, site))),
        *(
            f"Supply {one.gauge}: its lowest voltage of the day fell by {-one.change:.2f} {one.unit} in its last {SUPPLY_DAYS} days, to "
            f"{one.lowest:.2f} {one.unit}."
            for one in station.supplies
            if one.falling and one.change is not None
        ),
        *findings,
    ]
    return Health(station, arrivals, findings, tuple(needs))


def write_health(session: duckdb.DuckDBPyConnection, lake: Lake, site: Site, now: datetime) -> tuple[Health, Path]:
    """Write the text of a moment into its file, whole or not at all.

    Raises:
        LakeError: the file cannot be written.
    """
    health = site_health(session, lake, site, now)
    return health, lake.write_text(FILE.format(site=site.site), health_text(health, site))


def health_text(health: Health, site: Site) -> str:
    """The text: first what needs somebody, then all facts; times are the site's standard time."""
    station = health.station
    lines = [f"{site.title}, {_time(station.moment, site)} (standard time)"]
    if station.ended:
        lines.append("The record is over; this is how its last days were.")
    if health.needs:
        count = len(health.needs)
        lines += [
            "",
            f"{count} {'thing needs' if count == 1 else 'things need'} somebody:",
            *(f"  ! {need}" for need in health.needs),
        ]
    else:
        lines += ["", "Nothing needs anybody."]
    if not station.ended:
        lines += ["", "Arrived in the last 24 hours:", *_arrival_lines(health.arrivals)]
    lines += ["", "Last readings:", *(f"  {one.name}: {_last_reading(one, site)}" for one in station.records)]
    lines += [
        "",
        f"Measured of the last {LAST_DAYS} days, by plot:",
        *(f"  {_plot_line(one, site)}" for one in station.plots),
    ]
    if station.supplies:
        lines += ["", "Supplies, lowest voltage of their last day on record:"]
        lines += [
            f"  {one.gauge}: {one.lowest:.2f} {one.unit}"
            + (
                f", {one.change:+.2f} {one.unit} over {SUPPLY_DAYS} days"
                if one.change is not None
                else ", too few days to tell a trend"
            )
            for one in station.supplies
        ]
    return "\n".join(lines) + "\n"


def _arrivals(raw: RawFiles, files: pd.DataFrame, now: datetime) -> Iterator[Arrival]:
    read = {row["path"]: row for row in files.to_dict("records")}
    for path, digest in raw.on_disk.items():
        arrived = datetime.fromtimestamp((raw.folder / path).stat().st_mtime, UTC)
        row = read.get(path)
        known = row is not None and row["file_id"] == digest
        if now - arrived <= NEWLY or not known:
            yield Arrival(
                path,
                arrived,
                int(row["reading_lines"]) if known and row else None,
                int(row["rejected_lines"]) if known and row else None,
            )


def _findings(lake: Lake, site: Site, years: Sequence[int], moment: datetime) -> Iterator[str]:
    """What the meters are found to have done in the last days, where that table is declared and stored."""
    if "meter_findings" not in {one.name for one in TABLES}:
        return
    rows = lake.frame(table("meter_findings"), site.site, years)
    for row in rows[rows["end"] > moment - timedelta(days=LAST_DAYS)].to_dict("records"):
        yield f"Meter {row['meter']} of {row['plot']}: {row['finding']} {row['check']}"


def _record_needs(record: RecordHealth, site: Site) -> str:
    if record.last_reading is None:
        return f"{record.name}: no reading has ever come."
    if record.ahead:
        return f"{record.name}: its last reading, {_time(record.last_reading, site)}, lies ahead of now: check its clock and its layout."
    if record.silent_for is None:
        return ""
    usual = f"; a download usually comes every {_days(record.usual)}" if record.usual else ""
    return (
        f"{record.name} is silent for {_days(record.silent_for)}: last reading {_time(record.last_reading, site)}{usual}."
    )


def _plot_needs(plot: PlotHealth, station: StationHealth, site: Site) -> str:
    meters = {row.meter for row in site.meters if row.plot == plot.plot}
    loggers = {
        row.logger for row in site.wiring if row.meter in meters and row.touches(station.moment - BEHIND, station.moment)
    }
    heard = max((one.last_reading for one in station.records if one.name in loggers and one.last_reading), default=None)
    if heard is None:
        return ""
    if plot.last_interval is None or heard - plot.last_interval > BEHIND:
        since = f"since {_time(plot.last_interval, site)}" if plot.last_interval else "at all in these years"
        return (
            f"Plot {plot.plot}: its meter has no record {since}, though its logger was heard until {_time(heard, site)}."
        )
    week = timedelta(days=LAST_DAYS)
    others = [one for one in station.plots if one.plot != plot.plot and one.last_pulse and one.last_interval]
    drained = sum(one.last_pulse > plot.last_interval - week for one in others if one.last_pulse)
    if (plot.last_pulse is None or plot.last_interval - plot.last_pulse > week) and others and 2 * drained > len(others):
        last = _time(plot.last_pulse, site) if plot.last_pulse else "none in these years"
        return f"Plot {plot.plot}: no pulse in {LAST_DAYS} days (last: {last}), and {drained} of {len(others)} other plots had some."
    return ""


def _arrival_lines(arrivals: Sequence[Arrival]) -> list[str]:
    if not arrivals:
        return ["  no file"]
    shown = sorted(arrivals, key=lambda one: one.arrived, reverse=True)
    lines = [f"  {one.path}: {_what_was_read(one)}" for one in shown[:MOST_FILES]]
    return [*lines, f"  and {len(shown) - MOST_FILES} more"] if len(shown) > MOST_FILES else lines


def _what_was_read(arrival: Arrival) -> str:
    if arrival.readings is None:
        return "not read yet; `drainledger run` reads it"
    rejected = f", {arrival.rejected:,} lines could not be used" if arrival.rejected else ""
    return f"{arrival.readings:,} readings{rejected}"


def _last_reading(record: RecordHealth, site: Site) -> str:
    return _time(record.last_reading, site) if record.last_reading else "none"


def _plot_line(plot: PlotHealth, site: Site) -> str:
    pulse = _time(plot.last_pulse, site) if plot.last_pulse else "none in these years"
    return f"{plot.plot}: {100 * plot.measured_share:.0f} %; last pulse {pulse}"


def _time(moment: datetime, site: Site) -> str:
    return f"{moment.astimezone(UTC) + site.utc_offset:%Y-%m-%d %H:%M}"


def _days(length: timedelta | None) -> str:
    assert length is not None
    days = length / timedelta(days=1)
    return f"{days:.0f} days" if days >= 1.5 else f"{length / timedelta(hours=1):.0f} hours"
