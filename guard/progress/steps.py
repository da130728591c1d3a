"""What a change that came in one day would explain. Pure.

Of one source of speed: a new pod, a moved pod, another belt. Of the heart rate itself, whatever told the
speed: a medicine begun or ended, another strap; rarer, and larger.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from guard.arrays import Floats
from guard.progress.least_squares import Averaged, tail

# Judgement: how large a step is, as a share of the speed, and how likely in a year.
STEP_SD, STEP_CHANCE = 0.03, 0.15
HEART_SD, HEART_CHANCE = 0.12, 0.01
FEWEST_BESIDE_STEP = 3  # runs before and after (ours)


@dataclass(frozen=True, slots=True)
class SpeedStep:
    """A step that came in one day: chance that there was one, where, how much.

    `source` is the one whose speeds moved; empty where heart rate did.
    """

    chance: float
    source: str
    day: float
    share: float


class SpeedSteps:
    """What a step on one day would explain."""

    def __init__(
        self, found: Averaged, days: Floats, sources: NDArray[np.str_], names: list[str], today: float,
    ) -> None:
        one = found.best
        columns, sds, chances, self.places = [], [], [], []
        kinds = [(name, sources == name, STEP_SD, STEP_CHANCE) for name in names]
        for name, those, sd, chance in [*kinds, ("", sources == sources, HEART_SD, HEART_CHANCE)]:
            mine = days[those]
            for day in np.unique(mine)[1:]:
                before, after = int((mine < day).sum()), int((mine >= day).sum())
                if min(before, after) >= FEWEST_BESIDE_STEP:
                    columns.append((those & (days >= day)).astype(np.float64))
                    sds.append(sd)
                    chances.append(chance / (1.0 - chance))
                    self.places.append((name, float(day) + today))
        if not columns:
            return
        c, sd2 = np.stack(columns, axis=1), np.square(sds)
        heart = np.array([not name for name, _ in self.places])
        number = np.where(heart, heart.sum(), (~heart).sum())
        white = one.whiten @ c
        self.leads = one.gain @ c  # what a unit of each step adds to the coefficients
        beside = white - one.white_x @ self.leads
        # Errors of temperatures are taken off in the fit: what is left can dip under nothing.
        information = np.maximum(np.einsum("ij,ij->j", white, beside), 0.0)
        score = white.T @ one.white_rest
        self.sd2 = sd2 / (1.0 + information * sd2)
        self.shares = score * self.sd2
        log_odds = 0.5 * (np.log(self.sd2 / sd2) + score**2 * self.sd2)
        self.odds = np.array(chances) / number * np.exp(np.minimum(log_odds, 200.0))
        self.chance = float(self.odds.sum() / (1.0 + self.odds.sum()))

    def doubt(self, contrast: Floats, value: float, variance: float, free: float) -> float:
        """The chance that the change went the other way, over all steps there may have been and none."""
        none = tail(abs(value) / math.sqrt(variance), free)
        if not self.places:
            return none
        lead = contrast @ self.leads
        left = np.sign(value) * (value - lead * self.shares) / np.sqrt(variance + lead**2 * self.sd2)
        with_step = sum(odds * tail(z, free)
                        for odds, z in zip(self.odds.tolist(), left.tolist(), strict=True))
        return float((none + with_step) / (1.0 + self.odds.sum()))

    def likely(self) -> SpeedStep | None:
        if not self.places:
            return None
        best = int(np.argmax(self.odds))
        return SpeedStep(self.chance, *self.places[best], float(self.shares[best]))
