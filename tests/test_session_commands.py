"""`guard rehearse` and `guard run` as a user meets them: piped, on a terminal, interrupted."""

from __future__ import annotations

import argparse
import json
import os
import re
import select
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from guard.cli import main
from guard.commands import options
from guard.commands.arguments import COMMANDS
from guard.errors import SettingError, UsageError
from guard.settings import Settings

GUARD = [sys.executable, "-m", "guard"]


def environment(home: Path, **more: str) -> dict[str, str]:
    # The size of the terminal the tests were started in is not that of theirs.
    dropped = ("NO_COLOR", "FORCE_COLOR", "COLUMNS", "LINES")
    kept = {key: value for key, value in os.environ.items() if key not in dropped}
    return {**kept, "GUARD_HOME": str(home), "GUARD_SOUND": "off", "TERM": "xterm-256color",
            "PYTHONIOENCODING": "utf-8", **more}


def guard(home: Path, *words: str, **more: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([*GUARD, *words], env=environment(home, **more), capture_output=True, text=True,
                          encoding="utf-8", stdin=subprocess.DEVNULL, timeout=60, check=False)


# -- options


def parsed(*words: str) -> argparse.Namespace:
    parser = argparse.ArgumentParser()
    COMMANDS["run"].describe(parser)
    return parser.parse_args(words)


@pytest.fixture
def kept(monkeypatch: pytest.MonkeyPatch) -> dict[str, object]:
    values: dict[str, object] = {}
    monkeypatch.setattr("guard.settings.file.load", lambda **_: dict(values))
    return values


def test_typed_beats_course_beats_file_beats_default(kept: dict[str, object]) -> None:
    kept.update(strictness=0.3, words=0.9, spacing_s=11.0)
    chosen = options.chosen_settings(
        parsed("--set", "strictness=0.8", "--speech", "full"), course={"ceiling_bpm": 141.0, "words": 0.1})
    assert (chosen.strictness, chosen.words, chosen.spacing_s) == (0.8, 0.1, 11.0)
    assert (chosen.ceiling_bpm, chosen.speech, chosen.walk_first) == (141.0, "full", Settings().walk_first)


def test_an_invented_runner_has_none_of_your_limits(kept: dict[str, object]) -> None:
    kept.update(ceiling_bpm=150.0, floor_bpm=145.0, gain_bpm_per_m_s=30.0, units="mile", volume=0.3)
    chosen = options.chosen_settings(parsed(), course={"ceiling_bpm": 141.0})
    assert (chosen.ceiling_bpm, chosen.floor_bpm, chosen.gain_bpm_per_m_s) == (141.0, None, None)
    assert (chosen.units, chosen.volume) == ("mile", 0.3)


def test_missing_ceiling_says_how_to_find_it(kept: dict[str, object]) -> None:
    with pytest.raises(UsageError, match=r"--ceiling BPM.*guard ceiling"):
        options.chosen_settings(parsed())
    assert options.chosen_settings(parsed("--ceiling", "139")).ceiling_bpm == 139.0


@pytest.mark.parametrize(("words", "error"), [
    (("--ceiling", "139", "--set", "ceiling_bpm=141"), "disagree"),
    (("--ceiling", "39"), "ceiling_bpm is 39"),
    (("--ceiling", "fast"), "'fast'"),
    (("--set", "wrods=1"), "did you mean words"),
    (("--set", "lead_s=2"), "no longer a setting"),
    (("--set", "words"), "no `=`"),
])
def test_wrong_options(kept: dict[str, object], words: tuple[str, ...], error: str) -> None:
    with pytest.raises((UsageError, SettingError), match=re.escape(error)):
        options.chosen_settings(parsed(*words))


# -- commands without a terminal


def test_rehearsal_into_a_pipe(tmp_path: Path) -> None:
    done = guard(tmp_path, "rehearse", "--speedup", "3000", "--course", "hill-loop", "--seed", "1")
    assert done.returncode == 0, done.stderr
    assert "\x1b" not in done.stdout
    for fact in ("invented runner", "cue: Ease", "cue: Walk", "cue: You may run again", "state: easing",
                 "link: connected: practice strap (invented)", "at or under the ceiling", "log: "):
        assert fact in done.stdout, fact
    assert "medical device" in done.stderr  # printed, and nothing waited for Enter
    log, = (tmp_path / "data" / "rehearsals").iterdir()
    records = [json.loads(line) for line in log.read_text(encoding="utf-8").splitlines()]
    assert records[0]["type"] == "session" and records[0]["source"]["kind"] == "practice"
    assert records[-1]["type"] == "end"
    assert f"cues {'':20}" in done.stdout
    again = guard(tmp_path, "replay", "--verify", str(log))
    assert again.returncode == 0, again.stdout + again.stderr


def test_same_seed_same_run_at_any_speed(tmp_path: Path) -> None:
    heard = []
    for speedup, encoding in (("500", "utf-8"), ("9000", "ascii")):
        done = guard(tmp_path, "rehearse", "--speedup", speedup, "--course", "hot-afternoon", "--seed", "5",
                     PYTHONIOENCODING=encoding)
        heard.append([line for line in done.stdout.splitlines() if " cue: " in line or " state: " in line])
    assert heard[0] == heard[1] and len(heard[0]) > 5
    assert done.stdout.isascii()


def test_a_plan_is_rehearsed_without_a_strap(tmp_path: Path) -> None:
    plan = tmp_path / "short.toml"
    plan.write_text('name = "two parts"\n[[part]]\nkind = "warm_up"\nminutes = 2\n'
                    '[[part]]\nkind = "fast"\nname = "quick"\nseconds = 40\n', encoding="utf-8")
    done = guard(tmp_path, "rehearse", "--plan", str(plan), "--speedup", "2000", "--ceiling", "150")
    assert done.returncode == 0, done.stderr
    assert "rehearsal two parts" in done.stdout and "next: quick, 40 s, left to you" in done.stdout
    assert "cue: The plan is done" in done.stdout
    wrong = guard(tmp_path, "rehearse", "--plan", str(plan), "--course", "hill-loop")
    assert wrong.returncode == 2 and "--course and --plan" in wrong.stderr


def test_rehearsal_ends_when_its_reader_is_gone(tmp_path: Path) -> None:
    began = time.monotonic()
    running = subprocess.Popen([*GUARD, "rehearse", "--speedup", "20"], env=environment(tmp_path),
                               stdout=subprocess.PIPE, stderr=subprocess.PIPE, stdin=subprocess.DEVNULL)
    assert running.stdout and running.stderr
    running.stdout.readline()
    running.stdout.close()
    assert running.wait(30) == 0
    assert b"Traceback" not in running.stderr.read()
    running.stderr.close()
    assert time.monotonic() - began < 25


@pytest.mark.parametrize(("words", "code", "sentence"), [
    (("run",), 2, "no ceiling is set"),
    (("run", "--ceiling", "139", "--wait", "soon"), 2, "--wait: must be a number"),
    (("run", "--ceiling", "139", "--plan", "nowhere.toml"), 3, "nowhere.toml"),
    (("rehearse", "--course", "moon\x1b[2J"), 2, "no course is called"),
    (("rehearse", "--speedup", "0"), 2, "--speedup: must be a number"),
    (("rehearse", "--speedup", "nan"), 2, "--speedup: must be a number"),
    (("rehearse", "--seed", "-1"), 2, "--seed -1"),
])
def test_wrong_use_is_one_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str],
    words: tuple[str, ...], code: int, sentence: str,
) -> None:
    monkeypatch.setenv("GUARD_HOME", str(tmp_path))
    try:
        assert main(words) == code
    except SystemExit as refused:  # what an option itself refuses
        assert refused.code == code
    said = capsys.readouterr().err
    last = said.strip().splitlines()[-1]
    assert last.startswith(("guard: ", f"guard {words[0]}: ")) and sentence in last
    assert "Traceback" not in said and "\x1b" not in said


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="a bus address that leads nowhere")
def test_run_without_a_radio_ends_with_the_fix(tmp_path: Path) -> None:
    done = guard(tmp_path, "run", "--ceiling", "139", "--wait", "2",
                 DBUS_SYSTEM_BUS_ADDRESS=f"unix:path={tmp_path}/no-bus")
    assert done.returncode == 4, done.stderr
    assert done.stderr.strip().splitlines()[-1].startswith("guard: ")


def test_courses_are_listed(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["rehearse", "--list-courses"]) == 0
    shown = capsys.readouterr().out
    assert "hill-loop" in shown and "invented" in shown


def test_a_folder_that_cannot_be_made_costs_no_session(tmp_path: Path) -> None:
    (tmp_path / "data").write_text("in the way")
    done = guard(tmp_path, "rehearse", "--speedup", "5000", TMPDIR=str(tmp_path))
    assert done.returncode == 0, done.stderr
    assert "until then it is kept in" in done.stderr
    kept = re.search(r"^log: (.*/.*)$", done.stdout, re.MULTILINE)
    assert kept and '"end"' in Path(kept[1]).read_text(encoding="utf-8").splitlines()[-1]


# -- commands on a terminal


class Terminal:
    """A command on a pseudo-terminal of a given size."""

    def __init__(self, home: Path, *words: str, size: tuple[int, int] = (80, 24), **more: str) -> None:
        import fcntl
        import pty
        import struct
        import termios

        self.primary, secondary = pty.openpty()
        fcntl.ioctl(secondary, termios.TIOCSWINSZ, struct.pack("HHHH", size[1], size[0], 0, 0))
        self.before = termios.tcgetattr(secondary)
        self.secondary = secondary
        self.process = subprocess.Popen(
            [*GUARD, *words], env=environment(home, **more), stdin=secondary, stdout=secondary,
            stderr=secondary, start_new_session=True, preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0))
        self.output = ""

    def wait_for(self, text: str, timeout_s: float = 25.0) -> None:
        end_s = time.monotonic() + timeout_s
        while text not in self.output:
            assert time.monotonic() < end_s, f"{text!r} never came; the end was {self.output[-600:]!r}"
            if select.select([self.primary], [], [], 0.1)[0]:
                self.output += os.read(self.primary, 65536).decode("utf-8", "replace")

    def press(self, keys: str) -> None:
        os.write(self.primary, keys.encode())

    def end(self, timeout_s: float = 25.0) -> int:
        end_s = time.monotonic() + timeout_s
        while self.process.poll() is None or select.select([self.primary], [], [], 0.1)[0]:
            assert time.monotonic() < end_s, "did not end"
            if select.select([self.primary], [], [], 0.1)[0]:
                self.output += os.read(self.primary, 65536).decode("utf-8", "replace")
        return self.process.returncode

    def mode(self) -> object:
        import termios

        return termios.tcgetattr(self.secondary)

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        os.close(self.primary)
        os.close(self.secondary)


ENTER_SCREEN, LEAVE_SCREEN, SHOW_CURSOR = "\x1b[?1049h", "\x1b[?1049l", "\x1b[?25h"
needs_pty = pytest.mark.skipif(sys.platform == "win32", reason="POSIX terminals")


@needs_pty
def test_rehearsal_on_a_terminal_to_its_end(tmp_path: Path) -> None:
    terminal = Terminal(tmp_path, "rehearse", "--speedup", "400", "--course", "hill-loop")
    try:
        terminal.wait_for("INVENTED 400X")
        assert terminal.end() == 0
        live, after = terminal.output.split(LEAVE_SCREEN)
        assert ENTER_SCREEN in live and SHOW_CURSOR in terminal.output
        assert "beats under" in live and "under the ceiling" in live and "why:" in live
        assert "invented runner" in after and "at or under the ceiling" in after and "log:" in after
        assert terminal.mode() == terminal.before
    finally:
        terminal.close()


@needs_pty
def test_keys_on_a_terminal(tmp_path: Path) -> None:
    terminal = Terminal(tmp_path, "rehearse", "--speedup", "20", size=(40, 12))
    try:
        terminal.wait_for("beats under")
        terminal.press("m")
        terminal.wait_for("marked at")
        terminal.press(" ")
        terminal.wait_for("PAUSED")
        terminal.press("s")
        terminal.wait_for("MUTED")
        terminal.press("q")
        terminal.wait_for("quit?")
        terminal.press("q")
        assert terminal.end() == 0
        assert terminal.mode() == terminal.before
        log, = (tmp_path / "data" / "rehearsals").iterdir()
        assert '"end"' in log.read_text(encoding="utf-8").splitlines()[-1]
    finally:
        terminal.close()


@needs_pty
@pytest.mark.parametrize("how", ["SIGINT", "SIGTERM", "key"])
def test_interrupted_on_a_terminal(tmp_path: Path, how: str) -> None:
    terminal = Terminal(tmp_path, "rehearse", "--speedup", "20")
    try:
        terminal.wait_for("beats under")
        if how == "key":
            terminal.press("\x03")
        else:
            terminal.process.send_signal(getattr(signal, how))
        assert terminal.end() == 130
        assert LEAVE_SCREEN in terminal.output and SHOW_CURSOR in terminal.output
        assert terminal.mode() == terminal.before
        log, = (tmp_path / "data" / "rehearsals").iterdir()
        assert '"end"' in log.read_text(encoding="utf-8").splitlines()[-1]
    finally:
        terminal.close()


@needs_pty
def test_resize_and_ascii_on_a_kernel_console(tmp_path: Path) -> None:
    import fcntl
    import struct
    import termios

    terminal = Terminal(tmp_path, "rehearse", "--speedup", "20", TERM="linux", NO_COLOR="1")
    try:
        terminal.wait_for("beats under")
        assert "? keys" not in terminal.output
        fcntl.ioctl(terminal.secondary, termios.TIOCSWINSZ, struct.pack("HHHH", 12, 40, 0, 0))
        terminal.wait_for("? keys")
        assert re.sub(r"\x1b\[[?\d;]*[a-zA-Z]", "", terminal.output).isascii()
        assert not re.search(r"\x1b\[(?:\d+;)*(?:3\d|4\d|9\d)(?:;\d+)*m", terminal.output)
        terminal.press("qq")
        assert terminal.end() == 0
    finally:
        terminal.close()


@needs_pty
def test_first_real_run_asks_before_it_begins(tmp_path: Path) -> None:
    terminal = Terminal(tmp_path, "run", "--ceiling", "139",
                        DBUS_SYSTEM_BUS_ADDRESS=f"unix:path={tmp_path}/no-bus")
    try:
        terminal.wait_for("read and understood")
        terminal.press("q\n")
        assert terminal.end() == 0
    finally:
        terminal.close()


def test_what_is_laid_out_by_hand_fits_80_columns(capsys: pytest.CaptureFixture[str]) -> None:
    for words in ([], ["rehearse", "--list-courses"], ["ceiling", "--how", "talk-test"]):
        assert main(words) == 0
        long = [line for line in capsys.readouterr().out.splitlines() if len(line) > 80]
        assert not long, f"guard {' '.join(words)}: {long}"
