"""Make the three invented recordings again: `python recordings/make.py`.

Each is a rehearsal without screen and sound: the practice runner of its
course, seed 1, feeds a real session and hears its cues; what came in and what
was said is written by the log's own writer. The same code gives the same file.
"""

from __future__ import annotations

import asyncio
import sys
from datetime import UTC, datetime
from pathlib import Path

from guard.clock import ManualClock
from guard.events import Action, Command, CueGiven, Input, Output
from guard.keep.log import session_header, write_recording
from guard.sense.practice import PracticeSource, courses
from guard.session import Session
from guard.settings import Settings

SEED = 1
STARTED = datetime(2026, 3, 2, 6, 10, tzinfo=UTC)  # invented like the rest


def record(name: str, path: Path) -> list[CueGiven]:
    """Run the rehearsal `name` and write it to `path`; returns the cues given."""
    course = courses()[name]
    settings = Settings().replaced(course.settings)
    source, session, items = PracticeSource(course, SEED), Session(settings), list[Input | Output]()

    def put(event: Input) -> None:
        event = session.admit(event)
        outputs = session.feed(event)
        items.extend(item for item in outputs if item.t_s < event.t_s)
        items.append(event)
        items.extend(item for item in outputs if item.t_s >= event.t_s)
        for item in outputs:
            if isinstance(item, CueGiven):
                source.hear(item)

    asyncio.run(source.run(ManualClock(), put))
    put(Command(course.duration_s, Action.QUIT, "ended"))
    header = session_header(settings, started=STARTED, clock_trusted=False, source=source.about)
    write_recording(path, header, items, summary=session.summary(), force=True)
    path.chmod(0o644)
    return [item for item in items if isinstance(item, CueGiven)]


def main() -> int:
    """Write every recording beside this file, or into the folder named, and say what is in it."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).resolve().parent
    for name in courses():
        cues = record(name, folder / f"{name}.jsonl")
        print(f"{name}.jsonl: {len(cues)} cues")
        for given in cues:
            print(f"  {given.t_s:7.1f} s  {given.cue.key:12s} {given.reason}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
