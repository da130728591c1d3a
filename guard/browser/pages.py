"""The pages, and what the guard last said: each page gets the newest of it, and how old it is.

A page never knows the guard's clock and need not: whatever is sent to it names
the newest question of that page that had arrived (`ask`), how long ago that was
(`held`), and how old the thing itself is (`age`). The page knows when it asked,
so it has a bound of the age that no delay can break.
"""

import asyncio
import contextlib
import hashlib
import json
import time
from collections import OrderedDict, deque
from dataclasses import dataclass, field
from typing import Any

from websockets.asyncio.server import ServerConnection
from websockets.exceptions import ConnectionClosed

from guard.browser.wire import STAMP
from guard.clock import Bucket, elapsed_s

MOST_PAGES = 8  # at once: a household's screens, and a bound on what strangers can cost (ours)
LONGEST_SEND_S = 3.0  # a page that does not take a message in this time is cut off
QUESTIONS_PER_S = 20.0  # of one page; more is no finger (ours)
SOUNDS_FOR_S = 2.0  # a page that has not said within this time that it sounds does not
LINE_POINTS = 1_500  # of the last minutes: ten minutes and more at a reading or two a second (ours)
PASSING_BYTES = 4 << 20  # of pieces that one cue needed
TOO_LATE_S = 3.0  # what is asked for on older figures is not done
ACTIONS = ("pause", "continue", "mark", "mute", "unmute", "status", "ceiling")


def cut_off(connection: ServerConnection) -> None:
    """Drop it now, whatever still waits to be sent."""
    with contextlib.suppress(AttributeError):  # asyncio's transport, where the client went first
        connection.transport.abort()


@dataclass(eq=False)
class Page:
    """One page that has shown the secret."""

    socket: ServerConnection
    news: asyncio.Event = field(default_factory=asyncio.Event)
    asked: int | None = None
    asked_s: float = 0.0
    shown: int = -1
    drawn: int = 0  # points of the line already sent, counted from the line's beginning
    line: int = -1
    sounds: int = -1
    waiting: deque[tuple[float | None, str]] = field(default_factory=lambda: deque(maxlen=8))
    sound_until_s: float = 0.0
    questions: Bucket = field(default_factory=lambda: Bucket(QUESTIONS_PER_S, QUESTIONS_PER_S))


class Pages:
    """All pages, and what the guard last said."""

    def __init__(self, *, keys: bool, sound: bool) -> None:
        self._keys = keys
        self._hello = {"keys": keys, "sound": sound}
        self._pages: set[Page] = set()
        self._frame, self._made_s, self._number = "", 0.0, -1
        self._made: deque[tuple[int, float]] = deque(maxlen=64)
        self._line: deque[str] = deque(maxlen=LINE_POINTS)
        self._line_number, self._line_count = 0, 0
        self._kept: dict[str, bytes] = {}
        self._passing: OrderedDict[str, bytes] = OrderedDict()
        self._own: str = "{}"
        self._sounds_number = 0
        self._started = -1
        self._said = ""

    @property
    def full(self) -> bool:
        """Whether there are as many pages as there may be."""
        return len(self._pages) >= MOST_PAGES

    def piece(self, name: str) -> bytes | None:
        """A piece of sound by its hash."""
        return self._kept.get(name) or self._passing.get(name)

    # -- what the guard says

    def take(self, kind: bytes, payload: bytes) -> None:
        """One message of the guard; ValueError for one that cannot be."""
        if kind == b"F":
            (self._made_s,) = STAMP.unpack_from(payload)
            self._frame = payload[STAMP.size:].decode()
            self._number += 1
            self._made.append((self._number, self._made_s))
        elif kind == b"T":
            points = payload.decode().split("\n")
            self._line.extend(points)
            self._line_count += len(points)
            return
        elif kind == b"R":
            self._line.clear()
            self._line_number, self._line_count = self._line_number + 1, 0
            return
        elif kind in (b"S", b"P"):
            self._keep(payload[:32].hex(), payload[32:], lasting=kind == b"S")
        elif kind == b"N":
            self._own = payload.decode()
            self._sounds_number += 1
        elif kind == b"C":
            (made_s,) = STAMP.unpack_from(payload)
            for page in self._sounding():
                page.waiting.append((made_s, payload[STAMP.size:].decode()))
        elif kind == b"X":
            for page in self._pages:
                page.waiting.append((None, f'{{"cut":{payload.decode()}}}'))
        else:
            raise ValueError(f"unknown message {kind!r}")
        for page in self._pages:
            page.news.set()

    def _keep(self, name: str, pcm: bytes, *, lasting: bool) -> None:
        if hashlib.sha256(pcm).hexdigest() != name:
            raise ValueError("a piece of sound that is not what its name says")
        if lasting:
            self._kept[name] = pcm
            self._sounds_number += 1
            return
        self._passing[name] = pcm
        while sum(map(len, self._passing.values())) > PASSING_BYTES:
            self._passing.popitem(last=False)

    async def end(self, message: str) -> None:
        """Tell every page, as far as it takes it at once."""
        tell = [asyncio.wait_for(page.socket.send(message), 0.5) for page in self._pages]
        await asyncio.gather(*tell, return_exceptions=True)

    # -- one page

    async def serve(self, socket: ServerConnection) -> None:
        """One page, until it goes."""
        if self.full:
            return
        page = Page(socket)
        self._pages.add(page)
        sending = asyncio.create_task(self._send(page))
        try:
            async for message in socket:
                if not page.questions.take(time.monotonic()) or not self._heard(page, message):
                    break
        except ConnectionClosed:
            pass
        finally:
            sending.cancel()
            self._pages.discard(page)
            self.tell_alive()
            cut_off(socket)

    def _heard(self, page: Page, message: str | bytes) -> bool:
        """Take one message of a page; False ends the connection."""
        try:
            said = json.loads(message)
        except (ValueError, RecursionError):
            return False
        if not isinstance(said, dict):
            return False
        if isinstance(ask := said.get("ask"), int):
            page.asked, page.asked_s = ask, time.monotonic()
            page.sound_until_s = page.asked_s + SOUNDS_FOR_S if said.get("sound") is True else 0.0
            self.tell_alive()
            page.news.set()
        if isinstance(started := said.get("started"), int) and started > self._started:
            self._started = started
            print(f"started {started}", flush=True)
        if self._keys and said.get("do") in ACTIONS:
            self._do(page, said)
        return True

    def _do(self, page: Page, said: dict[str, Any]) -> None:
        made_s = dict(self._made).get(said.get("seen", -1), 0.0)
        if elapsed_s() - made_s > TOO_LATE_S:
            page.waiting.append((None, '{"refused":true}'))
            page.news.set()
            return
        value = said.get("value")
        given = f" {value}" if type(value) is int and 0 <= value <= 999 else ""
        print(f"do {said['do']}{given}", flush=True)

    async def _send(self, page: Page) -> None:
        """Whatever is new, the newest frame only; a page that does not take it in time is cut off."""
        await page.socket.send(json.dumps({"hello": self._hello}))
        while True:
            await page.news.wait()
            page.news.clear()
            for text in self._news(page):
                try:
                    await asyncio.wait_for(page.socket.send(text), LONGEST_SEND_S)
                except TimeoutError:
                    cut_off(page.socket)
                    return
                except ConnectionClosed:
                    return

    def _news(self, page: Page) -> list[str]:
        held_s = time.monotonic() - page.asked_s
        if page.asked is None or held_s > TOO_LATE_S:
            return []  # nothing it could tell the age of: it has not begun to ask, or has stopped
        proof = f'"ask":{page.asked},"held":{held_s:.4f}'
        texts = []
        while page.waiting:
            made_s, text = page.waiting.popleft()
            texts.append(text if made_s is None
                         else f'{{{proof},"age":{elapsed_s() - made_s:.4f},"play":{text}}}')
        if page.sounds != self._sounds_number and self._hello["sound"]:
            page.sounds = self._sounds_number
            texts.append(f'{{"sounds":{json.dumps(list(self._kept))},"own":{self._own}}}')
        if self._number > page.shown:
            page.shown = self._number
            texts.append(f'{{{proof},"age":{elapsed_s() - self._made_s:.4f},"number":{self._number},'
                         f'{self._points(page)}"frame":{self._frame}}}')
        return texts

    def _points(self, page: Page) -> str:
        anew = page.line != self._line_number
        if anew:
            page.line, page.drawn = self._line_number, 0
        first = max(0, page.drawn - (self._line_count - len(self._line)))
        points = ",".join(list(self._line)[first:])
        page.drawn = self._line_count
        return f'"anew":{str(anew).lower()},"points":[{points}],'

    def _sounding(self) -> list[Page]:
        now_s = time.monotonic()
        return [page for page in self._pages if now_s < page.sound_until_s]

    def tell_alive(self, *, always: bool = False) -> None:
        """To the guard: how many pages there are, and how many of them sound."""
        line = f"alive {len(self._pages)} {len(self._sounding())}"
        if always or line != self._said:
            self._said = line
            print(line, flush=True)
