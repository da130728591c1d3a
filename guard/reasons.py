"""Why: the rules' names and figures in words, for screens, pages and the log.

The one place where a reason becomes English. Nothing reads these sentences
back: what is spoken (`wording.py`), compared or counted hangs on the rule and
its numbers, so that any of them may be written better on any day.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import assert_never

from guard.events import CueGiven, Doubt, Numbers, ReadingDoubted, StateChanged


def _whole(value: float | None) -> str:
    """A figure as shown; a log by another hand may lack it."""
    return "?" if value is None else f"{value:.0f}"


def _ahead(n: Numbers) -> str:
    return f"foreseen {_whole(n.foreseen_bpm)} in {_whole(n.ahead_s)} s"


def _ceiling(n: Numbers) -> str:
    return f"ceiling {_whole(n.ceiling_bpm)}"


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
    "stop": lambda n: f"{_whole(n.level_bpm)} bpm is over your never-exceed limit of {_whole(n.stop_bpm)}",
    "hold": lambda n: "paused by the runner",
    "unhold": lambda n: "the runner goes on",
    "signal_back": lambda n: f"trusted readings again, {_whole(n.level_bpm)} bpm",
    "signal_blinked": lambda n: f"trusted readings again, {_whole(n.level_bpm)} bpm",
    "say_loss": lambda n: f"no trusted reading for {_whole(n.age_s)} s",
    "slip": lambda n: (f"heart rate fell from {_whole(n.fell_from_bpm)} faster than a heart can: "
                       "the electrode may have slipped"),
    "unlikely_recovery": lambda n: (f"{_whole(n.level_bpm)} bpm is too deep a fall for walking: "
                                    "the electrode may have slipped"),
    "no_signal": lambda n: f"no trusted reading for {_whole(n.age_s)} s",
    "free_run": lambda n: "free run: only stop and signal cues",
    "too_steep": lambda n: (f"climbing toward {_whole(n.heading_bpm)}, easing would not bring it under "
                            f"{_whole(n.ceiling_bpm)}"),
    "walk_run": lambda n: (f"walk-run today: even slow running ends over {_whole(n.ceiling_bpm)}; "
                           f"{_ahead(n)}"),
    "eased_in_vain": lambda n: f"easing changed nothing: {_ahead(n)}, {_ceiling(n)}",
    "not_turned": lambda n: (f"easing did not turn it: {_whole(n.level_bpm)} and foreseen "
                             f"{_whole(n.foreseen_bpm)}, {_ceiling(n)}"),
    "warm_up_over": lambda n: "warmed up",
    "warm_up_ease": lambda n: f"{_ahead(n)}, the warm-up's limit {_whole(n.limit_bpm)}",
    "ease": lambda n: f"{_ahead(n)}, {_ceiling(n)}",
    "ease_again": lambda n: f"still {_ahead(n)}, {_ceiling(n)}",
    "calm": lambda n: f"turned: foreseen {_whole(n.foreseen_bpm)}, {_ceiling(n)}",
    "resume": lambda n: (f"{_whole(n.level_bpm)} bpm, {_whole(n.room_bpm)} under the ceiling and not "
                         "rising"),
    "walk_slower": lambda n: f"no fall as in walking yet: {_whole(n.level_bpm)}, {_ceiling(n)}",
    "resume_missed": lambda n: (f"{_whole(n.level_bpm)} bpm, {_whole(n.room_bpm)} under the ceiling and "
                                "still falling"),
    "pick_up": lambda n: f"{_whole(n.level_bpm)} bpm, under your floor of {_whole(n.floor_bpm)}",
    # what the session itself says, outside the decision
    "battery_low": lambda n: f"strap battery at {_whole(n.percent)} %, low at {_whole(n.low_percent)} %",
    "next_part": lambda n: f"{_length(n)}, {_ceiling(n)}",
    "next_part_unguarded": lambda n: f"{_length(n)}, left to you",
    "plan_done": lambda n: "the plan is done",
    "quit": lambda n: "ended by the runner",
    "interrupted": lambda n: "interrupted",
    "source_ended": lambda n: "the source of readings came to its end",
}

DOUBTS: Mapping[Doubt, str] = {
    Doubt.NO_CONTACT: "the strap feels no skin: wet the electrodes",
    Doubt.NO_PULSE: "the sensor has no pulse signal",
    Doubt.REPEATED: "the sensor repeats one value, so it may be an old one",
    Doubt.RANGE: "is outside what a heart can do",
    Doubt.JUMP: "jumps too far from what came before",
    Doubt.SLIP: "falls faster than a heart can: the electrode may have slipped",
    Doubt.ROUGH: "jumps about from one to the next: the electrode may be dry",
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
    """Why a reading was not believed, in words."""
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
