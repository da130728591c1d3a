"""The one place that knows time: seconds since a session began.

`RealClock` runs at wall speed times `rate`, `PacedClock` likewise but led by
its source (rehearsals); `ManualClock` stands still until told to move, for tests.
"""

import asyncio
import ctypes
import sys
import time
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Protocol

DRIFT_S = 1.0  # wall and monotonic time this far apart are worth telling
SLEEP_COUNTED_S = 600.0  # of a longer sleep of the machine a session counts only this much
# No session was logged by this program before its first version existed.
EARLIEST_CLOCK = datetime(2025, 1, 1).astimezone()
_TIME_ERROR = 5  # adjtimex(2): the clock is not synchronised
_TIMEX_BYTES = 512  # larger than struct timex of any Linux


class SessionClock(Protocol):
    """Monotonic session time and a way to wait for it."""

    def now_s(self) -> float:
        """Seconds since the session began."""
        ...

    async def sleep_until(self, t_s: float) -> None:
        """Return once `now_s()` has reached `t_s`."""
        ...


def elapsed_s() -> float:
    """Seconds on a clock that nobody sets and that goes on while the machine sleeps.

    `time.monotonic` stands still meanwhile on Linux and macOS (clock_gettime(2)).
    """
    if sys.platform == "linux":
        return time.clock_gettime(time.CLOCK_BOOTTIME)
    if sys.platform == "darwin":
        return time.clock_gettime(time.CLOCK_MONOTONIC)
    return time.monotonic()


class Bucket:
    """Lets `per_s` things a second through in the long run, and `burst` of them at once."""

    def __init__(self, per_s: float, burst: float) -> None:
        self._per_s, self._burst, self._left, self._at_s = per_s, burst, burst, 0.0

    def take(self, now_s: float) -> bool:
        """Whether one more may pass now; times on any one clock."""
        self._left = min(self._burst, self._left + (now_s - self._at_s) * self._per_s)
        self._at_s = now_s
        if self._left < 1.0:
            return False
        self._left -= 1.0
        return True


class SleepWatch:
    """Tells how long the machine slept (suspend, lid closed)."""

    def __init__(self, awake: Callable[[], float] = time.monotonic,
                 elapsed: Callable[[], float] = elapsed_s) -> None:
        self._awake, self._elapsed = awake, elapsed
        self._slept_s = self._all_sleep_s()

    def slept_s(self) -> float:
        """Seconds slept since last asked; 0.0 for less than `DRIFT_S`."""
        more_s = self._all_sleep_s() - self._slept_s
        if more_s <= DRIFT_S:
            return 0.0
        self._slept_s += more_s
        return more_s

    def _all_sleep_s(self) -> float:
        elapsed_s = self._elapsed()  # first, so that being held up in between never looks like sleep
        return elapsed_s - self._awake()


class RealClock:
    """Time since creation, `rate` session seconds a wall second; nobody can set it.

    Sleep of the machine counts, so that old readings look old when it wakes,
    but no sleep for more than `SLEEP_COUNTED_S`.
    """

    def __init__(self, rate: float = 1.0, *, awake: Callable[[], float] = time.monotonic,
                 elapsed: Callable[[], float] = elapsed_s) -> None:
        self.rate = rate
        self._awake, self._sleep_watch = awake, SleepWatch(awake, elapsed)
        self._began = awake()

    def now_s(self) -> float:
        self._began -= min(self._sleep_watch.slept_s(), SLEEP_COUNTED_S)
        return (self._awake() - self._began) * self.rate

    async def sleep_until(self, t_s: float) -> None:
        await asyncio.sleep(max(0.0, (t_s - self.now_s()) / self.rate))


class PacedClock:
    """Session time for a source that makes its own events, such as a practice runner.

    Runs at `rate` session seconds a wall second, but never past the moment its
    one sleeper asked to be woken at. So the source's events carry the very
    times it asked for, and a slow machine delays a rehearsal without changing it.
    """

    def __init__(self, rate: float = 1.0) -> None:
        self._real = RealClock(rate)
        self._reached_s = self._limit_s = 0.0

    def now_s(self) -> float:
        return max(self._reached_s, min(self._real.now_s(), self._limit_s))

    async def sleep_until(self, t_s: float) -> None:
        self._limit_s = max(self._limit_s, t_s)
        await self._real.sleep_until(t_s)
        self._reached_s = self._limit_s  # a timer may wake a little early


class ManualClock:
    """Time that moves only through `advance_to` or a sleeper asking for it."""

    def __init__(self) -> None:
        self._now_s = 0.0

    def now_s(self) -> float:
        return self._now_s

    def advance_to(self, t_s: float) -> None:
        self._now_s = max(self._now_s, t_s)

    async def sleep_until(self, t_s: float) -> None:
        self.advance_to(t_s)
        await asyncio.sleep(0)


def wall_now() -> datetime:
    """Wall time with the local offset; never used to decide anything."""
    return datetime.now().astimezone()


class WallWatch:
    """Tells when wall time and monotonic time have parted (clock set, machine asleep)."""

    def __init__(self, wall: Callable[[], datetime], steady: Callable[[], float] = time.monotonic) -> None:
        self._wall, self._steady = wall, steady
        self._offset_s = self._offset()

    def parted(self) -> str | None:
        """The wall time (ISO 8601) if it has moved over `DRIFT_S` since last told, else None."""
        offset_s = self._offset()
        if abs(offset_s - self._offset_s) <= DRIFT_S:
            return None
        self._offset_s = offset_s
        return self._wall().isoformat(timespec="milliseconds")

    def _offset(self) -> float:
        return self._wall().timestamp() - self._steady()


def clock_is_trusted(now: datetime, clocks: Path = Path("/sys/class/rtc")) -> bool:
    """True when `now` (aware) comes from a battery-backed or a synchronised clock.

    Linux answers by the kernel's own synchronisation state (adjtimex(2)) and
    the presence of a real-time clock; other systems run on machines that have
    one.
    """
    if now < EARLIEST_CLOCK:
        return False
    if not sys.platform.startswith("linux"):
        return True
    return any(clocks.glob("rtc*")) or _synchronised()


def _synchronised() -> bool:
    try:
        state: int = ctypes.CDLL(None).adjtimex(ctypes.create_string_buffer(_TIMEX_BYTES))
    except (OSError, AttributeError):
        return False
    return 0 <= state != _TIME_ERROR
