"""n runners of many kinds under cues, stepped together; any controller can drive them.

    crowd = Crowd(DEVELOPMENT, runners=60, seed_set="dev")
    now = crowd.step(np.zeros(crowd.n, int))
    cues = lanes.step(np.full(crowd.n, now.t_s), now.bpm)
    now = crowd.step(cues)

All luck is drawn a kind at a time from its name, so that a kind lives the same
hour whichever others are in the crowd.
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.lab import roads, straps
from tests.lab.hearts import HEARTS
from tests.lab.kinds import Kind, draw
from tests.lab.manners import LUCK, Manners

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
HOUR_S = 3600
SEEDS = {"dev": 4_711, "report": 90_901}  # never tune on "report"
DRIFT_FROM_S = 600.0  # Wingo 2012: drift begins near ten minutes
GENTLE_S, GENTLE_SHARE = 300.0, 0.8
RUN_ML_PER_M_S = 12.0  # ACSM: 0.2 ml/kg a metre, a minute
WALK_ML_PER_M_S = 6.0
SOON_S = 60.0
BACK_S = 60.0  # what a long walk brought is lost so quickly in running (ours)


@dataclass(frozen=True)
class Second:
    """One second. `bpm` is what the straps send, `speed_m_s` and `grade` what a belt or pod would;
    all else is the truth."""

    t_s: float
    bpm: Array
    fault: NDArray[np.uint8]
    true_bpm: Array
    speed_m_s: Array
    grade: Array
    walking: Mask
    standing: Mask
    wander_bpm: Array  # of true_bpm: what no effort explains
    pending: NDArray[np.int64]  # cue that was heard and will be acted on
    crowd: Crowd

    @cached_property
    def settles_bpm(self) -> Array:
        """Where this effort would settle."""
        return self.crowd.settles(self.crowd.effort_bpm)

    @cached_property
    def jogs_bpm(self) -> Array:
        """Where the slowest jog would settle on this ground."""
        crowd = self.crowd
        return crowd.settles(crowd.run_bpm(crowd.who["slowest_jog_m_s"]))

    @cached_property
    def can_jog(self) -> Mask:
        """Whether the slowest jog settles at or under the ceiling here and now."""
        return np.asarray(self.jogs_bpm <= self.crowd.who["ceiling_bpm"])

    @cached_property
    def fastest_m_s(self) -> Array:
        """The speed that settles at the ceiling on this ground."""
        return self.crowd.speed_for(self.crowd.who["ceiling_bpm"])

    @cached_property
    def may_run(self) -> Mask:
        """Walking, and the next crossing lies more than a minute after running again."""
        return self.walking & self.crowd.lasts_a_minute()


class Crowd:
    """`runners` of each of `kinds`, all of one family or of both, for `steps` seconds.

    With `again` more than 1, so many neighbouring lanes are runs of one runner: the
    same heart, manners and strap, luck of their own. `runners` counts runs then.
    """

    def __init__(self, kinds: Sequence[Kind], runners: int = 60, seed_set: str = "dev",
                 steps: int = HOUR_S, again: int = 1) -> None:
        self.kinds, self.runners, self.steps = tuple(kinds), runners, steps
        self.n = len(kinds) * runners
        whos, wears, self._wander = [], [], np.zeros((steps, self.n), np.float32)
        self._grade = np.zeros((steps, self.n), np.float32)
        self._share = np.ones((steps, self.n), np.float32)
        self._stands = np.zeros((steps, self.n), bool)
        deaf = np.zeros((steps, self.n), bool)
        luck = np.empty((3, LUCK, self.n), np.float32)
        for place, kind in enumerate(kinds):
            own = slice(place * runners, (place + 1) * runners)
            seed = [SEEDS[seed_set], zlib.crc32(f"{kind.family}/{kind.name}".encode())]
            rngs = [np.random.default_rng([*seed, part]) for part in range(5)]
            who = {name: np.repeat(value, again)
                   for name, value in draw(kind, runners // again, rngs[0]).items()}
            whos.append(who)
            wears.append(straps.wear(who, steps, rngs[1]))
            road = roads.make(kind.road, runners, steps, rngs[2], kind.road_args)
            self._grade[:, own], self._stands[:, own] = road.grade, road.stands
            ratio = roads.run_cost(road.grade) ** -who["effort"]
            self._share[:, own] = road.share * ratio * _gentle(who["gentle"], steps)
            for lane, sd in enumerate(who["wander_sd_bpm"]):
                if sd > 0:
                    self._wander[:, own.start + lane] = sd * _smooth(
                        steps, float(who["wander_s"][lane]), rngs[3])
            deaf[:, own] = _deaf(who, steps, rngs[4])
            luck[:, :, own] = rngs[4].random((3, LUCK, runners))
        self.who: dict[str, Array] = {
            name: np.concatenate([who[name] for who in whos]) for name in whos[0]}
        start = self.who["ceiling_bpm"] - self.who["start_under_bpm"]
        self._groups = [
            (np.flatnonzero(np.repeat([kind.family == family for kind in kinds], runners)), family)
            for family in HEARTS]
        self._hearts = [
            (lanes, HEARTS[family]({key: value[lanes] for key, value in self.who.items()}, start[lanes]))
            for lanes, family in self._groups if len(lanes)]
        self.manners = Manners(self.who, luck, deaf)
        worn = straps.Wear(*(np.concatenate([getattr(one, key) for one in wears], axis=1)
                             for key in ("noise", "fault", "size")))
        self._straps = straps.Straps(
            self.who, worn, start, np.tile(np.arange(runners), len(self.kinds)))
        self.distance_m = np.zeros(self.n)
        self._heart_bpm, self._slow, self.drift_bpm = start.copy(), np.zeros(self.n), np.zeros(self.n)
        self._threshold = self.who["ceiling_bpm"] + self.who["slow_from_bpm"]
        self.effort_bpm = start.copy()
        self._stood = np.zeros(self.n, bool)
        self._deeper = np.zeros(self.n)
        self._at = 0

    def of(self, place: int) -> slice:
        """The lanes of the kind at `place`."""
        return slice(place * self.runners, (place + 1) * self.runners)

    def step(self, cues: NDArray[Any], advised_m_s: Array | None = None) -> Second:
        """Live one second; `cues` are codes of `Cue` heard at its beginning."""
        who, at = self.who, self._at
        t_s = float(at)
        self._at += 1
        standing = self._stands[at]
        self.manners.step(t_s, cues, advised_m_s, standing)
        self.manners.restarted(standing, self._stood)
        self._stood = standing
        grade = self._grade[at].astype(float)
        self._run_ratio = np.where(who["belt"] > 0, 1.0 + 4.5 * grade, roads.run_cost(grade))
        manners = self.manners
        walking = manners.walking & ~standing
        running = ~(manners.walking | standing)
        jog = manners.speed_m_s * (1.0 + manners.too_quick) * self._share[at]
        jog = np.maximum(jog, np.minimum(who["slowest_jog_m_s"], manners.speed_m_s))
        speed = np.where(standing, 0.0, np.where(walking, who["walk_m_s"], jog))
        self.distance_m += speed
        walk_ratio = np.where(who["belt"] > 0, 1.0 + 18.0 * grade, roads.walk_cost(grade))
        uphill = who["gain"] / RUN_ML_PER_M_S * WALK_ML_PER_M_S * who["walk_m_s"] * (walk_ratio - 1.0)
        self._deeper += np.where(running, -self._deeper / BACK_S,
                                 (who["deeper_bpm"] - self._deeper) / who["tail_s"])
        rest = who["ceiling_bpm"] - np.maximum(who["walk_under_bpm"] + self._deeper - uphill, 3.0)
        self.effort_bpm = np.where(running, self.run_bpm(jog), rest - 8.0 * standing)
        for lanes, heart in self._hearts:
            self._heart_bpm[lanes] = heart.step(self.effort_bpm[lanes], running[lanes])
        above = who["slow_share"] * np.maximum(self.effort_bpm - self._threshold, 0.0)
        self._slow += (above - self._slow) / who["slow_s"]
        self.drift_bpm = who["drift_bpm_per_h"] * max(t_s - DRIFT_FROM_S, 0.0) / 3600.0
        true = self._heart_bpm + self._slow + self.drift_bpm + self._wander[at]
        bpm, fault = self._straps.read(true)
        return Second(t_s, bpm, fault, true, speed, grade, walking, standing,
                      self._wander[at].astype(float), manners.pending, self)

    def run_bpm(self, speed_m_s: Array) -> Array:
        """Where running at a speed on this ground leads, before drift and the slow component."""
        who = self.who
        off = speed_m_s * self._run_ratio - who["habit_m_s"]
        return np.asarray(who["ceiling_bpm"] + who["over_bpm"] + who["gain"] * off)

    def settles(self, effort_bpm: Array) -> Array:
        """The same with drift and the whole of the slow component."""
        slow = self.who["slow_share"] * np.maximum(effort_bpm - self._threshold, 0.0)
        return np.asarray(effort_bpm + slow + self.drift_bpm)

    def speed_for(self, bpm: Array) -> Array:
        """The running speed on this ground that settles at `bpm`."""
        who = self.who
        effort = bpm - self.drift_bpm
        share = who["slow_share"]
        above = (effort + share * self._threshold) / (1.0 + share)
        effort = np.where(effort > self._threshold, above, effort)
        level = who["habit_m_s"] + (effort - who["ceiling_bpm"] - who["over_bpm"]) / who["gain"]
        return np.asarray(level / self._run_ratio)

    def lasts_a_minute(self) -> Mask:
        """Whether one who ran again now would still be under the ceiling in a minute."""
        who, manners = self.who, self.manners
        pace = np.maximum(who["restart_share"] * manners.pace_m_s, who["slowest_jog_m_s"])
        target = self.run_bpm(np.maximum(
            pace * self._share[min(self._at, self.steps - 1)], who["slowest_jog_m_s"]))
        level = np.empty(self.n)
        for lanes, heart in self._hearts:
            level[lanes] = heart.after(SOON_S, target[lanes])
        return np.asarray(level + self._slow + self.drift_bpm <= who["ceiling_bpm"])


def _gentle(gentle: Array, steps: int) -> Array:
    ramp = np.minimum(GENTLE_SHARE + (1.0 - GENTLE_SHARE) * np.arange(steps) / GENTLE_S, 1.0)
    return np.asarray(np.where(gentle > 0, ramp[:, None], 1.0))


def _smooth(steps: int, memory_s: float, rng: np.random.Generator) -> Array:
    """Of unit variance; smooth, since twice filtered."""
    raw = np.convolve(roads.coloured(steps + 60, memory_s / 2.0, rng), np.ones(30) / 30, "same")[30:-30]
    return np.asarray(raw / raw.std())


def _deaf(who: dict[str, Array], steps: int, rng: np.random.Generator) -> Mask:
    deaf = np.zeros((steps, len(who["deaf_every_s"])), bool)
    for lane, every in enumerate(who["deaf_every_s"]):
        at = rng.uniform(0, 2 * every) if every > 0 else np.inf
        while at < steps:
            lasts = rng.uniform(60, 120)
            deaf[int(at):int(at + lasts), lane] = True
            at += lasts + rng.exponential(every)
    return deaf

