"""A site folder and its lake on disk, for tests that run on them.

Belongs here: where both lie, what the tables hold to the byte, editing a register.
Does not: writing them (small_site.py, tests/field), running (computed_lake.py, history_site.py).
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar

from pipeline.lake import Lake
from pipeline.site import Site, load_site


@dataclass
class SiteOnDisk:
    """A lake in the folder `lake` below the root, and one site folder below `configs`."""

    name: ClassVar[str]
    root: Path

    @property
    def lake(self) -> Lake:
        return Lake(self.root / "lake")

    @property
    def folder(self) -> Path:
        return self.root / "configs" / self.name

    @property
    def site(self) -> Site:
        return load_site(self.folder)

    def digests(self, checks: bool = True) -> dict[str, str]:
        """SHA-256 of every table file, by path below tables/; `checks` among them or not."""
        tables = self.lake.tables
        return {
            path.relative_to(tables).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
            for path in sorted(tables.rglob("*.parquet"))
            if checks or path.relative_to(tables).parts[0] != "checks"
        }

    def edit(self, file: str, old: str, new: str) -> None:
        """Replace a piece of text in a file of the site folder; it must stand there exactly once."""
        path = self.folder / file
        text = path.read_text()
        assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times in {file}"
        path.write_text(text.replace(old, new))
