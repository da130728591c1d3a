"""Two earlier prototypes of the decision, rebuilt from a note: they tell how hard the families are."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from guard.events import Cue
from tests.lab.family import Crowd, Second

Array = NDArray[np.float64]
TAUS = (28.0, 60.0)
TR = 12.0
EASE = 5.0
PHI = float(np.exp(-1 / 16))
AHEAD = 30
NAMES = ("A+", "L")


def _over(mean: Array, var: Array) -> Array:
    """P(x > 0) by the logistic near to the normal."""
    return np.asarray(1.0 / (1.0 + np.exp(-1.702 * mean / np.sqrt(np.maximum(var, 1e-6)))))


class _Filter:
    def __init__(self, n: int, tau: float, ceiling: Array) -> None:
        self.tau = tau
        self.x = np.zeros((3, n))
        self.x[:2] = ceiling
        self.p = np.zeros((3, 3, n))
        self.p[0, 0], self.p[1, 1], self.p[2, 2] = 200.0, 200.0, 1.7
        a = np.eye(3)
        a[0, 0], a[0, 1] = 1 - 1 / tau, 1 / tau
        step = np.array([[1 - 1 / tau, 1 / tau, 0], [0, 1, -1 / TR], [0, 0, 1 - 1 / TR]])
        power = np.linalg.matrix_power(step, AHEAD)
        self.ahead = power[0]
        self.nu = np.zeros(n)
        self.logw = np.zeros(n)
        self.started = np.zeros(n, bool)

    def predict(self, arriving: Array, q: Array, s: Array) -> None:
        x, p, g = self.x, self.p, 1 / self.tau
        x[0] += g * (x[1] - x[0])
        x[1] -= arriving
        x[2] *= PHI
        hh, hd, hn, dd, dn, nn = p[0, 0], p[0, 1], p[0, 2], p[1, 1], p[1, 2], p[2, 2]
        f = 1 - g
        p00 = f * f * hh + 2 * f * g * hd + g * g * dd + 0.005
        p01 = f * hd + g * dd
        p02 = PHI * (f * hn + g * dn)
        p[0, 0], p[0, 1], p[0, 2] = p00, p01, p02
        p[1, 1] = dd + q + 16.0 * np.abs(arriving) / EASE
        p[1, 2] = PHI * dn
        p[2, 2] = PHI * PHI * nn + 1.69 * (1 - PHI * PHI) * s

    def update(self, y: Array, here: Array, s: Array) -> tuple[Array, Array]:
        x, p = self.x, self.p
        first = here & ~self.started
        if first.any():
            x[0] = np.where(first, y, x[0])
            self.started |= first
        c0, c1, c2 = p[0, 0] + p[0, 2], p[0, 1] + p[1, 2], p[0, 2] + p[2, 2]
        var = c0 + c2 + 0.4 * s
        nu = np.where(here, y - x[0] - x[2], 0.0)
        k = [np.where(here, c / var, 0.0) for c in (c0, c1, c2)]
        for i in range(3):
            x[i] += k[i] * nu
        p[0, 0] -= k[0] * c0
        p[0, 1] -= k[0] * c1
        p[0, 2] -= k[0] * c2
        p[1, 1] -= k[1] * c1
        p[1, 2] -= k[1] * c2
        p[2, 2] -= k[2] * c2
        self.logw = 0.999 * self.logw + np.where(here, -0.5 * (nu * nu / var + np.log(var)), 0.0)
        return nu, var


class Prototype:
    """A+ or L."""

    advised_m_s: Array | None = None
    walks: NDArray[np.bool_]

    def __init__(self, crowd: Crowd, late: bool) -> None:
        n = crowd.n
        self.late = late
        self.c = np.rint(crowd.who["ceiling_bpm"])
        self.f = [_Filter(n, tau, self.c) for tau in TAUS]
        self.u, self.s = np.zeros(n), np.ones(n)
        self.lean, self.m = np.zeros(n), np.full(n, 1.5)
        self.last = np.full(n, -1e9)
        self.k, self.d0, self.dmin = np.zeros(n), np.zeros(n), np.zeros(n)
        self.mem = np.zeros(n)
        self.walks = np.zeros(n, bool)
        self.hx, self.low = np.zeros(n), np.zeros(n)
        self.walk_s, self.again_s = np.full(n, -1e9), np.zeros(n)
        self.seen = np.zeros(n, bool)
        self.dwalk = self.c.copy()
        self.owed_s = np.full(n, np.inf)
        self.peak = np.full(n, -1e9)
        self.near = np.zeros(n, bool)
        self.skipped = np.zeros(n)
        self.htop = np.zeros(n)

    def step(self, now: Second) -> NDArray[np.int64]:
        """One second."""
        t, y, c = now.t_s, now.bpm, self.c
        arriving = self.u / TR
        self.u = self.u - arriving
        leans = np.abs(self.lean) > 2.0
        q = np.where(leans, np.minimum(0.02 + 0.75 * (np.abs(self.lean) - 2.0), 1.52), 0.02)
        here = ~np.isnan(y)
        for f in self.f:
            f.predict(arriving, q, self.s)
        pred = 0.5 * (self.f[0].x[0] + self.f[0].x[2] + self.f[1].x[0] + self.f[1].x[2])
        odd = here & (np.abs(y - pred) > 15.0) & self.f[0].started & (self.skipped < 8)
        self.skipped = np.where(odd, self.skipped + 1, np.where(here, 0, self.skipped))
        here = here & ~odd
        y = np.where(here, y, 0.0)
        nus = [f.update(y, here, self.s) for f in self.f]
        gap = np.clip(self.f[1].logw - self.f[0].logw, -50, 50)
        w1 = 1 / (1 + np.exp(-gap))
        w = (1 - w1, w1)
        z = w[0] * nus[0][0] / np.sqrt(nus[0][1]) + w[1] * nus[1][0] / np.sqrt(nus[1][1])
        moved = self.s * (1 + 0.01 * (np.minimum(z * z, 9.0) - 1))
        self.s = np.clip(np.where(here, moved, self.s), 0.15, 6.0)
        # mean of 8 s, in its own SD: sqrt((1-a)/(1+a)) for a first-order mean
        self.lean = np.where(here, self.lean + (z / 0.2582 - self.lean) / 8.0, self.lean)
        h = w[0] * self.f[0].x[0] + w[1] * self.f[1].x[0]
        d = w[0] * self.f[0].x[1] + w[1] * self.f[1].x[1]
        tau = w[0] * TAUS[0] + w[1] * TAUS[1]
        limit = c - self.m
        soon = hot = 0.0
        for wi, f in zip(w, self.f, strict=True):
            a = f.ahead
            level = a[0] * f.x[0] + a[1] * f.x[1] + a[2] * self.u
            spread = 16.0 * np.abs(self.u) / EASE
            var = a[0] ** 2 * f.p[0, 0] + 2 * a[0] * a[1] * f.p[0, 1] + a[1] ** 2 * f.p[1, 1] + (
                a[2] ** 2 * spread)
            soon = soon + wi * _over(level - limit, var)
            hot = hot + wi * _over(f.x[1] - self.u - limit, f.p[1, 1] + spread)
        run = ~self.walks
        # margin
        begins = run & ~self.near & (h > c - 4)
        self.near |= begins
        self.peak = np.where(self.near, np.maximum(self.peak, h), -1e9)
        ends = self.near & ((h < self.peak - 2.0) & (hot < 0.3) | self.walks)
        self.m = np.where(ends, np.clip(self.m + 0.3 * (self.peak - c + 0.2), 0, 2), self.m)
        self.near &= ~ends
        self.mem = np.where(run, self.mem * (1 - 1 / 900), self.mem)
        # running
        since = t - self.last
        self.htop = np.where(since < 1.5, h, np.maximum(self.htop, h))
        calm = run & (hot < 0.3) & (h < c - 1) & (since >= 60)
        if self.late:
            calm |= run & (since >= 20) & (hot < 0.3) & (h < c - 3) & (h < self.htop - 1.5)
        self.k = np.where(calm, 0, self.k)
        floor = here & (now.bpm > c) & (h > c) & (hot > 0.35)
        due = run & (since >= 10) & (((soon > 0.45) & (hot > 0.5)) | floor)
        fall = np.clip(self.d0 - d, 0, 15)
        vain = self.k - np.where(self.k > 0, fall, 0) / 5
        if self.late:
            enough = vain >= 5 * (1 - self.mem)
        else:
            enough = vain + np.maximum(h - c, 0) / 4 >= 6 * (1 - self.mem)
        walk = due & (t >= 60) & enough & (self.k >= 1) & ((h > c) | (self.mem > 0.3))
        ease = due & ~walk
        # walking
        on = self.walks
        self.hx = np.where(on, np.maximum(self.hx, h), h)
        self.seen |= on & (h < self.hx - 16)
        self.low = np.where(on, np.minimum(self.low, h), h)
        into = t - self.walk_s
        repeat = on & ~self.seen & (h > c) & (hot > 0.5) & (since >= self.again_s)
        runs = on & ~self.seen & (into > 75) & (h < c) & (self.hx - h < 5)
        again = on & (self.seen | (self.low < self.hx - 5)) & (h > self.low + 2) & (hot > 0.5)
        target = self.dwalk
        later = target - (target - h) * np.exp(-90 / tau)
        resume = on & (since >= 10) & (h < c) & (into > 20) & ((self.seen & (later <= c)) | (into > 600))
        owed = run & (t >= self.owed_s) & (h < c - 5)
        cues = np.zeros(len(c), np.int64)
        cues[ease] = Cue.EASE
        cues[walk | repeat] = Cue.WALK
        cues[resume | owed] = Cue.RESUME
        new = walk.copy()
        if self.late:
            self.walks = self.walks & ~again
            self.k = np.where(again, 0, self.k)
        else:
            say = again & (since >= 10)
            cues[say] = Cue.WALK
            new |= say
        first = ease & (self.k == 0)
        self.d0 = np.where(first, d, self.d0)
        self.k = np.where(ease, self.k + 1, self.k)
        self.u = np.where(ease, self.u + EASE, self.u)
        self.dwalk = np.where(walk, np.maximum(d, c + 1), self.dwalk)
        self.mem = np.where(new, np.minimum(self.mem + 0.6, 1.2 if self.late else 1.0), self.mem)
        self.u = np.where(new | repeat, 25.0, self.u)
        self.walk_s = np.where(new, t, self.walk_s)
        self.again_s = np.where(new, 10.0, np.where(repeat, np.minimum(2 * self.again_s, 80), self.again_s))
        self.hx, self.low = np.where(new, h, self.hx), np.where(new, h, self.low)
        self.seen = self.seen & ~new
        self.walks = (self.walks | new) & ~runs & ~resume
        self.k = np.where(runs, 0, self.k)
        self.u = np.where(runs, 0.0, self.u)
        self.owed_s = np.where(runs, t + 600, np.where(resume | owed | new, np.inf, self.owed_s))
        self.u = np.where(resume, d - self.dwalk, self.u)
        self.k = np.where(resume & (self.mem < 0.3), 0, self.k)
        self.last = np.where(cues > 0, t, self.last)
        return cues


def make(name: str, crowd: Crowd) -> Any:
    """A+ or L."""
    return Prototype(crowd, late=name == "L")
