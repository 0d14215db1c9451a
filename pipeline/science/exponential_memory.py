"""Deviations that fade exponentially with time: a slow one and a fast one, added.

Belongs here: their precision at moments (knots) in any spacing, draws of them, what lies between two knots.
Does not: what they deviate from and what conditions them (conditioned_series.py).

Each is a stationary Gaussian process with covariance sd² exp(-lag / time constant) (Ornstein and Uhlenbeck 1930, Physical Review 36).
It is Markov: at knots in order of time its precision matrix has three diagonals, so that everything costs as much as there are
knots, however many results there are. States of the two stand in turn: slow, fast, slow, fast, ...
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Indices = NDArray[np.int64]

PARTS = 2
"""A slow and a fast deviation."""


@dataclass(frozen=True)
class Memory:
    """Standard deviations and time constants (hours) of the slow and the fast deviation."""

    sd: tuple[float, float]
    hours: tuple[float, float]

    @classmethod
    def of_logarithms(cls, logarithms: Floats) -> Memory:
        """From logarithms of slow sd, slow hours, fast sd, fast hours, shape (4,)."""
        slow_sd, slow_h, fast_sd, fast_h = (float(value) for value in np.exp(logarithms))
        return cls((slow_sd, fast_sd), (slow_h, fast_h))


def precision_band(knot: Indices, memory: Memory, rows: int) -> tuple[Floats, float]:
    """Precision matrix of the states at knots, and the logarithm of its determinant.

    Args:
        knot: hours, strictly ascending, shape (k,).
        memory: the process.
        rows: diagonals to make room for, the main one and those below it; at least 3.

    Returns:
        Lower banded form as of scipy.linalg.cholesky_banded, shape (rows, 2 k), and log determinant.
    """
    band = np.zeros((rows, PARTS * knot.size))
    log_determinant = 0.0
    for part, (sd, hours) in enumerate(zip(memory.sd, memory.hours, strict=True)):
        carried, new = _steps(knot, sd, hours)
        diagonal = 1 / new
        diagonal[:-1] += carried[1:] ** 2 / new[1:]
        band[0, part::PARTS] = diagonal
        band[PARTS, part:-PARTS:PARTS] = -carried[1:] / new[1:]
        log_determinant -= float(np.log(new).sum())
    return band, log_determinant


def information_draws(knot: Indices, memory: Memory, draws: Floats) -> Floats:
    """Draws with the precision matrix as their covariance.

    Args:
        knot: hours, strictly ascending, shape (k,).
        memory: the process.
        draws: independent, standard normal, shape (2 k, m).

    Returns:
        Shape (2 k, m).
    """
    made = np.empty_like(draws)
    for part, (sd, hours) in enumerate(zip(memory.sd, memory.hours, strict=True)):
        carried, new = _steps(knot, sd, hours)
        scaled = draws[part::PARTS] / np.sqrt(new)[:, np.newaxis]
        scaled[:-1] -= carried[1:, np.newaxis] * scaled[1:]
        made[part::PARTS] = scaled
    return made


def _steps(knot: Indices, sd: float, hours: float) -> tuple[Floats, Floats]:
    """What each knot has of the one before it, and the variance of what is new at it; nothing comes before the first."""
    apart = np.diff(knot).astype(float)
    carried = np.append(0.0, np.exp(-apart / hours))
    new = sd**2 * np.append(1.0, -np.expm1(-2 * apart / hours))
    return carried, new


def walks(generator: np.random.Generator, sd: float, time_constant_h: float, count: int, hours: int) -> Singles:
    """Unconditional hourly histories of one deviation, shape (count, hours)."""
    new = generator.standard_normal((count, hours), dtype=np.float32)
    carried = np.float32(np.exp(-1 / time_constant_h))
    new[:, 1:] *= np.float32(np.sqrt(-np.expm1(-2 / time_constant_h)))
    new *= np.float32(sd)
    return np.asarray(lfilter(np.ones(1, np.float32), np.array([1, -carried], np.float32), new, axis=1))


@dataclass(frozen=True)
class Between:
    """How hours depend on the knot at or before them and the one after.

    Attributes:
        before, after: numbers of the knots, shape (h,).
        weight: of the two, for each part, shape (2 parts, 2, h).
    """

    before: Indices
    after: Indices
    weight: Singles

    @classmethod
    def of(cls, knot: Indices, hour: Indices, memory: Memory) -> Between:
        """Conditional means given both knots (simple kriging of a Markov process).

        Args:
            knot: strictly ascending, shape (k,).
            hour: from the first knot to the last, shape (h,).
            memory: the process.
        """
        before = np.clip(np.searchsorted(knot, hour, side="right") - 1, 0, max(knot.size - 2, 0))
        after = np.minimum(before + 1, knot.size - 1)
        since, until = (hour - knot[before]).astype(float), (knot[after] - hour).astype(float)
        weight = np.empty((PARTS, 2, hour.size), dtype=np.float32)
        for part, constant in enumerate(memory.hours):
            whole = np.where(since + until > 0, -np.expm1(-2 * (since + until) / constant), 1.0)
            weight[part, 0] = np.exp(-since / constant) * np.where(
                since + until > 0, -np.expm1(-2 * until / constant) / whole, 1.0
            )
            weight[part, 1] = np.exp(-until / constant) * -np.expm1(-2 * since / constant) / whole
        return cls(before, after, weight)

    def of_hours(self, some: slice) -> Between:
        """The same of some of the hours."""
        return Between(self.before[some], self.after[some], self.weight[..., some])

    def __call__(self, part: int, state: Singles) -> Singles:
        """Conditional mean of one part in every hour, from its state at knots, shape (..., k) to (..., h)."""
        return np.asarray(
            state[..., self.before] * self.weight[part, 0] + state[..., self.after] * self.weight[part, 1], np.float32
        )
