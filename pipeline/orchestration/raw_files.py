"""The raw files of one site: their digests, which of them are held, and which matter to a stretch of time.

Belongs here: listing, digests, what became of files that were read before, the choice of files by the times that `source_files`
gives.
Does not: reading what is in them (stages/intake.py), telling a person of them (publish/summary.py).

A file that changed in place or vanished is held until the person decides: it counts as the file that was read last, so that what
was made from it stays fresh, and nothing is read from it.
"""

from __future__ import annotations

import copy
import functools
from collections.abc import Collection, Hashable, Iterable
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from pathlib import Path
from typing import Any, Literal

import pandas as pd

from pipeline.lake import Lake, LakeError
from pipeline.lake.fingerprint import bytes_digest, file_digest
from pipeline.site import Site
from pipeline.stages.intake import raw_paths, record_formats
from pipeline.tables import table

Kind = Literal["logger", "weather"]
RAW_TEXT_TABLES = ("source_files", "rejected_lines", "unread_values")
Files = list[tuple[str, str]]
"""Path below the raw folder and SHA-256 of each file, in order of path."""


class UnreadFilesError(Exception):
    """The raw files are not those that `source_files` tells of: which times they hold is not known yet."""


class HeldFileError(Exception):
    """What a computation would read has changed in place or vanished, and nobody has accepted that; the message names it."""


@dataclass(frozen=True)
class HeldFile:
    """A file that is not what was read of it, and what was read.

    `digest` is the SHA-256 of the bytes that were read, `digest_now` and `size_now` (bytes) tell of the file as it lies there now,
    and are None for a file that vanished. `readings` counts its lines in use; `first` and `last` bound them, and are None where
    there are none.
    """

    path: str
    digest: str
    digest_now: str | None
    size_now: int | None
    readings: int
    first: datetime | None
    last: datetime | None

    @property
    def vanished(self) -> bool:
        """Whether no file lies there now."""
        return self.digest_now is None


@dataclass(frozen=True)
class Span:
    """A file and the time of its readings, from the start of the first interval to the end of the last."""

    path: str
    first: datetime
    last: datetime


@dataclass(frozen=True)
class Choice:
    """The files of one logger (or of the weather record) that matter to a stretch of time.

    `start` and `end` bound the readings that are looked at: from the first interval of the nearest file before the stretch to the
    last of the nearest one after it, so that a running total finds the reading before and the reading after. Every file
    that holds a reading between the two is chosen; a file far away changes nothing.
    """

    logger: str
    start: datetime
    end: datetime
    paths: tuple[str, ...]


@functools.lru_cache(maxsize=100_000)
def _digest(path: Path, size: int, modified_ns: int) -> str:
    return file_digest(path)


class RawFiles:
    """What lies in a site's raw folder now, held against what was read of it.

    `accepted` lists paths below the raw folder that a person wants to be taken as they are now.
    """

    def __init__(self, lake: Lake, site: Site, accepted: Collection[str] = ()) -> None:
        self.lake = lake
        self.site = site
        self.accepted = accepted
        self.folder = lake.raw(site.site)

    def formats(self) -> list[dict[str, Any]]:
        """How each family of files is read, as plain values."""
        return [
            {
                "logger": form.logger,
                "kind": form.kind,
                "layout_name": form.layout_name,
                "layout": form.layout.model_dump(mode="json"),
                "whole": list(form.whole),
                "decimal": list(form.decimal),
                "large": sorted(form.large),
            }
            for form in record_formats(self.site)
        ]

    @cached_property
    def on_disk(self) -> dict[str, str]:
        """SHA-256 of every file that holds readings and lies in the folder now, by path below the raw folder."""
        return dict(self._digests(raw_paths(self.site, self.folder)))

    @cached_property
    def digests(self) -> dict[str, str]:
        """SHA-256 of every file that holds readings, by path below the raw folder; of a held file, that of what was read."""
        return dict(sorted((self.on_disk | {path: file.digest for path, file in self.held.items()}).items()))

    @cached_property
    def stored(self) -> pd.DataFrame | None:
        """The rows of `source_files`, whatever lies in the folder now; none where nothing was read yet."""
        declared = table("source_files")
        if self.lake.made_from(declared, self.site.site) is None:
            return None
        return self.lake.frame(declared, self.site.site)

    @cached_property
    def held(self) -> dict[str, HeldFile]:
        """Files that were read and have changed in place or vanished since, by path, without those that were accepted.

        A path that no pattern of site.yaml matches any more has not vanished while its file lies there, and a file whose bytes lie
        under another name (`renamed`) is not lost. A file that still begins with all that was read of it, as one does to which a
        modem appends, holds more and nothing else: it is read like a new file.
        """
        return {
            row["path"]: HeldFile(
                path=row["path"],
                digest=row["file_id"],
                digest_now=self.on_disk.get(row["path"]),
                size_now=(self.folder / row["path"]).stat().st_size if row["path"] in self.on_disk else None,
                readings=row["reading_lines"],
                first=None if pd.isna(row["first_time"]) else row["first_time"].to_pydatetime(),
                last=None if pd.isna(row["last_time"]) else row["last_time"].to_pydatetime(),
            )
            for row in self._departed
            if row["path"] not in self.accepted and row["path"] not in self.renamed and not self._has_only_grown(row)
        }

    def _has_only_grown(self, row: dict[Hashable, Any]) -> bool:
        path = self.folder / row["path"]
        if row["path"] not in self.on_disk or path.stat().st_size <= row["bytes"]:
            return False
        with path.open("rb") as stream:
            return bytes_digest(stream, row["bytes"]) == row["file_id"]

    @cached_property
    def renamed(self) -> dict[str, str]:
        """The path under which the bytes of a departed file lie now, for the same logger; by former path."""
        if not self._departed:
            return {}
        departed = {row["path"] for row in self._departed}
        loggers: dict[str, str] = {}
        for form in record_formats(self.site):
            for path in self.folder.glob(form.files):
                loggers.setdefault(path.relative_to(self.folder).as_posix(), form.logger)
        kept = {(digest, loggers[path]): path for path, digest in self.on_disk.items() if path not in departed}
        return {
            row["path"]: kept[row["file_id"], row["logger"]]
            for row in self._departed
            if (row["file_id"], row["logger"]) in kept
        }

    @cached_property
    def _departed(self) -> list[dict[Hashable, Any]]:
        """Rows of `source_files` whose file is not what was read."""
        if self.stored is None:
            return []
        now = self.stored["path"].map(self.on_disk)
        rows = self.stored[now != self.stored["file_id"]].to_dict("records")
        return [row for row in rows if row["path"] in self.on_disk or not (self.folder / row["path"]).is_file()]

    def as_read(self) -> RawFiles:
        """The same as if every held file were what was read of it."""
        before = copy.copy(self)
        before.held, before.digests = {}, self.digests
        return before

    @property
    def unread_files(self) -> list[str]:
        """Paths of the files that lie in the folder, are not held, and have not been read as they are now."""
        read = {} if self.stored is None else dict(zip(self.stored["path"], self.stored["file_id"], strict=True))
        return [path for path, digest in self.readable_files() if read.get(path) != digest]

    def as_if_read(self, rows: pd.DataFrame) -> RawFiles:
        """The same as if the unread files had been read, with what `source_files` would then say of them."""
        after = copy.copy(self)
        after.held, after.digests = self.held, self.digests
        stored = rows.iloc[:0] if self.stored is None else self.stored
        unchanged = stored[stored["file_id"] == stored["path"].map(self.digests)]
        instants = dict.fromkeys(("first_time", "last_time"), "datetime64[us, UTC]")
        after.stored = pd.concat([unchanged.astype(instants), rows.astype(instants)])
        for derived in ("account", "spans"):
            after.__dict__.pop(derived, None)
        return after

    @property
    def keepable(self) -> bool:
        """Whether all that was made of the held files lies in the lake, so that it can be kept when the others are read anew."""
        made_from = {self.lake.made_from(table(name), self.site.site) for name in RAW_TEXT_TABLES}
        return len(made_from) == 1 and None not in made_from

    def reading_files(self) -> Files:
        """Every file that holds readings, held ones as they were read."""
        return list(self.digests.items())

    def readable_files(self) -> Files:
        """Every file that holds readings and is not held."""
        return [(path, digest) for path, digest in self.digests.items() if path not in self.held]

    def sample_paths(self) -> list[Path]:
        """Field books: which sample is which water."""
        return sorted(self.folder.glob("samples/*.csv*"))

    def laboratory_paths(self) -> list[Path]:
        """Laboratory reports."""
        return sorted(self.folder.glob("lab/*.csv*"))

    def sample_files(self) -> Files:
        """Field books and laboratory reports."""
        return self._digests([*self.sample_paths(), *self.laboratory_paths()])

    def bench_paths(self) -> list[Path]:
        """Bench tests of meters."""
        return sorted(self.folder.glob("bench/*.csv*"))

    def bench_files(self) -> Files:
        """Bench tests of meters, with their digests."""
        return self._digests(self.bench_paths())

    @property
    def _sample_note(self) -> str:
        return f"sample_results/site={self.site.site}/files.sha256"

    def note_sample_files(self) -> None:
        """Write down which field books and laboratory reports were read, as lists of SHA-256 usually are: digest, two spaces, path."""
        self.lake.write_text(self._sample_note, "".join(f"{digest}  {path}\n" for path, digest in self.sample_files()))

    def noted_sample_files(self) -> Files:
        """Field books and laboratory reports as they were read."""
        try:
            lines = (self.lake.tables / self._sample_note).read_text().splitlines()
        except (OSError, UnicodeDecodeError):
            return []
        return [(path, digest) for digest, _, path in (line.partition("  ") for line in lines)]

    def departed_sample_files(self) -> list[tuple[str, str, str | None]]:
        """Field books and laboratory reports that changed in place or vanished since they were read: path, digest then and now."""
        return _departed(self.noted_sample_files(), self.sample_files())

    def departed_bench_files(self) -> list[tuple[str, str, str | None]]:
        """Bench tests that changed in place or vanished since they were read: path, digest then and now."""
        declared = table("bench_files")
        if self.lake.made_from(declared, self.site.site) is None:
            return []
        stored = self.lake.frame(declared, self.site.site)
        return _departed(zip(stored["path"], stored["file_id"], strict=True), self.bench_files())

    @cached_property
    def account(self) -> pd.DataFrame:
        """The stored rows of `source_files`.

        Raises:
            UnreadFilesError: they do not tell of the files that lie in the folder now.
        """
        if self.stored is None:
            raise UnreadFilesError(f"the raw files of {self.site.site} have not been read yet")
        if dict(zip(self.stored["path"], self.stored["file_id"], strict=True)) != self.digests:
            raise UnreadFilesError(f"the raw files of {self.site.site} have changed since they were last read")
        return self.stored

    @cached_property
    def spans(self) -> dict[tuple[str, str], list[Span]]:
        """Files that hold readings, by kind and logger."""
        rows = self.account
        rows = rows[rows["first_time"].notna()]
        spans: dict[tuple[str, str], list[Span]] = {}
        for kind, logger, path, first, last in zip(
            rows["kind"],
            rows["logger"],
            rows["path"],
            rows["first_time"].dt.to_pydatetime(),
            rows["last_time"].dt.to_pydatetime(),
            strict=True,
        ):
            spans.setdefault((kind, logger), []).append(Span(path, first, last))
        return spans

    def choices(self, start: datetime, end: datetime, kind: Kind) -> list[Choice]:
        """Per logger (or for the weather record) the files that matter to a stretch of time; see `Choice`."""
        return [
            choice
            for (of_kind, logger), spans in sorted(self.spans.items())
            if of_kind == kind and (choice := _choose(logger, spans, start, end)) is not None
        ]

    def files_for(self, start: datetime, end: datetime, kind: Kind) -> Files:
        """The files that matter to a stretch of time."""
        chosen = {path for choice in self.choices(start, end, kind) for path in choice.paths}
        return [(path, self.digests[path]) for path in sorted(chosen)]

    def _digests(self, paths: Iterable[Path]) -> Files:
        found = []
        for path in paths:
            try:
                seen = path.stat()
                digest = _digest(path, seen.st_size, seen.st_mtime_ns)
            except OSError as error:
                raise LakeError(
                    f"{path} cannot be read: {error.strerror or error}. Check the file and its permissions."
                ) from error
            found.append((path.relative_to(self.folder).as_posix(), digest))
        return sorted(found)


def _departed(noted: Iterable[tuple[str, str]], files: Files) -> list[tuple[str, str, str | None]]:
    now = dict(files)
    return [(path, digest, now.get(path)) for path, digest in noted if now.get(path) != digest]


def _choose(logger: str, spans: list[Span], start: datetime, end: datetime) -> Choice | None:
    touching = [span for span in spans if span.first < end and span.last > start]
    before = max((span for span in spans if span.last <= start), key=lambda span: span.last, default=None)
    after = min((span for span in spans if span.first >= end), key=lambda span: span.first, default=None)
    known = touching + [span for span in (before, after) if span is not None]
    if not known:
        return None
    earliest, latest = min(span.first for span in known), max(span.last for span in known)
    chosen = sorted(span.path for span in spans if span.first < latest and span.last > earliest)
    return Choice(logger, earliest, latest, tuple(chosen))
