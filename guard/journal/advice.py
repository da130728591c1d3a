"""Before a run: does last night or this morning's heart rate suggest less today?

Compared with the runner's own usual, never with other people. It suggests; the
runner decides. The limits are common practice, none of them is a finding about
you: lack of sleep changes heart rate in no fixed direction, and a resting
heart rate varies from day to day.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

FEWEST_DAYS = 7  # fewer make no usual
USUAL_DAYS = 28  # how many of the newest make it
SHORT_BY_H = 1.5  # under the usual: common practice
SHORT_H = 5.0  # short where the usual is not known: common practice
HIGH_BY_BPM = 7.0  # over the usual: common practice (5 to 10)
HIGH_BY_SPREADS = 2.0  # and over twice the day-to-day spread
_SPREAD_OF_MAD = 1.4826  # of a normal distribution: standard deviation over median absolute deviation
LOWER_BY_BPM = 5.0


@dataclass(frozen=True, slots=True)
class DayAdvice:
    """`signs` in plain words, `suggestion` what to do about them; both empty when nothing stands out.

    `ceiling_bpm` is the lower ceiling suggested, None where none was given.
    """

    signs: tuple[str, ...] = ()
    suggestion: str = ""
    ceiling_bpm: float | None = None

    @property
    def warranted(self) -> bool:
        """Whether there is anything to say."""
        return bool(self.signs)


def advise(
    *,
    sleep_h: float | None,
    resting_bpm: float | None,
    past_sleep_h: Sequence[float | None],
    past_resting_bpm: Sequence[float | None],
    ceiling_bpm: float | None = None,
) -> DayAdvice:
    """Advice for today from today's numbers and those of the days before, oldest first.

    None means not written down. `ceiling_bpm` is the ceiling in use, if any.
    """
    short = _short_sleep(sleep_h, past_sleep_h)
    high = _high_resting(resting_bpm, past_resting_bpm)
    if not short and not high:
        return DayAdvice()
    lower = None if ceiling_bpm is None else ceiling_bpm - LOWER_BY_BPM
    by = f"a ceiling of {lower:g} (5 lower)" if lower is not None else "a ceiling 5 bpm lower"
    if short and high:
        suggestion = f"a rest day, or a shorter run with {by}"
    elif high:
        suggestion = f"{by}, or a shorter run; leave the run out if you feel ill"
    else:
        suggestion = f"a shorter run, or {by}"
    return DayAdvice(tuple(sign for sign in (short, high) if sign), suggestion, lower)


def _usual(values: Sequence[float | None]) -> list[float]:
    known = [value for value in values if value is not None][-USUAL_DAYS:]
    return known if len(known) >= FEWEST_DAYS else []


def _short_sleep(sleep_h: float | None, past: Sequence[float | None]) -> str:
    if sleep_h is None:
        return ""
    usual = _usual(past)
    if usual and sleep_h <= median(usual) - SHORT_BY_H:
        return f"{sleep_h:g} h of sleep, usually {median(usual):.1f}"
    return f"{sleep_h:g} h of sleep" if sleep_h < SHORT_H and not usual else ""


def _high_resting(resting_bpm: float | None, past: Sequence[float | None]) -> str:
    usual = _usual(past)
    if resting_bpm is None or not usual:
        return ""
    middle = median(usual)
    spread = _SPREAD_OF_MAD * median([abs(value - middle) for value in usual])
    if resting_bpm < middle + max(HIGH_BY_BPM, HIGH_BY_SPREADS * spread):
        return ""
    return f"resting heart rate {resting_bpm:g}, usually {middle:.0f}"
