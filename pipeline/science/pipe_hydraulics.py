"""Hydraulics of a main that runs full, and of the narrower throat in which its meter sits.

Belongs here: velocity, viscosity of water, friction and minor losses, the full pipe's capacity.
Does not: how often a flow was seen (science/flow_duration.py), which bores are looked at (stages/meter_sizing.py).

Losses have no sign: water that runs back loses head in the same parts the other way round, and every function takes flows by their
size. Arrays of flows and bores broadcast against one another.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import wrightomega

Floats = NDArray[np.float64]

GRAVITY_M_S2 = 9.80665
"""Standard acceleration of free fall (ISO 80000-3)."""

WATER_KG_M3 = 1000.0
"""Water's density from 0 to 30 °C within 0.5 %, which moves a turbulent friction loss by 0.1 %."""

TURBULENT_FROM_REYNOLDS = 2040.0
"""From here on turbulence lasts in a pipe (Avila and others 2011, Science 333)."""

LITRES_PER_MINUTE_IN_M3_S = 1 / 60_000.0


def kinematic_viscosity_m2_s(temperature_c: ArrayLike) -> Floats:
    """Kinematic viscosity of water at ordinary pressure.

    The correlation of the dynamic viscosity by Kestin, Sokolov and Wakeham 1978 (J. Phys. Chem. Ref. Data 7, 941; stated from memory),
    divided by a density of 1000 kg/m³.

    Args:
        temperature_c: water temperature, °C, from 0 to 100, any shape.

    Returns:
        m²/s, same shape.
    """
    temperature = np.asarray(temperature_c, dtype=float)
    below_20 = 20.0 - temperature
    exponent = below_20 / (temperature + 96.0) * (1.2364 - 1.37e-3 * below_20 + 5.7e-6 * below_20**2)
    return 1.002e-3 * 10.0**exponent / WATER_KG_M3


def velocity_m_s(flow_l_min: ArrayLike, bore_mm: ArrayLike) -> Floats:
    """Mean velocity in a full round pipe: flow divided by area, without a sign.

    Args:
        flow_l_min: flows, L/min, any sign.
        bore_mm: inside diameters, mm, positive.

    Returns:
        m/s, in the shape to which both broadcast.
    """
    area_m2 = np.pi / 4 * (np.asarray(bore_mm, dtype=float) / 1000) ** 2
    return np.abs(np.asarray(flow_l_min, dtype=float)) * LITRES_PER_MINUTE_IN_M3_S / area_m2


def friction_factor(reynolds: ArrayLike, relative_roughness: ArrayLike) -> Floats:
    """Darcy friction factor of a round pipe.

    64/Re while the flow is laminar; above, the equation of Colebrook and White (Colebrook 1939, J. Inst. Civ. Eng. 11):
    1/√f = −2 log10(ε/(3.7 D) + 2.51/(Re √f)), solved exactly by the Wright omega function.

    Args:
        reynolds: Reynolds numbers, not negative.
        relative_roughness: roughness divided by inside diameter, not negative.

    Returns:
        Friction factors, in the shape to which both broadcast; infinite where nothing flows.
    """
    number, roughness = np.broadcast_arrays(
        np.asarray(reynolds, dtype=float), np.asarray(relative_roughness, dtype=float)
    )
    with np.errstate(divide="ignore"):
        laminar = 64.0 / number
    # With x = 1/√f, a = ε/(3.7 D), b = 2.51/Re, c = ln(10)/2: z = (c/b)(a + b x) solves z + ln z = c a/b + ln(c/b).
    b = 2.51 / np.maximum(number, TURBULENT_FROM_REYNOLDS)
    c = np.log(10.0) / 2
    z = wrightomega(c * roughness / 3.7 / b + np.log(c / b)).real
    turbulent = (c / np.log(z * b / c)) ** 2
    return np.where(number < TURBULENT_FROM_REYNOLDS, laminar, turbulent)


def contraction_coefficient(bore_mm: ArrayLike, main_mm: ArrayLike, angle_deg: ArrayLike) -> Floats:
    """Loss coefficient of the reducer from the main down to the throat, on the velocity head in the throat.

    Gradual up to an included angle of 45°, K = 0.8 sin(θ/2)(1 − β²); wider, K = 0.5 √sin(θ/2) (1 − β²), which at 180° is the sudden
    contraction. Source: Crane Technical Paper 410, formulas 1 and 2.

    Args:
        bore_mm: inside diameter of the throat, mm, no larger than the main.
        main_mm: inside diameter of the main, mm.
        angle_deg: included angle between opposite walls of the reducer, degrees, from 0 to 180.

    Returns:
        K, dimensionless, in the shape to which all broadcast.
    """
    narrowed = 1.0 - (np.asarray(bore_mm, dtype=float) / np.asarray(main_mm, dtype=float)) ** 2
    angle = np.asarray(angle_deg, dtype=float)
    sine = np.sin(np.radians(angle) / 2)
    return np.where(angle < 45.0, 0.8 * sine, 0.5 * np.sqrt(sine)) * narrowed


def enlargement_coefficient(bore_mm: ArrayLike, main_mm: ArrayLike, angle_deg: ArrayLike) -> Floats:
    """Loss coefficient of the reducer from the throat back to the main, on the velocity head in the throat.

    Gradual up to an included angle of 45°, K = 2.6 sin(θ/2)(1 − β²)²; wider, the sudden enlargement of Borda and Carnot, K = (1 − β²)².
    Source: Crane Technical Paper 410, formulas 3 and 4.

    Args:
        bore_mm: inside diameter of the throat, mm, no larger than the main.
        main_mm: inside diameter of the main, mm.
        angle_deg: included angle between opposite walls of the reducer, degrees, from 0 to 180.

    Returns:
        K, dimensionless, in the shape to which all broadcast.
    """
    narrowed = 1.0 - (np.asarray(bore_mm, dtype=float) / np.asarray(main_mm, dtype=float)) ** 2
    angle = np.asarray(angle_deg, dtype=float)
    return np.where(angle < 45.0, 2.6 * np.sin(np.radians(angle) / 2), 1.0) * narrowed**2


class HeadLoss(NamedTuple):
    """Head lost in the parts of a metering section, m of water, all of one shape."""

    contraction_m: Floats
    friction_m: Floats
    enlargement_m: Floats

    @property
    def total_m(self) -> Floats:
        """All of it."""
        return self.contraction_m + self.friction_m + self.enlargement_m


def head_loss(
    flow_l_min: ArrayLike,
    bore_mm: ArrayLike,
    main_mm: ArrayLike,
    throat_mm: ArrayLike,
    roughness_mm: float,
    angle_deg: float,
    temperature_c: float,
) -> HeadLoss:
    """Head lost where a main narrows to a meter's throat and widens again.

    Friction in the throat by Darcy and Weisbach, h = f (L/D) v²/(2g); minor losses K v²/(2g) with v in the throat. Friction inside the
    reducers is left out, as are the meter's own rotor and struts: a maker states those.

    Args:
        flow_l_min: flows, L/min, any sign.
        bore_mm: inside diameter of the throat, mm, no larger than the main.
        main_mm: inside diameter of the main, mm.
        throat_mm: length of pipe of the throat's bore, meter and straight pieces, mm.
        roughness_mm: roughness of its wall, mm.
        angle_deg: included angle of both reducers, degrees; 180 is a sudden change.
        temperature_c: water temperature, °C.

    Returns:
        The parts, m of water, in the shape to which flows and lengths broadcast.
    """
    velocity = velocity_m_s(flow_l_min, bore_mm)
    bore_m = np.asarray(bore_mm, dtype=float) / 1000
    velocity_head_m = velocity**2 / (2 * GRAVITY_M_S2)
    reynolds = velocity * bore_m / kinematic_viscosity_m2_s(temperature_c)
    # Still water has no friction factor, and loses nothing.
    factor = friction_factor(np.maximum(reynolds, 1e-6), roughness_mm / 1000 / bore_m)
    return HeadLoss(
        contraction_coefficient(bore_mm, main_mm, angle_deg) * velocity_head_m,
        factor * np.asarray(throat_mm, dtype=float) / 1000 / bore_m * velocity_head_m,
        enlargement_coefficient(bore_mm, main_mm, angle_deg) * velocity_head_m,
    )


def full_pipe_capacity_l_min(main_mm: ArrayLike, slope: ArrayLike, roughness_coefficient: ArrayLike) -> Floats:
    """Flow that a round pipe carries when it just runs full on its own slope.

    Manning: Q = (1/n) A R^(2/3) S^(1/2), in SI units, with R = D/4.

    Args:
        main_mm: inside diameter, mm.
        slope: fall per length, m/m, not negative.
        roughness_coefficient: Manning's n, s/m^(1/3).

    Returns:
        L/min, in the shape to which all broadcast.
    """
    diameter_m = np.asarray(main_mm, dtype=float) / 1000
    area_m2 = np.pi / 4 * diameter_m**2
    speed_m_s = (diameter_m / 4) ** (2 / 3) * np.sqrt(np.asarray(slope, dtype=float)) / np.asarray(roughness_coefficient)
    return area_m2 * speed_m_s / LITRES_PER_MINUTE_IN_M3_S
