"""Promises of the hydraulics of a full main and its throat, and of flow duration, against outside sources."""

from __future__ import annotations

import math

import fluids
import numpy as np
import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.science.flow_duration import exceeded_flow, exceeded_share
from pipeline.science.meter_range import (
    TRADE_VELOCITY_M_S,
    error_curve_limit_l,
    expanded_uncertainty_l,
    flow_at_same_velocity,
)
from pipeline.science.pipe_hydraulics import (
    contraction_coefficient,
    enlargement_coefficient,
    friction_factor,
    full_pipe_capacity_l_min,
    head_loss,
    kinematic_viscosity_m2_s,
    velocity_m_s,
)

UNITS = pint.UnitRegistry()
bores = st.floats(20, 400)
flows = st.floats(0.01, 1e5)
angles = st.floats(1, 180)


def loss_m(
    flow_l_min: float, bore_mm: float, main_mm: float, angle_deg: float = 30.0, roughness_mm: float = 0.0015
) -> float:
    return float(head_loss(flow_l_min, bore_mm, main_mm, 10 * bore_mm, roughness_mm, angle_deg, 10.0).total_m)


# Velocity and viscosity


@given(flows, bores)
def test_velocity_is_flow_divided_by_area(flow: float, bore: float) -> None:
    # Units by pint.
    speed = (flow * UNITS.litre / UNITS.minute) / (math.pi / 4 * (bore * UNITS.mm) ** 2)
    assert velocity_m_s(flow, bore) == pytest.approx(speed.to("m/s").magnitude, rel=1e-12)
    assert velocity_m_s(-flow, bore) == velocity_m_s(flow, bore)


def test_the_trades_lowest_accurate_velocity_is_that_of_a_three_inch_meter() -> None:
    # ±5 % near 4.2 L/min in a 3-inch meter, about 1.5 cm/s (common practice, no source).
    bore_mm = (3 * UNITS.inch).to("mm").magnitude
    assert velocity_m_s(4.2, bore_mm) == pytest.approx(TRADE_VELOCITY_M_S, rel=0.05)


@pytest.mark.parametrize(
    ("temperature_c", "dynamic_pa_s"),
    # 20 °C: ISO/TR 3666, 1.0016 mPa s; the others: IAPWS 2008 formulation at 0.1 MPa. All from memory, and confirmed with a
    # library of that formulation when this was written.
    [(0.01, 1.7916e-3), (10.0, 1.3059e-3), (20.0, 1.0016e-3), (25.0, 0.8900e-3), (40.0, 0.6527e-3)],
)
def test_viscosity_is_that_of_the_tables(temperature_c: float, dynamic_pa_s: float) -> None:
    assert kinematic_viscosity_m2_s(temperature_c) * 1000 == pytest.approx(dynamic_pa_s, rel=2e-3)


# Friction


@given(st.floats(1, 1e8), st.floats(0, 0.05))
def test_the_friction_factor_is_that_of_colebrook_and_white_and_of_laminar_flow(
    reynolds: float, roughness: float
) -> None:
    # The `fluids` package: 64/Re below 2040, above it the Colebrook equation solved exactly.
    expected = fluids.friction_factor(Re=reynolds, eD=roughness, Method="Colebrook")
    assert friction_factor(reynolds, roughness) == pytest.approx(expected, rel=1e-9)


@given(st.floats(5000, 1e7), st.floats(0, 0.05))
def test_the_friction_factor_solves_its_equation(reynolds: float, roughness: float) -> None:
    x = 1 / math.sqrt(friction_factor(reynolds, roughness))
    assert x == pytest.approx(-2 * math.log10(roughness / 3.7 + 2.51 / reynolds * x), rel=1e-10)


# Reducers


@given(bores, st.floats(1, 4), angles)
def test_reducers_lose_what_the_handbook_says(bore: float, ratio: float, angle: float) -> None:
    # Crane TP 410 as in fluids.fittings; both on the velocity head in the throat.
    main = bore * ratio
    narrowing = fluids.fittings.contraction_conical_Crane(Di1=main, Di2=bore, angle=angle)
    widening = fluids.fittings.diffuser_conical(Di1=bore, Di2=main, angle=angle, method="Crane")
    assert contraction_coefficient(bore, main, angle) == pytest.approx(narrowing, rel=1e-9, abs=1e-12)
    assert enlargement_coefficient(bore, main, angle) == pytest.approx(widening, rel=1e-9, abs=1e-12)


@given(bores, st.floats(1, 4))
def test_a_straight_angle_is_the_sudden_change(bore: float, ratio: float) -> None:
    # Borda and Carnot: (1 − A1/A2)²; sudden contraction 0.5 (1 − A2/A1), any hydraulics handbook.
    areas = ratio**-2
    assert contraction_coefficient(bore, bore * ratio, 180.0) == pytest.approx(0.5 * (1 - areas), rel=1e-9, abs=1e-12)
    assert enlargement_coefficient(bore, bore * ratio, 180.0) == pytest.approx((1 - areas) ** 2, rel=1e-9, abs=1e-12)


# Head loss


@given(st.floats(0.5, 5000), bores, st.floats(1, 4), angles, st.floats(0, 0.5))
def test_head_loss_is_that_of_the_parts_by_another_library(
    flow: float, bore: float, ratio: float, angle: float, roughness: float
) -> None:
    # fluids: Reynolds number, friction factor, K of a straight pipe, head from K.
    main = bore * ratio
    speed = flow / 60_000 / (math.pi / 4 * (bore / 1000) ** 2)
    reynolds = fluids.Reynolds(V=speed, D=bore / 1000, nu=float(kinematic_viscosity_m2_s(12.0)))
    factor = fluids.friction_factor(Re=reynolds, eD=roughness / bore, Method="Colebrook")
    k = (
        fluids.K_from_f(fd=factor, L=1.5, D=bore / 1000)
        + fluids.fittings.contraction_conical_Crane(Di1=main, Di2=bore, angle=angle)
        + fluids.fittings.diffuser_conical(Di1=bore, Di2=main, angle=angle, method="Crane")
    )
    ours = head_loss(flow, bore, main, 1500.0, roughness, angle, 12.0).total_m
    assert ours == pytest.approx(fluids.head_from_K(K=k, V=speed), rel=1e-7)


@given(flows, st.floats(1.0, 3.0), bores, st.floats(1, 4), angles)
def test_head_loss_grows_with_flow(flow: float, more: float, bore: float, ratio: float, angle: float) -> None:
    assert loss_m(flow * more, bore, bore * ratio, angle) >= loss_m(flow, bore, bore * ratio, angle)


@given(flows, bores, st.floats(0.3, 1.0), st.floats(1, 4), angles)
def test_head_loss_falls_as_the_bore_grows(flow: float, bore: float, narrower: float, ratio: float, angle: float) -> None:
    wide, narrow = (loss_m(flow, one, bore * ratio, angle) for one in (bore, bore * narrower))
    assert wide <= narrow * (1 + 1e-12)


def test_head_loss_of_reducers_goes_with_the_square_of_flow_and_the_fourth_power_of_the_bore() -> None:
    # h = K v²/(2g) with v = Q/A: twice the flow loses four times, half of bore and main sixteen times.
    whole = head_loss(100.0, 75.0, 150.0, 0.0, 0.0, 30.0, 10.0).total_m
    assert head_loss(200.0, 75.0, 150.0, 0.0, 0.0, 30.0, 10.0).total_m == pytest.approx(4 * whole)
    assert head_loss(100.0, 37.5, 75.0, 0.0, 0.0, 30.0, 10.0).total_m == pytest.approx(16 * whole)


def test_still_water_loses_no_head_and_backward_water_as_much_as_forward() -> None:
    assert head_loss(0.0, 75.0, 150.0, 750.0, 0.0015, 30.0, 10.0).total_m == 0.0
    assert loss_m(-80.0, 75.0, 150.0) == loss_m(80.0, 75.0, 150.0) > 0


# The full main


@given(st.floats(50, 600), st.floats(1e-5, 0.1), st.floats(0.008, 0.03))
def test_a_full_pipe_carries_what_manning_says(main_mm: float, slope: float, n: float) -> None:
    # Q = (1/n) A R^(2/3) S^(1/2), R = D/4: velocity by fluids.open_flow.V_Manning, units by pint.
    diameter = (main_mm * UNITS.mm).to("m").magnitude
    speed = fluids.open_flow.V_Manning(Rh=diameter / 4, S=slope, n=n) * UNITS.m / UNITS.s
    flow = (speed * (math.pi / 4 * (main_mm * UNITS.mm) ** 2)).to("litre/minute").magnitude
    assert full_pipe_capacity_l_min(main_mm, slope, n) == pytest.approx(flow, rel=1e-9)


# Flow duration

records = st.lists(st.tuples(st.integers(0, 50), st.floats(0.01, 24)), min_size=1, max_size=40)


def _classes(record: list[tuple[int, float]]) -> tuple[np.ndarray, np.ndarray]:
    flow, which = np.unique([row[0] for row in record], return_inverse=True)
    return flow.astype(float), np.bincount(which, weights=[row[1] for row in record])


@given(records, st.floats(0, 1))
def test_an_exceeded_flow_is_the_lowest_that_is_exceeded_so_rarely(record: list[tuple[int, float]], share: float) -> None:
    flow, hours = _classes(record)
    found = float(exceeded_flow(flow, hours, [share])[0])
    every = [(row[0], row[1]) for row in record]
    total = sum(row[1] for row in every)
    longer = {one: sum(row[1] for row in every if row[0] > one) / total for one in {row[0] for row in every}}
    assert longer[found] <= share + 1e-9
    assert all(longer[one] >= share - 1e-9 for one in longer if one < found)


def test_exceeded_flows_weigh_intervals_by_their_length() -> None:
    # One hour at 10 and nine at 1: 10 is exceeded never, 1 for a tenth of the time.
    assert exceeded_share([9.0, 1.0]).tolist() == pytest.approx([0.1, 0.0])
    assert exceeded_flow([1.0, 10.0], [9.0, 1.0], [0.0, 0.05, 0.1, 0.5]).tolist() == [10.0, 10.0, 1.0, 1.0]


@given(st.lists(st.floats(0, 1), min_size=2, max_size=5), records)
def test_rarer_flows_are_no_lower(shares: list[float], record: list[tuple[int, float]]) -> None:
    found = exceeded_flow(*_classes(record), sorted(shares))
    assert (np.diff(found) <= 0).all()


# Another bore


@given(flows, bores, bores)
def test_the_same_velocity_runs_through_another_bore(flow: float, bore: float, other: float) -> None:
    there = flow_at_same_velocity(flow, bore, other)
    assert velocity_m_s(there, other) == pytest.approx(float(velocity_m_s(flow, bore)), rel=1e-12)


def test_the_error_limit_of_a_volume_is_its_sum_over_the_water() -> None:
    # At 4.2 L/min 5 %, half of it 10 % (as 1/flow), at a hundredth all of the water and not 500 %.
    litres = error_curve_limit_l([0.042, 2.1, 4.2], [10.0, 100.0, 1000.0], [4.2, 42.0], [5.0, 1.0])
    assert litres == pytest.approx(10.0 + 10.0 + 50.0)


def test_a_limit_and_independent_uncertainties_combine_as_the_guide_says() -> None:
    # JCGM 100:2008, 4.3.7 and 5.1.2: u² = a²/3 + (U1/2)² + (U2/2)², U = 2u.
    assert expanded_uncertainty_l(3.0, 2.0, 4.0) == pytest.approx(2 * math.sqrt(3.0 + 1.0 + 4.0))
    assert expanded_uncertainty_l(3.0) == pytest.approx(2 * math.sqrt(3.0))
