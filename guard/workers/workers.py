"""Who does the work: processes of this machine, or the workers of a scheduler."""

import re
from collections.abc import Callable, Sequence
from importlib.util import find_spec
from typing import Protocol, Self

from guard.errors import HardwareError, UsageError
from guard.workers.pool import Pool, Stop, _Done, _Work
from guard.workers.scheduler import Scheduler


class Workers(Protocol):
    """Who does pieces of work: `Pool` here, `scheduler.Scheduler` elsewhere (`far`).

    A context; `jobs` is how many pieces are done at a time, known inside it.
    """

    far: bool
    jobs: int

    def __enter__(self) -> Self: ...

    def __exit__(self, *error: object) -> None: ...

    def run(
        self, work: Callable[[_Work, Stop], _Done], pieces: Sequence[_Work],
        looks: Sequence[int] | None = None, progress: Callable[[float], None] = ...,
        took: Callable[[int, _Done], None] = ...,
    ) -> list[_Done]:
        """See `Pool.run`."""
        ...


def workers(address: str | None, jobs: int) -> Workers:
    """The scheduler at `address`, or `jobs` processes of this machine.

    Raises UsageError for an address of no known form, HardwareError where Dask is missing.
    """
    if address is None:
        return Pool(jobs)
    if not re.fullmatch(r"(tcp|tls)://[\w.\[\]:-]+:\d{1,5}", address):
        raise UsageError("takes tcp://HOST:PORT, or tls://HOST:PORT", option="--workers")
    if find_spec("distributed") is None:
        raise HardwareError("--workers needs the package distributed, which is not installed: "
                            "pip install 'heart-rate-guard[many]'")
    return Scheduler(address)
