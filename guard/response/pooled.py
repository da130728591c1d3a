"""All runs of one runner in one fit, with intervals that hold for runs as wholes. Pure.

Over a grid of response and dead times each run gives how much of what moves the
heart it saw (a gain, or the beats an ease brings), its own about the runner's:
days differ. The grid is weighed by likelihood and by what is known of people.

Minutes of one run are alike in ways no model names, so an interval rests on how
the answer moves when a run is left out (delete-one jackknife: Tukey 1958, Ann
Math Stat 29:614), never on less than what the likelihood leaves open; Student's
t for as many runs as there are in effect.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from guard.arrays import Bools, Floats
from guard.response.guarded import ERRORS_DRAWN, Bout
from guard.response.noise import BASES, Movers, Noise, White
from guard.response.spans import Estimate

RELIABLE = 0.75  # of what a run's speed does, this share at least must be no error of the speed
TEMPERED = 1.3  # likelihoods count less, for no model is the heart's. Simulated
JUDGED_RUNS = 4.0  # what the likelihood leaves open counts as so many runs. Simulated
DRAWN_TO, STRAP_SD_BPM = 30.0, 1.3  # a run's noise is drawn to the others'; of a reading


@dataclass(frozen=True)
class Grid:
    """Nodes of response and dead time (g,) with the logarithms of their prior weights.

    `step_sds` (s,) are SDs that each ease may have about the mean, bpm; 0: none.
    """

    response_s: Floats
    dead_s: Floats
    prior: Floats
    step_sds: tuple[float, ...] = (0.0,)

    @classmethod
    def of(cls, responses_s: Sequence[float], deads_s: Sequence[float], usual_s: float, log_sd: float,
           dead_s: float, dead_sd_s: float, step_sds: tuple[float, ...] = (0.0,)) -> "Grid":
        response, dead = (part.ravel() for part in np.meshgrid(responses_s, deads_s, indexing="ij"))
        prior = -0.5 * (np.log(response / usual_s) / log_sd) ** 2 - 0.5 * ((dead - dead_s) / dead_sd_s) ** 2
        return cls(response, dead, prior, step_sds)


@dataclass(frozen=True)
class Sums:
    """Of r runs at the nodes: own estimate, information, rest and log determinants (s, r, g); free (r,)."""

    own: Floats
    information: Floats
    rest: Floats
    log: Floats
    free: Floats

    def only(self, some: Bools) -> "Sums":
        """Those runs that `some` (r,) says."""
        return Sums(self.own[:, some], self.information[:, some], self.rest[:, some], self.log[:, some],
                    self.free[some])


def sums(some: Sequence[Bout], columns: Movers, noise: Noise, grid: Grid) -> "Sums":
    """The sums of all runs that tell anything; errors of speed are taken off (Fuller 1987, 1.2)."""
    runs = sorted({bout.run for bout in some})
    shape = (len(grid.step_sds), len(runs), len(grid.response_s))
    squares, with_bpm, rest, log = (np.zeros(shape) for _ in range(4))
    of_error, free = np.zeros(shape[1:]), np.zeros(len(runs))
    for bout in some:
        run, white = runs.index(bout.run), White.of(bout, noise)
        free[run] += len(white.bpm) - BASES
        own = float(white.bpm @ white.bpm)
        errors: dict[float, float] = {}
        for node, (response_s, dead_s) in enumerate(zip(grid.response_s, grid.dead_s, strict=True)):
            x = white.take(columns(bout, float(response_s), float(dead_s)))
            if bout.error_m_s > 0.0 and response_s not in errors:
                drawn = white.take(bout.by_error(float(response_s)))
                errors[response_s] = float(np.square(drawn).sum()) / ERRORS_DRAWN
            of_error[run, node] += errors.get(response_s, 0.0)
            inner, right = x.T @ x, x.T @ white.bpm
            for place, sd in enumerate(grid.step_sds):
                # What each step is beside the mean is integrated out (Woodbury).
                weigh: Floats = np.eye(len(inner))
                if sd > 0.0 and len(inner):
                    ratio = (STRAP_SD_BPM / sd) ** 2
                    weigh = np.asarray(ratio * np.linalg.inv(inner + ratio * weigh))
                    log[place, run, node] += 0.5 * float(np.linalg.slogdet(weigh)[1])
                    rest[place, run, node] -= float(right @ weigh @ right) / ratio
                squares[place, run, node] += float((inner @ weigh).sum())
                with_bpm[place, run, node] += float((weigh @ right).sum())
                rest[place, run, node] += own
    sure = (of_error / np.maximum(squares[0], 1e-9)).mean(axis=1) <= 1.0 - RELIABLE
    true = np.maximum(squares - of_error, 1e-9)
    plain = np.maximum(squares, 1e-9)
    rest = np.maximum(rest - with_bpm**2 / plain, 1e-9)
    return Sums(with_bpm / true, true**2 / plain, rest, log, free).only(sure)


OfMean = Callable[[Floats], Floats]  # of the runner's mean at the nodes (s, g), at the nodes


@dataclass(frozen=True)
class PooledRuns:
    """The runs' sums, with what is believed before of the runner's mean (`usual` and its SD) and of a
    run about it (SD `between`)."""

    grid: Grid
    sums: Sums
    usual: float
    usual_sd: float
    between: float

    @property
    def runs(self) -> int:
        """How many runs tell anything."""
        return len(self.sums.free)

    def known(self, quantity: OfMean, floor: float) -> Estimate:
        """A quantity with its 95 % interval; `floor` is an SD that no number of runs undercuts."""
        from scipy.special import stdtrit  # type: ignore[import-untyped]

        value, open_var = self._mean(self.sums, quantity)
        worth, var = self._worth(), 1.5 * open_var
        if self.runs > 1:
            places = np.arange(self.runs)
            left = np.array([self._mean(self.sums.only(places != run), quantity)[0] for run in places])
            jackknife = (self.runs - 1) / self.runs * float(np.square(left - value).sum())
            var = max((worth * jackknife + JUDGED_RUNS * open_var) / (worth + JUDGED_RUNS), open_var)
        free = worth - 1.0 + JUDGED_RUNS
        half = float(stdtrit(free, 0.975)) * math.sqrt(var + floor**2)
        return Estimate(value, value - half, value + half)

    def _mean(self, some: Sums, quantity: OfMean) -> tuple[float, float]:
        """Mean and variance of a quantity over all nodes."""
        free = some.free[None, :, None]
        usual = np.exp(np.mean(np.log(some.rest / free), axis=1, keepdims=True))
        noise = (some.rest + DRAWN_TO * usual) / (free + DRAWN_TO)
        var = noise / some.information + self.between**2
        total = (1.0 / var).sum(axis=1) + self.usual_sd**-2
        mean = ((some.own / var).sum(axis=1) + self.usual * self.usual_sd**-2) / total
        log = (some.log - 0.5 * (free + DRAWN_TO) * np.log(noise)
               - 0.5 * np.log(var / noise * some.information)
               - 0.5 * (some.own - mean[:, None]) ** 2 / var).sum(axis=1)
        log += -0.5 * ((mean - self.usual) / self.usual_sd) ** 2 - 0.5 * np.log(total)
        log = log / TEMPERED + self.grid.prior
        weight = np.exp(log - log.max())
        weight /= weight.sum()
        values, step = quantity(mean), 0.01
        by = (quantity(mean + step) - values) / step
        value = float((weight * values).sum())
        return value, float((weight * ((values - value) ** 2 + by**2 * TEMPERED / total)).sum())

    def _worth(self) -> float:
        """As many equally telling runs as these amount to."""
        place, node = len(self.grid.step_sds) // 2, len(self.grid.prior) // 2
        noise = self.sums.rest[place, :, node] / self.sums.free
        tells = 1.0 / (noise / self.sums.information[place, :, node] + self.between**2)
        return float(tells.sum() ** 2 / np.square(tells).sum())
