"""How well a laboratory measures: precision from pairs, bias from known amounts, and what that means for one result.

Belongs here: the arithmetic of duplicates, recoveries and limits.
Does not: which results are pairs (stages/laboratory_batches.py).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

LIMIT_PER_STANDARD_DEVIATION = 3.29
"""A detection limit is so many standard deviations of results near nothing, with 5 % of either error. Currie 1968, Analytical
Chemistry 40 (from memory; it is twice the 95 % quantile of the normal distribution)."""


def relative_difference_pct(first: ArrayLike, second: ArrayLike) -> Floats:
    """Absolute difference of two results in per cent of their mean; 0 where both are nothing. Any shape."""
    one, other = np.asarray(first, dtype=float), np.asarray(second, dtype=float)
    mean = (one + other) / 2
    difference = np.abs(one - other)
    return np.divide(100 * difference, mean, out=np.where(np.isnan(mean), np.nan, 0.0), where=mean > 0)


def relative_standard_deviation_pct(mean_square_difference: ArrayLike) -> Floats:
    """Relative standard deviation of one result, from the relative differences d of pairs.

    The difference of two independent results has twice the variance of one: s² = Σd² / 2n. Dahlberg 1940 (from memory).

    Args:
        mean_square_difference: Σd² / n, d in %, any shape.
    """
    return np.sqrt(np.asarray(mean_square_difference, dtype=float) / 2)


def recovery_pct(found: ArrayLike, before: ArrayLike, added: ArrayLike) -> Floats:
    """Share of an added amount that was found again, in per cent; all in one unit, any shape."""
    return 100 * (np.asarray(found, dtype=float) - np.asarray(before, dtype=float)) / np.asarray(added, dtype=float)


def relative_bias_pct(mean_square_bias: ArrayLike) -> Floats:
    """Standard uncertainty of the error that all results of a batch share: root mean square of recovery minus 100 %.

    Nordtest TR 537 (from memory): the root mean square of the bias of several control samples.

    Args:
        mean_square_bias: mean of (recovery - 100)², recovery in %, any shape.
    """
    return np.sqrt(np.asarray(mean_square_bias, dtype=float))


def standard_uncertainty_mg_l(mg_l: ArrayLike, detection_limit_mg_l: ArrayLike, relative_pct: ArrayLike) -> Floats:
    """Standard uncertainty of a result: a constant part near nothing, and one that grows with the result, in quadrature.

    Eurachem/CITAC guide Quantifying Uncertainty in Analytical Measurement, appendix E (from memory): u² = s0² + (x s1)².

    Args:
        mg_l: results, any shape.
        detection_limit_mg_l: their limits; not-a-number: unknown, and the constant part is left out.
        relative_pct: relative standard deviation well above the limit.
    """
    near_nothing = np.nan_to_num(np.asarray(detection_limit_mg_l, dtype=float)) / LIMIT_PER_STANDARD_DEVIATION
    return np.hypot(near_nothing, np.asarray(mg_l, dtype=float) * np.asarray(relative_pct, dtype=float) / 100)
