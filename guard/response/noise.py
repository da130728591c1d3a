"""What a heart rate does by itself, and how it is made white. Pure.

Errors of a strap last some seconds; a heart rate comes and goes over a minute or
two; efforts that nobody told wander and reach it through a lag. Under the
inverse of the Cholesky factor of their covariance each reading is compared with
what those before it foretold: prediction errors stand whatever closes the loop
between heart rate and speed (Ljung 1999, System Identification, ch. 13). How
large each part is, the runs themselves tell by restricted likelihood (Patterson
& Thompson 1971, Biometrika 58:545).
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import product

import numpy as np

from guard.arrays import Floats
from guard.response.guarded import BIN_S, EFFORT_LAG_S, LONGEST_BINS, Bout

Movers = Callable[[Bout, float, float], Floats]  # of a bout, for a response and a dead time

# Variances beside that of the strap's slow errors, which is 1.
MEMORIES_S = (6.0, 15.0, 40.0)  # of the strap's errors
WANDERS = (0.0003, 0.003, 0.03)  # of the effort, a second
RIPPLES, RIPPLE_S = (0.0, 0.3, 1.5), 80.0  # of the strap, as slow as that (ours)
WHITE = 0.1  # from one reading to the next (ours)
BASES = 3  # columns of `Bout.base`


@dataclass(frozen=True)
class Noise:
    """One size of each part."""

    memory_s: float = MEMORIES_S[1]
    wander: float = WANDERS[1]
    ripple: float = RIPPLES[0]


@lru_cache(maxsize=len(MEMORIES_S) * len(WANDERS) * len(RIPPLES))
def whitener(noise: Noise) -> tuple[Floats, Floats]:
    """Lower triangular (bins, bins) under which such errors are white, and its diagonal's logarithms."""
    at = BIN_S * np.arange(LONGEST_BINS)
    apart = at[:, None] - at[None, :]
    share = BIN_S / noise.memory_s
    mean = 2.0 * (share - 1.0 + math.exp(-share)) / share**2  # variance of the mean over a bin
    strap = mean * np.exp(-np.abs(apart) / noise.memory_s) + WHITE * np.eye(LONGEST_BINS)
    ripple = noise.ripple * np.exp(-np.abs(apart) / RIPPLE_S)
    arrived = np.where(apart >= 0, 1.0 - np.exp(-(apart + 0.5 * BIN_S) / EFFORT_LAG_S), 0.0)
    factor = np.linalg.cholesky(strap + ripple + noise.wander * BIN_S * arrived @ arrived.T)
    found = np.linalg.inv(factor)
    return found, np.log(np.diag(found))


@dataclass(frozen=True)
class White:
    """A bout made white, its base taken out: `bpm` (n,); `log` is -1/2 the log determinants."""

    way: Floats
    base: Floats
    bpm: Floats
    log: float

    @classmethod
    def of(cls, bout: Bout, noise: Noise) -> "White":
        whole, logs = whitener(noise)
        number = len(bout.bpm)
        way = whole[:number, :number]
        base, upper = np.linalg.qr(way @ bout.base())
        bpm = way @ (bout.bpm - bout.bpm.mean())
        return cls(way, base, bpm - base @ (base.T @ bpm),
                   float(logs[:number].sum() - np.log(np.abs(np.diag(upper))).sum()))

    def take(self, columns: Floats) -> Floats:
        """The columns (n, k) under the same."""
        x = self.way @ columns
        return np.asarray(x - self.base @ (self.base.T @ x))


def likely_noise(some: Sequence[Bout], columns: Movers, at: tuple[float, float]) -> Noise:
    """The sizes under which the bouts are likeliest, each run with a scale of its own."""
    runs = sorted({bout.run for bout in some})
    best, found = -math.inf, Noise()
    for one in (Noise(*sizes) for sizes in product(MEMORIES_S, WANDERS, RIPPLES)):
        rest, free, log = dict.fromkeys(runs, 1e-9), dict.fromkeys(runs, 0), 0.0
        for bout in some:
            white = White.of(bout, one)
            x = white.take(columns(bout, *at))
            left = white.bpm - x @ np.linalg.lstsq(x, white.bpm, rcond=1e-6)[0]
            rest[bout.run] += float(left @ left)
            free[bout.run] += max(len(left) - BASES - x.shape[1], 1)
            log += white.log
        value = log - 0.5 * sum(free[run] * math.log(rest[run] / free[run]) for run in runs)
        if value > best:
            best, found = value, one
    return found
