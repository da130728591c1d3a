"""A child process that is spoken to in bytes and answers in lines.

Neither side can hold up the caller: a feeder thread writes, a reader thread
reads, and `kill` may come from any thread at any time.
"""

import contextlib
import os
import queue
import subprocess
import sys
import threading
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import IO

LOG_LIMIT_BYTES = 1_000_000  # of what sound libraries say in their own words (ours)
# What a session of its own is on Windows, and no window for it.
_OWN_GROUP = 0
if sys.platform == "win32":
    _OWN_GROUP = subprocess.CREATE_NEW_PROCESS_GROUP | subprocess.CREATE_NO_WINDOW


class ChildGone(Exception):
    """The child has ended, was ended, or could not be started."""


class Child:
    """One running child; its stderr goes to `log` (or nowhere).

    Raises ChildGone when it cannot be started.
    """

    def __init__(self, command: Sequence[str], *, log: Path | None = None,
                 env: Mapping[str, str] | None = None) -> None:
        with _open_log(log) as stderr:
            try:
                self.process = subprocess.Popen(
                    command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=stderr,
                    bufsize=0, env=None if env is None else dict(env),
                    # Its own session: a closed terminal or Ctrl-C is the guard's to handle.
                    start_new_session=True, creationflags=_OWN_GROUP)
            except OSError as error:
                raise ChildGone(f"{command[0]} cannot be started ({error.strerror or error})") from None
        self._lines: queue.SimpleQueue[str | None] = queue.SimpleQueue()
        self._outbox: queue.SimpleQueue[bytes | None] = queue.SimpleQueue()
        for work in (self._read, self._feed):
            threading.Thread(target=work, name=f"sound-{work.__name__}", daemon=True).start()

    def send(self, data: bytes) -> None:
        """Queue `data` for the child; returns at once."""
        self._outbox.put(data)

    @property
    def waiting(self) -> int:
        """How many messages the child has not taken yet."""
        return self._outbox.qsize()

    def receive(self, timeout_s: float) -> str | None:
        """The next line, None after `timeout_s` without one.

        Raises ChildGone once the child has closed its side.
        """
        try:
            line = self._lines.get(timeout=max(timeout_s, 0.0))
        except queue.Empty:
            return None
        if line is None:
            self._lines.put(None)  # stays gone for the next caller too
            raise ChildGone("it ended")
        return line

    def finish(self) -> None:
        """Close the child's stdin once all that was sent is written."""
        self._outbox.put(None)

    def kill(self) -> None:
        """End the child now; from any thread, as often as wanted."""
        self.process.kill()
        with contextlib.suppress(subprocess.TimeoutExpired):
            self.process.wait(timeout=0.2)
        self._outbox.put(None)

    def _read(self) -> None:
        for line in _stream(self.process.stdout):
            self._lines.put(line.decode("utf-8", "replace").rstrip("\n"))
        self._lines.put(None)
        self.process.wait()
        with contextlib.suppress(OSError):
            _stream(self.process.stdout).close()

    def _feed(self) -> None:
        stdin = _stream(self.process.stdin)
        while (data := self._outbox.get()) is not None:
            view = memoryview(data)
            try:
                while view:
                    view = view[stdin.write(view) or 0:]
            except OSError:
                break
        with contextlib.suppress(OSError):
            stdin.close()


def script_command(script: Path, *arguments: str) -> list[str]:
    """Run one of our scripts with this Python, nothing of its folder importable."""
    return [sys.executable, "-P", str(script), *arguments]


def _stream(stream: IO[bytes] | None) -> IO[bytes]:
    if stream is None:
        raise ChildGone("it has no pipe")
    return stream


def _open_log(log: Path | None) -> IO[bytes]:
    if log is not None:
        with contextlib.suppress(OSError):
            long = log.exists() and log.stat().st_size > LOG_LIMIT_BYTES
            return log.open("wb" if long else "ab")
    return Path(os.devnull).open("wb")
