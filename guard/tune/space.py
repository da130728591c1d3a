"""Which settings may be searched, how far, and in what steps.

Limits, signal and stop are the runner's safety: they are never searched. A dial
(0 to 1) is searched from end to end. The range of any other setting is that of
the settings table, kept to a few times up or down from the present value, since
the simulation knows little of settings nobody runs with.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from guard.errors import SettingError, UsageError
from guard.settings import SettingRow, Settings, find

SEARCHED = ("strictness", "words", "walk_first", "spacing_s")
GROUPS = ("deciding", "warming up")
FARTHEST = 3.0  # times up or down from the present value
LEAST = {"s": 3.0, "bpm": 2.0}  # a value of zero has no multiples
DIAL_STEP = 0.05  # finer is felt by nobody (ours)


@dataclass(frozen=True)
class SearchedSetting:
    """One searched setting: bounds, and the step its values are rounded to."""

    key: str
    low: float
    high: float
    step: float

    def value(self, share: float) -> float:
        """The value at `share` (0 to 1) of the way, evenly in the logarithm where that can be."""
        if self.low > 0.0 and not _is_dial(find(self.key)):
            value = self.low * (self.high / self.low) ** share
        else:
            value = self.low + (self.high - self.low) * share
        return self.rounded(value)

    def rounded(self, value: float) -> float:
        """`value` in whole steps, inside the bounds."""
        near = round(value / self.step) * self.step
        return float(round(min(max(near, self.low), self.high), 6))


def axes(wanted: Sequence[str], present: Settings) -> list[SearchedSetting]:
    """`wanted` are keys or `KEY=LOW:HIGH`; none means the default search.

    Raises SettingError or UsageError for an unknown key, one that is not
    searched, or bounds outside the table.
    """
    made: dict[str, SearchedSetting] = {}
    for word in wanted or SEARCHED:
        key, equals, bounds = word.partition("=")
        entry = find(key.strip())
        if entry.kind is not float or entry.group not in GROUPS:
            raise UsageError(f"{entry.key} is not searched: only numbers of the groups "
                             f"{' and '.join(GROUPS)} are; limits and signal settings stay yours")
        if entry.key in made:
            raise UsageError(f"--search names {entry.key} twice: give it once")
        low, high = _typed(entry, bounds) if equals else _about(entry, getattr(present, entry.key))
        made[entry.key] = SearchedSetting(entry.key, low, high, _step(entry, high))
    return list(made.values())


def _is_dial(entry: SettingRow) -> bool:
    """A share, without a unit: evenly spread, never in multiples."""
    return entry.unit == ""


def _typed(entry: SettingRow, bounds: str) -> tuple[float, float]:
    words = bounds.split(":")
    try:
        low, high = (float(word) for word in words)
    except ValueError:
        raise UsageError(f"--search {entry.key} needs two bounds: write {entry.key}=LOW:HIGH") from None
    if not (low < high and entry.within(low) and entry.within(high)):
        raise SettingError(f"--search {entry.key}={low:g}:{high:g} must run upward within {entry.range_text}")
    return low, high


def _about(entry: SettingRow, now: float) -> tuple[float, float]:
    least, most = entry.bounds
    if _is_dial(entry):
        return least, most
    base = max(now, LEAST.get(entry.unit, 1.0))
    low, high = base / FARTHEST, base * FARTHEST
    step = _step(entry, high)
    return (max(least, round(round(low / step) * step, 6)),
            min(most, round(round(high / step) * step, 6)))


def _step(entry: SettingRow, high: float) -> float:
    if _is_dial(entry):
        return DIAL_STEP
    return 0.5 if high < 12.0 else 1.0 if high < 100.0 else 5.0


def spread(found: Sequence[SearchedSetting], count: int, seed: int) -> list[dict[str, float]]:
    """`count` different sets spread evenly over all axes (scrambled Sobol points: Owen 1998)."""
    from scipy.stats import qmc  # type: ignore[import-untyped]

    if count < 1:
        return []
    points = qmc.Sobol(len(found), seed=np.random.default_rng([seed, 1])).random_base2(
        max(1, math.ceil(math.log2(count))))
    return _different([{axis.key: axis.value(float(share)) for axis, share in zip(found, point, strict=True)}
                       for point in points])[:count]


def around(
    found: Sequence[SearchedSetting], good: Sequence[Mapping[str, float]], present: Mapping[str, float],
    count: int, seed: int,
) -> list[dict[str, float]]:
    """Up to `count` new sets near the good ones: moved a little, or a part of the way to the present."""
    rng = np.random.default_rng([seed, 2])
    made: list[dict[str, float]] = []
    for turn in range(8 * count):
        if not good or len(made) >= 2 * count:
            break
        base = good[turn % len(good)]
        one = {}
        for axis in found:
            here, home = base[axis.key], float(present[axis.key])
            if rng.random() < 0.35:
                here = home if rng.random() < 0.6 else here + 0.5 * (home - here)
            elif rng.random() < 0.5:
                here += float(rng.normal(0.0, 0.12)) * (axis.high - axis.low)
            one[axis.key] = axis.rounded(here) if here != home else home
        made.append(one)
    seen = [dict(one) for one in good]
    return [one for one in _different([*seen, *made]) if one not in seen][:count]


def _different(sets: Sequence[dict[str, float]]) -> list[dict[str, float]]:
    return list({tuple(one.items()): one for one in sets}.values())
