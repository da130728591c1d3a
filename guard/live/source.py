"""What anything that feeds a live session must look like."""

from collections.abc import Callable
from typing import Protocol

from guard.clock import SessionClock
from guard.events import CueGiven, Input


class Source(Protocol):
    """A strap, a practice runner or a recording played back."""

    @property
    def about(self) -> dict[str, object]:
        """JSON-ready facts for the log's first line (`kind`, `name`, …)."""
        ...

    async def run(self, clock: SessionClock, put: Callable[[Input], None]) -> None:
        """Put events, stamped with `clock.now_s()`, until cancelled or at an end."""
        ...

    def hear(self, cue: CueGiven) -> None:
        """A cue was given; only a practice runner reacts to it."""
        ...

    def set_speed(self, speed_m_s: float) -> None:
        """The runner typed a speed; only a practice runner on a belt reacts."""
        ...
