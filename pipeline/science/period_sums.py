"""Sums over periods, of numbers and of ensembles, and the intervals that members give.

Belongs here: runs of hours that every period holds whole or not at all, sums of runs by period, percentiles about a reported value.
Does not: which hours form a period (stages/load_periods.py), what is summed (stages/loads.py).

Hours are added up once, into runs; days, months, events and years are sums of runs. What is added in single precision
is added up in double precision, and in the order of time, so that a sum does not depend on how many threads there are.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.science.ensemble import percentiles_90

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]


def run_starts(*labels: ArrayLike) -> Indices:
    """Where runs begin in which no label changes.

    Args:
        labels: at least one, all of shape (n,), in order of time.

    Returns:
        Positions, ascending, shape (runs,); the first is 0 where n is not.
    """
    columns = [np.asarray(label) for label in labels]
    changes = np.zeros(columns[0].size, dtype=bool)
    changes[:1] = True
    for column in columns:
        changes[1:] |= column[1:] != column[:-1]
    return np.flatnonzero(changes)


def sums_of_runs(values: ArrayLike, starts: Indices) -> Floats:
    """Sums of successive values from each start to before the next.

    Args:
        values: shape (..., n), n at least 1.
        starts: positions, strictly ascending, the first 0, shape (runs,).

    Returns:
        Double precision, shape (..., runs).
    """
    return np.asarray(np.add.reduceat(np.asarray(values), starts, axis=-1, dtype=np.float64))


@dataclass(frozen=True)
class Periods:
    """Which runs make up which period; a run may belong to several periods, or to none.

    Attributes:
        run: numbers of runs, period after period, shape (k,).
        begin: where each period begins in `run`, strictly ascending, shape (periods,).
    """

    run: Indices
    begin: Indices

    @classmethod
    def of_labels(cls, label: ArrayLike) -> tuple[Periods, Indices]:
        """Periods of which each holds all runs of one label, in ascending order of the labels.

        Args:
            label: one a run, shape (runs,).

        Returns:
            The periods, and for each the number of its first run, shape (periods,).
        """
        labels = np.asarray(label)
        order = np.argsort(labels, kind="stable")
        begin = run_starts(labels[order])
        return cls(order, begin), order[begin]

    def __len__(self) -> int:
        return self.begin.size

    def sums(self, values: ArrayLike) -> Floats:
        """Sums over the runs of each period.

        Args:
            values: shape (..., runs).

        Returns:
            Shape (..., periods).
        """
        by_run = np.asarray(values, dtype=float)
        if len(self) == 0:
            return np.empty((*by_run.shape[:-1], 0))
        return sums_of_runs(by_run[..., self.run], self.begin)


def interval_90(reported: ArrayLike, members: ArrayLike) -> tuple[Floats, Floats]:
    """The 90 % interval of a reported value: the members' 5th and 95th percentiles, moved so that their mean is that value.

    Members of flow and concentration are drawn apart, so that the mean of their products lies off the product of their means by
    chance alone; the move takes that out. The interval holds the reported value, however lopsided the members lie.
    Source: percentiles of a Monte Carlo sample, JCGM 101:2008, 7.7.

    Args:
        reported: shape (...,).
        members: shape (members, ...).

    Returns:
        Lower and upper bounds, shape (...,).
    """
    value, drawn = np.asarray(reported, dtype=float), np.asarray(members)
    low, high = percentiles_90(drawn) + (value - drawn.mean(axis=0, dtype=np.float64))
    return np.minimum(low, value), np.maximum(high, value)
