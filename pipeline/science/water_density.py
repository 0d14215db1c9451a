"""Density of water and of air, and the volume of water that a balance stands for.

Belongs here: published formulas for both densities, and the correction for the buoyancy of air.
Does not: reading bench files (stages/bench_files.py), what a volume says of a meter (bench_regression.py).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

LOWEST_WATER_C, HIGHEST_WATER_C = 0.0, 40.0
"""The range in which the formula for water holds."""

CONVENTIONAL_AIR_KG_M3 = 1.2
CONVENTIONAL_WEIGHTS_KG_M3 = 8000.0
"""A balance shows the mass of weights of this density that balance the load in air of that density (OIML D 28)."""

USUAL_HUMIDITY_PCT = 50.0


def water_density_kg_m3(water_temp_c: ArrayLike) -> Floats:
    """Density of air-free pure water at one atmosphere.

    Source: Tanaka and others 2001, Metrologia 38, 301 (recommended by the CIPM's consultative committee for mass), valid from 0
    to 40 °C, standard uncertainty below 1 part per million. Drainage water holds salts: each 0.1 g/L makes it about 0.008 %
    denser (common practice, no source).

    Args:
        water_temp_c: temperature, °C (ITS-90), any shape.

    Returns:
        Density, kg/m³, same shape.
    """
    t = np.asarray(water_temp_c, dtype=float)
    return 999.974950 * (1.0 - (t - 3.983035) ** 2 * (t + 301.797) / (522528.9 * (t + 69.34881)))


def air_density_kg_m3(
    air_temp_c: ArrayLike, air_pressure_hpa: ArrayLike, humidity_pct: ArrayLike = USUAL_HUMIDITY_PCT
) -> Floats:
    """Density of moist air.

    Source: the approximate form of the CIPM formula in OIML R 111-1 (2004), equation E.3-1; within 0.02 % of the full one at
    900 to 1100 hPa, 10 to 30 °C and humidity below 80 %.

    Args:
        air_temp_c: temperature, °C, any shape.
        air_pressure_hpa: pressure at the place (not reduced to sea level), hPa.
        humidity_pct: relative humidity, %.

    Returns:
        Density, kg/m³.
    """
    t = np.asarray(air_temp_c, dtype=float)
    moisture = 0.009 * np.asarray(humidity_pct, dtype=float) * np.exp(0.061 * t)
    return (0.34848 * np.asarray(air_pressure_hpa, dtype=float) - moisture) / (273.15 + t)


def buoyancy_correction(water_kg_m3: ArrayLike, air_kg_m3: ArrayLike = CONVENTIONAL_AIR_KG_M3) -> Floats:
    """By how much, as a share, the mass of water exceeds what a balance shows: air carries part of the water's weight.

    (1 - air / weights) / (1 - air / water) - 1, the balance having been adjusted with weights of 8000 kg/m³. About +0.11 %.
    Source: ISO 4787, annex B; OIML D 28.

    Args:
        water_kg_m3: density of the water, kg/m³.
        air_kg_m3: density of the air, kg/m³.

    Returns:
        Share of the reading, positive.
    """
    air = np.asarray(air_kg_m3, dtype=float)
    return (1.0 - air / CONVENTIONAL_WEIGHTS_KG_M3) / (1.0 - air / np.asarray(water_kg_m3, dtype=float)) - 1.0


def weighed_volume_l(
    reading_kg: ArrayLike, water_temp_c: ArrayLike, air_kg_m3: ArrayLike = CONVENTIONAL_AIR_KG_M3
) -> Floats:
    """Volume of water at its own temperature from what a balance shows for it.

    Args:
        reading_kg: the balance's reading, tare taken off, kg.
        water_temp_c: temperature of the water, °C.
        air_kg_m3: density of the air, kg/m³.

    Returns:
        Volume, L.
    """
    density = water_density_kg_m3(water_temp_c)
    mass_kg = np.asarray(reading_kg, dtype=float) * (1.0 + buoyancy_correction(density, air_kg_m3))
    return mass_kg / density * 1000.0
