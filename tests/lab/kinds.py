"""The kinds of runners a guard must hold on: two families, drawn apart and frozen before any tuning.

A kind is a family's middle runner with some of its ranges changed. Of each kind
any number of runners is drawn; every parameter is drawn within its range, one
value a runner. Ranges without a published source are invented (ours); the
sources of the others stand beside them.

Tune on nothing but `DEVELOPMENT` kinds and the dev seeds. `HELD_OUT` kinds are
for one report at the end: no command prints them unless asked to.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import inf
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Normal:
    """A normal spread, drawn again outside of its bounds."""

    mean: float
    sd: float
    low: float
    high: float

    def draw(self, rng: np.random.Generator, n: int) -> Array:
        """n values."""
        values = rng.normal(self.mean, self.sd, n)
        while (out := (values < self.low) | (values > self.high)).any():
            values[out] = rng.normal(self.mean, self.sd, int(out.sum()))
        return values


@dataclass(frozen=True)
class Often:
    """1 with the chance given, else 0."""

    chance: float

    def draw(self, rng: np.random.Generator, n: int) -> Array:
        """n values."""
        return (rng.random(n) < self.chance).astype(float)


Spread = float | tuple[float, float] | Normal | Often  # a number, a range, a spread


# The middle runner of the first family.
FIRST: dict[str, Spread] = {
    # heart
    "ceiling_bpm": (125.0, 158.0),
    "response_s": Normal(57.6, 23.6, 30.0, 80.0),  # Hunt, Fankhauser, Saengsuwan 2015, BioMed Eng OnLine 14
    "dead_s": (4.0, 12.0),  # beside a lag: Hunt & Wang 2024, F1000Research 13:894
    "fall_factor": 1.0,  # response when falling, of that when rising
    "gain": Normal(27.0, 8.0, 14.0, 45.0),  # bpm/(m/s); 24.2 +- 8.3 (2015), 30.4 +- 7.5 (Donne 2024 data)
    "on_s": (18.0, 40.0),  # running again; rest to running 17 to 23 s (Zakynthinaki 2015 data)
    "off_s": (25.0, 50.0),
    "fall_60_bpm": Normal(17.2, 8.0, 6.0, 36.0),  # in the first minute of a walk (Donne 2024 data)
    "deeper_bpm": (8.0, 30.0),  # so much more in a long walk: its oxygen asks for 40 bpm less (ACSM)
    "tail_s": (400.0, 900.0),
    "drift_bpm_per_h": (1.0, 7.0),  # Wingo 2012; from the tenth minute
    "slow_share": 0.0,  # slow component: so much more for each bpm above
    "slow_from_bpm": (-6.0, 2.0),  # of the ceiling
    "slow_s": (120.0, 300.0),
    "wander_sd_bpm": 0.0,
    "wander_s": (60.0, 120.0),
    "start_under_bpm": (15.0, 50.0),
    # manners
    "over_bpm": (2.0, 18.0),  # habitual speed settles so far over the ceiling
    "jog_under_bpm": (4.0, 14.0),  # the slowest jog so far under it
    "habit_m_s": (2.4, 3.2),
    "walk_m_s": (1.4, 1.75),
    "react_s": 3.0,
    "react_more_s": 5.0,
    "ease_least": 0.07,  # share of the speed, or m/s where `ease_in_m_s`
    "ease_most": 0.18,
    "ease_same": 0.0,
    "ease_in_m_s": 0.0,
    "gradual_s": 1.0,  # the new speed is taken up with this lag
    "habit_moves": 0.35,
    "creep_per_s": (0.001, 0.004),
    "relapse_share": 0.0,
    "relapse_after_s": (25.0, 55.0),
    "obeys": (0.75, 1.0),
    "ignores_every": 0.0,
    "tires_at": inf,  # cues in ten minutes at which obedience is halved
    "tires_for_good_at": inf,  # the same of all cues so far
    "deaf_every_s": 0.0,
    "deaf_for_s": (60.0, 120.0),
    "restart_share": 0.97,
    "restart_more": 0.0,  # too quickly by so much at first, dying away within a minute
    "starts_by_himself_s": inf,
    "starts_more_s": 0.0,
    "missed_start_s": 120.0,  # by feel, after a resume that was missed
    "shuffles": 0.0,  # hears walk and falls into the slowest jog
    "gentle": Often(0.5),  # the first five minutes begin at 80 %
    # strap
    "window_s": (3.0, 10.0),
    "window_beats": 0.0,
    "white_sd": 0.0,
    "noise_sd": (0.7, 1.6),  # median 1.64 bpm about a two-minute mean (Donne 2024 data)
    "noise_s": (5.0, 15.0),
    "breath_sd": 0.0,
    "breath_s": (2.5, 6.0),
    "every_s": 1.0,
    "bursts_per_h": 0.0,
    "faults": 0.0,
    # road
    "effort": 0.0,  # 1 holds effort on grades, 0 holds speed
    "speed_known": 0.0,
    "belt": 0.0,
}

# The middle runner of the second family: another heart, other manners, another strap.
SECOND: dict[str, Spread] = {
    **FIRST,
    "ceiling_bpm": (120.0, 165.0),
    "quick_share": (0.25, 0.55),  # of the response, not delayed (Hunt & Wang 2024: parallel lags)
    "quick_s": (10.0, 28.0),
    "response_s": (45.0, 90.0),  # of the delayed part
    "dead_s": (8.0, 22.0),
    "fall_factor": (1.0, 1.3),
    "gain": (16.0, 42.0),
    "walk_under_bpm": (12.0, 34.0),  # walking settles so far under the ceiling
    "drift_bpm_per_h": (0.0, 9.0),
    "slow_share": (0.0, 0.15),
    "wander_sd_bpm": (0.0, 0.8),
    "start_under_bpm": (25.0, 60.0),
    "over_bpm": (3.0, 15.0),
    "jog_under_bpm": (3.0, 12.0),
    "react_s": (2.0, 5.0),
    "react_more_s": (3.0, 7.0),
    "ease_least": 0.12,
    "ease_most": 0.45,
    "ease_in_m_s": 1.0,
    "gradual_s": (2.0, 10.0),
    "habit_moves": (0.1, 0.6),
    "creep_per_s": (0.0005, 0.003),
    "obeys": (0.7, 1.0),
    "restart_share": (0.94, 1.02),
    "restart_more": (0.0, 0.08),
    "missed_start_s": (90.0, 200.0),
    "window_s": 0.0,
    "window_beats": (5.0, 16.0),
    "white_sd": (0.1, 0.5),
    "noise_sd": (0.5, 1.8),
    "noise_s": (8.0, 35.0),
    "breath_sd": (0.0, 0.6),
}

MIDDLES: dict[str, dict[str, Spread]] = {"first": FIRST, "second": SECOND}


@dataclass(frozen=True)
class Kind:
    """One kind of runner: a name, what is special, the ranges changed, the road and whether he can jog."""

    name: str
    family: str
    meaning: str
    changes: Mapping[str, Spread] = field(default_factory=dict)
    road: str = "level"
    road_args: Mapping[str, Any] = field(default_factory=dict)
    held_out: bool = False


def _kind(family: str, name: str, meaning: str, road: str = "level", *, held_out: bool = False,
          road_args: Mapping[str, Any] | None = None, shared: Mapping[str, Spread] | None = None,
          **own: Spread) -> Kind:
    """A kind with `own` ranges beside those it shares with other kinds."""
    changes = {**(shared or {}), **own}
    unknown = set(changes) - set(MIDDLES[family])
    if unknown:
        raise ValueError(f"kind {name}: no such parameter: {', '.join(sorted(unknown))}")
    return Kind(name, family, meaning, changes, road, road_args or {}, held_out)


SMALL: dict[str, Spread] = {"ease_least": 0.015, "ease_most": 0.05}
RELAPSE: dict[str, Spread] = {"relapse_share": (0.6, 1.0), "habit_moves": 0.0}
DEAF: dict[str, Spread] = {"deaf_every_s": (200.0, 420.0)}
NO_JOG: dict[str, Spread] = {"jog_under_bpm": (-7.0, -2.0), "over_bpm": (5.0, 18.0)}
JUST: dict[str, Spread] = {"jog_under_bpm": (0.8, 3.0)}

_ONE = (
    _kind("first", "middle", "the middle of every range"),
    _kind("first", "quick heart", "response 14 to 28 s", response_s=(14.0, 28.0), dead_s=(3.0, 8.0)),
    _kind("first", "slow heart", "response 85 to 120 s", response_s=(85.0, 120.0)),
    _kind("first", "long dead time", "dead time 14 to 24 s", dead_s=(14.0, 24.0)),
    _kind("first", "slow to fall", "falls 1.5 to 2.2 times as slowly as it rises", fall_factor=(1.5, 2.2)),
    _kind("first", "hot", "drift of 12 to 22 bpm an hour", drift_bpm_per_h=(12.0, 22.0),
          jog_under_bpm=(12.0, 26.0)),
    _kind("first", "slow component", "another .15 to .5 bpm for each above a threshold, over minutes",
          slow_share=(0.15, 0.5)),
    _kind("first", "wandering heart", "wanders by 1 to 3 bpm over a minute or two",
          wander_sd_bpm=(1.0, 3.0)),
    _kind("first", "small easer", "1.5 to 5 % a cue", shared=SMALL),
    _kind("first", "big easer", "20 to 30 % a cue", ease_least=0.20, ease_most=0.30),
    _kind("first", "same gradual ease", "the same each time, taken up over 10 to 25 s",
          ease_same=1.0, gradual_s=(5.0, 12.0)),
    _kind("first", "relapse", "back within a minute", shared=RELAPSE),
    _kind("first", "heeds half", "every second cue on average", obeys=(0.45, 0.6)),
    _kind("first", "ignores every third", "", ignores_every=3.0),
    _kind("first", "tiring", "half as willing at 20 cues", tires_at=6.7, tires_for_good_at=20.0),
    _kind("first", "deaf spells", "hears nothing for a minute or two", shared=DEAF),
    _kind("first", "late", "acts after 10 to 20 s", react_s=10.0, react_more_s=10.0),
    _kind("first", "no creep", "keeps what he was told", creep_per_s=0.0),
    _kind("first", "quick creep", "back at 1 % a second", creep_per_s=(0.008, 0.012)),
    _kind("first", "habit at the ceiling", "settles within 1.5 bpm of it", over_bpm=(-1.5, 1.5)),
    _kind("first", "habit under the ceiling", "4 to 12 bpm under: nobody to be cued", over_bpm=(-12.0, -4.0),
          jog_under_bpm=(16.0, 24.0)),
    _kind("first", "long climbs", "2 to 4 % for 5 to 20 min, speed held", "climbs", belt=1.0,
          road_args={"slope": (0.02, 0.04), "up_s": (300, 1200), "level_s": (180, 600)},
          jog_under_bpm=(14.0, 26.0)),
    _kind("first", "hills, speed held", "5 to 9 % for 1 to 4 min, down again", "climbs",
          road_args={"slope": (0.05, 0.09), "up_s": (60, 240), "level_s": (60, 240), "down": True}),
    _kind("first", "hills, effort held", "the same by effort", "climbs", effort=(0.6, 1.0),
          road_args={"slope": (0.04, 0.09), "up_s": (60, 240), "level_s": (60, 240), "down": True}),
    _kind("first", "short climbs", "6 to 9 % for 30 to 45 s", "climbs", effort=(0.0, 0.6),
          road_args={"slope": (0.06, 0.09), "up_s": (30, 45), "level_s": (90, 240)}),
    _kind("first", "wandering grade", "SD 1.5 to 2.5 %, speed held", "wandering"),
    _kind("first", "rolling", "up to 4 %, 5 to 7 min from top to top", "rolling", effort=(0.2, 0.8)),
    _kind("first", "lights", "stands 15 to 60 s every 2 to 7 min", "lights"),
    _kind("first", "surges", "10 to 25 s at 112 to 125 %", "surges",
          road_args={"factor": (1.12, 1.25), "for_s": (10, 25), "every_s": (90, 300)}),
    _kind("first", "fast parts", "a minute or two at 108 to 116 %", "surges",
          road_args={"factor": (1.08, 1.16), "for_s": (60, 120), "every_s": (240, 480)}),
    _kind("first", "starts too quickly", "lights, and off again up to 20 % too fast", "lights",
          restart_more=(0.08, 0.20)),
    _kind("first", "no jog, waits", "slowest jog 2 to 7 bpm over; never starts without a word",
          missed_start_s=inf, shared=NO_JOG),
    _kind("first", "no jog, starts soon", "the same; starts again by himself after 60 to 120 s",
          starts_by_himself_s=60.0, starts_more_s=60.0, shared=NO_JOG),
    _kind("first", "no jog, starts late", "the same after 120 to 240 s, up to 20 % too quickly",
          starts_by_himself_s=120.0, starts_more_s=120.0, restart_more=(0.0, 0.2), shared=NO_JOG),
    _kind("first", "jog just under", "slowest jog .8 to 3 bpm under", shared=JUST),
    _kind("first", "jog just under, hot", "10 bpm an hour of drift take it over", drift_bpm_per_h=(8.0, 12.0),
          shared=JUST),
    _kind("first", "white strap", "SD 1.5 to 2.5, not averaged", white_sd=(1.5, 2.5), noise_sd=0.2,
          window_s=1.0),
    _kind("first", "breathing strap", "SD 1 to 2.2 at the pace of breath", breath_sd=(1.0, 2.2), noise_sd=0.5,
          window_s=(1.0, 3.0)),
    _kind("first", "slowly wandering strap", "SD 1.5 to 2.5 over 20 to 50 s", noise_sd=(1.5, 2.5),
          noise_s=(20.0, 50.0)),
    _kind("first", "long mean", "over 20 to 30 beats", window_s=0.0, window_beats=(20.0, 30.0)),
    _kind("first", "every 5 s", "a reading every 5 s", every_s=5.0),
    _kind("first", "every 2 or 3 s", "", every_s=(2.0, 3.49)),
    _kind("first", "bursts", "believable: 8 to 20 bpm up for 5 to 20 s, ten an hour", bursts_per_h=10.0),
    _kind("first", "usual faults", "gaps, spikes, frozen values", faults=1.0),
    _kind("first", "small and relapsing", "1.5 to 5 %, back within a minute", shared=SMALL | RELAPSE),
    _kind("first", "small and deaf", "1.5 to 5 %, deaf spells", shared=SMALL | DEAF),
    _kind("first", "small on long climbs", "1.5 to 5 % a cue, climbs of 2 to 4 %", "climbs",
          road_args={"slope": (0.02, 0.04), "up_s": (240, 900), "level_s": (180, 480)},
          jog_under_bpm=(14.0, 26.0), shared=SMALL),
    _kind("first", "jogs level, not uphill", "slowest jog under on the level, over on 5 to 8 %", "climbs",
          road_args={"slope": (0.05, 0.08), "up_s": (120, 300), "level_s": (180, 420)},
          jog_under_bpm=(3.0, 8.0)),
    _kind("first", "belt, speed known", "level", belt=1.0, speed_known=1.0, creep_per_s=0.0),
    _kind("first", "belt, speed and grade known", "climbs of 2 to 6 %", "climbs", belt=1.0, speed_known=1.0,
          creep_per_s=0.0,
          road_args={"slope": (0.02, 0.06), "up_s": (60, 300), "level_s": (120, 360)}),
    _kind("first", "late and relapsing", "acts after 10 to 20 s, back within a minute", held_out=True,
          react_s=10.0, react_more_s=10.0, shared=RELAPSE),
    _kind("first", "quick heart on hills", "response 14 to 28 s, 4 to 8 %", "climbs", held_out=True,
          response_s=(14.0, 28.0), dead_s=(3.0, 8.0), effort=(0.2, 0.8),
          road_args={"slope": (0.04, 0.08), "up_s": (60, 240), "level_s": (60, 240), "down": True}),
    _kind("first", "no jog, half heard", "slowest jog over, heeds half", held_out=True, obeys=(0.45, 0.6),
          starts_by_himself_s=90.0, starts_more_s=90.0, shared=NO_JOG),
    _kind("first", "deaf, slow strap, drift", "deaf spells, every 3 s, 10 bpm an hour", held_out=True,
          every_s=3.0, drift_bpm_per_h=(8.0, 14.0), jog_under_bpm=(10.0, 20.0), shared=DEAF),
)

SMALL_M_S: dict[str, Spread] = {"ease_least": 0.04, "ease_most": 0.12}
NO_JOG_2: dict[str, Spread] = {"jog_under_bpm": (-6.0, -1.5), "over_bpm": (4.0, 16.0)}

_TWO = (
    _kind("second", "middle", "the middle of every range"),
    _kind("second", "mostly quick", "half to four fifths not delayed", quick_share=(0.5, 0.8),
          quick_s=(14.0, 26.0)),
    _kind("second", "mostly slow", "the delayed part 80 to 120 s", response_s=(80.0, 120.0),
          quick_share=(0.1, 0.3)),
    _kind("second", "slow to fall", "1.5 to 2 times", fall_factor=(1.5, 2.0)),
    _kind("second", "heat", "drift of 10 to 18 bpm an hour", drift_bpm_per_h=(10.0, 18.0),
          jog_under_bpm=(12.0, 24.0)),
    _kind("second", "wandering heart", "1 to 2.5 bpm over a minute or two", wander_sd_bpm=(1.0, 2.5)),
    _kind("second", "small easer", ".04 to .12 m/s a cue", shared=SMALL_M_S),
    _kind("second", "big easer", ".5 to .9 m/s a cue", ease_least=0.5, ease_most=0.9),
    _kind("second", "slow to ease", "takes half a minute to slow down", gradual_s=(10.0, 18.0)),
    _kind("second", "relapse", "back within a minute, at once", shared=RELAPSE),
    _kind("second", "relapse of small eases", "", shared=SMALL_M_S | RELAPSE),
    _kind("second", "deaf spells", "a minute or two", shared=DEAF),
    _kind("second", "deaf, small eases", "", shared=DEAF | SMALL_M_S),
    _kind("second", "heeds half", "", obeys=(0.45, 0.6)),
    _kind("second", "late", "acts after 10 to 20 s", react_s=10.0, react_more_s=10.0),
    _kind("second", "quick creep", "back at 1 % a second", creep_per_s=(0.008, 0.012)),
    _kind("second", "shuffles", "told to walk he falls into his slowest jog", shuffles=1.0),
    _kind("second", "no jog, waits", "slowest jog over; never starts without a word", missed_start_s=inf,
          shared=NO_JOG_2),
    _kind("second", "no jog, starts by himself", "after 60 to 180 s", starts_by_himself_s=60.0,
          starts_more_s=120.0, shared=NO_JOG_2),
    _kind("second", "jog just under", "slowest jog .8 to 3 bpm under", shared=JUST),
    _kind("second", "hilly loop", "a random road of slopes up to 7 %", "random", effort=(0.3, 0.9),
          road_args={"most": 0.07}),
    _kind("second", "hilly loop, small eases", "slopes up to 5 %", "random", effort=(0.1, 0.6),
          road_args={"most": 0.05}, jog_under_bpm=(12.0, 22.0), shared=SMALL_M_S),
    _kind("second", "rises and dips", "gentle, up to 3 %, speed held", "random", road_args={"most": 0.03}),
    _kind("second", "city", "lights, and off again quickly", "lights", restart_more=(0.05, 0.2)),
    _kind("second", "strides", "20 s at 120 to 135 % every four or five minutes", "surges",
          road_args={"factor": (1.2, 1.35), "for_s": (15, 25), "every_s": (220, 320)}),
    _kind("second", "noisy strap", "SD 1.8 to 2.5, slow", noise_sd=(1.8, 2.5), noise_s=(10.0, 40.0)),
    _kind("second", "strap every 4 or 5 s", "", every_s=(3.6, 5.4)),
    _kind("second", "faulty strap", "gaps, spikes, frozen values, bursts", faults=1.0, bursts_per_h=4.0),
    _kind("second", "quick and late", "mostly quick heart, acts late", held_out=True,
          quick_share=(0.5, 0.8), react_s=8.0, react_more_s=10.0),
    _kind("second", "no jog on hills", "slowest jog just under on the level", "random", held_out=True,
          road_args={"most": 0.06}, effort=(0.3, 0.8), shared=JUST),
    _kind("second", "relapse, noisy strap", "", held_out=True, noise_sd=(1.6, 2.4), shared=RELAPSE),
    _kind("second", "slow component, heeds half", "", held_out=True, slow_share=(0.2, 0.5),
          obeys=(0.5, 0.65)),
)

KINDS: tuple[Kind, ...] = _ONE + _TWO
DEVELOPMENT: tuple[Kind, ...] = tuple(kind for kind in KINDS if not kind.held_out)
HELD_OUT: tuple[Kind, ...] = tuple(kind for kind in KINDS if kind.held_out)


def draw(kind: Kind, n: int, rng: np.random.Generator) -> dict[str, Array]:
    """n runners of a kind: every parameter of both families, arrays of n."""
    spreads = {**SECOND, **MIDDLES[kind.family], **kind.changes}  # one drawing order for both families
    who = {name: _values(spread, rng, n) for name, spread in spreads.items()}
    who["ceiling_bpm"] = np.rint(who["ceiling_bpm"])
    # Nobody's slowest jog is as fast as his habit, and no jog is as slow as a walk.
    who["jog_under_bpm"] = np.maximum(who["jog_under_bpm"], 2.0 - who["over_bpm"])
    below = (who["over_bpm"] + who["jog_under_bpm"]) / who["gain"]
    who["habit_m_s"] = np.maximum(who["habit_m_s"], 1.55 + below)
    who["slowest_jog_m_s"] = who["habit_m_s"] - below
    if kind.family == "first":
        left = 1.0 - np.exp(-(60.0 - who["dead_s"]) / who["off_s"])
        who["walk_under_bpm"] = who["fall_60_bpm"] / left
    who["every_s"] = np.rint(who["every_s"])
    return who


def _values(spread: Spread, rng: np.random.Generator, n: int) -> Array:
    if isinstance(spread, (Normal, Often)):
        return spread.draw(rng, n)
    if isinstance(spread, tuple):
        return rng.uniform(*spread, n)
    return np.full(n, float(spread))
