"""Three trials without a closed loop: true rises, faults alone, and a warm-up under its ramp."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from guard.events import PACE_CUES, SLOW_DOWN
from guard.settings import Settings
from tests.lab import straps
from tests.lab.family import SEEDS
from tests.lab.kinds import DEVELOPMENT, draw
from tests.lab.opponents import Feed

Array = NDArray[np.float64]
RUNNERS = 500  # of each family; with an hour each, 1,000 h of faults
RISE_BPM, RISE_S, IN_TIME_S = 15.0, 30.0, 10.0
PACE = [int(cue) for cue in PACE_CUES]
SLOW = [int(cue) for cue in SLOW_DOWN]


def run(
    controller: str, runners: int, seed_set: str, changes: Mapping[str, Any] | None = None
) -> dict[str, Any]:
    """All three for the guard. Raises ValueError for another controller: it hears nothing but readings."""
    if controller != "guard":
        raise ValueError(f"the trials are the guard's own, not those of {controller!r}")
    n = 2 * min(RUNNERS, max(runners, 10) * 10)
    rng = np.random.default_rng([SEEDS[seed_set], 1])
    who = _wearers(n, rng)
    rises, late, before = _rises(who, rng, changes)
    clean, faulty, early = _faults(who, rng, changes)
    return {
        "rises": rises, "rises_in_time": float((late <= IN_TIME_S).mean()), "cued_before": before,
        "late_s": [float(np.percentile(late, q)) for q in (50, 90, 99)],
        "fault_hours": float(n), "by_faults": float(faulty[clean == 0].sum()), "clean": float(clean.sum()),
        "warm_ups": n, "in_warm_up": early + _warm_up(who, rng, changes),
    }


def _wearers(n: int, rng: np.random.Generator) -> dict[str, Array]:
    """Straps of both families, a reading a second."""
    middles = [kind for kind in DEVELOPMENT if kind.name == "middle"]
    drawn = [draw(kind, n // 2, rng) for kind in middles]
    return {key: np.concatenate([one[key] for one in drawn]) for key in drawn[0]}


def _feed(
    who: Mapping[str, Array], changes: Mapping[str, Any] | None, faulty: NDArray[np.bool_] | None = None
) -> Feed:
    return Feed([Settings(**{"ceiling_bpm": float(ceiling), **(changes or {})})
                 for ceiling in who["ceiling_bpm"]], faulty)


def _drive(feed: Feed, strap: straps.Straps, beats: Array) -> NDArray[np.int64]:
    """Cues (steps, n) for true heart rates (steps, n)."""
    out = np.zeros(beats.shape, dtype=np.int64)
    for step, true in enumerate(beats):
        bpm, fault = strap.read(true)
        out[step] = feed.step(float(step), bpm, fault)
    return out


def _rises(who: Mapping[str, Array], rng: np.random.Generator, changes: Mapping[str, Any] | None
           ) -> tuple[int, Array, float]:
    """Steady 10 bpm under for twenty minutes, then 15 bpm in 30 s; seconds from due to cue.

    Due when the true heart rate passes the ceiling, two thirds of the way up.
    """
    n, steps = len(who["ceiling_bpm"]), 1600
    begin = rng.integers(1200, 1500, n)
    t = np.arange(steps)[:, None]
    beats = who["ceiling_bpm"] - 10.0 - 50.0 * np.exp(-t / 60.0) + np.clip(
        (t - begin) * RISE_BPM / RISE_S, 0.0, RISE_BPM)
    strap = straps.Straps(who, straps.wear(who, steps, rng), beats[0], np.zeros(n, np.int64))
    slow = np.isin(_drive(_feed(who, changes), strap, beats), SLOW)
    after = slow & (t >= begin)
    first = np.where(after.any(axis=0), after.argmax(axis=0), np.inf)
    return n, first - (begin + RISE_S * 10.0 / RISE_BPM), float((slow & (t < begin)).any(axis=0).mean())


def _faults(who: Mapping[str, Array], rng: np.random.Generator, changes: Mapping[str, Any] | None
            ) -> tuple[Array, Array, float]:
    """Pace cues of an hour 8 to 20 bpm under, with a clean strap and its faulty twin; those in the warm-up.

    The faults are those that can be told from a heart: gaps, spikes, frozen
    values and dry electrodes at the start.
    """
    n, steps = len(who["ceiling_bpm"]), 3600
    t = np.arange(steps)[:, None]
    slow = 2.0 * np.sin(2 * np.pi * (t / rng.uniform(200, 900, n) + rng.random(n)))
    beats = who["ceiling_bpm"] - rng.uniform(10, 22, n) + slow - 40.0 * np.exp(-t / 50.0)
    noise = np.random.default_rng(rng.integers(2**32))
    many = straps.wear({**who, "faults": np.ones(n)}, steps, noise, straps.MANY, dry_share=0.6)
    none = straps.Wear(many.noise, np.zeros_like(many.fault), many.size)
    counts = []
    early = 0.0
    for worn in (none, many):
        faulty = np.full(n, worn is many)
        strap = straps.Straps(who, worn, beats[0], np.zeros(n, np.int64))
        cues = _drive(_feed(who, changes, faulty), strap, beats)
        counts.append(np.isin(cues, PACE).sum(axis=0).astype(float))
        if worn is none:
            early = float(np.isin(cues[:300], PACE).sum())
    return counts[0], counts[1], early


def _warm_up(who: Mapping[str, Array], rng: np.random.Generator, changes: Mapping[str, Any] | None) -> float:
    """Slow-down cues while the heart rate keeps 5 to 14 bpm under the ramp of the default warm-up."""
    n, steps = len(who["ceiling_bpm"]), 300
    t = np.arange(steps)[:, None]
    ramp = who["ceiling_bpm"] - 8.0 + 8.0 * t / 300.0
    beats = ramp - rng.uniform(5, 14, n) - 40.0 * np.exp(-t / 50.0)
    strap = straps.Straps(who, straps.wear(who, steps, rng), beats[0], np.zeros(n, np.int64))
    return float(np.isin(_drive(_feed(who, changes), strap, beats), SLOW).sum())


