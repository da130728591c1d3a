"""What is kept of one run for the months: sums over its minutes. Pure.

Heart rate lags effort: after a dead time it follows by a first-order lag (Hunt
& Wang 2024, F1000Research 13:894; time constant 57.6 +- 23.6 s: Hunt,
Fankhauser, Saengsuwan 2015, BioMed Eng OnLine 14). Effort is the level speed
of equal cost, grade counted by the cost of running of Minetti et al. 2002
(J Appl Physiol 93:1039; polynomial from memory). So each minute after the
eighth gives four means (`REGRESSORS`) and a weight, and of all minutes only the
sums remain: a whole history is fitted again from them in milliseconds.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from guard.arrays import Floats
from guard.response.spans import RUN_M_S, lagged

BY_TREADMILL, BY_FOOT_POD, BY_SATELLITE = "treadmill", "foot pod", "satellite"  # what tells the speed

LAGS_S = (40.0, 57.6, 80.0)  # the published mean, and shorter and longer by a factor of 1.4 (ours)
DEAD_S = 8  # a strap's averaging in it (ours)
WARM_S = 480  # dry electrodes, the rise from rest
REFERENCE_H = (1200.0 - 600.0) / 3600.0  # the twentieth minute, on the axis of `hours`
MINUTE_S, LEAST_OF_MINUTE_S = 60, 40  # and so many of its seconds with readings (ours)
FEWEST_MINUTES = 5  # of a run that counts (ours)
SETTLED_M_S = 0.2  # spread of effort in a minute that halves its weight (ours)
STEEPEST_MINUTE = 0.15  # more is an altitude that jumped
STAND_M_S = 0.5  # slower is standing
WALKING = 0.5  # a walked metre costs the heart half a run one (ACSM: 0.1 against 0.2 ml/kg/m)
HELD_S = 10  # a slow strap's reading stands so long
# From the run's own line, the larger of them: further off is a fault (ours).
MOST_OFF_BPM, MOST_OFF_SDS = 10.0, 4.0
SCALE_OF_MAD = 1.4826  # of a normal distribution: standard deviation over median absolute deviation
USUAL_SLOPE, USUAL_DRIFT = 28.0, 8.0  # bpm per m/s and bpm an hour, to find minutes that are faults

# level speed of equal effort (m/s), what of it is grade (m/s), hours from minute 10, bpm
REGRESSORS = 4
UPPER = np.triu_indices(REGRESSORS)
SIZE = 2 + REGRESSORS + len(UPPER[0]) + 2 * (1 + REGRESSORS)  # 26 numbers for each lag


@dataclass(frozen=True, slots=True)
class Minutes:
    """`sums`: for each of `LAGS_S` `SIZE` numbers: count, weight, means, centred products, two halves.

    `low_bpm` to `high_bpm` hold nine minutes of ten.
    """

    sums: tuple[tuple[float, ...], ...]
    low_bpm: float
    high_bpm: float


def cost_of_grade(grade: Floats) -> Floats:
    """Cost of running a metre at `grade` (0.1 is 10 %) over that on the level (Minetti et al. 2002)."""
    i = np.clip(grade, -STEEPEST_MINUTE, STEEPEST_MINUTE)
    cost = ((((155.4 * i - 30.4) * i - 43.3) * i + 46.3) * i + 19.5) * i + 3.6
    return np.asarray(cost / 3.6)


def minutes(bpm: Floats, speed_m_s: Floats, grade: Floats, paused: NDArray[np.bool_]) -> Minutes | None:
    """The sums of a run given second by second, NaN where unknown; None with too few minutes of running."""
    seconds = len(bpm) - (len(bpm) - WARM_S) % MINUTE_S
    if seconds < WARM_S + FEWEST_MINUTES * MINUTE_S:
        return None
    bpm = _held(bpm, HELD_S)[:seconds]
    speed = _held(speed_m_s, HELD_S)[:seconds]
    moving = np.where(speed >= RUN_M_S, speed, np.where(speed >= STAND_M_S, WALKING * speed, 0.0))
    hill = moving * (cost_of_grade(np.nan_to_num(grade[:seconds])) - 1.0)
    usable = np.isfinite(bpm) & np.isfinite(speed) & (speed >= STAND_M_S) & ~paused[:seconds]
    runs = usable & (speed >= RUN_M_S)
    shape = (-1, MINUTE_S)
    count = usable[WARM_S:].reshape(shape).sum(axis=1)
    enough = (count >= LEAST_OF_MINUTE_S) & (2 * runs[WARM_S:].reshape(shape).sum(axis=1) >= MINUTE_S)
    if enough.sum() < FEWEST_MINUTES:
        return None
    weigh = np.where(usable, 1.0, 0.0)[WARM_S:].reshape(shape)[enough]
    weigh /= weigh.sum(axis=1, keepdims=True)

    def mean(values: Floats) -> Floats:
        return np.asarray((np.where(usable, values, 0.0)[WARM_S:].reshape(shape)[enough] * weigh).sum(axis=1))

    hours = (mean(np.arange(seconds, dtype=np.float64)) - 600.0) / 3600.0
    beats, effort = mean(bpm), moving + hill
    hilly = bool(np.any(hill))
    by_lag, sound = [], np.ones(len(beats), dtype=bool)
    for lag_s in LAGS_S:
        seen = lagged(_late(effort), lag_s)
        slope = mean(lagged(_late(hill), lag_s)) if hilly else np.zeros(len(beats))
        unsettled = mean(np.abs(effort - seen))
        weight = count[enough] / MINUTE_S / (1.0 + (unsettled / SETTLED_M_S) ** 2)
        by_lag.append((weight, np.stack([mean(seen), slope, np.maximum(hours, 0.0), beats], axis=1)))
        if lag_s == LAGS_S[1]:
            off = beats - USUAL_SLOPE * by_lag[-1][1][:, 0] - USUAL_DRIFT * by_lag[-1][1][:, 2]
            off = np.abs(off - np.median(off))
            sound = off <= max(MOST_OFF_BPM, MOST_OFF_SDS * SCALE_OF_MAD * float(np.median(off)))
    if sound.sum() < FEWEST_MINUTES:
        return None
    low, high = np.quantile(beats[sound], [0.05, 0.95])
    sums = tuple(_sums(weight[sound], values[sound]) for weight, values in by_lag)
    return Minutes(sums, float(low), float(high))


def _sums(weight: Floats, values: Floats) -> tuple[float, ...]:
    total = float(weight.sum())
    mean = weight @ values / total
    apart = values - mean
    products = (apart * weight[:, None]).T @ apart
    half = len(weight) // 2
    found = [float(len(weight)), total, *mean, *products[UPPER]]
    for some in (slice(half), slice(half, None)):
        share = float(weight[some].sum())
        found += [share, *(weight[some] @ values[some] / share)]
    return tuple(map(float, found))


def _late(values: Floats) -> Floats:
    """What the heart answers now: the values of `DEAD_S` ago, the first one before."""
    return np.concatenate([np.full(DEAD_S, values[0]), values[:-DEAD_S]])


def _held(values: Floats, longest: int) -> Floats:
    """The last known value for up to `longest` further seconds."""
    places = np.arange(len(values))
    last = np.maximum.accumulate(np.where(np.isfinite(values), places, -longest - 1))
    return np.where(places - last <= longest, values[np.maximum(last, 0)], np.nan)
