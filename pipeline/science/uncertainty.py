"""How errors add up.

Belongs here: the errors of metered water by source, and what they mean for sums: by the law of propagation of uncertainty, and as
members of an ensemble; sums of half-widths whose errors are common to a block of hours and independent between blocks.
Does not: which meter and calibration metered an hour (stages/meter_errors.py), where the half-width of a filled hour or a
concentration comes from (stages/hours.py, stages/concentration.py), which hours form a block (stages/loads.py), how draws are made
(ensemble.py).

Three sources, because they add up differently:

- calibration: one relative error of the litres per pulse for all water that a calibration turned into litres. Forward and reverse
  have calibrations of their own, whose errors are independent; net volume is forward minus reverse, and its error likewise.
- error curve: one error for a meter, of a size that the curve limits at each flow. It is a share of what passes, so that the volume
  that ran back errs with its sign.
- counting: between two instants a counter has turned by its pulses, and by the parts of a pulse that were left over at the one and at
  the other. What one hour has left over the next one starts with, so that in a sum only the ends of a stretch remain.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import coo_array, csr_array
from scipy.special import ndtri

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Indices = NDArray[np.int64]

NONE = -1
"""In place of the number of a calibration or a meter where an hour has none."""

HALF_WIDTH_90_OF_EXPANDED = float(ndtri(0.95)) / 2
"""Half-width of a 90 % interval of a normal error, as a share of its expanded uncertainty at a coverage factor of 2
(JCGM 100:2008, 6.3): 1.645 / 2."""
STANDARD_OF_LIMIT = 1 / np.sqrt(3)
"""Standard uncertainty of an error that lies anywhere within a limit (rectangular distribution; JCGM 100:2008, 4.3.7)."""
STANDARD_OF_PULSE = 1 / np.sqrt(12)
"""Standard uncertainty, in pulses, of the part of a pulse that is left over at an instant: anything from none to one."""
HALF_WIDTH_90 = {
    "calibration": float(ndtri(0.95)),
    "error_curve": 0.9 / STANDARD_OF_LIMIT,
    "counting": (1 - np.sqrt(0.1)) / (np.sqrt(2) * STANDARD_OF_PULSE),
}
"""Half-width of a 90 % interval in standard uncertainties, by source: of a normal error; of a rectangular one; of the difference of two
equal rectangular ones, which is triangular (JCGM 100:2008, 4.3.7 and 4.3.9)."""


@dataclass(frozen=True)
class MeteredWater:
    """Hours of metered water, and what of their errors they share. Arrays are of shape (n,) but for `calibration_uncertainty`.

    Attributes:
        forward_l, reverse_l: what ran each way, L; 0 where nothing was metered.
        forward_calibration, reverse_calibration: number of the calibration that was in force, or `NONE`.
        calibration_uncertainty: relative standard uncertainty of each calibration, 1, shape (k,).
        meter: number of the meter, or `NONE`.
        meters: how many meters there are.
        error_curve_l: limit of the error curve's error on the water of both directions, L.
        counting_l: litres of one pulse.
        follows: whether the hour goes on where the hour before it in the arrays ended, metered by the same meter.
    """

    forward_l: Floats
    reverse_l: Floats
    forward_calibration: Indices
    reverse_calibration: Indices
    calibration_uncertainty: Floats
    meter: Indices
    meters: int
    error_curve_l: Floats
    counting_l: Floats
    follows: Flags


@dataclass(frozen=True)
class SharedErrors:
    """Sums of metered water as linear functions of the independent errors that they share.

    Attributes:
        calibration: litres that a sum errs by when a calibration errs by its standard uncertainty, shape (sums, calibrations).
        error_curve: litres that a sum errs by when a meter errs by the limit of its curve, shape (sums, meters).
        counting: litres that a sum errs by for each pulse that is left over at an instant, shape (sums, instants).
    """

    calibration: csr_array
    error_curve: csr_array
    counting: csr_array

    def weighted(self, weight: ArrayLike) -> SharedErrors:
        """The errors of one sum of these sums, each times a weight, such as a concentration.

        Args:
            weight: shape (sums,).
        """
        row = csr_array(np.asarray(weight, dtype=float)[np.newaxis])
        return SharedErrors(row @ self.calibration, row @ self.error_curve, row @ self.counting)


@dataclass(frozen=True)
class MeterDraws:
    """Draws of the independent errors, one row per member.

    Attributes:
        calibration: standard normal, shape (members, calibrations).
        error_curve: within plus or minus one, shape (members, meters).
        counting: within plus or minus half a pulse, shape (members, instants).
    """

    calibration: Floats
    error_curve: Floats
    counting: Floats


def shared_errors(water: MeteredWater, period: ArrayLike, periods: int) -> SharedErrors:
    """How the errors of metered water enter sums over periods; for single hours, each hour is a period.

    While a meter gives no pulse, less than one pulse has passed: hours without any, one after the other, share what is left over at
    the two ends of the run alike.

    Args:
        water: metered hours.
        period: number of the period to which each hour belongs, integers from 0, shape (n,).
        periods: how many periods there are.

    Returns:
        Sensitivities of the sums of net volume, L.
    """
    of_period = np.asarray(period, dtype=np.int64)
    gross = water.forward_l + water.reverse_l
    share = np.divide(water.forward_l - water.reverse_l, gross, out=np.zeros_like(gross), where=gross > 0)
    runs_on = water.follows & (gross == 0)
    runs_on[1:] &= gross[:-1] == 0
    run = np.cumsum(~runs_on) - 1
    first = np.flatnonzero(~runs_on)
    runs = first.size
    # The instant at which a run ends has the run's number; it begins where the one before it ends, or at an instant of its own.
    fresh = ~water.follows[first]
    begins = np.where(fresh, runs + np.cumsum(fresh) - 1, np.arange(runs) - 1)
    counted = water.counting_l / np.bincount(run, minlength=runs)[run]
    return SharedErrors(
        calibration=_sums(
            np.tile(of_period, 2),
            np.concatenate([water.forward_calibration, water.reverse_calibration]),
            np.concatenate([water.forward_l, -water.reverse_l]),
            (periods, water.calibration_uncertainty.size),
        )
        .multiply(water.calibration_uncertainty)
        .tocsr(),
        error_curve=_sums(of_period, water.meter, share * water.error_curve_l, (periods, water.meters)),
        counting=_sums(
            np.tile(of_period, 2),
            np.concatenate([run, begins[run]]),
            np.concatenate([counted, -counted]),
            (periods, runs + int(fresh.sum())),
        ),
    )


def _sums(period: Indices, error: Indices, litres: Floats, shape: tuple[int, int]) -> csr_array:
    """Litres added up by period and by the error that they share; those that share none are left out."""
    some = error != NONE
    return coo_array((litres[some], (period[some], error[some])), shape=shape).tocsr()


def standard_uncertainty_by_source(errors: SharedErrors) -> Mapping[str, Floats]:
    """Standard uncertainty of each sum, by source, to first order.

    Terms that share an error add linearly with their signs, independent errors in quadrature. Source: JCGM 100:2008, 5.1.2 and 5.2.2
    (note 1).

    Returns:
        By source: L, shape (sums,), never negative.
    """
    return {
        "calibration": _in_quadrature(errors.calibration, 1.0),
        "error_curve": _in_quadrature(errors.error_curve, STANDARD_OF_LIMIT),
        "counting": _in_quadrature(errors.counting, STANDARD_OF_PULSE),
    }


def _in_quadrature(sensitivities: csr_array, standard: float) -> Floats:
    return standard * np.sqrt(np.asarray(sensitivities.power(2).sum(axis=1), dtype=np.float64).ravel())


def half_width_90_l(errors: SharedErrors) -> Floats:
    """Half-width of the 90 % interval of each sum: that of each source by its own distribution, the sources in quadrature.

    Returns:
        L, shape (sums,), never negative.
    """
    by_source = standard_uncertainty_by_source(errors)
    return np.sqrt(sum((HALF_WIDTH_90[source] * standard) ** 2 for source, standard in by_source.items()))


def meter_error_members(errors: SharedErrors, draws: MeterDraws) -> Floats:
    """What each member of an ensemble adds to each sum.

    The Monte Carlo counterpart of `half_width_90_l`: the same sensitivities, drawn errors in place of standard uncertainties
    (JCGM 101:2008). Hours of one plot-year take 200 members times 8,784 hours times 8 bytes, 14 MB.

    Args:
        errors: sensitivities of the sums; of hours, if each hour is a period.
        draws: errors of all members. An error keeps its draw in whatever sums it enters, of other periods and other plots too.

    Returns:
        L, shape (members, sums); the members' mean is zero if that of the draws is.
    """
    return (
        errors.calibration @ draws.calibration.T
        + errors.error_curve @ draws.error_curve.T
        + errors.counting @ draws.counting.T
    ).T
