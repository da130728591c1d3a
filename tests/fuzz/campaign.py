"""Trying inputs and keeping what fails; the same for counted and guided campaigns."""

from __future__ import annotations

import hashlib
import random
import signal
import tempfile
import time
import traceback
import warnings
from pathlib import Path
from types import FrameType

from tests.fuzz.mutate import mutated
from tests.fuzz.targets import Target

HANG_S = 20
SLOW_S = 5.0


class Hang(BaseException):
    """An input that was not done within HANG_S; no `except Exception` swallows it."""


class Found:
    """Failures of one target, one input kept for each place they come from."""

    def __init__(self, name: str, folder: Path) -> None:
        self.name = name
        self.folder = folder
        self.seen: dict[str, str] = {}
        self.slowest_s = 0.0
        signal.signal(signal.SIGALRM, _alarm)

    def run(self, target: Target, data: bytes, folder: Path) -> None:
        begin = time.perf_counter()
        signal.alarm(HANG_S)
        try:
            target.check(data, folder)
        except (Exception, Hang) as error:
            self._keep(error, data)
        finally:
            signal.alarm(0)
        took_s = time.perf_counter() - begin
        if took_s > self.slowest_s:
            self.slowest_s = took_s
            if took_s > SLOW_S:
                self._keep(Hang(f"took {took_s:.1f} s"), data)

    def _keep(self, error: BaseException, data: bytes) -> None:
        frames = traceback.extract_tb(error.__traceback__)
        ours = [frame for frame in frames if "/guard/" in frame.filename] or list(frames)
        place = f"{Path(ours[-1].filename).name}:{ours[-1].lineno}" if ours else "slow"
        key = f"{type(error).__name__} at {place}"
        if key in self.seen:
            return
        self.seen[key] = str(error)
        self.folder.mkdir(parents=True, exist_ok=True)
        name = f"{self.name}-{hashlib.sha256(key.encode()).hexdigest()[:10]}"
        (self.folder / name).write_bytes(data)
        (self.folder / f"{name}.txt").write_text(
            key + "\n" + "".join(traceback.format_exception(error))[-6000:], "utf-8", "backslashreplace")
        print(f"{self.name}: {key}: {str(error)[:200]!r} ({self.folder / name})", flush=True)


def _alarm(number: int, frame: FrameType | None) -> None:
    raise Hang(f"not done within {HANG_S} s")


def counted(target: Target, count: int, seed: int, found: Path) -> Found:
    """Try `count` inputs, the seeds first, then changes of them and of each other."""
    chance = random.Random(seed)
    seeds = target.seeds()
    pool = list(seeds)
    keeper = Found(target.name, found)
    plain_bytes = target.longest < 256  # packets: half of them out of thin air
    with tempfile.TemporaryDirectory(prefix=f"guard-fuzz-{target.name}-") as name, warnings.catch_warnings():
        warnings.simplefilter("error")
        folder = Path(name)
        for number in range(count):
            if number < len(seeds):
                data = seeds[number]
            elif plain_bytes and chance.random() < 0.5:
                data = chance.randbytes(chance.randrange(24))
            else:
                data = mutated(chance.choice(pool), chance, seeds, target.longest)
                if chance.random() < 0.02:  # changes upon changes
                    pool[chance.randrange(len(seeds), len(pool) + 1):] = [data] if len(pool) < 300 else []
            keeper.run(target, data, folder)
    return keeper
