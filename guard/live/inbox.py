"""What other threads have for a live session, also before its loop runs."""

import asyncio
import contextlib
import math
import threading
from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum

from guard.events import SoundHealth


@dataclass(frozen=True, slots=True)
class Notice:
    """A sentence the runner should see; `aloud` is what is spoken with it, if anything.

    A `lasting` one stays on screen until another of the same `topic` comes. A
    `trouble` is told again at the end of the session.
    """

    text: str
    topic: str = ""
    lasting: bool = False
    aloud: str = ""
    trouble: bool = True


@dataclass(frozen=True, slots=True)
class Asked:
    """A command, or "mark", from elsewhere than keys and button; `value` as in `Command`."""

    action: str
    value: float | None
    origin: str


class Press(Enum):
    """How long a button was pressed; a longer one comes after the shorter ones have been told."""

    SHORT = "short"
    LONG = "long"
    VERY_LONG = "very long"


InboxItem = SoundHealth | Notice | Press | Asked
MOST_SHOWN = 3  # notices at a time: the screen has no more room


class Notices:
    """The notes on screen: each for `for_s` seconds, a lasting one until its topic has another."""

    def __init__(self, for_s: float) -> None:
        self._for_s = for_s
        self._until_s: dict[str, float] = {}
        self._topics: dict[str, str] = {}

    def add(self, note: Notice, now_s: float) -> None:
        """Show `note` from `now_s` on; it takes the place of the one before of its topic."""
        if note.topic:
            self._until_s.pop(self._topics.get(note.topic, ""), None)
            self._topics[note.topic] = note.text
        self._until_s.pop(note.text, None)
        self._until_s[note.text] = math.inf if note.lasting else now_s + self._for_s

    def shown(self, now_s: float) -> tuple[str, ...]:
        """The newest, oldest first; those that last are never pushed out by passing ones."""
        self._until_s = {text: until_s for text, until_s in self._until_s.items() if now_s < until_s}
        return tuple(sorted(self._until_s, key=lambda text: self._until_s[text] == math.inf)[-MOST_SHOWN:])


class Inbox:
    """Hands items from any thread to the loop it is attached to, in order; keeps them until then."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._kept: list[InboxItem] = []
        self._hand_over: Callable[[InboxItem], None] | None = None

    def sound(self, backend: str, detail: str = "") -> None:
        """Sound leaves the machine through `backend` now ("none" when it cannot)."""
        self._put(SoundHealth(0.0, backend, detail))

    def note(self, sentence: str, *, topic: str = "", lasting: bool = False, aloud: str = "",
             trouble: bool = True) -> None:
        """A sentence the runner should see (see `Notice`)."""
        self._put(Notice(sentence, topic, lasting, aloud, trouble))

    def press(self, press: Press) -> None:
        """The button was pressed."""
        self._put(press)

    def ask(self, action: str, value: float | None, origin: str) -> None:
        """A command came in from `origin`."""
        self._put(Asked(action, value, origin))

    def attach(self, loop: asyncio.AbstractEventLoop, take: Callable[[InboxItem], None]) -> None:
        """From now on `take` gets every item, in `loop`."""
        def hand_over(item: InboxItem) -> None:
            with contextlib.suppress(RuntimeError):  # the loop has just closed
                loop.call_soon_threadsafe(take, item)

        with self._lock:
            kept, self._kept = self._kept, []
            self._hand_over = hand_over
            for item in kept:
                hand_over(item)

    def _put(self, item: InboxItem) -> None:
        with self._lock:
            if self._hand_over:
                self._hand_over(item)
            else:
                self._kept.append(item)
