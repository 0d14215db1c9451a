"""Promises of work given to other processes: it is done there, nothing that goes wrong there is lost, and none outlives who asked."""

from __future__ import annotations

import os
import subprocess
import sys
import textwrap
import time
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pytest

import pipeline
from pipeline.orchestration.other_processes import OtherProcesses
from pipeline.science.side_by_side import side_by_side


@pytest.fixture
def one() -> Iterator[OtherProcesses]:
    """One other process."""
    others = OtherProcesses()
    others.start([[]])
    yield others
    others.stop()


@pytest.fixture
def two() -> Iterator[OtherProcesses]:
    """Two other processes."""
    others = OtherProcesses()
    others.start([[], []])
    yield others
    others.stop()


def _answer(others: OtherProcesses, call: partial[object]) -> object:
    assert others.begin("call", call)
    return others.take("call")


def _alive(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    return True


def _gone_after(process: int, seconds: float) -> bool:
    until = time.monotonic() + seconds
    while _alive(process) and time.monotonic() < until:
        time.sleep(0.05)
    return not _alive(process)


def test_a_call_is_made_by_another_process_and_the_next_one_by_the_same(one: OtherProcesses) -> None:
    first, second = (_answer(one, partial(os.getpid)) for _ in range(2))
    assert first == second
    assert first not in (None, os.getpid())


def test_as_many_calls_are_at_work_as_there_are_processes(two: OtherProcesses, tmp_path: Path) -> None:
    # Each waits for what the other leaves.
    ready = "open(own, 'w').close()"
    waits = "[__import__('time').sleep(0.01) for _ in iter(lambda: __import__('os').path.exists(wanted), True)]"
    paths = [str(tmp_path / name) for name in ("a", "b")]
    for own, wanted in (paths, paths[::-1]):
        assert two.begin(own, partial(eval, f"[{ready}, {waits}] and own", {"own": own, "wanted": wanted}))
    assert not two.room
    assert not two.begin("third", partial(os.getpid))
    assert [two.take(path) for path in paths] == paths
    assert not two.busy


def test_whoever_is_done_first_is_told_first(two: OtherProcesses) -> None:
    assert two.begin("long", partial(time.sleep, 30))
    assert two.finished(waiting=False) is None
    assert two.begin("short", partial(os.getpid))
    assert two.finished(waiting=True) == "short"


def test_an_error_is_no_answer_and_the_work_is_then_done_here(one: OtherProcesses) -> None:
    assert _answer(one, partial(int, "no number")) is None
    assert not one.room
    assert one.elsewhere(partial(os.getpid)) == os.getpid()
    with pytest.raises(ValueError, match="no number"):
        one.elsewhere(partial(int, "no number"))


def test_a_process_that_dies_is_no_answer(one: OtherProcesses) -> None:
    assert _answer(one, partial(os._exit, 0)) is None
    assert not one.room
    assert not one.busy


def test_a_call_that_cannot_be_sent_is_made_here(one: OtherProcesses) -> None:
    assert not one.begin("call", lambda: 1)
    assert one.elsewhere(lambda: os.getpid()) == os.getpid()
    assert one.room


def test_without_other_processes_every_call_is_made_here() -> None:
    assert OtherProcesses().elsewhere(os.getpid) == os.getpid()


def test_with_one_it_is_made_there(one: OtherProcesses) -> None:
    assert one.elsewhere(os.getpid) not in (None, os.getpid())


def test_what_a_library_prints_is_no_part_of_the_answer(one: OtherProcesses) -> None:
    assert _answer(one, partial(eval, "(print('words'), __import__('os').system('echo more'), 7)[2]")) == 7


def test_a_module_that_cannot_be_imported_is_in_nobodys_way() -> None:
    others = OtherProcesses()
    others.start([["no_such_module", "json.tool"]])
    try:
        # Between calls there is time for them.
        deadline = time.monotonic() + 20
        while not _answer(others, partial(eval, "'json.tool' in __import__('sys').modules")):
            assert time.monotonic() < deadline
            time.sleep(0.05)
    finally:
        others.stop()


def test_it_works_with_the_modules_of_the_process_that_asks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "pipeline").mkdir()
    (tmp_path / "pipeline" / "__init__.py").write_text("raise RuntimeError('another version')")
    monkeypatch.chdir(tmp_path)
    others = OtherProcesses()
    others.start([[]])
    try:
        assert _answer(others, partial(eval, "__import__('pipeline').__file__")) == pipeline.__file__
    finally:
        others.stop()


def _threads() -> int:
    import threading

    return len(set(side_by_side(lambda _: (time.sleep(0.05), threading.get_ident())[1], range(4))))


def test_each_works_in_one_thread(one: OtherProcesses) -> None:
    assert _answer(one, partial(_threads)) == 1


def test_all_end_when_they_are_told_to_whatever_they_are_at(one: OtherProcesses) -> None:
    process = _answer(one, partial(os.getpid))
    assert one.begin("long", partial(time.sleep, 60))
    one.stop()
    assert isinstance(process, int)
    assert not _alive(process)
    assert not one.room


def test_none_outlives_the_process_that_asked() -> None:
    asks = """
        import os, signal
        from pipeline.orchestration.other_processes import OtherProcesses
        others = OtherProcesses()
        others.start([[]])
        others.begin("who", os.getpid)
        print(others.take("who"), flush=True)
        os.kill(os.getpid(), signal.SIGKILL)
    """
    found = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(asks)], stdout=subprocess.PIPE, text=True, timeout=60, check=False
    )
    assert _gone_after(int(found.stdout), 20)
