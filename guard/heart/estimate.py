"""Level and slope of heart rate from unevenly timed, imperfect readings.

A two-state Kalman filter (level, slope) per lane with

* a damped slope: heart rate approaches a new level exponentially, so a slope
  dies out with the runner's time constant instead of going on for ever
  (first order response: Hunt, Fankhauser, Saengsuwan 2015);
* two tracks of it, one patient and one quick, blended by how far they are
  apart, so that a steady run is smoothed hard and a real change is followed
  at once;
* only trusted readings (`guard.signal`: robust filtering before any limit test,
  Borowski et al. 2011), so that one far away is a new level and begun with afresh.

Written in terms of a kit, for the arrays of many lanes or the floats of one
(`heart/kit.py`), with the same bits for either. Pure: numbers in, numbers out.
"""

from __future__ import annotations

from dataclasses import dataclass

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
    jump_sd: float = 4.5  # a trusted reading so many standard deviations, and so many beats, away
    jump_bpm: float = 12.0  # is a new level: the readings before it were wrong, or missing


FILTER = Filter()


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
    before the first); `known` (there is an estimate), `trusted` (a reading came
    in this step and was taken: one far away has to be confirmed by the next).
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
        self.age_s: Number = nothing
        self._expecting_s: Number = nothing + c.expect_s
        self._away_bpm: Number = nothing + NAN  # the newest reading, where it was far away

    def sd_ahead_bpm(self, reach_s: Number) -> Number:
        """Standard deviation of the level plus `reach_s` seconds of the slope, bpm."""
        variance = self.var_level + reach_s * (2.0 * self.cov + reach_s * self.var_slope)
        return self._kit.root(self._kit.most(variance, 0.0))

    def expect_change(self, lanes: Fact) -> None:
        """Heart rate is about to move steeply (walking, starting again): follow it."""
        self._expecting_s = self._kit.where(lanes, self.constants.expect_s, self._expecting_s)

    def step(self, dt_s: Number, bpm: Number) -> None:
        """Move all lanes on by `dt_s` and take the trusted `bpm` (NaN: none arrived)."""
        k, c = self._kit, self.constants
        keep = self._response_s / (self._response_s + dt_s)
        gain_s = dt_s * keep
        self._calm.predict(dt_s, keep, gain_s)
        self._quick.predict(dt_s, keep, gain_s)
        self._expecting_s = self._expecting_s - dt_s
        self.age_s = self.age_s + dt_s
        self.trusted = trusted = bpm == bpm
        if not k.some(trusted):
            self._blend()
            return
        spread_bpm = k.root(self._quick.var_level + c.reading_sd_bpm * c.reading_sd_bpm)
        away_bpm = k.most(c.jump_bpm, c.jump_sd * spread_bpm)
        away_bpm = k.where(self._expecting_s > 0.0, 2.0 * away_bpm, away_bpm)
        away = trusted & self.known & (abs(bpm - self._quick.level) > away_bpm)
        confirmed = abs(bpm - self._away_bpm) <= away_bpm  # never on a single reading
        self._away_bpm = k.where(away & k.no(confirmed), bpm, k.where(trusted, NAN, self._away_bpm))
        starts = trusted & (k.no(self.known) | (away & confirmed))
        self.trusted = trusted = trusted & k.no(away & k.no(confirmed))
        if k.some(starts):
            self._calm.start(starts, bpm)
            self._quick.start(starts, bpm)
            self.known = self.known | starts
        # Neighbouring readings share their error, so one reading counts for the time it covers.
        covers_s = k.least(k.most(self.age_s, 0.25), 4.0)
        self._calm.correct(trusted, bpm, covers_s)
        self._quick.correct(trusted, bpm, covers_s)
        self._blend()
        self.age_s = k.where(trusted, 0.0, self.age_s)

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
