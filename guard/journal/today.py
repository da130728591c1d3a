"""What the journal says about a run today; shared by `guard journal` and `guard run`."""

from collections.abc import Callable
from datetime import date

from guard.errors import GuardError
from guard.journal.advice import NO_RUN, DayAdvice, advise
from guard.journal.journal import Journal, read


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
