"""Promises of densities and weighed volumes, against other published formulas and tables."""

from __future__ import annotations

import numpy as np
import pytest
from iapws import IAPWS95

from pipeline.science.water_density import (
    air_density_kg_m3,
    buoyancy_correction,
    water_density_kg_m3,
    weighed_volume_l,
)

TEMPERATURES_C = np.arange(1.0, 40.0, 3.0)


def _kell_1975(t: np.ndarray) -> np.ndarray:
    """Kell 1975, J. Chem. Eng. Data 20, 97 (from memory); on the scale IPTS-68, a few parts per million from ITS-90."""
    terms = (
        999.83952 + 16.945176 * t - 7.9870401e-3 * t**2 - 46.170461e-6 * t**3 + 105.56302e-9 * t**4 - 280.54253e-12 * t**5
    )
    return terms / (1 + 16.879850e-3 * t)


def test_density_of_water_is_that_of_the_steam_association_within_two_parts_per_million() -> None:
    # IAPWS-95 by the package iapws, at 101.325 kPa.
    reference = np.array([IAPWS95(T=273.15 + t, P=0.101325).rho for t in TEMPERATURES_C])
    assert np.abs(water_density_kg_m3(TEMPERATURES_C) / reference - 1).max() < 2e-6


def test_density_of_water_is_that_of_an_older_formula_within_ten_parts_per_million() -> None:
    assert np.abs(water_density_kg_m3(TEMPERATURES_C) / _kell_1975(TEMPERATURES_C) - 1).max() < 1e-5


def test_water_is_densest_at_four_degrees() -> None:
    fine = np.linspace(0, 10, 1001)
    assert fine[np.argmax(water_density_kg_m3(fine))] == pytest.approx(3.98, abs=0.02)
    assert water_density_kg_m3(3.98) == pytest.approx(999.975, abs=0.001)  # kg/m³, any physics handbook


@pytest.mark.parametrize(("temp_c", "kg_m3"), [(15.0, 1.225), (20.0, 1.204), (0.0, 1.293)])
def test_density_of_dry_air_is_that_of_the_handbooks(temp_c: float, kg_m3: float) -> None:
    # Dry air at 1013.25 hPa: ICAO standard atmosphere at 15 °C, and any physics handbook.
    assert air_density_kg_m3(temp_c, 1013.25, 0.0) == pytest.approx(kg_m3, abs=0.0006)


def test_moist_air_is_lighter() -> None:
    assert air_density_kg_m3(25.0, 1013.25, 90.0) < air_density_kg_m3(25.0, 1013.25, 10.0)


@pytest.mark.parametrize(
    ("temp_c", "hpa", "ml_per_g"),
    [
        (15.0, 1013.0, 1.0020),
        (20.0, 800.0, 1.0026),
        (20.0, 907.0, 1.0027),
        (20.0, 1013.0, 1.0029),
        (25.0, 1013.0, 1.0040),
    ],
)
def test_volume_of_a_gram_is_that_of_the_standard_for_volumetric_apparatus(
    temp_c: float, hpa: float, ml_per_g: float
) -> None:
    # Z factors of ISO 8655-6, annex (from memory), stated to four decimals; air at the water's temperature.
    air = air_density_kg_m3(temp_c, hpa)
    assert weighed_volume_l(1.0, temp_c, air) == pytest.approx(ml_per_g, abs=0.6e-4)


def test_buoyancy_adds_about_a_thousandth() -> None:
    # 1.2 (1/998.2 - 1/8000) = 0.00105: the first-order form, JCGM-free arithmetic.
    assert buoyancy_correction(998.2, 1.2) == pytest.approx(1.2 * (1 / 998.2 - 1 / 8000), rel=2e-3)


def test_without_air_there_is_no_buoyancy() -> None:
    assert weighed_volume_l(998.2067, 20.0, 0.0) == pytest.approx(1000.0, abs=0.01)
