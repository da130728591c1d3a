"""Level and slope of heart rate from unevenly timed, imperfect readings.

A two-state Kalman filter (level, slope) per lane with

* a damped slope: heart rate approaches a new level exponentially, so a slope
  dies out with the runner's time constant instead of going on for ever
  (first order response: Hunt, Fankhauser, Saengsuwan 2015);
* two tracks of it, one patient and one quick, blended by how far they are
  apart, so that a steady run is smoothed hard and a real change is followed
  at once;
* a gate before the filter (robust filtering before any limit test: Borowski
  et al. 2011): a reading too far off is held as a suspect, a coherent run of
  suspects is taken as a true jump once it lasts;
* falls that no body makes and readings locked to the step rate are never
  believed.

Only + - * / and square root are used on data, so every processor and every
number of lanes gives the same bits. Pure: arrays in, arrays out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Filter:
    """Constants of the estimator; found on development seeds of the benchmark.

    The noise of readings about a two-minute mean while running steadily has a
    standard deviation near 1.6 bpm (Donne 2024 data) and is correlated by the
    strap's averaging, so that a reading counts for the time it covers.
    """

    # bpm^2 s, twice the variance of the noise times its memory: how much one reading counts
    calm_density: float = 45.0
    quick_density: float = 12.0
    # (bpm/s)^2 a second: how fast the slope may change
    calm_slope_noise: float = 0.00002
    quick_slope_noise: float = 0.001
    calm_apart_bpm: float = 2.0  # up to here the tracks differ by noise alone
    quick_apart_bpm: float = 3.5  # from here on something really changes
    expect_s: float = 45.0  # after a walk or a start only the quick track counts
    reading_sd_bpm: float = 2.0
    gate_sd: float = 4.5
    gate_bpm: float = 12.0
    persist_s: float = 6.0  # a jump up must last this long to be believed
    persist_count: int = 4
    fall_bpm_per_s: float = 3.0  # fastest true fall; 62-72 bpm in the first minute after
    # hard running is 2.5 to 3 bpm/s at its steepest (Zakynthinaki 2015 data)
    known_after_s: float = 120.0  # trusted time before a fall may be called a slip
    lock_bpm: float = 2.0  # this close to the step rate ...
    lock_s: float = 20.0  # ... this long is no coincidence; a leap onto it is none at once
    rejoin_bpm: float = 12.0


FILTER = Filter()


def some(lanes: Bools) -> bool:
    """Whether any lane is true; several times faster than `any` on few lanes."""
    return bool(np.count_nonzero(lanes))


# Why a reading was not believed (index into DOUBTS).
NO_DOUBT, JUMP, SLIP, LOCKED, RANGE = range(5)
DOUBTS = (
    "",
    "jumps too far from what came before",
    "falls faster than a heart can: the electrode may have slipped",
    "follows the step rate, not the heart",
    "is outside what a heart can do",
)
LOWEST_BPM, HIGHEST_BPM = 30.0, 230.0


class _Track:
    """One Kalman filter of level and slope per lane; arrays of shape (n,)."""

    def __init__(self, response_s: Floats, density: float, slope_noise: float) -> None:
        n = len(response_s)
        self._tau_s, self._density, self._slope_noise = response_s, density, slope_noise
        self.level: Floats = np.full(n, np.nan)
        self.slope: Floats = np.zeros(n)
        self.var_level: Floats = np.full(n, 25.0)
        self.cov: Floats = np.zeros(n)
        self.var_slope: Floats = np.full(n, 0.04)

    def predict(self, dt_s: Floats) -> None:
        keep = self._tau_s / (self._tau_s + dt_s)
        gain_s = dt_s * keep
        self.level = self.level + gain_s * self.slope
        self.slope = keep * self.slope
        mixed = self.cov + gain_s * self.var_slope
        self.var_level = self.var_level + gain_s * (self.cov + mixed)
        self.cov = keep * mixed
        self.var_slope = keep * keep * self.var_slope + self._slope_noise * dt_s

    def correct(self, trusted: Bools, bpm: Floats, covers_s: Floats) -> None:
        off_bpm = np.where(trusted, bpm - self.level, 0.0)
        used = trusted / (self.var_level + self._density / covers_s)
        gain_level = self.var_level * used
        gain_slope = self.cov * used
        self.level = self.level + gain_level * off_bpm
        self.slope = self.slope + gain_slope * off_bpm
        self.var_slope = self.var_slope - gain_slope * self.cov
        self.cov = self.cov - gain_level * self.cov
        self.var_level = self.var_level - gain_level * self.var_level

    def start(self, lanes: Bools, bpm: Floats) -> None:
        """Begin at the reading, with an open mind about the slope."""
        self.level = np.where(lanes, bpm, self.level)
        self.slope[lanes] = 0.0
        self.var_level[lanes] = 25.0
        self.cov[lanes] = 0.0
        self.var_slope[lanes] = 0.04


class Estimator:
    """Estimates for `n` independent lanes; every array has shape (n,).

    After `step`: `level_bpm`, `slope_bpm_s` and their covariance `var_level`,
    `cov`, `var_slope`; `age_s` of the newest trusted reading (of the lane,
    before the first); `known` (there is an estimate), `trusted` (a reading was
    believed in this step), `doubt` (code of `DOUBTS`), `fresh` (trusted
    readings in a row since the last gap), `slipped` (the sensor is believed to
    be off the skin until it rejoins).
    """

    def __init__(self, response_s: Floats, constants: Filter = FILTER) -> None:
        n = len(response_s)
        self.constants = c = constants
        self._calm = _Track(response_s, c.calm_density, c.calm_slope_noise)
        self._quick = _Track(response_s, c.quick_density, c.quick_slope_noise)
        self.level_bpm: Floats = np.full(n, np.nan)
        self.slope_bpm_s: Floats = np.zeros(n)
        self.var_level: Floats = np.full(n, 25.0)
        self.cov: Floats = np.zeros(n)
        self.var_slope: Floats = np.full(n, 0.04)
        self.known: Bools = np.zeros(n, bool)
        self.trusted: Bools = np.zeros(n, bool)
        self.doubt = np.zeros(n, np.int8)
        self.fresh: Floats = np.zeros(n)
        self.slipped: Bools = np.zeros(n, bool)
        self.age_s: Floats = np.zeros(n)
        self._silent_s: Floats = np.zeros(n)  # since anything arrived, believed or not
        self._expecting_s: Floats = np.full(n, c.expect_s)
        self._trusted_for_s: Floats = np.zeros(n)
        self._suspect_bpm: Floats = np.zeros(n)
        self._suspect_s: Floats = np.full(n, -np.inf)
        self._suspect_from_s: Floats = np.full(n, -np.inf)
        self._suspects: Floats = np.zeros(n)
        self._slip_bpm: Floats = np.zeros(n)
        self._slip_s: Floats = np.zeros(n)
        self._lock_since_s: Floats = np.full(n, np.inf)

    def sd_ahead_bpm(self, reach_s: Floats) -> Floats:
        """Standard deviation of the level plus `reach_s` seconds of the slope, bpm."""
        variance = self.var_level + reach_s * (2.0 * self.cov + reach_s * self.var_slope)
        sd: Floats = np.sqrt(np.maximum(variance, 0.0))
        return sd

    def expect_change(self, lanes: Bools) -> None:
        """Heart rate is about to move steeply (walking, starting again): follow it."""
        self._expecting_s = np.where(lanes, self.constants.expect_s, self._expecting_s)

    def forget_slip(self, lanes: Bools) -> None:
        """The runner put the strap right: believe the next readings afresh."""
        self.slipped &= ~lanes
        self.known &= ~lanes

    def step(
        self,
        t_s: Floats,
        dt_s: Floats,
        bpm: Floats,
        cadence_spm: Floats | None,
    ) -> None:
        """Move all lanes on by `dt_s` to `t_s` and take `bpm` (NaN: none arrived)."""
        self._calm.predict(dt_s)
        self._quick.predict(dt_s)
        self._expecting_s = self._expecting_s - dt_s
        self.age_s += dt_s
        self._silent_s += dt_s
        present = bpm == bpm
        self.doubt[:] = NO_DOUBT
        if not some(present):
            self.trusted = present
            self._blend()
            return
        if cadence_spm is not None:
            self._locked(t_s, bpm, present, cadence_spm)
        out = present & ~((bpm >= LOWEST_BPM) & (bpm <= HIGHEST_BPM))
        if some(out):
            self.doubt[out] = RANGE
        usable = present & (self.doubt == NO_DOUBT)
        off_bpm = np.where(usable & self.known, bpm - self._quick.level, 0.0)
        self._gate(t_s, bpm, usable, off_bpm)
        self._silent_s = np.where(present, 0.0, self._silent_s)
        trusted = present & (self.doubt == NO_DOUBT)
        fresh_start = trusted & ~self.known
        if some(fresh_start):
            self._calm.start(fresh_start, bpm)
            self._quick.start(fresh_start, bpm)
            self._trusted_for_s[fresh_start] = 0.0
            self.known |= fresh_start
        # Neighbouring readings share their error, so one reading counts for the time it covers.
        covers_s = np.minimum(np.maximum(self.age_s, 0.25), 4.0)
        self._calm.correct(trusted, bpm, covers_s)
        self._quick.correct(trusted, bpm, covers_s)
        self._blend()
        gap = self.age_s > 3.0
        self.fresh = np.where(trusted, np.where(gap, 1.0, self.fresh + 1.0), self.fresh)
        self._trusted_for_s += np.where(trusted, np.minimum(self.age_s, 3.0), 0.0)
        self.age_s = np.where(trusted, 0.0, self.age_s)
        self.trusted = trusted

    def _blend(self) -> None:
        """Patient while the tracks agree, quick as soon as they part."""
        c, calm, quick = self.constants, self._calm, self._quick
        apart = (np.abs(quick.level - calm.level) - c.calm_apart_bpm) / (c.quick_apart_bpm - c.calm_apart_bpm)
        share = np.where(self._expecting_s > 0.0, 1.0, np.minimum(np.maximum(apart, 0.0), 1.0))
        self.level_bpm = calm.level + share * (quick.level - calm.level)
        self.slope_bpm_s = calm.slope + share * (quick.slope - calm.slope)
        self.var_level = calm.var_level + share * (quick.var_level - calm.var_level)
        self.cov = calm.cov + share * (quick.cov - calm.cov)
        self.var_slope = calm.var_slope + share * (quick.var_slope - calm.var_slope)

    def _gate(self, t_s: Floats, bpm: Floats, usable: Bools, off_bpm: Floats) -> None:
        c = self.constants
        spread_bpm = np.sqrt(self._quick.var_level + c.reading_sd_bpm * c.reading_sd_bpm)
        gate_bpm = np.maximum(c.gate_bpm, c.gate_sd * spread_bpm)
        gate_bpm = np.where(self._expecting_s > 0.0, 2.0 * gate_bpm, gate_bpm)
        # While nothing at all arrived the body may really have moved on.
        gate_bpm = gate_bpm + c.fall_bpm_per_s * np.maximum(self._silent_s - 3.0, 0.0)
        suspect = usable & (np.abs(off_bpm) > gate_bpm)
        if some(self.slipped):
            suspect = (suspect & self.known) | self._still_slipped(t_s, bpm, usable)
            suspect &= self.known
        if not some(suspect):
            return
        since_s = t_s - self._suspect_s
        coherent = (since_s <= 3.0) & (np.abs(bpm - self._suspect_bpm) <= 3.0 + 4.0 * since_s)
        starts = suspect & ~coherent
        self._suspect_from_s = np.where(starts, t_s, self._suspect_from_s)
        self._suspects = np.where(starts, 1.0, np.where(suspect, self._suspects + 1.0, self._suspects))
        self._suspect_bpm = np.where(suspect, bpm, self._suspect_bpm)
        self._suspect_s = np.where(suspect, t_s, self._suspect_s)
        self.doubt[suspect] = JUMP
        lasting = (
            suspect & ~self.slipped
            & (t_s - self._suspect_from_s >= c.persist_s)
            & (self._suspects >= c.persist_count)
        )
        if some(lasting):
            slip = lasting & (off_bpm < 0.0) & (self._trusted_for_s >= c.known_after_s)
            self._slip_bpm = np.where(slip, self.level_bpm, self._slip_bpm)
            self._slip_s = np.where(slip, self._suspect_from_s, self._slip_s)
            self.slipped |= slip
            believed = lasting & ~slip
            self.known &= ~believed
            self.doubt[believed] = NO_DOUBT
        self.doubt[suspect & self.slipped] = SLIP

    def _still_slipped(self, t_s: Floats, bpm: Floats, usable: Bools) -> Bools:
        """Slipped lanes rejoin only near the level they left, less a slow true fall."""
        fall_bpm = np.minimum(25.0, 0.3 * (t_s - self._slip_s))
        back = bpm >= self._slip_bpm - fall_bpm - self.constants.rejoin_bpm
        rejoined = self.slipped & usable & back
        if some(rejoined):
            self.slipped &= ~rejoined
            self.known &= ~rejoined
        return self.slipped & usable

    def mark_slipped(self, lanes: Bools, t_s: Floats, from_bpm: Floats) -> None:
        """The decision found the fall on `lanes` too deep for what the runner did."""
        self._slip_bpm = np.where(lanes, from_bpm, self._slip_bpm)
        self._slip_s = np.where(lanes, t_s, self._slip_s)
        self.slipped |= lanes

    def _locked(self, t_s: Floats, bpm: Floats, present: Bools, cadence_spm: Floats) -> None:
        near = present & (np.abs(bpm - cadence_spm) <= self.constants.lock_bpm)
        apart = present & ~near
        self._lock_since_s = np.where(
            apart, np.inf, np.where(near & (self._lock_since_s == np.inf), t_s, self._lock_since_s))
        leapt = near & self.known & (bpm - self.level_bpm > self.constants.gate_bpm - 4.0)
        locked = near & ((t_s - self._lock_since_s >= self.constants.lock_s) | leapt)
        if some(locked):
            self.doubt[locked] = LOCKED
