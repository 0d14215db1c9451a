"""What a run would do and why, for a person on the terminal.

Belongs here: grouping what changed over tables and years, layout, wording.
Does not: finding out (orchestration/plan.py, orchestration/causes.py).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from rich.box import SIMPLE_HEAD
from rich.table import Table as TextTable

from pipeline.orchestration.causes import Cause
from pipeline.orchestration.plan import Planned
from pipeline.site import Site
from pipeline.tables.declared.words import CAUSES

MOST_FILES = 3
"""Files of one kind that are named one by one."""
MOST_CHANGES = 40


def plan_text(site: Site, planned: Sequence[Planned], partitions: int) -> Iterator[str | TextTable]:
    """What a run would do at one site: what changed, then table by table, then the count.

    Args:
        site: the experiment.
        planned: the partitions that are not fresh.
        partitions: how many there are in all.
    """
    computing = [one for one in planned if one.state in ("stale", "missing", "waiting", "follows")]
    checking = sum(one.state == "unchecked" for one in planned)
    stopped = [one for one in planned if one.state in ("held", "blocked", "failing")]
    if not computing and not checking:
        yield f"{site.title}: nothing would be computed; {partitions - len(stopped)} of {partitions} partitions are fresh."
    else:
        yield f"{site.title}: what a run would do"
        if lines := what_changed(site, computing):
            yield "What changed:\n" + "\n".join(f"  {line}" for line in lines)
        if computing:
            yield _by_table(computing)
        certain = sum(one.certain for one in computing)
        words = f"{len(computing)} of {partitions} partitions would be computed"
        if certain < len(computing):
            words += f", {len(computing) - certain} of them only if rows of one that they are made from change"
        yield words + (f"; {checking} more would be checked." if checking else ".")
    if stopped:
        named = ", ".join(dict.fromkeys(one.table for one in stopped))
        yield (
            f"{len(stopped)} partitions would not be computed, since a check fails or a raw file is held: {named}. "
            "`drainledger status` says more."
        )
    yield "Nothing was written."


def what_changed(site: Site, planned: Iterable[Planned]) -> list[str]:
    """Sentences on what changed, each with the water years that it touches, where it was first noticed."""
    places: dict[Cause, dict[str, list[int]]] = {}
    absent = 0
    for one in planned:
        for cause in one.causes:
            if cause.kind == "missing":
                absent += 1
            elif cause.kind != "upstream":
                years = places.setdefault(cause, {}).setdefault(one.table, [])
                if one.year is not None:
                    years.append(one.year)
    touched = {cause: next((years for years in tables.values() if years), []) for cause, tables in places.items()}
    lines = [f"{words}{_share_of_years(site, years)}" for words, years in _with_files_together(touched)]
    if len(lines) > MOST_CHANGES:
        lines = [*lines[:MOST_CHANGES], f"and {len(lines) - MOST_CHANGES} more"]
    if absent:
        lines.append(f"{absent} partitions are not there yet")
    return lines


def _with_files_together(touched: dict[Cause, list[int]]) -> Iterator[tuple[str, list[int]]]:
    """Sentence and years of each cause; many files of one kind to which the same happened are one sentence."""
    together: dict[tuple[str, str], list[Cause]] = {}
    for cause in touched:
        if dict(cause.about).get("file"):
            together.setdefault((cause.subject.rpartition(" ")[0], cause.change), []).append(cause)
    for cause, years in touched.items():
        kind = (cause.subject.rpartition(" ")[0], cause.change)
        alike = together.get(kind, [])
        if len(alike) <= MOST_FILES or cause not in alike:
            yield cause.sentence, years
        elif cause is alike[0]:
            paths = sorted(dict(one.about)["file"] for one in alike)
            every = sorted({year for one in alike for year in touched[one]})
            yield f"{len(alike)} {kind[0]}s, {paths[0]} to {paths[-1]}: {kind[1]}", every


def _share_of_years(site: Site, years: Sequence[int]) -> str:
    if not years:
        return ""
    return f"; {len(years)} of {len(site.water_years())} water years ({year_list(years)})"


def _by_table(planned: Sequence[Planned]) -> TextTable:
    """A row for the tables of one computation, as far as the same is to be done for them."""
    shown = TextTable(box=SIMPLE_HEAD, pad_edge=False)
    for heading in ("tables", "computed", "only if rows change", "why"):
        shown.add_column(heading)
    rows: dict[tuple[str, str, str], list[str]] = {}
    for name in dict.fromkeys(one.table for one in planned):
        of_table = [one for one in planned if one.table == name]
        certain, perhaps = (_partitions(one for one in of_table if one.certain is sure) for sure in (True, False))
        rows.setdefault((certain, perhaps, _why(of_table)), []).append(name)
    for cells, names in rows.items():
        shown.add_row(", ".join(names), *cells)
    return shown


def _partitions(planned: Iterable[Planned]) -> str:
    years = [one.year for one in planned]
    return "once" if years == [None] else year_list(year for year in years if year is not None)


def _why(planned: Sequence[Planned]) -> str:
    """The kinds of what changed for a table, and the tables that are computed before it."""
    causes = [cause for one in planned for cause in one.causes]
    own = dict.fromkeys(CAUSES[cause.kind] for cause in causes if cause.kind != "upstream")
    above: dict[str, list[int]] = {}
    for cause in causes:
        if cause.kind == "upstream":
            name, _, year = cause.subject.partition(" ")
            above.setdefault(name, []).extend([int(year)] if year else [])
    words = list(own)
    if above:
        named = ", ".join(f"{name} {year_list(years)}".strip() for name, years in above.items())
        words.append(f"because {named} {'is' if len(above) == 1 else 'are'} recomputed")
    if any(one.state == "waiting" for one in planned):
        words.append("raw files are to be read")
    return "; ".join(words)


def year_list(years: Iterable[int]) -> str:
    """Years as people write them: 2019, 2021–2023."""
    ordered = sorted(set(years))
    runs: list[list[int]] = []
    for year in ordered:
        if runs and year == runs[-1][-1] + 1:
            runs[-1].append(year)
        else:
            runs.append([year])
    return ", ".join(str(run[0]) if len(run) == 1 else f"{run[0]}–{run[-1]}" for run in runs)
