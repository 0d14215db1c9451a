"""A site folder to begin with: commented, valid, and honest about what nobody said.

Belongs here: from answers to the files of a site folder; writing them where nothing lies yet; what to do next.
Does not: asking (new_site_questions.py), what a site folder must hold (site/), telling a layout from a file (stages/).
"""

from __future__ import annotations

import csv
import io
import json
import math
import os
import re
import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from pipeline.site import Site, load_site
from pipeline.site.registers import REGISTERS
from pipeline.site.structure import FILE
from pipeline.stages.layout_proposal import TO_DECIDE, LayoutProposal

NOTES = "NOTES.md"
HIGHEST_VELOCITY_M_S = 3.0
ASSUMED_RATIO = 160
"""The highest velocity in a meter's bore (its overload flow), and the R of its class, where its plate is not known: it is then accurate
from 1.5 cm/s on. Common practice, no source."""
OVERLOAD = 1.25
"""Overload flow over permanent flow, Q4/Q3, of Directive 2014/32/EU, Annex MI-001."""
ASSUMED_UNCERTAINTY_PCT = 5
EVIDENCE = "as said when the folder was made"

LAYOUT = """\
  # How the logger's text is laid out. `drainledger inspect FILE` proposes this from a file of yours; TO DECIDE marks what only you know.
  plain:
    delimiter: ","
    decimal: "."
    lines_before_data: 1                      # lines above the first reading
    names_on_line: 1                          # which of them names the columns
    timestamp:
      # TO DECIDE: the column of the time, as the file names it
      column: time
      # TO DECIDE: how it is written; this is 2019-10-01 14:30
      format: "%Y-%m-%d %H:%M"
      # TO DECIDE: end if a stamp marks the end of its interval, start if it marks the begin
      stamps: {stamps}
      # TO DECIDE: what the logger's clock kept; for one that follows summer time write timezone: and an IANA name instead
      utc_offset: "{utc_offset}"
    interval: 10min
    missing: ["", "NaN"]
"""

STRUCTURE = """\
# The structure of the experiment; the registers (*.csv) beside it hold what people keep in a spreadsheet. NOTES.md explains each of them.
# `drainledger check-site` says all that is wrong at once.
site: {site}
title: {title}

# The site's standard time, which never changes. Dates of the registers are in it; a bare date is its midnight.
clock: {{utc_offset: "{utc_offset}"}}

# Month and day on which a water year begins; it bears the number of the calendar year in which it ends.
water_year_starts: "{water_year_starts}"

# The record's first day; last_day may be left out while it goes on.
first_day: {first_day}
{last_day}
# What the laboratory measured and loads are wanted of.
analytes: [{analytes}]

logger_layouts:
{layout}
# Each logger, its layout, and the pattern of its files below raw/{site}/ in the lake.
loggers:
  logger: {{layout: {layout_name}, files: {files}}}

# A weather record (raw/{site}/weather/*.csv with time, rain_mm, air_temp_c) makes gaps fill better:
# weather: {{interval: 1h, stamps: end}}

# Choices of method; each has a default, which METHODS.md of a shared package lists.
policies: {{}}

# Whose data it is, for the shared package:
# licence: CC-BY-4.0
# creators:
#   - {{name: "Family, Given", affiliation: An institute}}
# contact: {{name: "Family, Given", email: someone@example.org}}
"""


class NewSiteError(Exception):
    """The folder cannot be made; the message is a sentence for a person."""


@dataclass(frozen=True)
class NewPlot:
    """A plot with one meter, and how a logger counts it. Lengths in mm, area in ha, litres of one pulse.

    `reverse` is the column that counts water that runs back; `main_mm` and `expanded_uncertainty_pct` are none where nobody said.
    """

    name: str
    area_ha: float
    column: str
    litres_per_pulse: float
    bore_mm: float
    reverse: str | None = None
    counts: str = "interval"
    modulus: int | None = None
    main_mm: float | None = None
    expanded_uncertainty_pct: float | None = None


@dataclass(frozen=True)
class Answers:
    """What was said of a new site. Times and dates as text in the form that site.yaml has them."""

    site: str
    title: str
    utc_offset: str
    first_day: str
    plots: tuple[NewPlot, ...]
    last_day: str | None = None
    stamps: str = "end"
    stamps_said: bool = False
    water_year_starts: str = "10-01"
    analytes: tuple[str, ...] = ("nitrate_n",)
    file: Path | None = None
    proposal: LayoutProposal | None = None
    encoding: str = "utf-8"
    assumed: tuple[str, ...] = field(default=())


def site_files(answers: Answers) -> dict[str, str]:
    """The files of the folder, by name."""
    assumed = [*answers.assumed, *_assumed(answers)]
    rows: dict[str, list[dict[str, object]]] = {name: [] for name in REGISTERS}
    since = {"from": answers.first_day}
    for plot in answers.plots:
        meter, curve = f"{plot.name} meter", f"bore {plot.bore_mm:g} mm, assumed"
        rows["plots"].append({"plot": plot.name, "title": plot.name, "area_ha": plot.area_ha})
        rows["meters"].append(
            {
                "meter": meter,
                "plot": plot.name,
                "bore_mm": plot.bore_mm,
                "main_mm": plot.main_mm or plot.bore_mm,
                "accuracy": curve,
                "top_l_min": round(_flow(plot, HIGHEST_VELOCITY_M_S)),
                **since,
            }
        )
        if curve not in {row["accuracy"] for row in rows["accuracy_classes"]}:
            permanent_m3_h = _flow(plot, HIGHEST_VELOCITY_M_S) / OVERLOAD * 60 / 1000
            rows["accuracy_classes"].append(
                {"accuracy": curve, "q3_m3_h": f"{permanent_m3_h:.3g}", "ratio": ASSUMED_RATIO}
            )
        for column, direction in ((plot.column, "forward"), (plot.reverse, "reverse")):
            if column is None:
                continue
            counted = {"meter": meter, "direction": direction, **since}
            rows["wiring"].append(
                {"logger": "logger", "column": column, "counts": plot.counts, "modulus": plot.modulus, **counted}
            )
            uncertainty = (
                ASSUMED_UNCERTAINTY_PCT if plot.expanded_uncertainty_pct is None else plot.expanded_uncertainty_pct
            )
            rows["calibrations"].append(
                {
                    "litres_per_pulse": plot.litres_per_pulse,
                    "expanded_uncertainty_pct": uncertainty,
                    "evidence": EVIDENCE,
                    **counted,
                }
            )
    files = {FILE: _structure(answers), NOTES: _notes(answers, assumed)}
    files |= {model.file: _csv(list(model.columns()), rows[name]) for name, model in REGISTERS.items()}
    return files


def write_new_site(folder: Path, files: Mapping[str, str]) -> Site:
    """Write the files into a folder that is not there or holds nothing, whole or not at all, and load it.

    Raises:
        NewSiteError: something lies there already, or it cannot be written.
        SiteErrors: an answer does not fit the others; nothing was written.
    """
    if os.path.lexists(folder) and (not folder.is_dir() or any(folder.iterdir())):
        raise NewSiteError(f"{folder} is there already and is not empty. Nothing was written: name another folder.")
    beside = folder.with_name(f".{folder.name}.{uuid.uuid4().hex}")
    try:
        beside.mkdir(parents=True)
        for name, text in files.items():
            (beside / name).write_bytes(text.encode())
        load_site(beside)
        os.replace(beside, folder)
    except OSError as error:
        raise NewSiteError(
            f"{folder} could not be written: {error.strerror or error}. Check the place and its permissions."
        ) from error
    finally:
        for path in beside.glob("*"):
            path.unlink()
        if beside.exists():
            beside.rmdir()
    return load_site(folder)


def still_to_decide(folder: Path) -> list[str]:
    """Every line of site.yaml that marks a decision, with its number, and what NOTES.md says was assumed."""
    marked = [
        f"{FILE}, line {number}: {line.partition(f'{TO_DECIDE}:')[2].strip()}"
        for number, line in enumerate((folder / FILE).read_text(encoding="utf-8-sig").splitlines(), start=1)
        if line.lstrip().startswith("#") and f"{TO_DECIDE}:" in line
    ]
    notes = folder / NOTES
    assumed = re.findall(r"^- Assumed: (.+)$", notes.read_text(encoding="utf-8"), re.MULTILINE) if notes.is_file() else []
    return [*marked, *(f"{NOTES}: {one}" for one in assumed)]


def next_steps(site: Site, lake: Path) -> list[str]:
    """What to do once nothing is wrong with a folder any more, in order."""
    raw = lake / "raw" / site.site
    patterns = ", ".join(sorted({logger.files for logger in site.loggers.values()}))
    options = f"--site {site.folder} --lake {lake}"
    return [
        f"Put the loggers' files into {raw} as they came ({patterns}). `drainledger inspect FILE {options}` says what is made of one.",
        f"Put field books into {raw / 'samples'} and laboratory sheets into {raw / 'lab'}; without results volumes come out, and no loads.",
        f"`drainledger run {options}` computes, and shows the loads.",
    ]


def _flow(plot: NewPlot, velocity_m_s: float) -> float:
    """Flow in L/min at a velocity in the bore."""
    return velocity_m_s * math.pi / 4 * (plot.bore_mm / 1000) ** 2 * 60_000


def _assumed(answers: Answers) -> list[str]:
    said = [f"meters are of a legal-metrology class with R {ASSUMED_RATIO}, by their bore (accuracy_classes.csv)"]
    said.append(f"top_l_min in meters.csv is the flow at {HIGHEST_VELOCITY_M_S:g} m/s in the bore")
    if any(plot.main_mm is None for plot in answers.plots):
        said.append("main_mm in meters.csv is the meter's bore, where nobody gave the main's")
    if any(plot.expanded_uncertainty_pct is None for plot in answers.plots):
        said.append(
            f"litres per pulse in calibrations.csv are known to {ASSUMED_UNCERTAINTY_PCT} % (expanded), until a bench test says better"
        )
    if any(plot.reverse for plot in answers.plots):
        said.append("a pulse of the reverse column is as many litres as one of the forward column")
    if any(plot.reverse is None for plot in answers.plots):
        said.append("water never ran back where no reverse column is wired")
    return said


def _structure(answers: Answers) -> str:
    proposal = answers.proposal
    name = "from_file" if proposal else "plain"
    if proposal is None:
        layout = LAYOUT.format(stamps=answers.stamps, utc_offset=answers.utc_offset)
    else:
        layout = proposal.block(name, answers.utc_offset, answers.encoding)
    if answers.stamps_said:
        layout = re.sub(r"^ *# TO DECIDE: end if a stamp .*\n", "", layout, flags=re.MULTILINE)
    layout = re.sub(r"^( *stamps: )\w+", rf"\g<1>{answers.stamps}", layout, flags=re.MULTILINE)
    suffix = answers.file.suffix if answers.file else ".csv"
    return STRUCTURE.format(
        site=answers.site,
        title=json.dumps(answers.title, ensure_ascii=False),
        utc_offset=answers.utc_offset,
        water_year_starts=answers.water_year_starts,
        first_day=answers.first_day,
        last_day=f"last_day: {answers.last_day}\n" if answers.last_day else "",
        analytes=", ".join(answers.analytes),
        layout=layout,
        layout_name=name,
        files=json.dumps(f"logger/*{suffix}"),
    )


def _notes(answers: Answers, assumed: Sequence[str]) -> str:
    lines = [
        f"# The site folder of {answers.title}",
        "",
        "Correct what was assumed in the register it stands in, and delete its line here:",
        "",
    ]
    lines += [f"- Assumed: {one}." for one in assumed]
    lines += [
        "",
        "The registers are comma-separated text, edited in a spreadsheet or an editor. `from` and `to` are dates (2019-10-01) or times",
    ]
    lines += ["(2019-10-01T14:30) of the site's standard time; an empty `to` means that the row still holds.", ""]
    for model in REGISTERS.values():
        absent = " (may be absent)" if model.may_be_absent else ""
        lines += [
            f"## {model.file}{absent}",
            "",
            " ".join((model.__doc__ or "").partition("\n")[0].replace("`", "").split()),
            "",
        ]
        by_alias = {one.alias or name: one for name, one in model.model_fields.items()}
        for column, required in model.columns().items():
            extra = by_alias[column].json_schema_extra
            unit = str(extra.get("unit") or "") if isinstance(extra, dict) else ""
            what = f" ({unit})" if unit else ""
            lines.append(f"- `{column}`{what}: {by_alias[column].description}{'' if required else ' May be left out.'}")
        lines.append("")
    return "\n".join(lines)


def _csv(columns: Sequence[str], rows: Sequence[Mapping[str, object]]) -> str:
    text = io.StringIO(newline="")
    writer = csv.DictWriter(text, columns, restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows(
        {name: f"{value:.10g}" if isinstance(value, float) else value for name, value in row.items()} for row in rows
    )
    return text.getvalue()
