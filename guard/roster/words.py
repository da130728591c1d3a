"""A runner's line in words; those of the months where they have them."""

from datetime import date

from guard.errors import number_of
from guard.progress import words
from guard.progress.level import FEWEST_RUNS, LEAST_SPAN_DAYS
from guard.progress.progress import RECENT_WEEKS
from guard.progress.verdict import Verdict
from guard.roster.roster import Line, News
from guard.units import pace as pace_of
from guard.units import pace_unit

CONSENT = ("Health data of other people: keep it only with their consent and only as long as it is needed, "
           "readable by nobody else. Nothing is uploaded.")
HEADS = ("runner", "says", "last run", "weeks", "over", "pace at the ceiling", "change")


def news(line: Line) -> str:
    """What stands first, in few words: "Loss", "No run for 5 weeks"."""
    match line.news:
        case News.ILL:
            return f"Ill, {number_of(line.ill_days or 0, 'day')}"
        case News.SILENT | News.IDLE:
            return f"No run for {words.weeks_or_days(line.idle_days)}"
        case News.EARLY:
            return "Too early"
        case _:
            return words.HEADLINES[Verdict[line.news.name]]


def cells(line: Line, units: str) -> tuple[str, ...]:
    """What stands under `HEADS`, but for the name."""
    return (news(line), last_run(line), with_runs(line), over(line), pace(line, units), change(line))


def last_run(line: Line) -> str:
    """The day of the last run."""
    return words.day(date.fromordinal(line.standing.last))


def with_runs(line: Line) -> str:
    """Weeks with a run, of the last twelve."""
    return f"{line.with_runs} of {line.weeks}"


def over(line: Line) -> str:
    """Share of the time over the ceiling, in the last twelve weeks."""
    return "–" if line.share is None else f"{100 * (1.0 - line.share):.0f} %"


def pace(line: Line, units: str) -> str:
    """Pace at the ceiling now with its 95 % interval: "5:51 (5:40 to 6:02)"."""
    speed = line.standing.speed
    if speed is None:
        return "–"
    now, low, high = (pace_of(value, units) for value in speed)
    return f"{now} ({high} to {low})"  # the higher speed is the shorter time


def change(line: Line) -> str:
    """The 99 % interval of the last twelve weeks' change."""
    found = line.standing.change
    if found is None:
        return "–"
    return f"{words.percent(found[1]).removesuffix(' %')} to {words.percent(found[2])}"


def meaning(units: str) -> str:
    """What the columns are."""
    return (f"Weeks with a run, of the last {RECENT_WEEKS}; over: share of time over the ceiling in these; "
            f"pace at each runner's own ceiling in {pace_unit(units)} with its 95 % interval; change: "
            f"of that speed in up to {RECENT_WEEKS} weeks (+ is faster), 99 % interval. A change takes about "
            f"{FEWEST_RUNS} runs with speed over {LEAST_SPAN_DAYS // 7} weeks.")


def sentence(line: Line, units: str) -> str:
    """The line as a sentence, for who hears a page."""
    parts = [f"{line.name}: {news(line)}", f"last run {last_run(line)}", f"runs in {with_runs(line)} weeks"]
    if line.share is not None:
        parts.append(f"{over(line)} over the ceiling")
    if line.standing.speed is not None:
        parts.append(f"pace at {line.standing.ceiling_bpm:g} bpm {pace(line, units)}")
    if line.standing.unwritten:
        parts.append("temperatures are missing")
    return ", ".join(parts)
