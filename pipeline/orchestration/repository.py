"""Which state of a repository a folder is in, and which versions of libraries are at work.

Belongs here: asking git, where there is one; digest of the program's own files; versions.
Does not: deciding what is done with them (publishing.py).
"""

from __future__ import annotations

import platform
import subprocess
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

import pipeline
from pipeline.lake import fingerprint
from pipeline.lake.fingerprint import file_digest

LIBRARIES = ("drainledger", "duckdb", "numpy", "pandas", "pyarrow", "scipy")


def program_folder() -> Path:
    """Where the program's own files lie."""
    return Path(pipeline.__file__).parent


def program_digest() -> str:
    """Digest of the program's own files, whichever way it was installed."""
    folder = program_folder()
    files = sorted(path for path in folder.rglob("*") if path.suffix in (".py", ".sql"))
    return fingerprint([[path.relative_to(folder).as_posix(), file_digest(path)] for path in files])


def commit_of(file: Path) -> tuple[str | None, bool | None]:
    """The commit that a file's folder is at, and whether the folder differs from it; nothing where git does not keep the file."""
    folder = file.parent
    if _git(folder, "ls-files", "--error-unmatch", file.name) is None:
        return None, None
    commit, changes = _git(folder, "rev-parse", "HEAD"), _git(folder, "status", "--porcelain", "--", ".")
    return (None, None) if commit is None or changes is None else (commit.strip(), bool(changes.strip()))


def _git(folder: Path, *arguments: str) -> str | None:
    try:
        done = subprocess.run(
            ["git", "-C", str(folder), *arguments], capture_output=True, text=True, check=False, timeout=30
        )
    except (OSError, subprocess.TimeoutExpired):
        return None
    return done.stdout if done.returncode == 0 else None


def versions() -> dict[str, str]:
    """Versions of Python and of the libraries that decide numbers."""
    found = {"python": platform.python_version()}
    for name in LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "unknown"
    return found
