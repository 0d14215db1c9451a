"""What changed between two origins of a partition, as people would say it.

Belongs here: comparing what a stored partition was made from with what it would be made from now, part by part, and the words
for register rows, files, policies, methods.
Does not: deciding what is stale (freshness.py), which loads moved by it (stages/load_changes.py), layout on a page (publish/).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from pipeline.site import Site

Parts = Mapping[str, Any]


@dataclass(frozen=True)
class Cause:
    """One thing that changed.

    `kind` is a word of `CAUSES` in tables/declared/, or `upstream` where rows of another partition changed. `subject` names
    the thing, `change` says what became of it; `about` tells what it concerns: pairs such as ("meter", "M3"), ("plot", "P1") or
    ("file", "logger/east.csv"). `start` and `end` bound the time of a register row, before and after, as far as the origin's own
    period knows them: ISO 8601, None for no bound.
    """

    kind: str
    subject: str
    change: str
    about: tuple[tuple[str, str], ...] = ()
    start: str | None = field(default=None, compare=False)
    end: str | None = field(default=None, compare=False)

    def touches(self, start: datetime, end: datetime) -> bool:
        """Whether it concerns any part of [start, end)."""
        begins_before = self.start is None or datetime.fromisoformat(self.start) < end
        return begins_before and (self.end is None or datetime.fromisoformat(self.end) > start)

    @property
    def sentence(self) -> str:
        """Subject and change."""
        return f"{self.subject}: {self.change}"


@dataclass(frozen=True)
class _Register:
    """How rows of a register are told apart and called: `like` names columns that make two rows versions of one another."""

    kind: str
    like: tuple[str, ...]
    words: str
    units: Mapping[str, str]


_REGISTERS: Mapping[str, _Register] = {
    "calibrations": _Register(
        "calibration",
        ("meter", "direction"),
        "calibration of meter {meter} {direction} from {from}",
        {"litres_per_pulse": "litres per pulse", "expanded_uncertainty_pct": "expanded uncertainty in %"},
    ),
    "meters": _Register(
        "meter",
        ("meter",),
        "meter {meter} of {plot} from {from}",
        {"top_l_min": "top flow in L/min", "accuracy": "error curve"},
    ),
    "accuracy": _Register(
        "error_curve",
        ("accuracy", "flow_l_min"),
        "error curve {accuracy} at {flow_l_min} L/min",
        {"error_pct": "error in %"},
    ),
    "accuracy_classes": _Register("error_curve", ("accuracy",), "accuracy class {accuracy}", {"q3_m3_h": "Q3 in m³/h"}),
    "wiring": _Register("wiring", ("logger", "column"), "wiring of column {column} of logger {logger} from {from}", {}),
    "gauges": _Register("gauge", ("gauge",), "gauge {gauge} from {from}", {}),
    "outages": _Register("outage_register", ("scope", "name", "from"), "outage of {scope} {name} from {from}", {}),
    "clocks": _Register("clock", ("logger", "from"), "clock of logger {logger} from {from}", {"shift_s": "shift in s"}),
    "treatments": _Register("treatment", ("plot",), "treatment of plot {plot} from {from}", {}),
    "plots": _Register("plot", ("plot",), "plot {plot}", {"area_ha": "area in ha"}),
}
_CONCERNS = ("meter", "plot", "logger", "accuracy")
_FILE_KINDS: Mapping[str, str] = {
    "logger": "logger file",
    "weather": "weather file",
    "samples": "field book",
    "lab": "laboratory sheet",
    "bench": "bench file",
}


def causes(now: Parts, before: Parts, site: Site) -> list[Cause]:
    """What changed from one origin to another.

    Args:
        now: the parts of the later origin; the content of a needed partition may be None: not computed yet.
        before: the parts of the earlier one; empty: it is not known.
        site: for its standard time, in which days are given.
    """
    if not before:
        return [Cause("unknown", "origin", "the stored table does not say what it was made from")]
    found = [
        *_of_registers(now["registers"], before["registers"], site),
        *_of_settings(now["settings"] or {}, before["settings"] or {}),
        *_of_versions(now["versions"], before["versions"]),
        *(
            Cause("policy", f"policy {name}", f"{_value(before['policies'].get(name))} → {_value(value)}")
            for name, value in now["policies"].items()
            if before["policies"].get(name) != value
        ),
    ]
    if now["period"] != before["period"]:
        found.append(Cause("site", "days of the record", "first_day, last_day or water_year_starts of site.yaml changed"))
    if now["tables"] != before["tables"]:
        changed = [name for name in now["tables"] if before["tables"].get(name) != now["tables"][name]]
        found.append(Cause("method", f"declaration of {', '.join(changed)}", "changed"))
    return [*found, *_of_needed(now["needed"], before["needed"])]


def _of_registers(now: Parts, before: Parts, site: Site) -> Iterator[Cause]:
    for register, rows in now.items():
        ours = [dict(zip(rows["columns"], row, strict=True)) for row in rows["rows"]]
        theirs_in = before.get(register, {"columns": [], "rows": []})
        theirs = [dict(zip(theirs_in["columns"], row, strict=True)) for row in theirs_in["rows"]]
        yield from _of_rows(register, ours, theirs, site)


def _of_rows(
    register: str, now: Sequence[dict[str, Any]], before: Sequence[dict[str, Any]], site: Site
) -> Iterator[Cause]:
    """Rows that differ, each with the former row of the same thing if there is one: one that began on the same day first."""
    how = _REGISTERS[register]
    new, gone = [row for row in now if row not in before], [row for row in before if row not in now]
    for row in new:
        alike = [old for old in gone if all(old.get(column) == row[column] for column in how.like)]
        former = next((old for old in alike if old.get("from") == row.get("from")), next(iter(alike), None))
        if former is not None:
            gone.remove(former)
            yield _cause(how, [row, former], _differences(how, row, former, site), site)
        else:
            yield _cause(how, [row], "new row", site)
    for row in gone:
        yield _cause(how, [row], "row is gone", site)


def _cause(how: _Register, versions: Sequence[Mapping[str, Any]], change: str, site: Site) -> Cause:
    """A cause of one row, given as it is and as it was."""
    row = versions[0]
    about = [(column, str(row[column])) for column in _CONCERNS if row.get(column) is not None]
    if "scope" in row:
        about.append((row["scope"], row["name"]))
    shown = {column: _value(value, site) for column, value in row.items()}
    ends: list[str | None] = [version.get("to") for version in versions]
    closed = [end for end in ends if end is not None]
    starts: list[str] = [version["from"] for version in versions if "from" in version]
    return Cause(
        how.kind,
        how.words.format(**shown),
        change,
        tuple(about),
        start=min(starts, default=None),
        end=max(closed) if len(closed) == len(ends) else None,
    )


def _differences(how: _Register, row: Mapping[str, Any], former: Mapping[str, Any], site: Site) -> str:
    return ", ".join(
        f"{how.units.get(column, column.replace('_', ' '))} {_value(former.get(column), site)} → {_value(value, site)}"
        for column, value in row.items()
        if former.get(column) != value
    )


def _of_settings(now: Parts, before: Parts) -> Iterator[Cause]:
    for key, value in now.items():
        former = before.get(key)
        if former == value:
            continue
        if key in ("files", "weather"):
            yield from of_files(value, former or [])
        elif key == "formats":
            earlier = {form["logger"]: form for form in former or []}
            for form in value:
                if earlier.get(form["logger"]) != form:
                    yield Cause(
                        "layout", f"layout of {form['logger']}", "changed in site.yaml", (("logger", form["logger"]),)
                    )
        elif key == "smallest_litres_per_pulse":
            for column, litres in value.items():
                if (former or {}).get(column) != litres:
                    meter = column.rpartition(" ")[0]
                    words = f"smallest litres per pulse that {column} ever had"
                    yield Cause("calibration", words, f"{(former or {}).get(column)} → {litres}", (("meter", meter),))
        elif key == "registers":
            changed = [register for register in value if (former or {}).get(register) != value[register]]
            yield Cause(
                "bench_registers", f"registers that bench tests are held against ({', '.join(changed)})", "changed"
            )
        elif key == "kept":
            yield Cause("held_files", "files that changed in place or vanished", "what was read of them is kept")
        else:
            yield Cause("site", f"{key.replace('_', ' ')} of site.yaml", "changed")


def of_files(now: Iterable[tuple[str, str]], before: Iterable[tuple[str, str]]) -> Iterator[Cause]:
    """Files that are new, changed or gone; both lists hold pairs of path and SHA-256."""
    here, there = dict(now), dict(before)
    for path in sorted({*here, *there}):
        if here.get(path) == there.get(path):
            continue
        folder = path.partition("/")[0]
        change = "new" if path not in there else "gone" if path not in here else "changed"
        if folder in ("samples", "lab"):
            kind = "laboratory"
        else:
            kind = {"new": "new_file", "gone": "removed_file", "changed": "corrected_file"}[change]
        yield Cause(kind, f"{_FILE_KINDS.get(folder, 'file')} {path}", change, (("file", path),))


def _of_versions(now: Parts, before: Parts) -> Iterator[Cause]:
    for stage, version in now.items():
        if before.get(stage) != version:
            yield Cause("method", f"method of {stage}", f"version {before.get(stage, 'none')} → {version}")


def _of_needed(now: Parts, before: Parts) -> Iterator[Cause]:
    for partition, content in now.items():
        if content is None:
            yield Cause("upstream", partition, "is recomputed")
        elif before.get(partition) != content:
            yield Cause("upstream", partition, "has other rows")


def _value(value: Any, site: Site | None = None) -> str:
    """A value as people write it; an instant in the site's standard time, a midnight as its day."""
    if value is None:
        return "none"
    if isinstance(value, str) and site is not None and "T" in value:
        try:
            local = datetime.fromisoformat(value) + site.utc_offset
        except ValueError:
            return value
        return local.strftime("%Y-%m-%d" if (local.hour, local.minute, local.second) == (0, 0, 0) else "%Y-%m-%dT%H:%M")
    if isinstance(value, float):
        return f"{value:.10g}"
    return str(value)
