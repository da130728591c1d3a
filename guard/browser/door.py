"""The page of a session: opened before it, its address told, and waited for where somebody can answer."""

import asyncio
import contextlib
import importlib.util
import os
import sys
import threading
from collections.abc import Callable
from functools import partial

from guard.browser.address import kept_secret, place, qr_lines
from guard.browser.page import BrowserPage
from guard.errors import GuardError
from guard.files import folders
from guard.live.inbox import Inbox
from guard.settings import Settings

PAGE_DEBUG_FILE = "page-debug.log"
FOUND_LIMIT_S = 5.0  # for the server to tell its address (ours)
OPENED_LIMIT_S = 60.0  # for a page to be opened, before the session begins without (ours)
OPENED_LOOK_S = 0.1  # between two looks at whether one is
PAGE_PACKAGES_MISSING = "the page's packages are missing: `bash hardware/setup.sh` brings them"
NOT_ON_WINDOWS = "the page is for Linux and macOS: there is none"
NO_NETWORK = "this machine has no network yet: the page comes once it has one"

Tell = Callable[[str], None]


async def opened_page(
    settings: Settings, inbox: Inbox, tell: Tell, *, wait: bool, title: str = "", tag: str = "",
) -> BrowserPage | None:
    """The page of the settings, its server started and its address told; None where none is wanted.

    With `wait` it is shown as a QR code too, and the session begins once the
    page has been opened somewhere, at Enter, or after a minute.
    """
    if settings.page == "off":
        return None
    if sys.platform == "win32" or not packages_there():
        tell(NOT_ON_WINDOWS if sys.platform == "win32" else PAGE_PACKAGES_MISSING)
        return None
    urls: list[str] = []
    found = threading.Event()

    def take(names: list[str]) -> None:
        if names != urls:  # at first, and after the network gave another number
            inbox.note(f"the page is at {names[0]}", topic="page", trouble=False)
        urls[:] = names
        found.set()

    page = BrowserPage(
        settings, folders.data_dir() / PAGE_DEBUG_FILE, title=title, tag=tag,
        secret=_secret(settings, tell), trouble=inbox.note, found=take)
    page.on_ask = partial(inbox.ask, origin="page")
    page.open()
    if not await asyncio.to_thread(found.wait, FOUND_LIMIT_S):
        tell(NO_NETWORK)
        return page
    for line in address_lines(urls, settings, qr=wait):
        print(line, file=sys.stderr)
    if wait:
        print("open it, or press Enter to begin without", file=sys.stderr, flush=True)
        await _opened(page)
    return page


def packages_there() -> bool:
    """Whether the page's server can run."""
    return importlib.util.find_spec("websockets") is not None


def addresses(settings: Settings) -> list[str]:
    """Where a page with a kept address will be; GuardError or OSError where it cannot be kept."""
    found = place(settings.page)
    secret = kept_secret(folders.config_dir())
    return [found.url(settings.page_port, secret, name) for name in found.names] if found else []


def address_lines(urls: list[str], settings: Settings, *, qr: bool) -> list[str]:
    """Where the page is, for the terminal."""
    lines = [f"page: {url}" for url in urls]
    if settings.page == "here":
        lines = [f"page, on this machine only: {urls[0]}", "for a phone: --page network"]
    if qr and settings.page != "here":  # light on dark, whatever the terminal's colours
        lines = [*(f"\x1b[40;97m{line}\x1b[0m" for line in qr_lines(urls[0])), *lines]
    return lines


def _secret(settings: Settings, tell: Tell) -> str:
    """The kept secret; none, so that the page makes one of its own, where none is kept."""
    if not settings.page_kept:
        return ""
    try:
        return kept_secret(folders.config_dir())
    except (OSError, GuardError) as error:
        tell(f"the page's address cannot be kept ({error}): it has a new one for this session")
        return ""


async def _opened(page: BrowserPage) -> None:
    """Until the page is opened, Enter, or a minute."""
    loop, entered = asyncio.get_running_loop(), asyncio.Event()
    fd = sys.stdin.fileno()

    def take() -> None:
        os.read(fd, 1024)
        entered.set()

    with contextlib.suppress(NotImplementedError):  # Windows: no Enter, the page or the minute
        loop.add_reader(fd, take)
    try:
        for _ in range(round(OPENED_LIMIT_S / OPENED_LOOK_S)):
            if entered.is_set() or page.watched.is_set():
                return
            await asyncio.sleep(OPENED_LOOK_S)
    finally:
        with contextlib.suppress(NotImplementedError):
            loop.remove_reader(fd)
