"""A real scheduler with worker processes on the loopback address, and work to hand to them."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from guard.errors import InputError
from tests.support.alsa import wait_until

ROOT = Path(__file__).resolve().parents[2]


@dataclass
class Cluster:
    """`address` of the scheduler; `workers` and `scheduler` are processes."""

    folder: Path
    env: dict[str, str]
    protocol: str = "tcp"
    address: str = ""
    scheduler: Any = None
    workers: list[Any] = field(default_factory=list)

    def start(self, count: int) -> None:
        where = self.folder / "scheduler.json"
        self.scheduler = self._dask("scheduler", "--port", "0", "--scheduler-file", str(where),
                                    "--protocol", self.protocol)
        wait_until(lambda: where.exists() and where.read_bytes().endswith(b"}"), 60, "the scheduler")
        self.address = json.loads(where.read_text())["address"]
        for _ in range(count):
            self.join()
        self.ready()

    def ready(self) -> None:
        """Return once every worker has joined, however busy the machine."""
        from distributed import Client
        from distributed.security import Security

        if self.workers:
            tls = {name.rsplit("TLS__", 1)[1].lower(): value
                   for name, value in self.env.items() if "TLS__" in name}
            security = Security(tls_ca_file=tls["ca_file"], tls_client_cert=tls["client__cert"],
                                tls_client_key=tls["client__key"], require_encryption=True) if tls else None
            with Client(self.address, timeout=60, set_as_default=False, security=security) as client:
                client.wait_for_workers(len(self.workers), timeout=60)

    def join(self, *options: str) -> Any:
        """One more worker."""
        self.workers.append(self._dask(
            "worker", self.address, "--nthreads", "1", "--no-nanny", "--local-directory", str(self.folder),
            *options))
        return self.workers[-1]

    def _dask(self, *words: str) -> Any:
        with (self.folder / "log").open("ab") as log:
            return subprocess.Popen(
                [sys.executable, "-m", "dask", *words, "--host", "127.0.0.1", "--no-dashboard"], cwd=ROOT,
                stdout=log, stderr=log, env={**os.environ, **self.env, "PYTHONPATH": str(ROOT)})

    def stop(self) -> None:
        for one in [*self.workers, self.scheduler]:
            if one is not None:
                one.kill()
                one.wait()


@contextlib.contextmanager
def cluster(folder: Path, count: int, protocol: str = "tcp", **env: str) -> Iterator[Cluster]:
    """A scheduler and `count` workers of a thread each; gone at the end."""
    folder.mkdir(parents=True, exist_ok=True)
    one = Cluster(folder, {"GUARD_HOME": str(folder / "home"), "OPENBLAS_NUM_THREADS": "1", **env}, protocol)
    try:
        one.start(count)
        yield one
    finally:
        one.stop()


# -- work


def doubled(piece: int, stop: Callable[[], bool]) -> int:
    stop()
    return 2 * piece


def unevenly(piece: tuple[int, float, str], stop: Callable[[], bool]) -> int:
    """Takes as long as it says, and writes down that it began, and where."""
    number, seconds, trail = piece
    with Path(trail).open("a") as file:
        file.write(f"{number} {os.getpid()}\n")
    time.sleep(seconds)
    return number * number


def hopeless(piece: int, stop: Callable[[], bool]) -> int:
    raise InputError("some.jsonl is no log: name another")


def fatal(piece: int, stop: Callable[[], bool]) -> int:
    os.kill(os.getpid(), signal.SIGKILL)
    return piece


def trail_of(path: Path) -> list[tuple[int, int]]:
    """(piece, process) as `unevenly` wrote them down."""
    if not path.exists():
        return []
    return [(int(number), int(process)) for number, process in (
        line.split() for line in path.read_text().splitlines())]


def run_guard(words: Sequence[str], home: Path) -> Any:
    """The command as a process of its own, not waited for."""
    return subprocess.Popen([sys.executable, "-m", "guard", *words], cwd=ROOT, text=True,
                            stdout=subprocess.PIPE, stderr=subprocess.PIPE,
                            env={**os.environ, "GUARD_HOME": str(home)})
