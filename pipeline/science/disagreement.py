"""How far estimates that are about as good lie apart, as a sign of how wrong all of them may be.

Belongs here: the volumes of several estimates over some hours, beside how far these estimates usually lie apart.
Does not: where the estimates come from (gap_models.py, rain_drainage.py), what is made of it (gap_errors.py).

Where models or parameter sets that did alike on what was measured say different things of a gap, the gap is unlike what was measured.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

BLOCK_H = 336
"""Two weeks: what is usual is told by volumes of this length."""
LARGEST_FACTOR = 3.0


def usual_disagreement(estimates: NDArray[np.floating]) -> float:
    """Variance of the estimates' volumes of two weeks over the volumes' mean square, over all such blocks of the record.

    Args:
        estimates: volume of every hour by each estimate, not-a-number where it says nothing, shape (estimates, hours).

    Returns:
        0 where there is no whole block, only one estimate, or no water.
    """
    whole = estimates.shape[1] // BLOCK_H * BLOCK_H
    blocks = estimates[:, :whole].reshape(len(estimates), -1, BLOCK_H).sum(axis=2, dtype=float)
    blocks = blocks[:, np.isfinite(blocks).all(axis=0)]
    size = float(np.sum(blocks.mean(axis=0) ** 2))
    return float(np.sum(blocks.var(axis=0))) / size if size > 0 else 0.0


def times_farther_apart(estimates: NDArray[np.floating], usual: float) -> float:
    """By what factor estimates lie farther apart over some hours, relative to their volume, than they usually do.

    Half of what is usual is taken as always there, since estimates that agree may be wrong together.

    Args:
        estimates: volume of each of these hours, shape (estimates, hours).
        usual: as from `usual_disagreement`.

    Returns:
        From 0.7 to `LARGEST_FACTOR`; 1 where estimates never differ.
    """
    if not usual > 0:
        return 1.0
    volumes = estimates.sum(axis=1, dtype=float)
    here = float(volumes.var() / max(volumes.mean() ** 2, 1e-12))
    return float(min(np.sqrt((here / usual + 1.0) / 2.0), LARGEST_FACTOR))
