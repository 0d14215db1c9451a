"""Why a load moved: what changed among all that it is made from, and how that came to it.

Belongs here: following what a partition is made from upwards through what changed; which plots and years a change concerns.
Does not: comparing two origins (causes.py), comparing loads (stages/load_changes.py).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import pandas as pd

from pipeline.orchestration.causes import Cause, causes
from pipeline.orchestration.computations import COMPUTATIONS
from pipeline.orchestration.freshness import needed_key
from pipeline.orchestration.publishing import Origins
from pipeline.site import Site

_ORDER = {name: place for place, computation in enumerate(COMPUTATIONS) for name in computation.tables}
NOTHING_MM = 1e-9
"""A change of volume that is no more than rounding."""


@dataclass(frozen=True)
class State:
    """One state of the loads: origins, the registers of then, and the rows that tell whom a file concerns."""

    origins: Origins
    site: Site
    source_files: pd.DataFrame
    sample_results: pd.DataFrame


@dataclass(frozen=True)
class Found:
    """A cause as the first tables that it touches have it, by water year (None: kept once per site), and the plots (None: all)."""

    by_year: Mapping[int | None, Cause]
    plots: frozenset[str] | None

    @property
    def cause(self) -> Cause:
        """The cause as any of them has it."""
        return next(iter(self.by_year.values()))


class Attribution:
    """Why loads differ between two states of one site."""

    def __init__(self, before: State, after: State) -> None:
        self.before = before
        self.after = after
        self._of_year: dict[int, list[Found]] = {}

    def explain(self, row: Mapping[str, Any]) -> dict[str, str]:
        """`cause`, `how` and `detail` of one row of `load_changes`."""
        plot, analyte, year = str(row["plot"]), str(row["analyte"]), int(row["water_year"])
        found = self._found(year)
        if not found:
            return {
                "cause": "unknown",
                "how": "unknown",
                "detail": "Nothing on record that it is made from changed; versions of libraries may have.",
            }
        direct = [one for one in found if self._is_direct(one, plot, analyte, year)]
        named = direct or found
        how = "direct" if direct else self._way(row, named, plot)
        kinds = "; ".join(dict.fromkeys(one.cause.kind for one in named))
        sentences = [self._sentence(one.cause, plot, analyte) for one in named]
        detail = f"{'; '.join(dict.fromkeys(sentences))}."
        if len(sentences) > 1:
            detail += " What each contributes is not told."
        return {"cause": kinds, "how": how, "detail": detail}

    def _way(self, row: Mapping[str, Any], found: Iterable[Found], plot: str) -> str:
        """How a change came to a load that nothing of its own was changed for."""
        volume = row["volume_change_mm"]
        same_water = pd.notna(volume) and abs(volume) <= NOTHING_MM
        if same_water and row["before"] == row["after"]:
            return "interval_only"
        if same_water:
            return "concentration_only"
        of_others = all(one.plots is not None and plot not in one.plots for one in found)
        return "filled_from_neighbour" if of_others else "filled_from_other_year"

    def _is_direct(self, one: Found, plot: str, analyte: str, year: int) -> bool:
        if one.cause.kind == "laboratory":
            rows = self.changed_samples
            theirs = (rows["plot"].isna() | (rows["plot"] == plot)) & (rows["analyte"] == analyte)
            start, end = self.after.site.water_year_period(year)
            return bool((theirs & (rows["end"] >= start) & (rows["start"] <= end)).any())
        if one.plots is not None and plot not in one.plots:
            return False
        here = one.by_year.get(year, one.by_year.get(None))
        return here is not None and here.touches(*self.after.site.water_year_period(year))

    def _sentence(self, cause: Cause, plot: str, analyte: str) -> str:
        if cause.kind != "laboratory":
            return cause.sentence
        rows = self.changed_samples
        rows = rows[(rows["plot"].isna() | (rows["plot"] == plot)) & (rows["analyte"] == analyte)]
        if rows.empty:
            return cause.sentence
        first = rows.iloc[0]
        more = f" and {len(rows) - 1} more results" if len(rows) > 1 else ""
        was, now = (
            f"{value:.6g} mg/L" if pd.notna(value) else "none" for value in (first["mg_l_before"], first["mg_l_after"])
        )
        return f"{cause.sentence} (sample {first['sample']} {was} → {now}{more})"

    def _found(self, year: int) -> list[Found]:
        """What changed of all that the loads of a water year are made from, and where it is first noticed."""
        if year not in self._of_year:
            seen: set[str] = set()
            noticed: dict[Cause, list[tuple[int, int | None, Cause]]] = {}
            self._walk("loads_annual", year, seen, noticed)
            found = []
            for cause, places in noticed.items():
                first = min(order for order, _, _ in places)
                found.append(Found({year: one for order, year, one in places if order == first}, self._plots(cause)))
            self._of_year[year] = found
        return self._of_year[year]

    def _walk(
        self, name: str, year: int | None, seen: set[str], noticed: dict[Cause, list[tuple[int, int | None, Cause]]]
    ) -> None:
        key = needed_key(name, year)
        if key in seen:
            return
        seen.add(key)
        now, then = (state.origins.get(key) for state in (self.after, self.before))
        if now is None or then is None:
            return
        for cause in causes(now["parts"], then["parts"], self.after.site):
            if cause.kind != "upstream":
                noticed.setdefault(cause, []).append((_ORDER[name], year, cause))
        for other in {**now["parts"]["needed"], **then["parts"]["needed"]}:
            there, here = (state.origins.get(other, {}).get("content") for state in (self.before, self.after))
            if there != here:
                other_name, _, other_year = other.partition(" ")
                self._walk(other_name, int(other_year) if other_year else None, seen, noticed)

    def _plots(self, cause: Cause) -> frozenset[str] | None:
        """The plots whose own numbers a cause changes; None: all."""
        plots: set[str] = set()
        for what, name in cause.about:
            if what == "plot":
                plots.add(name)
            elif what in ("meter", "accuracy"):
                plots |= {meter.plot for meter in self._meters if getattr(meter, what) == name}
            elif what == "logger":
                plots |= self._plots_of_logger(name)
            elif what == "file":
                logger = self._loggers.get(name)
                if logger is None:
                    return None
                plots |= self._plots_of_logger(logger)
        return frozenset(plots) if plots else None

    @property
    def _meters(self) -> list[Any]:
        return [*self.before.site.meters, *self.after.site.meters]

    def _plots_of_logger(self, logger: str) -> set[str]:
        wired = {wire.meter for state in (self.before, self.after) for wire in state.site.wiring if wire.logger == logger}
        return {meter.plot for meter in self._meters if meter.meter in wired}

    @cached_property
    def _loggers(self) -> dict[str, str]:
        """The logger of each logger file, by path."""
        rows = pd.concat([self.before.source_files, self.after.source_files])
        rows = rows[rows["kind"] == "logger"]
        return dict(zip(rows["path"], rows["logger"], strict=True))

    @cached_property
    def changed_samples(self) -> pd.DataFrame:
        """Laboratory results that differ between the two states: plot, analyte, sample, start, end, both values."""
        key = ["plot", "analyte", "sample", "start", "end"]
        told = ["mg_l", "censored", "detection_limit_mg_l"]
        both = self.before.sample_results[[*key, *told]].merge(
            self.after.sample_results[[*key, *told]], on=key, how="outer", suffixes=("_before", "_after")
        )
        same = pd.Series(True, index=both.index)
        for name in told:
            one, other = both[f"{name}_before"], both[f"{name}_after"]
            same &= (one == other).fillna(False).astype(bool) | (one.isna() & other.isna())
        return both[~same]
