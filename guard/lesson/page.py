"""The lesson on a terminal: the question, then what the cue means."""

import math
from textwrap import wrap

from rich.console import Group
from rich.text import Text

from guard.decide.wording import phrase
from guard.events import CueGiven
from guard.lesson.lesson import LESSON_STEPS, Answer, Lesson, Phase
from guard.screen import large
from guard.screen.figure import Figure
from guard.screen.look import Look
from guard.settings import Settings

INTRO = ("You will hear every cue once, as on a run. Say with a key what you would do. "
         "It takes about a minute.")
_DO = {Answer.EASE: "run slower", Answer.WALK: "walk", Answer.RUN: "run again, gently",
       Answer.FEEL: "keep it easy, by feel"}
_SHORT = {Answer.EASE: "slower", Answer.WALK: "walk", Answer.RUN: "run", Answer.FEEL: "feel"}
_WIDEST = 76  # cells of a line of text
_ROOMY = 13  # rows; in fewer the keys share a line
_AROUND = 5  # rows of head, foot and gaps


def page(lesson: Lesson, settings: Settings, heard: bool, width: int, height: int, look: Look, t_s: float
         ) -> Group:
    """At most `height` lines; where no sound leaves the machine (not `heard`) it says the words instead.

    `t_s` is the time since the lesson began: it says when it goes on by itself.
    """
    step = lesson.step
    words = phrase(CueGiven(0.0, step.cue), settings)
    said = step.tone if settings.speech == "tones" else f'"{words}", {step.tone}'
    shown = lesson.phase is Phase.SHOWN
    left = f"{math.ceil(lesson.left_s(t_s))} s"
    if lesson.index < 0:
        head, body = "first lesson", _wrapped(INTRO, width)
        foot = _foot(f"begins in {left}, or with space", f"space begins ({left})", width)
    elif shown:
        head = _place(lesson)
        foot = _foot(f"goes on in {left}, or with space", f"space goes on ({left})", width)
        text = [*_wrapped(f"{lesson.said} {step.meaning}", width),
                *_wrapped(f"{'You heard' if heard else 'It says'} {said}.", width)]
        word = large.lines(Figure(step.word), width, 1, look)
        fits = word and len(word) + len(text) + _AROUND <= height
        body = [*word, Text(""), *text] if fits else [Text(step.word, look.style("lead")), *text]
    else:
        head = _place(lesson)
        foot = _foot(f"{left} to answer; space shows what it means", f"{left}, space answers", width)
        ask = f"No sound here, so read: {said}." if not heard else "Listen ..."
        keys = [f"  {answer.value}  {_DO[answer]}" for answer in _DO]
        if height < _ROOMY:
            keys = wrap(", ".join(f"{answer.value} {_SHORT[answer]}" for answer in _DO), width)
        body = [*_wrapped(ask, width), *_wrapped(lesson.said, width),
                *([Text("")] if height >= _ROOMY else []), Text("What do you do?"),
                *(Text(key, look.style("lead")) for key in keys)]
    gap = [Text("")] if height >= len(body) + _AROUND else []
    lines = [Text(head, look.style("quiet")), *gap, *body, *gap, Text(foot, look.style("quiet"))]
    for line in lines:
        line.no_wrap = True
        line.truncate(width)
    return Group(*lines[:height])


def _foot(full: str, short: str, width: int) -> str:
    """When it goes on, in as many words as there is room for, and how to leave."""
    leave = ", q leaves"
    return (full if len(full) + len(leave) <= width else short) + leave


def _place(lesson: Lesson) -> str:
    return f"first lesson, cue {lesson.index + 1} of {len(LESSON_STEPS)}"


def _wrapped(words: str, width: int) -> list[Text]:
    return [Text(line) for line in wrap(words.strip(), max(10, min(width, _WIDEST)))]


def closing(lesson: Lesson, *, left: bool) -> list[str]:
    """What is said at the end: the few things to remember."""
    if left or not lesson.taken:
        return ["The lesson waits: `guard rehearse --lesson` takes it up again."]
    return [f"{lesson.right} of {lesson.asked} answered right at once. What to remember:",
            *(f"  {step.tone:<32} {_DO[step.answer]}" for step in LESSON_STEPS if step.answer in _DO),
            "`guard rehearse --lesson` repeats it, `guard check --sounds` plays every cue."]
