"""Work given to other processes of this machine while this one goes on with its own.

Belongs here: how many there may be, what they make ready, giving one a call, what came of it, giving up.
Does not: what is called (computations.py, checks.py), in which order (making.py), for which runs it is worth it (runs.py).

Threads do not help where much of the work holds the interpreter's lock; a process does, and costs two seconds of its own and memory
for one partition. So the processes are started once for a run, and import what they will need while the run begins; each works in one
thread. They read calls from their standard input and write what came of them to their output, so that they end by themselves if the
process that asked is gone. Whatever goes wrong in one (no memory, a library that is not there, an error of the work itself) is no
answer: whoever asked then does the work itself, and meets the error there.
"""

from __future__ import annotations

import os
import pickle
import select
import signal
import subprocess
import sys
from collections import deque
from collections.abc import Callable, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from contextlib import suppress
from importlib import import_module
from typing import Any, TypeVar

from pipeline.orchestration.memory import give_back
from pipeline.science.side_by_side import one_at_a_time

USUAL_PROCESSES = 2
"""At once, this one among them. Each holds the libraries and a partition: of five plots 1 GB here, 0.6 GB there."""

Result = TypeVar("Result")


def spare_cores() -> int:
    """How many other processes are given work where nothing else is said."""
    return min(os.cpu_count() or 1, USUAL_PROCESSES) - 1


class _Other:
    """One other process, and the thread of this one that talks with it."""

    def __init__(self, modules: Sequence[str]) -> None:
        self._thread = ThreadPoolExecutor(1, "other-process")
        # It finds modules where this process does, and not in the folder in which somebody stands.
        paths = os.pathsep.join(path or os.getcwd() for path in sys.path)
        self._process = subprocess.Popen(
            [sys.executable, "-P", "-m", __name__, *modules],
            env=os.environ | {"PYTHONPATH": paths},
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
        )

    def call(self, sent: bytes) -> Future[Any]:
        return self._thread.submit(self._answer, sent)

    def _answer(self, sent: bytes) -> Any:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(sent)
        self._process.stdin.flush()
        done, came = pickle.load(self._process.stdout)
        if not done:
            raise RuntimeError(came)
        return came

    def stop(self) -> None:
        self._process.kill()
        self._thread.shutdown()
        for pipe in (self._process.stdin, self._process.stdout):
            with suppress(OSError):
                pipe.close()  # type: ignore[union-attr]
        self._process.wait()


class OtherProcesses:
    """Calls that other processes make, by a key."""

    def __init__(self) -> None:
        """None is started yet, so that every call is refused."""
        self._idle: list[_Other] = []
        self._coming: dict[Any, tuple[_Other, Future[Any]]] = {}

    def start(self, modules: Sequence[Sequence[str]]) -> None:
        """Start processes, if there are none: one for each list of modules, which it imports while nothing is asked of it."""
        if not self._idle and not self._coming:
            with suppress(OSError):
                for of_one in modules:
                    self._idle.append(_Other(of_one))

    @property
    def room(self) -> bool:
        """Whether one more call may begin."""
        return bool(self._idle)

    @property
    def busy(self) -> bool:
        """Whether anything was begun whose result was not taken."""
        return bool(self._coming)

    def begin(self, key: Any, call: Callable[[], Any]) -> bool:
        """Let an idle process make a call; False where there is none, or the call cannot be sent."""
        if not self._idle:
            return False
        try:
            sent = pickle.dumps(call, protocol=5)
        except Exception:
            # What cannot be pickled says so with errors of many kinds.
            return False
        other = self._idle.pop(0)
        self._coming[key] = other, other.call(sent)
        return True

    def finished(self, waiting: bool) -> Any | None:
        """The key of a call that has come to its end, none if there is none yet and nobody waits; at least one must have begun."""
        done, _ = wait([coming for _, coming in self._coming.values()], None if waiting else 0, FIRST_COMPLETED)
        return next((key for key, (_, coming) in self._coming.items() if coming in done), None)

    def take(self, key: Any) -> Any | None:
        """What came of a call, which is waited for; none if it came to nothing, and the process is not asked again."""
        other, coming = self._coming.pop(key)
        try:
            came = coming.result()
        except Exception:
            other.stop()
            return None
        # The one that was asked last goes first: what it has imported is there.
        self._idle.insert(0, other)
        return came

    def elsewhere(self, call: Callable[[], Result]) -> Result:
        """What comes of a call, made by an idle process where there is one: for what needs libraries that it has imported already."""
        came = self.take(call) if self.begin(call, call) else None
        return call() if came is None else came

    def stop(self) -> None:
        """End all of them, whatever they are at."""
        for other in [*self._idle, *(other for other, _ in self._coming.values())]:
            other.stop()
        self._idle, self._coming = [], {}


def _answer_calls(modules: Sequence[str]) -> None:
    """Make the calls that come until there are no more, and import modules while there are none."""
    # An interrupt is meant for the process that asked, which stops this one.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    answers = os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    # What libraries print must not stand in the answers.
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())
    to_import = deque(modules)
    with suppress(EOFError, BrokenPipeError), one_at_a_time():
        while True:
            while to_import and not _is_called():
                with suppress(Exception):
                    import_module(to_import.popleft())
            answer = _answer(pickle.load(sys.stdin.buffer))
            answers.write(answer)
            answers.flush()
            del answer
            give_back()


def _is_called() -> bool:
    """Whether a call waits. One comes at a time, so that none stands in the buffer."""
    try:
        return bool(select.select([sys.stdin], [], [], 0)[0])
    except OSError:
        # This system does not tell: what a call needs is imported when it comes.
        return True


def _answer(call: Callable[[], Any]) -> bytes:
    try:
        return pickle.dumps((True, call()), protocol=5)
    except Exception as error:
        return pickle.dumps((False, repr(error)))


if __name__ == "__main__":
    _answer_calls(sys.argv[1:])
