"""The raw files of one site: their digests, and which of them matter to a stretch of time.

Belongs here: listing, digests, the choice of files by the times that `source_files` gives.
Does not: reading what is in them (stages/intake.py).
"""

from __future__ import annotations

import functools
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from pathlib import Path
from typing import Any, Literal

import pandas as pd

from pipeline.lake import Lake, LakeError
from pipeline.lake.fingerprint import file_digest
from pipeline.site import Site
from pipeline.stages.intake import raw_paths, record_formats
from pipeline.tables import table

Kind = Literal["logger", "weather"]
Files = list[tuple[str, str]]
"""Path below the raw folder and SHA-256 of each file, in order of path."""


class UnreadFilesError(Exception):
    """The raw files are not those that `source_files` tells of: which times they hold is not known yet."""


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
    """What lies in a site's raw folder now."""

    def __init__(self, lake: Lake, site: Site) -> None:
        self.lake = lake
        self.site = site
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
    def digests(self) -> dict[str, str]:
        """SHA-256 of every file that holds readings, by path below the raw folder."""
        return dict(self._digests(raw_paths(self.site, self.folder)))

    def reading_files(self) -> Files:
        """Every file that holds readings."""
        return sorted(self.digests.items())

    def sample_paths(self) -> list[Path]:
        """Field books: which sample is which water."""
        return sorted(self.folder.glob("samples/*.csv*"))

    def laboratory_paths(self) -> list[Path]:
        """Laboratory reports."""
        return sorted(self.folder.glob("lab/*.csv*"))

    def sample_files(self) -> Files:
        """Field books and laboratory reports."""
        return self._digests([*self.sample_paths(), *self.laboratory_paths()])

    @cached_property
    def account(self) -> pd.DataFrame:
        """The stored rows of `source_files`.

        Raises:
            UnreadFilesError: they do not tell of the files that lie in the folder now.
        """
        declared = table("source_files")
        if self.lake.made_from(declared, self.site.site) is None:
            raise UnreadFilesError(f"the raw files of {self.site.site} have not been read yet")
        rows = self.lake.frame(declared, self.site.site)
        if dict(zip(rows["path"], rows["file_id"], strict=True)) != self.digests:
            raise UnreadFilesError(f"the raw files of {self.site.site} have changed since they were last read")
        return rows

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
