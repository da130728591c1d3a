"""Reading single keys from a terminal, and leaving the terminal as it was."""

import asyncio
import contextlib
import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from typing import IO

# Every signal that ends a process by default (signal(7)), but for those of a fault in the
# program itself, those that Python ignores, and SIGKILL, which nobody can catch.
_ENDING = ("SIGINT", "SIGTERM", "SIGHUP", "SIGQUIT", "SIGUSR1", "SIGUSR2", "SIGALRM", "SIGVTALRM",
           "SIGPROF", "SIGPOLL", "SIGPWR", "SIGSTKFLT", "SIGXCPU", "SIGBREAK")


@contextlib.contextmanager
def terminal_keys(stdin: IO[str], on_key: Callable[[str], None]) -> Iterator[bool]:
    """While inside, each typed character reaches `on_key` in the running loop.

    Gives whether there is a terminal to read; without one nothing happens. The
    terminal's own mode is put back on the way out.
    """
    if not _is_terminal(stdin):
        yield False
    elif sys.platform == "win32":
        with _windows_keys(on_key):
            yield True
    else:
        with _posix_keys(stdin.fileno(), on_key):
            yield True


def _is_terminal(stream: IO[str]) -> bool:
    try:
        fd = stream.fileno()
        if not os.isatty(fd):
            return False
        # A job in the background would be stopped for touching the terminal.
        return sys.platform == "win32" or os.tcgetpgrp(fd) == os.getpgrp()
    except (AttributeError, ValueError, OSError):  # none, closed, or not a file
        return False


if sys.platform != "win32":
    @contextlib.contextmanager
    def _posix_keys(fd: int, on_key: Callable[[str], None]) -> Iterator[None]:
        import termios
        import tty

        loop = asyncio.get_running_loop()

        def ready() -> None:
            try:
                data = os.read(fd, 64)
            except OSError:
                data = b""
            if not data:  # the terminal went away
                loop.remove_reader(fd)
                return
            if data.startswith(b"\x1b") and len(data) > 1:
                return  # an arrow or function key: not ours, and no letters of it either
            for char in data.decode("utf-8", "ignore"):
                on_key(char)

        before = termios.tcgetattr(fd)
        try:
            tty.setcbreak(fd, termios.TCSANOW)
            loop.add_reader(fd, ready)
            yield
        finally:
            with contextlib.suppress(OSError, termios.error):
                loop.remove_reader(fd)
                termios.tcsetattr(fd, termios.TCSANOW, before)


@contextlib.contextmanager
def _windows_keys(on_key: Callable[[str], None]) -> Iterator[None]:
    import msvcrt

    loop = asyncio.get_running_loop()
    ended = threading.Event()

    def read() -> None:
        while not ended.is_set():
            if not msvcrt.kbhit():  # type: ignore[attr-defined,unused-ignore]
                time.sleep(0.05)
                continue
            char = msvcrt.getwch()  # type: ignore[attr-defined,unused-ignore]
            if char in ("\x00", "\xe0"):  # first half of an arrow or function key
                msvcrt.getwch()  # type: ignore[attr-defined,unused-ignore]
                continue
            with contextlib.suppress(RuntimeError):  # the loop has just closed
                loop.call_soon_threadsafe(on_key, char)

    threading.Thread(target=read, name="keys", daemon=True).start()
    try:
        yield
    finally:
        ended.set()


@contextlib.contextmanager
def ending_signals(stop: Callable[[str], None]) -> Iterator[None]:
    """Whatever would end the process ends the session properly first; Ctrl-Z does not freeze it."""
    loop = asyncio.get_running_loop()

    def handler(*_: object) -> None:
        loop.call_soon_threadsafe(stop, "interrupted")

    before = {}
    try:
        for name in (*_ENDING, "SIGTSTP"):
            if number := getattr(signal, name, None):
                before[number] = signal.signal(number, signal.SIG_IGN if name == "SIGTSTP" else handler)
        yield
    finally:
        for number, old in before.items():
            signal.signal(number, old)
