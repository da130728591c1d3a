"""The questions of `guard ceiling`, on a terminal; Enter leaves one unanswered."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Mapping
from datetime import date
from typing import Any

from guard.ceiling.inputs import number
from guard.ceiling.methods import SAFETY, Runner, TalkTest, refuse_nonsense
from guard.errors import UsageError
from guard.screen.look import clean

_YES, _NO = ("y", "yes"), ("n", "no")


def ask(known: Mapping[str, object], today: date, *, missing_only: bool = False) -> dict[str, object]:
    """Answers to every question, in the form of `ceiling_inputs`; the end of input ends the asking.

    With `missing_only` what is known is not asked again.
    """
    answers: dict[str, Any] = {}
    _say("A few more figures make it more certain. Enter skips one." if missing_only else
         "Where might your ceiling be? Enter skips a figure, or keeps the one in brackets.")
    try:
        for key, words, check in (
            ("age", "age in years", lambda value: Runner(age=value)),
            ("resting", "resting heart rate, bpm, on waking", lambda value: Runner(resting_bpm=value)),
            ("maximum", "maximum heart rate, bpm, only if measured", lambda value: Runner(maximum_bpm=value)),
        ):
            if missing_only and known.get(key) is not None:
                continue
            value = _number(words, known.get(key), check)
            if value is not None:
                answers |= {key: value, **({"age_on": today.isoformat()} if key == "age" else {})}
        kept_talk = known.get("talk")
        kept_bpm = kept_talk.get("bpm") if isinstance(kept_talk, dict) else None
        if not (missing_only and kept_talk is not None):
            talk = _number("highest bpm with comfortable speech in a talk test", kept_bpm,
                           lambda value: Runner(talk=TalkTest(value)))
            if talk is not None:
                answers["talk"] = {"bpm": talk, "on": today.isoformat()}
        answers |= ask_safety({} if missing_only else known,
                              [key for key in SAFETY if not missing_only or known.get(key) is None])
    except EOFError:
        _say("")
    return answers


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


def _number(words: str, known: object, as_runner: Callable[[float], Runner]) -> float | None:
    shown = f"{known:g}" if isinstance(known, int | float) else known
    while True:
        text = _answer(words, shown)
        if not text:
            return None
        try:
            value = number("", text)
            refuse_nonsense(as_runner(value))
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
