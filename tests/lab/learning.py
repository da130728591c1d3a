"""What `guard learn` makes of guarded runs of invented runners: `python -m tests.lab.learning`.

Each runner of either heart (`hearts.py`) is guarded on several runs: luck, strap
and day differ (habit by 2.5 bpm, gain by 5 %, SD), heart and manners do not. Speed is not known, told by a
pod (errors of 0.05 m/s and 1.5 % of scale), or by a belt. Truths: the gain with half
of the slow component; of the second heart's two lags the one lag behind a dead time
that is closest over five minutes; what eases brought once the runs had settled.
"""

from __future__ import annotations

import argparse
import os
from collections.abc import Sequence
from dataclasses import dataclass, replace

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # small matrices: more threads only wait for each other

import numpy as np
from numpy.typing import NDArray

from guard.events import Cue
from guard.response.fit import Fit, learn
from guard.response.guarded import BEGINS_S, SETTLES_S, Guarded
from guard.response.spans import RUN_M_S, Estimate
from tests.lab.family import Crowd
from tests.lab.kinds import DEVELOPMENT, Kind
from tests.lab.opponents import Guard

Array = NDArray[np.float64]
STEPS_S = 2700
HABIT_SD_BPM, GAIN_SD, POD_SD_M_S, POD_SCALE_SD = 2.5, 0.05, 0.05, 0.015
SOURCES: dict[str, dict[str, float]] = {
    "none": {}, "pod": {"speed_known": 1.0}, "belt": {"speed_known": 1.0, "belt": 1.0, "creep_per_s": 0.0}}
NUMBERS = {"gain": "gain", "response_s": "response", "ease_bpm": "what an ease brings",
           "heeded": "share heeded"}
HEEDED_M_S = 0.06


@dataclass(frozen=True)
class Lived:
    """Runs of one runner, and the truth about him by the names of `NUMBERS`."""

    runs: list[Guarded]
    truth: dict[str, float]


def lived(kind: Kind, source: str, runners: int, again: int, seed_set: str) -> list[Lived]:
    """`runners` of a kind, `again` runs of each."""
    changes = {**kind.changes, **SOURCES[source]}
    crowd = Crowd([replace(kind, changes=changes)], runners * again, seed_set, STEPS_S, again)
    rng = np.random.default_rng([again, runners, len(source)])
    who, n = crowd.who, crowd.n
    gain = who["gain"].copy()
    who["over_bpm"] = who["over_bpm"] + rng.normal(0.0, HABIT_SD_BPM, n)
    who["gain"] = gain * (1.0 + rng.normal(0.0, GAIN_SD, n))
    guard = Guard(crowd)
    cues = np.zeros(n, dtype=np.int64)
    bpm, speed, pace = (np.full((STEPS_S, n), np.nan) for _ in range(3))
    said, heeded = (np.zeros((STEPS_S, n), dtype=np.int64) for _ in range(2))
    walks, walking = (np.zeros((STEPS_S, n), dtype=bool) for _ in range(2))
    for at in range(STEPS_S):
        now = crowd.step(cues, guard.advised_m_s)
        cues = guard.step(now)
        bpm[at], speed[at], said[at], walking[at] = now.bpm, now.speed_m_s, cues, now.walking
        pace[at], heeded[at] = crowd.run_bpm(crowd.manners.pace_m_s), crowd.manners.heeded
        assert guard.walks is not None
        walks[at] = guard.walks
    scale = np.repeat(1.0 + rng.normal(0.0, POD_SCALE_SD, runners), again)
    told = np.full(speed.shape, np.nan)
    if source != "none":
        error = POD_SD_M_S * rng.standard_normal(speed.shape) if source == "pod" else 0.0
        told = np.round(np.where(speed > 0.0, np.maximum(speed * scale + error, 0.0), 0.0), 2)
    found = []
    for first in range(0, n, again):
        own = range(first, first + again)
        falls = np.array([fall for lane in own for fall in _falls(
            said[:, lane], heeded[:, lane], pace[:, lane], walking[:, lane], _far(who, lane))])
        response_s = _one_lag(crowd.kinds[0].family, who, first)
        truth = {"gain": gain[first] * (1.0 + 0.5 * who["slow_share"][first]), "response_s": response_s}
        if len(falls):
            truth |= {"ease_bpm": float(falls.mean()),
                      "heeded": float((falls > HEEDED_M_S * gain[first]).mean())}
        found.append(Lived([_run(bpm[:, lane], told[:, lane], walks[:, lane], said[:, lane]) for lane in own],
                           truth))
    return found


def _far(who: dict[str, Array], lane: int) -> int:
    return int(who["react_s"][lane] + who["react_more_s"][lane]) + 2


def _run(bpm: Array, told: Array, walks: NDArray[np.bool_], said: NDArray[np.int64]) -> Guarded:
    away = walks | (told < RUN_M_S)
    recent = np.convolve(away, np.ones(SETTLES_S))[:len(away)] > 0.5
    return Guarded(bpm, told, ~recent, np.flatnonzero(said == Cue.EASE).astype(np.float64))


def _falls(said: NDArray[np.int64], heeded: NDArray[np.int64], pace: Array, walking: NDArray[np.bool_],
           far: int) -> list[float]:
    """What each ease brought, bpm in the end; 0 for one that was not heeded."""
    found = []
    for at in np.flatnonzero((said == Cue.EASE) & ~walking):
        if at < BEGINS_S:
            continue
        acts = at + 1 + np.flatnonzero(np.diff(heeded[at:at + far]))
        if not len(acts):
            found.append(0.0)
        elif not walking[acts[0]]:
            found.append(float(pace[acts[0] - 1] - pace[acts[0]]))
    return found


def _one_lag(family: str, who: dict[str, Array], lane: int) -> float:
    """The time constant of the one lag behind a dead time that is closest to the heart's own answer."""
    one = {key: float(value[lane]) for key, value in who.items()}
    if family == "first":
        return one["response_s"]
    t, slower = np.arange(300.0), one["fall_factor"] ** 0.5  # eases fall, creeping back rises
    late = np.maximum(t - one["dead_s"], 0.0)
    share = one["quick_share"]
    answer = (share * -np.expm1(-t / (slower * one["quick_s"]))
              + (1.0 - share) * -np.expm1(-late / (slower * one["response_s"])))
    lags, deads = np.arange(8.0, 150.0), np.arange(0.0, 30.0)
    tried = -np.expm1(-np.maximum(t - deads[:, None, None], 0.0) / lags[None, :, None])
    off = np.square(tried - answer).sum(axis=2)
    return float(lags[np.unravel_index(np.argmin(off), off.shape)[1]])


def rows(family: str, name: str, source: str, runners: int, again: int, seed_set: str) -> list[str]:
    """The lines of one table row a number."""
    kind = next(one for one in DEVELOPMENT if one.family == family and one.name == name)
    figures: dict[str, list[tuple[float, float, bool]]] = {key: [] for key in NUMBERS}
    for one in lived(kind, source, runners, again, seed_set):
        fit = learn([], runs=one.runs)
        for key, truth in one.truth.items():
            known = getattr(fit, key) if isinstance(fit, Fit) else None
            if isinstance(known, Estimate):
                figures[key].append((known.value - truth, 0.5 * (known.high - known.low),
                                     known.low <= truth <= known.high))
    lines = []
    for key, words in NUMBERS.items():
        if figures[key]:
            off, half, covered = np.array(figures[key]).T
            lines.append(f"| {family}, {name} | {source} | {again} | {words} | {len(off)} of {runners} | "
                         f"{off.mean():+.2f}, {half.mean():.2f} | {100 * covered.mean():.0f} |")
    return lines


def main(argv: Sequence[str] | None = None) -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--runners", type=int, default=100)
    parser.add_argument("--runs", type=int, nargs="+", default=[4, 12], help="guarded runs of each")
    parser.add_argument("--kinds", nargs="+", default=["middle"])
    parser.add_argument("--sources", nargs="+", default=list(SOURCES), choices=list(SOURCES))
    parser.add_argument("--seed-set", default="dev", choices=("dev", "report"))
    args = parser.parse_args(argv)
    print("| heart, kind | speed | runs | number | told | bias, 95 % half-width | covered, % |\n"
          "|---|---|---|---|---|---|---|", flush=True)
    for name in args.kinds:
        for family in ("first", "second"):
            for source in args.sources:
                for again in args.runs:
                    lines = rows(family, name, source, args.runners, again, args.seed_set)
                    print(*lines, sep="\n", flush=True)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
