"""Published loads followed back: everything that one is made of.

Belongs here: reading what a trace needs, water year by water year, the lists of a trace, and holding all loads to their traces.
Does not: which loads there are (publish/published_loads.py), the way back itself (stages/trace.py), wording (publish/trace_words.py,
publish/trace_json.py).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import duckdb
import pandas as pd

from pipeline.lake import Lake
from pipeline.publish.published_loads import KINDS, Load, hours_of, published
from pipeline.science.units import depth_mm, kg_per_ha
from pipeline.site import Site
from pipeline.stages.trace import MEASURED, SOURCES, TracedYear, TraceError
from pipeline.tables import table

ROUNDING = 1e-6
"""Difference between a load and its trace, mm or kg/ha, that rounding explains: 0.01 L, 1 mg on a hectare."""


REST_OF_MEASURED = "rest of measured hours"


@dataclass(frozen=True)
class Trace:
    """What one load is made of, of all water years together; frames are those of `stages.trace.TracedYear`.

    Attributes:
        volume_l, load_mg: the sum of the trace: pulses times litres per pulse, and what was not metered.
        rest_l, rest_mg: the part of these that was not metered.
        totals: rows of `known_totals` that the hours touch, with `file_id`, `line` and pulses of the reading that tells them.
        outages: rows of `outages` that they touch.
        samples: results that are near, with their batch, what the meter said, and the line of the field book.
        batches: rows of `laboratory_batches` of these.
        files: rows of `source_files`, by `file_id`.
    """

    load: Load
    volume_l: float
    load_mg: float
    rest_l: float
    rest_mg: float
    flow: pd.DataFrame
    concentration: pd.DataFrame
    metered: pd.DataFrame
    estimated: pd.DataFrame
    totals: pd.DataFrame
    outages: pd.DataFrame
    samples: pd.DataFrame
    batches: pd.DataFrame
    files: pd.DataFrame

    @property
    def volume_mm(self) -> float:
        """Sum of the trace, mm."""
        return float(depth_mm(self.volume_l, self.load.area_ha))

    @property
    def load_kg_ha(self) -> float:
        """Sum of the trace, kg/ha."""
        return float(kg_per_ha(self.load_mg, self.load.area_ha))

    @property
    def differences(self) -> tuple[float, float]:
        """Trace minus published: mm, kg/ha; 0 where nothing is published, since no hour is known."""
        known = (self.load.row["volume_known_mm"], self.load.row["load_known_kg_ha"])
        traced = (self.volume_mm, self.load_kg_ha)
        volume, load = (0.0 if pd.isna(b) else a - float(b) for a, b in zip(traced, known, strict=True))
        return volume, load

    @property
    def adds_up(self) -> bool:
        """Whether the trace is the published number, to rounding."""
        return max(map(abs, self.differences)) <= ROUNDING


def trace_load(session: duckdb.DuckDBPyConnection, lake: Lake, site: Site, load: Load) -> Trace:
    """Follow one load back.

    Raises:
        TraceError: the registers have changed so that it cannot be done.
    """
    parts: dict[str, list[pd.DataFrame]] = {}
    for year in load.years:
        traced = traced_year(session, lake, site, year, load.periods)
        for name in ("sums", "flow_by_basis", "concentration_by_basis", "metered", "estimated"):
            parts.setdefault(name, []).append(getattr(traced, name)())
    sums = pd.concat(parts["sums"]).sum()
    analyte = load.row["analyte"]
    samples = _samples(session, lake, site, load)
    metered = _together(parts["metered"])
    totals = _totals(session, lake, site, load)
    used = set(metered["file_id"]) | set(totals["file_id"])
    files = _stored(lake, session, site, "source_files", [None]).df()
    batches = _stored(lake, session, site, "laboratory_batches", [None]).df()
    return Trace(
        load=load,
        volume_l=float(sums["metered_l"] + sums["rest_l"]),
        load_mg=float(sums["metered_mg"] + sums["rest_mg"]),
        rest_l=float(sums["rest_l"]),
        rest_mg=float(sums["rest_mg"]),
        flow=_together(parts["flow_by_basis"]),
        concentration=_together(parts["concentration_by_basis"]),
        metered=metered,
        estimated=pd.concat(parts["estimated"], ignore_index=True),
        totals=totals,
        outages=_touching(session, lake, site, "outages", load),
        samples=samples,
        batches=batches[(batches["analyte"] == analyte) & batches["batch"].isin(samples["batch"])].reset_index(drop=True),
        files=files[files["file_id"].isin(used)].reset_index(drop=True),
    )


def hold_loads(session: duckdb.DuckDBPyConnection, lake: Lake, site: Site) -> Iterator[pd.DataFrame | int]:
    """Hold every published load of a site to its trace.

    Yields:
        each water year when it has been traced; then, last, a frame with a row for each load: `kind`, `name`, `plot` (of a treatment
        empty), `analyte`, `water_year`, `volume_difference_mm`, `load_difference_kg_ha` (trace minus published), `untraced_mm`.

    Raises:
        TraceError: the registers have changed so that it cannot be done.
    """
    parts = []
    for kind, (table_name, _) in KINDS.items():
        rows = published(lake, site, kind, lake.years(table(table_name), site.site))
        if len(rows):
            parts.append(rows.assign(kind=kind))
    if not parts:
        raise TraceError(
            f"{lake.tables} holds no loads of {site.title} yet. Run `drainledger run --site {site.folder} --lake {lake.root}`."
        )
    loads = pd.concat(parts, ignore_index=True)
    periods = pd.concat([hours_of(str(kind), rows, site) for kind, rows in loads.groupby("kind")], ignore_index=True)
    sums = []
    for year in lake.years(table("loads_annual"), site.site):
        start, after = site.water_year_period(year)
        here = periods[(periods["since"] < after) & (periods["until"] > start)]
        sums.append(traced_year(session, lake, site, year, here).sums())
        yield year
    total = pd.concat(sums).groupby("label").sum().reindex(loads.index, fill_value=0.0)
    volume = depth_mm(total["metered_l"] + total["rest_l"], loads["area_ha"])
    mass = kg_per_ha(total["metered_mg"] + total["rest_mg"], loads["area_ha"])
    yield loads[["kind", "name", "plot", "analyte", "water_year"]].assign(
        volume_difference_mm=(volume - loads["volume_known_mm"]).fillna(0.0),
        load_difference_kg_ha=(mass - loads["load_known_kg_ha"]).fillna(0.0),
        untraced_mm=depth_mm(total["untraced_l"], loads["area_ha"]),
    )


def rest(trace: Trace) -> list[tuple[str, float, float]]:
    """What was not metered of the load, by where it comes from: words, L, mg."""
    flow = trace.flow.assign(rest_l=trace.flow["net_l"] - trace.flow["metered_l"])
    measured = flow["basis"].isin(MEASURED)
    found = [(str(row["basis"]), row["rest_l"], row["rest_mg"]) for row in flow[~measured].to_dict("records")]
    of_measured = (flow.loc[measured, "rest_l"].sum(), flow.loc[measured, "rest_mg"].sum())
    if any(abs(amount) > ROUNDING for amount in of_measured):
        found.insert(0, (REST_OF_MEASURED, *of_measured))
    return found


def files(trace: Trace) -> list[dict[str, Any]]:
    """Metered water by raw file, in order of time: path, digest, lines and times from first to last, pulses each way, volume, load."""
    paths = trace.files.groupby("file_id")["path"].agg(" = ".join)
    found = []
    for file_id, rows in trace.metered.groupby("file_id", sort=False):
        pulses = rows.groupby("direction")["pulses"].sum()
        found.append(
            {
                "path": paths.get(file_id),
                "file_id": file_id,
                "logger": ", ".join(sorted(set(rows["logger"].dropna()))),
                "first_line": int(rows["first_line"].min()),
                "last_line": int(rows["last_line"].max()),
                "first_time": rows["first_time"].min(),
                "last_time": rows["last_time"].max(),
                "forward_pulses": float(pulses.get("forward", 0.0)),
                "reverse_pulses": float(pulses.get("reverse", 0.0)),
                "volume_l": float(rows["volume_l"].sum()),
                "load_mg": float(rows["load_mg"].sum()),
            }
        )
    return sorted(found, key=lambda row: (row["first_time"], row["path"]))


def clock_shifts(trace: Trace, site: Site) -> list[dict[str, Any]]:
    """Rows of clocks.csv that moved stamps of the readings used."""
    first, last = trace.metered["first_time"].min(), trace.metered["last_time"].max()
    loggers = set(trace.metered["logger"].dropna())
    return [
        {
            "logger": row.logger,
            "from": row.start,
            "to": row.end,
            "shift_s": row.shift_s,
            "shift_at_end_s": row.shift_at_end_s,
            "place": row.place,
        }
        for row in site.clocks
        if row.logger in loggers and row.touches(first, last)
    ]


def off(held: pd.DataFrame) -> pd.Series:
    """Which loads are not the sum of their trace."""
    names = ["volume_difference_mm", "load_difference_kg_ha", "untraced_mm"]
    return held[names].abs().max(axis=1) > ROUNDING


def _stored(
    lake: Lake, session: duckdb.DuckDBPyConnection, site: Site, name: str, years: Sequence[int | None]
) -> duckdb.DuckDBPyRelation:
    return lake.relation(session, table(name), site.site, years)


def traced_year(
    session: duckdb.DuckDBPyConnection, lake: Lake, site: Site, year: int, periods: pd.DataFrame
) -> TracedYear:
    """The hours of one stored water year that belong to periods, and what they are made of."""
    years = {name: [year - 1, year] if name in ("interval_flow", "pulse_counts") else [year] for name in SOURCES}
    stored = {name: _stored(lake, session, site, name, of_years) for name, of_years in years.items()}
    (start, end), (first, after) = site.water_year_period(year), site.record_period()
    return TracedYear(session, stored, site, max(start, first), min(end, after), periods)


def _together(parts: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Frames of several water years as one: what adds up is added up, first and last are first and last of all."""
    if len(parts) == 1:
        return parts[0]
    whole = pd.concat(parts, ignore_index=True)
    ways = {
        column: "min"
        if column.startswith(("first_", "lowest_"))
        else "max"
        if column.startswith(("last_", "highest_"))
        else "sum"
        for column in whole.columns
        if whole[column].dtype.kind in "ifM" and column != "litres_per_pulse"
    }
    keys = [column for column in whole.columns if column not in ways]
    return whole.groupby(keys, sort=False, dropna=False, as_index=False).agg(ways)[list(whole.columns)]


def _touching(session: duckdb.DuckDBPyConnection, lake: Lake, site: Site, name: str, load: Load) -> pd.DataFrame:
    """Rows of a table of stretches (`plot`, `start`, `end`) that touch the load's hours."""
    _hours_of(session, lake, site, load)
    years = [load.years[0] - 1, *load.years]
    _stored(lake, session, site, name, years).create_view("stretches_traced", replace=True)
    return session.sql(
        """
        SELECT stretch.* FROM stretches_traced AS stretch
        WHERE EXISTS (
            FROM hours_of_load AS hour WHERE hour.plot = stretch.plot AND hour.hour_start < stretch.end
                AND hour.hour_start + INTERVAL 1 HOUR > stretch.start)
        ORDER BY stretch.plot, stretch.start
        """
    ).df()


def _hours_of(session: duckdb.DuckDBPyConnection, lake: Lake, site: Site, load: Load) -> None:
    """Make the view `hours_of_load`: plot and start of the load's hours, and their basis."""
    for name in ("hourly_flow", "events"):
        _stored(lake, session, site, name, load.years).create_view(f"{name}_of_load", replace=True)
    session.register("periods_of_load", load.periods)
    session.execute(
        """
        CREATE OR REPLACE TEMP VIEW hours_of_load AS
        SELECT hour.plot, hour_start, basis FROM hourly_flow_of_load AS hour
        JOIN periods_of_load AS period ON hour.plot = period.plot AND hour_start >= since AND hour_start < until
        LEFT JOIN events_of_load AS event ON event.plot = hour.plot AND hour_start >= event.start AND hour_start < event.end
        WHERE period.event IS NULL OR period.event = coalesce(event.event, 'between')
        """
    )


def _totals(session: duckdb.DuckDBPyConnection, lake: Lake, site: Site, load: Load) -> pd.DataFrame:
    stretches = _touching(session, lake, site, "known_totals", load)
    session.register("totals_traced", stretches)
    _stored(lake, session, site, "pulse_counts", [load.years[0] - 1, *load.years]).create_view(
        "pulses_of_totals", replace=True
    )
    return session.sql(
        """
        SELECT total.*, meter, forward_pulses, reverse_pulses, file_id, line
        FROM totals_traced AS total LEFT JOIN pulses_of_totals AS pulse
            ON pulse.plot = total.plot AND pulse.interval_start = total.start AND pulse.interval_end = total.end
        ORDER BY total.plot, total.start
        """
    ).df()


def _samples(session: duckdb.DuckDBPyConnection, lake: Lake, site: Site, load: Load) -> pd.DataFrame:
    """Results of the load's plots and analyte within its time, and the last before and the first after it."""
    _hours_of(session, lake, site, load)
    ((since, until),) = session.sql(
        "SELECT min(hour_start), max(hour_start) + INTERVAL 1 HOUR FROM hours_of_load"
    ).fetchall()
    around = [load.years[0] - 1, *load.years, load.years[-1] + 1]
    for name, years in (("sample_results", [None]), ("samples", [None]), ("sample_flow", around)):
        _stored(lake, session, site, name, years).create_view(f"{name}_traced", replace=True)
    return session.execute(
        """
        WITH near AS (
            SELECT *, CASE WHEN "end" < $since THEN 'before' WHEN start >= $until THEN 'after' ELSE 'within' END AS place
            FROM sample_results_traced
            WHERE analyte = $analyte AND list_contains($plots, plot)
        )
        SELECT near.plot, near.sample, near.kind, near.start, near.end, place, mg_l, censored, above_range, qualifiers,
            detection_limit_mg_l, uncertainty_mg_l, batch, analysed, holding, coalesce(placed.water, near.water) AS water, placed.remark,
            bottle.path, bottle.line
        FROM near LEFT JOIN sample_flow_traced AS placed USING (plot, sample) LEFT JOIN samples_traced AS bottle USING (sample)
        QUALIFY place = 'within' OR row_number() OVER (PARTITION BY near.plot, place
            ORDER BY abs(epoch_us(near.start) - epoch_us(CASE WHEN place = 'before' THEN $since ELSE $until END)), near.sample) = 1
        ORDER BY near.plot, near.start, near.sample
        """,
        {"since": since, "until": until, "analyte": load.row["analyte"], "plots": list(load.periods["plot"])},
    ).df()
