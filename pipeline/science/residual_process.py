"""Errors that persist: a sum of memories, drawn for many members and tied to what is measured at a gap's edges.

Belongs here: autocorrelation of scores and its fit, named draws, conditioning on known scores.
Does not: what a score is (normal_scores.py), which hours are a gap, which plots err together (gap_estimate.py).

A score is the sum of independent processes that each forget at their own pace: one that is new every hour, and first-order
autoregressive processes with time constants from hours to a season. The slowest stands for what is common to a whole gap or
year, such as parameters of the model.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import nnls
from scipy.signal import lfilter

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Flags = NDArray[np.bool_]
Indices = NDArray[np.int64]

TIME_CONSTANTS_H: Floats = np.array([0.0, 5.0, 30.0, 180.0, 1500.0])
"""Of the processes, h; 0 is new every hour."""
LEAST_SHARE: Floats = np.array([0.01, 0.15, 0.0, 0.0, 0.05])
"""Share of the variance that each process has at least. Outages begin with storms, in which errors are less alike than in the quiet
hours that most pairs are of; and what is wrong in all of a record cannot be seen in its own residuals. Found together with
`gap_errors.HARDER`."""
_LAGS_H = np.array([1, 2, 4, 8, 16, 32, 64, 128, 256, 512, 1024])
_FEWEST_PAIRS = 500
_SUM_COUNTS = 30.0


def correlations(lag: ArrayLike) -> Floats:
    """Autocorrelation of each process at lags of any shape, h, shape (..., processes)."""
    distance = np.abs(np.asarray(lag, dtype=float))[..., np.newaxis]
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(distance == 0, 1.0, np.exp(-distance / TIME_CONSTANTS_H))


@dataclass(frozen=True)
class ResidualProcess:
    """How scores hang together in time.

    Attributes:
        share: of the variance, by process (`TIME_CONSTANTS_H`), not negative, sum 1, shape (processes,).
    """

    share: Floats

    @classmethod
    def of(cls, series: Sequence[tuple[Floats, Floats]]) -> ResidualProcess:
        """From hourly scores of some models and what each counts, not-a-number where there is no score, each pair of shape (hours,).

        Correlations at lags from an hour to six weeks are fitted by non-negative least squares; lags count alike on a logarithmic
        scale. Without enough pairs two fifths persist for a day, and most of the rest is new.
        """
        variance = scale = 0.0
        product, counts, pairs = np.zeros((3, _LAGS_H.size))
        for z, weight in series:
            known = np.isfinite(z)
            w, wz = np.where(known, weight, 0.0), np.where(known, weight * z, 0.0)
            variance, scale = variance + float(wz @ wz), scale + float(w @ w)
            for place, lag in enumerate(_LAGS_H[z.size > _LAGS_H]):
                product[place] += wz[lag:] @ wz[:-lag]
                counts[place] += w[lag:] @ w[:-lag]
                pairs[place] += np.count_nonzero(known[lag:] & known[:-lag])
        enough = pairs >= _FEWEST_PAIRS
        share = np.array([0.4, 0.2, 0.4, 0.0, 0.0])
        if enough.any() and variance > 0:
            found = (product[enough] / counts[enough]) / (variance / scale)
            design = np.vstack([correlations(_LAGS_H[enough]), np.full(share.size, _SUM_COUNTS)])
            share, _ = nnls(design, np.append(found, _SUM_COUNTS))
        left = np.maximum(share - LEAST_SHARE, 0.0)
        return cls(LEAST_SHARE + left * (1.0 - LEAST_SHARE.sum()) / max(left.sum(), 1e-12))

    def covariance(self, lag: ArrayLike) -> Floats:
        """Correlation of scores at lags of any shape, h, same shape."""
        return correlations(lag) @ self.share

    def given(
        self,
        hour: Indices,
        known_hour: Indices,
        known: Floats,
        drawn: Singles,
        drawn_at_known: Singles,
        scale: float = 1.0,
    ) -> Floats:
        """Draws tied to known scores: equally likely histories that go through what is known.

        Draws are corrected by what they miss at the known hours, weighted as the conditional mean of Gaussian variables weights data
        (conditioning by kriging, Journel and Huijbregts 1978, Mining Geostatistics; from memory): the result has the
        conditional mean and covariance.

        Args:
            hour: hours to draw, shape (n,); known_hour: of known scores, shape (k,), none of them among the former.
            known: their scores, shape (k,).
            drawn, drawn_at_known: unconditional draws of this process at both, shape (n, members) and (k, members).
            scale: factor on the spread of what is not known.

        Returns:
            Scores, shape (n, members).
        """
        drawn_at = scale * np.asarray(drawn, dtype=float)
        if known_hour.size == 0:
            return drawn_at
        between = self.covariance(known_hour[:, np.newaxis] - known_hour) + 1e-6 * np.eye(known_hour.size)
        to_known = self.covariance(hour[:, np.newaxis] - known_hour)
        weights = np.linalg.solve(between, to_known.T).T
        missed = known[:, np.newaxis] - scale * np.asarray(drawn_at_known, dtype=float)
        return drawn_at + np.einsum("hk,km->hm", weights, missed)


def stretches_of(flags: Flags) -> list[tuple[int, int]]:
    """First and past-the-last place of every run of true values."""
    edges = np.flatnonzero(np.diff(flags.astype(np.int8), prepend=0, append=0))
    return [(int(first), int(last)) for first, last in zip(edges[::2], edges[1::2], strict=True)]


@dataclass(frozen=True)
class Draws:
    """Draws of every process over some hours.

    Attributes:
        place: of each hour in `values`, -1 where nothing was drawn, shape (hours,).
        values: standard normal at each hour, shape (drawn hours, processes, members).
    """

    place: Indices
    values: Singles

    @classmethod
    def of(cls, wanted: Flags, generator_of: Callable[[int], np.random.Generator], members: int) -> Draws:
        """Draw the hours that are wanted, shape (hours,).

        Every stretch of wanted hours has a generator of its own, which `generator_of` gives for its first hour: what is
        drawn for a gap does not depend on other gaps, but for the memory that reaches from one to the next.
        """
        hours = np.flatnonzero(wanted)
        place = np.full(wanted.size, -1, dtype=np.int64)
        place[hours] = np.arange(hours.size)
        count = TIME_CONSTANTS_H.size
        values = np.empty((hours.size, count, members), dtype=np.float32)
        before, since, one = np.zeros((count, members), dtype=np.float32), 0, np.ones(1, dtype=np.float32)
        for first, last in stretches_of(wanted):
            at = slice(int(place[first]), int(place[first]) + last - first)
            generator_of(first).standard_normal(dtype=np.float32, out=values[at])
            an_hour, from_last = correlations(1).astype(np.float32), correlations(first - since).astype(np.float32)
            for number in range(count):
                part = values[at, number]
                if at.start > 0:
                    part[0] = from_last[number] * before[number] + np.sqrt(1 - from_last[number] ** 2) * part[0]
                if an_hour[number] > 0:
                    part[1:] *= np.sqrt(1 - an_hour[number] ** 2)
                    part[:] = lfilter(one, np.array([1.0, -an_hour[number]], np.float32), part, axis=0)
            before, since = values[at.stop - 1], last - 1
        return cls(place, values)

    def at(self, hour: Indices, share: Floats) -> Singles:
        """Draws of a process with these shares of variance at some hours that were drawn, shape (n, members)."""
        weights = np.sqrt(share).astype(np.float32)
        return np.einsum("hkm,k->hm", self.values[self.place[hour]], weights)
