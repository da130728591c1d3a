"""How often `guard tune` recommends what is worse: `python -m tests.lab.tune_trials --people 24`.

An invented person runs a few sessions under the present settings; tuning sees
their recordings alone. What it recommends is then lived by the very same
person on many fresh days of the same course, beside the present settings, on
equal luck. The person is drawn from the published spreads; tuning knows the
spreads, not the person. People of the set `report` are never used for tuning
the tuner.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np

from guard.decide.lanes import Lanes
from guard.events import Cue, CueGiven, Input, Output, Reading, Speed
from guard.log.recording import Recording
from guard.runner.population import Population, draw
from guard.runner.simulate import Runners
from guard.runner.strap import USUAL_FAULTS
from guard.settings import Settings
from guard.tune.choose import SetGains, verdicts
from guard.tune.respond import Trial, live
from guard.tune.runners import Drawn
from guard.tune.source import TunedRecording
from guard.tune.space import SEARCHED, axes
from guard.tune.tune import Tuning
from guard.workers.pool import usable_cores
from guard.workers.workers import workers
from tests.lab.ground import COURSES

SEEDS = {"dev": 52_001, "report": 97_003}
COURSES_RUN = ("flat", "rolling", "hot", "lights")
SPEED_EVERY_S = 5


@dataclass(frozen=True)
class Found:
    """Of one person: what was recommended (None: keep), and how it did on fresh days."""

    recommended: dict[str, float] | None
    truth: SetGains | None

    @property
    def worse(self) -> bool:
        """The recommended settings did the same person no good on average."""
        return self.truth is not None and self.truth.score < 0.0

    @property
    def harmful(self) -> bool:
        """On average worse, or one of the figures worse by more than tuning allows."""
        return self.truth is not None and (self.worse or not self.truth.acceptable)


def recorded(
    who: Population, course: str, settings: Settings, seed: Sequence[int], seconds: int, pod: bool,
) -> Recording:
    """A session of one person: readings, what was said, with `pod` the speed."""
    world = Runners(who, COURSES[course], list(seed), faults=USUAL_FAULTS, duration_s=seconds)
    lanes = Lanes([settings])
    cues = np.zeros(1, dtype=np.int64)
    items: list[Input | Output] = []
    for step in range(seconds):
        now = world.step(cues, lanes.advised_speed_m_s if pod else None)
        t_s = float(step)
        known = {"speed_m_s": now.speed_m_s, "grade": np.asarray(now.grade, dtype=np.float64)} if pod else {}
        if pod and step % SPEED_EVERY_S == 0:
            items.append(Speed(t_s, round(float(now.speed_m_s[0]), 2), round(float(now.grade[0]), 3)))
        bpm = float(now.bpm[0])
        if np.isfinite(bpm):
            items.append(Reading(t_s, int(bpm), rr_s=(round(60.0 / bpm, 3),) if now.has_rr[0] else ()))
        cues = lanes.step(np.full(1, t_s), now.bpm, **known)
        if cues[0]:
            items.append(CueGiven(t_s, Cue(int(cues[0]))))
    return Recording({"started": f"2026-03-{seed[-1] + 1:02d}T06:10:00+00:00"}, tuple(items),
                     end_s=float(seconds), settings=settings)


def trial(
    person: int, seed_set: str = "report", *, sessions: int = 3, minutes: int = 40, tries: int = 200,
    runners: int = 32, days: int = 96, jobs: int = 1, address: str | None = None,
) -> Found:
    """One person from first run to fresh days; every second one has a foot pod."""
    seed = [SEEDS[seed_set], person]
    course, pod = COURSES_RUN[person % len(COURSES_RUN)], person % 2 == 1
    who = draw(1, np.random.default_rng(seed), steepest=0.04 if course == "rolling" else 0.0)
    present = Settings(ceiling_bpm=float(who.ceiling_bpm[0]))
    sources = [
        TunedRecording(f"day {day}", recorded(who, course, present, [*seed, day], 60 * minutes, pod), present)
        for day in range(sessions)]
    found = Tuning(sources, present, axes(SEARCHED, present), tries=tries, runners=runners, seed=1 + person,
                   pool=workers(address, jobs)).run(recorded=False)
    if found.recommended is None:
        return Found(None, None)
    many = Population(**{item.name: np.repeat(getattr(who, item.name), days) for item in fields(who)})
    fresh = Drawn(many, COURSES[course], (), (), pod, (*seed, 1000))  # type: ignore[arg-type]
    lived = live(Trial((present, present.replaced(found.recommended)), fresh))
    return Found(found.recommended, verdicts(lived)[1])


def main(argv: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--people", type=int, default=24)
    parser.add_argument("--first", type=int, default=0, help="number of the first person")
    parser.add_argument("--seed-set", choices=tuple(SEEDS), default="report")
    parser.add_argument("--tries", type=int, default=200)
    parser.add_argument("--jobs", type=int, default=usable_cores())
    parser.add_argument("--workers", metavar="tcp://HOST:PORT", help="of a Dask scheduler instead")
    args = parser.parse_args(argv)
    done: list[Found] = []
    for person in range(args.first, args.first + args.people):
        one = trial(person, args.seed_set, tries=args.tries, jobs=args.jobs, address=args.workers)
        done.append(one)
        truth = one.truth
        print(f"person {person}: " + ("keep" if truth is None else (
            f"{one.recommended}: score {truth.score:+.2f} ± {truth.score_se:.2f}, over {truth.over:+.0%}, "
            f"cues {truth.cues:+.0%}, distance {truth.distance:+.1%}"
            f"{', WORSE' if one.worse else ', at a price' if one.harmful else ''}")), flush=True)
    said = [one for one in done if one.truth is not None]
    print(f"{len(said)} of {len(done)} were told to change; {sum(one.worse for one in said)} of them to "
          f"something worse on average, {sum(one.harmful for one in said)} to something worse on average "
          "or with a figure worse than allowed")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
