"""`guard sessions --verify`: every log opened, read to its end and replayed."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from guard.commands.options import counting, print_json
from guard.errors import EXIT_DAMAGED, EXIT_DIFFERENT, GuardError, printable
from guard.library.library import SessionEntry
from guard.log.file import is_being_written
from guard.log.recording import read_log, repair
from guard.replay.replay import same_as_recorded

TELL_VERIFYING_FROM = 20  # logs: fewer are done before a bar is read


@dataclass(frozen=True)
class VerifiedLog:
    """What became of one log.

    `state` is `whole`, `cut` (interrupted or torn at its end; all before that
    is there), `damaged` (lines are missing or unreadable), `unreadable` (no
    session log) or `running`. `same` tells whether a replay says what was said
    at the time; None where nothing was said or no ceiling is known.
    """

    name: str
    state: str
    same: bool | None
    notes: tuple[str, ...]


def verify(entries: Sequence[SessionEntry], home: Path, *, repair_too: bool, as_json: bool) -> int:
    """Check each and say what is torn or differs; returns the exit code."""
    verdicts = []
    show = counting("checking sessions", TELL_VERIFYING_FROM)
    for number, entry in enumerate(entries, 1):
        verdicts.append(verdict(entry, repair_too=repair_too))
        if show is not None:
            show(number, len(entries))
    if as_json:
        print_json({"format": 1, "folder": str(home), "sessions": [asdict(one) for one in verdicts]})
    else:
        _tell(verdicts)
    if any(one.state in ("damaged", "unreadable") for one in verdicts):
        return EXIT_DAMAGED
    return EXIT_DIFFERENT if any(one.same is False for one in verdicts) else 0


def verdict(entry: SessionEntry, *, repair_too: bool = False) -> VerifiedLog:
    """Open, read and replay one log; with `repair_too` a torn end is cut off."""
    if is_being_written(entry.path):
        return VerifiedLog(entry.name, "running", None, ("it is being recorded now",))
    try:
        recording = read_log(entry.path)
        notes = list(recording.notes)
        if repair_too and (cut := repair(entry.path)):
            notes.append(f"{cut} bytes of a torn end were cut off")
    except GuardError as error:
        return VerifiedLog(entry.name, "unreadable", None, (printable(error),))
    same = None
    if recording.outputs and recording.settings.ceiling_bpm is not None:
        try:
            compared = same_as_recorded(recording)
            same = compared.same
            notes += compared.differences[:1]
        except GuardError as error:
            same = False
            notes.append(printable(error))
    state = "damaged" if recording.damaged else "cut" if recording.interrupted else "whole"
    return VerifiedLog(entry.name, state, same, tuple(map(printable, notes)))


def _tell(verdicts: Sequence[VerifiedLog]) -> None:
    if not verdicts:
        print("there is no session to check")
        return
    for one in verdicts:
        if one.state == "whole" and one.same is not False:
            continue
        says = {None: "", True: "; replays the same", False: "; this version of the guard says otherwise"}
        print(f"{printable(one.name)}: {one.state}{says[one.same]}")
        for note in one.notes:
            print(f"  {note}")
    whole = sum(one.state == "whole" for one in verdicts)
    same = sum(one.same is True for one in verdicts)
    print(f"{len(verdicts)} checked: {whole} whole, {same} replay to the last digit, "
          f"{sum(one.same is False for one in verdicts)} differ")
