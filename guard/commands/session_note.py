"""The question after a session: how was it? Every answer may be left out."""

from pathlib import Path
from typing import TextIO

from guard.commands.options import is_terminal
from guard.errors import GuardError, printable
from guard.live.live import Ended
from guard.log.note import Note, append_note

SHORTEST_NOTED_S = 60.0  # nobody has much to say of a shorter session

_INTRO = "How was it? Enter leaves a question out."
_EFFORT = "effort, 0 (none) to 10 (could not have gone on): "
_FEEL = "how it felt, in a few words: "
_PAIN = "pain, and where (Enter: none): "
_PAIN_CAUTION = ("Have pain that is sharp, grows or comes back seen by a licensed professional. "
                 "Pain or pressure in the chest: seek help at once.")


def ask_if_wanted(ended: Ended, reader: TextIO, writer: TextIO) -> None:
    """Ask after a session that was long enough, was not broken off and has a log, on a terminal only."""
    long_enough = float(ended.summary.get("duration_s", 0.0)) >= SHORTEST_NOTED_S
    asked = is_terminal(reader, writer) and long_enough and ended.how != "interrupted"
    if asked and ended.log_path is not None:
        ask_and_keep(ended.log_path, reader, writer)


def ask_and_keep(path: Path, reader: TextIO, writer: TextIO) -> None:
    """Ask, and add what was said to the log at `path`; never raises over it."""
    try:
        note = ask(reader, writer)
        if note.empty:
            return
        append_note(path, note)
        _say(writer, "noted\n")
    except KeyboardInterrupt:
        _say(writer, "\nno note kept\n")
    except GuardError as error:
        _say(writer, f"note: {printable(error)}\n")


def ask(reader: TextIO, writer: TextIO) -> Note:
    """The answers; those left out are None or empty."""
    _say(writer, f"\n{_INTRO}\n")
    effort = _effort(reader, writer)
    feel = _answer(reader, writer, _FEEL)
    pain = _answer(reader, writer, _PAIN)
    if pain.lower() in ("no", "none", "n", "0"):
        pain = ""
    if pain:
        _say(writer, f"{_PAIN_CAUTION}\n")
    return Note(effort, feel, pain)


def _effort(reader: TextIO, writer: TextIO) -> int | None:
    for _ in range(3):
        word = _answer(reader, writer, _EFFORT)
        if not word:
            return None
        if word.isdecimal() and int(word[:4]) <= 10:
            return int(word)
        _say(writer, "a whole number from 0 to 10, or Enter\n")
    return None


def _answer(reader: TextIO, writer: TextIO, question: str) -> str:
    _say(writer, question)
    return " ".join(printable(reader.readline().strip()).split())


def _say(writer: TextIO, text: str) -> None:
    writer.write(text)
    writer.flush()
