"""How wrong a regression is on hours that it has not seen.

Belongs here: blocks of hours left out together, ridge regression and its predictions for the block left out.
Does not: what the residuals are used for (residuals.py), predictors (gap_estimate.py).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

PENALTIES = (1e-3, 1e-2, 1e-1, 3e-1)
"""Ridge penalties that compete, as shares of the number of hours; predictors are standardised."""

LEARNED_HOURS = 8_000
"""About how many rows a regression learns from, where there are more."""
HOURS_A_YEAR = 8766
SEASON_SHIFT = 2
"""Folds by which a season moves on from one year to the next."""
LONG_GAP_SHARE = 0.75
"""Share of the missing hours that lie in gaps of at most the length that is left out."""


def long_gap_hours(missing: ArrayLike, shortest_h: int = 72, longest_h: int = 1440) -> int:
    """Length of the gaps in which or in shorter ones three quarters of the missing hours lie, within bounds, hours.

    Args:
        missing: whether an hour is missing, in order of time, shape (n,).
    """
    edges = np.diff(np.asarray(missing, dtype=np.int8), prepend=0, append=0)
    lengths = np.sort(np.flatnonzero(edges == -1) - np.flatnonzero(edges == 1))
    if lengths.size == 0:
        return shortest_h
    at = np.searchsorted(np.cumsum(lengths), LONG_GAP_SHARE * lengths.sum())
    return int(np.clip(lengths[at], shortest_h, longest_h))


def block_folds(hours: int, block_hours: int, folds: int = 6) -> NDArray[np.int64]:
    """The fold of each hour: contiguous blocks, dealt out in turn, shape (hours,).

    A fold comes back in another season each year: blocks of a month in six folds would else leave out the same two months of all years.
    Neighbouring hours resemble each other; leaving out single hours would flatter every model. A block left out is missing as
    a gap is missing.
    """
    hour = np.arange(hours)
    blocks_a_year = round(HOURS_A_YEAR / block_hours)
    return np.asarray((hour // block_hours + (SEASON_SHIFT - blocks_a_year) * (hour // HOURS_A_YEAR)) % folds)


@dataclass(frozen=True)
class Regression:
    """A fitted ridge regression.

    Attributes:
        centre, spread: of each predictor, shape (k,).
        coefficients: for standardised predictors, shape (k,).
        intercept: the target's mean.
        left_out: prediction for each row by the model that has not seen the row's fold, shape (n,).
        penalty: the one that predicted best.
    """

    centre: Floats
    spread: Floats
    coefficients: Floats
    intercept: float
    left_out: Floats
    penalty: float

    def predict(self, design: Floats) -> Floats:
        """Predictions for rows of predictors, shape (m, k) to (m,)."""
        weights = self.coefficients / self.spread
        return design @ weights + (self.intercept - self.centre @ weights)


def ridge_by_blocks(
    design: ArrayLike, target: ArrayLike, fold: ArrayLike, penalties: tuple[float, ...] = PENALTIES
) -> Regression:
    """Ridge regression whose penalty is chosen by blocked cross-validation.

    All folds share one pass over the rows: the sums of squares and products without a fold are the total less the fold's. Of more rows
    than `LEARNED_HOURS` every few are learned from: neighbouring hours tell alike.

    Args:
        design: predictors, shape (n, k); k may be 0.
        target: shape (n,).
        fold: fold of each row, shape (n,).
        penalties: as shares of the rows learned from.

    Returns:
        The fit on all rows with the best penalty, and the predictions for what was left out.

    Raises:
        ValueError: no rows.
    """
    x = np.asarray(design, dtype=float)
    y = np.asarray(target, dtype=float)
    if y.size == 0:
        raise ValueError("a regression needs at least one row")
    centre = x.mean(axis=0)
    spread = x.std(axis=0, mean=centre[np.newaxis])
    spread = np.where(spread > 1e-12 * np.maximum(1.0, np.abs(centre)), spread, np.inf)
    # Rows of one fold stand together, so that each fold is a view.
    order = np.argsort(np.asarray(fold), kind="stable")
    first = np.flatnonzero(np.diff(np.asarray(fold)[order], prepend=-1))
    folds = [slice(start, end) for start, end in pairwise([*first, y.size])]
    standard = np.ones((y.size, 1 + x.shape[1]))
    np.subtract(x[order], centre, out=standard[:, 1:])
    standard[:, 1:] /= spread
    target_ordered = y[order]
    size = standard.shape[1]

    every = max(1, round(y.size / LEARNED_HOURS))
    learned = [slice(rows.start, rows.stop, every) for rows in folds]
    products = np.stack([standard[rows].T @ standard[rows] for rows in learned])
    moments = np.stack([standard[rows].T @ target_ordered[rows] for rows in learned])
    all_products, all_moments = products.sum(axis=0), moments.sum(axis=0)
    shrunk = np.eye(size)
    shrunk[0, 0] = 0.0

    def solve(product: Floats, moment: Floats, hours: ArrayLike, penalty: float) -> Floats:
        system = product + penalty * np.asarray(hours)[..., np.newaxis, np.newaxis] * shrunk + 1e-9 * np.eye(size)
        return np.asarray(np.linalg.solve(system, moment[..., np.newaxis])[..., 0], dtype=np.float64)

    # With one fold only nothing can be left out: what is left is all.
    several = len(folds) > 1
    left_products = all_products - products if several else products
    left_moments = all_moments - moments if several else moments
    best = (np.inf, penalties[0], np.zeros((len(folds), size)))
    for penalty in penalties if size > 1 else penalties[:1]:
        by_fold = solve(left_products, left_moments, left_products[:, 0, 0], penalty)
        # Squared error on the folds left out, but for the target's own sum of squares.
        error = np.einsum("fi,fij,fj->", by_fold, products, by_fold) - 2 * np.sum(by_fold * moments)
        if error < best[0]:
            best = (float(error), penalty, by_fold)
    _, penalty, by_fold = best
    left_out = np.empty(y.size)
    for rows, coefficients in zip(folds, by_fold, strict=True):
        left_out[order[rows]] = standard[rows] @ coefficients
    fitted = solve(all_products, all_moments, all_products[0, 0], penalty)
    return Regression(centre, spread, fitted[1:], float(fitted[0]), left_out, penalty)
