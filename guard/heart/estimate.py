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

Written in terms of a kit, for the arrays of many lanes or the floats of one
(`heart/kit.py`), with the same bits for either. Pure: numbers in, numbers out.
"""

from __future__ import annotations

from dataclasses import dataclass

from guard.events import Doubt
from guard.heart.kit import Fact, Kit, Number

NAN, INFINITE = float("nan"), float("inf")


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
    stuck_after_s: float = 3.0  # a heart that jumped does not stand still: values that do
    stuck_for_s: float = 20.0  # are a stuck sensor, unless they stay
    rough_share: float = 0.1  # of one reading in the mean step between readings
    rough_step_bpm: float = 12.0  # larger steps count as this, so that one spike is not roughness
    rough_bpm: float = 4.0  # mean step of a dry electrode; a clean strap's is near 1
    fall_bpm_per_s: float = 3.0  # fastest true fall; 62-72 bpm in the first minute after
    # hard running is 2.5 to 3 bpm/s at its steepest (Zakynthinaki 2015 data)
    known_after_s: float = 120.0  # trusted time before a fall may be called a slip
    lock_bpm: float = 2.0  # this close to the step rate ...
    lock_s: float = 20.0  # ... this long is no coincidence; a leap onto it is none at once
    rejoin_bpm: float = 12.0


FILTER = Filter()


# Why a reading was not believed (index into DOUBTS).
NO_DOUBT, JUMP, SLIP, LOCKED, RANGE, ROUGH = range(6)
DOUBTS = ("", Doubt.JUMP, Doubt.SLIP, Doubt.STEP_RATE, Doubt.RANGE, Doubt.ROUGH)
LOWEST_BPM, HIGHEST_BPM = 30.0, 230.0
VAR_LEVEL_FIRST, VAR_SLOPE_FIRST = 25.0, 0.04  # bpm^2, (bpm/s)^2: what a first reading leaves open


class _Track:
    """One Kalman filter of level and slope per lane."""

    def __init__(self, kit: Kit, response_s: Number, density: float, slope_noise: float) -> None:
        self._kit = kit
        self._density, self._slope_noise = density, slope_noise
        nothing = response_s * 0.0
        self.level: Number = nothing + NAN
        self.slope: Number = nothing
        self.var_level: Number = nothing + VAR_LEVEL_FIRST
        self.cov: Number = nothing
        self.var_slope: Number = nothing + VAR_SLOPE_FIRST

    def predict(self, dt_s: Number, keep: Number, gain_s: Number) -> None:
        """A step of `dt_s` later, of which `gain_s` seconds of the slope count and a share `keep` is left."""
        self.level = self.level + gain_s * self.slope
        self.slope = keep * self.slope
        mixed = self.cov + gain_s * self.var_slope
        self.var_level = self.var_level + gain_s * (self.cov + mixed)
        self.cov = keep * mixed
        self.var_slope = keep * keep * self.var_slope + self._slope_noise * dt_s

    def correct(self, trusted: Fact, bpm: Number, covers_s: Number) -> None:
        off_bpm = self._kit.where(trusted, bpm - self.level, 0.0)
        used = trusted / (self.var_level + self._density / covers_s)
        gain_level = self.var_level * used
        gain_slope = self.cov * used
        self.level = self.level + gain_level * off_bpm
        self.slope = self.slope + gain_slope * off_bpm
        self.var_slope = self.var_slope - gain_slope * self.cov
        self.cov = self.cov - gain_level * self.cov
        self.var_level = self.var_level - gain_level * self.var_level

    def start(self, lanes: Fact, bpm: Number) -> None:
        """Begin at the reading, with an open mind about the slope."""
        where = self._kit.where
        self.level = where(lanes, bpm, self.level)
        self.slope = where(lanes, 0.0, self.slope)
        self.var_level = where(lanes, VAR_LEVEL_FIRST, self.var_level)
        self.cov = where(lanes, 0.0, self.cov)
        self.var_slope = where(lanes, VAR_SLOPE_FIRST, self.var_slope)


class Estimator:
    """Estimates for the lanes of a kit: arrays of shape (n,), or the numbers of one lane.

    After `step`: `level_bpm`, `slope_bpm_s` and their covariance `var_level`,
    `cov`, `var_slope`; `age_s` of the newest trusted reading (of the lane,
    before the first); `known` (there is an estimate), `trusted` (a reading was
    believed in this step), `doubt` (code of `DOUBTS`), `fresh` (trusted
    readings in a row since the last gap), `slipped` (the sensor is believed to
    be off the skin until it rejoins).
    """

    def __init__(self, kit: Kit, response_s: Number, constants: Filter = FILTER) -> None:
        self._kit, self._response_s = kit, response_s
        self.constants = c = constants
        self._calm = _Track(kit, response_s, c.calm_density, c.calm_slope_noise)
        self._quick = _Track(kit, response_s, c.quick_density, c.quick_slope_noise)
        nothing = response_s * 0.0
        never: Fact = nothing != 0.0
        self.level_bpm: Number = nothing + NAN
        self.slope_bpm_s: Number = nothing
        self.var_level: Number = nothing + VAR_LEVEL_FIRST
        self.cov: Number = nothing
        self.var_slope: Number = nothing + VAR_SLOPE_FIRST
        self.known: Fact = never
        self.trusted: Fact = never
        self.doubt: Number = nothing
        self.fresh: Number = nothing
        self.slipped: Fact = never
        self.age_s: Number = nothing
        self._silent_s: Number = nothing  # since anything arrived, believed or not
        self._expecting_s: Number = nothing + c.expect_s
        self._trusted_for_s: Number = nothing
        self._suspect_bpm: Number = nothing
        self._suspect_s: Number = nothing - INFINITE
        self._suspect_from_s: Number = nothing - INFINITE
        self._suspects: Number = nothing
        self._suspect_moved_s: Number = nothing - INFINITE
        self._newest_bpm: Number = nothing + NAN
        self._step_bpm: Number = nothing  # mean step from reading to reading
        self._slip_bpm: Number = nothing
        self._slip_s: Number = nothing
        self._lock_since_s: Number = nothing + INFINITE
        self._no_doubt: Number = nothing  # every column is replaced, never written into

    def sd_ahead_bpm(self, reach_s: Number) -> Number:
        """Standard deviation of the level plus `reach_s` seconds of the slope, bpm."""
        variance = self.var_level + reach_s * (2.0 * self.cov + reach_s * self.var_slope)
        return self._kit.root(self._kit.most(variance, 0.0))

    def expect_change(self, lanes: Fact) -> None:
        """Heart rate is about to move steeply (walking, starting again): follow it."""
        self._expecting_s = self._kit.where(lanes, self.constants.expect_s, self._expecting_s)

    def forget_slip(self, lanes: Fact) -> None:
        """The runner put the strap right: believe the next readings afresh."""
        self.slipped = self.slipped & self._kit.no(lanes)
        self.known = self.known & self._kit.no(lanes)

    def step(
        self,
        t_s: Number,
        dt_s: Number,
        bpm: Number,
        cadence_spm: Number | None,
    ) -> None:
        """Move all lanes on by `dt_s` to `t_s` and take `bpm` (NaN: none arrived)."""
        k = self._kit
        keep = self._response_s / (self._response_s + dt_s)
        gain_s = dt_s * keep
        self._calm.predict(dt_s, keep, gain_s)
        self._quick.predict(dt_s, keep, gain_s)
        self._expecting_s = self._expecting_s - dt_s
        self.age_s = self.age_s + dt_s
        self._silent_s = self._silent_s + dt_s
        present = bpm == bpm
        self.doubt = self._no_doubt
        if not k.some(present):
            self.trusted = present
            self._blend()
            return
        if cadence_spm is not None:
            self._locked(t_s, bpm, present, cadence_spm)
        out = present & ((bpm < LOWEST_BPM) | (bpm > HIGHEST_BPM))
        if k.some(out):
            self.doubt = k.where(out, RANGE, self.doubt)
        usable = present & (self.doubt == NO_DOUBT)
        off_bpm = k.where(usable & self.known, bpm - self._quick.level, 0.0)
        self._gate(t_s, bpm, usable, off_bpm)
        self._rough(bpm, usable & (self.doubt == NO_DOUBT))
        self._silent_s = k.where(present, 0.0, self._silent_s)
        trusted = present & (self.doubt == NO_DOUBT)
        fresh_start = trusted & k.no(self.known)
        if k.some(fresh_start):
            self._calm.start(fresh_start, bpm)
            self._quick.start(fresh_start, bpm)
            self._trusted_for_s = k.where(fresh_start, 0.0, self._trusted_for_s)
            self.known = self.known | fresh_start
        # Neighbouring readings share their error, so one reading counts for the time it covers.
        covers_s = k.least(k.most(self.age_s, 0.25), 4.0)
        self._calm.correct(trusted, bpm, covers_s)
        self._quick.correct(trusted, bpm, covers_s)
        self._blend()
        gap = self.age_s > 3.0
        self.fresh = k.where(trusted, k.where(gap, 1.0, self.fresh + 1.0), self.fresh)
        self._trusted_for_s = self._trusted_for_s + k.where(trusted, k.least(self.age_s, 3.0), 0.0)
        self.age_s = k.where(trusted, 0.0, self.age_s)
        self.trusted = trusted
        # A believed reading ends a run of suspects: spikes in a train are no jump.
        self._suspect_s = k.where(trusted, -INFINITE, self._suspect_s)

    def _blend(self) -> None:
        """Patient while the tracks agree, quick as soon as they part."""
        k, c, calm, quick = self._kit, self.constants, self._calm, self._quick
        apart_bpm = quick.level - calm.level
        apart = (abs(apart_bpm) - c.calm_apart_bpm) / (c.quick_apart_bpm - c.calm_apart_bpm)
        share = k.where(self._expecting_s > 0.0, 1.0, k.least(k.most(apart, 0.0), 1.0))
        self.level_bpm = calm.level + share * apart_bpm
        self.slope_bpm_s = calm.slope + share * (quick.slope - calm.slope)
        self.var_level = calm.var_level + share * (quick.var_level - calm.var_level)
        self.cov = calm.cov + share * (quick.cov - calm.cov)
        self.var_slope = calm.var_slope + share * (quick.var_slope - calm.var_slope)

    def _gate(self, t_s: Number, bpm: Number, usable: Fact, off_bpm: Number) -> None:
        c = self.constants
        k = self._kit
        spread_bpm = k.root(self._quick.var_level + c.reading_sd_bpm * c.reading_sd_bpm)
        gate_bpm = k.most(c.gate_bpm, c.gate_sd * spread_bpm)
        gate_bpm = k.where(self._expecting_s > 0.0, 2.0 * gate_bpm, gate_bpm)
        # While nothing at all arrived the body may really have moved on.
        gate_bpm = gate_bpm + c.fall_bpm_per_s * k.most(self._silent_s - 3.0, 0.0)
        suspect = usable & (abs(off_bpm) > gate_bpm)
        if k.some(self.slipped):
            suspect = (suspect & self.known) | self._still_slipped(t_s, bpm, usable)
            suspect = suspect & self.known
        if not k.some(suspect):
            return
        since_s = t_s - self._suspect_s
        coherent = (since_s <= 3.0) & (abs(bpm - self._suspect_bpm) <= 3.0 + 4.0 * since_s)
        starts = suspect & k.no(coherent)
        self._suspect_from_s = k.where(starts, t_s, self._suspect_from_s)
        self._suspects = k.where(starts, 1.0, k.where(suspect, self._suspects + 1.0, self._suspects))
        moved = suspect & (bpm != self._suspect_bpm)
        self._suspect_moved_s = k.where(moved, t_s, self._suspect_moved_s)
        self._suspect_bpm = k.where(suspect, bpm, self._suspect_bpm)
        self._suspect_s = k.where(suspect, t_s, self._suspect_s)
        self.doubt = k.where(suspect, JUMP, self.doubt)
        lasting = (
            suspect & k.no(self.slipped)
            & (t_s - self._suspect_from_s >= c.persist_s)
            & (self._suspects >= c.persist_count)
            & ((t_s - self._suspect_moved_s <= c.stuck_after_s)
               | (t_s - self._suspect_from_s >= c.stuck_for_s))
        )
        if k.some(lasting):
            slip = lasting & (off_bpm < 0.0) & (self._trusted_for_s >= c.known_after_s)
            self._slip_bpm = k.where(slip, self.level_bpm, self._slip_bpm)
            self._slip_s = k.where(slip, self._suspect_from_s, self._slip_s)
            self.slipped = self.slipped | slip
            believed = lasting & k.no(slip)
            self.known = self.known & k.no(believed)
            self.doubt = k.where(believed, NO_DOUBT, self.doubt)
        self.doubt = k.where(suspect & self.slipped, SLIP, self.doubt)

    def _rough(self, bpm: Number, passed: Fact) -> None:
        """Readings that leap to and fro are no heart rate, though each might be one."""
        k, c = self._kit, self.constants
        between_bpm = k.least(abs(bpm - self._newest_bpm), c.rough_step_bpm)
        stepped = passed & (self._newest_bpm == self._newest_bpm)
        self._step_bpm = k.where(
            stepped, self._step_bpm + c.rough_share * (between_bpm - self._step_bpm), self._step_bpm)
        self._newest_bpm = k.where(passed, bpm, self._newest_bpm)
        rough = passed & (self._step_bpm > c.rough_bpm)
        if k.some(rough):
            self.doubt = k.where(rough, ROUGH, self.doubt)

    def _still_slipped(self, t_s: Number, bpm: Number, usable: Fact) -> Fact:
        """Slipped lanes rejoin only near the level they left, less a slow true fall."""
        k = self._kit
        fall_bpm = k.least(25.0, 0.3 * (t_s - self._slip_s))
        back = bpm >= self._slip_bpm - fall_bpm - self.constants.rejoin_bpm
        rejoined = self.slipped & usable & back
        if k.some(rejoined):
            self.slipped = self.slipped & k.no(rejoined)
            self.known = self.known & k.no(rejoined)
        return self.slipped & usable

    def mark_slipped(self, lanes: Fact, t_s: Number, from_bpm: Number) -> None:
        """The decision found the fall on `lanes` too deep for what the runner did."""
        k = self._kit
        self._slip_bpm = k.where(lanes, from_bpm, self._slip_bpm)
        self._slip_s = k.where(lanes, t_s, self._slip_s)
        self.slipped = self.slipped | lanes

    def _locked(self, t_s: Number, bpm: Number, present: Fact, cadence_spm: Number) -> None:
        k = self._kit
        near = present & (abs(bpm - cadence_spm) <= self.constants.lock_bpm)
        apart = present & k.no(near)
        self._lock_since_s = k.where(
            apart, INFINITE, k.where(near & (self._lock_since_s == INFINITE), t_s, self._lock_since_s))
        leapt = near & self.known & (bpm - self.level_bpm > self.constants.gate_bpm - 4.0)
        locked = near & ((t_s - self._lock_since_s >= self.constants.lock_s) | leapt)
        if k.some(locked):
            self.doubt = k.where(locked, LOCKED, self.doubt)
