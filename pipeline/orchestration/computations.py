"""Every computation of the pipeline: which tables it makes, what it needs, what it is made from, how it is called.

Belongs here: one entry per stage (or pair of stages that share their reading), in the order of the way through the house.
Dagster's graph, the fingerprints and the command line all follow from this one list.
Does not: the computation itself (stages/), whether a partition is fresh (freshness.py), Dagster (assets.py).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from typing import TYPE_CHECKING, Any, Literal

import duckdb
import pandas as pd

from pipeline.site import Site
from pipeline.stages.outages import without_lies
from pipeline.stages.sample_flow import drainage_results, receiving_water_results
from pipeline.tables import Table, table

if TYPE_CHECKING:
    from pipeline.orchestration.raw_files import Files, RawFiles
    from pipeline.orchestration.workbench import Workbench

Rows = pd.DataFrame | duckdb.DuckDBPyRelation
Made = Mapping[str, Rows]
Reach = Literal[
    "site",
    "year",
    "with_year_before",
    "with_year_after",
    "window",
    "window_with_year_before",
    "neighbours",
    "periods",
]

NEIGHBOURS = 1
"""Water years on each side whose hours and results help to interpolate a concentration across the year's ends."""


@dataclass(frozen=True)
class Need:
    """A table that a computation reads, and how far around its own year.

    site: the table is kept once per site. year: the same water year. with_year_before: and the one before, of which an interval
    may reach into this one. with_year_after: and the one after, into which the window of a sample may reach. window: the years that a
    gap model may learn from. window_with_year_before: and the year before, where the window is this year alone. neighbours: the
    year before and the year after. periods: the year before, from which a quarter may reach into this one, and all years from which a
    period of site.yaml does that ends in this one.

    `by_file` marks a need that counts by single raw files and not by the whole table, so that a new file makes only those years stale
    that it touches. `in_reach` marks a table kept once per site of which only rows count whose `start` to `end` touches the
    neighbouring years, so that a new laboratory sheet makes only the years around its samples stale.
    """

    table: str
    reach: Reach
    by_file: bool = False
    in_reach: bool = False

    def years(self, site: Site, year: int | None) -> list[int | None]:
        """Water years of the needed table, ascending; none (a single None) for a table kept once per site."""
        if self.reach == "site" or year is None:
            return [None]
        window = site.policies.gap_window_years if "window" in self.reach else 0
        before, after = self.distances(window, longest_period(site, year) if self.reach == "periods" else 0)
        return [other for other in site.water_years() if year - before <= other <= year + after]

    def distances(self, gap_window_years: int, period_years: int) -> tuple[int, int]:
        """How many water years the need goes back, and how many on.

        Args:
            gap_window_years: width of a gap model's window to each side.
            period_years: how many water years before its last one a period of site.yaml begins.
        """
        return {
            "site": (0, 0),
            "year": (0, 0),
            "with_year_before": (1, 0),
            "with_year_after": (0, 1),
            "window": (gap_window_years, gap_window_years),
            "window_with_year_before": (max(gap_window_years, 1), gap_window_years),
            "neighbours": (NEIGHBOURS, NEIGHBOURS),
            "periods": (max(period_years, 1), 0),
        }[self.reach]


def longest_period(site: Site, year: int | None = None) -> int:
    """How many water years before its last one the longest period of site.yaml begins, of those that end in a year or of all."""
    touched = (site.years_touched(period.start, period.end) for period in site.periods)
    return max((years[-1] - years[0] for years in touched if years and year in (None, years[-1])), default=0)


@dataclass(frozen=True)
class Computation:
    """One step of the way from raw text to loads.

    Attributes:
        tables: the tables that it makes, all of one kind of partition.
        needs: the tables that it reads.
        stages: names of the stages that it calls; their versions go into the fingerprint.
        registers: what it reads of the registers, as far as it touches the period: column names by register.
        policies: names of the policies that it obeys.
        settings: what else it is made from, as plain values; given the raw files, the site and the year.
        make: does the work.
        reads: the files of the raw folder that it reads; given the same. None: it reads none.
        parcel: gathers all that the work needs and gives it as a call that another process can make as well; for work that takes
            seconds a partition. None: it is done here.
    """

    tables: tuple[str, ...]
    needs: tuple[Need, ...]
    stages: tuple[str, ...]
    make: Callable[[Workbench, Site, int | None], Made]
    registers: Mapping[str, tuple[str, ...]]
    policies: tuple[str, ...] = ()
    settings: Callable[[RawFiles, Site, int | None], Any] | None = None
    reads: Callable[[RawFiles, Site, int | None], Files] | None = None
    parcel: Callable[[Workbench, Site, int | None], Callable[[], Made]] | None = None

    @property
    def name(self) -> str:
        """Name of the step: that of the first table that it makes."""
        return self.tables[0]

    @property
    def by_year(self) -> bool:
        """Whether its tables are kept by water year."""
        return table(self.tables[0]).time_column is not None

    def years(self, site: Site) -> list[int | None]:
        """Every partition of its tables for one site: the water years of the record, or None for one per site."""
        return list(site.water_years()) if self.by_year else [None]


def period(site: Site, year: int) -> tuple[datetime, datetime]:
    """The part of a water year that lies within the record; both instants in UTC, the second exclusive."""
    start, end = site.water_year_period(year)
    first, last = site.record_period()
    return max(start, first), min(end, last)


def period_of_years(site: Site, years: Sequence[int | None]) -> tuple[datetime, datetime]:
    """From the start of the first to the end of the last of several water years, within the record."""
    known = [year for year in years if year is not None]
    if not known:
        return site.record_period()
    return period(site, known[0])[0], period(site, known[-1])[1]


def _window(site: Site, year: int | None) -> list[int | None]:
    return Need("metered_hours", "window").years(site, year)


# Raw text


def _read_raw_text(bench: Workbench, site: Site, year: int | None) -> Made:
    """The account of every file and line. Rows of held files stay as they are: nothing is read from these."""
    readings = bench.all_readings(site)
    held = list(bench.raw_files(site).held)
    account = readings.source_files
    if held:
        stored = bench.frame("source_files", site, [None])
        account = pd.concat([account, stored[stored["path"].isin(held)]])
    return {
        "source_files": account,
        "rejected_lines": _with_kept(bench, site, "rejected_lines", readings.rejected_lines, held),
        "unread_values": _with_kept(bench, site, "unread_values", readings.unread_values, held),
    }


def _with_kept(
    bench: Workbench, site: Site, name: str, rows: duckdb.DuckDBPyRelation, held: Sequence[str]
) -> duckdb.DuckDBPyRelation:
    if not held:
        return rows
    stored = bench.relation(name, site, [None])
    kept = stored.filter(duckdb.ColumnExpression("path").isin(*map(duckdb.ConstantExpression, held)))
    return rows.union(kept).order(", ".join(f'"{column}"' for column in table(name).sort))


def _raw_text_settings(raw: RawFiles, site: Site, year: int | None) -> Any:
    settings = {"formats": raw.formats(), "files": raw.reading_files()}
    # Rows of held files were perhaps read by other formats: once the files are back, they are read again.
    return settings | {"kept": sorted(raw.held)} if raw.held else settings


def _raw_text(raw: RawFiles, site: Site, year: int | None) -> Files:
    return raw.readable_files() if raw.keepable else raw.reading_files()


# Pulses


def _count_pulses(bench: Workbench, site: Site, year: int | None) -> Made:
    assert year is not None
    start, end = period(site, year)
    readings = bench.readings(site, start, end)
    return {
        "pulse_counts": bench.stages.pulse_counts(bench.session, readings, site, start, end),
        "gauge_readings": bench.stages.gauge_readings(bench.session, readings, site, start, end),
    }


def _logger_files(raw: RawFiles, site: Site, year: int | None) -> Files:
    assert year is not None
    return raw.files_for(*period(site, year), kind="logger")


def _pulse_settings(raw: RawFiles, site: Site, year: int | None) -> Any:
    running = {(row.meter, row.direction) for row in site.wiring if row.counts == "running"}
    return {
        "formats": raw.formats(),
        "files": _logger_files(raw, site, year),
        # What a running total can have counted at most depends on the smallest litres per pulse that the meter ever had.
        "smallest_litres_per_pulse": {
            f"{meter} {direction}": min(
                (row.litres_per_pulse for row in site.calibrations if (row.meter, row.direction) == (meter, direction)),
                default=None,
            )
            for meter, direction in sorted(running)
        },
    }


# Litres, metered hours, outages


def _convert_to_litres(bench: Workbench, site: Site, year: int | None) -> Made:
    pulses = bench.relation("pulse_counts", site, [year])
    return {"interval_flow": bench.stages.interval_flow(bench.session, pulses, site)}


def _sum_metered_hours(bench: Workbench, site: Site, year: int | None) -> Made:
    assert year is not None
    flow = bench.relation("interval_flow", site, Need("interval_flow", "with_year_before").years(site, year))
    metered = bench.stages.metered_hours(bench.session, flow, site, *period(site, year))
    return {"metered_hours": metered.hours, "known_totals": metered.known_totals}


def _find_lies(bench: Workbench, site: Site, year: int | None) -> Made:
    assert year is not None
    years = _window(site, year)
    hours = bench.frame("metered_hours", site, years)
    weather = bench.weather(site, *period_of_years(site, years))
    flow = bench.relation("interval_flow", site, [year])
    return {"meter_findings": bench.stages.meter_findings(bench.session, flow, hours, weather, site, year)}


def _find_outages(bench: Workbench, site: Site, year: int | None) -> Made:
    assert year is not None
    flow = bench.relation("interval_flow", site, [year])
    findings = bench.frame("meter_findings", site, [year])
    return {"outages": bench.stages.outages(bench.session, flow, findings, site, *period(site, year))}


# Hours


def _unpacked(parcel: Callable[[Workbench, Site, int | None], Callable[[], Made]]) -> Callable[..., Made]:
    """The same work done here."""
    return lambda bench, site, year: parcel(bench, site, year)()


def _hours_to_fill(bench: Workbench, site: Site, year: int | None) -> Callable[[], Made]:
    assert year is not None
    years = _window(site, year)
    start, end = period_of_years(site, years)
    hours = bench.frame("metered_hours", site, years)
    totals = bench.frame("known_totals", site, Need("known_totals", "window_with_year_before").years(site, year))
    hours, totals = without_lies(hours, totals, bench.frame("outages", site, years))
    weather = bench.weather(site, start, end)
    gauges = bench.frame("gauge_readings", site, years)
    return partial(_fill_hours, bench.stages.fill_hours, hours, totals, weather, site, year, gauges)


def _fill_hours(fill_hours: Callable[..., Any], *of_window: Any) -> Made:
    filled = fill_hours(*of_window)
    return {"hourly_flow": filled.hours, "flow_members": filled.members, "gap_skill": filled.skill}


def _weather_of_window(raw: RawFiles, site: Site, year: int | None) -> Files:
    return raw.files_for(*period_of_years(site, _window(site, year)), kind="weather")


def _hour_settings(raw: RawFiles, site: Site, year: int | None) -> Any:
    return {"weather": _weather_of_window(raw, site, year)}


# Weather


def _weather_of_hours(bench: Workbench, site: Site, year: int | None) -> Made:
    assert year is not None
    start, end = period(site, year)
    hours = bench.weather(site, start, end)
    return {"weather_hours": hours[(hours["hour_start"] >= start) & (hours["hour_start"] < end)]}


def _weather_of_year(raw: RawFiles, site: Site, year: int | None) -> Files:
    assert year is not None
    return raw.files_for(*period(site, year), kind="weather")


def _weather_settings(raw: RawFiles, site: Site, year: int | None) -> Any:
    return {"weather": _weather_of_year(raw, site, year)}


# Events


def _find_events(bench: Workbench, site: Site, year: int | None) -> Made:
    assert year is not None
    hours = bench.frame("hourly_flow", site, [year])
    weather = bench.weather(site, *period(site, year))
    return {"events": bench.stages.events(hours, weather, site, year)}


# Samples, concentrations


def _read_samples(bench: Workbench, site: Site, year: int | None) -> Made:
    raw = bench.raw_files(site)
    read = bench.stages.sample_results(site, raw.folder, raw.sample_paths(), raw.laboratory_paths())
    raw.note_sample_files()
    return {
        "sample_results": read.results,
        "samples": read.samples,
        "quality_control": read.quality_control,
        "laboratory_batches": read.batches,
        "rejected_results": read.rejected,
        "result_remarks": read.remarks,
    }


def _sample_files(raw: RawFiles, site: Site, year: int | None) -> Files:
    return raw.sample_files()


def _sample_settings(raw: RawFiles, site: Site, year: int | None) -> Any:
    return {
        "files": _sample_files(raw, site, year),
        "analytes": list(site.analytes),
        "clock": site.utc_offset.total_seconds(),
        "record": [str(site.first_day), str(site.last_day)],
    }


def _place_samples(bench: Workbench, site: Site, year: int | None) -> Made:
    assert year is not None
    years = Need("interval_flow", "with_year_after").years(site, year)
    flow = bench.relation("interval_flow", site, years)
    outages = bench.frame("outages", site, years)
    placed = bench.stages.sample_flow(bench.session, bench.frame("samples", site, [None]), flow, outages, site, year)
    results = bench.frame("sample_results", site, [None])
    return {"sample_flow": placed, "receiving_water_results": receiving_water_results(results, placed, site, year)}


def _drainage_results(bench: Workbench, site: Site, year: int | None) -> pd.DataFrame:
    """Results that speak for the drainage of plots, as far as the neighbouring years know."""
    placed = bench.frame("sample_flow", site, Need("sample_flow", "neighbours").years(site, year))
    return drainage_results(bench.frame("sample_results", site, [None]), placed)


# Bench tests


def _prove_meters(bench: Workbench, site: Site, year: int | None) -> Made:
    raw = bench.raw_files(site)
    proved = bench.stages.bench_proofs(site, raw.folder, raw.bench_paths())
    return {
        "meter_proofs": proved.proofs,
        "meter_comparisons": proved.comparisons,
        "bench_runs": proved.runs,
        "bench_files": proved.files,
        "rejected_bench_lines": proved.rejected,
    }


def _bench_files(raw: RawFiles, site: Site, year: int | None) -> Files:
    return raw.bench_files()


def _bench_settings(raw: RawFiles, site: Site, year: int | None) -> Any:
    """Meters are proved before the record begins, so that all rows count, whichever period they touch."""
    rows = {
        register: [
            row.model_dump(mode="json", exclude={"line", "evidence", "entered"}) for row in getattr(site, register)
        ]
        for register in ("meters", "accuracy", "accuracy_classes", "wiring", "gauges", "calibrations")
    }
    return {
        "files": raw.bench_files(),
        "loggers": list(site.loggers),
        "clock": site.utc_offset.total_seconds(),
        "registers": rows,
    }


# Concentrations and loads


def rows_in_reach(rows: pd.DataFrame, site: Site, year: int | None) -> pd.DataFrame:
    """Rows from `start` to `end` that touch a water year or its neighbours."""
    start, end = period_of_years(site, Need("", "neighbours").years(site, year))
    return rows[(rows["end"] >= start) & (rows["start"] < end)]


def _loads_to_sum(bench: Workbench, site: Site, year: int | None) -> Callable[[], Made]:
    """Concentrations, loads and their uncertainty together, so that members need not be stored."""
    assert year is not None
    around = bench.frame("hourly_flow", site, Need("hourly_flow", "neighbours").years(site, year))
    near = Need("receiving_water_results", "neighbours").years(site, year)
    receiving = bench.frame("receiving_water_results", site, near)
    results = rows_in_reach(_drainage_results(bench, site, year), site, year)
    flow_members = bench.frame("flow_members", site, [year])
    concentrations = partial(bench.stages.concentration_members, results, around, site, year, receiving, flow_members)
    hours, metered, events = (bench.frame(name, site, [year]) for name in ("hourly_flow", "metered_hours", "events"))
    loads = partial(
        bench.stages.loads,
        hours=hours,
        metered=metered,
        flow_members=flow_members,
        events=events,
        site=site,
        year=year,
    )
    return partial(_sum_loads, concentrations, loads)


def _sum_loads(concentrations: Callable[[], Any], loads_of: Callable[[Any], Any]) -> Made:
    loads = loads_of(concentrations())
    return {
        "concentration": loads.concentration,
        "loads_daily": loads.daily,
        "loads_monthly": loads.monthly,
        "loads_annual": loads.annual,
        "loads_event": loads.event,
        "loads_treatment": loads.treatment,
        "load_members": loads.members,
        "uncertainty_budget": loads.budget,
    }


def _load_settings(raw: RawFiles, site: Site, year: int | None) -> Any:
    assert year is not None
    touching = [period for period in site.periods if year in site.years_touched(period.start, period.end)]
    return {
        "analytes": list(site.analytes),
        "clock": site.utc_offset.total_seconds(),
        "periods": [period.model_dump(mode="json") for period in touching],
    }


def _sum_period_loads(bench: Workbench, site: Site, year: int | None) -> Made:
    assert year is not None
    members = bench.frame("load_members", site, Need("load_members", "periods").years(site, year))
    seasonal, custom = bench.stages.period_loads(members, site, year)
    return {"loads_seasonal": seasonal, "loads_custom": custom}


def _period_settings(raw: RawFiles, site: Site, year: int | None) -> Any:
    ending = [period for period in site.periods if site.years_touched(period.start, period.end)[-1:] == [year]]
    return {"periods": [period.model_dump(mode="json") for period in ending]}


def _compare_load_methods(bench: Workbench, site: Site, year: int | None) -> Made:
    assert year is not None
    hours = bench.frame("hourly_flow", site, [year])
    return {"load_methods": bench.stages.load_methods(_drainage_results(bench, site, year), hours, site, year)}


def _method_settings(raw: RawFiles, site: Site, year: int | None) -> Any:
    return {"analytes": list(site.analytes), "clock": site.utc_offset.total_seconds()}


def _part_loads_by_basis(bench: Workbench, site: Site, year: int | None) -> Made:
    assert year is not None
    hours, concentration = (bench.frame(name, site, [year]) for name in ("hourly_flow", "concentration"))
    return {"load_basis": bench.stages.load_basis(hours, concentration, site, year)}


_CALIBRATION = ("meter", "direction", "litres_per_pulse", "from", "to")
_METER = ("meter", "plot", "accuracy", "top_l_min", "from", "to")
_WIRING = ("logger", "column", "meter", "direction", "counts", "modulus", "from", "to")
_CLOCK = ("logger", "shift_s", "shift_at_end_s", "from", "to")
_GAUGE = ("gauge", "logger", "column", "quantity", "unit", "plot", "from", "to")
_CLASS = ("accuracy", "q3_m3_h", "ratio")
_CURVE = ("accuracy", "flow_l_min", "error_pct")

COMPUTATIONS: tuple[Computation, ...] = (
    Computation(
        tables=("source_files", "rejected_lines", "unread_values"),
        needs=(),
        stages=("read_raw_files",),
        make=_read_raw_text,
        registers={"clocks": _CLOCK, "wiring": _WIRING, "gauges": _GAUGE},
        settings=_raw_text_settings,
        reads=_raw_text,
    ),
    Computation(
        tables=("pulse_counts", "gauge_readings"),
        needs=(Need("source_files", "site", by_file=True),),
        stages=("read_raw_files", "pulse_counts", "gauge_readings"),
        make=_count_pulses,
        registers={
            "clocks": _CLOCK,
            "wiring": _WIRING,
            "meters": _METER,
            "gauges": _GAUGE,
            "outages": ("scope", "name", "from", "to"),
            "plots": ("plot",),
        },
        settings=_pulse_settings,
        reads=_logger_files,
    ),
    Computation(
        tables=("interval_flow",),
        needs=(Need("pulse_counts", "year"),),
        stages=("interval_flow",),
        make=_convert_to_litres,
        registers={
            "calibrations": _CALIBRATION,
            "meters": _METER,
            "accuracy": _CURVE,
            "accuracy_classes": _CLASS,
            "plots": ("plot",),
        },
        policies=("accuracy_tolerance_pct",),
    ),
    Computation(
        tables=("metered_hours", "known_totals"),
        needs=(Need("interval_flow", "with_year_before"),),
        stages=("metered_hours",),
        make=_sum_metered_hours,
        registers={
            "outages": ("scope", "name", "from", "to"),
            "wiring": _WIRING,
            "meters": _METER,
            "accuracy": _CURVE,
            "accuracy_classes": _CLASS,
            "calibrations": _CALIBRATION,
            "plots": ("plot",),
        },
    ),
    Computation(
        tables=("meter_findings",),
        needs=(
            Need("metered_hours", "window"),
            Need("interval_flow", "year"),
            Need("source_files", "site", by_file=True),
        ),
        stages=("read_raw_files", "weather_hours", "meter_findings"),
        make=_find_lies,
        registers={
            "plots": ("plot", "area_ha"),
            "treatments": ("plot", "treatment", "from", "to"),
            "wiring": ("logger", "meter", "from", "to"),
            "meters": (*_METER, "main_mm", "slope"),
        },
        policies=("gap_window_years",),
        settings=_hour_settings,
        reads=_weather_of_window,
    ),
    Computation(
        tables=("outages",),
        needs=(Need("interval_flow", "year"), Need("meter_findings", "year")),
        stages=("outages",),
        make=_find_outages,
        registers={
            "outages": ("scope", "name", "cause", "from", "to"),
            "wiring": _WIRING,
            "meters": _METER,
            "plots": ("plot",),
        },
        policies=("detected_outages",),
    ),
    Computation(
        tables=("hourly_flow", "flow_members", "gap_skill"),
        needs=(
            Need("metered_hours", "window"),
            Need("outages", "window"),
            Need("known_totals", "window_with_year_before"),
            Need("gauge_readings", "window"),
            Need("source_files", "site", by_file=True),
        ),
        stages=("read_raw_files", "weather_hours", "fill_hours"),
        make=_unpacked(_hours_to_fill),
        parcel=_hours_to_fill,
        registers={
            "plots": ("plot", "area_ha"),
            "treatments": ("plot", "treatment", "from", "to"),
            "meters": _METER,
            "calibrations": (*_CALIBRATION, "expanded_uncertainty_pct"),
        },
        policies=("bridge_longest_hours", "neighbours_longest_days", "weather_longest_days", "gap_window_years"),
        settings=_hour_settings,
        reads=_weather_of_window,
    ),
    Computation(
        tables=("weather_hours",),
        needs=(Need("source_files", "site", by_file=True),),
        stages=("read_raw_files", "weather_hours"),
        make=_weather_of_hours,
        registers={},
        settings=_weather_settings,
        reads=_weather_of_year,
    ),
    Computation(
        tables=("events",),
        needs=(Need("hourly_flow", "year"), Need("source_files", "site", by_file=True)),
        stages=("read_raw_files", "weather_hours", "events"),
        make=_find_events,
        registers={"plots": ("plot", "area_ha")},
        policies=("event_threshold_mm_per_day", "event_recession_share", "event_separation_hours"),
        settings=_weather_settings,
        reads=_weather_of_year,
    ),
    Computation(
        tables=(
            "sample_results",
            "samples",
            "quality_control",
            "laboratory_batches",
            "rejected_results",
            "result_remarks",
        ),
        needs=(),
        stages=("sample_results",),
        make=_read_samples,
        registers={"plots": ("plot",)},
        policies=(
            "laboratory_uncertainty_pct",
            "laboratory_qualifiers",
            "holding_hours",
            "lab_duplicate_limit_pct",
            "field_duplicate_limit_pct",
            "spike_recovery_limit_pct",
            "control_recovery_limit_pct",
        ),
        settings=_sample_settings,
        reads=_sample_files,
    ),
    Computation(
        tables=("meter_proofs", "meter_comparisons", "bench_runs", "bench_files", "rejected_bench_lines"),
        needs=(),
        stages=("bench_proofs",),
        make=_prove_meters,
        registers={},
        settings=_bench_settings,
        reads=_bench_files,
    ),
    Computation(
        tables=("sample_flow", "receiving_water_results"),
        needs=(
            Need("samples", "site"),
            Need("sample_results", "site"),
            Need("interval_flow", "with_year_after"),
            Need("outages", "with_year_after"),
        ),
        stages=("sample_flow",),
        make=_place_samples,
        registers={"plots": ("plot",)},
        policies=("composite_tolerance_pct",),
    ),
    Computation(
        tables=(
            "concentration",
            "loads_daily",
            "loads_monthly",
            "loads_annual",
            "loads_event",
            "loads_treatment",
            "load_members",
            "uncertainty_budget",
        ),
        needs=(
            Need("sample_results", "site", in_reach=True),
            Need("sample_flow", "neighbours"),
            Need("receiving_water_results", "neighbours"),
            Need("hourly_flow", "neighbours"),
            Need("flow_members", "year"),
            Need("metered_hours", "year"),
            Need("events", "year"),
        ),
        stages=("concentration_members", "loads"),
        make=_unpacked(_loads_to_sum),
        parcel=_loads_to_sum,
        registers={
            "plots": ("plot", "area_ha"),
            "treatments": ("plot", "treatment", "from", "to"),
            "meters": _METER,
            "accuracy": _CURVE,
            "accuracy_classes": _CLASS,
            "calibrations": (*_CALIBRATION, "expanded_uncertainty_pct"),
        },
        policies=("accuracy_tolerance_pct", "backward_water", "interpolation_longest_days", "laboratory_uncertainty_pct"),
        settings=_load_settings,
    ),
    Computation(
        tables=("loads_seasonal", "loads_custom"),
        needs=(Need("load_members", "periods"),),
        stages=("period_loads",),
        make=_sum_period_loads,
        registers={"plots": ("plot", "area_ha")},
        settings=_period_settings,
    ),
    Computation(
        tables=("load_methods",),
        needs=(Need("sample_results", "site"), Need("sample_flow", "neighbours"), Need("hourly_flow", "year")),
        stages=("load_methods",),
        make=_compare_load_methods,
        registers={"plots": ("plot", "area_ha")},
        settings=_method_settings,
    ),
    Computation(
        tables=("load_basis",),
        needs=(Need("hourly_flow", "year"), Need("concentration", "year")),
        stages=("load_basis",),
        make=_part_loads_by_basis,
        registers={"plots": ("plot", "area_ha")},
    ),
)
"""In an order in which every computation stands after those whose tables it needs."""


def computation_of(table_name: str) -> Computation:
    """The computation that makes a table.

    Raises:
        KeyError: no computation makes it.
    """
    for computation in COMPUTATIONS:
        if table_name in computation.tables:
            return computation
    raise KeyError(f"no computation makes {table_name}")


def made_tables() -> Iterable[Table]:
    """The declarations of all tables that a computation makes, in order."""
    return (table(name) for computation in COMPUTATIONS for name in computation.tables)
