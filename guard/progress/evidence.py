"""How likely a change is beside other accounts of the same runs: a step on one day, nothing at all. Pure.

Three accounts of the line over days, each with and without a step on one day:
nothing changed; a straight line; a line that bends. What the runs say of each is
its marginal likelihood, which charges an account for all it could have said
(Jeffreys 1961, Theory of Probability, 5.0). A step of a source is a new pod, a
moved pod, another belt; one of the heart rate itself, whatever told the speed, is
a medicine begun or ended, another strap: rarer, and larger. A step is there
from its first run on and a change is not, so over enough days they part;
until then the likelier one of the two is not yet the only one.

Along a line that bends, "no change from here to there" is a point: what the runs
say of it is its density after over that before (Savage & Dickey: Dickey 1971,
Ann Math Stat 42:204).
"""

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from guard.arrays import Floats
from guard.progress.least_squares import Averaged, Gls, tails

# How likely each line is before any run, one against the other (simulation chose it). A line that bends may
# bend to no change at all from here to there, as likely as not.
STILL, STRAIGHT, BENT = "still", "straight", "bent"
USUAL = {STILL: 0.3, STRAIGHT: 1.0, BENT: 1.0}
_HIGHEST = 300.0  # of a logarithm, before it is no number any more


@dataclass(frozen=True)
class PossibleStep:
    """A step there may have been: of `source` (empty: of the heart rate), on `day`, in the runs `there` (n,).

    `sd` is how large, as a share of the speed, `chance` how likely one of its kind is at all.
    """

    source: str
    day: float
    there: NDArray[np.bool_]
    sd: float
    chance: float


@dataclass(frozen=True, slots=True)
class SpeedStep:
    """A step that came in one day: chance that there was one, where, how much.

    `source` is the one whose speeds moved; empty where heart rate did.
    """

    chance: float
    source: str
    day: float
    share: float


@dataclass(frozen=True, slots=True)
class ChangeDoubt:
    """Chances that a change is none, or went the other way: with `nothing` at all having happened, with
    `other` lines, with a `step` on one day.
    """

    nothing: float
    other: float
    step: float

    @property
    def all(self) -> float:
        return self.nothing + self.other + self.step


@dataclass(frozen=True)
class _Account:
    """One line over days under one length of luck; what a step on each of n days would do to it.

    `weight` is the likelihood without a step, `weights` (n,) with each; `leads`
    (p, n) is what a unit of it adds to the coefficients, `shares` and `sd2` (n,)
    how large it would be.
    """

    line: str
    fit: Gls
    weight: float
    weights: Floats
    leads: Floats
    shares: Floats
    sd2: Floats


class Evidence:
    """Every account of the same runs."""

    def __init__(
        self, found: Averaged, lines: Mapping[str, Floats], steps: Sequence[PossibleStep], today: float,
    ) -> None:
        """`lines` holds each line's prior precision, those of `USUAL`; `found` is fitted under `BENT`."""
        self._places = [(one.source, one.day + today) for one in steps]
        columns = np.zeros((len(found.fits[0].white_rest), len(steps)))
        for place, step in enumerate(steps):
            columns[:, place] = step.there
        alike = Counter(bool(one.source) for one in steps)
        square = np.array([one.sd**2 for one in steps])
        usual = np.array([one.chance / (1.0 - one.chance) / alike[bool(one.source)] for one in steps])
        self._spread = np.linalg.inv(lines[BENT])
        self._accounts = []
        fits = [(line, one if line == BENT else one.under(lines[line]))
                for one in found.fits for line in USUAL]
        highest = max(one.log_evidence for _, one in fits)
        white = np.zeros(0)
        for line, one in fits:
            if line == STILL:  # the first of each length of luck
                white = one.whiten @ columns
            likely = USUAL[line] * math.exp(one.log_evidence - highest)
            leads = one.gain @ columns
            # Errors of temperatures are taken off in the fit: what is left can dip under nothing.
            told = np.maximum(np.einsum("ij,ij->j", white, white - one.white_x @ leads), 0.0)
            score = white.T @ one.white_rest
            sd2 = square / (1.0 + told * square)
            gained = 0.5 * (np.log(sd2 / square) + score**2 * sd2)
            self._accounts.append(_Account(
                line, one, likely, likely * usual * np.exp(np.minimum(gained, _HIGHEST)), leads, score * sd2,
                sd2))

    def doubt(self, contrast: Floats, value: float, variance: float, free: float) -> ChangeDoubt:
        """Of a change: the contrast of the coefficients, its value and variance as they are told.

        What of the variance is not the fits' own is added to each account's.
        """
        bent = [one for one in self._accounts if one.line == BENT]
        own = np.average([contrast @ one.fit.inverse @ contrast for one in bent],
                         weights=[one.weight for one in bent])
        more = max(variance - float(own), 0.0)
        usual = float(contrast @ self._spread @ contrast) + more
        parts = np.zeros((2, 3))  # without and with a step: nothing, the other way, a change
        for one in self._accounts:
            weights = np.append(one.weights, one.weight)
            lead = np.append(contrast @ one.leads, 0.0)
            values = contrast @ one.fit.coefficients - lead * np.append(one.shares, 0.0)
            variances = contrast @ one.fit.inverse @ contrast + lead**2 * np.append(one.sd2, 0.0) + more
            z = math.copysign(1.0, value) * values / np.sqrt(variances)
            against = tails(z, free)
            shown = np.stack([np.zeros(len(z)), against, 1.0 - against])
            if one.line == STILL:
                shown = np.array([[1.0], [0.0], [0.0]])
            elif one.line == BENT:
                shown[0] = np.sqrt(usual / variances) * (1.0 + z**2 / free) ** (-0.5 * (free + 1.0))
            shown = shown * weights
            parts += np.stack([shown[:, -1], shown[:, :-1].sum(axis=1)])
        parts /= parts.sum()
        return ChangeDoubt(float(parts[0, 0]), float(parts[0, 1]), float(parts[1, :2].sum()))

    def step(self) -> SpeedStep | None:
        """The likeliest step; None where no day could hold one."""
        if not self._places:
            return None
        by_day = np.sum([one.weights for one in self._accounts], axis=0)
        chance = float(by_day.sum() / (by_day.sum() + sum(one.weight for one in self._accounts)))
        best = int(np.argmax(by_day))
        share = float(sum(one.weights[best] * one.shares[best] for one in self._accounts) / by_day[best])
        return SpeedStep(chance, *self._places[best], share)
