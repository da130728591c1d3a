"""Where the page is found: the secret in its address, the machine's own name and number, the QR code."""

import contextlib
import re
import secrets
import socket
from dataclasses import dataclass
from io import StringIO
from pathlib import Path

from guard.files.whole import write_whole

SECRET_BYTES = 16  # 128 bits
HERE, NETWORK = "here", "network"
_KEPT = "page-secret"
_LOOPBACK = "127.0.0.1"
# Documentation addresses (RFC 5737): "connecting" a datagram socket to one sends nothing.
_SOMEWHERE = ("192.0.2.1", 9)


def new_secret() -> str:
    """128 bits by chance, fit for an address."""
    return secrets.token_urlsafe(SECRET_BYTES)


def kept_secret(folder: Path) -> str:
    """The secret kept in `folder`, made at the first call; OSError where it cannot be kept."""
    path = folder / _KEPT
    with contextlib.suppress(FileNotFoundError):
        kept = path.read_text(encoding="ascii", errors="replace").strip()
        if re.fullmatch(r"[\w-]{22,64}", kept, re.ASCII):
            return kept
    secret = new_secret()
    write_whole(path, [secret.encode() + b"\n"], force=True)
    return secret


def network_address() -> str | None:
    """This machine's number on its local network; None without one."""
    with contextlib.suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        asking.connect(_SOMEWHERE)
        found = str(asking.getsockname()[0])
        return None if found.startswith(("127.", "0.")) else found
    return None


@dataclass(frozen=True, slots=True)
class PageHost:
    """Where to listen, and the names under which clients may ask."""

    address: str
    names: tuple[str, ...]

    def url(self, port: int, secret: str, name: str = "") -> str:
        return f"http://{name or self.address}:{port}/{secret}/"


def place(where: str) -> PageHost | None:
    """The machine itself (`here`) or its local network; None while there is no network."""
    if where == HERE:
        return PageHost(_LOOPBACK, (_LOOPBACK, "localhost"))
    number = network_address()
    return None if number is None else PageHost(number, (number, own_name()))


def own_name() -> str:
    """The name under which multicast DNS (RFC 6762) finds this machine, where that runs."""
    return f"{socket.gethostname().split('.')[0].lower()}.local"


def qr_lines(url: str) -> list[str]:
    """The address as a QR code in half blocks; empty where the library is missing."""
    try:
        import segno
    except ImportError:
        return []
    out = StringIO()
    segno.make(url, error="l", micro=False).terminal(out, compact=True, border=2)
    return out.getvalue().splitlines()
