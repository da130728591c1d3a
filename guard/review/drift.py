"""Drift: how much higher heart rate was in the second half than in the first, at equal speed; pure.

Heart rate at one speed climbs during long running (from about the tenth minute:
Wingo et al. 2012, Med Sci Sports Exerc 44), more in heat. The two halves can
only be compared where the runner ran as fast in one as in the other, so steady
minutes of the two are paired by speed, and where too few pair up the answer is
a refusal. Speeds are level speeds of equal effort (slope and level terms of
ACSM's running equation: speed times 1 + 4.5 grade).
"""

from dataclasses import dataclass

import numpy as np

from guard.arrays import Floats
from guard.response.series import HILL
from guard.response.spans import RUN_M_S
from guard.review.trace import Trace
from guard.units import speed

ONSET_S = 300.0  # the beginning is still the rise to the level of the run
BLOCK_S = 60.0  # minutes are compared
STEADY_M_S = 0.1  # largest spread of speed in a steady minute and the one before it
ALIKE_M_S = 0.05  # two minutes pair up when their speeds differ by no more
EQUAL_M_S = 0.03  # and so may the means of the pairs: about 1 bpm
STEEPEST_GAIN = 40.8  # bpm per m/s: mean + 2 SD of 24 runners (24.2 +- 8.3, Hunt et al. 2015)
FEWEST_MINUTE_PAIRS = 4  # of minutes in the two halves (ours)


SPEED_UNKNOWN = "speed is not known in this session"


@dataclass(frozen=True)
class Drift:
    """`bpm` more in the second half, true value within +- `error_bpm` at 95 %.

    From `minutes` pairs of steady minutes at `speed_m_s`; `apart_s` lies between
    the middles of the two halves' minutes. With a `refusal` all numbers are None.
    """

    bpm: float | None = None
    error_bpm: float | None = None
    minutes: int = 0
    speed_m_s: float | None = None
    apart_s: float | None = None
    refusal: str = ""


def drift(trace: Trace, warm_up_s: float, units: str = "km") -> Drift:
    """Compare the halves of what comes after the warm-up (5 min at least), speeds in words in `units`."""
    if not len(trace.t_s):
        return Drift(refusal="nothing was recorded")
    if not np.isfinite(trace.speed_m_s).any():
        return Drift(refusal=SPEED_UNKNOWN)
    begin_s = float(trace.t_s[0]) + max(warm_up_s, ONSET_S)
    end_s = float(trace.t_s[-1])
    if end_s - begin_s < 2 * (FEWEST_MINUTE_PAIRS + 1) * BLOCK_S:
        settling_min = (begin_s - trace.t_s[0]) / 60
        return Drift(refusal="the session is too short: its halves need at least "
                             f"{FEWEST_MINUTE_PAIRS + 1} min each after the first {settling_min:.0f}")
    minutes = _steady_minutes(trace, begin_s, end_s)
    middle_s = (begin_s + end_s) / 2
    first, second = minutes[minutes[:, 0] < middle_s], minutes[minutes[:, 0] >= middle_s]
    if len(first) < FEWEST_MINUTE_PAIRS or len(second) < FEWEST_MINUTE_PAIRS:
        return Drift(refusal=f"speed was steady for {len(first)} min of the first half and {len(second)} "
                             f"of the second; {FEWEST_MINUTE_PAIRS} each are needed")
    pairs = _paired(first, second)
    if len(pairs) < FEWEST_MINUTE_PAIRS:
        faster = np.median(second[:, 1]) - np.median(first[:, 1])
        return Drift(refusal="the halves were not run at equal speed: the second was "
                             f"{speed(abs(float(faster)), units)} {'faster' if faster > 0 else 'slower'}")
    return _compared(pairs, units)


def _steady_minutes(trace: Trace, begin_s: float, end_s: float) -> Floats:
    """(n, 3): the middle of each steady minute, s, its speed, m/s, and heart rate, bpm."""
    grade = np.nan_to_num(trace.grade)
    level_speed = np.where(np.isnan(trace.speed_m_s), np.nan, trace.speed_m_s * (1.0 + HILL * grade))
    found = []
    for t_s in np.arange(begin_s, end_s - BLOCK_S + 1e-6, BLOCK_S):
        quarters = np.array([_mean(trace, level_speed, at_s, at_s + 15.0)
                             for at_s in np.arange(t_s - BLOCK_S, t_s + BLOCK_S, 15.0)])
        # a comparison with NaN is false: speed must be known all through
        if not (quarters.max() - quarters.min() <= STEADY_M_S and quarters.min() >= RUN_M_S):
            continue
        bpm = _mean(trace, trace.level_bpm, t_s, t_s + BLOCK_S)
        if np.isfinite(bpm):
            found.append((t_s + BLOCK_S / 2, float(quarters[4:].mean()), bpm))
    return np.array(found, dtype=np.float64).reshape(-1, 3)


def _mean(trace: Trace, values: Floats, begin_s: float, end_s: float) -> float:
    """Mean over a span; NaN unless known in nearly all of it and never paused."""
    span = trace.between(begin_s, end_s)
    known, dt_s = np.isfinite(values[span]), trace.dt_s[span]
    if trace.held[span].any() or dt_s[known].sum() < 0.8 * (end_s - begin_s):
        return float("nan")
    return float(np.average(values[span][known], weights=np.maximum(dt_s[known], 1e-9)))


def _paired(first: Floats, second: Floats) -> list[tuple[Floats, Floats]]:
    """Minutes of like speed, each used once."""
    first, second = (half[half[:, 1].argsort(kind="stable")] for half in (first, second))
    pairs, i, j = [], 0, 0
    while i < len(first) and j < len(second):
        apart = second[j, 1] - first[i, 1]
        if abs(apart) <= ALIKE_M_S:
            pairs.append((first[i], second[j]))
        i += apart >= -ALIKE_M_S
        j += apart <= ALIKE_M_S
    return pairs


def _compared(pairs: list[tuple[Floats, Floats]], units: str) -> Drift:
    # (2, n, 3), each side by time
    sides = [np.array(sorted(side, key=lambda one: float(one[0]))) for side in zip(*pairs, strict=True)]
    times, speeds, means = np.transpose([side.mean(axis=0) for side in sides]).tolist()
    if abs(speeds[1] - speeds[0]) > EQUAL_M_S:
        return Drift(refusal="the halves were not run at equal speed: "
                             f"{speed(speeds[0], units, 2)} and {speed(speeds[1], units, 2)} "
                             "where they come nearest")
    variances, worths = zip(*(_of_mean(side[:, 2]) for side in sides), strict=True)
    from scipy.special import stdtrit  # type: ignore[import-untyped]

    chance_bpm = float(stdtrit(sum(worths) - 2.0, 0.975)) * float(np.sqrt(sum(variances)))
    # What the speeds still differ by is an error of one side only in size, not in sign.
    error_bpm = chance_bpm + STEEPEST_GAIN * abs(speeds[1] - speeds[0])
    return Drift(means[1] - means[0], error_bpm, len(pairs), sum(speeds) / 2, times[1] - times[0])


def _of_mean(values: Floats) -> tuple[float, float]:
    """(variance of the mean, how many independent values it is worth).

    Neighbouring minutes resemble each other: n values with lag-one correlation
    r are worth n (1 - r) / (1 + r) (first-order autoregression, Bayley and
    Hammersley 1946).
    """
    off = values - values.mean()
    total = float(off @ off)
    n = len(values)
    like = max(0.0, float(off[1:] @ off[:-1]) / total) if total > 0 else 0.0
    worth = max(2.0, n * (1.0 - like) / (1.0 + like))
    return total / (n - 1) / worth, worth
