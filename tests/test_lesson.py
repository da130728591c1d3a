"""The first lesson: every cue once, answers by key, no step without an end."""

from __future__ import annotations

import io
import os

import pytest
from rich.cells import cell_len
from rich.console import Console

from guard.cues import CUES, Cue
from guard.lesson.lesson import ANSWER_S, LESSON_STEPS, READ_S, Answer, Lesson, Phase
from guard.lesson.page import closing, page
from guard.screen import large
from guard.screen.look import Look
from guard.settings import Settings
from guard.sound.tones import PATTERNS
from tests.support.alsa import Capture, heard_sounds
from tests.test_session_commands import Terminal, guard, needs_pty

__all__ = ["heard_sounds"]

TICK_S = 0.1


def heard(answers: dict[Cue, str], within_s: float = 300.0) -> tuple[Lesson, list[Cue], float]:
    """The lesson gone through by somebody who presses these keys a second and a half after each cue."""
    lesson, cues, t_s, since_s = Lesson(), [], 0.0, 0.0
    while not lesson.over:
        assert t_s < within_s
        if (cue := lesson.advance(t_s)) is not None:
            cues.append(cue)
            since_s = t_s
        key = answers.get(lesson.step.cue, "")
        if lesson.phase is Phase.ASKED and key and t_s - since_s >= 1.5:
            if (cue := lesson.press(key, t_s)) is not None:
                cues.append(cue)
            since_s = t_s
        t_s += TICK_S
    return lesson, cues, t_s


def test_every_cue_is_heard_once_within_about_a_minute() -> None:
    lesson, cues, took_s = heard({step.cue: step.answer.value for step in LESSON_STEPS})
    assert sorted(cues) == sorted(CUES) and len(set(cues)) == len(cues)
    assert lesson.right == lesson.asked == 5 and lesson.taken
    assert 40.0 <= took_s <= 65.0


def test_a_wrong_answer_is_heard_once_more_and_counts_as_one() -> None:
    lesson, cues, _ = heard({step.cue: "w" for step in LESSON_STEPS if step.answer is not Answer.NOTHING})
    wrong = [step.cue for step in LESSON_STEPS if step.answer not in (Answer.WALK, Answer.NOTHING)]
    assert all(cues.count(cue) == 2 for cue in wrong) and lesson.right == 2


def test_without_a_key_it_goes_on_by_itself() -> None:
    lesson, cues, took_s = heard({})
    assert lesson.right == 0 and len(cues) == len(CUES) and not lesson.taken
    assert closing(lesson, left=False) == closing(lesson, left=True), "nobody was there"
    assert took_s <= (len(LESSON_STEPS) + 1) * (ANSWER_S + READ_S) + 5.0


def test_space_goes_on_or_shows_the_answer_and_other_keys_do_nothing() -> None:
    lesson = Lesson()
    assert lesson.advance(0.0) is None
    lesson.press(" ", 0.5)
    assert lesson.advance(0.6) is Cue.EASE
    lesson.press("x", 1.0)
    assert lesson.phase is Phase.ASKED and lesson.advance(1.1) is None
    assert lesson.left_s(1.6) == pytest.approx(ANSWER_S - 1.0), "it says when it goes on by itself"
    lesson.press("E", 2.0)
    assert lesson.phase is Phase.SHOWN and lesson.said == "Right." and lesson.left_s(2.0) == READ_S
    lesson.press(" ", 2.5)
    assert lesson.advance(2.6) is Cue.WALK
    lesson.press(" ", 3.0)
    assert lesson.phase is Phase.SHOWN and not lesson.said and lesson.right == 1


def test_each_step_has_its_tone_and_large_letters() -> None:
    for step in LESSON_STEPS:
        assert large.rows(step.word, 1, "#") and step.cue in PATTERNS
    # the count of notes told is that of the pattern played
    told = {Cue.EASE: 2, Cue.WALK: 5, Cue.RESUME: 3, Cue.SIGNAL_LOST: 2, Cue.SIGNAL_BACK: 2, Cue.PART: 2,
            Cue.PICK_UP: 4, Cue.BATTERY_LOW: 3}
    assert all(len(PATTERNS[cue]) == count for cue, count in told.items())


@pytest.mark.parametrize("size", [(80, 24), (40, 12), (30, 8), (10, 3)])
@pytest.mark.parametrize("with_sound", [True, False])
def test_pages_fit(size: tuple[int, int], with_sound: bool) -> None:
    lesson, t_s, seen = Lesson(), 0.0, set()
    while not lesson.over:
        out = io.StringIO()
        Console(file=out, width=size[0], height=size[1], _environ={}).print(
            page(lesson, Settings(), with_sound, *size, Look(ascii=True, colour=False), t_s))
        text = out.getvalue().removesuffix("\n")
        seen.add(text)
        lines = text.split("\n")
        assert len(lines) <= size[1] and max(map(cell_len, lines)) <= size[0] and text.isascii()
        if size[0] >= 30 and lesson.phase is Phase.ASKED:
            assert "walk" in text, "the answers are there"
            assert with_sound or lesson.index < 0 or "read" in text
        lesson.advance(t_s)
        t_s += 1.0
    assert len(seen) > len(LESSON_STEPS) // 2
    assert "4 of 5" not in closing(lesson, left=False)[0] and "--lesson" in closing(lesson, left=True)[0]


def test_without_a_terminal_it_says_what_else_there_is(tmp_path) -> None:
    done = guard(tmp_path, "rehearse", "--lesson")
    assert done.returncode == 2 and "guard check --sounds" in done.stderr and not done.stdout


@needs_pty
def test_the_first_rehearsal_begins_with_it_once(tmp_path) -> None:
    terminal = Terminal(tmp_path, "rehearse")
    try:
        terminal.wait_for("You will hear every cue once")
        terminal.press(" ")
        terminal.wait_for("What do you do?")
        terminal.press("e")
        terminal.wait_for("Right.")
        terminal.press("q")
        terminal.wait_for("takes it up again")
        terminal.wait_for("beats under")
        assert "INVENTED" in terminal.output
        os.write(terminal.primary, b"qq")
        assert terminal.end() == 0 and terminal.mode() == terminal.before
    finally:
        terminal.close()
    terminal = Terminal(tmp_path, "rehearse")
    try:
        terminal.wait_for("beats under")
        assert "You will hear" not in terminal.output
        terminal.press("qq")
        assert terminal.end() == 0
    finally:
        terminal.close()


@needs_pty
def test_its_cues_are_heard(tmp_path, heard_sounds: Capture) -> None:
    (tmp_path / "config").mkdir(mode=0o700)
    (tmp_path / "config" / "settings.toml").write_text('speech = "tones"\n', encoding="utf-8")
    terminal = Terminal(tmp_path, "rehearse", "--lesson", GUARD_SOUND="", **heard_sounds.env)
    try:
        terminal.wait_for("You will hear every cue once")
        terminal.press(" ")
        ease = heard_sounds.wait_for(1)[-1]
        terminal.press("e")
        terminal.wait_for("Right.")
        assert "You heard two notes, falling" in terminal.output
        terminal.press(" ")
        walk = heard_sounds.wait_for(2)[-1]
        # the lengths of the patterns, as `sound/tones.py` has them: 0.54 s and 1.00 s
        assert ease.length_s < 0.8 < walk.length_s
        terminal.press("q")
        assert terminal.end() == 0
    finally:
        terminal.close()
