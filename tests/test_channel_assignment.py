"""Promises of the assignment of columns to meters: right where the runs can tell, and no guess where they cannot."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.science.channel_assignment import (
    FORWARD,
    REVERSE,
    Candidates,
    Choice,
    assign,
    column_litres,
    counting_runs,
)

TEN_TIMES = float(np.log(10.0))
VOLUMES = np.array([600.0, 900.0, 1500.0, 700.0, 1200.0])
WAYS = np.array([FORWARD, FORWARD, FORWARD, REVERSE, REVERSE])


def _candidates(litres: np.ndarray, uncertainty: float = 0.005) -> Candidates:
    """Meters with litres per pulse forward and reverse, shape (meters, 2)."""
    meters = len(litres)
    return Candidates(
        meter=np.repeat(np.arange(meters), 2),
        direction=np.tile([FORWARD, REVERSE], meters),
        log_litres=np.log(litres.ravel())[:, None],
        standard_uncertainty=np.full((2 * meters, 1), uncertainty),
        log_prior=np.zeros(2 * meters),
    )


def _counts(
    litres: np.ndarray, wires: np.ndarray, present: np.ndarray | None = None, volumes: np.ndarray = VOLUMES
) -> np.ndarray:
    """Pulses of columns; `wires` gives each candidate's column, shape (candidates,)."""
    pulses = np.zeros((wires.max() + 2, volumes.size))
    for candidate, column in enumerate(wires):
        meter, way = divmod(candidate, 2)
        here = way == WAYS if present is None else (way == WAYS) & present[meter]
        pulses[column] = np.where(here, np.floor(volumes / litres[meter, way] + 0.5), 0)
    return pulses


def _choices(
    litres: np.ndarray,
    pulses: np.ndarray,
    says_direction: bool = True,
    in_line: np.ndarray | None = None,
    volumes: np.ndarray = VOLUMES,
) -> tuple[Choice, ...]:
    active = counting_runs(pulses, volumes)
    counting = column_litres(pulses, active, volumes, np.full(WAYS.size, 1e-3), np.full(WAYS.size, 3e-3))
    unknown = np.full((len(litres), WAYS.size), np.nan)
    return assign(
        counting,
        _candidates(litres),
        WAYS if says_direction else None,
        unknown if in_line is None else in_line,
        0.003,
        TEN_TIMES,
    )


def _sure(choice: Choice) -> bool:
    return choice.others[0][1] >= TEN_TIMES


wirings = st.integers(1, 4).flatmap(
    lambda meters: st.permutations(range(2 * meters + 2)).map(lambda p: np.array(p[: 2 * meters]))
)


@pytest.mark.parametrize("says_direction", [True, False])
@settings(max_examples=25, deadline=None)
@given(wirings)
def test_every_wiring_of_meters_unlike_one_another_is_told(says_direction: bool, wires: np.ndarray) -> None:
    litres = 5.0 * 1.07 ** np.arange(wires.size // 2)[:, None] * np.array([1.0, 1.015])
    choices = _choices(litres, _counts(litres, wires), says_direction)
    told = {column: choice.best for column, choice in enumerate(choices) if choice.best is not None}
    assert told == {int(column): candidate for candidate, column in enumerate(wires)}
    assert all(_sure(choices[column]) for column in told)


@settings(max_examples=20, deadline=None)
@given(wirings.filter(lambda wires: wires.size >= 4))
def test_meters_in_series_tell_one_another_apart_without_any_reference(wires: np.ndarray) -> None:
    litres = 5.0 * 1.1 ** np.array([0.0, 1.0, 2.5, 4.5])[: wires.size // 2, None] * np.array([1.0, 1.01])
    pulses = _counts(litres, wires)
    choices = _choices(litres, pulses, volumes=np.full(WAYS.size, np.nan))
    told = {column: choice.best for column, choice in enumerate(choices) if choice.best is not None}
    assert told == {int(column): candidate for candidate, column in enumerate(wires)}


def test_meters_of_equal_litres_per_pulse_are_not_guessed() -> None:
    litres = np.full((2, 2), 6.0)
    choices = _choices(litres, _counts(litres, np.array([0, 1, 2, 3])))
    for column, other in ((0, 2), (2, 0)):
        alternatives = {
            choices[column].best,
            *(candidate for candidate, less in choices[column].others if less < TEN_TIMES),
        }
        assert alternatives == {column, other}


def test_a_run_with_one_of_two_equal_meters_tells_them_apart() -> None:
    litres = np.full((2, 2), 6.0)
    present = np.ones((2, WAYS.size), dtype=bool)
    present[1, [1, 4]] = False
    choices = _choices(litres, _counts(litres, np.array([2, 3, 0, 1]), present), in_line=present.astype(float))
    assert [choice.best for choice in choices[:4]] == [2, 3, 0, 1]
    assert all(_sure(choice) for choice in choices[:4])


def test_forward_and_reverse_wires_that_were_swapped_are_told_by_the_direction_of_the_runs() -> None:
    litres = np.full((1, 2), 6.0)
    choices = _choices(litres, _counts(litres, np.array([1, 0])))
    assert [choice.best for choice in choices[:2]] == [REVERSE, FORWARD]


def test_where_nothing_says_which_way_the_water_ran_the_first_run_is_taken_as_forward() -> None:
    litres = np.full((1, 2), 6.0)
    choices = _choices(litres, _counts(litres, np.array([0, 1])), says_direction=False)
    assert [choice.best for choice in choices[:2]] == [FORWARD, REVERSE]
    assert all(_sure(choice) for choice in choices[:2])


def test_stray_pulses_against_the_flow_do_not_count() -> None:
    litres = np.array([[5.0, 5.1]])
    pulses = _counts(litres, np.array([0, 1]))
    pulses[0, 3:] = 2
    assert not counting_runs(pulses, VOLUMES)[0, 3:].any()
    assert _choices(litres, pulses)[0].best == FORWARD


def test_a_reference_that_is_off_for_all_meters_alike_misleads_nobody() -> None:
    # Every meter seems to count 4 % less; each would fit its neighbour's litres per pulse.
    litres = 5.0 * 1.04 ** np.arange(3)[:, None] * np.ones(2)
    wires = np.arange(6)
    choices = _choices(litres, _counts(litres * 1.04, wires))
    assert [choice.best for choice in choices[:6]] == list(range(6))


def test_a_column_like_no_meter_is_taken_for_none() -> None:
    litres = np.array([[5.0, 5.0]])
    choices = _choices(litres, _counts(litres * 20, np.array([0, 1])) * 1.0, volumes=VOLUMES)
    assert choices[0].best is None


def test_a_mistyped_cell_does_not_overrule_all_other_runs() -> None:
    litres = np.array([[5.0, 5.1], [5.9, 6.0]])
    present = np.ones((2, WAYS.size))
    present[0, 1] = 0.0
    assert _choices(litres, _counts(litres, np.arange(4)), in_line=present)[0].best == 0


def test_columns_that_never_count_are_nothing() -> None:
    litres = np.array([[5.0, 5.1]])
    assert _choices(litres, _counts(litres, np.array([0, 1])))[2] == Choice(None, ())
