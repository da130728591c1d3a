"""Pieces of work over several processes, stopped early without losing what is done."""

from __future__ import annotations

import multiprocessing
import os
import signal
from collections.abc import Callable, Sequence
from concurrent.futures import FIRST_COMPLETED, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from typing import Any, TypeVar

from guard.errors import GuardError
from guard.tune.lanes import Cancelled

Stop = Callable[[], bool]
_Work = TypeVar("_Work")
_Done = TypeVar("_Done")

POLL_S = 0.2

_stopped: Any = None  # of a worker: the event that ends it, and the count of its looks at that
_made: Any = None


class Interrupted(Exception):
    """Ctrl-C; `done` holds (piece number, result) of what was finished."""

    def __init__(self, done: list[tuple[int, Any]]) -> None:
        super().__init__("interrupted")
        self.done = done


class WorkerLost(GuardError):
    """A worker process died (exit 1)."""

    exit_code = 1


def usable_cores() -> int:
    """Cores this process may run on."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


class Pool:
    """A context in which `run` spreads work over `jobs` processes (1: this one)."""

    def __init__(self, jobs: int) -> None:
        self.jobs = jobs
        self._executor: ProcessPoolExecutor | None = None
        self._stopped: Any = None
        self._made: Any = None

    def __enter__(self) -> Pool:
        if self.jobs > 1:
            # A fresh interpreter each: a fork of one with threads (a progress bar) may hang.
            context = multiprocessing.get_context("spawn")
            self._stopped, self._made = context.Event(), context.Value("q", 0)
            self._executor = ProcessPoolExecutor(
                self.jobs, mp_context=context, initializer=_begin, initargs=(self._stopped, self._made))
        return self

    def __exit__(self, *error: object) -> None:
        if self._executor is not None:
            self._stopped.set()
            self._executor.shutdown(cancel_futures=True)
            self._executor = None

    def run(
        self, work: Callable[[_Work, Stop], _Done], pieces: Sequence[_Work],
        looks: Sequence[int] | None = None, progress: Callable[[float], None] = lambda share: None,
    ) -> list[_Done]:
        """`[work(piece, stop) for piece in pieces]`.

        `work` is a function of a module; it is expected to call `stop` as often
        as `looks` says for each piece, and `progress` is told the share of all
        of them that was made. Raises Interrupted on Ctrl-C.
        """
        whole = max(1, sum(looks or ()))
        done: list[tuple[int, _Done]] = []
        try:
            if self._executor is None:
                made = 0

                def look() -> bool:
                    nonlocal made
                    made += 1
                    progress(min(made / whole, 1.0))
                    return False

                for number, piece in enumerate(pieces):
                    done.append((number, work(piece, look)))
            else:
                before = self._made.value
                waiting = {self._executor.submit(_work, work, piece): number
                           for number, piece in enumerate(pieces)}
                left = set(waiting)
                while left:
                    ready, left = wait(left, timeout=POLL_S, return_when=FIRST_COMPLETED)
                    done += [(waiting[future], result) for future in ready
                             if (result := future.result()) is not None]  # None: it was stopped
                    progress(min((self._made.value - before) / whole, 1.0))
        except KeyboardInterrupt:
            raise Interrupted(_in_order(done)) from None
        except BrokenProcessPool:
            raise WorkerLost("a worker process ended before its work was done (out of memory?): "
                             "try again with --jobs 1") from None
        return [result for _, result in _in_order(done)]


def _in_order(done: list[tuple[int, _Done]]) -> list[tuple[int, _Done]]:
    return sorted(done, key=lambda item: item[0])


def _begin(stopped: Any, made: Any) -> None:
    global _stopped, _made
    _stopped, _made = stopped, made
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent decides what Ctrl-C means


def _work(work: Callable[[_Work, Stop], _Done], piece: _Work) -> _Done | None:
    try:
        return work(piece, _look)
    except Cancelled:
        return None


def _look() -> bool:
    with _made.get_lock():
        _made.value += 1
    return bool(_stopped.is_set())
