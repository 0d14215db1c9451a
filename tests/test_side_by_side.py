"""Promises of working side by side: nothing is lost, order stays, errors arrive, and work does run at once."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator

import pytest

from pipeline.science.side_by_side import one_ahead, side_by_side


def test_results_stand_in_the_order_of_their_parts_whoever_is_done_first() -> None:
    def slowly(part: int) -> int:
        time.sleep(0.02 * (5 - part) / 5)
        return part * part

    assert side_by_side(slowly, range(6)) == [0, 1, 4, 9, 16, 25]


def test_an_error_in_one_part_arrives_where_the_work_was_asked_for() -> None:
    def refuse(part: int) -> int:
        if part == 2:
            raise ValueError("part 2")
        return part

    with pytest.raises(ValueError, match="part 2"):
        side_by_side(refuse, range(4))


def test_two_parts_are_worked_on_at_once_where_there_are_two_cores(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("os.cpu_count", lambda: 2)
    both_here = threading.Barrier(2, timeout=10)
    # Alone, either part would wait for the other until the barrier breaks.
    assert sorted(side_by_side(lambda _: both_here.wait(), range(2))) == [0, 1]


def test_one_core_works_on_one_part_after_the_other_in_the_same_thread(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("os.cpu_count", lambda: 1)
    here = threading.get_ident()
    assert side_by_side(lambda _: threading.get_ident(), range(3)) == [here] * 3


def test_parts_made_ahead_are_the_same_in_the_same_order() -> None:
    assert list(one_ahead(iter("drainage"))) == list("drainage")
    assert list(one_ahead([])) == []


def test_the_first_part_is_begun_before_anybody_asks_and_then_one_ahead_of_its_use() -> None:
    begun: list[int] = []
    first, second = threading.Event(), threading.Event()

    def made() -> Iterator[int]:
        for part, seen in enumerate((first, second, threading.Event(), threading.Event())):
            begun.append(part)
            seen.set()
            yield part

    parts = one_ahead(made())
    assert first.wait(10)
    assert begun == [0]
    assert next(parts) == 0
    assert second.wait(10)
    assert begun == [0, 1]
    assert list(parts) == [1, 2, 3]


def test_an_error_while_a_part_is_made_arrives_where_it_is_used() -> None:
    def made() -> Iterator[int]:
        yield 1
        raise ValueError("the second part")

    parts = one_ahead(made())
    assert next(parts) == 1
    with pytest.raises(ValueError, match="the second part"):
        next(parts)
