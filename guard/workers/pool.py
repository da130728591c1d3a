"""Pieces of work over several processes, stopped early without losing what is done."""

import itertools
import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Generator, Sequence
from concurrent.futures import FIRST_COMPLETED, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import closing
from multiprocessing import connection
from operator import itemgetter
from typing import Any, Self, TypeVar

from guard.errors import GuardError

Stop = Callable[[], bool]
_Work = TypeVar("_Work")
_Done = TypeVar("_Done")

POLL_S = 0.2  # between looks at whether to stop

_stopped: Any = None  # of a worker: the event that ends it, and the count of its looks at that
_made: Any = None


class Cancelled(Exception):
    """Raised by work that was told to stop."""


class Interrupted(Exception):
    """Ctrl-C, or with `why` the loss of those who do the work; `done` holds (piece number, result)
    of what was finished."""

    def __init__(self, done: list[tuple[int, Any]], why: GuardError | None = None) -> None:
        super().__init__("interrupted")
        self.done, self.why = done, why

    @property
    def cause(self) -> BaseException:
        """What to raise where nothing can be made of `done`."""
        return self.why or KeyboardInterrupt()


class WorkerLost(GuardError):
    """A worker process died (exit 1)."""

    exit_code = 1


def usable_cores() -> int:
    """Cores this process may run on."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


class Workers:
    """Who does pieces of work: `Pool` here, `scheduler.Scheduler` elsewhere (`far`).

    A context; `jobs` is how many pieces are done at a time, known inside it.
    `losses` end a run as Ctrl-C does, with what is done by then.
    """

    far = False
    losses: tuple[type[GuardError], ...] = ()

    def __init__(self, jobs: int = 1) -> None:
        self.jobs = jobs

    def __enter__(self) -> Self:
        raise NotImplementedError

    def __exit__(self, *error: object) -> None:
        raise NotImplementedError

    def run(
        self, work: Callable[[_Work, Stop], _Done], pieces: Sequence[_Work],
        looks: Sequence[int] | None = None, progress: Callable[[float], None] = lambda share: None,
        took: Callable[[int, _Done], None] = lambda number, result: None,
    ) -> list[_Done]:
        """`[work(piece, stop) for piece in pieces]`.

        `work` is a function of a module; it is expected to call `stop` as often
        as `looks` says for each piece (else once), and `progress` is told the share of all
        of them that was made. `took` gets (number of the piece, result) as each
        is done, in any order. Raises Interrupted on Ctrl-C.
        """
        looks = looks or [1] * len(pieces)
        whole = max(1, sum(looks))
        done: dict[int, _Done] = {}
        try:
            with closing(self._results(
                    work, pieces, looks, lambda made: progress(min(made / whole, 1.0)))) as results:
                for number, result in results:
                    done[number] = result
                    took(number, result)
        except KeyboardInterrupt:
            raise Interrupted(sorted(done.items(), key=itemgetter(0))) from None
        except self.losses as error:
            raise Interrupted(sorted(done.items(), key=itemgetter(0)), error) from None
        return [done[number] for number in sorted(done)]

    def _results(
        self, work: Callable[[_Work, Stop], _Done], pieces: Sequence[_Work], looks: Sequence[int],
        made: Callable[[int], None],
    ) -> Generator[tuple[int, _Done]]:
        """(number of the piece, result) as each is done; `made` is told how many looks were made."""
        raise NotImplementedError


class Pool(Workers):
    """`jobs` processes of this machine (1: this one)."""

    def __init__(self, jobs: int) -> None:
        super().__init__(jobs)
        self._executor: ProcessPoolExecutor | None = None
        self._stopped: Any = None
        self._made: Any = None

    def __enter__(self) -> Self:
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

    def _results(
        self, work: Callable[[_Work, Stop], _Done], pieces: Sequence[_Work], looks: Sequence[int],
        made: Callable[[int], None],
    ) -> Generator[tuple[int, _Done]]:
        if self._executor is None:
            count = itertools.count(1)

            def look() -> bool:
                made(next(count))
                return False

            for number, piece in enumerate(pieces):
                yield number, work(piece, look)
            return
        before = self._made.value
        waiting = {self._executor.submit(_work, work, piece): number for number, piece in enumerate(pieces)}
        left = set(waiting)
        try:
            while left:
                ready, left = wait(left, timeout=POLL_S, return_when=FIRST_COMPLETED)
                for future in ready:
                    if (result := future.result()) is not None:  # None: it was stopped
                        yield waiting[future], result
                made(self._made.value - before)
        except BrokenProcessPool:
            raise WorkerLost("a worker process ended before its work was done (out of memory?): "
                             "try again with --jobs 1") from None


def _begin(stopped: Any, made: Any) -> None:
    global _stopped, _made
    _stopped, _made = stopped, made
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent decides what Ctrl-C means
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    """One whose parent was killed would wait for work for ever."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        connection.wait([parent.sentinel])
        os._exit(1)


def _work(work: Callable[[_Work, Stop], _Done], piece: _Work) -> _Done | None:
    try:
        return work(piece, _look)
    except Cancelled:
        return None


def _look() -> bool:
    with _made.get_lock():
        _made.value += 1
    return bool(_stopped.is_set())
