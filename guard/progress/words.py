"""What the months say, in plain sentences; shared by the terminal and the page."""

import math
from collections.abc import Iterable, Sequence
from datetime import date

from guard.errors import number_of
from guard.journal.advice import FEVER
from guard.journal.journal import ITEMS, SAME
from guard.journal.links import FEWEST_PAIRS, Correlation
from guard.progress import figures, progress
from guard.progress.days import FactorChange, ShortSleep
from guard.progress.level import FEWEST_RUNS, LEAST_SPAN_DAYS
from guard.progress.progress import Months
from guard.progress.verdict import PLATEAU_SHARE, Told, Verdict
from guard.progress.weeks import Week
from guard.units import pace, pace_unit

HEADLINES = {
    Verdict.GAIN: "Gain", Verdict.LOSS: "Loss", Verdict.PLATEAU: "Plateau",
    Verdict.ASKED: "A question", Verdict.UNKNOWN: "Can't tell yet",
}
WHAT_COUNTS = (
    "Counted: every second with a heart-rate reading outside pauses, warm-up included, at or under the "
    "ceiling that run had (today's where it had none).")
WHAT_SPEED_IS = (
    "Speed at the ceiling: the speed on the level, at 15 °C, at which heart rate would reach today's ceiling "
    "in the twentieth minute. What speed, hills, heat and time cost your heart rate is learned from all runs "
    "of a year together.")
NEVER_A_CAUSE = "Moving together does not make one the cause of the other."
CHOICES = (
    "If all of these are in order: more easy running, some faster running, or staying where you are; "
    "which one is your choice.")
PROGRESS_CAUTION = (
    "Ask a licensed professional before faster work if you have symptoms, a heart condition, take medicine "
    "that changes heart rate, are pregnant, or have not run fast for long.")
WHAT_A_PLATEAU_IS = (
    f"A plateau: within {100 * PLATEAU_SHARE:.0f} % over 12 weeks beyond doubt, at two looks a week apart.")
# From which on it is said; from which on it is a break (common practice: three weeks).
IDLE_DAYS, BREAK_DAYS = 10, 21
RETURN = (
    "After a break of three weeks or more, begin with short, easy runs and walking breaks, about half of "
    "what was usual, and add a little each week that goes well (common practice). After an illness, or with "
    "any symptom, ask a licensed professional first.")
ILL_FEVER = "No run until it has passed; ask a licensed professional if it lasts or worries you."
ILL_COLD = "Rest, or run short and easy, and stop if it gets worse."
RETURN_ILL = (
    "After it begin with short, easy runs and walking breaks, and add a little each day that goes well "
    "(common practice).")
REFUSALS = {  # what is wrong, and the fix
    figures.NO_SPEED: ("speed was not logged", "connect a treadmill or foot pod, or type the speed"),
    figures.NO_BEATS: ("heart rate is missing", "keep the strap wet"),
    figures.TOO_SHORT: ("too little running", "run fifteen minutes or more with few stops"),
    progress.TOO_FAR: ("heart rate stayed too far from the ceiling",
                       "it still counts for the line; run nearer to the ceiling, or check that it is right"),
    progress.TOO_WIDE: ("the error is too wide", "it still counts for the line; run longer"),
}


def day(some: date) -> str:
    """A date as one says it: 3 Nov 2025."""
    return f"{some.day} {some:%b %Y}"


def percent(share: float, signed: bool = True) -> str:
    """A share of 1 as per cent with a true minus sign."""
    if not math.isfinite(share):
        return "no limit"
    text = f"{abs(100 * share):.1f}".removesuffix(".0")
    if text == "0":
        return "0 %"
    sign = "−" if share < 0 else "+" if signed else ""
    return f"{sign}{text} %"


def headline(months: Months, units: str) -> str:
    """What a coach would say first, in one or two sentences."""
    told = months.recent
    if told is None:
        need = f"about {FEWEST_RUNS} runs with speed over {LEAST_SPAN_DAYS // 7} weeks"
        runs = f"{number_of(months.runs_short, 'run')} with speed"
        weeks = months.days_short // 7
        span = f"over {weeks} weeks" if weeks > 1 else "so far"
        return f"Too early to tell: {runs} {span}, and it takes {need}."
    if months.level is not None and months.level.unwritten:
        return ("I can't tell fitness from weather: write the temperature down on running days "
                "(guard journal --weather \"14 C\") and I can.")
    if told.verdict is Verdict.GAIN:
        return f"You are getting faster: {_by(told)} in {_span(told)} at the same heart rate."
    if told.verdict is Verdict.LOSS:
        worse = _first_worse(months)
        look = f" I would look at {worse} first." if worse else ""
        return f"You have slowed: {_by(told)} in {_span(told)} at the same heart rate.{look}"
    if told.verdict is Verdict.PLATEAU:
        worse = _first_worse(months)
        look = f"; {worse} is where I would look first" if worse else ""
        return f"You have stopped getting faster{look}."
    if told.verdict is Verdict.ASKED:
        return asked_sentence(months, units)
    if months.season is not None and months.season.verdict is Verdict.GAIN:
        return (f"You have become faster over {_span(months.season)}, by {_by(months.season)}; "
                "I can't tell yet whether you are still getting faster.")
    seen = 0.5 * (told.high - told.low)
    return (f"I can't tell yet whether you are getting faster. A change of {percent(seen, signed=False)} "
            f"in {_span(told)} would show.")


def asked_sentence(months: Months, units: str) -> str:
    """The question behind a step that came in one day."""
    told, step = months.recent, months.level.step if months.level else None
    change = step.share if step else told.share if told else 0.0
    seems = f"Your runs became {'faster' if change > 0 else 'slower'} by {percent(abs(change), signed=False)}"
    if step is None or months.step_day is None:
        return f"{seems}; chance could still explain it."
    on = f"guard journal --date {months.step_day}"
    when = f"{seems}, but it may have come in one day, most likely about {day(months.step_day)}"
    if not step.source:
        return (f"{when}. A medicine begun, changed or ended then, or another strap? Answer with {on} "
                "--heart-from NAME; if what tells your speed changed or moved, --speed-from NAME; if "
                f"neither, --heart-from {SAME} --speed-from {SAME}.")
    return (f"{when}: was the {step.source} changed, moved or recalibrated then? Answer with {on} "
            f"--speed-from NAME; if not, --speed-from {SAME}.")


def heart_sentence(months: Months) -> str:
    """What follows from a medicine or strap that the runner named; empty without one in the year."""
    if months.heart_from is None:
        return ""
    since, name = months.heart_from
    return (f"Since {day(since)} your heart rate counts as new ({name}): runs before and after compare only "
            "in part. If a medicine moved it, your ceiling has to be found again: ask whoever prescribed it, "
            "then guard ceiling --medicine.")


def _by(told: Told) -> str:
    return percent(abs(told.share), signed=False)


def _span(told: Told) -> str:
    return f"{round(told.change.days / 7)} weeks"


def _first_worse(months: Months) -> str:
    return next((check.words for check in months.reality if check.worse), "")


def interval_sentence(months: Months, units: str) -> str:
    """The one interval, its confidence, and the pace that it is of."""
    told, level = months.recent, months.level
    if told is None or level is None:
        return ""
    alone = ", if nothing but you changed" if told.verdict is Verdict.ASKED else ""
    return (f"Pace at {months.ceiling_bpm:g} bpm is now about {pace(level.now, units)} {pace_unit(units)}; "
            f"over {_span(told)} {ways(told.low, told.high)}{alone} "
            f"(99 % interval, {told.change.runs} runs).")


def way(share: float) -> str:
    """A change of speed in words.

    >>> way(0.05), way(-0.021)
    ('5 % faster', '2.1 % slower')
    """
    return f"{percent(abs(share), signed=False)} {'faster' if share > 0.0 else 'slower'}"


def ways(low: float, high: float) -> str:
    """A change of speed from `low` to `high` (shares) in words.

    >>> ways(-0.12, 0.31), ways(0.03, 0.081), ways(-0.05, -0.02)
    ('between 12 % slower and 31 % faster', '3 % to 8.1 % faster', '2 % to 5 % slower')
    """
    if not (math.isfinite(low) and math.isfinite(high)):
        return "slower or faster, without limit"
    less, more = (percent(abs(share), signed=False) for share in (low, high))
    if low >= 0.0:
        return f"{less} to {more} faster"
    if high <= 0.0:
        return f"{more} to {less} slower"
    return f"between {less} slower and {more} faster"


def today_sentences(months: Months) -> list[str]:
    """What is known of today: an illness, how long ago the last run was, and how to come back."""
    lines = []
    if months.ill is not None:
        since, grade = months.ill
        worse = grade >= FEVER
        what = "fever or symptoms below the neck" if worse else "a cold"
        lines.append(f"Your journal says {what}, first on {day(since)}. {ILL_FEVER if worse else ILL_COLD} "
                     "Once you are well: guard journal --ill 0.")
    if months.last is not None and months.idle_days >= IDLE_DAYS:
        lines.append(f"No run for {weeks_or_days(months.idle_days)}; this is how things stood on "
                     f"{day(months.last)}.")
        if months.idle_days >= BREAK_DAYS:
            lines.append(RETURN)
    if months.ill is not None and RETURN not in lines:
        lines.append(RETURN_ILL)
    return lines


def weeks_or_days(days: int) -> str:
    """How long, in weeks from two on."""
    return f"{days // 7} weeks" if days >= 14 else number_of(days, "day")


def year_sentence(months: Months, units: str) -> str:
    """What the season says beside its last twelve weeks; empty where it says nothing more."""
    season = months.season
    if season is None or months.level is None or months.level.unwritten:
        return ""
    told = {Verdict.GAIN: "a gain", Verdict.LOSS: "a loss"}.get(season.verdict, "no clear change")
    # A question stands until it is answered, though its day lies further back than twelve weeks.
    ask = season.verdict is Verdict.ASKED and months.verdict is not Verdict.ASKED
    return (f"Over {_span(season)}: {told}, most likely {way(season.share)}; {ways(season.low, season.high)} "
            f"(99 % interval).{' ' + asked_sentence(months, units) if ask else ''}")


def check_line(check: FactorChange) -> str:
    """One thing to look at first, with the journal's figures."""
    if check.now is None:
        return f"{check.words}: not written down on enough days"
    before = f", before {check.before:.1f}" if check.before is not None else ""
    mark = "  look at this" if check.worse else ""
    return f"{check.words}: {check.now:.1f} {check.unit}{before}{mark}"


def sleep_sentence(spell: ShortSleep, usual_m_s: float) -> str:
    """A spell of short sleep beside the runs of its weeks."""
    text = (f"Short sleep from {day(spell.begins)} to {day(spell.ends)}: {spell.hours:.1f} h a night, "
            f"otherwise {spell.usual_hours:.1f} h ({spell.nights} nights written down).")
    if spell.speed_m_s is None:
        return text + " Too few runs then to compare."
    shift = spell.speed_m_s
    low, likely, high = (value / usual_m_s for value in (shift.low, shift.value, shift.high))
    return (f"{text} Beside the six weeks around it {way(likely)} at the ceiling; {ways(low, high)} "
            "(95 % interval).")


def share_sentence(months: Months) -> str:
    """The weekly mix of the last twelve weeks."""
    if months.recent_share is None:
        return "No run tells the share of time at or under a ceiling."
    return f"At or under the ceiling in the last 12 weeks: {100 * months.recent_share:.0f} % of the time."


def consistency_sentence(months: Months) -> str:
    """How regular the running was over the year."""
    usual = months.consistency
    if usual is None:
        return ""
    return (f"Runs in {usual.with_runs} of {usual.weeks} weeks, usually {usual.usual_runs:g} a week and "
            f"{usual.usual_hours:.1f} h; longest time without a run {usual.longest_gap_days} days.")


def jump_sentences(jumps: Iterable[Week]) -> list[str]:
    """Sudden jumps in volume of the last twelve weeks."""
    return [f"Week of {day(week.begins)}: {week.hours:.1f} h, {100 * (week.jump or 0):.0f} % over the usual "
            "of the four weeks before; raise volume in smaller steps (common practice)." for week in jumps]


def check_sentences(months: Months, units: str) -> list[str]:
    """The monthly steady-heart-rate check."""
    if not months.checks:
        return ["No monthly check yet: `guard plan --make steady-check -o check.toml`, then "
                "`guard run --plan check.toml` once a month."]
    number, last = len(months.checks), months.checks[-1][0]
    lines = [f"{number_of(number, 'monthly check')}, the last on {day(last)}."]
    if months.difference is None:
        if number > 1:
            lines.append("None shares a speed with the last, so heart rate cannot be compared.")
        return lines
    found = months.difference
    told = "more than chance" if found.told else "no more than chance could do"
    lines.append(
        f"The line through {found.checks} of them at {pace(found.speed_m_s, units)} {pace_unit(units)}: "
        f"{found.earlier_bpm:.0f} bpm on {day(found.earlier)}, {found.later_bpm:.0f} on {day(found.later)}; "
        f"{_signed(found.bpm)} bpm ± {found.error_bpm:.0f}, {told}.")
    return lines


def refused(refusal: str) -> tuple[str, str]:
    """Why a run has no speed at the ceiling, and the fix; a code of another version as it is."""
    return REFUSALS.get(refusal) or (refusal.replace("_", " "), "look at the log")


def refusal_sentences(months: Months) -> list[str]:
    """Why runs have no speed at the ceiling, with the fix."""
    return [f"{number_of(count, 'run')} without a figure: {what}. {_capital(fix)}."
            for (what, fix), count in sorted(
                ((refused(refusal), count) for refusal, count in months.refusals.items()),
                key=lambda item: -item[1])]


_FACTORS = {"temperature_c": "temperature", **{item.key: item.words for item in ITEMS}}


def link_sentences(links: Sequence[Correlation]) -> list[str]:
    """Journal beside runs; nothing at all where there were too few pairs."""
    if not links:
        return []
    clear = [link for link in links if link.clear]
    lines = [
        f"{_capital(_FACTORS.get(link.factor, link.factor))} and {link.outcome}: rank correlation "
        f"{_signed(link.rho, 2)} (95 % interval {_signed(link.low, 2)} to {_signed(link.high, 2)}), "
        f"{link.pairs} pairs." for link in clear]
    looked = f"{len(links)} links looked at, each with {FEWEST_PAIRS} pairs or more"
    lines.append(f"{looked}; {len(clear) or 'none'} beyond chance. {NEVER_A_CAUSE}")
    return lines


def cost_sentence(months: Months) -> str:
    """What was learned of this runner's heart rate."""
    if months.slopes is None:
        return ""
    slope, _, drift = months.slopes.values.tolist()
    return (f"Learned: {slope:.0f} bpm for each m/s, {_signed(drift)} bpm an hour; after a change of speed "
            f"two thirds of the change come within about {months.slopes.lag_s:.0f} s.")


def _signed(value: float, digits: int = 0) -> str:
    text = f"{abs(value):.{digits}f}"
    return ("−" if value < 0 else "+") + text if float(text) else text


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]
