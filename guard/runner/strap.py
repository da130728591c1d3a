"""What a chest strap makes of a heart rate: averaging, noise and its faults.

Noise: SD near 1.6 bpm about a two-minute mean in steady running (computed from
open data), correlated over seconds. Straps average over 3 to 10 s and send
whole bpm (common practice). Faults are scheduled before the run from their own
generator, so that a run with faults has a twin without, equal in all else.
"""

from dataclasses import dataclass, field
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from guard.arrays import Floats
from guard.runner.population import Population

NOISE_MEMORY_S = 9.0  # ours
LONGEST_WINDOW_S = 10  # of a strap's average (ours)


class ReadingFault(IntEnum):
    """What is wrong with a reading; `NONE` most of the time."""

    NONE = 0
    DROPOUT = 1  # nothing arrives
    SPIKE = 2  # a second or two of nonsense
    FROZEN = 3  # the last value again and again, without RR intervals
    DRY = 4  # dry electrodes at the start: jumpy, often too high, often missing
    SLIPPED = 5  # electrode slipped: reads far too low
    LOCKED = 6  # locked to step cadence


@dataclass(frozen=True)
class FaultRates:
    """How often each fault begins, per hour, and how long it lasts, s (ours)."""

    per_h: dict[ReadingFault, float] = field(default_factory=dict)
    dry_share: float = 0.0  # of runners, at the start
    lasts_s: dict[ReadingFault, tuple[float, float]] = field(default_factory=lambda: {
        ReadingFault.DROPOUT: (2, 20), ReadingFault.SPIKE: (1, 3), ReadingFault.FROZEN: (8, 40),
        ReadingFault.DRY: (20, 80), ReadingFault.SLIPPED: (30, 120), ReadingFault.LOCKED: (20, 90)})


CLEAN = FaultRates()
USUAL_FAULTS = FaultRates(
    {ReadingFault.DROPOUT: 3.0, ReadingFault.SPIKE: 3.0, ReadingFault.FROZEN: 0.3, ReadingFault.SLIPPED: 0.1,
     ReadingFault.LOCKED: 0.1}, dry_share=0.3)


@dataclass(frozen=True)
class FaultPlan:
    """`kind` (steps, n) of `ReadingFault` codes and `size` (steps, n), bpm, beside it."""

    kind: NDArray[np.uint8]
    size: NDArray[np.float32]


def plan_faults(n: int, steps: int, rates: FaultRates, rng: np.random.Generator) -> FaultPlan:
    """Draw when each fault begins and ends for n straps, over `steps` seconds."""
    kind = np.zeros((steps, n), dtype=np.uint8)
    size = np.zeros((steps, n), dtype=np.float32)
    for fault, per_h in rates.per_h.items():
        begins = rng.random((steps, n)) < per_h / 3600.0
        low, high = rates.lasts_s[fault]
        for step, lane in zip(*np.nonzero(begins), strict=True):
            length = max(1, round(float(rng.uniform(low, high))))
            kind[step:step + length, lane] = fault
            size[step:step + length, lane] = _size(fault, rng)
    for lane in np.nonzero(rng.random(n) < rates.dry_share)[0]:
        length = round(float(rng.uniform(*rates.lasts_s[ReadingFault.DRY])))
        kind[:length, lane] = ReadingFault.DRY
        jumps = rng.normal(15, 25, len(size[:length, lane]))
        missing = rng.random(len(jumps)) < 0.4
        size[:length, lane] = np.where(missing, np.nan, jumps)
    return FaultPlan(kind, size)


def _size(fault: ReadingFault, rng: np.random.Generator) -> float:
    if fault is ReadingFault.SPIKE:
        return float(rng.uniform(25, 80)) * (1.0 if rng.random() < 0.6 else -1.0)
    if fault is ReadingFault.SLIPPED:
        return -float(rng.uniform(25, 55))
    return 0.0


def draw_noise(runners: Population, steps: int, rng: np.random.Generator) -> NDArray[np.float32]:
    """Correlated noise (steps of a second, n), bpm, for `Strap`.

    Its SD is set so that what is left after averaging and after taking off a
    two-minute mean has the runner's `strap_noise_bpm`.
    """
    keep = float(np.exp(-1.0 / NOISE_MEMORY_S))
    noise = np.empty((steps, len(runners)), dtype=np.float32)
    state = rng.normal(0, 1, len(runners))
    fresh = float(np.sqrt(1 - keep * keep))
    # Share of the variance that a window of w seconds and a two-minute mean leave.
    left = _left_after_mean(runners.strap_window_s) - _left_after_mean(np.full(len(runners), 120.0))
    scale = runners.strap_noise_bpm / np.sqrt(left)
    for step in range(steps):
        state = keep * state + fresh * rng.normal(0, 1, len(runners))
        noise[step] = scale * state
    return noise


def _left_after_mean(window_s: Floats) -> Floats:
    """Variance of the mean over a window of exponentially correlated noise of variance 1."""
    ratio = window_s / NOISE_MEMORY_S
    return np.asarray(2.0 / ratio * (1.0 - (1.0 - np.exp(-ratio)) / ratio))


@dataclass(frozen=True)
class Readout:
    """One second of n straps: bpm (NaN where nothing came) and whether RR intervals came."""

    bpm: Floats
    has_rr: NDArray[np.bool_]
    fault: NDArray[np.uint8]


class Strap:
    """n straps, one reading a step."""

    def __init__(self, runners: Population, noise: NDArray[np.float32], faults: FaultPlan) -> None:
        n = len(runners)
        self._noise = noise
        self._faults = faults
        self._recent = np.tile(runners.rest_bpm, (LONGEST_WINDOW_S, 1))
        ages = np.arange(LONGEST_WINDOW_S)[:, None]
        self._weights = (ages < runners.strap_window_s[None, :]) / runners.strap_window_s[None, :]
        self._last = np.full(n, np.nan)
        self._slip = np.zeros(n)
        self._step = 0

    def read(self, true_bpm: Floats, cadence_spm: Floats) -> Readout:
        """The readings of this step."""
        at = self._step
        self._step += 1
        self._recent[1:] = self._recent[:-1]
        self._recent[0] = true_bpm + self._noise[at]
        value = np.einsum("ij,ij->j", self._recent, self._weights)
        kind = self._faults.kind[at]
        has_rr = np.ones(len(value), dtype=bool)
        if kind.any():
            size = self._faults.size[at].astype(np.float64)
            value = np.where((kind == ReadingFault.SPIKE) | (kind == ReadingFault.DRY), value + size, value)
            # A slipped electrode takes a few seconds to read low: it goes through the averaging.
            goal = np.where(kind == ReadingFault.SLIPPED, size, 0.0)
            self._slip += 0.25 * (goal - self._slip)
            value = value + self._slip
            locked = (kind == ReadingFault.LOCKED) & (cadence_spm > 0)
            value = np.where(locked, cadence_spm + 0.5 * self._noise[at], value)
            value = np.where(kind == ReadingFault.FROZEN, self._last, value)
            value = np.where(kind == ReadingFault.DROPOUT, np.nan, value)
            has_rr = (kind != ReadingFault.FROZEN) & np.isfinite(value)
        elif self._slip.any():
            self._slip *= 0.75
            self._slip[np.abs(self._slip) < 0.1] = 0.0
            value = value + self._slip
        value = np.clip(np.rint(value), 30, 250)
        self._last = np.where(np.isfinite(value), value, self._last)
        return Readout(value, has_rr, kind)
