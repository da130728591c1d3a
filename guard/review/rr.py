"""Statistics of RR intervals, artefacts removed; pure.

Artefacts are found as Lipponen and Tarvainen (2019, J Med Eng Technol 43:
173-181) find them: differences of successive intervals, and the distance of an
interval from the median around it, are measured in units of their own spread
over the 91 beats around, so the threshold follows the runner. Flagged
intervals are left out, not replaced.

SDNN and RMSSD: Task Force of the ESC and NASPE (1996, Circulation 93).
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from guard.arrays import Bools, Floats
from guard.events import Reading

ALPHA, C1, C2 = 5.2, 0.13, 0.17  # of the paper
WINDOW, MEDIAN_OF = 91, 11  # beats, of the paper
FEWEST_BEATS = 60  # about half a minute (ours)
SHORTEST_RUN = 12  # beats without a gap
MOST_ARTEFACTS = 0.2  # with more, what is left is chosen, not measured (common practice)
# An interval is told in steps of 1/1024 s (Heart Rate Service 1.0): no spread is less than one.
_LEAST_SPREAD_S = ALPHA / 1024 / 2
_LATE_S = 2.5  # a longer silence breaks the run of intervals (ours)

NORMAL, UNEVEN, MISSED, EXTRA, IMPLAUSIBLE = range(5)  # codes
BEAT_KINDS = ("normal", "uneven", "missed", "extra", "too long or short")


@dataclass(frozen=True)
class RRFigures:
    """`intervals` in all, `artefacts` of them by kind, figures of the rest in ms.

    With a `refusal` the figures are None.
    """

    intervals: int
    artefacts: dict[str, int]
    mean_ms: float | None = None
    sdnn_ms: float | None = None
    rmssd_ms: float | None = None
    refusal: str = ""


def rr_figures(readings: Iterable[Reading], doubted_s: frozenset[float] = frozenset()) -> RRFigures | None:
    """Figures over all readings but those at `doubted_s`; None where no RR interval came."""
    runs = gapless(readings, doubted_s)
    total = sum(len(run) for run in runs)
    if not total:
        return None
    runs = [run for run in runs if len(run) >= SHORTEST_RUN]
    codes = [artefacts(run) for run in runs]
    kinds = len(BEAT_KINDS)
    counts = np.bincount(np.concatenate(codes), minlength=kinds) if codes else np.zeros(kinds, int)
    named = {kind: int(count) for kind, count in zip(BEAT_KINDS[1:], counts[1:], strict=True) if count}
    if counts.sum() < FEWEST_BEATS:
        return RRFigures(total, named, refusal=f"fewer than {FEWEST_BEATS} intervals in a row without a gap")
    share = 1.0 - counts[NORMAL] / counts.sum()
    if share > MOST_ARTEFACTS:
        return RRFigures(total, named, refusal=f"{100 * share:.0f} % of the intervals are artefacts")
    kept = [code == NORMAL for code in codes]
    return RRFigures(
        total, named,
        mean_ms=1000 * float(np.mean(np.concatenate([r[k] for r, k in zip(runs, kept, strict=True)]))),
        sdnn_ms=1000 * sdnn_s(runs, kept), rmssd_ms=1000 * rmssd_s(runs, kept))


def sdnn_s(runs: Sequence[Floats], kept: Sequence[Bools]) -> float:
    """Standard deviation (n - 1) of the kept intervals of all runs, s."""
    return float(np.std(np.concatenate([run[keep] for run, keep in zip(runs, kept, strict=True)]), ddof=1))


def rmssd_s(runs: Sequence[Floats], kept: Sequence[Bools]) -> float:
    """Root mean square of differences between neighbours that are both kept, s."""
    steps = np.concatenate([np.diff(run)[keep[1:] & keep[:-1]] for run, keep in zip(runs, kept, strict=True)])
    return float(np.sqrt(np.mean(steps * steps))) if len(steps) else float("nan")


def gapless(readings: Iterable[Reading], doubted_s: frozenset[float] = frozenset()) -> list[Floats]:
    """Runs of successive intervals, s: cut where the intervals do not fill the time that went by."""
    runs: list[list[float]] = [[]]
    last_s, late_s = 0.0, 0.0
    for reading in readings:
        whole = [rr for rr in reading.rr_s if rr > 0]
        # The heart beats on while a packet is lost; a strap's own second is not quite ours.
        late_s = max(0.9 * (late_s + reading.t_s - last_s - sum(whole)), -1.0)
        last_s = reading.t_s
        if late_s > _LATE_S or reading.contact is False or reading.t_s in doubted_s:
            runs.append([])
            late_s = 0.0
        if reading.contact is not False and reading.t_s not in doubted_s:
            runs[-1].extend(whole)
    return [np.array(run) for run in runs if run]


def artefacts(rr_s: Floats) -> NDArray[np.int64]:
    """A code for each of successive intervals (s): place in `BEAT_KINDS`."""
    codes = np.zeros(len(rr_s), np.int64)
    if len(rr_s) < 4:
        return codes
    step = np.diff(rr_s, prepend=rr_s[0])
    step[0] = step[1:].mean()
    step = step / _spread(step)
    padded = np.pad(step, 2, mode="reflect")
    before, after, after_next = padded[1:-3], padded[3:-1], padded[4:]
    beside = np.where(step > 0, np.maximum(before, after), np.where(step < 0, np.minimum(before, after), 0.0))
    following = np.where(step >= 0, np.minimum(after, after_next), np.maximum(after, after_next))
    around = _quantiles(rr_s, MEDIAN_OF, (0.5,))[0]
    off = rr_s - around
    off = np.where(off < 0, 2.0 * off, off)  # a short interval lies less far off than a long one
    reach = _spread(off)
    off = off / reach

    place = 0
    while place < len(rr_s) - 2:
        here = place
        place += 1
        if abs(step[here]) <= 1:
            continue
        if (step[here] > 1 and beside[here] < -C1 * step[here] - C2) or (
                step[here] < -1 and beside[here] > -C1 * step[here] + C2):
            codes[here] = UNEVEN
            continue
        candidates = [here, here + 1] if abs(step[here + 1]) < abs(step[here + 2]) else [here]
        place = here + len(candidates)
        for one in candidates:
            long = step[one] > 1 and following[one] < -1
            short = step[one] < -1 and following[one] > 1
            if not (long or short or abs(off[one]) > 3):
                continue
            if short and abs(rr_s[one] + rr_s[one + 1] - around[one]) < reach[one]:
                codes[one] = EXTRA
            elif long and abs(rr_s[one] / 2 - around[one]) < reach[one]:
                codes[one] = MISSED
            else:
                codes[one] = IMPLAUSIBLE
    return codes


def _spread(values: Floats) -> Floats:
    """ALPHA times the quartile deviation of the absolute values in the window around each."""
    low, high = _quantiles(np.abs(values), WINDOW, (0.25, 0.75))
    spread: Floats = np.maximum(ALPHA * (high - low) / 2.0, _LEAST_SPREAD_S)
    return spread


def _quantiles(values: Floats, size: int, shares: Sequence[float]) -> Floats:
    """(shares, n): of the `size` values around each, of fewer at both ends."""
    half, ends = size // 2, list(range(len(values)))
    found = np.empty((len(shares), len(values)))
    if len(values) > 2 * half:
        windows = np.lib.stride_tricks.sliding_window_view(values, size)
        found[:, half:-half] = np.quantile(windows, shares, axis=1)
        del ends[half:-half]
    for place in ends:
        found[:, place] = np.quantile(values[max(0, place - half):place + half + 1], shares)
    return found
