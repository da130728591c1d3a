"""The scenes of the invented recordings: ground, runner, strap and what the runner does.

Everything here is invented. Each scene shows one thing the guard has to do
well; `shows` says which. What is tested on it must hold whatever the settings
of the decision, so a scene brings the situation and never the answer.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from guard.events import Action, Command, Cue, Input, Mark
from guard.runner.courses import Course, Spot
from guard.runner.rehearsal import PRACTICE, PracticeCourse

Array = NDArray[np.float64]
Ground = Callable[[float, Array], Spot]


@dataclass(frozen=True)
class Fault:
    """Something wrong with the strap from `begin_s` on, or so long after the first cue `after`.

    Kinds: `nothing` arrives; `no contact`; `frozen`, the last value again;
    `spike`, `bpm` added; `low`, a slipped electrode that reads about `bpm`.
    `share` of the readings are hit.
    """

    kind: str
    begin_s: float
    lasts_s: float
    bpm: float = 0.0
    share: float = 1.0
    after: Cue | None = None
    within_s: float = 4.0  # a slipping electrode takes some seconds to read low: straps average


@dataclass(frozen=True)
class Scene:
    """One recording.

    `events` come at their time, `answers` so many seconds after the first such
    cue; `misses` are cues the runner does not hear, each once.
    """

    shows: str
    course: PracticeCourse
    plan: str = ""
    events: tuple[Input, ...] = ()
    answers: tuple[tuple[Cue, Command], ...] = ()
    faults: tuple[Fault, ...] = ()
    misses: tuple[Cue, ...] = ()
    seed: int = 1


@dataclass(frozen=True)
class StopsAt(Course):
    """A course whose stops, (begin, length) in seconds, are known beforehand."""

    stands_s: tuple[tuple[float, float], ...] = field(default=())

    def standing(self, n: int, steps: int, rng: np.random.Generator) -> NDArray[np.bool_] | None:
        """Everybody stands at the same times."""
        stands = np.zeros((steps, n), dtype=bool)
        for begin_s, length_s in self.stands_s:
            stands[int(begin_s):int(begin_s + length_s)] = True
        return stands


SHORT_WARM_UP: dict[str, float | bool] = {"warm_up_s": 120.0, "warm_up_quiet_s": 45.0}


def _course(
    name: str,
    title: str,
    minutes: float,
    ground: Ground,
    runner: Mapping[str, float],
    settings: Mapping[str, float | bool],
    *,
    belt: bool = False,
    stands_s: tuple[tuple[float, float], ...] = (),
    speed_known: bool = False,
    dry_s: float = 0.0,
) -> PracticeCourse:
    course = StopsAt(name, title, ground, minutes * 60.0, belt=belt, gentle_s=90.0, stands_s=stands_s)
    return PracticeCourse(
        name, f"{title} (invented)", course, runner, {**SHORT_WARM_UP, "belt": belt, **settings},
        speedup=8.0, speed_known=speed_known, dry_s=dry_s)


def _level(t_s: float, distance_m: Array) -> Spot:
    return Spot()


def _between(begin_s: float, end_s: float, grade: float, pace_share: float = 1.0) -> Ground:
    """Level but for one slope."""
    def ground(t_s: float, distance_m: Array) -> Spot:
        return Spot(grade, pace_share) if begin_s <= t_s < end_s else Spot()
    return ground


def _strides(t_s: float, distance_m: Array) -> Spot:
    """Four fast stretches of 40 s, one every two minutes from minute three on."""
    fast = 180.0 <= t_s < 660.0 and (t_s - 180.0) % 120.0 < 40.0
    return Spot(0.0, 1.5 if fast else 1.0)


STRIDES = """
name = "easy with four strides"
[[part]]
kind = "warm_up"
minutes = 2
[[part]]
kind = "easy"
minutes = 1
[[part]]
repeat = 4
  [[part.part]]
  kind = "fast"
  name = "stride"
  seconds = 40
  [[part.part]]
  kind = "easy"
  name = "easy"
  seconds = 80
[[part]]
kind = "cool_down"
minutes = 1
"""

TWO_PARTS = """
name = "easy, then easier"
[[part]]
kind = "warm_up"
minutes = 2
[[part]]
kind = "easy"
name = "first half"
minutes = 20
[[part]]
kind = "easy"
name = "second half"
minutes = 20
"""


SCENES: dict[str, Scene] = {
    "garage-treadmill": Scene(
        "a belt of known speed climbs, then is turned up", PRACTICE["garage-treadmill"]),
    "hill-loop": Scene(
        "a long hill: easing, walking, running on", PRACTICE["hill-loop"]),
    "hot-afternoon": Scene(
        "heart rate drifts in the heat; dry electrodes, a short loss, a low battery",
        PRACTICE["hot-afternoon"]),
    "bad-electrode": Scene(
        "an easy run well under the ceiling, and a strap that talks nonsense",
        _course("bad-electrode", "an easy road and a strap worn badly", 11, _level,
                {"run_bpm": 128, "habitual_m_s": 2.6}, {"ceiling_bpm": 142.0}, dry_s=40.0),
        faults=(
            Fault("spike", 60.0, 100.0, 70.0, share=0.05), Fault("spike", 160.0, 100.0, -60.0, share=0.05),
            Fault("nothing", 280.0, 5.0), Fault("frozen", 340.0, 30.0), Fault("no contact", 420.0, 12.0),
            Fault("spike", 460.0, 80.0, 95.0, share=0.05), Fault("nothing", 560.0, 60.0, share=0.5)),
        seed=3),
    "fast-parts": Scene(
        "strides that are left to the runner inside an easy run",
        _course("fast-parts", "an easy road with four strides", 12, _strides,
                {"run_bpm": 139, "response_s": 30, "gain": 25}, {"ceiling_bpm": 144.0}),
        plan=STRIDES),
    "lost-strap": Scene(
        "the strap is out of reach three times, once while the runner walks",
        _course("lost-strap", "a road with a climb, the strap loose in its clip", 10,
                _between(300.0, 460.0, 0.09, 0.9), {"run_bpm": 137}, {"ceiling_bpm": 141.0}),
        faults=(Fault("nothing", 180.0, 5.0), Fault("nothing", 225.0, 40.0),
                Fault("nothing", 25.0, 60.0, after=Cue.WALK))),
    "restart": Scene(
        "traffic lights, and a pause for a drink: starting again is no reason to slow down",
        _course("restart", "a road with traffic lights, never over the ceiling", 13, _level,
                {"run_bpm": 133, "drift_bpm_per_min": 0.05}, {"ceiling_bpm": 142.0},
                stands_s=((200.0, 40.0), (330.0, 25.0), (450.0, 60.0), (600.0, 35.0), (700.0, 20.0))),
        events=(Command(451.0, Action.PAUSE), Command(512.0, Action.CONTINUE))),
    "slipped-strap": Scene(
        "the electrode slips while the runner walks, and later while he runs",
        _course("slipped-strap", "a long steep hill, then the road home", 12,
                _between(200.0, 440.0, 0.16, 0.9), {"run_bpm": 138, "fast_share": 0.3},
                {"ceiling_bpm": 141.0, "stale_s": 7.0}),
        faults=(Fault("low", 3.0, 75.0, 95.0, after=Cue.WALK, within_s=25.0),
                Fault("low", 630.0, 50.0, 84.0, within_s=1.0))),
    "walk-run": Scene(
        "the slowest jog is over the ceiling: walk and run by turns, not a loop of cues",
        _course("walk-run", "a beginner on a level road", 24, _level,
                {"run_bpm": 143, "habitual_m_s": 2.1, "gain": 14, "slowest_jog_m_s": 2.09, "fast_share": 0.5,
                 "obeys": 1.0, "strap_noise_bpm": 0.7},
                {"ceiling_bpm": 140.0}),
        seed=2),
    "steep-hill": Scene(
        "so steep that walking is not enough; at the top the runner does not hear that he may run",
        _course("steep-hill", "a road that climbs 22 % for a while", 11, _between(240.0, 440.0, 0.22, 0.85),
                {"run_bpm": 138, "fast_share": 0.7}, {"ceiling_bpm": 141.0}),
        misses=(Cue.RESUME,), seed=2),
    "speed-to-set": Scene(
        "a belt of known speed and a learned gain: every cue says the speed to set",
        _course("speed-to-set", "a belt that begins too slow and then climbs", 13,
                _between(390.0, 540.0, 0.2),
                {"run_bpm": 122, "habitual_m_s": 2.2, "obeys": 1.0},
                {"ceiling_bpm": 141.0, "floor_bpm": 124.0, "gain_bpm_per_m_s": 25.0},
                belt=True, speed_known=True),
        seed=4),
    "own-way": Scene(
        "the runner in charge: another ceiling, a part skipped, a free run up to the never-exceed limit",
        _course("own-way", "a road run as the runner likes", 12, _between(420.0, 580.0, 0.13),
                {"run_bpm": 140, "gain": 30}, {"ceiling_bpm": 145.0, "stop_bpm": 159.0, "walk_first": 1.0}),
        plan=TWO_PARTS,
        events=(Command(170.0, Action.CEILING, 135.0), Mark(250.0, "bridge"),
                Command(300.0, Action.CEILING, 145.0), Command(360.0, Action.SKIP_PART),
                Command(600.0, Action.FREE_RUN, 0.0), Command(620.0, Action.STATUS)),
        answers=((Cue.WALK, Command(4.0, Action.FREE_RUN, 1.0)),),
        misses=(Cue.WALK, Cue.STOP, Cue.STOP)),
    "few-words": Scene(
        "few words wanted and a runner who hears none: easing is held back, the rest is not",
        _course("few-words", "a road run too fast throughout", 11, _level,
                {"run_bpm": 147, "obeys": 0.0},
                {"ceiling_bpm": 139.0, "words": 0.0, "walk_first": 1.0}),
        faults=(Fault("nothing", 560.0, 20.0),), seed=4),
}
