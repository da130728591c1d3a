"""What the journal says beside the runs: spells of short sleep, and what to look at before a plateau.

Nothing here is a cause. A spell is shown beside the runs of its weeks and of
six weeks around it; the difference is the median of all pairwise differences
(Hodges & Lehmann 1963, Ann Math Stat 34:598) with the interval that belongs
to the rank-sum test (Moses; normal approximation as in Hollander & Wolfe,
Nonparametric Statistical Methods, 4.3).
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import groupby
from statistics import NormalDist, mean, median

import numpy as np

from guard.arrays import Floats
from guard.progress.weeks import WEEK, monday
from guard.response.spans import Estimate

Daily = Mapping[str, Mapping[date, float]]

SHORT_SLEEP_H = 6.5  # adults are advised seven or more (AASM and SRS 2015, Sleep 38:843)
LESS_THAN_USUAL_H = 0.75  # of the median night before (ours)
LEAST_NIGHTS, LEAST_WEEKS = 4, 3  # written down, in a week and in all (ours)
AROUND = timedelta(weeks=6)  # the plateau, before and after: what it is compared with (ours)
FEWEST_EACH = 4  # weeks, inside and around (ours)
WARM_C = 21.0  # heart rate rises by 1.4 % a degree from 21 to 35 C (Miller & Martin 1975)
FEWEST_DAYS = 10  # of an item in each of two spans, before they are compared
WELL_AGAIN_DAYS = 7  # an illness not written about for so long is over
ILL_TODAY_DAYS = 10  # and its last word is news for so long

# What to look at first: (key of the journal, words, unit, how much more than before is worth a word:
# common practice).
CHECKS: tuple[tuple[str, str, str, float], ...] = (
    ("sleep_h", "sleep", "h a night", -0.5),
    ("sleep_quality", "sleep quality", "of 5", -0.5),
    ("stress", "stress", "of 5", 0.5),
    ("soreness", "recovery (soreness)", "of 5", 0.5),
    ("resting_bpm", "illness (resting heart rate)", "bpm", 3.0),
    ("food", "food", "of 5", -0.5),
    ("temperature_c", "heat", "°C", 5.0),
)


@dataclass(frozen=True, slots=True)
class ShortSleep:
    """A spell of weeks with short sleep: first day, last day, hours then and otherwise, nights written down.

    `speed_m_s` is speed at the ceiling in it less that of six weeks around it,
    trend taken out, with its 95 % interval; None with too few runs.
    """

    begins: date
    ends: date
    hours: float
    usual_hours: float
    nights: int
    speed_m_s: Estimate | None


@dataclass(frozen=True, slots=True)
class FactorChange:
    """One thing to look at first: its mean now and in as long a time before; None where not written down."""

    key: str
    words: str
    unit: str
    now: float | None
    before: float | None
    days: int
    worse: bool


def last_illness(ill: Mapping[date, float]) -> tuple[date, date, int] | None:
    """(first day, last day written, worst) of the newest illness; None where the newest word is well.

    `ill` is the journal's, day to grade: 0 well, 1 a cold, 2 fever or symptoms below the neck.
    """
    spell: list[tuple[date, int]] = []
    for day, grade in sorted(ill.items()):
        if spell and (day - spell[-1][0]).days > WELL_AGAIN_DAYS:
            spell.clear()
        if grade > 0:
            spell.append((day, int(grade)))
        else:
            spell.clear()
    return (spell[0][0], spell[-1][0], max(grade for _, grade in spell)) if spell else None


def short_sleep(sleep_h: Mapping[date, float], runs: Sequence[tuple[date, float]]) -> list[ShortSleep]:
    """Spells of at least three weeks in a row that were short of sleep.

    `runs` are (day, speed less the line of that day, m/s).
    """
    if not sleep_h:
        return []
    by_week: dict[date, list[float]] = {}
    for day, hours in sleep_h.items():
        by_week.setdefault(monday(day), []).append(hours)
    usual = median(sleep_h.values())
    limit = min(SHORT_SLEEP_H, usual - LESS_THAN_USUAL_H)
    short = [week for week, nights in sorted(by_week.items())
             if len(nights) >= LEAST_NIGHTS and mean(nights) < limit]
    found = []
    for _, in_a_row in groupby(enumerate(short), key=lambda one: one[1] - one[0] * WEEK):
        spell = [week for _, week in in_a_row]
        if len(spell) < LEAST_WEEKS:
            continue
        begins, ends = spell[0], spell[-1] + WEEK - timedelta(days=1)
        inside = [hours for day, hours in sleep_h.items() if begins <= day <= ends]
        others = [hours for day, hours in sleep_h.items() if not begins <= day <= ends]
        found.append(ShortSleep(begins, ends, mean(inside), mean(others) if others else math.nan,
                                len(inside), _beside(begins, ends, runs)))
    return found


def _beside(begins: date, ends: date, runs: Sequence[tuple[date, float]]) -> Estimate | None:
    inside = [(day, speed) for day, speed in runs if begins <= day <= ends]
    around = [(day, speed) for day, speed in runs
              if begins - AROUND <= day <= ends + AROUND and not begins <= day <= ends]
    if min(len(inside), len(around)) < FEWEST_EACH:
        return None
    return shift(np.array([speed for _, speed in inside]), np.array([speed for _, speed in around]))


def shift(one: Floats, other: Floats) -> Estimate:
    """How far `one` (n,) lies over `other` (m,), robustly, with its 95 % interval."""
    gaps = np.sort((one[:, None] - other[None, :]).ravel())
    pairs, both = len(gaps), len(one) + len(other)
    reach = NormalDist().inv_cdf(0.975) * math.sqrt(pairs * (both + 1) / 12.0)
    rank = int(max(math.floor(pairs / 2.0 - reach), 1))
    return Estimate(float(np.median(gaps)), float(gaps[rank - 1]), float(gaps[pairs - rank]))


def checks(daily: Daily, until: date, days: int) -> list[FactorChange]:
    """What the journal has on the last `days` days to `until`, against as many before."""
    begins = until - timedelta(days=days)
    earlier = begins - timedelta(days=days)
    found = []
    for key, words, unit, matters in CHECKS:
        values = daily.get(key, {})
        now = [value for day, value in values.items() if begins < day <= until]
        before = [value for day, value in values.items() if earlier < day <= begins]
        mean_now = mean(now) if len(now) >= FEWEST_DAYS else None
        mean_before = mean(before) if len(before) >= FEWEST_DAYS else None
        worse = mean_now is not None and _worse(key, mean_now, mean_before, matters)
        found.append(FactorChange(key, words, unit, mean_now, mean_before, len(now), worse))
    return found


def _worse(key: str, now: float, before: float | None, matters: float) -> bool:
    if key == "sleep_h" and now < SHORT_SLEEP_H:
        return True
    if key == "temperature_c" and now < WARM_C:
        return False
    return before is not None and math.copysign(1.0, matters) * (now - before) >= abs(matters)
