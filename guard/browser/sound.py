"""Sound on pages: the very samples that the guard itself plays, by their hash.

Beside the guard's own output (`begin`) nothing is waited for. As the way out
(`play`) a sound counts as heard once a page has said that it began; else it has
failed, and the next way takes it.
"""

import hashlib
import json
import threading
import time
from collections.abc import Callable, Sequence
from typing import Protocol

from guard.browser.wire import STAMP
from guard.clock import elapsed_s
from guard.sound.backends import Cut, Failed, Sound
from guard.sound.tones import RATE_HZ, Pcm

BEGUN_LIMIT_S = 0.6  # for a page to say that it plays; later, the guard plays itself (ours)
_POLL_S = 0.1  # between looks at whether a sound is over


class SoundCarrier(Protocol):
    """What carries sounds to pages."""

    @property
    def sounding(self) -> int:
        """On how many pages the runner has turned sound on and can be heard."""
        ...

    def put_sound(self, kind: bytes, payload: bytes) -> None: ...
    def keep_piece(self, name: str, pcm: bytes) -> None: ...
    def keep_own(self, own: dict[str, object]) -> None: ...


class PageSound:
    """Sound on pages (`guard.sound.elsewhere.Elsewhere`)."""

    name = "page"

    def __init__(self, pages: SoundCarrier) -> None:
        self._pages = pages
        self._lock = threading.Condition()
        self._number, self._begun = 0, -1
        self._now: Sound | None = None  # whose number that is
        self._kept: set[str] = set()
        self._own: dict[str, object] = {}
        self.closed = threading.Event()
        self.on_change: Callable[[], None] = lambda: None

    # -- what pages should have at hand

    def keep(self, pcm: Pcm) -> str:
        """A piece that pages load at the beginning; returns its name."""
        data = pcm.tobytes()
        name = hashlib.sha256(data).hexdigest()
        if name not in self._kept:
            self._kept.add(name)
            self._pages.keep_piece(name, data)
        return name

    def keep_own(self, key: str, sound: Sound) -> None:
        """What a page plays by itself: `not_heard`, `heard_again`, `test`."""
        for _, pcm in sound.pieces:
            self.keep(pcm)
        self._own[key] = _score(0, sound)
        self._pages.keep_own(dict(self._own))

    # -- playing

    def begin(self, sound: Sound) -> int:
        """Have every page with sound play it now; returns its number, at once."""
        with self._lock:
            self._number, self._now = self._number + 1, sound
            number = self._number
        if self._pages.sounding:
            for _, pcm in sound.pieces:
                data = pcm.tobytes()
                digest = hashlib.sha256(data)
                if digest.hexdigest() not in self._kept:
                    self._pages.put_sound(b"P", digest.digest() + data)
            self._pages.put_sound(b"C", STAMP.pack(elapsed_s()) + json.dumps(_score(number, sound)).encode())
        return number

    def play(self, sound: Sound) -> None:
        """Play it on pages and wait for its end; Failed when no page began it, Cut when it was cut."""
        if sound.cut.is_set():
            raise Cut
        if not self._pages.sounding:
            raise Failed("no page has its sound on")
        number = self._number if self._now is sound else self.begin(sound)
        with self._lock:
            if not self._lock.wait_for(lambda: self._begun >= number, BEGUN_LIMIT_S):
                self.cut(sound)
                raise Failed("the page does not answer")
        end_s = time.monotonic() + sound.length_s
        while (left_s := end_s - time.monotonic()) > 0:
            if sound.cut.wait(min(left_s, _POLL_S)):
                raise Cut
            if not self._pages.sounding:
                raise Failed("the page has gone")

    def cut(self, sound: Sound) -> None:
        sound.cut.set()
        if self._now is sound:
            self._pages.put_sound(b"X", str(self._number).encode())

    def close(self) -> None:
        self.closed.set()

    # -- what pages say

    def begun(self, number: int) -> None:
        """A page has begun to play this sound."""
        with self._lock:
            self._begun = max(self._begun, number)
            self._lock.notify_all()


def _score(number: int, sound: Sound) -> dict[str, object]:
    """A sound as pages get it: its pieces by name, each with when it begins, s."""
    pieces: Sequence[tuple[int, Pcm]] = sound.pieces
    return {"n": number, "length_s": round(sound.length_s, 3),
            "pieces": [[hashlib.sha256(pcm.tobytes()).hexdigest(), round(at / RATE_HZ, 4)]
                       for at, pcm in pieces]}
