"""Promises of the error curves: interpolation, steps, classes of the legal-metrology standard, where a meter leaves its tolerance."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pint
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.lake import open_session
from pipeline.science.error_curve import class_curve, error_pct, lowest_flow_within
from pipeline.science.pipe_hydraulics import velocity_m_s
from pipeline.site import Site, SiteErrors, load_site
from pipeline.stages.error_curves import error_curve
from pipeline.stages.metered_hours import metered_hours
from pipeline.stages.volumes import interval_flow
from tests.small_site import REGISTERS, small_site

ROOT = Path(__file__).parents[1]
MIDNIGHT = pd.Timestamp("2019-10-01T06:00Z")
CLASSES = "accuracy,q3_m3_h,ratio\nplate,63,160\n"
BY_CLASS = REGISTERS["meters.csv"].replace("standard", "plate")
L_MIN = pint.UnitRegistry().Quantity(63, "m^3/hour").to("litre/minute").magnitude


@pytest.fixture(scope="module")
def by_class(tmp_path_factory: pytest.TempPathFactory) -> Site:
    """The small site, its meters of Q3 63 m3/h and R160."""
    return small_site(tmp_path_factory.mktemp("class"), meters=BY_CLASS, accuracy_classes=CLASSES)


# Between points


def test_an_error_curve_is_straight_in_the_logarithm_of_flow_and_grows_as_one_over_flow_below() -> None:
    """Worked by hand: half way between 4 and 40 L/min in the logarithm is sqrt(160) = 12.649 L/min."""
    flows, errors = [4.0, 40.0], [5.0, 1.0]
    assert error_pct([160**0.5, 4.0, 2.0, 1.0, -2.0, 400.0], flows, errors) == pytest.approx(
        [3.0, 5.0, 10.0, 20.0, 10.0, 1.0]
    )
    assert np.isinf(error_pct([0.0], flows, errors)).all()


@given(
    st.lists(st.tuples(st.integers(1, 1000), st.floats(0, 50)), min_size=2, max_size=6, unique_by=lambda point: point[0]),
    st.lists(st.floats(1e-3, 1e4), min_size=1, max_size=20),
)
def test_between_points_a_curve_is_what_numpy_interpolates(points: list[tuple[float, float]], flows: list[float]) -> None:
    at, error = np.array(sorted(points)).T
    flow = np.maximum(flows, at[0])
    assert np.allclose(error_pct(flow, at, error), np.interp(np.log(flow), np.log(at), error), rtol=1e-9, atol=1e-9)


def test_at_a_step_the_upper_side_holds_and_just_below_it_the_lower() -> None:
    at, error = [1.0, 2.0, 2.0, 8.0], [6.0, 5.0, 2.0, 1.0]
    assert error_pct([np.nextafter(2.0, 0.0), 2.0, 4.0], at, error) == pytest.approx([5.0, 2.0, 1.5])


# Where a meter leaves its tolerance


@given(
    st.lists(
        st.tuples(st.floats(0.1, 1e3), st.floats(0.1, 50)), min_size=1, max_size=6, unique_by=lambda point: point[0]
    ),
    st.floats(0.2, 20),
)
def test_from_the_lowest_flow_on_a_curve_stays_within_the_tolerance_and_below_it_does_not(
    points: list[tuple[float, float]], tolerance: float
) -> None:
    at, error = np.array(sorted(points)).T
    lowest = lowest_flow_within(tolerance, at, error)
    if np.isinf(lowest):
        assert error[-1] > tolerance
        return
    above = lowest * np.geomspace(1 + 1e-9, 1e4, 200)
    assert (error_pct(above, at, error) <= tolerance * (1 + 1e-6)).all()
    # Just below, the curve leaves the tolerance; where it stays on it for a while, it has not left it yet.
    assert error_pct([lowest * (1 - 1e-6)], at, error)[0] >= tolerance * (1 - 1e-9)


def test_a_three_inch_meter_leaves_five_per_cent_near_four_point_two_litres_a_minute() -> None:
    """Common practice, no source: near 4.2 L/min, which in a bore of 3 inches (76.2 mm) is a velocity near 1.5 cm/s."""
    demo = load_site(ROOT / "configs" / "sedge-hollow")
    lowest = lowest_flow_within(5.0, *error_curve(demo, "bore-75"))
    assert lowest == pytest.approx(4.2, rel=0.02)
    assert float(velocity_m_s(lowest, 76.2)) * 100 == pytest.approx(1.5, abs=0.05)


# Classes. Directive 2014/32/EU Annex MI-001 and OIML R 49-1: ±5 % for Q1 <= Q < Q2, ±2 % for Q2 <= Q <= Q4; Q2/Q1 = 1.6, Q4/Q3 = 1.25


@pytest.mark.parametrize(
    ("flow_of_q1", "permissible_pct"),
    [(1.0, 5.0), (1.3, 5.0), (1.5999, 5.0), (1.6, 2.0), (20.0, 2.0), (1.25 * 160, 2.0), (0.5, 10.0), (0.1, 50.0)],
)
def test_a_class_has_the_permissible_errors_of_the_directive_and_below_q1_the_same_litres(
    flow_of_q1: float, permissible_pct: float
) -> None:
    minimum = L_MIN / 160
    # Q1 times 1.6 is Q2 but for the last digit, so that the step is looked at from just above.
    assert error_pct([flow_of_q1 * minimum * (1 + 1e-12)], *class_curve(63, 160)) == pytest.approx([permissible_pct])


def test_the_flows_of_a_class_have_the_ratios_of_the_standard() -> None:
    q1, below_q2, q2, q4 = class_curve(63, 160)[0]
    assert (q1, q4) == pytest.approx((L_MIN / 160, 1.25 * L_MIN))
    assert below_q2 == q2
    assert q2 / q1 == pytest.approx(1.6)


@pytest.mark.parametrize(("tolerance", "from_q1"), [(5.0, 1.0), (10.0, 0.5), (4.9, 1.6), (2.0, 1.6), (1.9, np.inf)])
def test_a_class_leaves_its_tolerance_at_the_flow_where_its_permissible_error_does(
    tolerance: float, from_q1: float
) -> None:
    assert lowest_flow_within(tolerance, *class_curve(63, 160)) == pytest.approx(from_q1 * L_MIN / 160)


def flow_of(site: Site, forward_l: list[float]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Rows of `interval_flow` and the first hours of `metered_hours` of plot north, of intervals of ten minutes; 5 L a pulse."""
    start = pd.Series(MIDNIGHT + pd.to_timedelta(np.arange(len(forward_l)) * 10, unit="min")).dt.as_unit("us")
    pulses = pd.DataFrame(
        {
            "plot": "north",
            "meter": "M1",
            "interval_start": start,
            "interval_end": start + pd.Timedelta(minutes=10),
            "forward_pulses": (np.array(forward_l) / 5).round().astype(np.int64),
            "reverse_pulses": 0,
            "quality": "ok",
        }
    )
    with open_session() as session:
        interval_flow(session, session.from_df(pulses), site).create("litres")
        flow = session.table("litres")
        hours = metered_hours(
            session, flow, site, MIDNIGHT.to_pydatetime(), (MIDNIGHT + pd.Timedelta(days=1)).to_pydatetime()
        )
        return flow.df(), hours.hours.query("plot == 'north'").reset_index(drop=True)


def test_water_slower_than_a_class_is_accurate_is_marked(by_class: Site) -> None:
    # Q1 is 6.5625 L/min, 65.6 L in ten minutes; 5 % is within the site's tolerance, 65 L is just below.
    flow, _ = flow_of(by_class, [0, 5, 65, 70, 500])
    assert flow["below_range"].tolist() == [False, True, True, False, False]


@settings(max_examples=15, deadline=None)
@given(pulses=st.lists(st.integers(0, 900), min_size=1, max_size=36))
def test_the_limits_of_hours_are_those_of_the_class_interval_by_interval(by_class: Site, pulses: list[int]) -> None:
    litres = 5.0 * np.array(pulses, dtype=float)
    ran = litres > 0
    limit = np.zeros(36)
    limit[: len(pulses)][ran] = litres[ran] * np.minimum(error_pct(litres[ran] / 10, *class_curve(63, 160)) / 100, 1.0)
    _, hours = flow_of(by_class, litres.tolist())
    assert np.allclose(hours["error_curve_l"][:6].fillna(0.0), limit.reshape(6, 6).sum(axis=1), rtol=1e-6, atol=1e-5)


# The register


def errors_of(folder: Path, **registers: str) -> list[str]:
    with pytest.raises(SiteErrors) as caught:
        small_site(folder, **registers)
    return [error.sentence for error in caught.value.errors]


CURVE = "accuracy,flow_l_min,error_pct\nstandard,4.2,5.0\n"


def test_two_points_of_one_flow_are_a_step_of_a_curve(tmp_path: Path) -> None:
    site = small_site(tmp_path, accuracy=f"{CURVE}standard,10,5.0\nstandard,10,2.0\nstandard,400,2.0\n")
    assert error_pct(np.array([9.99, 10.0]), *error_curve(site, "standard")) == pytest.approx([5.0, 2.0])


@pytest.mark.parametrize("points", ["standard,4.2,5.0\n", "standard,4.2,2.0\nstandard,4.2,1.0\n"])
def test_the_same_point_twice_or_three_points_of_one_flow_are_refused(tmp_path: Path, points: str) -> None:
    (sentence,) = errors_of(tmp_path, accuracy=CURVE + points)
    assert "two rows of one flow with different errors: a step" in sentence


def test_a_site_whose_meters_all_have_classes_needs_no_points(tmp_path: Path) -> None:
    small_site(tmp_path, meters=BY_CLASS, accuracy_classes=CLASSES)
    folder = tmp_path / "configs" / "small"
    (folder / "accuracy.csv").unlink()
    assert load_site(folder).accuracy_classes[0].q3_m3_h == 63.0


@pytest.mark.parametrize(
    ("row", "column", "found", "allowed"),
    [
        ("plate,63,1.6", "ratio", "«1.6»", "a number above 1.6"),
        ("plate,63,R160", "ratio", "«R160»", "a number"),
        ("plate,63,", "ratio", "an empty cell", "a number"),
        ("plate,0,160", "q3_m3_h", "«0»", "a number above 0"),
        ("plate,63 m3/h,160", "q3_m3_h", "«63 m3/h»", "a number"),
        (",63,160", "accuracy", "an empty cell", "text"),
        ("standard,63,160", "accuracy", "accuracy_classes.csv:2 naming the error curve «standard» again, after accuracy.csv:2", "one row"),
        ("plate,63,160\nplate,40,100", "accuracy", "after accuracy_classes.csv:2", "one row per class"),
    ],
)  # fmt: skip
def test_a_wrong_class_is_told_with_place_and_what_is_allowed(
    tmp_path: Path, row: str, column: str, found: str, allowed: str
) -> None:
    (sentence,) = errors_of(tmp_path, accuracy_classes=f"accuracy,q3_m3_h,ratio\n{row}\n")
    line = 3 if "\n" in row else 2
    assert sentence.startswith(f"accuracy_classes.csv, line {line}, column {column}: found ")
    assert found in sentence
    assert allowed in sentence


def test_a_meter_without_any_error_curve_is_told_where_to_write_one(tmp_path: Path) -> None:
    sentences = errors_of(tmp_path, meters=BY_CLASS)
    assert len(sentences) == 2
    assert (
        "found «plate», no error curve of the site; allowed: the error curve names of accuracy.csv or accuracy_classes.csv"
        in sentences[0]
    )
