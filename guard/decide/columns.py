"""The settings of the lanes as columns, one number a lane, with what follows from them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

from guard.decide.constants import BURST_SHARE, HEADING_S, RESTART_Z
from guard.heart.estimate import NAN
from guard.heart.kit import Fact, Kit, Number
from guard.settings import Settings


@dataclass(frozen=True)
class Figures:
    """What the table of rules is worked by, from the dials; goes when that table goes.

    At the middle of each dial they are what simulation chose for the table; the
    spans are round figures around it.
    """

    lead_s: float
    certainty: float
    settle_s: float
    resume_margin_bpm: float
    repeat_s: float
    walk_after_s: float
    budget_per_h: float


def figures(settings: Settings) -> Figures:
    """The figures for these dials."""
    strict, words, walk = (dial - 0.5 for dial in (settings.strictness, settings.words, settings.walk_first))
    return Figures(
        lead_s=20.0 + 20.0 * strict, certainty=0.6 - 0.4 * strict, settle_s=8.0, resume_margin_bpm=8.0,
        repeat_s=18.0 * 4.0 ** -words, walk_after_s=140.0 * 16.0 ** -walk, budget_per_h=30.0 * 64.0 ** words)


class Columns:
    """The settings of the lanes, one number a lane, constants precomputed."""

    def __init__(self, kit: Kit, settings: Sequence[Settings]) -> None:
        def column(key: str) -> Number:
            values = [getattr(one, key) for one in settings]
            return kit.column([NAN if value is None else float(value) for value in values])

        derived = [figures(one) for one in settings]

        def figure(key: str) -> Number:
            return kit.column([getattr(one, key) for one in derived])

        self.lanes = len(settings)
        self.ceiling_bpm = column("ceiling_bpm")
        self.floor_bpm = column("floor_bpm")
        self.stop_bpm = column("stop_bpm")
        self.lead_s = figure("lead_s")
        self.settle_s = figure("settle_s")
        self.resume_margin_bpm = figure("resume_margin_bpm")
        self.spacing_s = column("spacing_s")
        self.repeat_s = figure("repeat_s")
        self.walk_after_s = figure("walk_after_s")
        self.walking = column("walking") > 0
        self.budget_per_h = figure("budget_per_h")
        self.warm_up_s = column("warm_up_s")
        self.warm_up_quiet_s = column("warm_up_quiet_s")
        self.warm_up_ramp_bpm = column("warm_up_ramp_bpm")
        self.stale_s = column("stale_s")
        self.lost_s = column("lost_s")
        self.response_s = column("response_s")
        self.restart_response_s = column("restart_response_s")
        self.gain = column("gain_bpm_per_m_s")
        self.belt_step_m_s = column("belt_step_m_s")
        self.free_run: Fact = kit.column([False for _ in settings])
        self.quiet_ease: Fact = self.free_run
        self.quiet_walk: Fact = self.free_run
        self.z = kit.column([_z(one.certainty) for one in derived])
        self.restart_z = kit.most(self.z, RESTART_Z)
        pairs = list(zip(settings, derived, strict=True))
        self.reach_s = kit.column([reach_s(one.response_s, its.lead_s) for one, its in pairs])
        self.restart_reach_s = kit.column([
            reach_s(one.restart_response_s, its.lead_s) for one, its in pairs])
        self.heading_reach_s = kit.column([reach_s(one.response_s, HEADING_S) for one in settings])
        self.tokens_cap = kit.most(3.0, self.budget_per_h / BURST_SHARE)
        self.tokens_per_s = self.budget_per_h / 3600.0


def reach_s(response_s: float, ahead_s: float) -> float:
    """How many seconds of the present slope are still to come in `ahead_s`.

    A first order response that now climbs with slope b rises by
    b * tau * (1 - exp(-ahead/tau)) (Hunt, Fankhauser, Saengsuwan 2015).
    """
    return response_s * -math.expm1(-ahead_s / response_s)


def _z(chance: float) -> float:
    return NormalDist().inv_cdf(chance)
