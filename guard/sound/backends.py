"""The ways a sound can leave the machine, each behind the same small face.

`play` blocks until the sound was heard and raises `Failed` when it was not;
`cut`, from any thread, ends the sound it names at once (its `play` then raises
`Cut`) and never the one after it.
"""

import contextlib
import os
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

from guard.sound import wavfile, worker
from guard.sound.child import Child, ChildGone
from guard.sound.tones import RATE_HZ, TONE_TO_SPEECH, Pcm

# How much longer than its sound a player may take before it counts as stuck.
OVERTIME_S = 1.0
# A device that vanishes mid-sound raises nothing: the sound only ends too early.
_HEARD_SHARE = 0.6
_JUDGED_FROM_S = 0.3  # a shorter sound is not judged
_BELL_GAP_S = 0.18  # between rings, to be heard as two
# Python on Windows plays a WAV file by itself; a process of its own can be cut like any player.
_WINSOUND = "import sys, winsound; winsound.PlaySound(sys.argv[1], winsound.SND_FILENAME)"


class Failed(Exception):
    """The sound was not heard, and why in our words; `raw` is what the library or player said."""

    def __init__(self, why: str, raw: str = "") -> None:
        super().__init__(why)
        self.raw = raw


class Cut(Exception):
    """The sound was ended by `cut`."""


@dataclass(slots=True)
class Sound:
    """PCM to play; `rings` is how often a bare bell would ring for it.

    `words` is its last part where it was put together from a tone, a gap and words.
    """

    pcm: Pcm
    rings: int = 0
    cut: threading.Event = field(default_factory=threading.Event)
    words: Pcm | None = None

    @property
    def pieces(self) -> tuple[tuple[int, Pcm], ...]:
        """Tone and words apart, each with the sample at which it begins: of those there are few."""
        if self.words is None:
            return ((0, self.pcm),)
        words_at = len(self.pcm) - len(self.words)
        return (0, self.pcm[:words_at - TONE_TO_SPEECH]), (words_at, self.words)

    @property
    def length_s(self) -> float:
        return len(self.pcm) / RATE_HZ


class Playing:
    """Which child plays which sound, so that a late cut cannot hit the next one."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._now: tuple[Sound, Child] | None = None

    def begin(self, sound: Sound, child: Child) -> None:
        """`child` is about to play `sound`; raises Cut when it was cut already."""
        with self._lock:
            if sound.cut.is_set():
                raise Cut
            self._now = (sound, child)

    def end(self) -> None:
        """From here on no cut ends that child."""
        with self._lock:
            self._now = None

    def cut(self, sound: Sound) -> None:
        """End `sound` where it plays, or before it begins."""
        with self._lock:
            sound.cut.set()
            if self._now is not None and self._now[0] is sound:
                self._now[1].process.kill()


class Backend(Protocol):
    """One way for sound to leave the machine."""

    name: str

    def play(self, sound: Sound) -> None: ...
    def cut(self, sound: Sound) -> None: ...
    def close(self) -> None: ...


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
        self._playing = Playing()

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

    def cut(self, sound: Sound) -> None:
        self._playing.cut(sound)

    def close(self) -> None:
        """Nothing is held between sounds."""

    def _play(self, sound: Sound, path: Path | None) -> None:
        began_s = time.monotonic()
        try:
            command = self._command if path is None else [*self._command, str(path)]
            child = Child(command, log=self._log)
        except ChildGone as error:
            raise Failed(f"{self.name} cannot be started", str(error)) from None
        try:
            self._playing.begin(sound, child)
            if path is None:
                child.send(sound.pcm.tobytes())
            child.finish()
            give_up_s = began_s + sound.length_s + OVERTIME_S
            while child.receive(give_up_s - time.monotonic()) is not None:
                pass
            raise Failed(f"{self.name} does not finish")
        except ChildGone:
            with contextlib.suppress(subprocess.TimeoutExpired):
                child.process.wait(OVERTIME_S)
        finally:
            self._playing.end()
            child.kill()
        if sound.cut.is_set():
            raise Cut
        if child.process.returncode:
            raise Failed(f"{self.name} cannot play", f"exit code {child.process.returncode}")
        judge(sound, time.monotonic() - began_s)


class BellBackend:
    """The terminal's bell: no meaning but a count, yet better than silence."""

    name = "bell"

    def play(self, sound: Sound) -> None:
        try:
            # Not blocking: a terminal held with Ctrl-S must not hold the guard.
            kind = getattr(os, "O_NOCTTY", 0) | getattr(os, "O_NONBLOCK", 0)  # Windows knows neither
            terminal = os.open("/dev/tty", os.O_WRONLY | kind)
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

    def cut(self, sound: Sound) -> None:
        sound.cut.set()

    def close(self) -> None:
        """Nothing is held."""


def fallbacks(log: Path | None = None) -> list[Backend]:
    """What is left without the worker, best first: players of the system, then the bell."""
    found: list[Backend] = [CommandBackend(name, command, takes_file=False, log=log)
                            for name, command in worker.system_players(RATE_HZ).items()]
    for name in ("pw-play", "afplay"):
        if path := shutil.which(name):
            found.append(CommandBackend(name, [path], takes_file=True, log=log))
    if sys.platform == "win32":
        found.append(CommandBackend("winsound", [sys.executable, "-c", _WINSOUND], takes_file=True, log=log))
    else:
        found.append(BellBackend())
    return found


def judge(sound: Sound, heard_s: float) -> None:
    """Raise Failed when a sound was over long before its time."""
    if sound.length_s >= _JUDGED_FROM_S and heard_s < _HEARD_SHARE * sound.length_s:
        raise Failed("the sound ended too early, its device or sound service has gone")
