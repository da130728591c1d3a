"""The ways a sound can leave the machine, each behind the same small face.

`play` blocks until the sound was heard and raises `Failed` when it was not;
`cut`, from any thread, ends it at once (the `play` then raises `Cut`).
"""

from __future__ import annotations

import contextlib
import os
import shutil
import sys
import tempfile
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

from guard.sound import wavfile, worker
from guard.sound.child import Child, ChildGone, script_command
from guard.sound.tones import RATE_HZ, Pcm, silence

STARTED_LIMIT_S = 1.0
READY_LIMIT_S = 1.5
OVERTIME_S = 2.0
# A device that vanishes mid-sound raises nothing: the sound only ends too early.
_HEARD_SHARE = 0.6
_JUDGED_FROM_S = 0.3
_BELL_GAP_S = 0.18


class Failed(Exception):
    """The sound was not heard, and why."""


class Cut(Exception):
    """The sound was ended by `cut`."""


@dataclass(slots=True)
class Sound:
    """PCM to play; `rings` is how often a bare bell would ring for it."""

    pcm: Pcm
    rings: int = 0
    cut: threading.Event = field(default_factory=threading.Event)

    @property
    def length_s(self) -> float:
        return len(self.pcm) / RATE_HZ


class Backend(Protocol):
    """One way for sound to leave the machine."""

    name: str

    def play(self, sound: Sound) -> None: ...
    def cut(self) -> None: ...
    def close(self) -> None: ...


class WorkerBackend:
    """simpleaudio in a process of its own, with a warm spare beside it.

    A sound is cut by ending the process, the quickest way there is; the spare
    takes over and another is started behind it.
    """

    name = "simpleaudio"

    def __init__(self, log: Path | None = None) -> None:
        self._log = log
        self._active: Child | None = None
        self._spare: Child | None = None
        self._ready: set[Child] = set()
        self._last_words: Pcm = silence(0)
        self._number = 0

    def start(self) -> None:
        """Start the worker and its spare, so that the first cue finds them warm."""
        with contextlib.suppress(ChildGone):
            self._take_worker()
            self._refill()

    def set_last_words(self, pcm: Pcm) -> None:
        """What the worker plays when the guard ends without a goodbye."""
        self._last_words = pcm
        for child in (self._active, self._spare):
            if child is not None:
                child.send(worker.message(worker.LAST_WORDS, 0, RATE_HZ, pcm.tobytes()))

    def play(self, sound: Sound) -> None:
        try:
            heard_s = self._try(sound)
        except ChildGone:
            # The library crashes now and then: the spare is there for that.
            try:
                heard_s = self._try(sound)
            except ChildGone as error:
                raise Failed(f"the sound worker ended by itself twice: {error}") from None
        _judge(sound, heard_s)

    def _try(self, sound: Sound) -> float:
        """Play once; returns how long it was heard, s.

        Raises Cut, Failed, or ChildGone when the worker ended by itself.
        """
        self._number += 1
        child = self._take_worker()
        if sound.cut.is_set():
            raise Cut
        child.send(worker.message(worker.PLAY, self._number, RATE_HZ, sound.pcm.tobytes()))
        try:
            self._await_ready(child)
            self._expect(child, "started", STARTED_LIMIT_S, "the sound device did not answer within 1 s")
            self._refill()
            return float(self._expect(child, "ended", sound.length_s + OVERTIME_S,
                                      "the sound device stopped answering"))
        except (ChildGone, Failed) as error:
            if sound.cut.is_set() or isinstance(error, ChildGone):
                self._drop(child)
            if sound.cut.is_set():
                raise Cut from None
            raise

    def cut(self) -> None:
        child = self._active
        if child is not None:
            child.process.kill()

    def close(self) -> None:
        children = [child for child in (self._active, self._spare) if child is not None]
        for child in children:
            child.send(worker.message(worker.GOODBYE))
            child.finish()
        give_up_s = time.monotonic() + 0.5
        for child in children:
            while child.process.poll() is None and time.monotonic() < give_up_s:
                time.sleep(0.01)
            child.kill()

    def _take_worker(self) -> Child:
        if self._active is not None and self._active.process.poll() is not None:
            self._drop(self._active)
        if self._active is None:
            self._active, self._spare = self._spare or self._spawn(), None
            self._active.send(worker.message(worker.ARMED))
        return self._active

    def _refill(self) -> None:
        if self._spare is not None and self._spare.process.poll() is not None:
            self._ready.discard(self._spare)
            self._spare = None
        if self._spare is None:
            with contextlib.suppress(ChildGone):
                self._spare = self._spawn()

    def _spawn(self) -> Child:
        # See the worker: its audio library needs the C allocator.
        environment = {**os.environ, "PYTHONMALLOC": "malloc"}
        child = Child(script_command(Path(worker.__file__)), log=self._log, env=environment)
        child.send(worker.message(worker.LAST_WORDS, 0, RATE_HZ, self._last_words.tobytes()))
        return child

    def _drop(self, child: Child) -> None:
        child.kill()
        self._ready.discard(child)
        if child is self._active:
            self._active = None

    def _await_ready(self, child: Child) -> None:
        if child in self._ready:
            return
        line = child.receive(READY_LIMIT_S)
        if line is None:
            self._drop(child)
            raise Failed("the sound worker did not start in time")
        self._ready.add(child)

    def _expect(self, child: Child, word: str, limit_s: float, otherwise: str) -> str:
        """The rest of the reply `word` to the present request."""
        give_up_s = time.monotonic() + limit_s
        while True:
            line = child.receive(give_up_s - time.monotonic())
            if line is None:
                self._drop(child)
                raise Failed(otherwise)
            kind, number, rest = f"{line}  ".split(" ", 2)
            if number != str(self._number):
                continue
            if kind == word:
                return rest.strip()
            if kind == "failed":
                raise Failed(rest.strip())


class CommandBackend:
    """A player program of the system, one process a sound.

    It is given raw PCM on its stdin, or the path of a WAV file where
    `takes_file`.
    """

    def __init__(self, name: str, command: list[str], *, takes_file: bool, log: Path | None = None) -> None:
        self.name = name
        self._command = command
        self._takes_file = takes_file
        self._log = log
        self._child: Child | None = None

    def play(self, sound: Sound) -> None:
        if not self._takes_file:
            return self._play(sound, None)
        try:
            with tempfile.TemporaryDirectory(prefix="guard-sound-") as folder:
                path = Path(folder) / "cue.wav"
                path.write_bytes(wavfile.as_bytes(sound.pcm))
                self._play(sound, path)
        except OSError as error:
            raise Failed(f"no room for a temporary file ({error.strerror})") from None

    def cut(self) -> None:
        child = self._child
        if child is not None:
            child.process.kill()

    def close(self) -> None:
        self.cut()

    def _play(self, sound: Sound, path: Path | None) -> None:
        began_s = time.monotonic()
        try:
            command = self._command if path is None else [*self._command, str(path)]
            child = self._child = Child(command, log=self._log)
        except ChildGone as error:
            raise Failed(str(error)) from None
        if sound.cut.is_set():
            child.kill()
            raise Cut
        if path is None:
            child.send(sound.pcm.tobytes())
        child.finish()
        try:
            give_up_s = began_s + sound.length_s + OVERTIME_S
            while child.receive(give_up_s - time.monotonic()) is not None:
                pass
            child.kill()
            raise Failed(f"{self.name} did not finish")
        except ChildGone:
            child.process.wait()
        finally:
            self._child = None
        if sound.cut.is_set():
            raise Cut
        if child.process.returncode:
            raise Failed(f"{self.name} gave up (exit {child.process.returncode})")
        _judge(sound, time.monotonic() - began_s)


class BellBackend:
    """The terminal's bell: no meaning but a count, yet better than silence."""

    name = "bell"

    def play(self, sound: Sound) -> None:
        try:
            # Not blocking: a terminal held with Ctrl-S must not hold the guard.
            terminal = os.open("/dev/tty", os.O_WRONLY | os.O_NOCTTY | getattr(os, "O_NONBLOCK", 0))
        except OSError:
            raise Failed("there is no terminal to ring") from None
        try:
            for _ in range(sound.rings):
                with contextlib.suppress(BlockingIOError):
                    os.write(terminal, b"\a")
                if sound.cut.wait(_BELL_GAP_S):
                    raise Cut
        except OSError:
            raise Failed("the terminal is gone") from None
        finally:
            os.close(terminal)

    def cut(self) -> None:
        """Nothing to do: `play` watches the sound's own flag."""

    def close(self) -> None:
        """Nothing is held."""


def fallbacks(log: Path | None = None) -> list[Backend]:
    """What is left without the worker, best first: players of the system, then the bell."""
    found: list[Backend] = [CommandBackend(name, command, takes_file=False, log=log)
                            for name, command in worker.system_players(RATE_HZ).items()]
    for name in ("pw-play", "afplay"):
        if path := shutil.which(name):
            found.append(CommandBackend(name, [path], takes_file=True, log=log))
    if sys.platform != "win32":
        found.append(BellBackend())
    return found


def _judge(sound: Sound, heard_s: float) -> None:
    if sound.length_s >= _JUDGED_FROM_S and heard_s < _HEARD_SHARE * sound.length_s:
        raise Failed("the sound ended too early: its device or sound service has gone")
