"""The page as one more onlooker of a session, and what its server must know at any moment.

    event, frame ─> BrowserPage ─> Feed ─> server process ─> pages
    inbox        <─ on_ask      <─      <─                <─ (a button on a page)
"""

import json
import threading
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from pathlib import Path

from guard.browser import address, picture
from guard.browser.address import PageHost
from guard.browser.feed import Feed
from guard.browser.sound import PageSound
from guard.browser.wire import STAMP, Message
from guard.clock import elapsed_s
from guard.events import CueGiven, Input, Output, Snapshot
from guard.screen.frame import Frame
from guard.settings import Settings
from guard.sound.player import why_off

UNWATCHED_S = 1.0  # without a page one frame a second is enough
POINTS_APART_S = 0.9  # of the line's points
SOUND_ENDS_S = 6.0  # the last words are still to be heard

Ask = Callable[[str, float | None], None]


class BrowserPage:
    """The page of one session or of several; `open` it first, `release` it last.

    `on_ask(action, value)` gets what a button on a page asks for, `trouble` each
    sentence about what is wrong with it, `found` the page's addresses whenever
    they are known anew. All are called from threads of the page's own.
    """

    def __init__(self, settings: Settings, log: Path, *, trouble: Callable[[str], None],
                 found: Callable[[list[str]], None], title: str = "", tag: str = "", secret: str = "",
                 ) -> None:
        self.on_ask: Ask = lambda action, value: None
        self.sound = PageSound(self) if settings.sound_out != "guard" and not why_off(settings) else None
        self.pages = self.sounding = 0
        self.watched = threading.Event()  # a page has been opened
        self._settings, self._title, self._tag = settings, title, tag
        self._secret = secret or address.new_secret()
        self._found = found
        self._lock = threading.RLock()
        self._pieces: dict[str, bytes] = {}
        self._own = b"{}"
        self._line: deque[tuple[float, bytes]] = deque()
        self._drawn_s = -1.0
        self._frame: bytes | None = None
        self._last: Snapshot | None = None
        self._sent_s = float("-inf")
        self._feed = Feed(
            lambda: address.place(settings.page),
            {"secret": self._secret, "port": settings.page_port, "keys": settings.page_keys,
             "sound": self.sound is not None},
            log, renew=self._renewed, heard=self._heard, ready=self._ready, trouble=trouble)

    def open(self) -> None:
        """Start the server; returns at once."""
        self._feed.start()

    # -- what a session tells (`guard.screen.frame.Onlooker`)

    def event(self, item: Input | Output) -> None:
        """Something happened: a cue is marked on the line."""
        if isinstance(item, CueGiven):
            self._draw([(item.t_s, picture.cue_on_line(item))])

    def frame(self, frame: Frame) -> None:
        """The newest state; where the page is, who sees it knows, and whoever else looks at it need not."""
        frame = replace(frame, notes=tuple(note for note in frame.notes if self._secret not in note))
        snapshot = frame.snapshot
        made_s = elapsed_s()
        self._follow(snapshot)
        self._last = snapshot
        if not self.pages and made_s - self._sent_s < UNWATCHED_S:
            return
        self._sent_s = made_s
        text = json.dumps(picture.picture(frame, self._settings, self._title, self._tag))
        with self._lock:
            self._frame = STAMP.pack(made_s) + text.encode()
            self._feed.put((b"F", self._frame))

    def close(self) -> None:
        """The session has ended: the page says so, after the last words."""
        if self.sound is not None:
            self.sound.closed.wait(SOUND_ENDS_S)
        self._feed.close((b"G", json.dumps(picture.ended(self._last)).encode()))

    # -- what carries sounds (`guard.browser.sound.Pages`)

    def put_sound(self, kind: bytes, payload: bytes) -> None:
        self._feed.put((kind, payload))

    def keep_piece(self, name: str, pcm: bytes) -> None:
        with self._lock:
            self._pieces[name] = pcm
            self._feed.put((b"S", bytes.fromhex(name) + pcm))

    def keep_own(self, own: dict[str, object]) -> None:
        with self._lock:
            self._own = json.dumps(own).encode()
            self._feed.put((b"N", self._own))

    # -- the server

    def _renewed(self) -> Iterable[Message]:
        """All that a new server must know."""
        with self._lock:
            yield from ((b"S", bytes.fromhex(name) + pcm) for name, pcm in self._pieces.items())
            yield b"N", self._own
            yield b"R", b""
            if self._line:
                yield b"T", b"\n".join(point for _, point in self._line)
            if self._frame is not None:
                yield b"F", self._frame

    def _heard(self, word: str, rest: list[str]) -> None:
        if word == "alive":
            before, (self.pages, self.sounding) = self.sounding, (int(rest[0]), int(rest[1]))
            if self.pages:
                self.watched.set()
            if self.sound is not None and bool(before) is not bool(self.sounding):
                self.sound.on_change()
        elif word == "started" and self.sound is not None:
            self.sound.begun(int(rest[0]))
        elif word == "do" and self._settings.page_keys:
            self.on_ask(rest[0], float(rest[1]) if len(rest) > 1 else None)

    def _ready(self, place: PageHost, port: int) -> None:
        self._found([place.url(port, self._secret, name) for name in place.names])

    # -- the drawn line

    def _follow(self, snapshot: Snapshot) -> None:
        """What has been read since, at most one point a second."""
        new: list[tuple[float, float, float]] = []
        for (t_s, bpm), ceiling_bpm in zip(reversed(snapshot.trace), reversed(snapshot.ceiling_trace),
                                           strict=False):
            if t_s <= self._drawn_s:
                break
            new.append((t_s, bpm, ceiling_bpm))
        points: list[tuple[float, object]] = []
        for t_s, bpm, ceiling_bpm in reversed(new):
            if t_s - self._drawn_s >= POINTS_APART_S:
                points.append((t_s, [round(t_s, 1), round(bpm, 1), round(ceiling_bpm, 1)]))
                self._drawn_s = t_s
        self._draw(points)

    def _draw(self, points: Sequence[tuple[float, object]]) -> None:
        if not points:
            return
        with self._lock:
            new = [(t_s, json.dumps(point).encode()) for t_s, point in points]
            self._line.extend(new)
            while self._line[0][0] < new[-1][0] - picture.LINE_S:
                self._line.popleft()
            self._feed.put((b"T", b"\n".join(data for _, data in new)))
