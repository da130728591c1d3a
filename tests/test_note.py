"""The note after a session: asked on a terminal only, kept behind the end of the log."""

from __future__ import annotations

import io
import os
import select
import subprocess
import sys
import time
from pathlib import Path

import pytest

from guard.cli import main
from guard.commands.session_note import ask, ask_if_wanted
from guard.errors import HardwareError, InputError
from guard.live.live import Ended
from guard.log.log import read_log
from guard.log.note import LONGEST_ANSWER, Note, append_note, notes_of
from guard.replay.replay import same_as_recorded
from guard.review.review import review
from guard.settings import Settings
from tests.support.review import HOSTILE, log_of_a_run

CEILING = Settings(ceiling_bpm=139.0, warm_up_s=120.0)


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.fixture
def log(tmp_path: Path) -> Path:
    return log_of_a_run(tmp_path / "run.jsonl", 150, CEILING)


def ended(log: Path | None, *, how: str = "quit", seconds: float = 600.0) -> Ended:
    return Ended(how, {"duration_s": seconds}, log, ())


def test_a_note_follows_the_end_and_changes_nothing_else(log: Path) -> None:
    before = log.read_bytes()
    append_note(log, Note(4, "legs fresh", ""))
    append_note(log, Note(None, "", "left knee, a little"))
    assert log.read_bytes().startswith(before)
    recording = read_log(log)
    assert recording.notes == () and not recording.interrupted and recording.summary
    assert notes_of(recording) == (Note(4, "legs fresh", ""), Note(None, "", "left knee, a little"))
    assert same_as_recorded(recording).same
    assert review(recording, CEILING).notes == notes_of(recording)


def test_a_note_to_a_torn_log_or_none_is_refused(log: Path, tmp_path: Path) -> None:
    log.write_bytes(log.read_bytes()[:-5])
    torn = log.read_bytes()
    with pytest.raises(InputError, match="breaks off"):
        append_note(log, Note(4))
    assert log.read_bytes() == torn
    with pytest.raises(InputError, match="cannot read"):
        append_note(tmp_path / "none.jsonl", Note(4))


@pytest.mark.skipif(not Path("/dev/full").exists() or os.name == "nt", reason="no /dev/full")
def test_a_full_disk_is_said(log: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    recording = read_log(log)
    monkeypatch.setattr("guard.log.note.read_log", lambda path: recording)

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(HardwareError, match="No space left"):
        append_note(log, Note(4))


@pytest.mark.parametrize("line", [
    '{"type":"note"}', '{"t":1,"type":"note","effort":11}', '{"t":1,"type":"note","effort":true,"feel":5}',
    '{"t":"x","type":"note","effort":"4","pain":["knee"]}', '{"t":1,"type":"note","effort":4.5}',
])
def test_what_is_no_note_is_passed_over(log: Path, line: str) -> None:
    with log.open("a") as file:
        file.write(line + "\n")
    assert notes_of(read_log(log)) == ()


def test_a_long_or_hostile_note_stays_one_line(log: Path) -> None:
    append_note(log, Note(3, HOSTILE, "x" * 10_000))
    note, = notes_of(read_log(log))
    assert note.feel == HOSTILE and len(note.pain) == LONGEST_ANSWER
    assert log.read_text().splitlines()[-1].isprintable()


@pytest.mark.parametrize(("typed", "note"), [
    ("4\nfine\nleft knee\n", Note(4, "fine", "left knee")),
    ("\n\n\n", Note()),
    ("", Note()),  # the terminal was closed
    ("0\n\nnone\n", Note(0)),
    ("lots\n-1\n11\ntired\n\n", Note(None, "tired")),  # three tries, then the next question
    ("²\n10\n\n\n", Note(10)),
    ("7\n a\tb\x1b[31m \n\n", Note(7, "a?b?[31m")),
])
def test_answers(typed: str, note: Note) -> None:
    writer = io.StringIO()
    assert ask(io.StringIO(typed), writer) == note
    assert ("seek help" in writer.getvalue()) == bool(note.pain)


def test_asked_only_after_a_whole_session_on_a_terminal(log: Path) -> None:
    for reader, writer, end in (
            (io.StringIO("4\n\n\n"), Terminal(), ended(log)),
            (Terminal("4\n\n\n"), io.StringIO(), ended(log)),
            (Terminal("4\n\n\n"), Terminal(), ended(log, how="interrupted")),
            (Terminal("4\n\n\n"), Terminal(), ended(log, seconds=30)),
            (Terminal("4\n\n\n"), Terminal(), ended(None))):
        ask_if_wanted(end, reader, writer)
        assert writer.getvalue() == "" and notes_of(read_log(log)) == ()
    writer = Terminal()
    ask_if_wanted(ended(log), Terminal("4\n\n\n"), writer)
    assert "noted" in writer.getvalue() and notes_of(read_log(log)) == (Note(4),)


def test_nothing_said_or_the_log_gone_ends_calmly(log: Path) -> None:
    writer = Terminal()
    ask_if_wanted(ended(log), Terminal("\n\n\n"), writer)
    assert "noted" not in writer.getvalue() and notes_of(read_log(log)) == ()
    log.unlink()
    ask_if_wanted(ended(log), Terminal("4\n\n\n"), writer)
    assert "cannot read" in writer.getvalue()


def test_no_note_without_a_terminal(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["review", str(log), "--note"]) == 2
    assert "needs a terminal" in capsys.readouterr().err


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pseudo-terminals here")
def test_a_note_on_a_real_terminal(log: Path, tmp_path: Path) -> None:
    primary, secondary = os.openpty()
    running = subprocess.Popen(
        [sys.executable, "-m", "guard", "review", str(log), "--note"], stdin=secondary, stdout=secondary,
        stderr=secondary, env={**os.environ, "GUARD_HOME": str(tmp_path), "TERM": "xterm", "COLUMNS": "100"})
    os.close(secondary)
    shown, answers = "", iter([("effort, 0", "6\n"), ("how it felt", "warm\n"), ("pain, and", "\n")])
    wanted = next(answers, None)
    ends = time.monotonic() + 30
    while time.monotonic() < ends:
        if select.select([primary], [], [], 0.2)[0]:
            try:
                shown += os.read(primary, 65536).decode(errors="replace")
            except OSError:  # the other side closed
                break
        if wanted and wanted[0] in shown:
            os.write(primary, wanted[1].encode())
            wanted = next(answers, None)
    os.close(primary)
    assert running.wait(10) == 0
    assert "6 of 10: work, short sentences" in shown and "warm" in shown
    assert notes_of(read_log(log)) == (Note(6, "warm"),)
