"""Work on independent parts at once, on the processor's cores.

Belongs here: how many parts are worked on at once, that results come in the order of the parts whoever is done first, and making the
next part while the last one is used.
Does not: what the work is.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from typing import TypeVar

Part = TypeVar("Part")
Result = TypeVar("Result")

MOST_AT_ONCE = 4
"""Parts at once: each needs memory of its own, and what is not numpy's waits for one another."""
_at_once = MOST_AT_ONCE


def side_by_side(work: Callable[[Part], Result], parts: Iterable[Part]) -> list[Result]:
    """What comes of each part, in the order of the parts.

    Threads, since large arrays are worked on without the interpreter's lock; the work must not depend on what other parts have done.
    """
    every = list(parts)
    at_once = min(_at_once, os.cpu_count() or 1, len(every))
    if at_once < 2:
        return [work(part) for part in every]
    with ThreadPoolExecutor(at_once, "side-by-side") as pool:
        return list(pool.map(work, every))


@contextmanager
def one_at_a_time() -> Iterator[None]:
    """Meanwhile parts are worked on one after the other, in all threads of this process: other processes have the other cores."""
    global _at_once
    before, _at_once = _at_once, 1
    try:
        yield
    finally:
        _at_once = before


def one_ahead(parts: Iterable[Part]) -> Iterator[Part]:
    """The same parts, each made while the one before is used; the first is begun at once.

    Two parts are held at a time.
    """
    pool = ThreadPoolExecutor(1, "one-ahead")
    source, end = iter(parts), object()
    coming = pool.submit(next, source, end)

    def hand_out() -> Iterator[Part]:
        nonlocal coming
        with pool:
            while (part := coming.result()) is not end:
                coming = pool.submit(next, source, end)
                yield part  # type: ignore[misc]

    return hand_out()
