"""What a live session hands to whichever screen is in use."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from guard.events import Input, Output, Snapshot


@dataclass(frozen=True, slots=True)
class Frame:
    """A moment to show: the snapshot, warnings that stay in view, an open question."""

    snapshot: Snapshot
    notes: tuple[str, ...] = ()
    prompt: str = ""


class Screen(Protocol):
    """A live screen or plain lines. All but `open` are called from one thread of its own."""

    def open(self) -> None:
        """Take the terminal; called once, before anything else."""
        ...

    def event(self, item: Input | Output) -> None:
        """Something happened; called for every input and output, in order."""
        ...

    def frame(self, frame: Frame) -> None:
        """The newest state; older frames may have been skipped."""
        ...

    def close(self) -> None:
        """Give the terminal back as it was found."""
        ...
