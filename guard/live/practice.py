"""A practice runner in place of a strap: invented, but he hears the cues.

The simulation lives on its own grid of whole seconds and its own seed; the
clock only paces it. So the same seed and the same cues give the same run at
any speed-up.
"""

from collections.abc import Callable
from dataclasses import replace
from math import isfinite

import numpy as np
from numpy.typing import NDArray

from guard.clock import SessionClock
from guard.errors import UsageError, short
from guard.events import Battery, Cue, CueGiven, Input, Link, LinkState, Reading, Speed
from guard.packets.heart_rate import RR_UNITS_PER_S, encode
from guard.runner.follow import Follower
from guard.runner.rehearsal import PRACTICE, PracticeCourse, one_runner
from guard.runner.simulate import Runners, Second

PRACTICE_STRAP = "practice strap (invented)"
SPEED_EVERY_S = 5  # between two speeds the invented belt tells
GRACE_S = 4.0  # out of range for so long before the link is called lost
RR_SPREAD = 0.02  # beat-to-beat, share of the interval; small while running (ours)


def find_course(name: str) -> PracticeCourse:
    """The course called `name`, or UsageError with those there are."""
    try:
        return PRACTICE[name]
    except KeyError:
        shown = short(name, 40)
        raise UsageError(f"no course is called {shown!r}: choose one of {', '.join(PRACTICE)}") from None


class PracticeSource:
    """One invented runner on one course; implements `guard.live.source.Source`."""

    def __init__(
        self, course: PracticeCourse | str = "garage-treadmill", seed: int = 1,
        follower: Follower | None = None,
    ) -> None:
        self.course = find_course(course) if isinstance(course, str) else course
        self.seed = seed
        self._follower = follower
        item = self.course
        self._runners = Runners(one_runner(item.runner), item.course, [seed, 7])
        self._beats = np.random.default_rng([seed, 8])
        self._dry = np.random.default_rng([seed, 9]).normal(12.0, 12.0, 64)
        self._newest: CueGiven | None = None  # cue that has not been acted on
        self._next_beat_s = 0.4

    @property
    def about(self) -> dict[str, object]:
        """What the log's first line says about where the readings came from."""
        return {
            "kind": "practice", "name": PRACTICE_STRAP, "course": self.course.name, "seed": self.seed,
            "note": "an invented runner: no heart was measured",
        }

    def hear(self, cue: CueGiven) -> None:
        """The runner hears `cue` and, after a reaction time, may act on it."""
        if self._follower:
            self._follower.hear(cue)
        if cue.cue is not Cue.NONE:
            self._newest = cue

    def set_speed(self, speed_m_s: float) -> None:
        """The belt is set to `speed_m_s`, which ends a gentle start; outdoors nothing happens."""
        if not (self.course.course.belt and isfinite(speed_m_s) and 0.3 <= speed_m_s <= 7.0):
            return
        self._runners.course = replace(self._runners.course, gentle_s=0.0)
        mind = self._runners.behaviour
        spot = self.course.course.spot(float(self._runners.step_count), self._runners.distance_m)
        pace_m_s = speed_m_s / float(np.asarray(spot.pace_share))
        mind.pace_m_s[:] = mind.habit_m_s[:] = pace_m_s
        mind.walking[:] = False

    async def run(self, clock: SessionClock, put: Callable[[Input], None]) -> None:
        """Put the run's events until the course ends, paced by `clock`."""
        link = LinkState.CONNECTED
        put(Link(_stamp(clock), LinkState.CONNECTING, PRACTICE_STRAP))
        put(Link(_stamp(clock), link, PRACTICE_STRAP, body_location="chest"))
        battery = dict(self.course.battery)
        last_setting: tuple[float | None, float | None] = (None, None)
        for step in range(self._runners.steps):
            await clock.sleep_until(float(step))
            now = _stamp(clock)
            second = self._runners.step(*self._cues())
            rr_s = self._rr_until(step + 1.0, float(second.true_bpm[0]))
            if step in battery:
                put(Battery(now, battery[step]))
            if self.course.speed_known:
                speed = _speed_of(now, second)
                setting = (speed.speed_m_s, speed.grade)
                if step % SPEED_EVERY_S == 0 or setting != last_setting:
                    put(speed)
                    last_setting = setting
            wanted = self._link_at(step)
            if wanted is not link:
                link = wanted
                fault = "out of range: come nearer" if link is LinkState.LOST else ""
                put(Link(now, link, PRACTICE_STRAP, fault))
            if not self._out_of_range(step):
                put(self._reading(now, step, float(second.bpm[0]), rr_s))

    # -- parts of a second ------------------------------------------------

    def _cues(self) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
        """Codes and advised speed of the newest cue that asks for something, for the next step."""
        given, self._newest = self._newest or CueGiven(0.0, Cue.NONE), None
        return np.array([int(given.cue)]), np.array([given.advised_speed_m_s], dtype=np.float64)

    def _out_of_range(self, step: int) -> bool:
        return any(begin <= step < begin + length for begin, length in self.course.no_signal_s)

    def _link_at(self, step: int) -> LinkState:
        lost = any(begin + GRACE_S <= step < begin + length for begin, length in self.course.no_signal_s)
        return LinkState.LOST if lost else LinkState.CONNECTED

    def _rr_until(self, end_s: float, true_bpm: float) -> tuple[float, ...]:
        """Intervals of the beats up to `end_s`, seconds, in steps of 1/1024 s."""
        intervals: list[float] = []
        while self._next_beat_s < end_s:
            length = 60.0 / true_bpm * (1.0 + RR_SPREAD * float(self._beats.standard_normal()))
            ticks = max(200, round(length * RR_UNITS_PER_S))
            intervals.append(ticks / RR_UNITS_PER_S)
            self._next_beat_s += ticks / RR_UNITS_PER_S
        return tuple(intervals)

    def _reading(self, now_s: float, step: int, bpm: float, rr_s: tuple[float, ...]) -> Reading:
        if step < self.course.dry_s:
            bpm = min(max(bpm + float(self._dry[step % len(self._dry)]), 40.0), 220.0)
            rr_s = ()
        whole = round(bpm)
        return Reading(now_s, whole, True, rr_s, raw=encode(whole, contact=True, rr_s=rr_s))


def _speed_of(now_s: float, second: Second) -> Speed:
    return Speed(
        now_s, round(float(second.speed_m_s[0]), 3), round(float(second.grade[0]), 4),
        round(float(second.cadence_spm[0])) or None)


def _stamp(clock: SessionClock) -> float:
    return round(clock.now_s(), 3)
