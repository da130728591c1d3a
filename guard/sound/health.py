"""Which ways out work, when to try a lost one again, and what the runner hears of it."""

import contextlib
import threading
import time
from collections.abc import Callable, Sequence
from datetime import datetime
from pathlib import Path

from guard.sound.backends import Backend, BellBackend, Failed

# Between probes of a lost way out; seldom after so many (ours).
PROBE_OFTEN_S, PROBE_SELDOM_S, PROBE_OFTEN_FOR = 5.0, 15.0, 12
NONE, OFF = "none", "off"

_NO_SOUND_FIX = "cues are on the screen only: connect a sound output, then see `guard check`"


def keep_raw(log: Path, name: str, failure: Failed) -> None:
    """What a library said of a failure in its own words, for whoever looks into it."""
    with contextlib.suppress(OSError), log.open("a", encoding="utf-8", errors="replace") as file:
        file.write(f"{datetime.now():%Y-%m-%d %H:%M:%S} {name}: {failure} {failure.raw}".rstrip() + "\n")


class Health:
    """Health of the ways out, best first; tells `on_health(backend, detail)` once for each change.

    The conductor's thread calls all but `note`, which may come from any thread.
    What a library said in its own words goes to `log`, never to the runner.
    """

    def __init__(self, backends: Sequence[Backend], on_health: Callable[[str, str], None], log: Path) -> None:
        self._backends = backends
        self._on_health = on_health
        self._log = log
        self._usable = [True] * len(backends)
        self._why = "no way out was found"
        self._probes = 0
        self._next_probe_s = 0.0
        self._lock = threading.Lock()
        self._said = ""
        self._notes: list[str] = []

    def usable(self, index: int) -> bool:
        """Whether this way out worked when last tried (or was not tried yet)."""
        return self._usable[index]

    def probe_due_s(self) -> float | None:
        """When to try the lost ways out again (monotonic); None while the best one works."""
        return None if self._said and self._usable[0] else self._next_probe_s

    def probing(self) -> None:
        """A try begins now: set the time of the next."""
        self._probes += 1
        pause_s = PROBE_OFTEN_S if self._probes <= PROBE_OFTEN_FOR else PROBE_SELDOM_S
        self._next_probe_s = time.monotonic() + pause_s

    def works(self, index: int) -> None:
        """A sound was heard through this way out."""
        self._usable[index] = True
        name = self._backends[index].name
        if index == 0:
            self._probes = 0
            self._usable = [True] * len(self._backends)
            self._say(name, "")
        else:
            self._say(name, self._second_best(name))

    def lost(self, index: int, failure: Failed) -> None:
        """A sound was not heard through this way out."""
        self._usable[index] = False
        keep_raw(self._log, self._backends[index].name, failure)
        if index == 0:
            self._why = str(failure)
            self._next_probe_s = max(self._next_probe_s, time.monotonic() + PROBE_OFTEN_S)

    def unsettled(self) -> None:
        """A sound was heard by no way out, or found none before it was too late: say so, look on at once."""
        if not self._usable[self._index_said()]:
            self._say(NONE, f"no sound ({self._why}): {_NO_SOUND_FIX}")
            if any(self._usable):
                self._next_probe_s = 0.0

    def note(self, text: str) -> None:
        """Pass on a note (about the voice, say), once a way out is known."""
        with self._lock:
            said = self._said
            if not said:
                self._notes.append(text)
        if said:
            self.tell(said, text)

    def tell(self, backend: str, detail: str) -> None:
        """Say it as it is. A listener that fails costs its own news, never the sound."""
        with contextlib.suppress(Exception):
            self._on_health(backend, detail)

    def _say(self, backend: str, detail: str) -> None:
        with self._lock:
            changed, self._said = backend != self._said, backend
            notes, self._notes = self._notes, []
        if changed:
            self.tell(backend, detail)
        for note in notes:
            self.tell(backend, note)

    def _second_best(self, name: str) -> str:
        # What to do comes first: a narrow screen cuts the end.
        if name == BellBackend.name:
            return f"bell only: connect a sound output, then see `guard check` ({self._why})"
        way = "the page" if name == "page" else name
        return f"sound goes through {way} ({self._backends[0].name} failed: {self._why})"

    def _index_said(self) -> int:
        names = [backend.name for backend in self._backends]
        return names.index(self._said) if self._said in names else 0

