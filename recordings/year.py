"""A year of runs of one invented runner, with a known story: `python recordings/year.py FOLDER`.

Nobody ran them. A runner trains three times a week; the speed at which heart
rate reaches the ceiling rises for half a year and then stays; one month is
short of sleep. Heart rate follows speed by a first-order lag and a dead time,
drifts, wanders and differs from day to day. The same seed gives the same
files: session logs and a journal, laid out as a home of the guard, so that

    python recordings/year.py FOLDER --seed 1
    GUARD_HOME=FOLDER guard progress

shows the story.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from itertools import accumulate
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from guard.journal.journal import Entry
from guard.log.log import session_header
from guard.plan.examples import EXAMPLES
from guard.plan.text import parse_plan
from guard.settings import Settings

Floats = NDArray[np.float64]

CEILING_BPM = 139.0
BEGINS = date(2025, 11, 3)  # a Monday; invented like the rest
SLOPE = 25.0  # bpm per m/s; 24.2 +- 8.3: Hunt et al. 2015, BioMed Eng OnLine 14
RESPONSE_S, DEAD_S = 57.6, 8
DRIFT_BPM_PER_H = 8.0
WANDER_BPM, WANDER_S = 1.2, 40.0
BEAT_BPM = 0.8
SETTINGS = Settings(ceiling_bpm=CEILING_BPM)


@dataclass(frozen=True)
class Story:
    """What the year is made of; speeds at the ceiling in m/s, weeks counted from 0.

    `day_share` is the SD of heart rate from day to day, as a share of the
    ceiling (the typical error of submaximal heart rate is about 3 %:
    Buchheit 2014; this runner is steadier).
    """

    start_m_s: float = 2.45
    gain_m_s: float = 0.42
    gain_weeks: int = 26
    day_share: float = 0.014
    short_sleep: tuple[int, int] | None = (32, 36)
    short_sleep_bpm: float = 3.5

    def speed(self, week: float) -> float:
        """Speed at the ceiling in the twentieth minute of an average day."""
        return self.start_m_s + self.gain_m_s * min(week / self.gain_weeks, 1.0)

    def sleeps_short(self, week: float) -> bool:
        return self.short_sleep is not None and self.short_sleep[0] <= week < self.short_sleep[1]


@dataclass(frozen=True)
class Run:
    """One invented run: whole bpm a second, and speeds as (time, m/s, typed) lines."""

    bpm: NDArray[np.int64]
    speeds: list[tuple[int, float, bool]]
    plan: dict[str, Any] | None = None


def run(rng: np.random.Generator, minutes: float, at_ceiling_m_s: float, kind: str, usual_m_s: float) -> Run:
    """A run of a day on which the ceiling is met at `at_ceiling_m_s`; the runner goes by `usual_m_s`.

    Kinds: `belt` (typed speeds, changed every few minutes), `pod` (a foot pod
    on rolling roads), `even` (one speed throughout), `silent` (no speed
    logged), `check` (the monthly check).
    """
    seconds = int(minutes * 60)
    plan = None
    if kind == "check":
        parsed = parse_plan(EXAMPLES["steady-check"], "steady-check", SETTINGS)
        plan = parsed.as_dict()
        paces = [2.2, 2.25, 2.45, 2.65, 2.2]  # the same belt speeds every month
        speed = np.concatenate([np.full(int(part.seconds), pace)
                                for part, pace in zip(parsed.parts, paces, strict=True)])
        seconds = len(speed)
    else:
        speed = _speeds(rng, seconds, usual_m_s, kind)
    rate = 1.0 - np.exp(-1.0 / RESPONSE_S)
    lagged = np.array(list(accumulate(speed.tolist(), lambda now, to: now + rate * (to - now), initial=0.0)))
    lagged = np.concatenate([np.zeros(DEAD_S), lagged[1:seconds + 1 - DEAD_S]])
    keep = np.exp(-1.0 / WANDER_S)
    push = rng.normal(0.0, WANDER_BPM * np.sqrt(1.0 - keep * keep), seconds).tolist()
    wander = np.array(list(accumulate(push, lambda now, more: keep * now + more)))
    drift = DRIFT_BPM_PER_H * (np.maximum(np.arange(seconds) - 600.0, 0.0) - 600.0) / 3600.0
    bpm = CEILING_BPM + SLOPE * (lagged - at_ceiling_m_s) + drift + wander
    bpm += rng.normal(0.0, BEAT_BPM, seconds)
    return Run(np.clip(np.rint(bpm), 50, 200).astype(np.int64), _lines(rng, speed, kind), plan)


def _speeds(rng: np.random.Generator, seconds: int, usual_m_s: float, kind: str) -> Floats:
    speed = np.full(seconds, usual_m_s - 0.25)
    if kind in ("even", "silent"):
        speed[:480] = usual_m_s - 0.4
    elif kind == "belt":
        begin = 480
        while begin < seconds:
            length = int(rng.integers(200, 320))
            speed[begin:begin + length] = round(usual_m_s + rng.choice([-0.45, -0.3, -0.15, 0.0]), 2)
            begin += length
        speed[:480] = usual_m_s - 0.5
    else:
        knots = np.arange(0, seconds + 240, 240)
        levels = usual_m_s - 0.2 + rng.normal(0.0, 0.16, len(knots))
        levels[:2] = usual_m_s - 0.5
        speed = np.interp(np.arange(seconds), knots, levels)
    return np.maximum(speed, 1.9)


def _lines(rng: np.random.Generator, speed: Floats, kind: str) -> list[tuple[int, float, bool]]:
    if kind == "silent":
        return []
    if kind == "pod":
        seen = np.round(speed + rng.normal(0.0, 0.05, len(speed)), 2)
        return [(t, value, False) for t, value in enumerate(seen.tolist())]
    changes = np.flatnonzero(np.diff(speed, prepend=0.0))
    return [(int(t), float(speed[t]), True) for t in changes]


KINDS = ("belt", "pod", "belt", "pod", "belt", "even", "pod", "belt", "pod", "belt", "pod", "silent")


def days(story: Story, rng: np.random.Generator, weeks: int, begins: date = BEGINS) -> Iterator[
        tuple[date, str, float, float, float]]:
    """(day, kind, minutes, speed at the ceiling that day, the same on an average day) of each run."""
    number = 0
    for week in range(weeks):
        if week in (11, 45):
            continue  # a cold; a holiday
        for weekday in (1, 3, 6) if week != 21 else (0, 1, 3, 4, 6):
            at = week + weekday / 7.0
            average = story.speed(at)
            off_bpm = rng.normal(0.0, story.day_share * CEILING_BPM)
            if story.sleeps_short(at):
                off_bpm += story.short_sleep_bpm
            kind = "check" if weekday == 3 and week % 4 == 2 else KINDS[number % len(KINDS)]
            number += 1
            minutes = float(rng.integers(40, 61))
            yield (begins + timedelta(weeks=week, days=weekday), kind, minutes,
                   average - off_bpm / SLOPE, average)


# -- files

_SUFFIX = [""] * 256
_PREFIX = [f'{{"t":{t}.0,"type":"reading","bpm":' for t in range(7200)]
for _bpm in range(50, 201):
    _ticks = round(1024 * 60 / _bpm)
    _raw = (b"\x16" + bytes([_bpm]) + _ticks.to_bytes(2, "little")).hex()
    _SUFFIX[_bpm] = f'{_bpm},"contact":true,"rr_s":[{_ticks / 1024}],"raw":"{_raw}"}}\n'


def write(path: Path, one: Run, started: datetime) -> None:
    """The run as a session log."""
    header = session_header(SETTINGS, started=started, clock_trusted=True, plan=one.plan,
                            source={"kind": "practice", "name": "invented strap",
                                    "note": "an invented runner: no heart was measured"})
    lines = [json.dumps(header, separators=(",", ":")) + "\n"]
    speeds = _speed_lines(one)
    for t, bpm in enumerate(one.bpm.tolist()):
        if t in speeds:
            lines.append(speeds[t])
        lines.append(_PREFIX[t] + _SUFFIX[bpm])
    seconds, over = len(one.bpm), one.bpm - CEILING_BPM
    summary = {"duration_s": float(seconds), "at_or_under_s": float((over <= 0).sum()),
               "over_s": float((over > 0).sum()), "over_bpm_min": round(float(over[over > 0].sum()) / 60, 3),
               "no_signal_s": 0.0, "held_s": 0.0, "unguarded_s": 0.0, "cues": {}, "cues_per_h": 0.0}
    lines.append(json.dumps({"t": float(seconds), "type": "end", "summary": summary},
                            separators=(",", ":")) + "\n")
    path.write_text("".join(lines), encoding="utf-8")


def _speed_lines(one: Run) -> dict[int, str]:
    typed = ',"typed":true'
    return {t: f'{{"t":{t}.0,"type":"speed","speed_m_s":{value}{typed if by_hand else ""}}}\n'
            for t, value, by_hand in one.speeds}


def journal(story: Story, rng: np.random.Generator, weeks: int, begins: date = BEGINS) -> list[Entry]:
    """An entry a day, a few forgotten."""
    entries = []
    for number in range(weeks * 7):
        short = story.sleeps_short(number / 7.0)
        sleep_h = float(np.round(rng.normal(5.6 if short else 7.4, 0.5), 1))
        values = {"sleep_h": sleep_h,
                  "sleep_quality": int(np.clip(rng.normal(2.4 if short else 3.8, 0.7), 1, 5)),
                  "stress": int(np.clip(rng.normal(3.0, 0.8), 1, 5)),
                  "soreness": int(np.clip(rng.normal(2.0, 0.8), 1, 5)),
                  "resting_bpm": float(np.round(rng.normal(57.0 if short else 54.0, 1.5)))}
        warm = 11.0 - 9.0 * np.cos(2 * np.pi * (number - 75) / 365.25) + rng.normal(0.0, 3.0)
        if rng.random() > 0.08:
            entries.append(Entry(begins + timedelta(days=number), **values, weather=f"{warm:.0f} C"))
    return entries


def make(home: Path, seed: int = 1, story: Story | None = None, weeks: int = 52) -> int:
    """Write sessions and journal under `home`; returns the number of sessions."""
    story = story or Story()
    rng, others = np.random.default_rng(seed), np.random.default_rng([seed, 1])
    folder = home / "data" / "sessions"
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    number = 0
    for day, kind, minutes, at_ceiling, average in days(story, rng, weeks):
        started = datetime(day.year, day.month, day.day, 6, 10, tzinfo=UTC)
        one = run(rng, minutes, at_ceiling, kind, average)
        write(folder / f"{started:%Y-%m-%d_%H%M}.jsonl", one, started)
        number += 1
    lines = [json.dumps(entry.as_dict(), separators=(",", ":")) + "\n"
             for entry in journal(story, others, weeks)]
    (home / "data" / "journal.jsonl").write_text("".join(lines), encoding="utf-8")
    return number


def make_library(home: Path, sessions: int, seed: int = 1, minutes: float = 64.0) -> int:
    """A plain library of `sessions` runs, five a week, for measuring; returns the number of readings."""
    rng, story = np.random.default_rng(seed), Story()
    folder = home / "data" / "sessions"
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    readings = 0
    for number in range(sessions):
        week, weekday = divmod(number, 5)
        day = BEGINS + timedelta(weeks=week, days=weekday)
        started = datetime(day.year, day.month, day.day, 6, 10, tzinfo=UTC)
        average = story.speed(week)
        one = run(rng, minutes, average + rng.normal(0.0, 0.08), KINDS[number % len(KINDS)], average)
        write(folder / f"{started:%Y-%m-%d_%H%M}.jsonl", one, started)
        readings += len(one.bpm)
    return readings


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    print(f"{make(args.folder, args.seed)} invented sessions and a journal in {args.folder}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
