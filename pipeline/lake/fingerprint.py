"""What something was made from, in 64 hexadecimal digits.

Belongs here: the canonical digest of plain values and of a file's bytes.
Does not: which values a partition depends on (orchestration/freshness.py).
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import BinaryIO

Plain = None | bool | int | float | str | date | Sequence["Plain"] | Mapping[str, "Plain"]


def _as_text(value: object) -> str:
    if isinstance(value, datetime | date):
        return value.isoformat()
    raise TypeError(f"a fingerprint cannot be made of {type(value).__name__}")


def canonical_text(value: Plain) -> str:
    """A plain value's canonical JSON: keys sorted, no white space, times as ISO 8601.

    Raises:
        TypeError: the value holds something that has no canonical text.
    """
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, default=_as_text)


def fingerprint(value: Plain) -> str:
    """SHA-256 of a plain value's canonical JSON.

    Raises:
        TypeError: the value holds something that has no canonical text.
    """
    return hashlib.sha256(canonical_text(value).encode()).hexdigest()


def file_digest(path: Path) -> str:
    """SHA-256 of a file's bytes, read in pieces."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def bytes_digest(stream: BinaryIO, size: int) -> str:
    """SHA-256 of the next `size` bytes of a stream, read in pieces."""
    digest = hashlib.sha256()
    while size > 0 and (piece := stream.read(min(size, 1 << 20))):
        digest.update(piece)
        size -= len(piece)
    return digest.hexdigest()
