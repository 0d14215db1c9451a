"""Long series made small: whole numbers, their differences, byte by byte, deflated, as text.

Belongs here: the coding that parts/base.js undoes.
Does not: what the numbers are (flow.py, record.py and others).
"""

from __future__ import annotations

import base64
import zlib
from typing import Any

import numpy as np
from numpy.typing import ArrayLike


def packed(values: ArrayLike, resolution: float = 1.0, differences: bool = True) -> dict[str, Any]:
    """A series as text.

    Numbers are rounded to the resolution, written as differences from the last one that is there, folded so that small negative ones are
    small too, laid out with all lowest bytes first, and deflated. Where some are absent, 0 says so and one is added to all others.

    Args:
        values: shape (n,); not-a-number where there is none.
        resolution: step to which values are rounded, in their own unit.
        differences: whether successive values are alike.

    Returns:
        n, resolution, bytes per number, differences, and the text (base64).

    Raises:
        ValueError: a value is too large for 31 bits of steps.
    """
    numbers = np.asarray(values, dtype=np.float64)
    there = np.isfinite(numbers)
    steps = np.rint(numbers[there] / resolution)
    if steps.size and np.abs(steps).max() >= 2**30:
        raise ValueError(f"{np.abs(numbers[there]).max():g} has too many steps of {resolution:g}")
    whole = steps.astype(np.int64)
    coded = np.diff(whole, prepend=0) if differences else whole
    known = ((coded << 1) ^ (coded >> 63)).astype(np.uint64)
    absent = not there.all()
    folded = known
    if absent:
        folded = np.zeros(numbers.size, dtype=np.uint64)
        folded[there] = known + 1
    width = max(1, (int(folded.max(initial=0)).bit_length() + 7) // 8)
    planes = b"".join(
        ((folded >> np.uint64(8 * byte)) & np.uint64(255)).astype(np.uint8).tobytes() for byte in range(width)
    )
    return {
        "n": int(numbers.size),
        "step": resolution,
        "width": width,
        "differences": differences,
        "absent": absent,
        "text": base64.b64encode(zlib.compress(planes, 9)).decode(),
    }
