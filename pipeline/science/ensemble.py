"""Random draws of an ensemble: how many, from which seed, and with a sample mean of exactly zero.

Belongs here: the number of members, a generator that is named and not numbered, stratified draws of standard errors, the percentiles
between which nine of ten members lie.
Does not: what the draws are applied to (uncertainty.py, the gap models, stages/).

Draws are stratified: one lies in each of as many equally likely strata as there are members (Latin hypercube sampling in one
dimension; McKay, Beckman and Conover 1979, Technometrics 21), in random order. They come in pairs of opposite sign (antithetic
variates), so that their mean is exactly zero: an error that is symmetric leaves the ensemble's mean where the best estimate is.
"""

from __future__ import annotations

import zlib

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

Floats = NDArray[np.float64]

ENSEMBLE_MEMBERS = 200
"""Members of every ensemble of the project; even, so that draws pair up."""


def seed_of(*names: str) -> np.random.Generator:
    """The generator that belongs to something with a name: the same names give the same draws, in any process.

    Args:
        names: what the draws are for, from the general to the special, such as site, meter, source of error.
    """
    return np.random.Generator(np.random.PCG64([zlib.crc32(name.encode()) for name in names]))


def standard_normal_draws(generator: np.random.Generator, draws: int = 1) -> Floats:
    """Errors of standard normal distribution, one row per member.

    Args:
        generator: as from `seed_of`.
        draws: how many independent errors.

    Returns:
        Shape (ENSEMBLE_MEMBERS, draws); the members' mean is exactly zero in every column.
    """
    return _in_random_order(generator, ndtri((1.0 + _upper_strata(generator, draws)) / 2.0))


def uniform_draws(generator: np.random.Generator, draws: int = 1) -> Floats:
    """Errors that lie anywhere within plus or minus one, one row per member.

    Args:
        generator: as from `seed_of`.
        draws: how many independent errors.

    Returns:
        Shape (ENSEMBLE_MEMBERS, draws); the members' mean is exactly zero in every column.
    """
    return _in_random_order(generator, _upper_strata(generator, draws))


def percentiles_90(members: ArrayLike) -> Floats:
    """The 5th and 95th percentiles of members, those between two of them by a straight line (the seventh of Hyndman and Fan 1996, The
    American Statistician 50).

    All are sorted at once: for a year of hours that took an eighth (single precision) to a third (double) of numpy's own way.

    Args:
        members: finite or not-a-number, at least one, in single or double precision, shape (members, ...).

    Returns:
        Shape (2, ...); not-a-number where a member is.
    """
    ascending = np.sort(np.asarray(members), axis=0)
    places = np.array([0.05, 0.95]) * (ascending.shape[0] - 1)
    below = np.floor(places).astype(np.int64)
    lower = ascending[below].astype(float)
    upper = ascending[np.minimum(below + 1, ascending.shape[0] - 1)].astype(float)
    share = (places - below).reshape(2, *[1] * (ascending.ndim - 1))
    found = lower + (upper - lower) * share
    # Those that are not numbers stand last.
    return np.asarray(np.where(np.isnan(ascending[-1]), np.nan, found))


def _upper_strata(generator: np.random.Generator, draws: int) -> Floats:
    """A place in each of the strata of (0, 1) that make half an ensemble, shape (ENSEMBLE_MEMBERS / 2, draws)."""
    half = ENSEMBLE_MEMBERS // 2
    return (np.arange(half)[:, np.newaxis] + generator.random((half, draws))) / half


def _in_random_order(generator: np.random.Generator, upper: Floats) -> Floats:
    """The draws and their opposites, every column in an order of its own."""
    return generator.permuted(np.concatenate([upper, -upper]), axis=0)
