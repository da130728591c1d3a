"""What the runner says of a session afterwards, kept as one more line of its log.

`{"t":…,"type":"note","effort":4,"feel":"…","pain":"…"}` follows the end line;
what is not known is left out. A later note does not replace an earlier one.
"""

import os
from dataclasses import dataclass
from pathlib import Path

from guard.errors import HardwareError, InputError
from guard.log.recording import Recording, read_log
from guard.log.records import Record, to_line

LONGEST_ANSWER = 500  # characters of one answer
MOST_NOTES_KEPT = 20  # of one log (ours)


@dataclass(frozen=True)
class Note:
    """`effort` from 0 (none) to 10 (could not have gone on); None and "" mean not said."""

    effort: int | None = None
    feel: str = ""
    pain: str = ""

    @property
    def empty(self) -> bool:
        return self.effort is None and not self.feel and not self.pain


def notes_of(recording: Recording) -> tuple[Note, ...]:
    """The notes of a recording, oldest first; what cannot be one is passed over."""
    found = [_note(record) for record in recording.unknown if record.get("type") == "note"]
    return tuple(note for note in found if not note.empty)[-MOST_NOTES_KEPT:]


def append_note(path: Path, note: Note) -> None:
    """Add `note` to the log at `path`.

    InputError where there is no log to add to, HardwareError where the disk
    does not take it; the log itself is never changed.
    """
    recording = read_log(path)
    record: Record = {"t": recording.end_s, "type": "note"}
    record.update({key: value for key, value in
                   (("effort", note.effort), ("feel", note.feel[:LONGEST_ANSWER]),
                    ("pain", note.pain[:LONGEST_ANSWER]))
                   if value not in (None, "")})
    try:
        with path.open("r+b") as file:
            size = file.seek(0, os.SEEK_END)
            file.seek(size - 1)
            if file.read(1) != b"\n":
                raise InputError(f"{path} breaks off inside its last line: a note cannot follow it")
            line = to_line(record)
            if file.write(line) != len(line):
                raise OSError("cut short")
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        raise HardwareError(f"cannot add the note to {path} ({error.strerror or error}): "
                            "free some space or give write permission") from None


def _note(record: Record) -> Note:
    effort = record.get("effort")
    return Note(effort if type(effort) is int and 0 <= effort <= 10 else None,
                _text(record.get("feel")), _text(record.get("pain")))


def _text(value: object) -> str:
    return value[:LONGEST_ANSWER] if isinstance(value, str) else ""
