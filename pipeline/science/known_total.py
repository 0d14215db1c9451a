"""Spreading a known total over the hours of a gap.

Belongs here: changing estimates so that they add up to what is known.
Does not: where totals and estimates come from (stages/hours.py, gap_estimate.py).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

LARGEST_SCALING = 5.0


def keep_total(estimate: ArrayLike, half_width: ArrayLike, total: float) -> Floats:
    """Estimates changed so that they add up to a known total, each member of an ensemble by itself.

    Where the estimates' own sum has the total's sign and need not grow more than fivefold, all are scaled alike: the model's
    shape is kept, dry hours stay dry, backward hours stay backward. Otherwise (a sum near nothing, a wrong sign) each is shifted
    in proportion to its half-width: the least certain gives way most.

    Args:
        estimate: volumes of the model, L, shape (n,) or (n, members), n at least 1.
        half_width: their half-widths, L, not negative, shape (n,).
        total: known sum, L.

    Returns:
        Volumes, L, same shape; their sum over the hours is the total to rounding.
    """
    volume = np.asarray(estimate, dtype=float)
    own = volume.sum(axis=0)
    scaled = (own != 0) & (total * np.sign(own) >= 0) & (abs(total) <= LARGEST_SCALING * np.abs(own))
    factor = np.divide(total, own, out=np.ones_like(own), where=scaled)
    give = np.maximum(np.asarray(half_width, dtype=float), 0.0)
    give = give if give.sum() > 0 else np.ones_like(give)
    share = (give / give.sum()).reshape(-1, *[1] * (volume.ndim - 1))
    return np.where(scaled, volume * factor, volume + (total - own) * share)
