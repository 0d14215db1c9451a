"""Lies of meters, planted into counts that were sound.

Belongs here: what a dead, stuck, slipped or wrongly wired meter makes of the litres (or pulses) of its plot.
Does not: failures that a file shows by itself (failures.py), finding lies.

Every function takes forward and reverse counts, shape (plots, steps), and gives copies; [first, end) are the steps of the lie.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Counts:
    """Litres, or pulses, each way, shape (plots, steps)."""

    forward: Floats
    reverse: Floats

    @property
    def net(self) -> Floats:
        return self.forward - self.reverse

    def copy(self) -> "Counts":
        return Counts(self.forward.copy(), self.reverse.copy())


def silenced(counts: Counts, plots: list[int], first: int, end: int) -> Counts:
    """Dead meters: nothing either way."""
    lying = counts.copy()
    lying.forward[plots, first:end] = 0.0
    lying.reverse[plots, first:end] = 0.0
    return lying


def stuck(counts: Counts, plot: int, first: int, end: int) -> Counts:
    """A counter that repeats what it said in the last step before."""
    lying = counts.copy()
    lying.forward[plot, first:end] = counts.forward[plot, first - 1]
    lying.reverse[plot, first:end] = counts.reverse[plot, first - 1]
    return lying


def scaled(counts: Counts, plot: int, first: int, end: int, factor: float) -> Counts:
    """A calibration that slipped, a setting that was changed, a meter that was exchanged: so many times as much."""
    lying = counts.copy()
    lying.forward[plot, first:end] *= factor
    lying.reverse[plot, first:end] *= factor
    return lying


def turned_round(counts: Counts, plot: int, first: int, end: int) -> Counts:
    """Forward and reverse wires exchanged."""
    lying = counts.copy()
    lying.forward[plot, first:end] = counts.reverse[plot, first:end]
    lying.reverse[plot, first:end] = counts.forward[plot, first:end]
    return lying


def exchanged(counts: Counts, plot: int, other: int, first: int, end: int) -> Counts:
    """The wires of two meters exchanged: each plot has the other's counts."""
    lying = counts.copy()
    for one, two in ((plot, other), (other, plot)):
        lying.forward[one, first:end] = counts.forward[two, first:end]
        lying.reverse[one, first:end] = counts.reverse[two, first:end]
    return lying


def raced(counts: Counts, plot: int, steps: NDArray[np.int64], most: float) -> Counts:
    """Counts of interference: in some steps more than can have run, twice the most."""
    lying = counts.copy()
    lying.forward[plot, steps] = 2.0 * most
    return lying
