"""The questions of `guard ceiling`, on a terminal; Enter leaves one unanswered."""

import sys
from collections.abc import Iterable, Mapping
from datetime import date
from typing import Any

from guard.ceiling.inputs import number
from guard.ceiling.methods import SAFETY, Laboratory, Runner, TalkTest, refuse_nonsense
from guard.errors import UsageError, clean

_YES, _NO = ("y", "yes"), ("n", "no")
_PLAIN = ("age", "resting", "maximum")  # figures that stand for themselves; a test has its day beside it
_FIGURES = {
    "age": "age in years",
    "resting": "resting heart rate, bpm, on waking",
    "maximum": "maximum heart rate, bpm, only if measured",
    "talk": "highest bpm with comfortable speech in a talk test",
    "first_threshold": "first threshold (ventilatory or lactate), bpm, only if a laboratory told you",
    "second_threshold": "second threshold, bpm, only if a laboratory told you",
}


def ask(known: Mapping[str, object], today: date, *, missing_only: bool = False) -> dict[str, object]:
    """Answers to every question, in the form of `ceiling_inputs`; the end of input ends the asking.

    With `missing_only` what is known is not asked again.
    """
    answers: dict[str, Any] = {}
    _say("A few more figures make it more certain. Enter skips one." if missing_only else
         "Where might your ceiling be? Enter skips a figure, or keeps the one in brackets.")
    try:
        for key in _FIGURES:
            if missing_only and known.get(key) is not None:
                continue
            if key == "second_threshold" and "first_threshold" not in {**known, **answers}:
                continue  # whoever has one has been to a laboratory
            value = _number(key, {**known, **answers})
            if value is not None:
                on = today.isoformat()
                answers |= {key: value if key in _PLAIN else {"bpm": value, "on": on},
                            **({"age_on": on} if key == "age" else {})}
        answers |= ask_safety({} if missing_only else known,
                              [key for key in SAFETY if not missing_only or known.get(key) is None])
    except EOFError:
        _say("")
    return answers


def _figure(value: object) -> float | None:
    """A figure as it is kept: alone, or with the day of its test."""
    bpm = value.get("bpm") if isinstance(value, dict) else value
    return None if bpm is None else number("", str(bpm))


def _runner(said: Mapping[str, object]) -> Runner:
    """Whoever these figures describe: one that contradicts another is asked again."""
    age, resting, maximum, talk, first, second = (_figure(said.get(key)) for key in _FIGURES)
    return Runner(age, resting, maximum, talk=None if talk is None else TalkTest(talk),
                  laboratory=Laboratory(first, second))


def ask_safety(known: Mapping[str, object], keys: Iterable[str] = SAFETY) -> dict[str, bool]:
    """What a number depends on: each is asked until it is answered, or keeps what was said before."""
    return {key: yes for key in keys if (yes := _yes(SAFETY[key], known.get(key))) is not None}


def _say(words: str, end: str = "\n") -> None:
    print(words, end=end, file=sys.stderr, flush=True)


def _answer(words: str, known: object) -> str:
    shown = "" if known is None else f" [{clean(str(known))}]"
    _say(f"  {words}{shown}: ", end="")
    line = sys.stdin.readline()
    if not line:
        raise EOFError
    return line.strip()


def _number(key: str, said: Mapping[str, object]) -> float | None:
    kept = _figure(said.get(key))
    shown = None if kept is None else f"{kept:g}"
    while True:
        text = _answer(_FIGURES[key], shown)
        if not text:
            return None
        try:
            value = number("", text)
            refuse_nonsense(_runner({**said, key: value}))
            return value
        except UsageError as error:
            # The question stands above: no option need be named.
            _say(f"    {error.answer}")


def _yes(words: str, known: object) -> bool | None:
    while True:
        text = _answer(f"{words}, y or n", None if known is None else "y" if known else "n").lower()
        if not text and known is not None:
            return None
        if text in _YES + _NO:
            return text in _YES
        _say("    write y or n: no ceiling is suggested without it")
