"""Invented months with known truth: what `guard progress` is measured on. Nobody ran them.

The truth is not the model's own. The heart follows effort by two time
constants and bends a little; drift saturates; the cost of grade is another
polynomial than Minetti's; the runner in form runs faster that day. What is
shared with the model is only what is known of people: slopes of 24 to 30 bpm
per m/s (Hunt et al. 2015, BioMed Eng OnLine 14), drift of 1 to 18 bpm by the
fortieth minute, heat of 0.3 to 1 bpm a degree.

`ROWS` are the questions; `history(row, seed)` gives one runner's runs second by
second with the truth of each day.
"""

from __future__ import annotations

import math
import zlib
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter  # type: ignore[import-untyped]

Floats = NDArray[np.float64]
Season = Literal["none", "spring", "autumn"]

BEGINS = date(2025, 1, 6)  # a Monday; invented like the rest
CEILING_BPM = 139.0
REFERENCE_C, REFERENCE_S = 15.0, 1200.0
RUNS_A_WEEK, DAY_OF_WEEK = 3, (1, 3, 6)
WALKS_M_S = 1.6
SLOW_BPM = 0.8  # wander over ten minutes; more would be a second day-to-day scatter beside the row's


@dataclass(frozen=True)
class Row:
    """One question. Weeks from 0; shares are of the speed at the ceiling.

    `gain` is the change from `gain_from` to `gain_until`, a straight line.
    `even` is the share of runs at one speed. `day_sd` is the SD from day to
    day. `pod` is the share of runs on a foot pod outdoors, the others on a belt
    indoors. `moves` is (week, bpm, told): a ceiling from then on. `belt_high`
    (belt until week, share too high), `pod_step` (from week, share), heat in
    bpm a degree above `heat_from_c`.
    """

    name: str
    words: str
    weeks: int = 26
    gain: float = 0.0
    gain_from: float = 14.0
    gain_until: float = 26.0
    even: float = 0.2
    day_sd: float = 0.015
    correlated: float = 0.0
    pod: float = 0.5
    season: Season = "none"
    heat: float = 0.6
    heat_from_c: float = -99.0
    written: bool = True
    ceiling_to: float | None = None  # from week 16
    belt_high: float | None = None  # belt alone until week 13, pod alone from then on
    pod_step: float = 0.0  # from week 16, told to nobody
    hills: bool = False  # of 3 %, from week 12
    faults: bool = False
    runs_a_week: int = RUNS_A_WEEK
    forgotten: float = 0.1  # of the days' temperatures, where they are written down at all
    medicine_bpm: float = 0.0  # taken off every heart rate from week 16
    two_belts: float = 0.0  # how far apart two belts' speeds are, a share; nobody says which it was
    walk_run: bool = False  # runs of 3 minutes with a minute of walking between
    want: str = "nothing"  # what ought to be told


ROWS: tuple[Row, ...] = (
    Row("gain-20", "+10 % in 12 weeks, 20 % even-paced", gain=0.10, want="gain"),
    Row("gain-60", "+10 % in 12 weeks, 60 % even-paced", gain=0.10, even=0.6, want="gain"),
    Row("gain-new", "the same, a runner's first 12 weeks", weeks=12, gain=0.10, gain_from=0, gain_until=12,
        even=0.6, want="gain"),
    Row("gain-pod", "+10 % in 12 weeks, 60 % even-paced, pod only", gain=0.10, even=0.6, pod=1.0,
        want="gain"),
    Row("gain-sd3", "+10 % in 12 weeks, 60 % even-paced, day SD 3 %", gain=0.10, even=0.6, day_sd=0.03,
        want="gain"),
    Row("still-half", "no change, half a year"),
    Row("still-year", "no change, a year", weeks=52),
    Row("alike", "no change, day parts correlated 0.4, SD 2 %", day_sd=0.02, correlated=0.4),
    Row("warmer", "no change, spring to summer, 0.6 bpm/°C", season="spring", pod=1.0),
    Row("warmer-12", "no change, spring to summer, 1 bpm/°C above 12 °C", season="spring", pod=1.0, heat=1.0,
        heat_from_c=12.0),
    Row("warmer-18", "no change, spring to summer, 1 bpm/°C above 18 °C", season="spring", pod=1.0, heat=1.0,
        heat_from_c=18.0),
    Row("colder", "no change, summer to winter, 0.6 bpm/°C", season="autumn", pod=1.0),
    Row("unwritten", "no change, spring to summer, temperatures not written down", season="spring", pod=1.0,
        written=False),
    Row("gain-warmer", "+8 % while it gets warm", season="spring", pod=1.0, gain=0.08, gain_from=0.0,
        want="gain"),
    Row("moved", "no change, ceiling 139 to 148 at week 16", ceiling_to=148.0),
    Row("belt-high", "no change, belt 4 % high until week 13, pod from then on", belt_high=0.04),
    Row("pod-step", "no change, pod +3 % from week 16, not named", pod=1.0, pod_step=0.03, want="asked"),
    Row("hills", "no change, hills of 3 % from week 12", pod=1.0, hills=True),
    Row("faults", "no change, strap faults and bad days", faults=True),
    Row("plateau", "+8 % in 14 weeks, then a plateau of 12", gain=0.08, gain_from=0.0, gain_until=14.0,
        want="plateau"),
    Row("medicine", "no change, a medicine takes 12 bpm off from week 16", medicine_bpm=12.0, want="asked"),
    Row("once", "no change, one run a week for a year", weeks=52, runs_a_week=1),
    Row("half-written", "no change, spring to summer, half of the temperatures", season="spring", pod=1.0,
        forgotten=0.5),
    Row("two-belts", "no change, two belts 4 % apart in turn, not named", pod=0.0, two_belts=0.04),
    Row("walk-run", "no change, walking a minute in four", walk_run=True),
    Row("gain-5", "+5 % every 12 weeks for a year", weeks=52, gain=0.05 * 52 / 12, gain_from=0.0,
        gain_until=52.0, want="never plateau"),
)


@dataclass(frozen=True)
class Run:
    """One run, a value a second: bpm (NaN without a reading), m/s as the source tells it, grade."""

    day: date
    source: str
    bpm: Floats
    speed_m_s: Floats
    grade: Floats
    temperature_c: float | None
    ceiling_bpm: float


@dataclass(frozen=True)
class History:
    """A runner's runs in order of day; `share(day)` is the true speed at the ceiling over that of day 0."""

    row: Row
    runs: tuple[Run, ...]

    def share(self, day: date) -> float:
        """True speed at the ceiling of `day` (minute 20, level, 15 °C) over that of the first day."""
        return true_share(self.row, (day - BEGINS).days / 7.0)


def true_share(row: Row, week: float) -> float:
    """Speed at the ceiling in week `week` over that of week 0."""
    done = (min(max(week, row.gain_from), row.gain_until) - row.gain_from) / (row.gain_until - row.gain_from)
    return 1.0 + row.gain * done


def history(row: Row, seed: int) -> History:
    """One invented runner; the same row and seed give the same runs."""
    rng = np.random.default_rng([zlib.crc32(row.name.encode()), seed])
    heart = _Heart.of(rng)
    pod_scale = 1.0 + rng.normal(0.0, 0.015)
    form, runs = rng.normal(), []
    for number in range(row.weeks * row.runs_a_week):
        week, place = divmod(number, row.runs_a_week)
        day_number = 7 * week + DAY_OF_WEEK[place]
        if rng.random() < 0.04:
            continue  # a run that was left out
        form = row.correlated * form + math.sqrt(1.0 - row.correlated**2) * rng.normal()
        runs.append(_run(row, rng, heart, day_number, row.day_sd * form, pod_scale))
    return History(row, tuple(runs))


@dataclass(frozen=True)
class _Heart:
    slope: float  # bpm per m/s at the ceiling
    bend: float  # how much the slope falls a m/s
    quick: float  # share of the quick answer
    quick_s: float
    slow_s: float
    drift_bpm: float
    drift_min: float
    at_ceiling_m_s: float
    grade: tuple[float, float]
    noise: float

    @classmethod
    def of(cls, rng: np.random.Generator) -> _Heart:
        return cls(28.0 * max(1.0 + rng.normal(0.0, 0.15), 0.55), rng.uniform(0.0, 0.12),
                   rng.uniform(0.35, 0.75), rng.uniform(15.0, 30.0), rng.uniform(60.0, 120.0),
                   rng.uniform(2.0, 16.0), rng.uniform(20.0, 60.0), rng.uniform(2.2, 3.2),
                   (rng.uniform(3.6, 5.0), rng.uniform(8.0, 16.0)), rng.uniform(0.7, 1.4))

    def drift(self, seconds: Floats | float) -> Floats:
        minutes = np.maximum(np.asarray(seconds) / 60.0 - 8.0, 0.0)
        return np.asarray(self.drift_bpm * (1.0 - np.exp(-minutes / self.drift_min)))

    def answer(self, effort_m_s: Floats) -> Floats:
        """Effort as the heart sees it, begun standing."""
        late = np.concatenate([np.full(5, 0.8), effort_m_s[:-5]])
        return self.quick * _lag(late, self.quick_s) + (1.0 - self.quick) * _lag(late, self.slow_s)


def _lag(values: Floats, tau_s: float) -> Floats:
    keep = math.exp(-1.0 / tau_s)
    return np.asarray(lfilter([1.0 - keep], [1.0, -keep], values, zi=[keep * values[0]])[0])


def _wander(rng: np.random.Generator, number: int, sd: float, tau_s: float) -> Floats:
    keep = math.exp(-1.0 / tau_s)
    push = rng.normal(0.0, sd * math.sqrt(1.0 - keep * keep), number)
    return np.asarray(lfilter([1.0], [1.0, -keep], push, zi=[keep * sd * rng.normal()])[0])


def temperature(row: Row, day_number: int, rng: np.random.Generator) -> float:
    """Degrees outdoors: 12 over half a year where there is a season, and weather of SD 3."""
    way = {"none": 0.0, "spring": 1.0, "autumn": -1.0}[row.season]
    return 14.0 + way * 12.0 * (day_number / 182.0 - 0.5) + rng.normal(0.0, 3.0)


def _run(
    row: Row, rng: np.random.Generator, heart: _Heart, day_number: int, form: float, pod_scale: float,
) -> Run:
    week = day_number / 7.0
    on_pod = rng.random() < row.pod if row.belt_high is None else week >= 13.0
    seconds = int(rng.integers(33, 61)) * 60
    ceiling = row.ceiling_to if row.ceiling_to is not None and week >= 16.0 else CEILING_BPM
    bad = row.faults and rng.random() < 0.06
    usual = heart.at_ceiling_m_s * true_share(row, week)
    today = usual * (1.0 + form - (rng.uniform(0.04, 0.08) if bad else 0.0))
    # Who feels well runs faster; the ceiling holds the mean some beats under it.
    under_bpm = rng.uniform(3.0, 13.0)
    about = usual * (1.0 + 0.5 * form) + (ceiling - CEILING_BPM - under_bpm) / heart.slope
    speed = _speed(rng, seconds, about, rng.random() < row.even, on_pod)
    if row.walk_run:
        speed = np.where(np.arange(seconds) % 240 < 180, 1.06 * speed, WALKS_M_S)
    grade = np.zeros(seconds)
    if row.hills and week >= 12.0:
        waves = np.arange(seconds) / rng.uniform(150.0, 330.0)
        grade = 0.03 * np.sin(2 * np.pi * waves + rng.uniform(0, 6.28))
        speed = speed * (1.0 - 1.8 * grade)
    first, second = heart.grade
    effort = speed * (1.0 + first * grade + second * grade * grade)
    if row.walk_run:
        effort = np.where(speed == WALKS_M_S, 0.55 * speed, effort)  # ACSM's walking and running equations
    seen = heart.answer(effort) - today
    warm = temperature(row, day_number, rng) if on_pod else float(rng.normal(19.0, 1.5))
    heat = row.heat * (max(warm - row.heat_from_c, 0.0) - max(REFERENCE_C - row.heat_from_c, 0.0))
    at = np.arange(seconds, dtype=np.float64)
    drift = rng.lognormal(0.0, 0.25) * (heart.drift(at) - heart.drift(REFERENCE_S))
    bpm = CEILING_BPM + heart.slope * (seen - 0.5 * heart.bend * seen * np.abs(seen)) + drift + heat
    bpm += _wander(rng, seconds, 1.3 * heart.noise, 50.0)
    bpm += _wander(rng, seconds, SLOW_BPM * heart.noise, 600.0)
    bpm = np.asarray(np.rint(bpm + rng.normal(0.0, 0.8, seconds)), dtype=np.float64)
    if week >= 16.0:
        bpm -= row.medicine_bpm
    bpm[:int(rng.integers(1, 30))] = np.nan
    if row.faults:
        bpm = _faulty(rng, bpm)
    if on_pod:
        step = row.pod_step if week >= 16.0 else 0.0
        told = speed * pod_scale * (1.0 + step) + rng.normal(0.0, 0.05, seconds)
    else:
        told = speed * (1.0 + (row.belt_high or 0.0))
        if row.two_belts:
            told = told * (1.0 + row.two_belts * (rng.random() - 0.5 > 0.0))
    known = row.written and rng.random() >= row.forgotten
    return Run(BEGINS + timedelta(days=day_number), "foot_pod" if on_pod else "treadmill", bpm,
               np.asarray(np.round(np.maximum(told, 0.0), 2)), np.asarray(np.round(grade, 3)),
               round(warm + rng.normal(0.0, 1.0)) if known else None, ceiling)


def _speed(rng: np.random.Generator, seconds: int, about: float, even: bool, on_pod: bool) -> Floats:
    speed = np.full(seconds, about)
    if not even and on_pod:
        speed = about + _wander(rng, seconds, 0.14, 150.0)
    elif not even:
        begin = 480
        while begin < seconds:
            length = int(rng.integers(180, 330))
            speed[begin:begin + length] = about + rng.choice([-0.3, -0.15, 0.0, 0.12])
            begin += length
    speed[:480] = np.minimum(speed[:480], about - 0.3)
    if rng.random() < 0.3:  # a stop at a road
        begin = int(rng.integers(600, seconds - 300))
        speed[begin:begin + int(rng.integers(15, 70))] = 0.0
    return np.asarray(np.maximum(speed, 0.0))


def _faulty(rng: np.random.Generator, bpm: Floats) -> Floats:
    if rng.random() < 0.10:  # a strap that counts steps
        begin = int(rng.integers(0, len(bpm) - 300))
        bpm[begin:begin + int(rng.integers(120, 900))] = np.rint(rng.normal(164.0, 2.0))
    if rng.random() < 0.10:  # dry electrodes: far too high at first
        until = int(rng.integers(300, 900))
        bpm[:until] += np.rint(np.linspace(rng.uniform(10, 40), 0.0, until))
    bpm[rng.random(len(bpm)) < 0.03] = np.nan
    return bpm


