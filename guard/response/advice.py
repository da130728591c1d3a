"""Settings that follow from a fitted response, each with its reason in one line.

Only what describes the heart; the dials (how strict, how many words, walk or
shuffle) are the runner's taste, and `guard tune` searches them.
"""

from collections.abc import Iterator
from dataclasses import dataclass

from guard.response.fit import Fit
from guard.response.spans import Estimate
from guard.settings import find
from guard.units import per_m_s, speed_unit

# Half a 95 % interval, as a share of the value, up to which a number is worth a setting. The decision takes
# a learned gain as known to 15 % (SD), and holds response times a factor of two apart side by side.
CLEAR_SHARE = {"gain_bpm_per_m_s": 0.3, "response_s": 0.4}


@dataclass(frozen=True)
class Suggestion:
    """A setting's key, the value that would fit the runner, and why."""

    key: str
    value: float
    reason: str


def suggest(fit: Fit, units: str = "km") -> list[Suggestion]:
    """Suggestions in the order of the settings table; none for what the fit
    does not know clearly or the setting does not take. Reasons name speeds in `units`."""
    return [Suggestion(key, float(round(known.value, digits)), reason)
            for key, known, digits, reason in _all(fit, units)
            if known.high - known.low <= 2.0 * CLEAR_SHARE[key] * abs(known.value)
            and find(key).within(round(known.value, digits))]  # what lies outside is not bent to fit


def _all(fit: Fit, units: str) -> Iterator[tuple[str, Estimate, int, str]]:
    """(key, what is known, digits kept, reason)."""
    if isinstance(fit.response_s, Estimate):
        yield ("response_s", fit.response_s, 0, "your own time constant for a small change of speed")
    if isinstance(fit.gain, Estimate):
        rise = fit.gain.value / per_m_s(units)
        yield ("gain_bpm_per_m_s", fit.gain, 1,
               f"your heart rate rises {rise:.1f} bpm for each {speed_unit(units)} of running")
