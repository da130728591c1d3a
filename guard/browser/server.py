"""The page's server: a process of its own, fed by the guard and dropped by it when it misbehaves.

Run as a script; what goes in and out is said in `wire.py`. Who does not have the
secret finds nothing, and holds nothing up.
"""

import asyncio
import contextlib
import hmac
import json
import os
import signal
import sys
import time
from collections import OrderedDict
from http import HTTPStatus
from pathlib import Path
from typing import ClassVar

# What one unknown client may make the server keep, before the library reads these.
os.environ.setdefault("WEBSOCKETS_MAX_LINE_LENGTH", "2048")
os.environ.setdefault("WEBSOCKETS_MAX_NUM_HEADERS", "48")

from websockets.asyncio.server import ServerConnection, serve
from websockets.datastructures import Headers
from websockets.http11 import Request, Response

from guard.browser.pages import Pages, cut_off
from guard.browser.wire import LARGEST_MESSAGE_BYTES, MESSAGE_HEAD, Message
from guard.clock import Bucket

MOST_STRANGERS = 32  # connections that have not shown the secret yet; the oldest gives way
ANSWER_STRANGERS_S = 0.1  # every wrong address is answered after the same time
STRANGERS_PER_S = 20.0  # and no more of them than these; the rest is cut off
LARGEST_QUESTION = 512  # bytes; far above any that the page sends (ours)
STATIC = {"": ("page.html", "text/html; charset=utf-8"),
          "page.css": ("page.css", "text/css; charset=utf-8"),
          "page.js": ("page.js", "text/javascript; charset=utf-8")}
MOST_MEMORY = 192 << 20  # bytes of address space: what a stranger can make it take (ours)
MOST_FILES = 128  # open at once, sockets among them (ours)


class Stranger(ServerConnection):
    """A connection that has not shown the secret; when too many wait, the oldest is cut off."""

    door: ClassVar[OrderedDict[ServerConnection, None]] = OrderedDict()  # those that wait, oldest first

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.door[self] = None
        if len(self.door) > MOST_STRANGERS:
            oldest, _ = self.door.popitem(last=False)
            cut_off(oldest)
        super().connection_made(transport)

    def connection_lost(self, exc: Exception | None) -> None:
        self.door.pop(self, None)
        super().connection_lost(exc)


class Door:
    """Answers requests: the page's files, its sounds, and the way in for its link."""

    def __init__(self, secret: str, pages: Pages) -> None:
        self.names: frozenset[str] = frozenset()  # what a request's Host may be
        self._secret, self._pages = secret.encode(), pages
        self._static = {name: ((Path(__file__).parent / "static" / file).read_bytes(), kind)
                        for name, (file, kind) in STATIC.items()}
        self._strangers = Bucket(STRANGERS_PER_S, STRANGERS_PER_S)

    async def answer(self, connection: ServerConnection, request: Request) -> Response | None:
        """The answer to a request; None lets a page in."""
        began_s = time.monotonic()
        secret, _, name = request.path.removeprefix("/").partition("/")
        hosts = request.headers.get_all("Host")
        # The comparison takes as long for a secret that is nearly right.
        right = hmac.compare_digest(secret.encode("utf-8", "replace"), self._secret)
        if not right or len(hosts) != 1 or hosts[0].lower() not in self.names:
            if not self._strangers.take(time.monotonic()):
                cut_off(connection)
            await asyncio.sleep(max(0.0, began_s + ANSWER_STRANGERS_S - time.monotonic()))
            return _response(HTTPStatus.NOT_FOUND, b"", "text/plain", "")
        Stranger.door.pop(connection, None)  # it has shown the secret
        host = hosts[0]
        if getattr(request, "method", "GET") != "GET":  # where it does not say, the library takes no other
            return _response(HTTPStatus.METHOD_NOT_ALLOWED, b"", "text/plain", host)
        if name == "live":
            if request.headers.get_all("Origin") != [f"http://{host}"]:
                return _response(HTTPStatus.FORBIDDEN, b"", "text/plain", host)
            return self._full(host)
        if name == "beat":
            return self._full(host) or _response(HTTPStatus.OK, b"", "text/plain", host)
        if name.startswith("sound/"):
            piece = self._pages.piece(name[6:])
            if piece:
                return _response(HTTPStatus.OK, piece, "application/octet-stream", host)
        if name in self._static and (name or request.path.endswith("/")):
            return _response(HTTPStatus.OK, *self._static[name], host)
        if not name:
            response = _response(HTTPStatus.PERMANENT_REDIRECT, b"", "text/plain", host)
            response.headers["Location"] = f"/{secret}/"
            return response
        return _response(HTTPStatus.NOT_FOUND, b"", "text/plain", host)

    def _full(self, host: str) -> Response | None:
        if not self._pages.full:
            return None
        return _response(HTTPStatus.SERVICE_UNAVAILABLE, b"full", "text/plain", host)


def _response(status: HTTPStatus, body: bytes, kind: str, host: str) -> Response:
    policy = (f"default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self' ws://{host}; "
              "img-src data:; "
              "base-uri 'none'; form-action 'none'; frame-ancestors 'none'")
    return Response(status.value, status.phrase, Headers({
        "Content-Type": kind, "Content-Length": str(len(body)), "Connection": "close",
        "Cache-Control": "no-store", "Content-Security-Policy": policy, "X-Content-Type-Options": "nosniff",
        "Referrer-Policy": "no-referrer", "X-Frame-Options": "DENY",
        "Cross-Origin-Opener-Policy": "same-origin", "Cross-Origin-Resource-Policy": "same-origin",
    }), body)


async def main() -> None:
    """Serve until the guard says goodbye or is gone."""
    loop = asyncio.get_running_loop()
    reader = asyncio.StreamReader(limit=LARGEST_MESSAGE_BYTES)
    await loop.connect_read_pipe(lambda: asyncio.StreamReaderProtocol(reader), sys.stdin.buffer)
    kind, payload = await _message(reader)
    config = json.loads(payload)
    pages = Pages(keys=config["keys"], sound=config["sound"])
    door = Door(config["secret"], pages)

    async with contextlib.AsyncExitStack() as stack:
        try:
            listening = await stack.enter_async_context(serve(
                pages.serve, config["address"], config["port"], process_request=door.answer,
                create_connection=Stranger, compression=None, server_header=None, open_timeout=5,
                ping_interval=None, close_timeout=1, max_size=LARGEST_QUESTION, max_queue=4,
                write_limit=1 << 15, backlog=32))
        except OSError as error:
            print(f"failed {error.strerror or error}", flush=True)
            return
        port = listening.sockets[0].getsockname()[1]
        door.names = frozenset(f"{name}:{port}" for name in config["names"])
        print(f"ready {port}", flush=True)
        beating = asyncio.create_task(_beat(pages))
        last = '{"gone":true}'
        try:
            while True:
                kind, payload = await _message(reader)
                if kind == b"G":
                    last = f'{{"bye":{payload.decode()}}}'
                    break
                pages.take(kind, payload)
        except asyncio.IncompleteReadError:
            pass  # the guard has gone without a word
        beating.cancel()
        await pages.end(last)
        listening.close(close_connections=True)


async def _message(reader: asyncio.StreamReader) -> Message:
    kind, length = MESSAGE_HEAD.unpack(await reader.readexactly(MESSAGE_HEAD.size))
    if length > LARGEST_MESSAGE_BYTES:
        raise ValueError("a message that is far too long")
    return kind, await reader.readexactly(length)


async def _beat(pages: Pages) -> None:
    while True:
        pages.tell_alive(always=True)
        await asyncio.sleep(1.0)


def _keep_small() -> None:
    """The guard goes first, and nothing that clients do can take the machine's memory."""
    if sys.platform == "win32":
        return
    with contextlib.suppress(OSError, ValueError):
        import resource

        os.nice(5)
        resource.setrlimit(resource.RLIMIT_DATA, (MOST_MEMORY, MOST_MEMORY))
        resource.setrlimit(resource.RLIMIT_NOFILE, (MOST_FILES, MOST_FILES))


if __name__ == "__main__":
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the guard's to handle
    _keep_small()
    with contextlib.suppress(BrokenPipeError):  # the guard has gone
        asyncio.run(main())
