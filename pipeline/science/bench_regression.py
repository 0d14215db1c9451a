"""Litres per pulse from bench runs, and how sure they are.

Belongs here: regression of pulses on reference volumes through the origin with the variances of a bench, the expanded uncertainty
that few runs leave, repeatability, linearity over flow.
Does not: which column is which meter (channel_assignment.py), where a reference volume comes from (water_density.py, stages/).

A run's pulses are N = V (1 + e) / K + q, where V is the volume that ran, K the litres per pulse and

- q the counting error: at both ends of a run the next pulse is anywhere between just gone and about to come, which makes the
  difference of two rectangular errors of one pulse's width, of variance 1/6;
- e the meter's own relative error: a part that is new in every run (repeatability), and a part that belongs to the flow: some smooth
  curve over the logarithm of flow within the meter's error curve.

V is known through the reference, whose error is partly new in every run and partly the same in all of them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq
from scipy.special import ndtr

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

COUNTING_VARIANCE = 1 / 6
"""Of a run's count, pulses²: that of the difference of two rectangular distributions of width 1."""

COVERAGE = 0.95

ALIKE = 1.1
"""Runs whose flows lie within this factor of the next are runs at one flow."""

REPEATABILITIES = 25
LOWEST_REPEATABILITY, USUAL_HIGHEST_REPEATABILITY = 1e-5, 0.02
"""Bounds of what is thought possible for the standard deviation of a meter's error from run to run, as a share. Between them
its logarithm is uniform before the runs are looked at: the usual prior of a scale, which leads to Student's t."""

CURVES = (
    (0.4, 0.0, 1.0),
    *((0.2 / 3, amplitude, length) for amplitude in (0.2, 0.4, 0.6) for length in (0.7, 1.5, 3.0)),
)
"""How a meter may use its error curve: how likely that is before the runs are looked at, the standard deviation of its error at a
flow as a share of the curve's limit, and over how much of the natural logarithm of flow its error stays alike. An error that is
anywhere within the limits has a standard deviation of 0.58. Chosen by tests/bench/bench_proofs.py, so that 95 % are 95 %."""


@dataclass(frozen=True)
class BenchResult:
    """What the runs of one logger column say.

    Uncertainties are shares of `litres_per_pulse`.

    Attributes:
        litres_per_pulse: K, L.
        expanded_uncertainty: half-width of the interval around K that holds the true value with a probability of 95 %.
        reference, counting, repeatability, error_curve: standard uncertainty from each source, as far as it is known; together, in
            quadrature, that of K.
        reduced_chi_square: squared residuals over the variances of reference and counting alone, per degree of freedom: about 1
            where these explain the scatter; not-a-number for one run.
        deviation: by how much each run's litres per pulse exceed K, as a share of K, shape (runs,).
    """

    litres_per_pulse: float
    expanded_uncertainty: float
    reference: float
    counting: float
    repeatability: float
    error_curve: float
    reduced_chi_square: float
    deviation: Floats

    @property
    def standard_uncertainty(self) -> float:
        """All sources together, in quadrature."""
        return float(np.sqrt(self.reference**2 + self.counting**2 + self.repeatability**2 + self.error_curve**2))

    @property
    def coverage_factor(self) -> float:
        """Expanded over standard uncertainty: 1.96 where all variances are known, more where few runs must tell them."""
        return self.expanded_uncertainty / self.standard_uncertainty


def litres_per_pulse(
    pulses: ArrayLike,
    reference_l: ArrayLike,
    reference_u_l: ArrayLike,
    flow_l_min: ArrayLike,
    curve_limit: ArrayLike,
    common_u: ArrayLike = 0.0,
) -> BenchResult:
    """Litres per pulse by generalised least squares through the origin.

    Pulses are regressed on reference litres (the counts scatter more than the volumes), each run weighted by its variances.
    Those of reference and counting are known; repeatability and the meter's use of its error curve are not. Every value that
    these may have is tried, weighted by how well it explains the runs, and the results are mixed. Where repeatability is all
    that matters, this is Student's t with one degree of freedom less than there are runs; where everything is known, the normal
    distribution. Sources: JCGM 100:2008, 4.3.7, 5.2.2, G.3 (variances, common errors, Student's t); JCGM 101:2008 (an interval
    from a distribution that is not normal); Gelman and others, Bayesian Data Analysis, 3.2 and 14.2 (regression with an unknown
    variance).

    Args:
        pulses: counts of the runs, not all zero, shape (runs,).
        reference_l: volumes that ran, positive, shape (runs,).
        reference_u_l: standard uncertainties of these, independent from run to run, shape (runs,).
        flow_l_min: flows, positive, shape (runs,).
        curve_limit: limit of the meter's error at each run's flow, as a share, shape (runs,).
        common_u: standard uncertainty of what is one and the same error in all runs, as a share of each run's volume; a number, or
            one row per independent source of such errors, shape (sources, runs).

    Raises:
        ValueError: there is no run, or no pulse in any.
    """
    count, volume = np.asarray(pulses, dtype=float), np.asarray(reference_l, dtype=float)
    if count.size == 0 or not count.sum() > 0:
        raise ValueError("litres per pulse need a run with pulses")
    log_flow = np.log(np.asarray(flow_l_min, dtype=float))
    limit = np.asarray(curve_limit, dtype=float)
    shared = np.broadcast_to(
        np.atleast_2d(np.asarray(common_u, dtype=float)), (np.atleast_2d(common_u).shape[0], volume.size)
    )
    runs = volume.size
    rough = count.sum() / volume.sum()  # pulses per litre
    excess = count / volume / rough - 1.0

    of_reference = np.diag((np.asarray(reference_u_l, dtype=float) / volume) ** 2) + shared.T @ shared
    of_counting = np.diag(COUNTING_VARIANCE / (rough * volume) ** 2)
    known = np.diagonal(of_reference) + np.diagonal(of_counting)
    unexplained = max(float(excess.var() - known.mean()), 0.0)
    highest = max(USUAL_HIGHEST_REPEATABILITY, 5 * np.sqrt(unexplained))
    scatters = np.geomspace(LOWEST_REPEATABILITY, highest, REPEATABILITIES)
    scatter = np.repeat(scatters, len(CURVES))
    weight_of_curve, amplitude, length = (np.tile(part, scatters.size) for part in np.array(CURVES).T)
    apart = log_flow[:, None] - log_flow[None, :]
    curve = np.outer(limit, limit) * np.exp(-0.5 * (apart / length[:, None, None]) ** 2) * amplitude[:, None, None] ** 2
    variance = of_reference + of_counting + curve + scatter[:, None, None] ** 2 * np.eye(runs)

    lower = np.linalg.cholesky(variance)
    whitened = np.linalg.solve(lower, np.broadcast_to(np.stack([np.ones(runs), excess], axis=1), (scatter.size, runs, 2)))
    precision = (whitened[:, :, 0] ** 2).sum(axis=1)
    mean = (whitened[:, :, 0] * whitened[:, :, 1]).sum(axis=1) / precision
    misfit = (whitened[:, :, 1] ** 2).sum(axis=1) - mean**2 * precision
    log_determinant = np.log(np.diagonal(lower, axis1=1, axis2=2)).sum(axis=1)
    log_weight = np.log(weight_of_curve) - log_determinant - 0.5 * np.log(precision) - 0.5 * misfit
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()

    centre = float(weight @ mean)
    litres = float(1.0 / (rough * (1.0 + centre)))
    per_run = (
        np.linalg.solve(variance, np.ones(runs)) / precision[:, None]
    )  # what each run contributes, shape (grid, runs)

    def share(of_source: Floats) -> float:
        """Median of what the source may contribute: a mean would be ruled by the few large values that few runs cannot exclude."""
        part = np.einsum("gi,gij,gj->g", per_run, np.broadcast_to(of_source, variance.shape), per_run)
        order = np.argsort(part)
        return float(np.sqrt(part[order][np.searchsorted(np.cumsum(weight[order]), 0.5)]))

    return BenchResult(
        litres_per_pulse=litres,
        expanded_uncertainty=_half_width(centre, mean, 1.0 / np.sqrt(precision), weight),
        reference=share(of_reference),
        counting=share(of_counting),
        repeatability=share(scatter[:, None, None] ** 2 * np.eye(runs)),
        error_curve=share(curve),
        reduced_chi_square=float((((excess - centre) ** 2) / known).sum() / (runs - 1)) if runs > 1 else float("nan"),
        deviation=_deviation(count, volume, litres),
    )


def _deviation(count: Floats, volume: Floats, litres: float) -> Floats:
    with np.errstate(divide="ignore"):
        return volume / (count * litres) - 1.0


def _half_width(centre: float, mean: Floats, deviation: Floats, weight: Floats) -> float:
    """Half-width of the 95 % interval around 1 / (1 + centre), as a share of it, of a mixture of normal distributions."""

    def uncovered(half_width: float) -> float:
        least = (1.0 + centre) / (1.0 + half_width) - 1.0
        most = (1.0 + centre) / (1.0 - half_width) - 1.0
        inside = ndtr((most - mean) / deviation) - ndtr((least - mean) / deviation)
        return float(weight @ inside) - COVERAGE

    largest = 1.0 - 1e-9
    return float(brentq(uncovered, 0.0, largest)) if uncovered(largest) > 0 else float("inf")


def runs_at_one_flow(flow_l_min: ArrayLike) -> Integers:
    """Number of the flow at which each run was made, from 0 in order of flow, shape (runs,).

    Two runs whose flows lie within 10 % of one another are at one flow.
    """
    flow = np.asarray(flow_l_min, dtype=float)
    order = np.argsort(flow, kind="stable")
    steps = np.diff(np.log(flow[order]), prepend=np.log(flow[order][:1])) > np.log(ALIKE)
    number = np.empty(flow.size, dtype=np.int64)
    number[order] = np.cumsum(steps)
    return number


def repeatability(deviation: ArrayLike, at_flow: ArrayLike) -> float:
    """Standard deviation of litres per pulse among runs at one flow, pooled over the flows; counting is part of it.

    Source: repeatability conditions, JCGM 200:2012, 2.20; the pooled standard deviation of any text on statistics.

    Args:
        deviation: relative deviations of the runs, shape (runs,).
        at_flow: number of each run's flow, as `runs_at_one_flow` gives it, shape (runs,).

    Returns:
        A share; not-a-number where no flow was run twice.
    """
    share, flow = np.asarray(deviation, dtype=float), np.asarray(at_flow)
    runs = np.bincount(flow)
    freedom = share.size - np.count_nonzero(runs)
    if freedom < 1:
        return float("nan")
    mean = np.bincount(flow, weights=share) / np.maximum(runs, 1)
    return float(np.sqrt(((share - mean[flow]) ** 2).sum() / freedom))


def linearity(pulses: ArrayLike, reference_l: ArrayLike, at_flow: ArrayLike) -> float:
    """Half the range of litres per pulse over the flows, as a share of the middle of that range.

    (largest - smallest) / (largest + smallest), as the trade states the linearity of a flow meter (common practice, no source).
    Counting is part of it: short runs at low flow look less linear than the meter is.

    Args:
        pulses: counts of the runs, shape (runs,).
        reference_l: volumes that ran, shape (runs,).
        at_flow: number of each run's flow, shape (runs,).

    Returns:
        A share; not-a-number where all runs were at one flow.
    """
    flow = np.asarray(at_flow)
    count = np.bincount(flow, weights=np.asarray(pulses, dtype=float))
    litres = np.bincount(flow, weights=np.asarray(reference_l, dtype=float))
    ratio = litres[count > 0] / count[count > 0]
    if ratio.size < 2:
        return float("nan")
    return float((ratio.max() - ratio.min()) / (ratio.max() + ratio.min()))
