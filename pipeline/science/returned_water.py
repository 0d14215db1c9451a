"""Which water it is that runs back, if what left last comes back first.

Belongs here: the account of net volume that has run out and come back, hour by hour.
Does not: concentrations, and what else the water may be (stages/backward_water.py).

Think of the sum of net flow as a level. Water that ran out between two levels comes back when the sum falls through them, the last
first, as in a pipe through which water moves without mixing. Every level that the sum passes downwards it has passed upwards before,
so that the two passages cancel: whatever runs out again is counted once, with the concentration of its last departure.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import csr_array

from pipeline.science.period_sums import run_starts

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]


def returned_shares(net_l: ArrayLike) -> tuple[Indices, csr_array]:
    """Of the water of each hour that ran back, which shares had left in which hours.

    The account begins anew after an hour whose flow is not known. Cost grows with passages of the same level, not with hours.

    Args:
        net_l: net flow of successive hours, L, negative where more ran back, not-a-number where it is not known, shape (h,).

    Returns:
        Numbers of the hours in which water ran back, shape (b,), and shares, shape (b, h), rows summing to 1, or to less where more
        ran back than had left since the account began.
    """
    net = np.asarray(net_l, dtype=float)
    back = np.flatnonzero(net < 0)
    known = np.isfinite(net)
    starts = run_starts(known)
    ends = np.append(starts[1:], net.size)
    parts = [_passages(net[start:end], start) for start, end in zip(starts, ends, strict=True) if known[start]]
    came, left, litres = (np.concatenate([part[place] for part in parts] or [np.empty(0)]) for place in range(3))
    row = np.searchsorted(back, came)
    share = litres / -net[back[row]] if row.size else np.empty(0)
    return back, csr_array((share, (row, left.astype(np.int64))), shape=(back.size, net.size))


def _passages(net: Floats, first: int) -> tuple[Indices, Indices, Floats]:
    """Hours that came back, the hours in which that water had left, and its volume: one row for every stretch of level."""
    level = np.append(0.0, np.cumsum(net))
    edges, place = np.unique(level, return_inverse=True)
    low, high = np.minimum(place[:-1], place[1:]), np.maximum(place[:-1], place[1:])
    falls = net < 0
    # Only stretches of level through which water came back matter; they are numbered among themselves.
    cover = np.cumsum(np.bincount(low[falls], minlength=edges.size) - np.bincount(high[falls], minlength=edges.size))
    number = np.append(0, np.cumsum(cover[:-1] > 0))
    height = np.diff(edges)[cover[:-1] > 0]
    begin, count = number[low], number[high] - number[low]
    hour = np.repeat(np.arange(net.size), count)
    stretch = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count) + begin[hour]
    order = np.argsort(stretch, kind="stable")
    hour, stretch = hour[order], stretch[order]
    # Passages of one stretch go up and down in turn: what comes back left with the passage before.
    came = np.flatnonzero(falls[hour[1:]] & (stretch[1:] == stretch[:-1])) + 1
    return hour[came] + first, hour[came - 1] + first, height[stretch[came]]
