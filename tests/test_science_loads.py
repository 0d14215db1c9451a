"""The mathematics of concentrations and loads, held against the outside world."""

import numpy as np
import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from pipeline.science.interpolation import (
    lines_between,
    statements,
)
from pipeline.science.uncertainty import HALF_WIDTH_90_OF_EXPANDED
from pipeline.science.units import depth_mm, flow_weighted_mg_l, kg_per_ha

UNITS = pint.UnitRegistry()
LONG = 1e6
"""Longer than any stretch in these tests: nothing is too far for a line."""


def magnitude(quantity, unit):
    return quantity.to(unit).magnitude


# Units


@given(st.floats(-1e9, 1e9), st.floats(0.01, 1e4))
def test_depth_is_volume_over_area(litres, hectares):
    expected = magnitude(litres * UNITS.litre / (hectares * UNITS.hectare), "mm")  # pint
    assert depth_mm(litres, hectares) == pytest.approx(expected, rel=1e-12, abs=1e-12)


def test_an_inch_on_an_acre_is_an_inch_of_depth():
    # Volume and area by the pint package's own feet, inches and acres.
    litres = magnitude(1 * UNITS.inch * UNITS.acre, "litre")
    hectares = magnitude(1 * UNITS.acre, "hectare")
    assert depth_mm(litres, hectares) == pytest.approx(25.4, rel=1e-9)


def test_a_drainage_coefficient_of_an_inch_a_day_is_the_handbooks_flow():
    # USDA NRCS, National Engineering Handbook (drainage): 1 inch a day on 1 acre is 0.042 cubic feet a second, 18.9 US
    # gallons a minute.
    hectares = magnitude(1 * UNITS.acre, "hectare")
    litres_a_day = 25.4 / depth_mm(1.0, hectares)
    flow = litres_a_day * UNITS.litre / UNITS.day
    assert magnitude(flow, "foot ** 3 / second") == pytest.approx(0.042, abs=5e-4)
    assert magnitude(flow, "gallon / minute") == pytest.approx(18.9, abs=0.05)


def test_a_millimetre_a_day_on_a_hectare_is_a_tenth_of_a_litre_a_second():
    # 0.1157 L/s: arithmetic with the pint package.
    expected = magnitude(1 * UNITS.mm / UNITS.day * UNITS.hectare, "litre / second")
    assert 1 / depth_mm(1.0, 1.0) / 86_400 == pytest.approx(expected, rel=1e-12)
    assert expected == pytest.approx(0.1157, abs=5e-5)


@given(st.floats(-1e12, 1e12), st.floats(0.01, 1e4))
def test_load_is_mass_over_area(milligrams, hectares):
    expected = magnitude(milligrams * UNITS.milligram / (hectares * UNITS.hectare), "kg / hectare")  # pint
    assert kg_per_ha(milligrams, hectares) == pytest.approx(expected, rel=1e-12, abs=1e-12)


@given(st.floats(0.001, 1e3), st.floats(0.001, 1e3))
def test_load_over_depth_is_a_concentration(load, depth):
    expected = magnitude(load * UNITS.kg / UNITS.hectare / (depth * UNITS.mm), "mg / litre")  # pint
    assert flow_weighted_mg_l(load, depth) == pytest.approx(expected, rel=1e-12)


# Lines between results

moments = st.lists(st.integers(0, 96 * 60), min_size=1, max_size=12, unique=True)
seeds = st.integers(0, 2**32 - 1)


@given(moments, seeds)
def test_hourly_means_of_grabs_times_flow_are_the_exact_integral(times, seed):
    """Linear interpolation with continuous flow against scipy's adaptive quadrature of numpy's own interpolation."""
    generator = np.random.default_rng(seed)
    time = np.sort(np.array(times)) / 60
    value = generator.uniform(0, 30, time.size)
    flow = generator.normal(20, 40, 96)
    said = statements(time, time, value, 0.1 * value)
    integral, known = lines_between(said, said.value, LONG).integrals(np.arange(97.0))
    exact = [
        quad(
            np.interp,
            hour,
            hour + 1,
            args=(time, value),
            points=time[(time > hour) & (time < hour + 1)] if ((time > hour) & (time < hour + 1)).any() else None,
            limit=200,
        )[0]
        for hour in range(96)
    ]
    np.testing.assert_allclose(known, 1.0, rtol=1e-9)
    assert integral @ flow == pytest.approx(np.array(exact) @ flow, rel=1e-9, abs=1e-6)


@given(seeds, st.integers(2, 200))
def test_a_lone_composite_is_the_flow_weighted_mean_of_its_window(seed, hours):
    generator = np.random.default_rng(seed)
    flow = np.maximum(generator.normal(10, 30, hours), 0) + 1e-3
    grabs = np.array([-30.5, hours + 12.25])
    said = statements([*grabs, 0.0], [*grabs, float(hours)], [3.0, 21.0, 11.5], [0.1, 0.2, 0.3])
    integral, _ = lines_between(said, said.value, LONG).integrals(np.arange(hours + 1.0))
    assert np.average(integral, weights=flow) == pytest.approx(11.5, rel=1e-9)


@pytest.mark.parametrize("moment", [0.0, 3.5, 10.0])
def test_a_grab_in_a_composites_window_leaves_the_window_alone(moment):
    said = statements([0.0, moment], [10.0, moment], [8.0, 20.0], [0.4, 1.0])
    np.testing.assert_array_equal(said.value, [8.0])


def test_overlapping_composites_share_their_overlap():
    said = statements([0.0, 6.0], [10.0, 12.0], [8.0, 4.0], [0.4, 0.2])
    np.testing.assert_array_equal(said.start, [0.0, 6.0, 10.0])
    np.testing.assert_array_equal(said.end, [6.0, 10.0, 12.0])
    np.testing.assert_array_equal(said.value, [8.0, 6.0, 4.0])


def test_grabs_of_one_moment_are_averaged():
    said = statements([5.0, 5.0, 9.0], [5.0, 5.0, 9.0], [8.0, 4.0, 1.0], [0.4, 0.2, 0.1])
    np.testing.assert_array_equal(said.value, [6.0, 1.0])


@given(
    st.lists(
        st.tuples(st.integers(0, 60), st.integers(0, 12), st.floats(0.0, 50.0)),
        min_size=1,
        max_size=15,
    )
)
def test_statements_are_in_order_and_never_overlap(rows):
    start, length, value = (np.array(column, dtype=float) for column in zip(*rows, strict=True))
    said = statements(start, start + length, value, value * 0)
    assert (said.end >= said.start).all()
    assert (said.start[1:] >= said.end[:-1]).all()


@given(
    st.lists(
        st.tuples(st.integers(0, 60), st.integers(0, 12), st.floats(0.0, 50.0)),
        min_size=1,
        max_size=15,
    )
)
def test_no_concentration_lies_outside_the_results(rows):
    start, length, value = (np.array(column, dtype=float) for column in zip(*rows, strict=True))
    said = statements(start, start + length, value, value * 0)
    integral, _ = lines_between(said, said.value, LONG).integrals(np.arange(-5.0, 90.0))
    assert integral.min() >= value.min() - 1e-9 * max(1.0, value.max())
    assert integral.max() <= value.max() + 1e-9 * max(1.0, value.max())


def test_nothing_is_drawn_across_a_stretch_that_is_too_long():
    said = statements([0.0, 50.0], [0.0, 50.0], [4.0, 8.0], [0.0, 0.0])
    _, known = lines_between(said, said.value, 20.0).integrals(np.array([-40.0, -20.0, 0.0, 50.0, 70.0, 90.0]))
    np.testing.assert_allclose(known, [0.0, 20.0, 0.0, 20.0, 0.0])


# Errors


def test_a_ninety_per_cent_interval_is_narrower_than_the_expanded_uncertainty():
    # JCGM 100:2008, table G.1 gives 1.645 for 90 % of a normal distribution (from memory); an expanded uncertainty has k = 2.
    assert pytest.approx(1.645 / 2, abs=5e-4) == HALF_WIDTH_90_OF_EXPANDED
