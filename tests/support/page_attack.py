"""Hostile clients of one page's server, on this machine only, for a bounded time; run as a script.

    python page_attack.py PORT SECONDS [SECRET]

A thousand connections that are half open or send their headers a byte at a time,
floods of wrong addresses, malformed upgrades, and with the secret 10 MB messages
and pages that ask and never read.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import sys
import time

CONNECTIONS = 1_000
KEY = "AAAAAAAAAAAAAAAAAAAAAA=="


async def one(port: int, until_s: float, data: bytes, drip: bytes) -> None:
    """Connect, send, drip, and again when cut off."""
    while time.monotonic() < until_s:
        with contextlib.suppress(OSError, asyncio.IncompleteReadError):
            _, writer = await asyncio.open_connection("127.0.0.1", port)
            try:
                writer.write(data)
                while time.monotonic() < until_s and not writer.transport.is_closing():
                    if drip:
                        writer.write(drip)
                        await writer.drain()
                    await asyncio.sleep(0.5)
            finally:
                writer.transport.abort()
        await asyncio.sleep(0.2)


async def main(port: int, seconds: float, secret: str) -> None:
    until_s = time.monotonic() + seconds
    host = f"127.0.0.1:{port}"
    live = (f"GET /{secret}/live HTTP/1.1\r\nHost: {host}\r\nOrigin: http://{host}\r\nUpgrade: websocket\r\n"
            f"Connection: Upgrade\r\nSec-WebSocket-Version: 13\r\nSec-WebSocket-Key: {KEY}\r\n\r\n").encode()
    ask = b"\x81\x8b" + bytes(4) + b'{"ask":100}'  # a whole question, masked with zeros
    huge = b"\x81\xff" + (10_000_000).to_bytes(8, "big") + bytes(4) + b"x" * 200_000
    kinds = [(b"", b""), (b"GET / HTTP/1.1\r\nX: ", b"y"), (b"GET /../../x HTTP/1.1\r\nHost: a\r\n\r\n", b""),
             (b"\x16\x03\x01\x02\x00" * 200, b"z"), (live.replace(b"Version: 13", b"Version: 99"), b"")]
    if secret:
        kinds += [(live + huge, b"x" * 100_000), (live + ask, b""), (live + ask, ask)]
    await asyncio.gather(*(one(port, until_s, *kinds[number % len(kinds)]) for number in range(CONNECTIONS)))


if __name__ == "__main__":
    os.nice(5)
    import resource

    resource.setrlimit(resource.RLIMIT_NOFILE, (CONNECTIONS + 100, CONNECTIONS + 100))
    asyncio.run(main(int(sys.argv[1]), float(sys.argv[2]), sys.argv[3] if len(sys.argv) > 3 else ""))
