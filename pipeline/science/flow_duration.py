"""How long a flow was exceeded, when intervals differ in length.

Belongs here: the flow-duration curve of classes of flow with their times, and the flow that is exceeded for a share of the time.
Does not: gathering the classes from a record (stages/flow_duration.py).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


def exceeded_share(hours: ArrayLike) -> Floats:
    """Share of the time during which each class of flow was exceeded.

    Args:
        hours: time of each class, classes in order of increasing flow, not negative, shape (n,).

    Returns:
        Share of all time that belongs to higher classes, from just under 1 down to 0 for the highest class, shape (n,).
    """
    time = np.asarray(hours, dtype=float)
    above = np.concatenate([np.cumsum(time[:0:-1])[::-1], [0.0]])
    return above / time.sum()


def exceeded_flow(flow: ArrayLike, hours: ArrayLike, share: ArrayLike) -> Floats:
    """Flow that was exceeded for no more than a share of the time: the lowest class of which that is true.

    Args:
        flow: flow of each class, any unit, increasing, shape (n,).
        hours: time of each class, not negative, not all zero, shape (n,).
        share: shares of the time, from 0 (the highest flow) to 1 (the lowest), shape (k,).

    Returns:
        Flows, shape (k,).
    """
    classes = np.asarray(flow, dtype=float)
    shares = exceeded_share(hours)
    # Sums of hours carry rounding: a share that is meant to be met exactly must not miss by it.
    wanted = np.asarray(share, dtype=float) + 1e-12
    return classes[np.argmax(shares[None, :] <= wanted[:, None], axis=1)]
