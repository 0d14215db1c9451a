"""What the checks found, and what that stops.

Belongs here: what the registers say of a partition (`facts`), holding a stored partition to its expectations, keeping the
outcomes in the `checks` table, reading them back.
Does not: the expectations themselves (tables/expectations.py), Dagster's view of them (assets.py).
"""

from __future__ import annotations

import functools
import hashlib
import json
import os
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from pipeline.lake import Lake, fingerprint
from pipeline.orchestration.computations import period
from pipeline.site import Site
from pipeline.stages.pulses import stretches
from pipeline.tables import table
from pipeline.tables.expectations import DOMAIN, SUITE_VERSION, Facts, MeterFact, Outcome, Partition, check_partitions

if TYPE_CHECKING:
    from pipeline.orchestration.workbench import Workbench

CHECKS = table("checks")


@dataclass(frozen=True)
class Verdict:
    """The expectations that failed, in sentences: `broken` those of severity error, `doubtful` those of severity warning."""

    broken: tuple[str, ...]
    doubtful: tuple[str, ...]


def partition_name(year: int | None) -> str:
    """A partition as the `checks` table calls it."""
    return "site" if year is None else str(year)


@functools.cache
def declaration_text(name: str) -> str:
    """A table's declaration as text, for fingerprints."""
    return repr(table(name))


def facts(site: Site, year: int | None) -> Facts:
    """What the registers say of a partition."""
    words = {
        "plot": tuple(plot.plot for plot in site.plots),
        "meter": tuple(sorted({meter.meter for meter in site.meters})),
        "gauge": tuple(sorted({gauge.gauge for gauge in site.gauges})),
        "analyte": tuple(site.analytes),
    }
    if year is None:
        return Facts(words)
    start, end = period(site, year)
    meters = []
    for stretch in stretches(site):
        wire = stretch.forward or stretch.reverse
        if wire is not None and stretch.start < end and (stretch.end is None or stretch.end > start):
            interval = site.logger_layouts[site.loggers[wire.logger].layout].interval
            meters.append(
                MeterFact(
                    stretch.meter.meter, stretch.start, stretch.end, interval.total_seconds(), stretch.meter.top_l_min
                )
            )
    hours = round((end - start).total_seconds() / 3600)
    rows = {
        "metered_hours": hours * len(site.plots),
        "hourly_flow": hours * len(site.plots),
        "concentration": hours * len(site.plots) * len(site.analytes),
    }
    return Facts(words, tuple(meters), rows)


def _footer_digest(path: Path) -> str:
    """SHA-256 of a Parquet file's footer: its length stands in four bytes before the last four."""
    with path.open("rb") as stream:
        stream.seek(-8, os.SEEK_END)
        length = int.from_bytes(stream.read(4), "little")
        stream.seek(-8 - length, os.SEEK_END)
        return hashlib.sha256(stream.read(length)).hexdigest()


class CheckBook:
    """The `checks` table of one site, and for which state of each partition its rows were written."""

    def __init__(self, lake: Lake, site: Site) -> None:
        self.lake = lake
        self.site = site
        self._facts: dict[int | None, dict[str, Any]] = {}

    def _as_it_is(self, name: str, year: int | None) -> str:
        """Fingerprint of a check: the stored partition, its expectations, and the registers that they look at.

        The stored partition counts by its file's footer, which holds what it was made from, the sizes of all columns and their
        least and largest values, so that a file which was replaced is looked at again.
        """
        if year not in self._facts:
            self._facts[year] = asdict(facts(self.site, year))
        suite = f"{SUITE_VERSION} {declaration_text(name)} {DOMAIN.get(name)!r}"
        return fingerprint([_footer_digest(self.lake.path(table(name), self.site.site, year)), suite, self._facts[year]])

    @cached_property
    def rows(self) -> pd.DataFrame:
        """The stored rows; none where the file is absent or cannot be read, so that everything is checked again."""
        if self.lake.made_from(CHECKS, self.site.site) is None:
            return pd.DataFrame({column: pd.Series(dtype="object") for column in CHECKS.names})
        return self.lake.frame(CHECKS, self.site.site)

    @cached_property
    def checked(self) -> dict[str, str]:
        """What each checked partition was checked as: `_as_it_is` by table and partition."""
        try:
            stored = json.loads(self.lake.made_from(CHECKS, self.site.site) or "{}")
        except ValueError:
            return {}
        return stored if isinstance(stored, dict) else {}

    def verdict(self, name: str, year: int | None) -> Verdict | None:
        """What the checks found in a stored partition; None: they have not looked at it as it is now."""
        if self.checked.get(f"{name} {partition_name(year)}") != self._as_it_is(name, year):
            return None
        return self._verdicts.get((name, partition_name(year)), Verdict((), ()))

    @cached_property
    def _verdicts(self) -> dict[tuple[str, str], Verdict]:
        """What fails, by table and partition; those that are not named keep to everything."""
        failed = self.rows[~self.rows["passed"].astype(bool)]
        found: dict[tuple[str, str], dict[str, list[str]]] = {}
        for row in failed.to_dict("records"):
            by_severity = found.setdefault((row["table"], row["partition"]), {"error": [], "warning": []})
            by_severity[row["severity"]].append(f"{row['expectation']}: {row['detail']}")
        return {of: Verdict(tuple(said["error"]), tuple(said["warning"])) for of, said in found.items()}

    def keep(self, found: Mapping[tuple[str, int | None], list[Outcome]]) -> None:
        """Replace the rows of partitions, by table and water year, all in one writing: the table holds those of every partition of the
        site."""
        new = [
            pd.DataFrame([asdict(outcome) for outcome in outcomes]).assign(table=name, partition=partition_name(year))
            for (name, year), outcomes in found.items()
        ]
        checked = {f"{name} {partition_name(year)}": self._as_it_is(name, year) for name, year in found}
        replaced = (self.rows["table"].astype(str) + " " + self.rows["partition"].astype(str)).isin(checked)
        others = [self.rows[~replaced]] if not replaced.all() else []
        rows = pd.concat([*others, *(one[list(CHECKS.names)] for one in new)], ignore_index=True)
        self.lake.write_frame(CHECKS, rows, json.dumps(self.checked | checked, sort_keys=True), self.site.site)
        for name in ("rows", "checked", "_verdicts"):
            self.__dict__.pop(name, None)


def check_tables(
    bench: Workbench, site: Site, names: Sequence[str], years: Sequence[int | None]
) -> dict[tuple[str, int | None], Verdict]:
    """Hold stored partitions of some tables to their expectations, but those that were as they are now; keep what was found.

    All are judged together and what was found is written once, since either takes its time however little there is. Partitions that do
    not lie in the lake are left out.

    Returns:
        By table and water year.
    """
    book = bench.check_books.setdefault(site.site, CheckBook(bench.lake, site))
    files = {(name, year): bench.lake.path(table(name), site.site, year) for name in names for year in years}
    files = {of: file for of, file in files.items() if file.exists()}
    unseen = [of for of in files if book.verdict(*of) is None]
    for name, year in unseen:
        bench.say(name, site.site, year, "checking")
    if unseen:
        known = {year: facts(site, year) for year in {year for _, year in unseen}}
        parts = {
            (name, year): Partition(
                bench.session.read_parquet(str(files[name, year]), hive_partitioning=False), table(name), known[year]
            )
            for name, year in unseen
        }
        book.keep(check_partitions(bench.session, parts, bench.others.elsewhere))
    verdicts = {of: book.verdict(*of) for of in files}
    return {of: verdict for of, verdict in verdicts.items() if verdict is not None}


def check(bench: Workbench, site: Site, name: str, year: int | None) -> Verdict:
    """The same for one partition that lies in the lake."""
    return check_tables(bench, site, [name], [year])[name, year]
