"""A trace as people read it on the terminal.

Belongs here: layout, rounding, wording.
Does not: the numbers (publish/trace.py), the form for programs (publish/trace_json.py).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import Any

import numpy as np
import pandas as pd
from rich.box import SIMPLE_HEAD
from rich.console import RenderableType
from rich.table import Table as TextTable
from rich.text import Text

from pipeline.publish.trace import Trace, clock_shifts, files, off, rest
from pipeline.science.units import MG_PER_KG
from pipeline.site import Site
from pipeline.stages.trace import MEASURED
from pipeline.tables.declared.words import BASIS

UNKNOWN = "–"
MOST_ROWS = 60
"""Rows of a list that are shown on a terminal; the JSON has all."""

PERIOD_WORDS: Mapping[str, str] = {
    "year": "water year {}",
    "month": "month {}",
    "day": "day {}",
    "event": "event {}",
    "season": "quarter from {}",
    "period": "period {}",
    "treatment": "{}",
}


def trace_text(trace: Trace, site: Site) -> Iterator[RenderableType]:
    """The whole way back from a load, in the order of the way."""
    load = trace.load
    yield Text(title(trace, site), style="bold")
    yield from map(Text, _published(trace))
    yield Text("")
    yield Text("Flow: where the water of each hour comes from")
    yield _flow_table(trace)
    yield from map(Text, _backward(trace))
    yield Text("Concentration of these hours")
    yield _concentration_table(trace)
    if len(trace.metered):
        yield Text("Metered water: pulses times litres per pulse, by calibration and logger column")
        yield _calibration_table(trace)
        yield from map(Text, _evidence(trace, site))
        yield Text("Metered water by raw file")
        yield _file_table(trace)
    yield from map(Text, _clock_shifts(trace, site))
    if len(trace.estimated):
        yield Text("Hours that were not measured")
        yield _estimated_table(trace, site)
        yield from map(Text, _totals(trace, site))
    if len(trace.outages):
        yield from map(Text, _outages(trace, site))
    yield Text(f"Results of {load.row['analyte']} within the time, and the nearest before and after it")
    yield _samples_table(trace, site)
    yield from map(Text, _field_books(trace))
    yield from map(Text, _batches(trace))


def title(trace: Trace, site: Site) -> str:
    """What is traced, in words."""
    load = trace.load
    period = PERIOD_WORDS[load.kind].format(load.name)
    of = f"plot {load.row['plot']}" if load.kind != "treatment" else f"plots {', '.join(load.periods['plot'])}"
    year = f" of {load.row['water_year']}" if load.kind in ("event", "treatment") else ""
    return f"{site.title}: {load.row['analyte']} of {of}, {period}{year}"


def _published(trace: Trace) -> Iterator[str]:
    row = trace.load.row
    kg, litres = trace.load_mg / MG_PER_KG, trace.volume_l
    whole = not pd.isna(row["load_kg_ha"])
    kind = "Published" if whole else "Published (of the hours that are known; the whole is not)"
    yield (
        f"{kind}: {_number(row['load_known_kg_ha'], 6)} kg/ha in {_number(row['volume_known_mm'], 6)} mm of drainage; on "
        f"{trace.load.area_ha:g} ha {kg:,.3f} kg in {litres / 1000:,.3f} m³."
    )
    if whole:
        yield (
            f"90 % interval: {_number(row['load_kg_ha_p05'], 2)} to {_number(row['load_kg_ha_p95'], 2)} kg/ha, "
            f"{_number(row['volume_mm_p05'], 1)} to {_number(row['volume_mm_p95'], 1)} mm."
        )
    volume, load = trace.differences
    told = f"Traced: {trace.load_kg_ha:,.6f} kg/ha in {trace.volume_mm:,.6f} mm, pulses anew times litres per pulse of calibrations.csv"
    if trace.adds_up:
        yield f"{told}: the published numbers, to rounding."
    else:
        yield (
            f"{told}: {load:+.6f} kg/ha and {volume:+.6f} mm off the published numbers. The registers, or tables below this load, have "
            "changed since it was computed: `drainledger run` brings it up to date."
        )


def _flow_table(trace: Trace) -> TextTable:
    shown = _table("basis", "hours", "water m³", "kg/ha", "%")
    for row in trace.flow.to_dict("records"):
        shown.add_row(str(row["basis"]), f"{row['hours']:,}", *_amounts(trace, row["net_l"], row["load_mg"]))
    shown.add_section()
    shown.add_row("all", f"{int(trace.flow['hours'].sum()):,}", *_amounts(trace, trace.volume_l, trace.load_mg))
    return shown


def _backward(trace: Trace) -> Iterator[str]:
    back_l, back_mg = trace.flow["backward_l"].sum(), trace.flow["backward_mg"].sum()
    if back_l < 0:
        yield (
            f"In it are hours in which more water ran back than drained: {back_l / 1000:,.3f} m³ and {back_mg / MG_PER_KG:,.3f} kg, which "
            "count with their sign."
        )
    for basis in trace.flow["basis"]:
        if basis not in MEASURED:
            yield f"{basis}: {BASIS[basis]}."


def _concentration_table(trace: Trace) -> TextTable:
    shown = _table("basis", "hours", "mg/L", "water m³", "kg/ha", "%")
    for row in trace.concentration.to_dict("records"):
        known = not pd.isna(row["lowest_mg_l"])
        span = f"{row['lowest_mg_l']:.2f} to {row['highest_mg_l']:.2f}" if known else UNKNOWN
        name = UNKNOWN if pd.isna(row["basis"]) else str(row["basis"])
        shown.add_row(name, f"{row['hours']:,}", span, *_amounts(trace, row["net_l"], row["load_mg"]))
    return shown


def _calibration_table(trace: Trace) -> TextTable:
    shown = _table("calibration", "column", "L/pulse", "pulses", "water m³", "kg/ha", "%")
    metered = trace.metered.assign(column=_columns(trace.metered))
    sums = metered.groupby(["calibration", "litres_per_pulse", "column"], sort=False)[
        ["pulses", "volume_l", "load_mg"]
    ].sum()
    for row in sums.reset_index().to_dict("records"):
        amounts = _amounts(trace, row["volume_l"], row["load_mg"])
        shown.add_row(row["calibration"], row["column"], f"{row['litres_per_pulse']:g}", _pulses(row["pulses"]), *amounts)
    for name, litres, milligrams in rest(trace):
        shown.add_row(name, "", "", "", *_amounts(trace, litres, milligrams))
    shown.add_section()
    shown.add_row("all", "", "", "", *_amounts(trace, trace.volume_l, trace.load_mg))
    return shown


def _evidence(trace: Trace, site: Site) -> Iterator[str]:
    used = set(trace.metered["calibration"])
    for row in site.calibrations:
        if row.name in used:
            until = f" to {_day(row.end, site)}" if row.end else ""
            entered = f", entered {row.entered}" if row.entered else ""
            yield (
                f"{row.name}: {row.litres_per_pulse:g} L/pulse ± {row.expanded_uncertainty_pct:g} %, in force from {_day(row.start, site)}"
                f"{until}; {row.evidence or 'no evidence entered'}{entered} ({row.place})."
            )


def _file_table(trace: Trace) -> TextTable:
    shown = _table("file", "lines", "forward", "reverse", "water m³", "kg/ha")
    rows = files(trace)
    for row in rows[:MOST_ROWS]:
        shown.add_row(
            row["path"],
            f"{row['first_line']}–{row['last_line']}",
            _pulses(row["forward_pulses"]),
            _pulses(row["reverse_pulses"]),
            *_amounts(trace, row["volume_l"], row["load_mg"])[:2],
        )
    if len(rows) > MOST_ROWS:
        litres, milligrams = (sum(row[name] for row in rows[MOST_ROWS:]) for name in ("volume_l", "load_mg"))
        shown.add_row(f"{len(rows) - MOST_ROWS} more (see --json)", "", "", "", *_amounts(trace, litres, milligrams))
    for name, litres, milligrams in rest(trace):
        shown.add_row(name, "", "", "", *_amounts(trace, litres, milligrams)[:2])
    shown.add_section()
    shown.add_row("all", "", "", "", *_amounts(trace, trace.volume_l, trace.load_mg)[:2])
    return shown


def _clock_shifts(trace: Trace, site: Site) -> Iterator[str]:
    for row in clock_shifts(trace, site):
        drift = f" to {row['shift_at_end_s']:+g}" if row["shift_at_end_s"] is not None else ""
        until = f" to {_minute(row['to'], site)}" if row["to"] else ""
        yield (
            f"Stamps of logger {row['logger']} are shifted by {row['shift_s']:+g}{drift} s from {_minute(row['from'], site)}{until} "
            f"({row['place']})."
        )


def _estimated_table(trace: Trace, site: Site) -> TextTable:
    shown = _table("from", "basis", "hours", "water m³", "kg/ha", "%", "measured meanwhile")
    several = trace.estimated["plot"].nunique() > 1
    rows = trace.estimated.assign(size=trace.estimated["load_mg"].abs()).sort_values("size", ascending=False)
    for row in rows.head(MOST_ROWS).sort_values(["plot", "since"]).to_dict("records"):
        others = "" if pd.isna(row["plots_measured"]) else row["plots_measured"]
        since = f"{row['plot']} {_minute(row['since'], site)}" if several else _minute(row["since"], site)
        amounts = _amounts(trace, row["net_l"], row["load_mg"])
        shown.add_row(since, row["basis"], f"{row['hours']:,}", *amounts, others)
    if len(rows) > MOST_ROWS:
        left = rows.iloc[MOST_ROWS:]
        amounts = _amounts(trace, left["net_l"].sum(), left["load_mg"].sum())
        shown.add_row(f"{len(left)} smaller", "", f"{left['hours'].sum():,}", *amounts, "")
    return shown


def _totals(trace: Trace, site: Site) -> Iterator[str]:
    paths = dict(zip(trace.files["file_id"], trace.files["path"], strict=True))
    for row in trace.totals.to_dict("records"):
        told = ""
        if not pd.isna(row["line"]):
            told = (
                f": {row['forward_pulses'] or 0:,.0f} pulses forward and {row['reverse_pulses'] or 0:,.0f} reverse of {row['meter']}, by "
                f"line {row['line']:.0f} of {paths.get(row['file_id'], UNKNOWN)} against the reading before"
            )
        span = f"from {_minute(row['start'], site)} to {_minute(row['end'], site)}"
        yield f"Known total of {row['plot']} {span}: {row['net_l'] / 1000:,.3f} m³{told}."


def _outages(trace: Trace, site: Site) -> Iterator[str]:
    longest = trace.outages.sort_values("hours", ascending=False).head(10)
    yield f"Outages within the time: {len(trace.outages)}" + (
        ", the longest:" if len(trace.outages) > len(longest) else ":"
    )
    for row in longest.sort_values(["plot", "start"]).to_dict("records"):
        yield f"  {row['plot']} {_minute(row['start'], site)} to {_minute(row['end'], site)}: {row['cause']} ({row['source']})"


def _samples_table(trace: Trace, site: Site) -> TextTable:
    shown = _table("sample", "taken", "hours", "kind", "mg/L", "±", "batch", "water")
    several = trace.load.kind == "treatment"
    for row in trace.samples.head(MOST_ROWS).to_dict("records"):
        sign = "< " if row["censored"] else "> " if row["above_range"] else ""
        value = row["detection_limit_mg_l"] if row["censored"] else row["mg_l"]
        place = "" if row["place"] == "within" else f" ({row['place']})"
        hours = (row["end"] - row["start"]).total_seconds() / 3600
        shown.add_row(
            f"{row['plot'] + ' ' if several else ''}{row['sample']}{place}",
            _minute(row["start"], site),
            f"{hours:g}" if hours else "",
            row["kind"],
            f"{sign}{_number(value, 2)}",
            _number(row["uncertainty_mg_l"], 2),
            UNKNOWN if pd.isna(row["batch"]) else str(row["batch"]),
            row["water"],
        )
    if len(trace.samples) > MOST_ROWS:
        shown.add_row(f"{len(trace.samples) - MOST_ROWS} more (see --json)")
    return shown


def _field_books(trace: Trace) -> Iterator[str]:
    for path, rows in trace.samples.dropna(subset="path").groupby("path"):
        lines = ", ".join(f"{line:.0f}" for line in sorted(rows["line"])[:12])
        more = f" and {len(rows) - 12} more" if len(rows) > 12 else ""
        yield f"Taken by {path}, lines {lines}{more}."


def _batches(trace: Trace) -> Iterator[str]:
    doubtful = trace.batches[trace.batches["warnings"] > 0]
    yield f"Laboratory batches of these results: {len(trace.batches)}, {len(doubtful)} with a warning."
    for row in doubtful.to_dict("records"):
        yield f"  {row['batch']}: {row['remark']}"


def held_text(held: pd.DataFrame) -> Iterator[RenderableType]:
    """What came of holding every published load to its trace."""
    shown = _table("loads by", "loads", "off", "largest difference mm", "kg/ha")
    for kind, rows in held.groupby("kind", sort=False):
        shown.add_row(
            str(kind),
            f"{len(rows):,}",
            f"{int(off(rows).sum()):,}",
            f"{rows['volume_difference_mm'].abs().max():.1e}",
            f"{rows['load_difference_kg_ha'].abs().max():.1e}",
        )
    yield shown
    wrong = held[off(held)]
    if wrong.empty:
        yield Text(
            f"Each of {len(held):,} published loads is the sum of its pulses and of what was not metered, to rounding."
        )
        return
    yield Text(
        f"{len(wrong):,} of {len(held):,} published loads are not the sum of their trace. The registers, or tables below the loads, have "
        "changed since: `drainledger run` brings them up to date. The first of them:"
    )
    for row in wrong.head(10).to_dict("records"):
        plot = "" if pd.isna(row["plot"]) else f"{row['plot']} "
        yield Text(
            f"  {plot}{row['kind']} {row['name']} ({row['water_year']}): {row['load_difference_kg_ha']:+.6f} kg/ha, "
            f"{row['volume_difference_mm']:+.6f} mm"
        )


def _columns(metered: pd.DataFrame) -> pd.Series:
    return metered["logger"].fillna(UNKNOWN) + " " + metered["column"].fillna(UNKNOWN)


def _table(*headings: str) -> TextTable:
    shown = TextTable(box=SIMPLE_HEAD, pad_edge=False)
    words = {
        "basis",
        "calibration",
        "column",
        "file",
        "from",
        "measured meanwhile",
        "sample",
        "taken",
        "kind",
        "batch",
        "water",
    }
    for number, heading in enumerate(headings):
        left = number == 0 or heading in words
        shown.add_column(
            heading, justify="left" if left else "right", overflow="fold", no_wrap=heading in ("from", "taken", "kind")
        )
    return shown


def _amounts(trace: Trace, litres: float, milligrams: float) -> tuple[str, str, str]:
    """Water in m³, load in kg/ha and in % of the whole load."""
    share = 100 * milligrams / trace.load_mg if trace.load_mg else np.nan
    return _number(litres / 1000, 3), _number(milligrams / MG_PER_KG / trace.load.area_ha, 3), _number(share, 1)


def _number(value: Any, decimals: int) -> str:
    return UNKNOWN if pd.isna(value) else f"{value:,.{decimals}f}"


def _pulses(value: float) -> str:
    return f"{value:,.0f}" if value == round(value) else f"{value:,.1f}"


def _minute(moment: datetime, site: Site) -> str:
    """An instant in the site's standard time."""
    return f"{moment + site.utc_offset:%Y-%m-%d %H:%M}"


def _day(moment: datetime, site: Site) -> str:
    return f"{moment + site.utc_offset:%Y-%m-%d}"
