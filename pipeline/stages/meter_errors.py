"""The errors of metered hours: which calibration and meter each has, and the draws of an ensemble by their names.

Belongs here: from rows of `metered_hours` to the arrays of science/uncertainty.py.
Does not: how errors add up (science/uncertainty.py), the limits of the error curve (stages/metered_hours.py), errors of filled hours.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.science.ensemble import ENSEMBLE_MEMBERS, seed_of, standard_normal_draws, uniform_draws
from pipeline.science.uncertainty import MeterDraws, MeteredWater, SharedErrors, half_width_90_l, shared_errors
from pipeline.site import Calibration, Site

Floats = NDArray[np.float64]

COVERAGE_FACTOR = 2.0
"""Of the expanded uncertainties in calibrations.csv."""
HOUR = pd.Timedelta(hours=1)


def metered_water(hours: pd.DataFrame, site: Site) -> MeteredWater:
    """Metered hours with the errors that they share.

    Args:
        hours: rows of `metered_hours`, in order of time within each plot.
        site: calibrations (expanded uncertainty, %, at a coverage factor of 2) and meters; they are numbered in the order of their
            names, as in `meter_draws`.

    Returns:
        Arrays in the order of the rows, L.
    """
    calibrations = pd.Index([row.name for row in _calibrations(site)])
    same_meter = (hours["meter"] == hours["meter"].shift()) & (hours["plot"] == hours["plot"].shift())
    return MeteredWater(
        forward_l=_litres(hours["forward_l"]),
        reverse_l=_litres(hours["reverse_l"]),
        forward_calibration=_numbers(calibrations, hours["calibration"]),
        reverse_calibration=_numbers(calibrations, hours["reverse_calibration"]),
        calibration_uncertainty=np.array(
            [row.expanded_uncertainty_pct / 100 / COVERAGE_FACTOR for row in _calibrations(site)]
        ),
        meter=_numbers(pd.Index(_meters(site)), hours["meter"]),
        meters=len(_meters(site)),
        error_curve_l=_litres(hours["error_curve_l"]),
        counting_l=_litres(hours["counting_l"]),
        follows=(same_meter & (hours["hour_start"].diff() == HOUR)).to_numpy(dtype=bool),
    )


def measured_half_width_l(hours: pd.DataFrame, site: Site) -> Floats:
    """Half-width of the 90 % interval of each hour's metered volume.

    Args:
        hours: rows of `metered_hours`, in order of time within each plot; of any plots and years.
        site: calibrations and meters.

    Returns:
        L, of the metered part of each hour, shape (n,); 0 where nothing was metered.
    """
    return half_width_90_l(shared_errors(metered_water(hours, site), np.arange(len(hours)), len(hours)))


def meter_draws(errors: SharedErrors, site: Site, *counted: str) -> MeterDraws:
    """The draws of all members for sums of one plot's metered water.

    Draws belong to names: a calibration, or a meter, errs alike in all plots, years and tables.

    Args:
        errors: sums of hours from `metered_water`.
        site: calibrations and meters.
        counted: names of what the hours are, such as plot and water year; what is left over of a pulse is drawn anew for each.

    Returns:
        Draws of every calibration, meter and instant; their means are zero.
    """
    return MeterDraws(
        calibration=_side_by_side(
            standard_normal_draws(seed_of(site.site, "calibration", row.name)) for row in _calibrations(site)
        ),
        error_curve=_side_by_side(uniform_draws(seed_of(site.site, "error curve", meter)) for meter in _meters(site)),
        counting=uniform_draws(seed_of(site.site, "counting", *counted), errors.counting.shape[1]) / 2,
    )


def _side_by_side(draws: Iterable[Floats]) -> Floats:
    return np.hstack([np.empty((ENSEMBLE_MEMBERS, 0)), *draws])


def _calibrations(site: Site) -> list[Calibration]:
    return sorted(site.calibrations, key=lambda row: row.name)


def _meters(site: Site) -> list[str]:
    return sorted({row.meter for row in site.meters})


def _litres(values: pd.Series) -> Floats:
    return np.nan_to_num(values.to_numpy(dtype=float))


def _numbers(names: pd.Index, values: pd.Series) -> NDArray[np.int64]:
    """Place of each value among the names, -1 for none."""
    return np.asarray(names.get_indexer(pd.Index(values)), dtype=np.int64)
