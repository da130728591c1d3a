"""Why: the rules' names and figures in words, for screens, pages and the log.

The one place where a reason becomes English. Nothing reads these sentences
back: what is spoken (`wording.py`), compared or counted hangs on the rule and
its numbers, so that any of them may be written better on any day.
"""

from collections.abc import Callable, Mapping
from typing import assert_never

from guard.events import CueGiven, Doubt, Numbers, ReadingDoubted, StateChanged


def _whole(value: float | None) -> str:
    """A figure as shown; a log by another hand may lack it."""
    return "?" if value is None else f"{value:.0f}"


def _of(limit: float | None) -> str:
    return "" if limit is None else f" of {limit:.0f}"


def _ahead(n: Numbers) -> str:
    return f"foreseen {_whole(n.foreseen_bpm)} in {_whole(n.ahead_s)} s"


def _ceiling(n: Numbers) -> str:
    return f"ceiling {_whole(n.ceiling_bpm)}"


def _ahead_of(n: Numbers, name: str, limit_bpm: float | None) -> str:
    """What is foreseen against a limit. The guard aims a margin under it, so that may lie under it too."""
    known = n.foreseen_bpm is not None and limit_bpm is not None
    inside = known and round(n.foreseen_bpm or 0.0) <= round(limit_bpm or 0.0)
    return f"{_ahead(n)}, {'in the margin under ' if inside else ''}{name} {_whole(limit_bpm)}"


def _against_ceiling(n: Numbers) -> str:
    return _ahead_of(n, "ceiling", n.ceiling_bpm)


def _has_passed(n: Numbers) -> str:
    """Whole figures may be equal where the level is over by less than half a beat."""
    return "has reached" if _whole(n.level_bpm) == _whole(n.stop_bpm) else "is over"


def _length(n: Numbers) -> str:
    seconds = n.length_s or 0.0
    time = f"{seconds / 60:.3g} min" if seconds >= 60 else f"{seconds:.0f} s"
    if n.length_m is not None and n.length_s is not None:
        return f"{n.length_m:.0f} m, by time as no speed is known: {time}"
    return f"{n.length_m:.0f} m" if n.length_m is not None else time


def _expected(n: Numbers) -> str:
    """What is expected with and without the cue, where the rule gives it."""
    if n.with_bpm is None or n.without_bpm is None:
        return ""
    return f"; {_whole(n.with_bpm)} with the cue, {_whole(n.without_bpm)} without"


REASONS: Mapping[str, Callable[[Numbers], str]] = {
    "stop": lambda n: (f"{_whole(n.level_bpm)} bpm {_has_passed(n)} your never-exceed limit of "
                       f"{_whole(n.stop_bpm)}"),
    "hold": lambda n: "paused by the runner",
    "unhold": lambda n: "the runner goes on",
    "signal_back": lambda n: f"trusted readings again, {_whole(n.level_bpm)} bpm",
    "unfelt": lambda n: f"the strap says no contact, but its beats tell the rate, {_whole(n.level_bpm)} bpm",
    "trusted": lambda n: f"trusted readings again, {_whole(n.level_bpm)} bpm",
    "no_reading": lambda n: f"no reading for {_whole(n.age_s)} s",
    "not_trusted": lambda n: f"no reading that can be trusted for {_whole(n.age_s)} s",
    "by_feel": lambda n: (f"no reading that can be trusted for {_whole(n.age_s)} s, and it may be over your "
                          f"never-exceed limit{_of(n.stop_bpm)}: slow down by feel"),
    "too_seldom": lambda n: (f"the sensor sends only every {_whole(n.interval_s)} s: too rarely to guard by, "
                             "10 s at most would do"),
    "step_lock": lambda n: "the sensor follows your steps, not your heart: press it to the skin, wet it",
    "free_run": lambda n: "pace cues off: only stop and sensor cues",
    "eased_in_vain": lambda n: f"easing was not enough: {_against_ceiling(n)}",
    "no_jog_would_do": lambda n: f"easing alone has not been enough today: {_against_ceiling(n)}",
    "runs_again": lambda n: f"{_whole(n.level_bpm)} bpm: running, as far as heart rate tells",
    "walks_on": lambda n: f"{_whole(n.level_bpm)} bpm, {_whole(n.room_bpm)} under the ceiling: still walking",
    "warm_up_over": lambda n: "warmed up",
    "warm_up_ease": lambda n: _ahead_of(n, "warm-up limit", n.limit_bpm),
    "ease": _against_ceiling,
    "ease_again": lambda n: f"still {_against_ceiling(n)}",
    "calm": lambda n: f"coming down: foreseen {_whole(n.foreseen_bpm)}, {_ceiling(n)}",
    "resume": lambda n: (f"{_whole(n.level_bpm)} bpm, {_whole(n.room_bpm)} under the ceiling and not "
                         "rising"),
    "walk_slower": lambda n: (f"{_whole(n.level_bpm)} bpm, {_ceiling(n)}: not falling yet as it should at a "
                             "walk"),
    "resume_missed": lambda n: (f"{_whole(n.level_bpm)} bpm, {_whole(n.room_bpm)} under the ceiling and "
                                "still falling"),
    "pick_up": lambda n: f"{_whole(n.level_bpm)} bpm, under your floor of {_whole(n.floor_bpm)}",
    # what the session itself says, outside the decision
    "battery_low": lambda n: f"strap battery at {_whole(n.percent)} %, low at {_whole(n.low_percent)} %",
    "next_part": lambda n: f"{_length(n)}, {_ceiling(n)}",
    "next_part_unguarded": lambda n: f"{_length(n)}, left to you",
    "plan_done": lambda n: "its last part is over; the session goes on until you end it",
    "quit": lambda n: "ended by the runner",
    "interrupted": lambda n: "interrupted",
    "source_ended": lambda n: "the source of readings ended",
}

DOUBTS: Mapping[Doubt, str] = {
    Doubt.NO_CONTACT: "no skin contact: wet the electrodes",
    Doubt.NO_PULSE: "no pulse signal from the sensor",
    Doubt.RANGE: "outside what a heart can do",
    Doubt.REPEATED: "one value over and over, perhaps an old one",
    Doubt.RR_DISAGREES: "the times between beats give another heart rate",
    Doubt.ROUGH: "sticks, then jumps: the electrode may be dry",
    Doubt.JUMP: "too far from the readings before",
    Doubt.UNPROVEN: "too few readings yet to trust it",
    Doubt.STEP_RATE: "follows the step rate, not the heart",
}
_DOUBTS: Mapping[str, str] = {doubt.value: words for doubt, words in DOUBTS.items()}


def why(rule: str, numbers: Numbers, logged_words: str = "") -> str:
    """A rule on its figures in words.

    Of a rule not known here (a log of another version) what that log says, else its bare name.

    >>> why("ease", Numbers(foreseen_bpm=143.2, ahead_s=20.0, ceiling_bpm=139.0))
    'foreseen 143 in 20 s, ceiling 139'
    """
    said = REASONS.get(rule)
    if said is None:
        return logged_words or rule.replace("_", " ")
    return said(numbers) + _expected(numbers)


def why_doubted(doubt: str, logged_words: str = "") -> str:
    """Why a reading was not trusted, in words; it stands after a colon, so it has no verb of its own."""
    return _DOUBTS.get(doubt) or logged_words or doubt.replace("_", " ")


def reason(item: CueGiven | StateChanged | ReadingDoubted) -> str:
    """Why the guard said this, in words: as this version has them where it knows the rule."""
    match item:
        case ReadingDoubted():
            return why_doubted(item.doubt, item.logged_words)
        case CueGiven(part=str() as part) if part and item.rule in REASONS:
            return f"next: {part}, {why(item.rule, item.numbers)}"
        case CueGiven() | StateChanged():
            return why(item.rule, item.numbers, item.logged_words)
        case _:
            assert_never(item)
