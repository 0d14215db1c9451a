"""Published states of a site's loads: folders that are written once, whole or not at all, and never changed.

Belongs here: where they lie, their numbers, writing one, reading what one says of itself.
Does not: what is kept in one (orchestration/publishing.py).

They lie beside `tables/` and not in it: a table can be rebuilt, what was published cannot.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import uuid
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.lake.lake import Lake, LakeError

ABOUT = "revision.json"


@dataclass(frozen=True)
class Published:
    """The published states of one site, numbered from 1."""

    lake: Lake
    site: str

    @property
    def folder(self) -> Path:
        """Where they lie."""
        return self.lake.root / "published" / self.site

    def numbers(self) -> list[int]:
        """Numbers of all published states, ascending."""
        return sorted(int(path.parent.name) for path in self.folder.glob(f"*/{ABOUT}") if path.parent.name.isdecimal())

    def path(self, number: int) -> Path:
        """Folder of one published state."""
        return self.folder / f"{number:04d}"

    def kept(self, number: int) -> Lake:
        """The tables kept of one published state, as a lake of their own."""
        return Lake(self.path(number))

    def about(self, number: int) -> dict[str, Any]:
        """What a published state says of itself.

        Raises:
            LakeError: it cannot be read.
        """
        return self.read(number, ABOUT)

    def read(self, number: int, name: str) -> dict[str, Any]:
        """A JSON file of one published state.

        Raises:
            LakeError: it cannot be read.
        """
        path = self.path(number) / name
        try:
            value = json.loads(path.read_text(encoding="utf-8"))
        except (OSError, ValueError) as error:
            raise LakeError(f"{path} cannot be read: {error}. Put it back from a copy of the lake.") from error
        return value if isinstance(value, dict) else {}

    def keep(self, number: int, write: Callable[[Path], None]) -> Path:
        """Write a new published state; `write` is given the folder to fill.

        Raises:
            LakeError: it cannot be written; then nothing of it stays.
        """
        beside = self.folder / f".{number:04d}.{uuid.uuid4().hex}"
        try:
            beside.mkdir(parents=True)
            write(beside)
            for path in sorted(beside.rglob("*")):
                if path.is_file():
                    with path.open("rb") as stream:
                        os.fsync(stream.fileno())
            os.rename(beside, self.path(number))
        except OSError as error:
            raise LakeError(
                f"{self.path(number)} could not be written: {error}. Nothing was published. Check free space and permissions, then "
                "publish again."
            ) from error
        finally:
            with contextlib.suppress(OSError):
                shutil.rmtree(beside)
        return self.path(number)
