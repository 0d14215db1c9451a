"""Promises of the expectations: a sound table keeps to all of them, and every damage breaks the one that it should."""

from __future__ import annotations

import functools
import pickle
import socket
from collections.abc import Callable
from datetime import date
from typing import Any

import pandas as pd
import pytest

from pipeline import tables
from pipeline.lake import open_session
from pipeline.orchestration.checks import facts
from pipeline.orchestration.computations import made_tables
from pipeline.tables import TABLES, Table, table
from pipeline.tables.declared.words import NEGATIVE_IS_REAL
from pipeline.tables.expectations import (
    COLUMNS_IN_ORDER,
    DECLARED_TYPES,
    Facts,
    MeterFact,
    Outcome,
    Partition,
    _context,
    check_partitions,
    expectations,
)
from pipeline.tables.schema import ARROW_TYPES
from tests.computed_lake import SITE, YEARS, computed_field

TABLE_NAMES = [declared.name for declared in made_tables()]
SOME_TABLES = TABLE_NAMES[::4]
"""For what follows from a declaration in the same way whatever the table."""
NAMED_IN_REGISTERS = ("plot", "meter", "gauge", "analyte")
WORD_COLUMNS = {
    declared.name: [c.name for c in declared.columns if c.codes is not None or c.name in NAMED_IN_REGISTERS]
    for declared in made_tables()
}
YEAR = YEARS[0]
HOUR = pd.Timedelta(hours=1)


@functools.cache
def _facts(name: str) -> Facts:
    return facts(computed_field().site, YEAR if table(name).time_column else None)


@functools.cache
def _sound_frame(name: str) -> pd.DataFrame:
    declared = table(name)
    return computed_field().lake.frame(declared, SITE, [YEAR if declared.time_column else None])


def _sound(name: str) -> pd.DataFrame:
    return _sound_frame(name).copy()


def _check(name: str, frame: pd.DataFrame, known: Facts | None = None, only: str = "") -> dict[str, Outcome]:
    """Outcomes by sentence, of a frame stored with the declared types where it can be; `only` those that start so."""
    with open_session() as session, pytest.MonkeyPatch.context() as patch:
        patch.setattr(
            tables.expectations,
            "expectations",
            lambda *given: tuple(e for e in expectations(*given) if e.sentence.startswith(only)),
        )
        stored = session.from_df(_as_declared(table(name), frame))
        (outcomes,) = check_partitions(session, {None: Partition(stored, table(name), known or _facts(name))}).values()
        return {outcome.expectation: outcome for outcome in outcomes}


def _as_declared(declared: Table, frame: pd.DataFrame) -> pd.DataFrame:
    kinds = {"text": "str", "code": "str", "integer": "Int64", "decimal": "float64", "flag": "boolean"}
    # A day stands as a date, which a frame without rows cannot show.
    days = {"day": pd.ArrowDtype(ARROW_TYPES["day"])} if frame.empty else {}
    known = {column.name: (kinds | days)[column.type] for column in declared.columns if column.type in kinds | days}
    return frame.astype({name: kind for name, kind in known.items() if name in frame})


def _failed(outcomes: dict[str, Outcome]) -> set[str]:
    return {sentence for sentence, outcome in outcomes.items() if not outcome.passed}


def _sentences(name: str, *starts: str) -> set[str]:
    found = {e.sentence for e in expectations(table(name), _facts(name)) if e.sentence.startswith(starts)}
    assert found, f"{name} has no expectation that starts with {starts}"
    return found


@pytest.mark.parametrize("name", TABLE_NAMES)
def test_a_sound_table_keeps_to_every_expectation_of_severity_error(name: str) -> None:
    outcomes = _check(name, _sound(name))
    assert {s for s in _failed(outcomes) if outcomes[s].severity == "error"} == set()


def _here(call: Callable[[], Any]) -> Any:
    return call()


def _of_two_years(
    name: str, later: pd.DataFrame, elsewhere: Callable[[Callable[[], Any]], Any] = _here
) -> dict[int, dict[str, Outcome]]:
    """Outcomes by year and sentence of two partitions asked together: the first as it is, and another."""
    years = YEARS[:2]
    frames = dict(zip(years, (_sound(name), later), strict=True))
    with open_session() as session:
        stored = {year: session.from_df(_as_declared(table(name), frame)) for year, frame in frames.items()}
        known = {year: facts(computed_field().site, year) for year in years}
        parts = {year: Partition(stored[year], table(name), known[year]) for year in years}
        found = check_partitions(session, parts, elsewhere)
    return {year: {outcome.expectation: outcome for outcome in found[year]} for year in years}


def test_partitions_that_hold_together_say_what_each_of_them_says_alone() -> None:
    later = computed_field().lake.frame(table("hourly_flow"), SITE, [YEARS[1]])
    together = _of_two_years("hourly_flow", later)
    assert together[YEARS[0]] == _check("hourly_flow", _sound("hourly_flow"))
    assert together[YEARS[1]] == _check("hourly_flow", later, facts(computed_field().site, YEARS[1]))


def test_one_damaged_partition_of_several_asked_together_fails_alone() -> None:
    later = computed_field().lake.frame(table("hourly_flow"), SITE, [YEARS[1]])
    damaged = _first(later, measured_fraction=1.5).drop(index=later.index[-1])
    together = _of_two_years("hourly_flow", damaged)
    assert _failed(together[YEARS[0]]) == set()
    rows = {sentence for sentence in together[YEARS[1]] if "for every one of the record" in sentence}
    assert _failed(together[YEARS[1]]) == {"measured_fraction is from 0 to 1"} | rows


def test_what_is_asked_of_great_expectations_can_travel_to_another_process_and_back() -> None:
    calls = []

    def elsewhere(call: Callable[[], Any]) -> Any:
        calls.append(call)
        return pickle.loads(pickle.dumps(pickle.loads(pickle.dumps(call))()))

    later = computed_field().lake.frame(table("hourly_flow"), SITE, [YEARS[1]])
    damaged = _first(later, measured_fraction=1.5)
    assert _of_two_years("hourly_flow", damaged, elsewhere) == _of_two_years("hourly_flow", damaged)
    assert len(calls) > 1, "of all partitions, and of the damaged one"


@pytest.mark.parametrize("name", SOME_TABLES)
def test_a_missing_column_breaks_the_order_of_columns_and_is_named(name: str) -> None:
    last = table(name).names[-1]
    outcome = _check(name, _sound(name).drop(columns=last), only=COLUMNS_IN_ORDER)[COLUMNS_IN_ORDER]
    assert not outcome.passed
    assert last in outcome.detail


def test_columns_in_another_order_break_the_order_of_columns() -> None:
    frame = _sound("hourly_flow")
    reordered = frame[["hour_start", "plot", *frame.columns[2:]]]
    outcome = _check("hourly_flow", reordered, only=COLUMNS_IN_ORDER)[COLUMNS_IN_ORDER]
    assert not outcome.passed


def test_a_column_that_is_not_declared_breaks_the_order_of_columns_and_is_named() -> None:
    outcome = _check("hourly_flow", _sound("hourly_flow").assign(surplus=1), only=COLUMNS_IN_ORDER)[COLUMNS_IN_ORDER]
    assert not outcome.passed
    assert "surplus" in outcome.detail


@pytest.mark.parametrize("name", SOME_TABLES)
def test_a_column_of_another_type_breaks_the_types_and_is_named(name: str) -> None:
    last = table(name).names[-1]
    frame = _sound(name)
    with open_session() as session:
        stored = session.from_df(_as_declared(table(name), frame).assign(**{last: pd.Timestamp(2020, 1, 1)}))
        (outcomes,) = check_partitions(session, {None: Partition(stored, table(name), _facts(name))}).values()
    outcome = next(o for o in outcomes if o.expectation == DECLARED_TYPES)
    assert not outcome.passed
    assert last in outcome.detail


@functools.cache
def _outcomes_of_damage(name: str, side: str) -> dict[str, Outcome]:
    """Outcomes of a table in which every column is damaged at once, each kind of damage in a row of its own.

    A repeated key, empty values, words that are not allowed, an infinite number, and values beyond the side of the range.
    """
    frame = _example_rows(name)
    frame = pd.concat([frame] * (6 // len(frame) + 1), ignore_index=True) if len(frame) < 6 else frame
    frame = _as_declared(table(name), frame).astype("object").reset_index(drop=True)
    frame.loc[1] = frame.loc[0]
    for column in table(name).columns:
        if not column.nullable:
            frame.loc[2, column.name] = None
        if getattr(column, side) is not None:
            frame.loc[3, column.name] = getattr(column, side) + (1 if side == "maximum" else -1)
        if column.name in WORD_COLUMNS[name]:
            frame.loc[4, column.name] = "no such word"
        if column.type == "decimal":
            frame.loc[5, column.name] = float("inf")
    return _check(name, frame)


def _example_rows(name: str) -> pd.DataFrame:
    """Sound rows, or rows made up from the declaration where the invented site has none."""
    frame = _sound(name)
    if len(frame):
        return frame
    made_up = {
        "text": "x",
        "code": "x",
        "integer": 1,
        "decimal": 1.0,
        "flag": True,
        "instant": pd.Timestamp(2020, 1, 1, tz="UTC"),
        "day": date(2020, 1, 1),
    }
    words = {**_facts(name).words, **{c.name: tuple(c.codes) for c in table(name).columns if c.codes is not None}}
    allowed = {column.name: words[column.name][0] for column in table(name).columns if column.name in words}
    return pd.DataFrame([{column.name: made_up[column.type] for column in table(name).columns} | allowed])


@pytest.mark.parametrize("name", TABLE_NAMES)
def test_a_repeated_key_breaks_the_uniqueness_of_the_key(name: str) -> None:
    assert _failed(_outcomes_of_damage(name, "minimum")) >= _sentences(name, "no two rows share")


@pytest.mark.parametrize("name", TABLE_NAMES)
def test_an_empty_value_breaks_the_promise_of_every_column_that_is_never_empty(name: str) -> None:
    needed = {f"{column.name} is never empty" for column in table(name).columns if not column.nullable}
    assert _failed(_outcomes_of_damage(name, "minimum")) >= needed


@pytest.mark.parametrize(
    ("name", "side", "column"),
    [
        (declared.name, side, column.name)
        for declared in made_tables()
        for side in ("minimum", "maximum")
        for column in declared.columns
        if getattr(column, side) is not None
    ],
)
def test_a_value_beyond_its_range_breaks_the_range(name: str, side: str, column: str) -> None:
    (sentence,) = _sentences(name, f"{column} is at ", f"{column} is from ")
    assert sentence in _failed(_outcomes_of_damage(name, side))


@pytest.mark.parametrize(("name", "column"), [(name, column) for name in TABLE_NAMES for column in WORD_COLUMNS[name]])
def test_a_word_that_is_not_allowed_is_named(name: str, column: str) -> None:
    (sentence,) = _sentences(name, f"{column} is a declared code", f"{column} is named in the site folder")
    outcome = _outcomes_of_damage(name, "minimum")[sentence]
    assert not outcome.passed
    assert "no such word" in outcome.detail


@pytest.mark.parametrize(
    "name", [declared.name for declared in made_tables() if any(c.type == "decimal" for c in declared.columns)]
)
def test_an_infinite_number_breaks_the_promise_that_numbers_are_finite(name: str) -> None:
    assert _failed(_outcomes_of_damage(name, "minimum")) >= _sentences(name, "not_finite is 0")


# Derived values: one damage each, by table and name.


def _first(frame: pd.DataFrame, **values: object) -> pd.DataFrame:
    """The frame with other values in its first row; a callable is given the value that stands there."""
    for column, value in values.items():
        old = frame.loc[frame.index[0], column]
        frame.loc[frame.index[0], column] = value(old) if callable(value) else value
    return frame


def _overlapping(frame: pd.DataFrame) -> pd.DataFrame:
    return _first(frame, interval_end=lambda end: end + 2 * HOUR)


_INTERVAL_DAMAGES = {
    "interval_length_s": lambda frame: _first(frame, interval_end=frame["interval_start"].iloc[0]),
    "seconds_off_grid": lambda frame: _first(frame, interval_start=lambda start: start + pd.Timedelta(seconds=1)),
    "surplus_intervals": lambda frame: _first(frame, interval_end=lambda end: end + HOUR, quality="ok"),
    "overlap_s": _overlapping,
}
_LOAD_DAMAGES = {
    "interval_order_volume": lambda frame: _first(frame, volume_mm_p05=1e9, volume_mm=1.0, volume_mm_p95=2e9),
    "interval_order_load": lambda frame: _first(frame, load_kg_ha_p05=-9.0, load_kg_ha=2.0, load_kg_ha_p95=1.0),
    "shares_sum": lambda frame: _first(frame, share_measured=0.5, share_filled=0.4),
    "empty_or_said": lambda frame: _first(frame, why_empty="no_results"),
    "known_minus_whole": lambda frame: _first(frame, volume_known_mm=lambda volume: volume + 1.0),
}
DAMAGES = {
    "source_files": {"lines_unaccounted": lambda frame: _first(frame, lines=lambda lines: lines + 1)},
    "pulse_counts": _INTERVAL_DAMAGES,
    "gauge_readings": {name: _INTERVAL_DAMAGES[name] for name in ("interval_length_s", "overlap_s")},
    "interval_flow": {
        **_INTERVAL_DAMAGES,
        "net_minus_difference_l": lambda frame: _first(frame, forward_l=5.0, reverse_l=2.0, net_l=7.0),
        "share_of_top_flow": lambda frame: _first(frame, forward_l=1.5 * 60 * _top_flow(), reverse_l=0.0),
        "possible_share_of_top_flow": lambda frame: _first(frame, forward_l=3 * 60 * _top_flow(), reverse_l=0.0),
    },
    "metered_hours": {
        "seconds_off_hour": lambda frame: _first(frame, hour_start=lambda start: start + pd.Timedelta(minutes=10)),
        "net_minus_difference_l": lambda frame: _first(frame, forward_l=5.0, reverse_l=2.0, net_l=7.0),
        "error_beyond_water_l": lambda frame: _first(frame, forward_l=5.0, reverse_l=2.0, error_curve_l=8.0),
        "metered_or_said": lambda frame: _first(frame, net_l=3.0, measured_fraction=0.0),
        "hours_to_next": lambda frame: frame.drop(index=frame.index[5]),
    },
    "known_totals": {"stretch_length_h": lambda frame: _first(frame, end=frame["start"].iloc[0])},
    "meter_findings": {
        "finding_length_s": lambda frame: _first(
            _example_rows("meter_findings"),
            start=pd.Timestamp("2020-01-01", tz="UTC"),
            end=pd.Timestamp("2020-01-01", tz="UTC"),
        )
    },
    "flow_members": {
        "seconds_off_hour": lambda frame: _first(frame, hour_start=lambda start: start + pd.Timedelta(minutes=10)),
        "members_of_the_hour": lambda frame: frame.assign(net_l=[frame["net_l"].iloc[0][:199], *frame["net_l"].iloc[1:]]),
    },
    "outages": {"outage_length_s": lambda frame: _first(frame, end=frame["start"].iloc[0])},
    "hourly_flow": {
        "seconds_off_hour": lambda frame: _first(frame, hour_start=lambda start: start + pd.Timedelta(minutes=10)),
        "interval_order": lambda frame: _first(frame, net_l=5.0, net_l_p05=6.0, net_l_p95=7.0),
        "filled_or_said": lambda frame: _first(frame, basis="unfilled"),
        "hours_to_next": lambda frame: frame.drop(index=frame.index[5]),
    },
    "meter_proofs": {
        "register_beside_proof": lambda frame: _first(frame, normalized_error=-1.5),
        "wired_otherwise": lambda frame: _first(frame, wiring_agrees=False),
        "not_told": lambda frame: _first(frame, assignment="ambiguous"),
    },
    "meter_comparisons": {
        "meters_apart": lambda frame: _first(
            _example_rows("meter_comparisons"), difference_pct=-3.0, expanded_uncertainty_pct=2.0
        )
    },
    "bench_files": {"lines_unaccounted": lambda frame: _first(frame, lines=lambda lines: lines + 1)},
    "events": {"event_length_h": lambda frame: _first(frame, end=frame["start"].iloc[0])},
    "sample_results": {
        "plotless_drainage": lambda frame: _first(frame, plot=None),
        "holding_exceeded": lambda frame: _first(frame.assign(holding="within"), holding="exceeded"),
    },
    "laboratory_batches": {"batch_warnings": lambda frame: _first(frame.assign(warnings=0), warnings=1)},
    "sample_flow": {
        "unfit_composites": lambda frame: _first(frame, pacing="half_filled"),
        "stands_beyond_window_s": lambda frame: _first(frame, stands_until=lambda end: end + HOUR),
    },
    "concentration": {
        "interval_order": lambda frame: _first(frame, mg_l=5.0, mg_l_p05=6.0, mg_l_p95=7.0),
        "hours_to_next": lambda frame: frame.drop(index=frame.index[5]),
    },
    **{name: _LOAD_DAMAGES for name in TABLE_NAMES if name.startswith("loads_")},
    "load_methods": {"load_or_reason": lambda frame: _first(frame, load_kg_ha=None, why_empty=None)},
    "uncertainty_budget": {
        "shares_of_all_sources": lambda frame: _first(frame, variance_share=lambda share: (share + 0.5) % 1)
    },
}


def _top_flow() -> float:
    """Top flow, L/min, of the meter in the first row of interval_flow, as its register has it."""
    meter = _sound_frame("interval_flow")["meter"].iloc[0]
    return next(row.top_l_min for row in computed_field().site.meters if row.meter == meter)


@pytest.mark.parametrize(("name", "derived"), [(name, derived) for name in DAMAGES for derived in DAMAGES[name]])
def test_a_derived_value_out_of_bounds_breaks_its_expectation(name: str, derived: str) -> None:
    (outcome,) = _check(name, DAMAGES[name][derived](_sound(name)), only=f"{derived} is ").values()
    assert not outcome.passed
    assert "1 of" in outcome.detail


def test_every_derived_value_of_every_table_has_a_damage() -> None:
    derived = {
        (name, expected.arguments["column"])
        for name in TABLE_NAMES
        for expected in expectations(table(name), _facts(name))
        if expected.sentence.partition(": ")[2]
        and "column" in expected.arguments
        and expected.arguments["column"] not in (*table(name).names, "not_finite")
    }
    assert derived == {(name, one) for name, damages in DAMAGES.items() for one in damages}


@pytest.mark.parametrize("name", ["metered_hours", "hourly_flow", "concentration"])
def test_a_missing_last_hour_breaks_the_number_of_rows(name: str) -> None:
    (sentence,) = _sentences(name, "has ") - {COLUMNS_IN_ORDER}
    frame = _sound(name)
    latest = frame["hour_start"].max()
    outcome = _check(name, frame[frame["hour_start"] < latest], only=sentence)[sentence]
    assert not outcome.passed
    assert f"{len(frame[frame['hour_start'] < latest])}" in outcome.detail.replace(",", "")


@pytest.mark.parametrize("name", ["pulse_counts", "interval_flow"])
def test_a_meter_that_is_wired_at_another_time_only_breaks_the_wiring(name: str) -> None:
    known = _facts(name)
    later = tuple(
        MeterFact(one.meter, one.start + pd.Timedelta(days=400), None, one.interval_s, one.top_l_min)
        for one in known.meters[:1]
    )
    failed = _failed(_check(name, _sound(name), Facts(known.words, later, known.rows)))
    assert failed >= _sentences(name, "every row's meter is wired")


def test_a_gap_that_a_running_counter_spans_keeps_to_grid_and_length() -> None:
    frame = _sound("pulse_counts")
    of_first = frame[frame["meter"] == frame["meter"].iloc[0]]
    spanning = frame.drop(index=of_first.index[1:4])
    spanning = _first(spanning, interval_end=of_first["interval_end"].iloc[3], quality="spans_gap")
    assert _failed(_check("pulse_counts", spanning)) == set()


@pytest.mark.parametrize(
    ("name", "column"), [("interval_flow", "net_l"), ("hourly_flow", "net_l"), ("loads_daily", "volume_mm")]
)
def test_negative_net_flow_breaks_nothing(name: str, column: str) -> None:
    assert table(name).column(column).meaning.endswith(NEGATIVE_IS_REAL)
    frame = _sound(name)
    if name == "interval_flow":
        frame = _first(frame, forward_l=1.0, reverse_l=4.0, net_l=-3.0)
    else:
        frame = _first(frame, **{column: -3.0, f"{column}_p05": -4.0, f"{column}_p95": -2.0})
    if name == "loads_daily":
        frame = _first(frame, volume_known_mm=-3.0)
    assert _failed(_check(name, frame)) == set()


def test_a_failure_names_the_rows_that_broke_it_and_counts_the_others() -> None:
    frame = _sound("hourly_flow")
    frame.loc[frame.index[:5], "measured_fraction"] = 1.5
    sentence = "measured_fraction is from 0 to 1"
    outcome = _check("hourly_flow", frame, only=sentence)[sentence]
    first = frame.iloc[0]
    assert outcome.detail.startswith(f"5 of {len(frame):,} rows break this: plot {first['plot']}, hour_start ")
    assert first["hour_start"].strftime("%Y-%m-%dT%H:%M:%SZ") in outcome.detail
    assert outcome.detail.endswith("and 2 more")


def test_every_table_is_held_to_columns_types_key_and_to_never_empty_columns() -> None:
    for declared in TABLES:
        kinds = [expected.kind for expected in expectations(declared, Facts())]
        assert kinds.count("expect_column_pair_values_to_be_equal") == 2
        assert any("unique" in kind for kind in kinds)
        needed = sum(not column.nullable for column in declared.columns)
        assert kinds.count("expect_column_values_to_not_be_null") >= needed


def test_a_check_opens_no_connection(monkeypatch: pytest.MonkeyPatch) -> None:
    attempts: list[object] = []
    monkeypatch.setattr(socket.socket, "connect", lambda self, address: attempts.append(address))
    monkeypatch.setattr(socket, "getaddrinfo", lambda *arguments, **more: attempts.append(arguments) or [])
    _context.cache_clear()
    assert _check("outages", _sound("outages"))
    assert attempts == []
