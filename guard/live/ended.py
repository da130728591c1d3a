"""How a session ended, for whoever started it."""

from dataclasses import dataclass
from pathlib import Path

from guard.events import Summary


@dataclass(frozen=True, slots=True)
class Ended:
    """How a session ended.

    `how` is "quit", "interrupted" or "ended" (the source came to its end);
    `log_path` where the log is, None if it could not be kept; `troubles` what
    the runner should still hear about.
    """

    how: str
    summary: Summary
    log_path: Path | None
    troubles: tuple[str, ...]

    @property
    def exit_code(self) -> int:
        return 130 if self.how == "interrupted" else 0
