"""The lines of raw files behind a load, as they stand there.

Belongs here: which lines, their text, whether the file is still the one that was read.
Does not: what they gave (stages/trace.py), how the rest of a trace is shown (publish/trace_words.py).
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Mapping
from itertools import islice
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd

from pipeline.lake import Lake
from pipeline.lake.fingerprint import file_digest
from pipeline.publish.trace import Trace, traced_year
from pipeline.science.units import MG_PER_KG
from pipeline.site import Site
from pipeline.stages.raw_text import lines_as_they_stand
from pipeline.stages.sheets import read_sheet

GONE = "(the file is not there any more)"
CHANGED = "(the file is not what was read any more)"
MG_PER_G = 1000.0


def raw_lines(session: duckdb.DuckDBPyConnection, lake: Lake, site: Site, trace: Trace) -> pd.DataFrame:
    """Every logger line that gave water to a load, in order of plot and time.

    Returns:
        the columns of `stages.trace.TracedYear.lines`; `path`; `text`: the line as it stands in the file, or why that is not told.
    """
    parts = [traced_year(session, lake, site, year, trace.load.periods).lines() for year in trace.load.years]
    lines = pd.concat(parts, ignore_index=True)
    files = {row["file_id"]: row for row in trace.files.to_dict("records")}
    texts: dict[tuple[str, int], str] = {}
    for file_id, rows in lines.groupby("file_id"):
        wanted = set(rows["line"])
        found = _texts(lake.raw(site.site), files[file_id], wanted, site) if file_id in files else {}
        texts |= {(str(file_id), line): found.get(line, GONE) for line in wanted}
    return lines.assign(
        path=lines["file_id"].map({file_id: row["path"] for file_id, row in files.items()}).fillna(""),
        text=[texts[key] for key in zip(lines["file_id"], lines["line"], strict=True)],
    )


def _texts(raw: Path, file: Mapping[Hashable, Any], wanted: set[int], site: Site) -> dict[int, str]:
    """Lines of one file by number; a sentence in their place where it is not the file that was read."""
    path = raw / file["path"]
    if not path.is_file():
        return dict.fromkeys(wanted, GONE)
    if file_digest(path) != file["file_id"]:
        return dict.fromkeys(wanted, CHANGED)
    layout = site.logger_layouts.get(file["layout"])
    first, last = min(wanted), max(wanted)
    stretch = islice(lines_as_they_stand(path, layout.encoding if layout else "utf-8"), first - 1, last)
    return {number: text for number, text in enumerate(stretch, start=first) if number in wanted}


def sample_lines(lake: Lake, site: Site, trace: Trace) -> pd.DataFrame:
    """Every line of field books and laboratory sheets that names a sample of the trace: `sample`, `path`, `line`, `text`."""
    raw, wanted = lake.raw(site.site), set(trace.samples["sample"])
    parts = []
    for path in sorted([*raw.glob("samples/*.csv*"), *raw.glob("lab/*.csv*")]):
        cells = read_sheet(path, raw, ("sample",), ("analyte",)).cells
        of_analyte = cells["analyte"].isin(["", trace.load.row["analyte"]])
        parts.append(cells.loc[cells["sample"].isin(wanted) & of_analyte, ["sample", "path", "line", "text"]])
    if not parts:
        return pd.DataFrame(columns=["sample", "path", "line", "text"])
    return pd.concat(parts).sort_values(["sample", "path", "line"], kind="stable", ignore_index=True)


def lines_text(lines: pd.DataFrame, samples: pd.DataFrame, site: Site) -> Iterator[str]:
    """Lines as a person reads them, one after the other: what each gave, and its text."""
    yield "Lines of raw files: when (standard time), pulses forward and reverse, litres, mg/L, grams; then the line as it stands"
    at = None
    for row in lines.to_dict("records"):
        if (row["plot"], row["path"]) != at:
            at = (row["plot"], row["path"])
            yield f"{row['path']} (plot {row['plot']}, meter {row['meter']})"
        known = not pd.isna(row["mg_l"])
        gave = f"{row['mg_l']:7.2f} mg/L {row['load_mg'] / MG_PER_G:+9.3f} g" if known else "no concentration known"
        forward, reverse = (
            "" if pd.isna(row[way]) else f"{row[way]:.0f}" for way in ("forward_pulses", "reverse_pulses")
        )
        hour = f"{row['hour_start'] + site.utc_offset:%H:%M}"
        part = "" if row["share"] == 1 else f" ({100 * row['share']:.0f} % of it in the hour from {hour})"
        yield (
            f"{row['line']:>7}  {row['interval_start'] + site.utc_offset:%Y-%m-%d %H:%M} {forward:>6} {reverse:>4} "
            f"{row['volume_l']:+10.3f} L {gave}  | {row['text']}{part}"
        )
    yield f"  sum of {len(lines):,} lines: {lines['volume_l'].sum():,.3f} L, {lines['load_mg'].sum() / MG_PER_KG:,.6f} kg"
    if len(samples):
        yield "Lines of field books and laboratory sheets"
        for path, number, text in zip(samples["path"], samples["line"], samples["text"], strict=True):
            yield f"{path}:{number}  | {text}"
