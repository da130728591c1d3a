"""What the months say, in plain sentences; shared by the terminal and the page."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from datetime import date

from guard.journal.links import FEWEST_PAIRS, Link
from guard.progress import steady
from guard.progress.days import Check, ShortSleep
from guard.progress.progress import Months
from guard.progress.trend import WINDOW_DAYS, Trend, Verdict
from guard.progress.weeks import AIM, Week

METRES = {"km": 1000.0, "mile": 1609.344}  # international mile, exact by definition

HEADLINES = {
    Verdict.GAIN: "Gain", Verdict.LOSS: "Loss", Verdict.PLATEAU: "Plateau",
    Verdict.UNKNOWN: "Can't tell yet",
}
WHAT_COUNTS = (
    "Counted: every second with a heart-rate reading outside pauses, warm-up included, at or under the "
    "ceiling that run had (today's where it had none).")
WHAT_SPEED_IS = (
    "Speed at the ceiling: what a line through the run's steady stretches gives for the twentieth minute "
    "on the level, lag of heart rate allowed for, at today's ceiling for every run.")
DAY_TO_DAY = (
    "From day to day heart rate at one effort differs by about 3 % whatever the fitness "
    "(typical error, Buchheit 2014), so a few runs tell nothing.")
NEVER_A_CAUSE = "Going together is no cause."
CAUTION = (
    "Ask a licensed professional before faster work if you have symptoms, a heart condition, take medicine "
    "that changes heart rate, are pregnant, or have not run fast for long.")
FASTER_WORK = (
    "If these are in order, a common practice is to make 15 to 20 % of the weekly time faster "
    "and leave the rest as it is.")
REFUSALS = {  # what is wrong, and the mend
    steady.NO_SPEED: ("speed was not logged", "connect a treadmill or foot pod, or type the speed"),
    steady.NO_BEATS: ("heart rate is missing", "look at the log"),
    steady.TOO_SHORT: ("too little steady running", "run 25 minutes or more with few stops"),
    steady.SAME_SPEED: ("speed did not vary enough", "run some stretches of four minutes a little slower or "
                                                     "quicker, or do the monthly check"),
    steady.NO_SLOPE: ("heart rate did not follow speed clearly", "keep the strap wet and the road flat"),
    steady.TOO_FAR: ("heart rate stayed too far from the ceiling",
                     "run nearer to the ceiling, or check that it is right"),
    steady.TOO_WIDE: ("the error is too wide", "run longer, or vary the speed more"),
}


def pace(speed_m_s: float, units: str) -> str:
    """Minutes and seconds a kilometre or mile, without the unit.

    >>> pace(2.5, "km"), pace(1000 / 359.7, "km")
    ('6:40', '6:00')
    """
    if not math.isfinite(speed_m_s) or speed_m_s <= 0:
        return "–"
    seconds = round(METRES[units] / speed_m_s)
    return f"{seconds // 60}:{seconds % 60:02d}"


def pace_unit(units: str) -> str:
    return "min/km" if units == "km" else "min/mile"


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


def trend_sentence(trend: Trend, units: str, span: str = "12 weeks") -> str:
    """What the runs of a window say, with the numbers behind it."""
    if math.isnan(trend.change):
        return f"{HEADLINES[trend.verdict]}: {trend.reason}."
    base = trend.start
    way = {Verdict.GAIN: "rose", Verdict.LOSS: "fell"}.get(trend.verdict)
    interval = f"99 % interval {percent(trend.low / base)} to {percent(trend.high / base)}"
    paces = f"from {pace(base, units)} to {pace(trend.level, units)} {pace_unit(units)}"
    if way:
        return (f"{HEADLINES[trend.verdict]}: in the last {span} speed at the ceiling {way} by "
                f"{percent(abs(trend.change) / base, signed=False)} ({interval}), {paces}; "
                f"{trend.runs} runs.")
    change = f"{trend.runs} runs of the last {span} give {percent(trend.change / base)} ({interval}), {paces}"
    useful = percent(trend.useful / base / min(trend.days / WINDOW_DAYS, 1.0), signed=False)
    if trend.verdict is Verdict.PLATEAU:
        return (f"Plateau: {change}. At most {percent(trend.upper / base)} is likely (95 %), "
                f"less than the {useful} in {span} called useful here, as at every look for four weeks.")
    if trend.upper < trend.useful:
        return (f"Can't tell yet: {change}. A gain of {useful} in {span} looks unlikely, but a plateau is "
                "only called one once that has held for four weeks.")
    return (f"Can't tell yet: {change}. With runs as scattered as these a change must reach about "
            f"{percent(trend.seen / base, signed=False)} to be told from chance.")


def year_sentence(months: Months, units: str) -> str:
    """What the year says beside its last twelve weeks; empty where it says nothing more."""
    year, bend = months.year, months.bend
    if bend is not None:
        at, low, high = (day(some) for some in months.bend_days)
        share = bend.gained / (bend.level - bend.gained)
        return (f"Over the year: speed at the ceiling rose by about {percent(share, signed=False)} to "
                f"{pace(bend.level, units)} {pace_unit(units)}; the rise seems to have ended about {at} "
                f"(95 % interval {low} to {high}).")
    if math.isnan(year.change) or year.days <= WINDOW_DAYS:
        return ""
    sentence = trend_sentence(year, units, "52 weeks")
    return "Over the year: " + sentence[:1].lower() + sentence[1:]


def check_line(check: Check) -> str:
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
    return (f"{text} Speed at the ceiling beside the six weeks around it: {percent(shift.value / usual_m_s)} "
            f"(95 % interval {percent(shift.low / usual_m_s)} to {percent(shift.high / usual_m_s)}).")


def share_sentence(months: Months) -> str:
    """The weekly mix of the last twelve weeks against the aim."""
    if months.recent_share is None:
        return "No run tells the share of time at or under a ceiling."
    share, aim = f"{100 * months.recent_share:.0f} %", f"{100 * AIM:.0f} %"
    side = "at or over" if months.recent_share >= AIM else "short of"
    return f"At or under the ceiling in the last 12 weeks: {share} of the time, {side} the {aim} aimed at."


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
    lines = [f"{number} monthly check{'s' if number > 1 else ''}, the last on {day(last)}."]
    if months.difference is None:
        if number > 1:
            lines.append("No two of them share a speed, so heart rate cannot be compared.")
        return lines
    found = months.difference
    told = "more than chance" if found.told else "which chance can do"
    lines.append(
        f"At {pace(found.speed_m_s, units)} {pace_unit(units)}: {found.later_bpm:.0f} bpm on "
        f"{day(found.later)}, {found.earlier_bpm:.0f} on {day(found.earlier)}; {_signed(found.bpm)} bpm "
        f"± {found.error_bpm:.0f}, {told}.")
    return lines


def refused(refusal: str) -> tuple[str, str]:
    """Why a run has no speed at the ceiling, and the mend; a code of another version as it is."""
    return REFUSALS.get(refusal) or (refusal.replace("_", " "), "look at the log")


def refusal_sentences(months: Months) -> list[str]:
    """Why runs have no speed at the ceiling, with the mend."""
    return [f"{count} without a figure: {what}. {_capital(mend)}."
            for (what, mend), count in sorted(
                ((refused(refusal), count) for refusal, count in months.refusals.items()),
                key=lambda item: -item[1])]


_FACTORS = {
    "sleep_h": "sleep", "sleep_quality": "sleep quality", "stress": "stress", "soreness": "soreness",
    "food": "food", "resting_bpm": "resting heart rate", "temperature_c": "temperature",
}


def link_sentences(links: Sequence[Link]) -> list[str]:
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


def drift_sentence(months: Months) -> str:
    """Usual drift and temperature of the runs of the last twelve weeks."""
    recent = [point for point in months.known if (months.known[-1].day - point.day).days < 84]
    drifts = sorted(point.drift.value for point in recent if point.drift)
    if not drifts:
        return ""
    warm = sorted(point.temperature_c for point in recent if point.temperature_c is not None)
    text = (f"Drift in the last 12 weeks: {_signed(drifts[len(drifts) // 2])} bpm an hour (median of "
            f"{len(drifts)} runs)")
    if warm:
        text += f"; temperature {warm[0]:.0f} to {warm[-1]:.0f} °C, not allowed for"
    return text + "."


def _signed(value: float, digits: int = 0) -> str:
    text = f"{abs(value):.{digits}f}"
    return ("−" if value < 0 else "+") + text if float(text) else text


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]
