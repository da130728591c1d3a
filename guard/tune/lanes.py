"""Every setting over every recording, side by side as lanes.

The heart rate is the recorded one whatever is cued: what comes out says how
much the guard would have talked and when, not how the run would have gone.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from guard.arrays import Floats
from guard.decide.lanes import Lanes
from guard.events import State
from guard.settings import Settings
from guard.tune.tape import TOLD, Tape, TapeLimits
from guard.workers.pool import Cancelled

Codes = NDArray[np.int64]

# Wide enough that the cost of a step is arithmetic, narrow enough to stay near the processor.
LANES = 6000
TAPES = 30  # recordings stepped together (ours)
# What a lane whose tape is over is told.
_IDLE = {"unguarded_s": 0.0, "interval_s": 1.0, "alive": 0.0, "locked": 0.0}
FILL = {key: _IDLE.get(key, np.nan) for key in TOLD}
LOOK_EVERY = 256  # steps between two looks at whether to stop


@dataclass(frozen=True)
class Heard:
    """What `settings` x `tapes` said: one entry a cue in `setting`, `tape` (indices),
    `t_s`, `cue` (codes). `level_bpm` and `limit_bpm` hold, a tape, the
    estimate and ceiling of the first setting at each step (NaN without a signal)."""

    setting: Codes
    tape: Codes
    t_s: Floats
    cue: Codes
    level_bpm: tuple[Floats, ...]
    limit_bpm: tuple[Floats, ...]


@dataclass(frozen=True)
class Unit:
    """A piece of work: indices into the settings and tapes of the whole."""

    settings: tuple[int, ...]
    tapes: tuple[int, ...]


def units(settings: int, tapes: Sequence[Tape], jobs: int = 1) -> list[Unit]:
    """The work in pieces of at most about `LANES` lanes, at least `jobs` where that pays.

    Tapes of like length go together, since a lane whose tape is over idles. The
    settings of the first pieces come first, so that stopping early leaves whole results.
    """
    order = sorted(range(len(tapes)), key=lambda index: (-len(tapes[index]), index))
    groups = [tuple(order[k:k + TAPES]) for k in range(0, len(order), TAPES)]
    share = max(1, LANES // min(TAPES, len(order)))
    pieces = -(-settings // share)
    if pieces * len(groups) < jobs:
        pieces = min(-(-jobs // len(groups)), settings)
    each = -(-settings // pieces)
    return [Unit(tuple(range(k, min(k + each, settings))), group)
            for k in range(0, settings, each) for group in groups]


def play(
    settings: Sequence[Settings], tapes: Sequence[Tape], stop: Callable[[], bool] | None = None
) -> Heard:
    """Play all `tapes` to all `settings`; each tape keeps its own ceiling, floor and never-exceed limit."""
    count = len(settings)
    lanes = Lanes([with_limits(one, tapes[0]) for one in settings] * len(tapes))
    n = lanes.n
    longest = max(len(tape) for tape in tapes)
    steps = np.array([len(tape) for tape in tapes])
    times, beats = _side_by_side(tapes, longest)
    held = _stacked([tape.held for tape in tapes], longest, fill=False)
    told = {key: _stacked([tape.told.get(key, np.full(len(tape), fill)) for tape in tapes], longest,
                          fill=fill)
            for key, fill in FILL.items() if any(key in tape.told for tape in tapes)}
    ever_held = np.logical_or.reduce(held, axis=1)
    changes: dict[int, list[tuple[slice, TapeLimits]]] = {}
    words: dict[int, list[tuple[slice, float]]] = {}
    for index, tape in enumerate(tapes):
        which = slice(index * count, (index + 1) * count)
        lanes.core.set_stop(which, tape.settings.stop_bpm)
        for limits in tape.limits:
            changes.setdefault(limits[0], []).append((which, limits))
        for step, said_s in tape.words:
            words.setdefault(step, []).append((which, said_s))
    ends = set(steps.tolist())
    going = np.ones(n, bool)
    firsts = np.arange(len(tapes)) * count
    levels, ceilings = (np.full((longest, len(tapes)), np.nan) for _ in range(2))
    lane_of: list[Codes] = []
    at: list[Floats] = []
    said: list[Codes] = []
    for k in range(longest):
        if stop is not None and k % LOOK_EVERY == 0 and stop():
            raise Cancelled
        if k in ends:
            going = np.repeat(steps > k, count)
        for which, (_, limits_told, warming) in changes.get(k, ()):
            lanes.core.set_limits(which, **limits_told._asdict())
            if warming is not None:
                lanes.core.set_warm_up(which, warming=warming)
        for which, said_s in words.get(k, ()):
            lanes.core.spoke(which, said_s)
        t_s = np.repeat(times[k], count)
        cues = lanes.step(
            t_s, np.repeat(beats[k], count),
            held=np.repeat(held[k], count) if ever_held[k] else None,
            **{key: np.repeat(column[k], count) for key, column in told.items()})
        levels[k] = lanes.level_bpm[firsts]
        levels[k, lanes.state[firsts] == State.NO_SIGNAL] = np.nan
        ceilings[k] = lanes.ceiling_bpm[firsts]
        if np.count_nonzero(cues):
            where = np.flatnonzero(cues * going)
            lane_of.append(where)
            at.append(t_s[where])
            said.append(cues[where])
    lane = np.concatenate(lane_of) if lane_of else np.zeros(0, np.int64)
    return Heard(
        lane % count, lane // count,
        np.concatenate(at) if at else np.zeros(0), np.concatenate(said) if said else np.zeros(0, np.int64),
        tuple(levels[:size, j].copy() for j, size in enumerate(steps)),
        tuple(ceilings[:size, j].copy() for j, size in enumerate(steps)))


def joined(parts: Sequence[tuple[Unit, Heard]], tapes: int) -> tuple[Heard, set[int]]:
    """The pieces as one, sorted by setting, tape and time, and the settings played to all `tapes`."""
    played: dict[int, int] = {}
    levels: dict[int, tuple[Floats, Floats]] = {}
    for unit, heard in parts:
        for one in unit.settings:
            played[one] = played.get(one, 0) + len(unit.tapes)
        if unit.settings[0] == 0:
            for tape, level, limit in zip(unit.tapes, heard.level_bpm, heard.limit_bpm, strict=True):
                levels[tape] = level, limit
    none = np.zeros(0, np.int64)
    at: Floats = np.concatenate([np.zeros(0), *(heard.t_s for _, heard in parts)])
    setting = np.concatenate([none, *(np.array(unit.settings)[heard.setting] for unit, heard in parts)])
    tape_of = np.concatenate([none, *(np.array(unit.tapes)[heard.tape] for unit, heard in parts)])
    order = np.lexsort((at, tape_of, setting))
    whole = Heard(
        setting[order], tape_of[order], at[order],
        np.concatenate([none, *(heard.cue for _, heard in parts)])[order],
        tuple(levels[tape][0] for tape in sorted(levels)), tuple(levels[tape][1] for tape in sorted(levels)))
    return whole, {one for one, count in played.items() if count == tapes}


def with_limits(settings: Settings, tape: Tape) -> Settings:
    """`settings` with the limits of the tape's own session."""
    own = tape.settings
    return replace(settings, ceiling_bpm=own.ceiling_bpm, floor_bpm=own.floor_bpm, stop_bpm=own.stop_bpm)


def _side_by_side(tapes: Sequence[Tape], longest: int) -> tuple[Floats, Floats]:
    """Times and bpm, (steps, tapes); a tape that is over goes on in silence."""
    times = np.empty((longest, len(tapes)))
    for j, tape in enumerate(tapes):
        times[:len(tape), j] = tape.t_s
        times[len(tape):, j] = tape.duration_s + np.arange(1, longest - len(tape) + 1)
    return times, _stacked([tape.bpm for tape in tapes], longest, fill=np.nan)


def _stacked(columns: Sequence[NDArray[Any]], longest: int, *, fill: float | bool) -> NDArray[Any]:
    whole = np.full((longest, len(columns)), fill, dtype=columns[0].dtype)
    for j, column in enumerate(columns):
        whole[:len(column), j] = column
    return whole
