"""The real `guard run` on a terminal of its own: its screen, log, sound and process, told apart in time.

All times are seconds of this machine's monotonic clock, which the guard's
process shares; a time in the log becomes one by `LiveRun.at`.
"""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import pty
import re
import select
import signal
import struct
import subprocess
import sys
import termios
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.support.alsa import wait_until

ROOT = Path(__file__).resolve().parents[2]
STRAP = "C8:00:00:00:00:07"
CEILING_BPM = 139
ROWS, COLUMNS = 24, 80

_ESCAPES = re.compile(r"\x1b(?:\[[0-?]*[ -/]*[@-~]|\][^\x07\x1b]*(?:\x07|\x1b\\)|[()][A-Z0-9]|[=>78])")
_HOME = "\x1b[H"  # every screen is drawn whole, from the upper left corner


@dataclass(frozen=True)
class Drawn:
    """What the terminal showed from `at_s` on."""

    at_s: float
    text: str

    @property
    def lines(self) -> list[str]:
        return [line.rstrip() for line in self.text.replace("\r", "").split("\n")]


class LiveRun:
    """`guard run` (or what `words` say) in a pseudo-terminal; leave the `with` block and it is ended.

    `env` goes on top of this process's; `keep_screens` False keeps only the
    newest picture; `plain_out` gives a file descriptor as standard output in
    place of the terminal.
    """

    def __init__(
        self, home: Path, env: Mapping[str, str], *words: str, keep_screens: bool = True,
        before: tuple[str, ...] = (), plain_out: int | None = None, kind: str = "sessions",
    ) -> None:
        self.home = home
        self.screens: list[Drawn] = []
        self.zero_s = float("inf")
        self.records: list[dict[str, Any]] = []
        self.arrivals: list[tuple[float, float]] = []  # session time of a reading, when it was in the log
        self.seen = bytearray()  # all that reached the terminal, as it came
        self.bells_s: list[float] = []  # when its bell was rung
        self._keep_screens, self._kind = keep_screens, kind
        self._reading = threading.Event()
        self._reading.set()
        self._ended = threading.Event()
        (home / "config").mkdir(parents=True, exist_ok=True)
        (home / "config" / "cautions-read").touch()
        self._master, slave = pty.openpty()
        fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", ROWS, COLUMNS, 0, 0))
        settings = {key: value for key, value in os.environ.items() if key not in ("COLUMNS", "LINES")}
        self.errors = home / "stderr"
        with self.errors.open("wb") as errors:
            self.process = subprocess.Popen(
                # setsid gives the process the terminal as a window does.
                ["setsid", "--ctty", *before, sys.executable, "-m", "guard",
                 *(words or ("run", "--strap", STRAP, "--ceiling", str(CEILING_BPM), "--no-note"))],
                cwd=ROOT, stdin=slave, stdout=slave if plain_out is None else plain_out, stderr=errors,
                env={**settings, **env, "GUARD_HOME": str(home), "TERM": "xterm-256color",
                     "LANG": "C.UTF-8", "PYTHONUNBUFFERED": "1"})
        os.close(slave)
        self._threads = [threading.Thread(target=work, daemon=True) for work in (self._see, self._follow)]
        for thread in self._threads:
            thread.start()

    def __enter__(self) -> LiveRun:
        return self

    def __exit__(self, *_: object) -> None:
        if self.process.poll() is None:
            with contextlib.suppress(ProcessLookupError):
                os.kill(self.process.pid, signal.SIGCONT)
            self.process.kill()
            self.process.wait()
        self._ended.set()
        self._reading.set()
        for thread in self._threads:
            thread.join(5)
        self.hang_up()

    # What a runner does.

    def press(self, keys: str) -> float:
        """Type `keys`; returns when."""
        at_s = time.monotonic()
        os.write(self._master, keys.encode())
        return at_s

    def hold_terminal(self) -> None:
        """The terminal takes nothing any more (a stalled connection, a stopped window)."""
        self._reading.clear()

    def release_terminal(self) -> None:
        self._reading.set()

    def hang_up(self) -> None:
        """The window is closed."""
        if self._master >= 0:
            master, self._master = self._master, -1
            os.close(master)

    def signal(self, number: int) -> float:
        at_s = time.monotonic()
        os.kill(self.process.pid, number)
        return at_s

    def wait(self, timeout_s: float = 20.0) -> int:
        return self.process.wait(timeout_s)

    # What came of it.

    @property
    def log(self) -> Path | None:
        return next(iter(sorted((self.home / "data" / self._kind).glob("*.jsonl"))), None)

    def at(self, t_s: float) -> float:
        """The monotonic time of a time in the log."""
        return self.zero_s + t_s

    def delay_s(self, last: int) -> float:
        """How late the quickest of the `last` readings was in the log, against the quickest of all."""
        return min((seen_s - t_s for t_s, seen_s in self.arrivals[-last:]), default=self.zero_s) - self.zero_s

    def of(self, kind: str, since_s: float = float("-inf")) -> list[dict[str, Any]]:
        """Records of one type in the log, those from the monotonic time `since_s` on."""
        return [one for one in list(self.records) if one["type"] == kind and self.at(one["t"]) >= since_s]

    def wait_for(self, kind: str, holds: Callable[[dict[str, Any]], bool] = lambda one: True, *,
                 since_s: float = float("-inf"), timeout_s: float = 30.0) -> float:
        """When such a record's moment was; fails loudly when none comes."""
        found: list[dict[str, Any]] = []

        def there() -> bool:
            assert self.process.poll() is None, f"it has ended:\n{self.errors.read_text()[-2_000:]}"
            found.extend(one for one in self.of(kind, since_s) if holds(one))
            return bool(found)

        wait_until(there, timeout_s, f"a record of {kind}")
        return self.at(found[0]["t"])

    def settled(self, readings: int = 4, timeout_s: float = 40.0) -> None:
        """Wait until the guard watches: readings come and no signal is missing."""
        since_s = time.monotonic()
        wait_until(lambda: len(self.of("reading", since_s)) >= readings or self.process.poll() is not None,
                   timeout_s, "readings")
        assert self.process.poll() is None, self.errors.read_text()[-2_000:]
        wait_until(lambda: self.state() != "no_signal", 10, "a trusted signal")

    def told_back(self, timeout_s: float = 50.0) -> None:
        """Wait until a loss that was said is said to be over: where losses follow each other that takes long,
        and until then a new one is no news."""
        def over() -> bool:
            words = [one["cue"] for one in self.of("cue") if one["cue"] in ("signal_lost", "signal_back")]
            return words[-1:] != ["signal_lost"] or self.process.poll() is not None

        wait_until(over, timeout_s, "signal back")

    def settled_readings(self, readings: int) -> None:
        """Wait for so many more readings, in a log that may be a new file."""
        before = len(self.arrivals)
        wait_until(lambda: len(self.arrivals) >= before + readings, 30, "readings")

    def state(self) -> str:
        """The state in force, by the log."""
        states = [one for one in list(self.records) if one["type"] == "state"]
        return states[-1]["state"] if states else "warming"

    def shown(self, text: str, since_s: float) -> float | None:
        """When a screen with these words was first drawn, since `since_s`; None if never."""
        return next(
            (one.at_s for one in list(self.screens) if one.at_s >= since_s and text in one.text), None)

    def wait_to_show(self, text: str, since_s: float, timeout_s: float = 15.0) -> float:
        wait_until(lambda: self.shown(text, since_s) is not None, timeout_s, f"a screen with {text!r}")
        at_s = self.shown(text, since_s)
        assert at_s is not None
        return at_s

    # Threads.

    def _see(self) -> None:
        """Keep every whole picture with its time."""
        rest = ""
        while not self._ended.is_set():
            if not self._reading.wait(0.2) or self._master < 0:
                continue
            try:
                ready, _, _ = select.select([self._master], [], [], 0.2)
                data = os.read(self._master, 65_536) if ready else b""
            except (OSError, ValueError):
                time.sleep(0.05)  # the program let go of its terminal, or it was closed
                continue
            now_s = time.monotonic()
            self.bells_s += [now_s] * data.count(b"\a")
            if self._keep_screens:
                self.seen += data
            rest += data.decode("utf-8", "replace")
            whole, home, last = rest.rpartition(_HOME)
            if home:
                for part in whole.split(_HOME):
                    self._keep(now_s, part)
                rest = last
            if not data and rest.strip():  # a pause: the picture is complete
                self._keep(now_s - 0.2, rest)
                rest = ""

    def _keep(self, at_s: float, part: str) -> None:
        text = _ESCAPES.sub("", part)
        if text.strip():
            if not self._keep_screens:
                self.screens.clear()
            self.screens.append(Drawn(at_s, text))

    def _follow(self) -> None:
        """Keep every line of the log; the least delay of any tells when the session began."""
        while not self._ended.is_set() and self.log is None:
            time.sleep(0.02)
        offset, torn, path = 0, b"", self.log
        while not self._ended.is_set():
            with contextlib.suppress(OSError):
                assert path is not None
                with path.open("rb") as file:
                    file.seek(offset)
                    data = file.read()
                offset += len(data)
                now_s = time.monotonic()
                *lines, torn = (torn + data).split(b"\n")
                for line in lines:
                    record = json.loads(line)
                    if "t" in record:
                        self.zero_s = min(self.zero_s, now_s - record["t"])
                        if record["type"] == "reading":
                            self.arrivals.append((record["t"], now_s))
                        self.records.append(record)
            time.sleep(0.02)
