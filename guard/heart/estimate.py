"""Level and slope of heart rate from unevenly timed, imperfect readings.

A two-state Kalman filter (level, slope) per lane with

* a damped slope: heart rate approaches a new level exponentially, so a slope
  dies out with the runner's time constant instead of going on for ever
  (first order response: Hunt, Fankhauser, Saengsuwan 2015);
* slope noise that grows while innovations keep one sign, so that a steady run
  is smoothed hard and a real change is followed at once;
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
    strap's averaging, which is why `reading_sd_bpm` is larger.
    """

    reading_sd_bpm: float = 2.0
    noise_density: float = 30.0  # bpm^2 s: twice the variance times the memory of the noise
    slope_noise: float = 0.0001  # (bpm/s)^2 a second while steady
    level_noise: float = 0.0  # bpm^2 a second
    manoeuvre: float = 100.0  # growth of slope noise with one-sided innovations
    bias_s: float = 15.0  # memory of the mean normalised innovation
    bias_free: float = 0.8  # its square up to which it is taken for noise
    agile: float = 200.0  # the same while a walk or a restart is expected
    agile_s: float = 45.0
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


class Estimator:
    """Estimates for `n` independent lanes; every array has shape (n,).

    After `step`: `level_bpm`, `slope_bpm_s` and their covariance `var_level`,
    `cov`, `var_slope`; `age_s` of the newest trusted reading (of the lane,
    before the first); `known` (there is an estimate); `trusted` (a reading was believed in this step), `doubt` (code of
    `DOUBTS`), `fresh` (trusted readings in a row since the last gap), `slipped`
    (the sensor is believed to be off the skin until it rejoins).
    """

    def __init__(self, response_s: Floats, constants: Filter = FILTER) -> None:
        n = len(response_s)
        self.constants = constants
        self._tau_s = response_s
        self.level_bpm: Floats = np.full(n, np.nan)
        self.slope_bpm_s: Floats = np.zeros(n)
        self.var_level: Floats = np.full(n, 25.0)
        self.cov: Floats = np.zeros(n)
        self.var_slope: Floats = np.full(n, 0.09)
        self.known: Bools = np.zeros(n, bool)
        self.trusted: Bools = np.zeros(n, bool)
        self.doubt = np.zeros(n, np.int8)
        self.fresh: Floats = np.zeros(n)
        self.slipped: Bools = np.zeros(n, bool)
        self.age_s: Floats = np.zeros(n)
        self._bias: Floats = np.zeros(n)
        self._expecting_s: Floats = np.full(n, self.constants.agile_s)
        self._trusted_for_s: Floats = np.zeros(n)
        self._suspect_bpm: Floats = np.zeros(n)
        self._suspect_s: Floats = np.full(n, -np.inf)
        self._suspect_from_s: Floats = np.full(n, -np.inf)
        self._suspects: Floats = np.zeros(n)
        self._slip_bpm: Floats = np.zeros(n)
        self._slip_s: Floats = np.zeros(n)
        self._lock_since_s: Floats = np.full(n, np.inf)

    def expect_change(self, lanes: Bools) -> None:
        """Heart rate is about to move steeply (walking, starting again): follow it."""
        self._expecting_s = np.where(lanes, self.constants.agile_s, self._expecting_s)

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
        self._predict(dt_s)
        self.age_s += dt_s
        present = bpm == bpm
        self.doubt[:] = NO_DOUBT
        if not some(present):
            self.trusted = present
            return
        if cadence_spm is not None:
            self._locked(t_s, bpm, present, cadence_spm)
        out = present & ~((bpm >= LOWEST_BPM) & (bpm <= HIGHEST_BPM))
        if some(out):
            self.doubt[out] = RANGE
        usable = present & (self.doubt == NO_DOUBT)
        off_bpm = np.where(usable & self.known, bpm - self.level_bpm, 0.0)
        self._gate(t_s, bpm, usable, off_bpm)
        trusted = present & (self.doubt == NO_DOUBT)
        fresh_start = trusted & ~self.known
        if some(fresh_start):
            self._start(fresh_start, bpm)
            off_bpm = np.where(fresh_start, 0.0, off_bpm)
        self._correct(trusted, off_bpm)
        gap = self.age_s > 3.0
        self.fresh = np.where(trusted, np.where(gap, 1.0, self.fresh + 1.0), self.fresh)
        self._trusted_for_s += np.where(trusted, np.minimum(self.age_s, 3.0), 0.0)
        self.age_s = np.where(trusted, 0.0, self.age_s)
        self.trusted = trusted

    def _predict(self, dt_s: Floats) -> None:
        keep = self._tau_s / (self._tau_s + dt_s)
        gain_s = dt_s * keep
        c = self.constants
        growth = np.maximum(self._bias * self._bias - c.bias_free, 0.0) * c.manoeuvre
        growth = np.maximum(growth, np.where(self._expecting_s > 0.0, c.agile, 0.0))
        self._expecting_s = self._expecting_s - dt_s
        self.level_bpm = self.level_bpm + gain_s * self.slope_bpm_s
        self.slope_bpm_s = keep * self.slope_bpm_s
        mixed = self.cov + gain_s * self.var_slope
        self.var_level = self.var_level + gain_s * (self.cov + mixed) + c.level_noise * dt_s
        self.cov = keep * mixed
        self.var_slope = keep * keep * self.var_slope + c.slope_noise * (1.0 + growth) * dt_s

    def _correct(self, trusted: Bools, off_bpm: Floats) -> None:
        c = self.constants
        # Neighbouring readings share their error, so one reading counts for the time it covers.
        covers_s = np.minimum(np.maximum(self.age_s, 0.25), 4.0)
        used = trusted / (self.var_level + c.noise_density / covers_s)
        gain_level = self.var_level * used
        gain_slope = self.cov * used
        normal = off_bpm / np.sqrt(self.var_level + c.reading_sd_bpm * c.reading_sd_bpm)
        self.level_bpm = self.level_bpm + gain_level * off_bpm
        self.slope_bpm_s = self.slope_bpm_s + gain_slope * off_bpm
        self.var_slope = self.var_slope - gain_slope * self.cov
        self.cov = self.cov - gain_level * self.cov
        self.var_level = self.var_level - gain_level * self.var_level
        share = covers_s / (c.bias_s + covers_s)
        self._bias = self._bias + np.where(trusted, share * (normal - self._bias), 0.0)

    def _start(self, lanes: Bools, bpm: Floats) -> None:
        """Begin an estimate at the reading, with an open mind about the slope."""
        self.level_bpm = np.where(lanes, bpm, self.level_bpm)
        self.slope_bpm_s[lanes] = 0.0
        self.var_level[lanes] = 25.0
        self.cov[lanes] = 0.0
        self.var_slope[lanes] = 0.04
        self._bias[lanes] = 0.0
        self._trusted_for_s[lanes] = 0.0
        self.known |= lanes

    def _gate(self, t_s: Floats, bpm: Floats, usable: Bools, off_bpm: Floats) -> None:
        c = self.constants
        spread_bpm = np.sqrt(self.var_level + c.reading_sd_bpm * c.reading_sd_bpm)
        gate_bpm = np.maximum(c.gate_bpm, c.gate_sd * spread_bpm)
        gate_bpm = np.where(self._expecting_s > 0.0, 2.0 * gate_bpm, gate_bpm)
        # After a gap the body may really have moved on.
        gate_bpm = gate_bpm + np.where(self.age_s > 3.0, c.fall_bpm_per_s * (self.age_s - 3.0), 0.0)
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
