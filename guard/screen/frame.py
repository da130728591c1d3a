"""What a live session hands to whichever screen is in use."""

from dataclasses import dataclass
from typing import Protocol

from guard.events import Input, Output, Snapshot
from guard.screen.figure import Choice


@dataclass(frozen=True, slots=True)
class Frame:
    """A moment to show: the snapshot, warnings that stay in view, an open question, what the
    runner wants large, whether he wants to see the keys, and the session's own ceiling, which a
    warm-up or a part may undercut."""

    snapshot: Snapshot
    notes: tuple[str, ...] = ()
    prompt: str = ""
    choice: Choice = Choice.ROOM
    help: bool = False
    ceiling_bpm: float | None = None


class Onlooker(Protocol):
    """What shows a session; each is called from one thread of its own."""

    def event(self, item: Input | Output) -> None:
        """Something happened; called for every input and output, in order."""
        ...

    def frame(self, frame: Frame) -> None:
        """The newest state; older frames may have been skipped."""
        ...

    def close(self) -> None:
        """The session has ended: leave everything as it was found."""
        ...


class Screen(Onlooker, Protocol):
    """A live screen or plain lines."""

    def open(self) -> None:
        """Take the terminal; called once, before anything else, by whoever runs the session."""
        ...
