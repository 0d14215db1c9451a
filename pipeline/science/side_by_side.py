"""Work on independent parts at once, on the processor's cores.

Belongs here: how many parts are worked on at once, and that results come in the order of the parts whoever is done first.
Does not: what the work is.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

Part = TypeVar("Part")
Result = TypeVar("Result")

MOST_AT_ONCE = 4
"""Parts at once: each needs memory of its own, and what is not numpy's waits for one another."""


def side_by_side(work: Callable[[Part], Result], parts: Iterable[Part]) -> list[Result]:
    """What comes of each part, in the order of the parts.

    Threads, since large arrays are worked on without the interpreter's lock; the work must not depend on what other parts have done.
    """
    every = list(parts)
    at_once = min(MOST_AT_ONCE, os.cpu_count() or 1, len(every))
    if at_once < 2:
        return [work(part) for part in every]
    with ThreadPoolExecutor(at_once, "side-by-side") as pool:
        return list(pool.map(work, every))
