"""One run at a time on one lake.

Belongs here: taking the lake's lock, saying who holds it, recognising one left by a process that is gone.
Does not: what the holder does with it.
"""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import platform
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from pipeline.lake import LakeError, trouble

LOCK_FILE = ".lock"


class LakeBusyError(Exception):
    """Another run holds the lake; the message names it."""


@contextmanager
def hold_lake(root: Path, purpose: str, wait_seconds: float = 0.0) -> Iterator[None]:
    """Hold a lake for one run.

    The operating system gives the lock up with the process that took it, however that ends, so that a lock file whose
    process is gone stops nobody.

    Args:
        root: the lake's folder.
        purpose: what the holder does, for the sentence that another run is told.
        wait_seconds: how long to wait for the present holder.

    Raises:
        LakeBusyError: someone else holds the lake.
        LakeError: the lock file cannot be made or locked.
    """
    path = root / LOCK_FILE
    try:
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
    except OSError as error:
        raise LakeError(
            f"A run marks its lake as in use, and could not. {trouble(error, path)} Nothing was computed."
        ) from error
    try:
        patience = time.monotonic() + wait_seconds
        while not _taken(descriptor, path):
            if time.monotonic() >= patience:
                raise LakeBusyError(_busy(path))
            time.sleep(0.2)
        holder = {
            "process": os.getpid(),
            "machine": platform.node(),
            "since": datetime.now(UTC).isoformat(timespec="seconds"),
            "purpose": purpose,
        }
        with contextlib.suppress(OSError):
            # On a full disk the lock itself holds all the same; only its words are missing.
            os.truncate(descriptor, 0)
            os.pwrite(descriptor, json.dumps(holder).encode(), 0)
        try:
            yield
        finally:
            with contextlib.suppress(OSError):
                os.truncate(descriptor, 0)
    finally:
        os.close(descriptor)


def _taken(descriptor: int, path: Path) -> bool:
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError as error:
        raise LakeError(
            f"A run marks its lake as in use, and could not. {trouble(error, path)} Nothing was computed."
        ) from error
    return True


def _busy(path: Path) -> str:
    who = "another run, which has only just begun or writes on a full disk"
    try:
        holder = json.loads(path.read_text())
        # The words of a run that was killed stay until the next one has written its own.
        if holder["machine"] != platform.node() or is_alive(int(holder["process"])):
            who = f"{holder['purpose']} (process {holder['process']} on {holder['machine']}, since {holder['since']})"
    except (OSError, ValueError, KeyError, TypeError):
        pass
    return f"The lake {path.parent} is in use by {who}. Wait until it ends, or end that process, then run again."


def is_alive(process: int) -> bool:
    """Whether a process of this machine is there."""
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True
