"""Memory that a finished partition leaves behind.

Belongs here: giving freed memory back to the system. Does not: how much DuckDB may use (workbench.py).
"""

from __future__ import annotations

import ctypes
from contextlib import suppress

import pyarrow as pa


def give_back() -> None:
    """Return freed memory to the system, where the C library can be told to (GNU's `malloc_trim`, its manual, 3.2.3.3).

    It keeps the arrays of a year for the next ones: 100 to 300 MB that another process, which is at a year of its own, needs.
    """
    pa.default_memory_pool().release_unused()
    with suppress(OSError, AttributeError):
        ctypes.CDLL(None).malloc_trim(0)
