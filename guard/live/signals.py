"""Signals that end a session, and the one that would freeze it."""

import asyncio
import contextlib
import signal
from collections.abc import Callable, Iterator

# Every signal that ends a process by default (signal(7)), but for those of a fault in the
# program itself, those that Python ignores, and SIGKILL, which nobody can catch.
_ENDING = ("SIGINT", "SIGTERM", "SIGHUP", "SIGQUIT", "SIGUSR1", "SIGUSR2", "SIGALRM", "SIGVTALRM",
           "SIGPROF", "SIGPOLL", "SIGPWR", "SIGSTKFLT", "SIGXCPU", "SIGBREAK")


@contextlib.contextmanager
def ending_signals(stop: Callable[[str], None]) -> Iterator[None]:
    """Whatever would end the process ends the session properly first; Ctrl-Z does not freeze it."""
    loop = asyncio.get_running_loop()
    names = [name for name in _ENDING if hasattr(signal, name)]
    before = {name: signal.getsignal(getattr(signal, name)) for name in names}
    stopping = getattr(signal, "SIGTSTP", None)
    before_stopping = signal.getsignal(stopping) if stopping else None

    def handler(*_: object) -> None:
        loop.call_soon_threadsafe(stop, "interrupted")

    try:
        for name in names:
            signal.signal(getattr(signal, name), handler)
        if stopping:
            signal.signal(stopping, signal.SIG_IGN)
        yield
    finally:
        for name, old in before.items():
            signal.signal(getattr(signal, name), old)
        if stopping:
            signal.signal(stopping, before_stopping)
