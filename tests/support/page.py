"""A page's server for tests, and a page without a browser."""

from __future__ import annotations

import asyncio
import json
import socket
import time
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from websockets.asyncio.client import ClientConnection, connect

from guard.browser.page import BrowserPage
from guard.settings import Settings
from tests.support.alsa import wait_until


def free_port() -> int:
    with socket.socket() as asking:
        asking.bind(("127.0.0.1", 0))
        return int(asking.getsockname()[1])


class Opened(BrowserPage):
    """A page with its server, and what became of it."""

    def __init__(self, folder: Path, *, secret: str = "", **settings: Any) -> None:
        self.urls: list[str] = []
        self.troubles: list[str] = []
        self.asked: list[tuple[str, float | None]] = []
        chosen = Settings().replaced({"page": "here", "page_port": free_port(), **settings})
        super().__init__(chosen, folder / "page.log", trouble=self.troubles.append, found=self.urls.extend,
                         title="test", secret=secret)
        self.on_ask = lambda action, value: self.asked.append((action, value))
        self.open()
        wait_until(lambda: bool(self.urls), 10, "the server")

    @property
    def url(self) -> str:
        return self.urls[0]

    @property
    def process(self) -> Any:
        child = self._feed._child
        assert child is not None
        return child.process

    def rss_mib(self) -> float:
        status = Path(f"/proc/{self.process.pid}/status").read_text()
        return int(status.split("VmRSS:")[1].split()[0]) / 1024


@contextmanager
def opened(folder: Path, *, closed: bool = True, **settings: Any) -> Iterator[Opened]:
    """A page; its sound counts as `closed` from the beginning, or a sounder is to do that."""
    page = Opened(folder, **settings)
    if page.sound and closed:
        page.sound.close()
    try:
        yield page
    finally:
        page.close()


def request(url: str, path: str | None = None, *, host: str | None = None, method: str = "GET",
            raw: bytes | None = None, timeout_s: float = 3.0) -> tuple[int, dict[str, str], bytes]:
    """One plain request: status (0 for no answer), headers, body."""
    where = urlsplit(url)
    path = where.path if path is None else path
    sent = raw or f"{method} {path} HTTP/1.1\r\nHost: {host or where.netloc}\r\n\r\n".encode("latin-1")
    answer = b""
    try:
        with socket.create_connection((where.hostname, where.port), timeout_s) as line:
            line.sendall(sent)
            while data := line.recv(65_536):
                answer += data
    except OSError:
        pass
    head, _, body = answer.partition(b"\r\n\r\n")
    if not head.startswith(b"HTTP/1.1 "):
        return 0, {}, b""
    lines = head.decode("latin-1").split("\r\n")
    return int(lines[0].split()[1]), dict(line.lower().split(": ", 1) for line in lines[1:]), body


class Reader:
    """A page without a browser: asks, and remembers what it was told."""

    def __init__(self, socket: ClientConnection) -> None:
        self.socket = socket
        self.told: list[dict[str, Any]] = []
        self.asked_s: dict[int, float] = {}

    async def ask(self, *, sound: bool = False, **more: Any) -> None:
        number = len(self.asked_s) + 1
        self.asked_s[number] = time.monotonic()
        await self.socket.send(json.dumps({"ask": number, "sound": sound, **more}))

    async def until(self, wanted: Callable[[dict[str, Any]], Any], within_s: float = 5.0) -> dict[str, Any]:
        """The first message from now on that is `wanted`."""
        async with asyncio.timeout(within_s):
            while True:
                message: dict[str, Any] = json.loads(await self.socket.recv())
                message["at_s"] = time.monotonic()
                self.told.append(message)
                if wanted(message):
                    return message

    def bound_s(self, message: dict[str, Any]) -> float:
        """How old, at most, what came with `message` was when it came."""
        return float(message["at_s"] - self.asked_s[message["ask"]] - message["held"] + message["age"])


@asynccontextmanager
async def reading(url: str, origin: str | None = None) -> AsyncIterator[Reader]:
    where = urlsplit(url)
    async with connect(f"ws://{where.netloc}{where.path}live", compression=None, max_size=1 << 22,
                       origin=origin or f"http://{where.netloc}", proxy=None, close_timeout=1,
                       ) as socket:  # type: ignore[arg-type]
        yield Reader(socket)
