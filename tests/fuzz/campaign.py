"""Trying inputs and keeping what fails; the same for counted and guided campaigns."""

from __future__ import annotations

import hashlib
import os
import random
import signal
import time
import traceback
from collections.abc import Iterator
from pathlib import Path
from types import FrameType

from tests.fuzz.mutate import mutated
from tests.fuzz.targets import Target
from tests.fuzz.trail import Trail

# CPU time, so that a busy machine makes no input slow; who waits without end is ended by the watcher.
HANG_S = 20.0
SLOW_S = 5.0


class Hang(BaseException):
    """An input that was not done within HANG_S; no `except Exception` swallows it."""


class Found:
    """Failures of one target, one input kept for each place they come from."""

    def __init__(self, name: str, folder: Path, trail: Trail) -> None:
        self.name = name
        self.folder = folder
        self.trail = trail
        self.seen: set[str] = set()
        self._watcher = os.getppid()
        signal.signal(signal.SIGPROF, _alarm)

    def run(self, target: Target, data: bytes, folder: Path) -> None:
        if os.getppid() != self._watcher:
            os._exit(0)  # nobody is there to hear of it
        self.trail.begin(data)
        begin_s = time.process_time()
        signal.setitimer(signal.ITIMER_PROF, HANG_S)
        try:
            target.check(data, folder)
        except (Exception, Hang) as error:
            self._keep(error, data)
        finally:
            signal.setitimer(signal.ITIMER_PROF, 0.0)
        took_s = time.process_time() - begin_s
        self.trail.end(data, took_s)
        if SLOW_S < took_s < HANG_S:
            self._keep(Hang(f"took {took_s:.1f} s"), data)

    def _keep(self, error: BaseException, data: bytes) -> None:
        frames = traceback.extract_tb(error.__traceback__)
        ours = [frame for frame in frames if "/guard/" in frame.filename] or list(frames)
        place = f"{Path(ours[-1].filename).name}:{ours[-1].lineno}" if ours else "slow"
        key = f"{type(error).__name__} at {place}"
        if key in self.seen:
            return
        self.seen.add(key)
        self.folder.mkdir(parents=True, exist_ok=True)
        path = kept(self.name, key, data, self.folder)
        path.with_name(path.name + ".txt").write_text(
            key + "\n" + "".join(traceback.format_exception(error))[-6000:], "utf-8", "backslashreplace")
        print(f"{self.name}: {key}: {str(error)[:200]!r} ({path})", flush=True)


def kept(name: str, key: str, data: bytes, folder: Path) -> Path:
    """`data` in a file of its own, one for each `key`."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{name}-{hashlib.sha256(key.encode()).hexdigest()[:10]}"
    path.write_bytes(data)
    return path


def _alarm(number: int, frame: FrameType | None) -> None:
    raise Hang(f"not done within {HANG_S:g} s of work")


def inputs(target: Target, count: int, seed: int) -> Iterator[bytes]:
    """`count` inputs, the seeds first, then changes of them and of each other."""
    chance = random.Random(seed)
    seeds = target.seeds()
    pool = list(seeds)
    plain_bytes = target.longest < 256  # packets: half of them out of thin air
    yield from seeds[:count]
    for _ in range(count - len(seeds)):
        if plain_bytes and chance.random() < 0.5:
            yield chance.randbytes(chance.randrange(24))
            continue
        data = mutated(chance.choice(pool), chance, seeds, target.longest)
        if chance.random() < 0.02:  # changes upon changes
            pool[chance.randrange(len(seeds), len(pool) + 1):] = [data] if len(pool) < 300 else []
        yield data
