"""Two hearts, built differently; each turns what an effort settles at into heart rate.

`OneLag`: one first-order lag behind a dead time (Hunt & Wang 2024, F1000Research
13:894). `TwoLags`: two lags in parallel, one delayed (the same). Both take other
constants for walking and for running again, since starts and stops are two to
three times as quick as small steps (Zakynthinaki 2015 data).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
NEAR_BPM = 5.0  # a restart's quick rise ends so near to where it leads (ours)


class Heart(Protocol):
    """n hearts stepped a second at a time."""

    def step(self, target_bpm: Array, running: Mask) -> Array:
        """Heart rate now, before drift, slow component and wander."""
        ...

    def after(self, seconds: float, target_bpm: Array) -> Array:
        """Heart rate so many seconds after running again toward `target_bpm`."""
        ...


class _Delay:
    def __init__(self, seconds: Array, first: Array) -> None:
        self._back = np.rint(seconds).astype(np.int64)
        self._ring = np.tile(first, (int(self._back.max(initial=0)) + 1, 1))
        self._lanes = np.arange(len(first))
        self._at = 0

    def step(self, values: Array) -> Array:
        size = len(self._ring)
        self._ring[self._at] = values
        old = self._ring[(self._at - self._back) % size, self._lanes]
        self._at = (self._at + 1) % size
        return np.asarray(old)


def _share(response_s: Array) -> Array:
    return np.asarray(-np.expm1(-1.0 / response_s))


class OneLag:
    """One lag behind a dead time; quicker on starting and walking, slower to fall where so drawn."""

    def __init__(self, who: Mapping[str, Array], start_bpm: Array) -> None:
        self.bpm = start_bpm.copy()
        self._target = _Delay(who["dead_s"], start_bpm)
        self._running = _Delay(who["dead_s"], np.zeros(len(start_bpm)))
        self._up = _share(who["response_s"])
        self._down = _share(who["response_s"] * who["fall_factor"])
        self._on = np.maximum(_share(who["on_s"]), self._up)
        self._off = _share(who["off_s"])
        self._dead_s, self._on_s = who["dead_s"], np.minimum(who["on_s"], who["response_s"])
        self._starting = np.ones(len(start_bpm), dtype=bool)
        self._ran = np.zeros(len(start_bpm), dtype=bool)

    def step(self, target_bpm: Array, running: Mask) -> Array:
        """See `Heart`."""
        target = self._target.step(target_bpm)
        ran = self._running.step(running.astype(float)) > 0.5
        self._starting = (self._starting | (ran & ~self._ran)) & (target - self.bpm > NEAR_BPM)
        self._ran = ran
        share = np.where(target > self.bpm, np.where(self._starting, self._on, self._up), self._down)
        share = np.where(ran, share, self._off)
        self.bpm = self.bpm + share * (target - self.bpm)
        return self.bpm

    def after(self, seconds: float, target_bpm: Array) -> Array:
        """See `Heart`."""
        gone = np.exp(-(seconds - self._dead_s) / self._on_s)
        return np.asarray(target_bpm - (target_bpm - self.bpm) * gone)


class TwoLags:
    """A quick part at once and a slow part behind a delay, side by side."""

    def __init__(self, who: Mapping[str, Array], start_bpm: Array) -> None:
        self._part = who["quick_share"]
        self._quick, self._slow = start_bpm.copy(), start_bpm.copy()
        self._target = _Delay(who["dead_s"], start_bpm)
        self._running = _Delay(who["dead_s"], np.zeros(len(start_bpm)))
        self._fall = who["fall_factor"]
        self._quick_s, self._slow_s, self._dead_s = who["quick_s"], who["response_s"], who["dead_s"]
        self._starting = np.ones(len(start_bpm), dtype=bool)
        self._ran = np.zeros(len(start_bpm), dtype=bool)
        self._shares = [[_share(s * f) for f in (1.0, self._fall)] for s in (
            who["quick_s"], who["response_s"], 0.5 * who["response_s"])]

    @property
    def bpm(self) -> Array:
        """Heart rate now."""
        return np.asarray(self._part * self._quick + (1.0 - self._part) * self._slow)

    def step(self, target_bpm: Array, running: Mask) -> Array:
        """See `Heart`."""
        late = self._target.step(target_bpm)
        ran = self._running.step(running.astype(float)) > 0.5
        self._starting = (self._starting | (ran & ~self._ran)) & (late - self._slow > NEAR_BPM)
        self._ran = ran
        (up, down), (slow_up, slow_down), (fast_up, fast_down) = self._shares
        self._quick += np.where(target_bpm > self._quick, up, down) * (target_bpm - self._quick)
        hasty = self._starting | ~ran
        share = np.where(late > self._slow, np.where(hasty, fast_up, slow_up),
                         np.where(hasty, fast_down, slow_down))
        self._slow += share * (late - self._slow)
        return self.bpm

    def after(self, seconds: float, target_bpm: Array) -> Array:
        """See `Heart`."""
        quick = (target_bpm - self._quick) * np.exp(-seconds / self._quick_s)
        slow = (target_bpm - self._slow) * np.exp(-(seconds - self._dead_s) / (0.5 * self._slow_s))
        return np.asarray(target_bpm - self._part * quick - (1.0 - self._part) * slow)


HEARTS: dict[str, type[OneLag] | type[TwoLags]] = {"first": OneLag, "second": TwoLags}
