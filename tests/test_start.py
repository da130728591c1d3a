"""The guided path: what is done is seen from what is kept; every step can be left and taken up again."""

from __future__ import annotations

import argparse
import io
import sys
from pathlib import Path

import pytest

from guard.commands import rehearse, start, straps
from guard.commands import run as run_command
from guard.commands.arguments import COMMANDS
from guard.files import marks
from guard.files.folders import config_dir, sessions_dir
from guard.settings import file as settings_file
from guard.sound import preflight
from guard.start.path import ORDER, Facts, StartStep, listing, next_step, typed_step
from tests.support.alsa import Capture, heard_sounds
from tests.test_session_commands import guard

__all__ = ["heard_sounds"]

ALL = Facts(sound_heard=True, strap="strap A", cautions_read=True, ceiling_bpm=139.0, tried=True, runs=2)


class Typed(io.StringIO):
    """What a runner types, on a terminal."""

    def isatty(self) -> bool:
        return True


class Shown(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("GUARD_HOME", str(tmp_path))
    return tmp_path


def started(monkeypatch: pytest.MonkeyPatch, *lines: str) -> str:
    """`guard start` with these lines typed; the end of input leaves."""
    shown = Shown()
    monkeypatch.setattr(sys, "stdin", Typed("".join(f"{line}\n" for line in lines)))
    monkeypatch.setattr(sys, "stdout", shown)
    monkeypatch.setattr(sys, "stderr", shown)
    assert start.run(argparse.Namespace()) == 0
    return shown.getvalue()


def test_the_next_step_is_the_first_open_one() -> None:
    assert next_step(Facts(), set()) is StartStep.SOUND
    assert next_step(Facts(sound_heard=True), {StartStep.STRAP}) is StartStep.CAUTIONS
    assert next_step(ALL, set()) is None and next_step(Facts(), set(ORDER)) is None
    found = [typed_step(word) for word in ("1", "6", "0", "7", "x", "")]
    assert found == [StartStep.SOUND, StartStep.RUN, *[None] * 4]


def test_the_list_says_where_each_step_stands() -> None:
    assert [line[0] for line in listing(Facts(), StartStep.CEILING)] == [" ", " ", " ", ">", " ", " "]
    lines = listing(ALL)
    assert all("ok" in line for line in lines) and "139 bpm" in lines[3] and "strap A" in lines[1]
    assert all(len(line) < 78 for line in [*lines, *(step.about for step in StartStep)] if "  " in line)


def test_without_a_terminal_it_lists_what_to_type(tmp_path: Path) -> None:
    done = guard(tmp_path, "start")
    assert done.returncode == 0 and not done.stderr
    for words in ("check --sounds", "straps --remember", "ceiling", "rehearse --lesson"):
        assert f"guard {words}" in done.stdout


def test_steps_are_left_and_taken_up_again(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shown = started(monkeypatch, "3", "", "4", "1", "139", "q")
    assert settings_file.load()["ceiling_bpm"] == 139.0 and marks.is_done(marks.CAUTIONS_READ)
    assert "Stop and seek help at once" in shown and "4  ceiling      ok  139 bpm" in shown
    again = started(monkeypatch, "s", "s", "q")
    assert again.index("> 1  sound") < again.index("5  a short try")
    assert "\n3  cautions" not in again and "\n4  ceiling" not in again, "what is done is not asked again"


def test_a_wrong_ceiling_leaves_the_step_open(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shown = started(monkeypatch, "4", "1", "1390", "", "q")
    assert "must be a number from 70 to 220 bpm" in shown and "Left open: ceiling" in shown
    assert "ceiling_bpm" not in settings_file.load()
    started(monkeypatch, "4", "1", "1390", "1", "139", "q")
    assert settings_file.load()["ceiling_bpm"] == 139.0, "asked again on the spot"


def test_a_ceiling_from_a_professional_waits(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shown = started(monkeypatch, "4", "2", "6", "q")
    assert "guard settings stop_bpm=BPM" in shown
    assert "A ceiling comes first" in shown, "the first run waits for it"


def test_a_cautious_ceiling_from_age(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    answers = ("40", "", "", "", "", "n", "n", "n", "n")
    shown = started(monkeypatch, "4", "4", *answers, "y", "q")
    kept = settings_file.load()["ceiling_bpm"]
    assert 125 <= kept <= 145 and f"kept: {kept:.0f} bpm" in shown and "two runners in three" in shown


def test_no_ceiling_is_offered_where_a_professional_should_be_asked(
    home: Path, monkeypatch: pytest.MonkeyPatch,
) -> None:
    answers = ("40", "", "", "", "", "y", "n", "n", "n")
    for choice in (("3", "175"), ("4",)):
        shown = started(monkeypatch, "4", *choice, *answers, "q")
        assert "licensed professional" in shown and "Keep" not in shown and "ready to run" not in shown
        assert "ceiling_bpm" not in settings_file.load()


def test_the_talk_test_is_timed_and_read(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[argparse.Namespace] = []

    def invented(args: argparse.Namespace) -> int:
        """The same session with an invented runner, kept as a session."""
        asked.append(args)
        monkeypatch.setattr(rehearse, "rehearsals_dir", sessions_dir)
        parser = argparse.ArgumentParser()
        COMMANDS["rehearse"].describe(parser)
        return rehearse.run(parser.parse_args(
            [f"--plan={args.plan}", f"--ceiling={args.ceiling}", "--speedup=9000", "--plain"]))

    monkeypatch.setattr(run_command, "run", invented)
    monkeypatch.setenv("GUARD_SOUND", "off")
    answers = ("40", "", "", "", "", "n", "n", "n", "n")
    shown = started(monkeypatch, "4", "3", "175", *answers, "y", "y", "q")
    assert Path(asked[0].plan).parent == config_dir()
    assert settings_file.load()["stop_bpm"] == 175.0, "it holds for every later run too"
    assert "talk test (Persinger 2004; Foster 2008): speech comfortable up to" in shown
    assert 120 <= settings_file.load()["ceiling_bpm"] <= 160


def test_without_a_never_exceed_limit_the_talk_test_is_left_to_the_runner(
    home: Path, monkeypatch: pytest.MonkeyPatch,
) -> None:
    shown = started(monkeypatch, "4", "3", "", "1", "139", "q")
    assert "nothing else would guard its stages" in " ".join(shown.split())
    assert settings_file.load()["ceiling_bpm"] == 139.0


def test_sound_counts_only_when_it_was_heard(
    heard_sounds: Capture, home: Path, monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(preflight, "play_all", lambda *args: iter(["ease"]))
    assert "Turn the volume up" in started(monkeypatch, "", "n", "q") and not marks.is_done(marks.SOUND)
    started(monkeypatch, "", "y", "q")
    assert marks.is_done(marks.SOUND)


def test_nobody_is_asked_what_he_heard_where_nothing_sounds(
    heard_sounds: Capture, home: Path, monkeypatch: pytest.MonkeyPatch,
) -> None:
    heard_sounds.remove()
    shown = started(monkeypatch, "", "q")
    assert "Did you hear" not in shown and "Left open: sound" in shown and "screen still shows every" in shown
    assert "CODE" not in shown and "log folder" not in shown
    monkeypatch.setenv("GUARD_SOUND", "off")
    assert "Did you hear" not in started(monkeypatch, "", "q")


def test_what_is_no_answer_is_asked_again(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shown = started(monkeypatch, "x", "9", "4", "7", "", "q")
    assert shown.count("That is none of them") == 2 and shown.count("1 to 4") == 2
    monkeypatch.setenv("GUARD_SOUND", "off")
    assert "screen still shows every" in started(monkeypatch, "1", "q"), "its own number does a step"


def test_a_name_that_looks_like_an_option_is_a_name(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[str | None] = []
    monkeypatch.setattr(straps, "run", lambda args: asked.append(args.remember or args.forget) or 0)
    started(monkeypatch, "2", "--forget", "q")
    assert asked == [None, "--forget"] and not asked[0]
