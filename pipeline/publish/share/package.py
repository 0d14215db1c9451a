"""The folder and the archive that collaborators take away.

Belongs here: which tables are shared, where each file lies, replacing a former package whole or not at all, the same bytes from the same
lake.
Does not: how a cell is written (delimited_text.py), the words of the package (words.py, methods.py), its descriptors (descriptors.py).
"""

from __future__ import annotations

import os
import shutil
import uuid
import zipfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import duckdb
import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.lake import Lake
from pipeline.lake.fingerprint import file_digest
from pipeline.lake.lake import ROW_GROUP
from pipeline.publish.share.delimited_text import write_csv
from pipeline.publish.share.descriptors import citation_file, data_package, provenance
from pipeline.publish.share.methods import methods_text
from pipeline.publish.share.register_tables import register_rows, register_tables
from pipeline.publish.share.time_series import write_time_series
from pipeline.publish.share.words import readme_text
from pipeline.site import Site
from pipeline.tables import TABLES, Table, table
from pipeline.tables.dictionary import dictionary_csv
from pipeline.tables.schema import arrow_schema

SHARED = (
    "loads_annual", "loads_monthly", "loads_daily", "loads_seasonal", "loads_custom", "loads_event", "loads_treatment",
    "load_methods", "uncertainty_budget", "load_changes", "revisions", "hourly_flow", "concentration", "events", "weather_hours", "outages",
    "samples", "sample_results", "sample_flow", "receiving_water_results", "quality_control", "laboratory_batches",
    "meter_proofs", "meter_comparisons", "meter_findings", "gap_skill", "source_files", "checks",
)  # fmt: skip
"""What collaborators need, in the order in which the package lists it. Publishing is deliberate: a table is shared when its name stands
here and it is declared."""

BY_INTERVAL = ("interval_flow", "gauge_readings")
"""The record by metering interval, which is long: shared when asked for."""

DIGESTS = "SHA256SUMS"
TIME_SERIES = "netcdf/hourly.nc"
EARLIEST_OF_ARCHIVES = (1980, 1, 1, 0, 0, 0)
"""The time that stands beside every file of the archive: the first that its format knows, so that no clock changes its bytes."""


class ShareError(Exception):
    """The package cannot be made; the message is a sentence for a person."""


@dataclass(frozen=True)
class Shared:
    """What was made: the folder, the archive if one was asked for, rows by table, and declared tables that are not in the lake."""

    folder: Path
    archive: Path | None
    rows: Mapping[str, int]
    absent: tuple[str, ...]


@dataclass(frozen=True)
class Content:
    """One table of the package: its declaration, and the stored files or the rows it is made of."""

    declared: Table
    parts: tuple[Path, ...] = ()
    rows: pa.Table | None = None

    @property
    def csv(self) -> str:
        """Path of the delimited text in the package."""
        return f"csv/{self.declared.name}.csv"

    @property
    def parquet(self) -> str:
        """Path of the Parquet file in the package."""
        return f"parquet/{self.declared.name}.parquet"

    def count(self) -> int:
        """Number of rows."""
        return sum(pq.read_metadata(part).num_rows for part in self.parts) + (self.rows.num_rows if self.rows else 0)

    def relation(self, session: duckdb.DuckDBPyConnection) -> duckdb.DuckDBPyRelation:
        """The rows, in the order of the water years and within them as they are stored."""
        if self.rows is not None:
            return session.from_arrow(self.rows)
        columns = ", ".join(f'"{name}"' for name in self.declared.names)
        return session.read_parquet([str(part) for part in self.parts], hive_partitioning=False).project(columns)

    def batches(self) -> Iterator[pa.RecordBatch]:
        """The same rows, at most so many at once as a row group holds."""
        schema = arrow_schema(self.declared)
        if self.rows is not None:
            yield from self.rows.to_batches()
        for part in self.parts:
            with pq.ParquetFile(part) as file:
                for batch in file.iter_batches(ROW_GROUP, columns=list(self.declared.names)):
                    yield from pa.Table.from_batches([batch]).cast(schema).to_batches()


def contents(lake: Lake, site: Site, by_interval: bool) -> tuple[list[Content], tuple[str, ...]]:
    """The tables that are shared, and names of those that are declared and not in the lake."""
    declared = {one.name for one in TABLES}
    found, absent = [], []
    for name in (*SHARED, *(BY_INTERVAL if by_interval else ())):
        if name not in declared:
            continue
        one = table(name)
        years = [None] if one.time_column is None else lake.years(one, site.site)
        parts = tuple(path for year in years if (path := lake.path(one, site.site, year)).exists())
        if parts:
            found.append(Content(one, parts))
        else:
            absent.append(name)
    found += [Content(one, rows=register_rows(site, one)) for one in register_tables(site)]
    return found, tuple(absent)


def share(
    session: duckdb.DuckDBPyConnection,
    lake: Lake,
    site: Site,
    out: Path,
    *,
    archive: bool = False,
    by_interval: bool = False,
    netcdf: bool = False,
    stale: tuple[str, ...] = (),
    expect: Callable[[int], None] = lambda rows: None,
    wrote: Callable[[int], None] = lambda rows: None,
) -> Shared:
    """Make the package; a former one of the same place is replaced whole or not at all.

    Args:
        session: does the row work in bounded memory.
        lake: holds the tables.
        site: the experiment.
        out: the folder to make.
        archive: whether to make `out` with the ending .zip beside it.
        by_interval: whether to share the record by metering interval too.
        netcdf: whether to share hourly series as one netCDF file too.
        stale: sentences on what of the lake is not up to date, which the package repeats.
        expect: told how many rows are to come.
        wrote: told how many rows have been written since it was told last.

    Raises:
        ShareError: there are no loads yet, or something else lies where the package would.
    """
    zip_path = out.with_name(f"{out.name}.zip") if archive else None
    _refuse_what_is_not_ours(out, zip_path, lake, site)
    found, absent = contents(lake, site, by_interval)
    if not any(content.declared.name == "loads_annual" for content in found):
        raise ShareError(f"{lake.tables} holds no loads of {site.title} yet. `drainledger run` computes them.")
    expect(2 * sum(content.count() for content in found))
    with _beside(out) as folder:
        rows = _write_tables(session, found, folder, wrote)
        if netcdf:
            (folder / TIME_SERIES).parent.mkdir()
            write_time_series(lake, site, folder / TIME_SERIES, wrote)
        tables = [content.declared for content in found]
        (folder / "dictionary.csv").write_bytes(dictionary_csv(tables).encode())
        texts = {
            "README.md": readme_text(session, lake, site, tables, rows, absent, stale, TIME_SERIES if netcdf else None),
            "METHODS.md": methods_text(session, lake, site, stale),
            "CITATION.cff": citation_file(lake, site),
            "provenance.json": provenance(lake, site, stale),
        }
        for name, text in texts.items():
            (folder / name).write_bytes(text.encode())
        files = [(content.declared, content.csv, content.parquet, rows[content.declared.name]) for content in found]
        (folder / "datapackage.json").write_bytes(data_package(lake, site, folder, files).encode())
        digests = {path: file_digest(folder / path) for path in _files_of(folder)}
        (folder / DIGESTS).write_bytes("".join(f"{digest}  {path}\n" for path, digest in digests.items()).encode())
        if zip_path is not None:
            _write_archive(folder, zip_path, site.site)
    return Shared(out, zip_path, rows, absent)


def _write_tables(
    session: duckdb.DuckDBPyConnection, found: list[Content], folder: Path, wrote: Callable[[int], None]
) -> dict[str, int]:
    rows = {}
    for kind in ("csv", "parquet"):
        (folder / kind).mkdir()
    for content in found:
        rows[content.declared.name] = write_csv(content.relation(session), content.declared, folder / content.csv, wrote)
        schema = arrow_schema(content.declared)
        with pq.ParquetWriter(folder / content.parquet, schema, version="2.6", compression="zstd") as writer:
            for batch in content.batches():
                writer.write_batch(batch)
                wrote(batch.num_rows)
    return rows


def _files_of(folder: Path) -> list[str]:
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())


@contextmanager
def _beside(out: Path) -> Iterator[Path]:
    """A folder beside the target that takes its place at the end, or leaves nothing."""
    folder, former = (out.with_name(f".{out.name}.{uuid.uuid4().hex}") for _ in range(2))
    try:
        folder.mkdir(parents=True)
        yield folder
        if out.exists():
            os.replace(out, former)
        os.replace(folder, out)
    except OSError as error:
        if former.exists() and not out.exists():
            os.replace(former, out)
        raise ShareError(
            f"{out} could not be written: {error.strerror or error}. What lay there before is as it was. Check free space and "
            "permissions, then share again."
        ) from error
    finally:
        shutil.rmtree(folder, ignore_errors=True)
        shutil.rmtree(former, ignore_errors=True)


def _write_archive(folder: Path, target: Path, name: str) -> None:
    """A .zip of the folder whose bytes depend on its content alone: sorted, without times, the same rights for all."""
    beside = target.with_name(f".{target.name}.{uuid.uuid4().hex}")
    try:
        with zipfile.ZipFile(beside, "w") as archive:
            for path in _files_of(folder):
                entry = zipfile.ZipInfo(f"{name}/{path}", EARLIEST_OF_ARCHIVES)
                entry.create_system = 3
                entry.external_attr = 0o644 << 16
                entry.compress_type = zipfile.ZIP_STORED if path.endswith(".parquet") else zipfile.ZIP_DEFLATED
                with (folder / path).open("rb") as source, archive.open(entry, "w", force_zip64=True) as stream:
                    shutil.copyfileobj(source, stream, 1 << 20)
        os.replace(beside, target)
    finally:
        beside.unlink(missing_ok=True)


def _refuse_what_is_not_ours(out: Path, zip_path: Path | None, lake: Lake, site: Site) -> None:
    for kept in (site.folder, lake.root / "raw", lake.tables):
        inside = out.resolve().is_relative_to(kept.resolve())
        if inside or kept.resolve().is_relative_to(out.resolve()):
            raise ShareError(
                f"{out} would lie in or around {kept}, where only what belongs there is kept. Name another folder."
            )
    if out.exists() and (not out.is_dir() or (any(out.iterdir()) and not _is_a_package(out))):
        raise ShareError(
            f"{out} exists and is no package that was shared before, or holds files of yours beside it. Nothing was touched: "
            "name another folder, or move what is there."
        )
    if zip_path is not None and zip_path.is_dir():
        raise ShareError(f"{zip_path} is a folder. Nothing was touched: name another folder to share into.")


def _is_a_package(folder: Path) -> bool:
    """Whether a folder holds a package, unchanged names and nothing else."""
    try:
        lines = (folder / DIGESTS).read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError):
        return False
    return {line.partition("  ")[2] for line in lines} | {DIGESTS} == set(_files_of(folder))
