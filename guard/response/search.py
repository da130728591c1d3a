"""The search for the constants of the response, and how far they can be relied on.

Least squares from several beginnings; gross errors (spikes, a slipped
electrode) are cut by what they are off, twice. Intervals come from the
Jacobian, with the variance of the residuals multiplied by 1 + 2 Σ ρ:
neighbouring errors of a strap are alike, so that many readings count as few
(effective sample size: Bayley & Hammersley 1946, J R Stat Soc Suppl 8:184). A
block bootstrap was not taken: it needs dozens of blocks longer than the
response, which one run does not have.
"""

import math
from dataclasses import replace
from typing import Any

import numpy as np

from guard.arrays import Floats
from guard.response.model import BOUNDS, TIMES_IN_LOG, Constants, Piece, from_vector, solve, to_vector
from guard.response.series import FEWEST_SAMPLES
from guard.response.spans import Estimate

NORMAL_95 = 1.96  # 97.5 % point of the normal distribution
GROSS_BPM, GROSS_SD = 15.0, 4.5  # off the fit, the larger of them: a fault of the strap (ours)
GROSS_NEAR_BPM = 40.0  # just after a start or stop, where a plain lag is coarse
# Of the search: one of them leads to the best (simulated).
STARTS = tuple((response, dead) for response in (20.0, 45.0, 90.0) for dead in (3.0, 11.0))


class Search:
    """The search for the free constants and what the residuals say of it."""

    def __init__(self, pieces: list[Piece], free: tuple[str, ...]) -> None:
        self.pieces = pieces
        self.free = free
        self.noise_bpm = np.nan
        self.inflation = 1.0

    @property
    def samples(self) -> int:
        return int(sum(piece.kept.sum() for piece in self.pieces))

    def run(self, rest: Constants) -> Constants:
        found = min((self._from(start) for start in self._best_starts(rest)), key=lambda pair: pair[0])[1]
        if self._cut(found):
            found = self._from(found)[1]
            self._cut(found)
        return self._from(found, fine=True)[1]

    def _best_starts(self, rest: Constants) -> list[Constants]:
        """The two best of several beginnings."""
        tried = []
        for response_s, dead_s in STARTS:
            new = {"response_s": response_s, "dead_s": dead_s, "on_s": response_s / 2.0,
                   "start_dead_s": dead_s / 3.0, "off_s": response_s / 1.5, "stop_dead_s": dead_s}
            one = replace(rest, **{key: value for key, value in new.items() if key in self.free})
            if "gain" in self.free:
                one = replace(one, gain=self._best_gain(one))
            tried.append((float(np.sum(self._residuals(to_vector(one, self.free), one) ** 2)), one))
        tried.sort(key=lambda pair: pair[0])
        return [one for _, one in tried[:2]]

    def _best_gain(self, c: Constants) -> float:
        """The gain that fits best with the other constants as they are."""
        above = under = 0.0
        for piece in self.pieces:
            left, _, lagged = piece.solved(c, None)
            above += float(left @ lagged)
            under += float(lagged @ lagged)
        low, high = BOUNDS["gain"]
        return min(max(above / under if under > 0.0 else 0.0, low + 1.0), high - 1.0)

    def _residuals(self, vector: Floats, rest: Constants) -> Floats:
        c = from_vector(vector, self.free, rest)
        gain = c.gain if "gain" in self.free else 0.0
        return np.concatenate([piece.solved(c, gain)[0] for piece in self.pieces])

    def _from(self, start: Constants, *, fine: bool = False) -> tuple[float, Constants]:
        from scipy.optimize import least_squares  # type: ignore[import-untyped]

        edges = [(np.log(low), np.log(high)) if key in TIMES_IN_LOG else (low, high)
                 for key, (low, high) in BOUNDS.items() if key in self.free]
        low, high = np.array(edges).T
        x = np.clip(to_vector(start, self.free), low + 1e-6 * (high - low), high - 1e-6 * (high - low))
        result: Any = least_squares(
            self._residuals, x, bounds=(low, high), args=(start,), x_scale=self._scale(),
            diff_step=1e-4, max_nfev=30 if fine else 12, ftol=1e-6 if fine else 1e-4, xtol=1e-5)
        return float(result.cost), from_vector(result.x, self.free, start)

    def _scale(self) -> Floats:
        return np.array([10.0 if key == "gain" else 0.5 if key in TIMES_IN_LOG else 5.0 for key in self.free])

    def _cut(self, c: Constants) -> bool:
        """Leave gross errors out; returns whether that changed anything."""
        gain = c.gain if "gain" in self.free else 0.0
        changed = False
        left = []
        for piece in self.pieces:
            coefficients = piece.solved(c, gain)[1]
            kept, piece.kept = piece.kept, np.ones_like(piece.kept)
            left.append(piece.stretch.bpm - piece.predicted(c, coefficients))
            piece.kept = kept
        spread = 1.4826 * float(np.median(np.abs(np.concatenate(left))))
        for piece, off in zip(self.pieces, left, strict=True):
            most = max(GROSS_BPM, GROSS_SD * spread)
            fine = np.abs(off) <= np.where(piece.near_switch, max(most, GROSS_NEAR_BPM), most)
            fine &= piece.usable
            if fine.sum() > FEWEST_SAMPLES and np.any(fine != piece.kept):
                piece.kept, changed = fine, True
        return changed

    def intervals(self, c: Constants) -> dict[str, Estimate] | None:
        """95 % intervals of the free constants, base and drift; None when they cannot be told apart."""
        gain = c.gain if "gain" in self.free else 0.0
        count = len(self.free)
        vector, scale = to_vector(c, self.free), self._scale()
        fisher = np.zeros((count, count))
        parts, left = [], []
        for piece in self.pieces:
            rest, own, _ = piece.solved(c, gain)
            slopes = np.empty((len(rest), count))
            for k in range(count):
                h = 2e-3 * scale[k]
                up, down = (from_vector(vector + np.where(np.arange(count) == k, sign * h, 0.0), self.free, c)
                            for sign in (1.0, -1.0))
                slopes[:, k] = (piece.predicted(up, own) - piece.predicted(down, own)) / (2.0 * h)
            columns = piece.columns(c)[piece.kept]
            through = solve(columns, slopes)
            apart = slopes - columns @ through
            fisher += apart.T @ apart
            inner: Floats = np.asarray(np.linalg.pinv(columns.T @ columns, rcond=1e-12), dtype=np.float64)
            parts.append((piece, own, through, inner, len(rest)))
            left.append(rest)
        every = np.concatenate(left)
        used = count + sum(len(own) for _, own, _, _, _ in parts)
        if len(every) <= 2 * used or not np.all(np.isfinite(fisher)) or np.linalg.cond(
                fisher * np.outer(scale, scale)) > 1e10:
            return None
        self.noise_bpm = float(np.sqrt(every @ every / (len(every) - used)))
        self.inflation = _inflation(left)
        variance = max(self.noise_bpm, 0.3) ** 2 * self.inflation
        cov: Floats = np.asarray(variance * np.linalg.inv(fisher), dtype=np.float64)
        numbers = {}
        for k, key in enumerate(self.free):
            wide = NORMAL_95 * float(np.sqrt(cov[k, k]))
            value = getattr(c, key)
            if key in TIMES_IN_LOG:
                numbers[key] = Estimate(value, value * math.exp(-wide), value * math.exp(min(wide, 5.0)))
            else:
                least = 0.0 if "dead" in key else -np.inf
                numbers[key] = Estimate(value, max(value - wide, least), value + wide)
        base, drift = [], []
        for piece, own, through, inner, weight in parts:
            first, slopes = np.zeros((2, len(own)))
            first[0] = 1.0
            slopes[1:1 + len(piece.drift_share)] = piece.drift_share
            base.append((first, own, through, inner, weight))
            drift += [(slopes, own, through, inner, weight)] if piece.drifts else []
        return numbers | {name: _mean(rows, variance, cov)
                          for name, rows in (("base", base), ("drift", drift)) if rows}


def _mean(
    rows: list[tuple[Floats, Floats, Floats, Floats, int]], variance: float, cov: Floats
) -> Estimate:
    """Mean over stretches of one sum of coefficients, by samples, with what the constants leave open."""
    whole = sum(row[4] for row in rows)
    value, own = 0.0, 0.0
    through = np.zeros(len(cov))
    for wanted, coefficients, ways, inner, weight in rows:
        part = wanted * (weight / whole)
        value += float(part @ coefficients)
        own += float(part @ inner @ part)
        through = through + part @ ways
    wide = NORMAL_95 * float(np.sqrt(max(variance * own, 0.0) + through @ cov @ through))
    return Estimate(value, value - wide, value + wide)


def _inflation(left: list[Floats]) -> float:
    """1 + 2 Σ ρ over the lags up to the first that is not positive, at least 1."""
    total = sum(float(one @ one) for one in left)
    longest = max(len(one) for one in left) // 4
    value = 1.0
    for lag in range(1, longest):
        shared = sum(float(one[lag:] @ one[:-lag]) for one in left if len(one) > lag)
        if shared <= 0.0:
            break
        value += 2.0 * shared / total
    return value
