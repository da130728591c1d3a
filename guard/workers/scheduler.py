"""Pieces of work for the workers of a Dask scheduler, on this machine or many.

What travels is a piece as plain pickle, which holds values and names of the
guard's own functions, never code: every worker has the guard itself. Results
come in any order and are put in that of the pieces, so they are those of the
local pool bit for bit, on machines that reckon alike (`alike.py`). Dask does a
piece again whose worker died; only its one result counts.

Needs `distributed` (the extra `many`).
"""

import contextlib
import logging
import pickle
import platform
import time
import uuid
import warnings
import zlib
from collections.abc import Callable, Generator, Sequence
from functools import cache
from importlib.metadata import version
from queue import Empty, Queue
from typing import Any, Self, cast

import numpy as np

from guard import __version__
from guard.errors import GuardError, HardwareError, printable
from guard.workers.pool import POLL_S, Stop, Workers, _Done, _Work

CONNECT_S = 10.0  # a scheduler that answers later is not there (ours)
NO_WORKER_S = 30.0  # without any worker, before it is given up (ours)
LOOK_EVERY_S = 5.0  # between looks at who works
AHEAD = 3  # pieces a thread that wait at the scheduler: few, as each may hold a recording

# "done" and the pickled result, "error" and a pickled GuardError, or "differs" and what differs.
_Answer = tuple[str, Any]
ALIKE_PACKAGES = ("numpy", "scipy", "distributed")


class Scheduler(Workers):
    """The workers of the scheduler at `address` (tcp://host:port, or tls://); losing them loses no result."""

    far = True
    losses = (HardwareError,)

    def __init__(self, address: str) -> None:
        super().__init__()
        self.address = address
        self._looked_s = 0.0
        self._client: Any = None

    def __enter__(self) -> Self:
        """HardwareError where the scheduler is not there, has no worker, or one does not fit."""
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # of versions: told below, in one sentence
                from distributed import Client  # heavy, and only here

                _quiet()
                connect: Callable[..., Any] = Client  # untyped
                self._client = connect(self.address, timeout=CONNECT_S, set_as_default=False, name="guard")
        except (OSError, ValueError, TypeError, ImportError) as error:
            raise HardwareError(
                f"no scheduler answers at {printable(self.address)} ({_first_line(error)}): start one with "
                "`dask scheduler`, or correct --workers (tcp://HOST:PORT, or tls://HOST:PORT with the "
                "certificates in Dask's configuration)") from None
        try:
            self._check()
        except BaseException:
            self.__exit__()
            raise
        return self

    def __exit__(self, *error: object) -> None:
        if self._client is not None:
            with contextlib.suppress(Exception):
                self._client.close(timeout=2)
            self._client = None

    def _check(self) -> None:
        """Every worker and the scheduler against this machine."""
        try:
            self._client.wait_for_workers(1, timeout=CONNECT_S)
        except TimeoutError:
            raise HardwareError(f"the scheduler at {printable(self.address)} has no worker: start some with "
                                f"`dask worker {printable(self.address)}`") from None
        ours, theirs = about(), self._client.get_versions()["scheduler"]["packages"]["distributed"]
        if said := difference(ours, {**ours, "distributed": theirs}):
            raise _misfit("the scheduler", said)
        for worker, theirs in self._client.run(about, on_error="return").items():
            if isinstance(theirs, BaseException):
                said = _first_line(theirs)
                lacks = isinstance(theirs, ImportError) or "ModuleNotFoundError" in said  # Dask may wrap it
                raise _misfit(f"the worker {worker}",
                              f"it lacks the guard or a part of it ({said})" if lacks else said)
            if said := difference(ours, theirs):
                raise _misfit(f"the worker {worker}", said)
        self.jobs = max(1, sum(self._client.nthreads().values()))

    def _results(
        self, work: Callable[[_Work, Stop], _Done], pieces: Sequence[_Work], looks: Sequence[int],
        made: Callable[[int], None],
    ) -> Generator[tuple[int, _Done]]:
        """Unlike those of the pool a piece once begun is not stopped half way."""
        batch, count = uuid.uuid4().hex, 0
        waiting: dict[Any, int] = {}
        came: Queue[Any] = Queue()
        todo = iter(range(len(pieces)))
        left = len(pieces)
        try:
            heard_s = time.monotonic()
            while left:
                while len(waiting) < AHEAD * self.jobs and (number := next(todo, None)) is not None:
                    payload = pickle.dumps((work, pieces[number]))
                    future = self._submit(payload, f"guard-{batch}-{number}")
                    waiting[future] = number
                    future.add_done_callback(came.put)
                try:
                    future = came.get(timeout=POLL_S)
                except Empty:
                    self._look_for_workers(heard_s)
                    continue
                heard_s, left = time.monotonic(), left - 1
                number = waiting.pop(future)
                yield number, self._result(future)
                count += looks[number]
                made(count)
        finally:
            if left:
                with contextlib.suppress(Exception):
                    self._client.cancel(list(waiting), force=True)

    def _submit(self, payload: bytes, key: str) -> Any:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # that a piece is large: it holds a recording
            return self._client.submit(done_there, about(), payload, key=key, pure=False)

    def _result(self, future: Any) -> Any:
        if future.status == "finished":
            try:
                kind, answer = cast(_Answer, future.result(timeout=CONNECT_S))
            except GuardError:
                raise
            except Exception as error:
                raise self._gone(_first_line(error)) from None
            if kind == "done":
                return pickle.loads(answer)
            if kind == "error":
                raise cast(GuardError, pickle.loads(answer))
            raise _misfit("a worker", str(answer))
        if future.status == "error":
            failed = future.exception()
            from distributed import KilledWorker

            if isinstance(failed, KilledWorker):
                raise HardwareError("one piece of work ended several workers, one after the other (out of "
                                    "memory?): give the workers more memory, or leave --workers out")
            raise failed
        raise self._gone("the connection was lost")

    def _gone(self, why: str) -> HardwareError:
        return HardwareError(f"the scheduler at {printable(self.address)} is gone ({why}): start it and its "
                             "workers again; what was finished is kept")

    def _look_for_workers(self, heard_s: float) -> None:
        """Count the threads, which come and go; raise where none is left and nothing came since `heard_s`."""
        now_s = time.monotonic()
        if self._client.status != "running":
            raise self._gone("the connection was lost")
        if now_s - self._looked_s < min(LOOK_EVERY_S, NO_WORKER_S):
            return
        try:
            threads = sum(self._client.nthreads().values())
        except Exception as error:
            raise self._gone(_first_line(error)) from None
        self._looked_s, self.jobs = now_s, max(1, threads)
        if not threads and now_s - heard_s >= NO_WORKER_S:
            where = printable(self.address)
            raise HardwareError(f"the scheduler at {where} has no worker any more: start some with "
                                f"`dask worker {where}`; what was finished is kept")


def done_there(wanted: dict[str, str], payload: bytes) -> _Answer:
    """Run on a worker: the piece's answer, or why it cannot be given."""
    if said := difference(wanted, about()):  # one that joined later
        return "differs", said
    work, piece = pickle.loads(payload)
    try:
        return "done", pickle.dumps(work(piece, lambda: False))
    except GuardError as error:
        return "error", pickle.dumps(error)


def _misfit(who: str, said: str) -> HardwareError:
    return HardwareError(f"{printable(who)} does not fit this machine: {printable(said)}",
                         "install the same versions of the guard and its packages on every machine")


def _first_line(error: BaseException) -> str:
    return printable(str(error).strip().split("\n")[0][:200] or type(error).__name__)


def _quiet() -> None:
    """What the guard does not say itself, Dask's own logs need not say either: once it is loaded, for that
    sets their levels."""
    for name in list(logging.root.manager.loggerDict):
        if name.split(".")[0] in ("distributed", "tornado"):
            logging.getLogger(name).setLevel(logging.CRITICAL + 1)


@cache
def about() -> dict[str, str]:
    """What this machine reckons with, by name."""
    return {
        "guard": __version__, "Python": ".".join(platform.python_version_tuple()[:2]),
        **{name: version(name) for name in ALIKE_PACKAGES},
        # Sessions whose clock could not be trusted are dated by their files, in local time.
        "the time zone": time.strftime("%z"),
        # numpy and its linear algebra choose their ways by the processor.
        "arithmetic": f"{arithmetic():08x}",
    }


def arithmetic() -> int:
    """A sum over the last bits of what numpy makes of the functions that the guard uses."""
    x = np.linspace(0.01, 40.0, 4099)
    square = np.cos(np.arange(81.0)).reshape(9, 9) + 9.0 * np.eye(9)
    made = [np.exp(-x), np.log(x), np.power(x, 0.37), np.sqrt(x), np.sin(x), np.tanh(x), np.cumsum(x),
            np.linalg.solve(square, x[:9]), np.linalg.eigvalsh(square + square.T),
            x[:4096].reshape(64, 64) @ x[3:4099].reshape(64, 64), x @ x]
    return zlib.crc32(b"".join(np.asarray(one).tobytes() for one in made))


def difference(ours: dict[str, str], theirs: dict[str, str]) -> str:
    """The first thing that differs, in words; empty where nothing does."""
    for name, value in ours.items():
        if (other := theirs.get(name, "missing")) != value:
            if name == "arithmetic":
                return "it rounds otherwise (another processor or build of numpy), so results would differ"
            return f"{name} is {other} there and {value} here"
    return ""
