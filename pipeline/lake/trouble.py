"""What went wrong with a disk or a file, in a sentence with what to do.

Belongs here: the words for errors of the operating system, whoever met them: Python, Parquet or DuckDB.
Does not: whether anything is lost by it (whoever writes knows that), errors of content.
"""

from __future__ import annotations

import errno
import os
import re
import shutil
from pathlib import Path

WHAT: dict[int, tuple[str, str]] = {
    errno.ENOSPC: ("the disk is full", "Make room on it, then run again"),
    errno.EDQUOT: ("this account's share of the disk is used up", "Make room, or ask for a larger share, then run again"),
    errno.EFBIG: ("no file may grow so large here", "Raise the limit of file size (`ulimit -f`), then run again"),
    errno.EROFS: ("the disk is read-only", "Mount it writable, or name another folder, then run again"),
    errno.EACCES: ("this account lacks the permission", "Give it the permission to read and write there, then run again"),
    errno.EPERM: ("this account lacks the permission", "Give it the permission to read and write there, then run again"),
    errno.EIO: (
        "the disk reports a fault of its own",
        "Copy to another disk what can still be read, then run again there",
    ),
    errno.EMFILE: ("too many files are open", "Raise the limit of open files (`ulimit -n`), then run again"),
    errno.ENOTDIR: ("a file stands where a folder is needed", "Move it away, then run again"),
    errno.EISDIR: ("a folder stands where a file is needed", "Move it away, then run again"),
    errno.ENOENT: ("it is not there", "Check the name; another program may have moved it"),
    errno.ENOLCK: ("its file system knows no locks", "Put the lake on a disk on which two runs can notice one another"),
    errno.EOPNOTSUPP: (
        "its file system knows no locks",
        "Put the lake on a disk on which two runs can notice one another",
    ),
}
FULL = (errno.ENOSPC, errno.EDQUOT)
OTHER_WORDS: dict[str, int] = {
    "max_temp_directory_size": errno.ENOSPC,
    "database or disk is full": errno.ENOSPC,
    "attempt to write a readonly database": errno.EACCES,
    "unable to open database file": errno.EACCES,
    "disk I/O error": errno.EIO,
}
"""What DuckDB and SQLite say in place of the system's words."""


def trouble(error: BaseException, path: Path | None = None) -> str | None:
    """A sentence for an error of the operating system; none where it is no such error.

    Args:
        error: an `OSError`, or an error of Parquet's, DuckDB's or SQLite's that holds the system's words for one.
        path: what was being read or written; none: what the error names.
    """
    place = str(path or _named(error) or "")
    words = reason(error, Path(place) if place else None)
    if words is None:
        return None
    what, advice = words
    return f"{place + ': ' if place else ''}{what}. {advice}"


def reason(error: BaseException, path: Path | None) -> tuple[str, str] | None:
    """What is the matter, and what to do, of the same errors.

    Args:
        error: the error.
        path: a place on the disk, for the room that is left there.
    """
    number = _number(error)
    if number in WHAT:
        what, advice = WHAT[number]
        return (f"{what} ({free_room(path)})" if number in FULL and path else what), f"{advice}."
    if isinstance(error, OSError):
        return str(error.strerror or error), "Check the disk and the permissions, then run again."
    return None


def is_full(error: BaseException) -> bool:
    """Whether an error says that there is no room left."""
    return _number(error) in FULL


def _named(error: BaseException) -> str | None:
    """The file that an error names: Python in a place of its own, DuckDB in quotes among its words."""
    if name := getattr(error, "filename", None):
        return os.fsdecode(name) if isinstance(name, str | bytes) else None
    found = re.search(r'"(/[^"]+)"', str(error))
    return found[1] if found else None


def free_room(path: Path) -> str:
    """How much room is left where a file is, or is to be."""
    folder = path
    while not folder.exists() and folder != folder.parent:
        folder = folder.parent
    try:
        return f"{shutil.disk_usage(folder).free / 1e6:,.1f} MB are free"
    except OSError:
        return "how much is free is not known"


def _number(error: BaseException) -> int | None:
    """The system's number of an error, from its words where it has no number."""
    number = getattr(error, "errno", None)
    if number in WHAT:
        return int(number)
    text = str(error)
    words = OTHER_WORDS | {os.strerror(known): known for known in WHAT}
    return next((known for said, known in words.items() if said in text), None)
