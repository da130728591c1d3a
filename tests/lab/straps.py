"""What n straps make of n hearts: averaging, noise, a reading now and then, faults."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from guard.runner.strap import ReadingFault
from tests.lab.roads import coloured

Array = NDArray[np.float64]
LONGEST_S = 24
# An hour's: how many of each begin, and how long they last, s (ours).
USUAL = {ReadingFault.DROPOUT: (3.0, 2.0, 20.0), ReadingFault.SPIKE: (3.0, 1.0, 3.0),
         ReadingFault.FROZEN: (0.5, 8.0, 40.0), ReadingFault.SLIPPED: (0.2, 30.0, 120.0)}
MANY = {ReadingFault.DROPOUT: (12.0, 2.0, 20.0), ReadingFault.SPIKE: (20.0, 1.0, 3.0),
        ReadingFault.FROZEN: (4.0, 8.0, 40.0)}


@dataclass(frozen=True)
class Wear:
    """What was drawn for n straps before the run: arrays (steps, n)."""

    noise: NDArray[np.float32]
    fault: NDArray[np.uint8]
    size: NDArray[np.float32]


def wear(who: Mapping[str, Array], steps: int, rng: np.random.Generator,
         faults: Mapping[ReadingFault, tuple[float, float, float]] = USUAL, dry_share: float = 0.0) -> Wear:
    """Draw noise, bursts and faults of the straps of `who`; `dry_share` begin dry and jumpy."""
    n = len(who["noise_sd"])
    noise = np.empty((steps, n), np.float32)
    fault, size = np.zeros((steps, n), np.uint8), np.zeros((steps, n), np.float32)
    t = np.arange(steps)
    for lane in range(n):
        slow = who["noise_sd"][lane] * coloured(steps, float(who["noise_s"][lane]), rng)
        white = who["white_sd"][lane] * rng.standard_normal(steps)
        turns = np.cumsum(1.0 / who["breath_s"][lane] * (1.0 + 0.15 * rng.standard_normal(steps)))
        breath = 1.414 * who["breath_sd"][lane] * np.sin(2.0 * np.pi * (turns + rng.random()))
        noise[:, lane] = slow + white + breath
        for begin in np.nonzero(rng.random(steps) < who["bursts_per_h"][lane] / 3600.0)[0]:
            high, lasts = rng.uniform(8, 20), rng.uniform(5, 20)
            inside = (t >= begin) & (t < begin + lasts)
            noise[inside, lane] += high * np.sin(np.pi * (t[inside] - begin) / lasts)
        if who["faults"][lane] > 0:
            if dry_share > 0.0 and rng.random() < dry_share:
                dry = slice(0, round(rng.uniform(20, 80)))
                fault[dry, lane] = ReadingFault.DRY
                jumps = rng.normal(15, 25, dry.stop)
                size[dry, lane] = np.where(rng.random(dry.stop) < 0.4, np.nan, jumps)
            for code, (per_h, low, high) in faults.items():
                for begin in np.nonzero(rng.random(steps) < per_h / 3600.0)[0]:
                    span = slice(begin, begin + max(1, round(rng.uniform(low, high))))
                    fault[span, lane] = code
                    size[span, lane] = (
                        rng.uniform(25, 80) * rng.choice([1, 1, 1, -1, -1]) if code is ReadingFault.SPIKE
                        else -rng.uniform(25, 55) if code is ReadingFault.SLIPPED else 0.0)
    return Wear(noise, fault, size)


class Straps:
    """n straps, one second at a time; `phase` shifts the seconds in which a slow one reads."""

    def __init__(self, who: Mapping[str, Array], worn: Wear, start_bpm: Array,
                 phase: NDArray[np.int64]) -> None:
        n = len(start_bpm)
        self._who, self._worn = who, worn
        self._sum = np.arange(LONGEST_S)[:, None] * start_bpm
        self._lanes, self._phase = np.arange(n), phase
        self._last = np.full(n, np.nan)
        self._slip = np.zeros(n)
        self._every = who["every_s"].astype(np.int64)
        self._at = 0
        self._beats = bool((who["window_beats"] > 0).any())

    def read(self, true_bpm: Array) -> tuple[Array, NDArray[np.uint8]]:
        """Readings (NaN where none arrived) and fault codes of this second."""
        at = self._at
        self._at += 1
        head = at % LONGEST_S
        newest = self._sum[(head - 1) % LONGEST_S] + true_bpm + self._worn.noise[at]
        window = self._who["window_s"]
        if self._beats:
            window = np.where(
                self._who["window_beats"] > 0, self._who["window_beats"] * 60.0 / true_bpm, window)
        back = np.clip(np.rint(window), 1, LONGEST_S - 1).astype(np.int64)
        value = (newest - self._sum[(head - back) % LONGEST_S, self._lanes]) / back
        self._sum[head] = newest
        kind = self._worn.fault[at]
        if kind.any() or self._slip.any():
            size = self._worn.size[at]
            self._slip += 0.25 * (np.where(kind == ReadingFault.SLIPPED, size, 0.0) - self._slip)
            self._slip[np.abs(self._slip) < 0.1] = 0.0
            jumps = (kind == ReadingFault.SPIKE) | (kind == ReadingFault.DRY)
            value = value + self._slip + np.where(jumps, size, 0.0)
            value = np.where(kind == ReadingFault.FROZEN, self._last, value)
            value = np.where(kind == ReadingFault.DROPOUT, np.nan, value)
        value = np.clip(np.rint(value), 30, 240)
        value = np.where((at + self._phase) % self._every == 0, value, np.nan)
        self._last = np.where(np.isnan(value), self._last, value)
        return value, kind
