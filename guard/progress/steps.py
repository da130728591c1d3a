"""What a one-day step of a source of speed would explain: a new pod, a moved pod, another belt. Pure."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from guard.arrays import Floats
from guard.progress.least_squares import Averaged, tail

STEP_SD, STEP_CHANCE = 0.03, 0.1  # judgement: how large a step is, as a share, and how likely in a year
FEWEST_BESIDE_STEP = 3


@dataclass(frozen=True, slots=True)
class SpeedStep:
    """A step of one source's speeds that came in one day: chance that there was one, where, how much."""

    chance: float
    source: str
    day: float
    share: float


class SpeedSteps:
    """What a step of one source's speeds on one day would explain."""

    def __init__(
        self, found: Averaged, days: Floats, sources: NDArray[np.str_], names: list[str], today: float,
    ) -> None:
        one = found.best
        columns, self.places = [], []
        for name in names:
            mine = days[sources == name]
            for day in np.unique(mine)[1:]:
                before, after = int((mine < day).sum()), int((mine >= day).sum())
                if min(before, after) >= FEWEST_BESIDE_STEP:
                    columns.append(((sources == name) & (days >= day)).astype(np.float64))
                    self.places.append((name, float(day) + today))
        if not columns:
            return
        c = np.stack(columns, axis=1)
        white = one.whiten @ c
        self.leads = one.gain @ c  # what a unit of each step adds to the coefficients
        beside = white - one.white_x @ self.leads
        information = np.einsum("ij,ij->j", white, beside)
        score = white.T @ one.white_rest
        self.sd2 = STEP_SD**2 / (1.0 + information * STEP_SD**2)
        self.shares = score * self.sd2
        log_odds = 0.5 * (np.log(self.sd2 / STEP_SD**2) + score**2 * self.sd2)
        odds = STEP_CHANCE / (1.0 - STEP_CHANCE) / len(columns) * np.exp(np.minimum(log_odds, 200.0))
        self.chance = float(odds.sum() / (1.0 + odds.sum()))
        self.odds = odds

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
