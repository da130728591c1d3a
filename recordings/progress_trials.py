"""How `guard progress` does on invented runners: `progress_trials.py noise|plateau|story|scale`.

`noise`: runners who neither gain nor lose, 24 runs each; how many are told of
a gain or loss. `plateau`: runners who truly gain nothing, half the useful gain,
the useful gain or twice that in twelve weeks; how many are told of a plateau
(and of a gain or loss) at 24 runs, and at one look a week through a year.
`story`: runners with the story of `year.py`; how often gain,
plateau, its week and the short sleep are told. `scale`: ten years of logs in a
temporary folder; how long the first and the next look take, and how that grows.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections import Counter
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import year

from guard.journal.journal import numbers
from guard.progress.progress import Months, Session, look
from guard.progress.steady import figures
from guard.progress.trend import TYPICAL_ERROR, USEFUL_SHARE, WINDOW_DAYS, Trend, Verdict, trend

CLAIMS = (Verdict.GAIN, Verdict.LOSS)


def session(day: date, one: year.Run) -> Session:
    """The figures of an invented run, as its log would give them."""
    readings = np.stack([np.arange(len(one.bpm)), one.bpm], axis=1).astype(np.float64)
    speeds = np.array([(t, speed, np.nan, typed) for t, speed, typed in one.speeds]).reshape(-1, 4)
    return Session(day, day.isoformat(), figures(readings, speeds, (), float(len(one.bpm)),
                                                 ceiling_bpm=year.CEILING_BPM, response_s=57.0))


def noise_months(seed: int, runs: int = 24, carried: float = 0.0) -> Months:
    """A runner without any story: the typical error from day to day, `carried` of it to the next run."""
    rng = np.random.default_rng(seed)
    off = rng.normal()
    sessions = []
    for number in range(runs):
        if number:
            off = carried * off + np.sqrt(1.0 - carried * carried) * rng.normal()
        at_ceiling = 2.6 - off * TYPICAL_ERROR * year.CEILING_BPM / year.SLOPE
        one = year.run(rng, float(rng.integers(40, 61)), at_ceiling, ("belt", "pod")[number % 2], at_ceiling)
        sessions.append(session(year.BEGINS + timedelta(days=round(number * 3.5)), one))
    return look(sessions, {}, year.CEILING_BPM)


def still_runs(seed: int, runs_a_week: int, day_share: float, carried: float, weeks: int = 52) -> tuple[
        np.ndarray, np.ndarray]:
    """Days and measured speeds at the ceiling of a runner who does not change; `day_share`: `year.Story`."""
    rng = np.random.default_rng([seed, runs_a_week])
    off = rng.normal()
    sessions = []
    for number in range(weeks * runs_a_week):
        off = carried * off + np.sqrt(1.0 - carried * carried) * rng.normal()
        at_ceiling = 2.6 - off * day_share * year.CEILING_BPM / year.SLOPE
        one = year.run(rng, float(rng.integers(40, 61)), at_ceiling, ("belt", "pod")[number % 2], at_ceiling)
        sessions.append(session(year.BEGINS + timedelta(days=round(number * 7 / runs_a_week)), one))
    known = [one for one in look(sessions, {}, year.CEILING_BPM).points if one.speed is not None]
    return (np.array([(one.day - year.BEGINS).days for one in known], dtype=np.float64),
            np.array([one.speed.value for one in known if one.speed is not None]))


def looks(days: np.ndarray, speeds: np.ndarray, gain_share: float) -> list[Trend]:
    """One look a week from the twelfth week on at a runner who gains `gain_share` every twelve weeks.

    The gain is added to what the runs gave; it goes on at the same pace.
    """
    moved = speeds * (1.0 + gain_share) ** (days / WINDOW_DAYS)
    return [trend(moved, days, end_day=float(end)) for end in range(WINDOW_DAYS, int(days[-1]) + 2, 7)]


def plateau(seeds: int) -> None:
    for runs_a_week, day_share, carried in ((2, 0.03, 0.0), (2, 0.03, 0.3), (3, 0.014, 0.0)):
        runners = [still_runs(seed, runs_a_week, day_share, carried) for seed in range(seeds)]
        print(f"{runs_a_week} runs a week, {day_share:.1%} from day to day, {carried:.0%} of it carried on; "
              f"useful: {USEFUL_SHARE:.0%} in 12 weeks; share of {seeds} runners told", flush=True)
        for times in (0.0, 0.5, 1.0, 2.0, -1.0):
            told = [[one.verdict for one in looks(*runner, times * USEFUL_SHARE)] for runner in runners]
            parts = []
            for verdict in (Verdict.PLATEAU, Verdict.GAIN, Verdict.LOSS):
                once = np.mean([verdict is one[0] for one in told])
                each = np.mean([verdict is one for many in told for one in many])
                ever = np.mean([verdict in one for one in told])
                parts.append(f"{verdict.value} {once:.1%} at 12 weeks, {each:.1%} of looks, {ever:.1%} ever")
            print(f"  true gain {times * USEFUL_SHARE:+.1%}: {'; '.join(parts)}", flush=True)


def story_months(seed: int, story: year.Story, weeks: int = 52) -> Months:
    """A runner with a story."""
    rng, others = np.random.default_rng(seed), np.random.default_rng([seed, 1])
    sessions = [session(day, year.run(rng, minutes, at_ceiling, kind, average))
                for day, kind, minutes, at_ceiling, average in year.days(story, rng, weeks)
                if kind in ("belt", "pod")]
    entries = year.journal(story, others, weeks)
    days = [entry.day for entry in entries]
    daily = {key: {day: float(value) for day, value in zip(days, values, strict=True) if value is not None}
             for key, values in numbers(entries, days).items()}
    return look(sessions, daily, year.CEILING_BPM)


def noise(seeds: int) -> None:
    for carried in (0.0, 0.3):
        told = Counter(noise_months(seed, carried=carried).trend.verdict.value for seed in range(seeds))
        claims = sum(told[verdict.value] for verdict in CLAIMS)
        print(f"noise, {carried:.0%} of a day's luck carried to the next run: "
              f"{claims} of {seeds} runners told of a gain or loss; {dict(told)}", flush=True)


def story(seeds: int) -> None:
    true = year.Story()
    ended = year.BEGINS + timedelta(weeks=true.gain_weeks)
    assert true.short_sleep is not None
    slept = year.BEGINS + timedelta(weeks=true.short_sleep[0])
    last, gains, inside, off, sleeps = Counter[str](), 0, 0, [], 0
    for seed in range(seeds):
        months = story_months(seed, true)
        last[months.trend.verdict.value] += 1
        gains += any(one.verdict is Verdict.GAIN for day, one in months.history if day <= ended)
        if months.bend_days:
            at, low, high = months.bend_days
            inside += low <= ended <= high
            off.append((at - ended).days / 7)
        sleeps += any(abs((spell.begins - slept).days) <= 7 for spell in months.sleep)
    print(f"story, {seeds} runners: gain told while there was one {gains}; at the end {dict(last)}; "
          f"end of the rise dated {len(off)}, off by {np.median(np.abs(off)):.1f} weeks (median), "
          f"interval holds the true day {inside}; short sleep found {sleeps}")


def scale(sessions: int) -> None:
    for number in (sessions // 4, sessions // 2, sessions):
        with tempfile.TemporaryDirectory() as folder:
            readings = year.make_library(Path(folder), number)
            first, after = _timed(folder), min(_timed(folder) for _ in range(3))
            print(f"scale: {number} sessions, {readings} readings: first look {first[0]:.1f} s "
                  f"({first[1]:.1f} s of processor), after {after[0]:.2f} s ({after[1]:.2f} s); "
                  f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores", flush=True)


def _timed(folder: str) -> tuple[float, float]:
    """Seconds by the wall and of processor time, helpers included."""
    begin, before = time.perf_counter(), os.times()
    subprocess.run([sys.executable, "-m", "guard", "progress", "--ceiling", "139"], check=True,
                   stdout=subprocess.DEVNULL, env={**os.environ, "GUARD_HOME": folder})
    spent = os.times()
    processor = spent.children_user + spent.children_system - before.children_user - before.children_system
    return time.perf_counter() - begin, processor


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("what", choices=("noise", "plateau", "story", "scale"))
    parser.add_argument("--seeds", type=int, default=100)
    parser.add_argument("--sessions", type=int, default=2600)
    args = parser.parse_args()
    if args.what == "scale":
        scale(args.sessions)
    else:
        {"noise": noise, "plateau": plateau, "story": story}[args.what](args.seeds)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
