"""Settings that follow from a fitted response, each with its reason in one line.

The rules are ours; what they rest on: a runner answers a cue after 3 to 8 s,
the strap shows it a dead time later (half of its averaging is in the fitted
dead time), and one easing is worth about an eighth of the speed.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from guard.response.fit import Fit
from guard.response.search import Known
from guard.settings import find

QUICKEST_S, MIDDLE_S, SLOWEST_S = 3.0, 5.5, 8.0  # reaction to a cue
EASE_SHARE = 0.125  # of the speed; one heeded "ease" is 7 to 18 %
KM_H = 3.6


@dataclass(frozen=True)
class Suggestion:
    """A setting's key, the value that would fit the runner, and why."""

    key: str
    value: float
    reason: str


def suggest(fit: Fit) -> list[Suggestion]:
    """Suggestions in the order of the settings table; none for what the fit
    does not know or the setting does not take."""
    made = {key: Suggestion(key, float(round(value, digits)), reason)
            for key, value, digits, reason in _all(fit) if _allowed(key, round(value, digits))}
    order = ("lead_s", "resume_margin_bpm", "spacing_s", "repeat_s",
             "response_s", "restart_response_s", "gain_bpm_per_m_s")
    return [made[key] for key in order if key in made]


def _all(fit: Fit) -> Iterator[tuple[str, float, int, str]]:
    """(key, value, digits kept, reason)."""
    if isinstance(fit.response_s, Known):
        yield ("response_s", fit.response_s.value, 0,
               "your own time constant for a small change of speed")
    if isinstance(fit.on_s, Known):
        yield ("restart_response_s", fit.on_s.value, 0,
               "your own time constant when you run again after standing or walking")
    dead = _dead_s(fit)
    if dead is not None:
        yield ("lead_s", SLOWEST_S + dead, 0,
               f"{SLOWEST_S:.0f} s to react at the latest, then {dead:.0f} s until the strap shows it "
               "(its averaging included)")
        yield ("spacing_s", QUICKEST_S + dead, 0,
               f"{QUICKEST_S:.0f} s to react at the earliest and {dead:.0f} s until the strap shows it: "
               "before that a second cue tells nothing new")
    if not isinstance(fit.gain, Known):
        return
    gain = fit.gain.value
    yield ("gain_bpm_per_m_s", gain, 1,
           f"your heart rate rises {gain / KM_H:.1f} bpm for each km/h of running")
    easing = gain * EASE_SHARE * fit.usual_m_s
    yield ("resume_margin_bpm", max(easing, 2.0 * fit.noise_bpm), 0,
           f"one easing of an eighth of {fit.usual_m_s * KM_H:.1f} km/h is worth {easing:.0f} bpm to you, "
           f"and readings wander by {fit.noise_bpm:.1f}")
    if dead is not None and isinstance(fit.response_s, Known):
        seen = min(fit.noise_bpm / easing, 0.8)
        shows = -fit.response_s.value * math.log1p(-seen)
        yield ("repeat_s", MIDDLE_S + dead + shows, 0,
               f"{MIDDLE_S:.0f} s to react, {dead:.0f} s dead time and {shows:.0f} s until an easing "
               "stands out from the readings' wander")


def _dead_s(fit: Fit) -> float | None:
    """Dead time for speed while running, else that of a start."""
    for known in (fit.dead_s, fit.start_dead_s):
        if isinstance(known, Known):
            return known.value
    return None


def _allowed(key: str, value: float) -> bool:
    """Whether the setting takes it; what lies outside is not bent to fit."""
    entry = find(key)
    assert entry.low is not None and entry.high is not None
    return entry.low <= value <= entry.high
