"""The lake: one folder with raw text and tables.

Belongs here: which file holds which partition, reading partitions as relations or frames, replacing one atomically.
Does not: which partitions are stale (orchestration/), what is in a raw file (stages/intake.py).
"""

from __future__ import annotations

import base64
import contextlib
import json
import os
import re
import shutil
import uuid
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.lake.fingerprint import bytes_digest
from pipeline.lake.trouble import free_room, reason
from pipeline.tables import Table
from pipeline.tables.schema import SQL_TYPES, arrow_schema

FINGERPRINT_KEY = "drainledger.made_from"
PARTS_KEY = "drainledger.parts"
CONTENT_KEY = "drainledger.content"
_CONTENT_TO_COME = "content".ljust(64, ".")
"""Stands in the footer for the digest of the content until all rows are written; as long as that digest."""
WORK_FOLDER = ".work"
"""Below the lake: what a run needs while it runs."""
UNFINISHED = re.compile(r"\..+\.[0-9a-f]{32}")
"""Name of a file that is being written."""
ROW_GROUP = 122_880
"""Rows of one row group, the unit that DuckDB reads in parallel."""


class LakeError(Exception):
    """The lake cannot be read or written; the message is a sentence for a person."""


@dataclass(frozen=True)
class Stored:
    """What a stored partition says of itself.

    `made_from` is the fingerprint of what it was made from, `parts_text` the parts of that as canonical JSON (an empty text
    where they were not given), `content` the SHA-256 of the file's bytes before its footer: the same rows have the same.
    """

    made_from: str
    content: str
    parts_text: str

    @cached_property
    def parts(self) -> dict[str, Any]:
        """What it was made from, part by part; empty where the file does not say."""
        parts = json.loads(self.parts_text) if self.parts_text else {}
        return parts if isinstance(parts, dict) else {}


@dataclass(frozen=True)
class Lake:
    """One folder: `raw/` is never written here, `tables/` can always be rebuilt.

    A partition is a table, a site and a water year; `year=None` stands for a table that is kept once per site.
    """

    root: Path

    def raw(self, site: str) -> Path:
        """Folder of a site's raw files."""
        return self.root / "raw" / site

    @property
    def tables(self) -> Path:
        """Folder of all tables."""
        return self.root / "tables"

    def path(self, table: Table, site: str, year: int | None = None) -> Path:
        """File of one partition, whether or not it exists."""
        folder = self.tables / table.name / f"site={site}"
        if table.time_column is not None:
            if year is None:
                raise ValueError(f"{table.name} is kept by water year, and none was given")
            folder = folder / f"year={year}"
        return folder / "part.parquet"

    def stored(self, table: Table, site: str, year: int | None = None) -> Stored | None:
        """What the stored partition says of itself; none if it is absent, unreadable or of an unknown origin."""
        try:
            metadata = pq.read_metadata(self.path(table, site, year)).metadata or {}
        except (OSError, pa.ArrowException):
            return None
        if FINGERPRINT_KEY.encode() not in metadata:
            return None
        made_from, content, parts = (
            metadata.get(key.encode(), b"").decode() for key in (FINGERPRINT_KEY, CONTENT_KEY, PARTS_KEY)
        )
        return Stored(made_from, content, parts)

    def made_from(self, table: Table, site: str, year: int | None = None) -> str | None:
        """Fingerprint of what the stored partition was made from; none if it is absent or unreadable."""
        stored = self.stored(table, site, year)
        return stored.made_from if stored is not None else None

    def years(self, table: Table, site: str) -> list[int]:
        """Water years of which the table has a partition, ascending."""
        folder = self.tables / table.name / f"site={site}"
        return sorted(int(part.parent.name.removeprefix("year=")) for part in folder.glob("year=*/part.parquet"))

    def relation(
        self,
        session: duckdb.DuckDBPyConnection,
        table: Table,
        site: str,
        years: Iterable[int | None] = (None,),
    ) -> duckdb.DuckDBPyRelation:
        """Stored partitions as one relation, in the order of `years`; absent partitions hold no rows."""
        paths = [str(path) for year in years if (path := self.path(table, site, year)).exists()]
        if not paths:
            columns = ", ".join(f'NULL::{SQL_TYPES[c.type]} AS "{c.name}"' for c in table.columns)
            return session.sql(f"SELECT {columns} WHERE false")
        columns = ", ".join(f'"{name}"' for name in table.names)
        return session.read_parquet(paths, hive_partitioning=False).project(columns)

    def frame(self, table: Table, site: str, years: Iterable[int | None] = (None,)) -> pd.DataFrame:
        """Stored partitions as one frame, in the order of `years`; absent partitions hold no rows.

        Instants come as UTC timestamps, days as dates.

        Raises:
            LakeError: a file is damaged or may not be read.
        """
        schema = arrow_schema(table)
        paths = [path for year in years if (path := self.path(table, site, year)).exists()]
        parts = [_read(path, schema) for path in paths]
        whole = pa.concat_tables(parts, promote_options="permissive") if parts else schema.empty_table()
        return whole.to_pandas()

    def write_frame(
        self,
        table: Table,
        frame: pd.DataFrame,
        made_from: str,
        site: str,
        year: int | None = None,
        parts_text: str = "",
    ) -> Path:
        """Replace one partition by the rows of a frame, sorted as declared; `made_from` and `parts_text` as in `Stored`.

        Raises:
            LakeError: the frame does not fit the declaration, or the folder cannot be written.
        """
        schema = arrow_schema(table)
        ordered = frame.loc[:, list(table.names)].sort_values(list(table.sort), kind="stable")
        for column in table.columns:
            empty = int(ordered[column.name].isna().sum())
            if empty and not column.nullable:
                raise LakeError(
                    f"{table.name} of {site}: column {column.name} has {empty} empty values, and its declaration allows none"
                )
        try:
            rows = pa.Table.from_pandas(ordered, schema=schema, preserve_index=False, safe=True)
        except (pa.ArrowException, KeyError, TypeError, ValueError) as error:
            raise LakeError(f"{table.name} of {site} does not fit its declaration: {error}") from error
        rows = rows.replace_schema_metadata(None)
        texts = [c.name for c in table.columns if c.type in ("text", "code")]
        integers = [c.name for c in table.columns if c.type in ("integer", "instant", "day")]

        def write(path: Path) -> None:
            with pq.ParquetWriter(
                path,
                rows.schema,
                version="2.6",
                data_page_version="2.0",
                compression="zstd",
                use_dictionary=texts,
                column_encoding=dict.fromkeys(integers, "DELTA_BINARY_PACKED"),
            ) as writer:
                writer.write_table(rows, row_group_size=ROW_GROUP)
                writer.add_key_value_metadata(_says_of_itself(made_from, parts_text))
            _seal(path)

        return _replace(self.path(table, site, year), write)

    def write_relation(
        self,
        table: Table,
        rows: duckdb.DuckDBPyRelation,
        made_from: str,
        site: str,
        year: int | None = None,
        parts_text: str = "",
    ) -> Path:
        """Replace one partition by the rows of a relation, in the order in which it gives them.

        The relation must give the declared columns in declared order; DuckDB streams it to the file, so that the rows
        never stand in memory as a whole. It is computed twice where it has columns of an enumerated type.

        Raises:
            LakeError: the relation does not fit the declaration, or the folder cannot be written.
        """
        if tuple(rows.columns) != table.names:
            raise LakeError(f"{table.name} of {site} has columns {rows.columns}, declared are {list(table.names)}")
        schema = base64.b64encode(arrow_schema(table).serialize().to_pybytes()).decode()
        with_few_words = _words_that_occur(rows)
        says = {"ARROW:schema": schema, **_says_of_itself(made_from, parts_text)}
        metadata = ", ".join(f"'{key}': '{_quoted(text)}'" for key, text in says.items())

        def write(path: Path) -> None:
            with_few_words.query(
                "rows_to_write",
                f"""
                COPY (FROM rows_to_write) TO '{_quoted(path)}' (
                    FORMAT parquet, PARQUET_VERSION v2, COMPRESSION zstd, ROW_GROUP_SIZE {ROW_GROUP},
                    KV_METADATA {{{metadata}}}
                )
                """,
            )
            _seal(path)

        return _replace(self.path(table, site, year), write)

    @property
    def work(self) -> Path:
        """Folder for what the run that holds the lake needs while it runs."""
        return self.root / WORK_FOLDER

    def clear_leftovers(self) -> None:
        """Remove what a run that was killed was still writing. Only the run that holds the lake may do so."""
        shutil.rmtree(self.work, ignore_errors=True)
        for folder, _, names in os.walk(self.tables):
            for name in names:
                if UNFINISHED.fullmatch(name):
                    with contextlib.suppress(OSError):
                        os.unlink(os.path.join(folder, name))

    def write_text(self, name: str, text: str) -> Path:
        """Replace a text file in `tables/`."""
        return replace_text(self.tables / name, text)


def _read(path: Path, schema: pa.Schema) -> pa.Table:
    """The declared columns of one file."""
    try:
        return pq.ParquetFile(path).read(columns=schema.names).cast(schema)
    except (OSError, pa.ArrowException) as error:
        if isinstance(error, OSError) and error.errno is not None:
            what, advice = reason(error, path) or (str(error), "")
        else:
            what = f"it is damaged, or another version of the program wrote it ({str(error).splitlines()[0]})"
            advice = "`drainledger run` makes it anew; if that does not help, remove the file first."
        raise LakeError(f"{path} cannot be read: {what}. {advice}") from error


def replace_text(path: Path, text: str) -> Path:
    """Replace one file by a text in UTF-8, whole or not at all; its line ends are those of the text.

    Args:
        path: the file; its folder is made where there is none.
        text: the new content.

    Raises:
        LakeError: the file cannot be written; the former one, if there was one, stands as it was.
    """
    return _replace(path, lambda beside: beside.write_bytes(text.encode()))


def _replace(path: Path, write: Callable[[Path], object]) -> Path:
    """Write beside the target, force it to the disk, and only then put it in the target's place."""
    beside = path.with_name(f".{path.name}.{uuid.uuid4().hex}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write(beside)
        with beside.open("rb+") as stream:
            os.fsync(stream.fileno())
        os.replace(beside, path)
        _force_names(path.parent)
    except (OSError, duckdb.IOException) as error:
        raise LakeError(_not_written(path, beside, error)) from error
    finally:
        with contextlib.suppress(OSError):
            beside.unlink(missing_ok=True)
    return path


def _force_names(folder: Path) -> None:
    """Force the names in a folder to the disk, where the system knows that: a new name then outlives a loss of power."""
    with contextlib.suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


def _not_written(path: Path, beside: Path, error: Exception) -> str:
    """Why a file could not be written, and that nothing is lost."""
    known = reason(error, path)
    what, advice = known or (str(error), f"Check free space ({free_room(path)}) and permissions, then run again.")
    try:
        size = beside.stat().st_size / 1e6
    except OSError:
        size = 0.0
    begun = f" {size:,.1f} MB of it had been written." if size >= 0.1 else ""
    return f"{path} could not be written: {what}.{begun} The former file, if there was one, stands as it was. {advice}"


def _words_that_occur(rows: duckdb.DuckDBPyRelation) -> duckdb.DuckDBPyRelation:
    """The same rows, columns of an enumerated type narrowed to the words that occur in them.

    DuckDB writes every word of a type into the file: the same rows would have other bytes if the type also knew words of other
    years. As plain text they would take three times as long.
    """
    few = [name for name, kind in zip(rows.columns, rows.types, strict=True) if kind.id == "enum"]
    if not few:
        return rows
    listed = ", ".join(f'list(DISTINCT "{name}"::VARCHAR)' for name in few)
    occurring = dict(zip(few, rows.aggregate(listed).fetchall()[0], strict=True))

    def narrowed(name: str) -> str:
        known = sorted(word for word in occurring[name] or () if word is not None) or [""]
        words = ", ".join("'" + word.replace("'", "''") + "'" for word in known)
        return f'"{name}"::ENUM({words}) AS "{name}"'

    return rows.project(", ".join(narrowed(name) if name in few else f'"{name}"' for name in rows.columns))


def _says_of_itself(made_from: str, parts_text: str) -> dict[str, str]:
    return {FINGERPRINT_KEY: made_from, PARTS_KEY: parts_text, CONTENT_KEY: _CONTENT_TO_COME}


def _seal(path: Path) -> None:
    """Put the digest of the rows' bytes into the footer, where its place was kept.

    A Parquet file ends in its footer, the footer's length in four bytes, and four bytes more.
    """
    with path.open("rb+") as stream:
        stream.seek(-8, os.SEEK_END)
        length = int.from_bytes(stream.read(4), "little")
        footer_start = stream.seek(-8 - length, os.SEEK_END)
        footer = stream.read(length)
        stream.seek(0)
        digest = bytes_digest(stream, footer_start)
        stream.seek(footer_start + footer.index(_CONTENT_TO_COME.encode()))
        stream.write(digest.encode())


def _quoted(text: Path | str) -> str:
    return str(text).replace("'", "''")
