"""Before a run: does today's entry suggest less today?

Every item is looked at, or named as not looked at. Sleep and resting heart
rate are compared with the runner's own usual, never with other people. It
suggests; the runner decides. The limits are common practice, none of them is a
finding about you: lack of sleep changes heart rate in no fixed direction, and
a resting heart rate varies from day to day.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from statistics import median

from guard.errors import GuardError
from guard.journal.journal import ITEMS, Entry, Journal, read

FEWEST_USUAL_DAYS = 7  # fewer make no usual
USUAL_DAYS = 28  # how many of the newest make it
SHORT_BY_H = 1.5  # under the usual: common practice
SHORT_H = 5.0  # short where the usual is not known: common practice
HIGH_BY_BPM = 7.0  # over the usual: common practice (5 to 10)
HIGH_BY_SPREADS = 2.0  # and over twice the day-to-day spread
_SPREAD_OF_MAD = 1.4826  # of a normal distribution: standard deviation over median absolute deviation
LOWER_BY_BPM = 5.0  # of the ceiling that is suggested for today (ours)


MUCH, TOO_MUCH, POOR = 4, 5, 1  # of five
# Heat strain rises from here on; from there on no run is safe (common practice).
HOT_C, DANGEROUS_C = 25.0, 32.0
HIGH_UP_M = 1500.0  # from here on heart rate at an effort is clearly higher (common practice)
MUCH_CAFFEINE_MG = 400.0  # a day's worth for an adult (common practice)
FEVER, COLD = 2, 1  # of the item `ill`

NO_RUN = ("no run today: with fever or symptoms below the neck running is for later; "
          "ask a licensed professional if it lasts or worries you")


@dataclass(frozen=True, slots=True)
class DayAdvice:
    """`signs` in plain words, `suggestion` what to do about them; both empty when nothing stands out.

    `ceiling_bpm` is the lower ceiling suggested, None where none was given.
    `unseen` are the items that nothing was said of, or that cannot be judged.
    """

    signs: tuple[str, ...] = ()
    suggestion: str = ""
    ceiling_bpm: float | None = None
    unseen: tuple[str, ...] = ()

    @property
    def warranted(self) -> bool:
        """Whether there is anything to say."""
        return bool(self.signs)


def advise(
    entry: Entry, *, past_sleep_h: Sequence[float | None] = (), past_resting_bpm: Sequence[float | None] = (),
    ceiling_bpm: float | None = None,
) -> DayAdvice:
    """Advice for the day of `entry`, from it and the numbers of the days before, oldest first.

    None means not written down. `ceiling_bpm` is the ceiling in use, if any.
    """
    unseen = _unseen(entry, past_resting_bpm)
    if entry.ill == FEVER:
        return DayAdvice(("fever, or symptoms below the neck",), NO_RUN, None, unseen)
    short = _short_sleep(entry.sleep_h, past_sleep_h)
    high = _high_resting(entry.resting_bpm, past_resting_bpm)
    rest = [sign for sign, holds in (
        ("a cold", entry.ill == COLD),
        (f"soreness {entry.soreness}", (entry.soreness or 0) >= TOO_MUCH)) if holds]
    less = [sign for sign, holds in (
        (f"soreness {entry.soreness}", entry.soreness == MUCH),
        (f"stress {entry.stress}", (entry.stress or 0) >= TOO_MUCH),
        (f"sleep quality {entry.sleep_quality}", entry.sleep_quality == POOR),
        (f"food {entry.food}", entry.food == POOR),
        (f"caffeine {entry.caffeine_mg:g} mg" if entry.caffeine_mg else "",
         (entry.caffeine_mg or 0.0) >= MUCH_CAFFEINE_MG),
        (f"{entry.altitude_m:g} m up" if entry.altitude_m else "", (entry.altitude_m or 0.0) >= HIGH_UP_M),
    ) if holds]
    warm = entry.temperature_c
    hot = "" if warm is None or warm < HOT_C else f"{warm:.0f} °C"
    signs = tuple(sign for sign in (short, high, *rest, *less, hot) if sign)
    if not signs:
        return DayAdvice(unseen=unseen)
    lower = None if ceiling_bpm is None else ceiling_bpm - LOWER_BY_BPM
    by = f"a ceiling of {lower:g} (5 lower)" if lower is not None else "a ceiling 5 bpm lower"
    many = len(signs) >= 3 or (short and high)
    if rest or many:
        suggestion = f"a rest day, or a shorter run with {by}"
    elif high:
        suggestion = f"{by}, or a shorter run; leave the run out if you feel ill"
    else:
        suggestion = f"a shorter run, or {by}"
    if hot:
        worst = warm is not None and warm >= DANGEROUS_C
        suggestion += ("; in such heat run early, late or not at all, and drink" if worst
                       else "; run in the cool of the day, and drink")
    if entry.soreness == TOO_MUCH:
        suggestion += "; no run on pain that changes your stride"
    return DayAdvice(signs, suggestion, lower, unseen)


def _unseen(entry: Entry, past_resting_bpm: Sequence[float | None]) -> tuple[str, ...]:
    """What was not written down, and what nothing can be read from."""
    found = [item.words for item in ITEMS
             if item.asked and item.low is not None and getattr(entry, item.key) is None]
    if entry.resting_bpm is not None and not _usual(past_resting_bpm):
        found.append(f"resting heart rate (it takes {FEWEST_USUAL_DAYS} days to know your usual)")
    if entry.temperature_c is None:
        found.append("weather" if not entry.weather else "weather (no temperature in it)")
    mute = (item for item in ITEMS if item.key in ("shoes", "start_hour", "speed_from", "heart_from", "note"))
    return (*found, *(item.words for item in mute if getattr(entry, item.key)))


def _usual(values: Sequence[float | None]) -> list[float]:
    known = [value for value in values if value is not None][-USUAL_DAYS:]
    return known if len(known) >= FEWEST_USUAL_DAYS else []


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


def advice(journal: Journal, today: date, ceiling_bpm: float | None) -> DayAdvice:
    """Advice from today's entry against the days before it; nothing without an entry of today."""
    entry = journal.of(today)
    if entry is None:
        return DayAdvice()
    past = [one for one in journal.entries if one.day < today]
    return advise(
        entry, past_sleep_h=[one.sleep_h for one in past], past_resting_bpm=[one.resting_bpm for one in past],
        ceiling_bpm=ceiling_bpm)


def sentence(found: DayAdvice) -> str:
    """The advice as one sentence; the runner decides."""
    signs = " and ".join(part for part in (", ".join(found.signs[:-1]), found.signs[-1]) if part)
    if found.suggestion == NO_RUN:
        return f"{signs}: {found.suggestion}."
    return f"{signs}: consider {found.suggestion}. You decide."


def before_a_run(today: date, ceiling_bpm: float | None, tell: Callable[[str], None]) -> None:
    """One line if today's entry warrants it. A journal that cannot be read never stops a run."""
    try:
        found = advice(read(), today, ceiling_bpm)
    except GuardError as error:
        tell(f"note: today's journal was not looked at: {error}")
        return
    if found.warranted:
        tell(f"journal: {sentence(found)}")
