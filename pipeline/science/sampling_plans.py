"""What a plan of sampling makes of histories of flow and concentration that are known.

Belongs here: grabs at set hours and flow-paced composites taken from members, and the loads that estimators make of them, all members at
once.
Does not: where members come from, visits, the laboratory's error (stages/sampling_advice.py), single estimates
(load_estimators.py).

All arrays have members first: shape (members, hours) or (members, samples). A member is a history that is taken for the truth.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.science.load_estimators import corrected_ratio

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]


@dataclass(frozen=True)
class Histories:
    """Equally likely histories of one plot, hour by hour.

    Attributes:
        net_l: net volume of each hour, L, any sign, shape (members, hours).
        mg_l: its concentration, shape (members, hours).
        to_hour, to_hour_by_number: sums of net volume, and of net volume times the hour's number, before each hour and after the last,
            shape (members, hours + 1).
    """

    net_l: Floats
    mg_l: Floats
    to_hour: Floats
    to_hour_by_number: Floats

    @classmethod
    def of(cls, net_l: ArrayLike, mg_l: ArrayLike) -> Histories:
        """Histories with their sums."""
        net, concentration = np.asarray(net_l, dtype=float), np.asarray(mg_l, dtype=float)
        sums = [
            np.concatenate([np.zeros((net.shape[0], 1)), np.cumsum(each, axis=1)], axis=1)
            for each in (net, net * np.arange(net.shape[1]))
        ]
        return cls(net, concentration, *sums)

    @property
    def load_mg(self) -> Floats:
        """True load of each member, shape (members,)."""
        return np.einsum("mh,mh->m", self.net_l, self.mg_l)

    def interpolated_mg(self, at: Indices, results: Floats) -> Floats:
        """Load by straight lines between grabs and continuous flow, held before the first and after the last grab.

        The same as `load_estimators.interpolated_load` with a line through the middles of the sampled hours, by sums over the
        stretches between grabs.

        Args:
            at: numbers of the sampled hours, ascending, shape (n,), n at least 1.
            results: what the laboratory says of each, mg/L, shape (members, n).

        Returns:
            Shape (members,).
        """
        edges = np.concatenate([[0], at, [self.net_l.shape[1]]])
        litres = np.diff(self.to_hour[:, edges], axis=1)
        by_number = np.diff(self.to_hour_by_number[:, edges], axis=1)
        held = litres[:, 0] * results[:, 0] + litres[:, -1] * results[:, -1]
        if at.size == 1:
            return held
        # Within a stretch the line goes from its first result by so much an hour.
        rise = np.diff(results, axis=1) / np.diff(at)
        inner = litres[:, 1:-1] * results[:, :-1] + rise * (by_number[:, 1:-1] - at[:-1] * litres[:, 1:-1])
        return np.asarray(held + inner.sum(axis=1))

    def ratio_mg(self, at: Indices, results: Floats, steps: float) -> Floats:
        """Load by Beale's ratio estimator in one stratum; flow below nothing counts as nothing at a grab.

        Args:
            at: numbers of the sampled hours, shape (n,), n at least 2.
            results: mg/L, shape (members, n).
            steps: how many steps there were from which the grabs are, such as days.

        Returns:
            Shape (members,); not-a-number where nothing flowed at any grab.
        """
        flow = np.maximum(self.net_l[:, at], 0.0)
        return corrected_ratio(flow, flow * results, steps) * self.to_hour[:, -1]

    def composite_mg(self, pacing_l: float, windows: Indices, relative_errors: Floats) -> Floats:
        """Load by flow-paced composites: the mean of all aliquots times the net volume.

        An aliquot is taken whenever so much has drained since the last one, at the concentration of its hour. The aliquots between two
        visits are one composite, with one error of the laboratory, and count by their number.

        Args:
            pacing_l: volume drained for which one aliquot is taken, L.
            windows: first hours of the windows, ascending, the first 0, shape (w,).
            relative_errors: of the laboratory, by composite, shape (members, w).

        Returns:
            Shape (members,); not-a-number where no aliquot was taken.
        """
        drained = np.cumsum(np.maximum(self.net_l, 0.0), axis=1)
        taken = np.diff(np.floor(drained / pacing_l), axis=1, prepend=0.0)
        sums = np.add.reduceat(taken * self.mg_l, windows, axis=1) * (1 + relative_errors)
        aliquots = taken.sum(axis=1)
        mean = np.divide(sums.sum(axis=1), aliquots, out=np.full(aliquots.size, np.nan), where=aliquots > 0)
        return np.asarray(mean * self.to_hour[:, -1])
