"""What a review says, in words: shared by the terminal and the page. Plain text, unescaped."""

from collections import Counter

from guard.cues import Says
from guard.decide.wording import headline as cue_headline
from guard.events import Cue
from guard.plan.plan import Kind
from guard.reasons import why_doubted
from guard.review.advice import Cause, MainCause
from guard.review.cues import Came, CueOutcome
from guard.review.drift import SPEED_UNKNOWN, Drift
from guard.review.parts import PartFigures
from guard.review.recovery import Recovery
from guard.review.review import Review
from guard.review.rr import RRFigures
from guard.review.signal import Signal
from guard.screen.report import counted
from guard.screen.words import clock
from guard.settings import Settings
from guard.units import distance, per_m_s, speed, speed_unit

EFFORT = {
    0: "no effort", 1: "next to none", 2: "light", 3: "easy, could chat all the way", 4: "whole sentences",
    5: "a little work", 6: "work, short sentences", 7: "hard", 8: "very hard, single words",
    9: "nearly all there was", 10: "could not have gone on",
}
REVIEW_CAUTION = ("Not a medical device: these figures find no illness and rule none out. "
                  "How you feel comes before any number; ask a licensed professional about what worries you.")
RECOVERY_CAUTION = ("After running: tables made for the end of an all-out test do not apply here; compare "
                    "only with similar runs of your own.")
RR_CAUTION = ("RR intervals: in a run they tell mostly how steady heart rate was, neither fitness nor "
              "fatigue; no cue rests on them.")
_WORTH_SAYING_S = 2.0  # the first reading of a session may be that late
_ENDED = {"end": "session ended", "pause": "paused", "no_signal": "sensor lost", "part": "next part"}
_CAME = {
    Came.WITH: "worked as expected", Came.WITHOUT: "made no difference", Came.EITHER: "too close to tell",
    Came.LOWER: "lower than expected", Came.HIGHER: "higher than expected",
}
_CAME_FASTER = _CAME | {Came.WITH: "rose as expected", Came.WITHOUT: "rose less than expected"}
_RECOVERY = {"stop": "stopped", "walk": "walked", "pause": "paused",
             "walk_cue": "told to walk (whether you did is not known)"}


def heading(review: Review) -> str:
    """One line: when, how long, from what."""
    when = review.started[:16].replace("T", " ") or "undated"
    words = [when, clock(review.duration_s)]
    if review.whole and review.whole.distance_m:
        words.append(distance(review.whole.distance_m, review.settings.units))
    return ", ".join(words)


def headline(review: Review) -> str:
    """The fact a review leads with."""
    total = review.whole
    if total is None or total.share_under is None:
        return "No trusted heart rate that counts: nothing to compare with the ceiling."
    planned = ""
    if total.planned_over_s >= _WORTH_SAYING_S:
        planned = f" {clock(total.planned_over_s)} more over it in fast parts and after them, as planned."
    easy = total.easy_share_under
    if total.easy_over_s < 0.5:
        return f"All {clock(total.at_or_under_s)} at or under the ceiling.{planned}"
    share = f" ({100 * easy:.0f} %)" if easy is not None else ""
    return (f"{clock(total.at_or_under_s)} at or under the ceiling{share}, "
            f"{clock(total.easy_over_s)} over it.{planned}")


def advice(found: MainCause | None, settings: Settings) -> str:
    """The one sentence to take along; empty where there is none."""
    if found is None:
        return ""
    cost, slower = _minutes(found.over_s), _slower(found.excess_bpm, settings)
    match found.cause:
        case Cause.CLIMBS:
            climbs = "The climb" if found.count == 1 else f"{_number(found.count).title()} climbs"
            them = "it" if found.count == 1 else "them"
            return f"{climbs} cost you {cost} over the ceiling; start {them} {slower}."
        case Cause.RESTARTS:
            return (f"{found.count} of {found.of_count} times you ran again you were soon over the ceiling "
                    f"({cost} in all); start again {slower}.")
        case Cause.EARLY:
            return (f"{cost} of {_minutes(found.of_over_s)} over the ceiling came in the first "
                    f"{found.count} minutes; begin {slower}.")
        case Cause.LATE:
            return (f"{cost} of {_minutes(found.of_over_s)} over the ceiling came in the last third: heart "
                    f"rate drifted up by {found.drift_bpm:.0f} at the same speed; run it {slower}.")
        case Cause.STRETCHES:
            stretches = "One stretch" if found.count == 1 else f"{_number(found.count).title()} stretches"
            *first, last = (clock(at_s) for at_s in found.at_s)
            times = " and ".join([", ".join(first), last] if first else [last])
            there = "there" if found.count == 1 else "each time"
            return f"{stretches}, at {times}, cost you {cost} over the ceiling; slow down earlier {there}."


def _slower(excess_bpm: float, settings: Settings) -> str:
    """How much slower, as a speed where the runner's gain is known: enough for the mean excess, in halves."""
    gain = settings.gain_bpm_per_m_s
    if gain is None:
        return "a little slower"
    step_m_s = 0.5 / per_m_s(settings.units)
    halves = min(max(round(excess_bpm / gain / step_m_s), 1), 4)
    unit = speed_unit(settings.units)
    return f"{('half a', '1', '1.5', '2')[halves - 1]} {unit} slower"


def _minutes(seconds: float) -> str:
    """About so long: whole minutes from a minute and a half on, else tens of seconds."""
    if seconds >= 90:
        return f"{round(seconds / 60)} minutes"
    return f"{round(seconds / 10) * 10} seconds"


def _number(count: int) -> str:
    words = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")
    return words[count] if count < len(words) else str(count)


def facts(review: Review) -> list[tuple[str, str]]:
    """(fact, value) of the whole session."""
    total = review.whole
    rows = [("ceiling", _ceilings(review))]
    if total is not None:
        planned = f", {clock(total.planned_over_s)} of it as planned" if total.planned_over_s >= 0.5 else ""
        area = f"{total.over_bpm_min:.1f} bpm x min"
        rows.append(("over the ceiling", f"{clock(total.over_s)}, {area}{planned}"))
        if total.mean_bpm is not None and total.highest_bpm is not None:
            rows.append(("heart rate", f"mean {total.mean_bpm:.0f}, highest {total.highest_bpm:.0f} bpm"))
        if total.held_s:
            rows.append(("paused", clock(total.held_s)))
        if total.unguarded_s:
            rows.append(("left to you", clock(total.unguarded_s)))
        if total.uncued_s:
            over = clock(total.uncued_over_s)
            rows.append(("pace cues off", f"{clock(total.uncued_s)}, {over} over: not in the advice"))
    asked = f"{review.summary['cues_per_h']:.0f} pace cues an hour"
    counts = counted(review.summary["cues"])
    rows.append(("cues" if review.said else "cues (not heard)", f"{counts} ({asked})" if counts else "none"))
    if came := Counter(_came(cue, cue.came) for cue in review.cues if cue.came):
        order = [*_CAME.values(), *_CAME_FASTER.values()]
        outcomes = [f"{came[said]} {said}" for said in sorted(came, key=order.index)]
        unjudged = sum(not cue.came and cue.given.numbers.with_bpm is not None for cue in review.cues)
        outcomes += [f"{unjudged} not judged: something else came first"] if unjudged else []
        rows.append(("after the cues", ", ".join(outcomes)))
    if review.drift.refusal != SPEED_UNKNOWN:
        rows.append(("drift", drift(review.drift, review.settings)))
    rows += [("after running" if place == 0 else "", recovery(one))
             for place, one in enumerate(review.recoveries)]
    rows.append(("signal", signal(review.signal)))
    if review.marks:
        rows.append(("your marks", ", ".join(f"{clock(t_s)} {text}".strip() for t_s, text in review.marks)))
    if review.rr is not None:
        rows.append(("RR intervals", rr(review.rr)))
    for note in review.notes:
        if note.effort is not None:
            rows.append(("effort", f"{note.effort} of 10: {EFFORT[note.effort]}"))
        if note.feel:
            rows.append(("felt", note.feel))
        if note.pain:
            rows.append(("pain", note.pain))
    return rows


def ceiling(*parts: PartFigures) -> str:
    """The ceiling in force, or its range."""
    low, high = min(part.ceiling_bpm[0] for part in parts), max(part.ceiling_bpm[1] for part in parts)
    return f"{low:.0f} bpm" if round(low) == round(high) else f"{low:.0f} to {high:.0f} bpm"


def _ceilings(review: Review) -> str:
    """The ceiling of the session; the limits that a plan gives its warm-up are named as such."""
    if review.whole is None:
        return f"{review.settings.ceiling_bpm:g} bpm"
    rising = [part for part in review.parts
              if part.kind == Kind.WARM_UP and len(set(map(round, part.ceiling_bpm))) > 1]
    others = [part for part in review.parts if part not in rising]
    if not rising or not others:
        return ceiling(review.whole)
    return f"{ceiling(*others)}, warm-up limit {ceiling(*rising)}"


def cue_line(review: Review, cue: CueOutcome) -> str:
    """What the cue said, as on the live screen."""
    return cue_headline(cue.given, review.settings)


def followed(cue: CueOutcome) -> str:
    """What heart rate did after a cue."""
    if cue.cue is Cue.SIGNAL_LOST:
        return "not back before the end" if cue.back_s is None else f"back after {cue.back_s:.0f} s"
    words = []
    if cue.rose_bpm is not None:
        words.append(f"rose {cue.rose_bpm:.0f}")
        words.append("stayed under" if cue.over_s is None else f"over again after {cue.over_s:.0f} s")
    elif cue.peak_bpm is not None:
        if cue.turn_s is None:
            words.append("did not fall")
        else:
            words.append(f"fell {cue.fell_bpm:.0f}" + (" at once" if cue.turn_s < 2 else
                                                       f", from {cue.turn_s:.0f} s on"))
        if cue.turn_s is not None or cue.under_s is not None:
            words.append({None: "stayed over", 0.0: "never over"}.get(
                cue.under_s, f"under after {cue.under_s or 0:.0f} s"))
    elif cue.ended_by:
        words.append("not known")
    ended = _ENDED.get(cue.ended_by, "")  # another cue has a line of its own
    text = ", ".join(words)
    if words and ended:
        text += f"; {ended} {cue.watched_s:.0f} s later"
    if cue.came:  # what it expected stands in its reason
        text += f"; {cue.came_bpm:.0f} after {cue.given.numbers.ahead_s:.0f} s: {_came(cue, cue.came)}"
    return text


def _came(cue: CueOutcome, came: Came) -> str:
    """Which of its expectations came about, in words; running again raises heart rate."""
    return (_CAME_FASTER if cue.cue.about.says is Says.FASTER else _CAME)[came]


def drift(found: Drift, settings: Settings) -> str:
    """Drift with its error, or why there is none."""
    if found.bpm is None or found.speed_m_s is None:
        return f"not known: {found.refusal}"
    size = f"{found.bpm:+.1f} bpm (95 %: within {found.error_bpm:.1f})"
    sure = "" if abs(found.bpm) > (found.error_bpm or 0.0) else ", no more than chance"
    return (f"{size} in the second half at {speed(found.speed_m_s, settings.units)}{sure}; "
            f"{found.minutes} steady minutes of each half")


def recovery(one: Recovery) -> str:
    """One minute after running stopped."""
    moved = round(one.from_bpm) - round(one.after_bpm)
    size = f"fell {moved}" if moved > 0 else f"rose {-moved}" if moved else "stayed level"
    return (f"{size} in a minute, {one.from_bpm:.0f} to {one.after_bpm:.0f}, from {clock(one.t_s)}: "
            f"{_RECOVERY[one.kind]}")


def signal(found: Signal) -> str:
    """Quality of the signal."""
    if not found.readings:
        return "no reading at all"
    share = 100 * (found.trusted_share or 0.0)
    words = [f"{share:.1f} % of {found.readings} readings trusted"]
    if found.no_signal_s >= _WORTH_SAYING_S:
        longest = f", {clock(found.longest_gap_s)} at the longest" if found.gaps > 1 else ""
        words.append(f"no signal for {clock(found.no_signal_s)}, {_times(found.gaps)}{longest}")
    else:
        words.append("never lost")
    words += [f"{count} set aside: {why_doubted(doubt)}" for doubt, count in found.doubted.items()]
    if found.links_lost:
        words.append(f"link lost {_times(found.links_lost)}")
    if found.battery_percent:
        first, last = found.battery_percent
        words.append(f"battery {last} %" if first == last else f"battery {first} to {last} %")
    return "; ".join(words)


def rr(found: RRFigures) -> str:
    """RR statistics, or why there are none."""
    kinds = ", ".join(f"{count} {kind}" for kind, count in found.artefacts.items())
    removed = f"{found.intervals} intervals" + (f", left out: {kinds}" if kinds else "")
    if found.sdnn_ms is None:
        return f"{removed}; no figures: {found.refusal}"
    return f"SDNN {found.sdnn_ms:.0f} ms, RMSSD {found.rmssd_ms:.1f} ms; {removed}"


def part_rows(review: Review) -> list[tuple[str, ...]]:
    """Part, length, ceiling, at or under, over, bpm x min, mean and highest, a row each."""
    rows: list[tuple[str, ...]] = []
    for part in review.parts:
        share = part.share_under
        left = share is None and part.unguarded_s > 0.0  # to the runner: no ceiling counts
        rows.append((
            part.name, clock(round(part.duration_s)),
            *(("none", "", "", "") if left else (
                ceiling(part).removesuffix(" bpm"),
                clock(part.at_or_under_s) + (f" ({100 * share:.0f} %)" if share is not None else ""),
                clock(part.over_s), f"{part.over_bpm_min:.1f}")),
            "" if part.mean_bpm is None else f"{part.mean_bpm:.0f}",
            "" if part.highest_bpm is None else f"{part.highest_bpm:.0f}"))
    return rows


# Left out on a phone: they follow from other columns.
SPARE = frozenset({"length", "bpm x min", "mean"})
PART_TITLES = ("part", "length", "ceiling", "at or under", "over", "bpm x min", "mean", "highest")


def cautions(review: Review) -> list[str]:
    """The cautions that belong to what is shown."""
    texts = [RECOVERY_CAUTION] if review.recoveries else []
    texts += [RR_CAUTION] if review.rr is not None and review.rr.sdnn_ms is not None else []
    return [*texts, REVIEW_CAUTION]


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"
