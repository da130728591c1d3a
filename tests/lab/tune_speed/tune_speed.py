"""How fast settings are played over recordings, and beside what.

    python -m tests.lab.tune_speed

Simulated sessions (an hour each, 1 Hz, the guard's cues heard) become tapes as
recordings do. The decision runs as lanes and as a plain Python loop over the
readings (the live guard's own lane); both must say the same cues at the same
times. Beside them a far simpler guard, written as one loop by hand
(`tests.lab.tune_speed.loop`), as it is and compiled by numba.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from guard.decide.lane import Lane
from guard.decide.lanes import Lanes
from guard.events import Reading
from guard.log.recording import Recording
from guard.runner.population import draw
from guard.runner.simulate import Runners
from guard.runner.strap import USUAL_FAULTS
from guard.settings import Settings
from guard.tune.lanes import LANES, LOOK_EVERY, Heard, joined, play, units, with_limits
from guard.tune.space import SEARCHED, axes, spread
from guard.tune.tape import Tape, tape_of
from guard.tune.tune import recorded_view
from guard.workers.pool import Pool, usable_cores
from tests.lab.ground import COURSES
from tests.lab.tune_speed.loop import LEAD_S, Loop, compiled, loop

TARGET_S = 10.0
HOUR_S = 3600
COURSES_RUN = ("flat", "rolling", "hot", "lights")
Said = list[tuple[float, int]]


def sessions(count: int, seconds: int = HOUR_S, seed: int = 5) -> list[Tape]:
    """`count` simulated sessions as tapes; readings about a second apart, dropouts and faults among them."""
    made: list[Tape] = []
    for number, name in enumerate(COURSES_RUN):
        n = len(range(number, count, len(COURSES_RUN)))
        if not n:
            continue
        who = draw(n, np.random.default_rng([seed, number]))
        world = Runners(who, COURSES[name], [seed, number, 1], faults=USUAL_FAULTS, duration_s=seconds)
        lanes = Lanes([Settings(ceiling_bpm=float(one)) for one in who.ceiling_bpm])
        cues = np.zeros(n, dtype=np.int64)
        beats = np.empty((seconds, n))
        for step in range(seconds):
            beats[step] = world.step(cues).bpm
            cues = lanes.step(np.full(n, float(step)), beats[step])
        apart = np.random.default_rng([seed, number, 2]).uniform(0.0, 0.03, (seconds, n)).round(3)
        for lane in range(n):
            # No two living beats are alike.
            items = tuple(Reading(step + float(apart[step, lane]), int(beats[step, lane]),
                                  rr_s=(60.0 / max(beats[step, lane], 1.0) + 0.001 * (step % 5),))
                          for step in range(seconds) if np.isfinite(beats[step, lane]))
            made.append(tape_of(f"{name} {lane}", Recording({}, items, end_s=float(seconds)),
                                lanes.settings[lane]))
    return made


def sets(count: int) -> list[Settings]:
    """The present settings and others spread over the default search."""
    present = Settings(ceiling_bpm=139.0)
    return [present, *(present.replaced(one) for one in spread(axes(SEARCHED, present), count, 1))][:count]


@dataclass(frozen=True)
class Run:
    """One timed search: wall seconds, processor seconds of the processes, lane-seconds played, cues heard."""

    wall_s: float
    processor_s: float
    lane_s: float
    heard: Heard

    @property
    def million_per_s(self) -> float:
        """Lane-seconds a second of one processor."""
        return self.lane_s / self.processor_s / 1e6


def search(settings: Sequence[Settings], tapes: Sequence[Tape], pool: Pool) -> Run:
    """Play all and judge all, as `guard tune --view recorded` does once the logs are read."""
    begun = time.perf_counter()
    work = units(len(settings), tapes, pool.jobs)
    pieces = [([settings[k] for k in unit.settings], [tapes[k] for k in unit.tapes]) for unit in work]
    looks = [-(-max(len(tape) for tape in mine) // LOOK_EVERY) for _, mine in pieces]
    played = pool.run(play_piece, pieces, looks)
    done = list(zip(work, (heard for heard, _ in played), strict=True))
    judging = time.process_time()
    recorded_view(done, tapes)
    processor_s = time.process_time() - judging + sum(spent for _, spent in played)
    wall_s = time.perf_counter() - begun
    return Run(wall_s, processor_s, len(settings) * sum(tape.duration_s for tape in tapes),
               joined(done, len(tapes))[0])


def play_piece(piece: tuple[list[Settings], list[Tape]], stop: Callable[[], bool]) -> tuple[Heard, float]:
    """A piece of work for a process, and the processor seconds it took."""
    begun = time.process_time()
    return play(*piece, stop), time.process_time() - begun


def by_lane(settings: Settings, tape: Tape) -> Said:
    """The plain loop: a live guard's lane fed step by step."""
    lane = Lane(with_limits(settings, tape))
    return [(t_s, int(cue)) for t_s, bpm in zip(tape.t_s.tolist(), tape.bpm.tolist(), strict=True)
            if (cue := lane.step(t_s, bpm))]


def by_loop(made: Loop, settings: Settings, tape: Tape) -> Said:
    """The loop written by hand, plain or compiled."""
    now = with_limits(settings, tape)
    at, said = np.zeros(len(tape)), np.zeros(len(tape), dtype=np.int64)
    count = made(tape.t_s, tape.bpm, float(now.ceiling_bpm or 0.0), LEAD_S, now.spacing_s, at, said)
    return list(zip(at[:count].tolist(), said[:count].tolist(), strict=True))


def said_in(heard: Heard, setting: int, tape: int) -> Said:
    """What the lanes said for one setting and tape."""
    mine = (heard.setting == setting) & (heard.tape == tape)
    return list(zip(heard.t_s[mine].tolist(), heard.cue[mine].tolist(), strict=True))


def per_step_us(work: Callable[[], object], steps: int, times: int) -> float:
    """Processor time a step, the best of several runs, microseconds."""
    best = float("inf")
    for _ in range(times):
        begun = time.process_time()
        work()
        best = min(best, time.process_time() - begun)
    return best / steps * 1e6


def _peers(settings: list[Settings], tapes: list[Tape]) -> None:
    few = tapes[:20]
    steps = sum(len(tape) for tape in few)
    wide = play(settings, few)
    lanes = per_step_us(lambda: play(settings, few), steps * len(settings), 2)
    plain = per_step_us(lambda: by_lane(settings[0], few[0]), len(few[0]), 2)
    same = compared = 0
    for k in range(0, len(settings), 30):
        same += by_lane(settings[k], few[k % len(few)]) == said_in(wide, k, k % len(few))
        compared += 1
    print(f"\nprocessor time a lane and step (one process, {len(settings)} settings x {len(few)} h)")
    print(f"  lanes                      {lanes:8.3f} us")
    print(f"  plain Python loop          {plain:8.3f} us   {plain / lanes:6.1f} x the lanes "
          f"(target at least 20); {same} of {compared} equal cue by cue")
    by_hand = per_step_us(lambda: by_loop(loop, settings[0], few[0]), len(few[0]), 2)
    print(f"  a simpler guard, by hand   {by_hand:8.3f} us   {by_hand / lanes:6.1f} x the lanes")
    try:
        fast = compiled()
        by_loop(fast, settings[0], few[0])
    except ImportError:
        print("  the same compiled          not measured: numba is not installed (dev dependency)")
        return
    some = range(0, len(settings), 20)
    compiled_us = per_step_us(lambda: [by_loop(fast, settings[k], tape) for tape in few for k in some],
                              steps * len(some), 3)
    print(f"  the same compiled          {compiled_us:8.3f} us   "
          f"lanes take {lanes / compiled_us:.2f} x as long")


def _growth(hours: list[Tape], pool: Pool) -> None:
    """Ten times the work takes ten times as long at most; less where a step's fixed cost still counts."""
    print("\ngrowth                                       processor s   wall s")
    for cases in ([(count, 50) for count in (1, 10, 100)], [(10, count) for count in (10, 100, 1000)]):
        before_s = 0.0
        for recordings, count in cases:
            run = search(sets(count), hours[:recordings], pool)
            grown = f"   {run.processor_s / before_s:4.1f} x for 10 x the work" if before_s else ""
            before_s = run.processor_s
            print(f"  {recordings:4d} recordings of 1 h x {count:4d} settings {run.processor_s:12.2f} "
                  f"{run.wall_s:8.2f}{grown}")


def main(words: Sequence[str] | None = None) -> int:
    """Run and print."""
    parser = argparse.ArgumentParser(description="Speed of playing settings over recordings.")
    parser.add_argument("--jobs", type=int, default=usable_cores())
    parser.add_argument("--no-growth", action="store_true", help="only the target and the peers")
    args = parser.parse_args(words)
    hours = sessions(20 if args.no_growth else 100)
    with Pool(args.jobs) as pool:
        search(sets(2 * args.jobs), [hours[0]], pool)  # the processes are up before the clock starts
        run = search(sets(200), hours[:20], pool)
        print(f"200 settings x 20 h recorded, {args.jobs} processes: {run.wall_s:.1f} s "
              f"(target {TARGET_S:g} s on 2 cores), {run.processor_s:.1f} s of a processor "
              f"({run.million_per_s:.2f} million lane-seconds a second each), {len(run.heard.t_s)} cues")
        if not args.no_growth:
            _growth(hours, pool)
    _peers(sets(LANES // 20), hours)
    return 0
