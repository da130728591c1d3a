"""Settings that follow from a fitted response, each with its reason in one line.

Only what describes the heart; the dials (how strict, how many words, walk or
shuffle) are the runner's taste, and `guard tune` searches them.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from guard.response.fit import Fit
from guard.response.search import Estimate
from guard.settings import find
from guard.units import per_m_s, speed_unit


@dataclass(frozen=True)
class Suggestion:
    """A setting's key, the value that would fit the runner, and why."""

    key: str
    value: float
    reason: str


def suggest(fit: Fit, units: str = "km") -> list[Suggestion]:
    """Suggestions in the order of the settings table; none for what the fit
    does not know or the setting does not take. Reasons name speeds in `units`."""
    made = {key: Suggestion(key, float(round(value, digits)), reason)
            for key, value, digits, reason in _all(fit, units) if _allowed(key, round(value, digits))}
    return [made[key] for key in ("response_s", "gain_bpm_per_m_s") if key in made]


def _all(fit: Fit, units: str) -> Iterator[tuple[str, float, int, str]]:
    """(key, value, digits kept, reason)."""
    if isinstance(fit.response_s, Estimate):
        yield ("response_s", fit.response_s.value, 0,
               "your own time constant for a small change of speed")
    if not isinstance(fit.gain, Estimate):
        return
    gain = fit.gain.value
    yield ("gain_bpm_per_m_s", gain, 1,
           f"your heart rate rises {gain / per_m_s(units):.1f} bpm for each {speed_unit(units)} of running")


def _allowed(key: str, value: float) -> bool:
    """Whether the setting takes it; what lies outside is not bent to fit."""
    entry = find(key)
    assert entry.low is not None and entry.high is not None
    return entry.low <= value <= entry.high
