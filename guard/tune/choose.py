"""Which settings to recommend, if any: clearly better in something, worse in nothing.

Compared runner by runner with the present settings, on equal luck. Gains are
shares of what the present settings give: a tenth less time over the ceiling
counts as much as a tenth fewer cues or 2 % more distance. A set is out when it
makes time over, bpm-minutes over or cues worse by more than 5 %, or distance
by more than 1 %.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from guard.arrays import Floats
from guard.tune.respond import Lived

WORSE = 0.05  # a share that still counts as no worse (ours)
WORSE_DISTANCE = 0.01  # likewise (ours)
DISTANCE_COUNTS = 5.0  # times as much as a share of time or cues (ours)
LEAST_OVER_MIN, LEAST_CUES = 0.5, 2.0  # shares of less than this mean nothing
CLEAR_SE = 2.0  # standard errors; about 95 %
CLEAR_SCORE = 0.05  # smaller gains are not worth a change

Changes = Mapping[str, float]
Judge = Callable[[Sequence[Changes]], Lived]


@dataclass(frozen=True)
class SetGains:
    """One set against the present: mean gains as shares (positive: better), the score with its error."""

    over: float
    over_bpm: float
    cues: float
    distance: float
    score: float
    score_se: float

    @property
    def acceptable(self) -> bool:
        """Nothing gets worse by more than is allowed."""
        return (min(self.over, self.over_bpm, self.cues) >= -WORSE and self.distance >= -WORSE_DISTANCE)

    @property
    def clear(self) -> bool:
        """Better beyond luck, and by enough to be worth a change."""
        return self.acceptable and self.score >= max(CLEAR_SCORE, CLEAR_SE * self.score_se)


def verdicts(lived: Lived) -> list[SetGains]:
    """Of every row against row 0, the present settings."""
    base_over = max(float(lived.over_min[0].mean()), LEAST_OVER_MIN)
    base_bpm = max(float(lived.over_bpm_min[0].mean()), LEAST_OVER_MIN)
    base_cues = max(float(lived.cues[0].mean()), LEAST_CUES)
    base_km = max(float(lived.distance_km[0].mean()), 1e-9)
    found = []
    for row in range(len(lived.cues)):
        over = (lived.over_min[0] - lived.over_min[row]) / base_over
        bpm = (lived.over_bpm_min[0] - lived.over_bpm_min[row]) / base_bpm
        cues = (lived.cues[0] - lived.cues[row]) / base_cues
        km = (lived.distance_km[row] - lived.distance_km[0]) / base_km
        score = over + cues + DISTANCE_COUNTS * km
        error = float(score.std(ddof=1) / np.sqrt(len(score))) if len(score) > 1 else float("inf")
        found.append(SetGains(float(over.mean()), float(bpm.mean()), float(cues.mean()), float(km.mean()),
                             float(score.mean()), error))
    return found


def best_rows(lived: Lived, count: int) -> list[int]:
    """The rows with the best scores, acceptable ones first; never the present."""
    found = verdicts(lived)
    rows = sorted(range(1, len(found)), key=lambda row: (not found[row].acceptable, -found[row].score, row))
    return rows[:count]


def settled(best: Sequence[Changes], judge: Judge) -> tuple[dict[str, float], SetGains]:
    """Of the `best` sets of a search the one that stands, without the changes that do nothing.

    The best of many owes a part of it to luck; `judge` lets them live again
    with other luck. Then the changes that matter least are taken back, one
    after the other, as long as the score falls by no more than half its error.
    """
    lived = judge([{}, *best])
    found = verdicts(lived)
    row = best_rows(lived, 1)[0]
    chosen, verdict = dict(best[row - 1]), found[row]
    if len(chosen) < 2:
        return chosen, verdict
    without = verdicts(judge([{}, *({key: value for key, value in chosen.items() if key != left_out}
                                    for left_out in chosen)]))[1:]
    harmless = sorted(zip(chosen, without, strict=True), key=lambda pair: -pair[1].score)
    shorter = []
    for count in range(1, len(chosen)):
        gone = {key for key, _ in harmless[:count]}
        shorter.append({key: value for key, value in chosen.items() if key not in gone})
    for changes, one in zip(shorter, verdicts(judge([{}, *shorter]))[1:], strict=True):
        enough = one.score >= found[row].score - 0.5 * found[row].score_se
        if enough and (one.acceptable or not found[row].acceptable):
            chosen, verdict = changes, one
    return chosen, verdict


def frontier(costs: Floats, limit: int) -> list[int]:
    """Rows of (rows, 2) that no other row beats in both; at most `limit`, spread along the first cost."""
    order = np.lexsort((costs[:, 1], costs[:, 0]))
    kept: list[int] = []
    least = np.inf
    for row in order:
        if costs[row, 1] < least:
            kept.append(int(row))
            least = float(costs[row, 1])
    if len(kept) <= limit:
        return kept
    places = np.unique(np.rint(np.linspace(0, len(kept) - 1, limit)).astype(int))
    return [kept[place] for place in places]
