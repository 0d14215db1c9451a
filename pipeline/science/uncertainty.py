"""How errors add up.

Belongs here: sums of half-widths whose errors are common to a block of hours and independent between blocks.
Does not: where an hour's half-width comes from (stages/hours.py, stages/concentration.py), which hours form a block
(stages/loads.py).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

Floats = NDArray[np.float64]

HALF_WIDTH_90_OF_EXPANDED = float(ndtri(0.95)) / 2
"""Half-width of a 90 % interval of a normal error, as a share of its expanded uncertainty at a coverage factor of 2
(JCGM 100:2008, 6.3): 1.645 / 2."""


def half_widths(
    downwards: ArrayLike, upwards: ArrayLike, block: ArrayLike, period: ArrayLike, periods: int
) -> tuple[Floats, Floats]:
    """Half-widths of sums over periods, errors being common within a block and independent between blocks.

    The law of propagation of uncertainty for a sum: terms whose errors are one and the same add linearly with their signs,
    terms whose errors are independent add in quadrature. Source: JCGM 100:2008, 5.1.2 and 5.2.2 (note 1). A block that
    two periods share is cut between them: each period has its own part of it.

    Args:
        downwards: what each term changes by, in size, when its block's error stands at its lower bound, shape (n,).
            A negative value changes the sum upwards: water that runs back carries the error back.
        upwards: the same at the error's upper bound, shape (n,).
        block: number of the block to which each term belongs, integers from 0, shape (n,).
        period: number of the period to which each term belongs, integers from 0, shape (n,).
        periods: how many periods there are.

    Returns:
        How far the sums may lie lower and higher, both shape (periods,), never negative; 0 for a period without terms.
    """
    down, up = np.asarray(downwards, dtype=float), np.asarray(upwards, dtype=float)
    blocks = np.asarray(block, dtype=np.int64)
    of_period = np.asarray(period, dtype=np.int64)
    if down.size == 0:
        return np.zeros(periods), np.zeros(periods)
    pair, which = np.unique(of_period * (blocks.max() + 1) + blocks, return_inverse=True)
    down_of_block = np.bincount(which, weights=down)
    up_of_block = np.bincount(which, weights=up)
    lower = np.maximum(np.maximum(down_of_block, -up_of_block), 0.0)
    higher = np.maximum(np.maximum(up_of_block, -down_of_block), 0.0)
    owner = pair // (blocks.max() + 1)
    return (
        np.sqrt(np.bincount(owner, weights=lower**2, minlength=periods)),
        np.sqrt(np.bincount(owner, weights=higher**2, minlength=periods)),
    )
