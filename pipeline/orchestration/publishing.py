"""Publishing a state of the loads: what is kept of it, so that it can be compared with and rebuilt.

Belongs here: collecting loads, origins, registers, digests of raw files, the state of repository and libraries; the `revisions` table.
Does not: where that lies (lake/published.py), what moved between two states (stages/load_changes.py, history.py).
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pandas as pd

from pipeline.lake import Lake, fingerprint
from pipeline.lake.published import ABOUT, Published
from pipeline.orchestration.computations import COMPUTATIONS
from pipeline.orchestration.freshness import Freshness, needed_key
from pipeline.orchestration.raw_files import RawFiles
from pipeline.orchestration.repository import commit_of, program_digest, program_folder, versions
from pipeline.orchestration.workbench import Workbench
from pipeline.site import Site
from pipeline.site.registers import REGISTERS
from pipeline.site.structure import FILE
from pipeline.tables import table

LOADS = ("loads_annual", "loads_monthly", "loads_event")
"""The tables that make a state of the loads."""
KEPT = (*LOADS, "load_basis", "sample_results", "source_files")
ORIGINS = "origins.json"
RAW_DIGESTS = "raw_files.sha256"
SITE_FOLDER = "site"

Origins = Mapping[str, Mapping[str, Any]]
"""By table and water year (`needed_key`): `content`, and `parts`, which tables of one computation share."""


class PublishError(Exception):
    """The state of the loads cannot be published; the message is a sentence for a person."""


def publish(bench: Workbench, site: Site, reason: str) -> int:
    """Publish the loads of a site as they are now; gives the number of the published state.

    Raises:
        PublishError: a table is not up to date, there are no loads, or they are those of the last published state.
        LakeBusyError: a run holds the lake.
        LakeError: the lake cannot be read or written.
    """
    if not reason.strip():
        raise PublishError("A published state needs a reason: say in a few words why, with --reason.")
    with bench.hold("`drainledger publish`"):
        lake, raw = bench.lake, bench.raw_files(site)
        open_ones = [one for one in Freshness(lake, site, raw).all() if one.state != "fresh"]
        if open_ones:
            named = ", ".join(dict.fromkeys(one.table for one in open_ones))
            raise PublishError(
                f"{len(open_ones)} partitions of {site.title} are not up to date ({named}). Run `drainledger run` first: what is "
                "published must be made from what is there."
            )
        published = Published(lake, site.site)
        numbers = published.numbers()
        loads_now = loads_fingerprint(lake, site)
        if numbers and published.about(numbers[-1])["fingerprint"] == loads_now:
            raise PublishError(
                f"The loads of {site.title} are those of revision {numbers[-1]}, to the last digit: there is nothing to publish."
            )
        number = numbers[-1] + 1 if numbers else 1
        about = _about(lake, site, raw, number, reason.strip(), loads_now)
        published.keep(number, lambda folder: _write(folder, lake, site, raw, about))
    return number


def loads_fingerprint(lake: Lake, site: Site) -> str:
    """Digest of the loads' rows: the same loads have the same, whenever and from whatever they were made."""
    stored = {
        needed_key(name, year): lake.stored(table(name), site.site, year) for name in LOADS for year in site.water_years()
    }
    return fingerprint({key: one.content if one is not None else None for key, one in stored.items()})


def origins_of(lake: Lake, site: Site) -> Origins:
    """What every stored partition of a site says of itself."""
    return {
        needed_key(name, year): {"content": one.content, "parts": one.parts}
        for computation in COMPUTATIONS
        for name in computation.tables
        for year in computation.years(site)
        if (one := lake.stored(table(name), site.site, year)) is not None
    }


def _about(lake: Lake, site: Site, raw: RawFiles, number: int, reason: str, loads: str) -> dict[str, Any]:
    program_commit, program_changed = commit_of(program_folder() / "cli.py")
    registers_commit, registers_changed = commit_of(site.folder.resolve() / FILE)
    years = site.water_years()
    return {
        "revision": number,
        "made_at": datetime.now(UTC).isoformat(timespec="seconds"),
        "fingerprint": loads,
        "reason": reason,
        "first_water_year": years[0],
        "last_water_year": years[-1],
        "annual_loads": len(lake.frame(table("loads_annual"), site.site, years)),
        "raw_files": len(_raw_digests(raw)),
        "program_commit": program_commit,
        "program_changed": program_changed,
        "program_digest": program_digest(),
        "registers_commit": registers_commit,
        "registers_changed": registers_changed,
        "versions": versions(),
    }


def _raw_digests(raw: RawFiles) -> list[tuple[str, str]]:
    return sorted([*raw.reading_files(), *raw.sample_files(), *raw.bench_files()])


def _write(folder: Path, lake: Lake, site: Site, raw: RawFiles, about: Mapping[str, Any]) -> None:
    kept = Lake(folder)
    for name in KEPT:
        declared = table(name)
        for year in [None] if declared.time_column is None else site.water_years():
            target = kept.path(declared, site.site, year)
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(lake.path(declared, site.site, year), target)
    (folder / SITE_FOLDER).mkdir()
    for name in (FILE, *(model.file for model in REGISTERS.values())):
        if (site.folder / name).is_file():
            shutil.copyfile(site.folder / name, folder / SITE_FOLDER / name)
    (folder / RAW_DIGESTS).write_text(
        "".join(f"{digest}  {path}\n" for path, digest in _raw_digests(raw)), encoding="utf-8"
    )
    (folder / ORIGINS).write_text(
        json.dumps(_without_repeats(origins_of(lake, site)), ensure_ascii=False), encoding="utf-8"
    )
    (folder / ABOUT).write_text(json.dumps(about, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")


def _without_repeats(origins: Origins) -> dict[str, Any]:
    """The same with parts that several tables share written once."""
    shared = {fingerprint(one["parts"]): one["parts"] for one in origins.values()}
    return {
        "parts": shared,
        "partitions": {
            key: {"content": one["content"], "parts": fingerprint(one["parts"])} for key, one in origins.items()
        },
    }


def published_origins(published: Published, number: int) -> Origins:
    """What every partition said of itself when a state was published.

    Raises:
        LakeError: that cannot be read.
    """
    kept = published.read(number, ORIGINS)
    return {
        key: {"content": one["content"], "parts": kept["parts"][one["parts"]]} for key, one in kept["partitions"].items()
    }


def revision_rows(published: Published) -> pd.DataFrame:
    """Rows of `revisions`: what every published state says of itself.

    Raises:
        LakeError: one cannot be read.
    """
    rows = [published.about(number) for number in published.numbers()]
    for row in rows:
        row["made_at"] = pd.Timestamp(row["made_at"])
        row["versions"] = ", ".join(f"{name} {number}" for name, number in sorted(row["versions"].items()))
    declared = table("revisions")
    return pd.DataFrame(rows, columns=list(declared.names)).astype(
        {"program_changed": "boolean", "registers_changed": "boolean"}
    )
