"""What guarded runs tell: gain and response where speed is known, what an ease brings anywhere. Pure.

Where speed is known its changes move the heart, whoever asked for them; where it
is not, each ease is a step of a size of its own at a known time. A response
time from eases alone is told too, where many runs agree.
"""

import math
from collections.abc import Sequence

import numpy as np

from guard.response.guarded import Bout, Guarded, bouts
from guard.response.noise import likely_noise
from guard.response.pooled import Grid, PooledRuns, sums
from guard.response.spans import Estimate

RESPONSES_S = tuple(np.geomspace(16.0, 130.0, 10).tolist())  # tried: the range of Hunt 2015 and beyond
USUAL_S, USUAL_LOG_SD = 57.6, 0.41  # 57.6 +- 23.6 s (Hunt, Fankhauser, Saengsuwan 2015, BioMed Eng OnLine 14)
DEADS_S, USUAL_DEAD_S, USUAL_DEAD_SD_S = (2.0, 7.0, 12.0, 17.0, 22.0), 10.0, 6.0  # a strap's averaging in it
HEARD_TIMES_S, HEARD_AFTER_S, HEARD_SD_S = (8.0, 14.0, 20.0, 28.0), 16.0, 7.0  # a reaction in it, too
# 24.2 +- 8.3 bpm per m/s (Hunt 2015), 30.4 +- 7.5 (263 running steps of Donne 2024)
POOLED_GAIN, POOLED_GAIN_SD, POOLED_GAIN_OF_DAYS = 27.0, 12.0, 2.0
EASE_BPM, EASE_SD_BPM, EASE_OF_DAYS_BPM = 4.0, 4.0, 1.5  # ours; heeded or not
EASE_SDS_BPM = (1.5, 3.0, 5.0, 8.0)  # tried (ours)
# What no number of runs tells: a heart is no single lag, a pod and a belt err in scale. Simulated.
FLOOR_GAIN, FLOOR_LOG_RESPONSE, FLOOR_DEAD_S, FLOOR_EASE_BPM = 0.05, 0.16, 2.5, 0.7
FLOOR_LOG_HEARD, FLOOR_HEEDED = 0.25, 0.06  # likewise simulated
LEAST_SEEN_M_S = 0.02  # spread of speed that tells a gain (ours)
# Of speed before an ease; from so long after it until then; and so many seconds (ours).
EASE_BEFORE_S, AFTER_S, UNTIL_S, FEWEST_S = 8, 12, 25, 4
# Since the last cue, to be judged by itself; a next one is answered after so long (ours).
ALONE_S, REACTS_S = 30.0, 4.0
HEEDED_M_S = 0.06  # slower by so much: more than errors of a pod over some seconds
FEWEST_EASES = 5  # that an effect rests on (ours)
ALIKE_EASES = 1.5  # so many more are needed, for eases of one run are alike (ours)


def told(runs: Sequence[Guarded]) -> dict[str, Estimate | None]:
    """What all runs of one runner tell together, each with its 95 % interval; None where they tell nothing.

    `gain` bpm per m/s of level running, `response_s` its lag behind `dead_s`.
    `ease_bpm` is what an ease brings, those not heeded counted; `heeded` the
    share of eases after which he ran slower.
    """
    found: dict[str, Estimate | None] = dict.fromkeys(("gain", "response_s", "dead_s", "ease_bpm"))
    if (speed := _speed(runs)) is not None:
        dead_s = speed.grid.dead_s
        found["gain"] = speed.known(lambda mean: mean, FLOOR_GAIN * POOLED_GAIN)
        found["response_s"] = _response_s(speed, FLOOR_LOG_RESPONSE)
        found["dead_s"] = speed.known(lambda mean: dead_s + 0.0 * mean, FLOOR_DEAD_S)
    if (eases := _eases(runs)) is not None:
        found["ease_bpm"] = eases.known(lambda mean: mean, FLOOR_EASE_BPM)
        found["response_s"] = found["response_s"] or _response_s(eases, FLOOR_LOG_HEARD)
    return {**found, "heeded": _heeded(runs)}


def _response_s(some: PooledRuns, floor: float) -> Estimate:
    log_s = np.log(some.grid.response_s)
    known = some.known(lambda mean: log_s + 0.0 * mean, floor)
    return Estimate(math.exp(known.value), math.exp(known.low), math.exp(known.high))


def _speed(runs: Sequence[Guarded]) -> PooledRuns | None:
    some = [bout for bout in bouts(runs, with_speed=True) if _spread(bout) > LEAST_SEEN_M_S]
    if not some:
        return None
    grid = Grid.of(RESPONSES_S, DEADS_S, USUAL_S, USUAL_LOG_SD, USUAL_DEAD_S, USUAL_DEAD_SD_S)
    noise = likely_noise(some, Bout.by_speed, (USUAL_S, USUAL_DEAD_S))
    found = sums(some, Bout.by_speed, noise, grid)
    if not len(found.free):
        return None
    return PooledRuns(grid, found, POOLED_GAIN, POOLED_GAIN_SD, POOLED_GAIN_OF_DAYS)


def _spread(bout: Bout) -> float:
    return float(bout.by_speed(USUAL_S, USUAL_DEAD_S).std())


def _eases(runs: Sequence[Guarded]) -> PooledRuns | None:
    some = [bout for bout in bouts(runs, with_speed=False) if len(bout.ease_s)]
    if sum(len(bout.ease_s) for bout in some) < FEWEST_EASES:
        return None
    grid = Grid.of(RESPONSES_S, HEARD_TIMES_S, USUAL_S, USUAL_LOG_SD, HEARD_AFTER_S, HEARD_SD_S, EASE_SDS_BPM)
    noise = likely_noise(some, Bout.by_ease, (USUAL_S, HEARD_AFTER_S))
    found = sums(some, Bout.by_ease, noise, grid)
    return PooledRuns(grid, found, EASE_BPM, EASE_SD_BPM, EASE_OF_DAYS_BPM) if len(found.free) else None


def _heeded(runs: Sequence[Guarded]) -> Estimate | None:
    """The share of eases after which he ran slower, of those at a known speed; runs count as wholes."""
    from scipy.special import stdtrit  # type: ignore[import-untyped]

    counts = np.array([_counted(one) for one in runs], dtype=np.float64).reshape(-1, 2)
    counts = counts[counts[:, 1] > 0.0]
    heeded, eases = counts.sum(axis=0) if len(counts) else (0.0, 0.0)
    if eases < FEWEST_EASES:
        return None
    share = (heeded + 1.0) / (eases + 2.0)
    var = ALIKE_EASES * share * (1.0 - share) / eases
    if len(counts) > 1:
        left = (heeded - counts[:, 0] + 1.0) / (eases - counts[:, 1] + 2.0)
        var = max(var, (len(counts) - 1) / len(counts) * float(np.square(left - share).sum()))
    half = float(stdtrit(len(counts) + 3.0, 0.975)) * math.sqrt(var + FLOOR_HEEDED**2)
    return Estimate(share, max(share - half, 0.0), min(share + half, 1.0))


def _counted(run: Guarded) -> tuple[int, int]:
    """Eases of a run that were heeded, and all that stand alone at a known speed.

    What an ease before it did is over, and what the next one does has not begun.
    """
    heeded = eases = 0
    edges = [-math.inf, *run.ease_s.tolist(), math.inf]
    for before_s, t_s, next_s in zip(edges, edges[1:], edges[2:], strict=False):
        if t_s - before_s < ALONE_S:
            continue
        at = int(t_s)
        before = run.level_m_s[max(at - EASE_BEFORE_S, 0):at]
        after = run.level_m_s[at + AFTER_S:int(min(t_s + UNTIL_S, next_s + REACTS_S))]
        if min(np.isfinite(before).sum(), np.isfinite(after).sum()) < FEWEST_S:
            continue
        eases += 1
        heeded += float(np.nanmean(before) - np.nanmean(after)) > HEEDED_M_S
    return heeded, eases
