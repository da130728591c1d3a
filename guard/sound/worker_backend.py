"""The quickest way out: simpleaudio in a process of its own, with a warm spare beside it."""

import contextlib
import os
import re
import time
from pathlib import Path

from guard.sound import worker
from guard.sound.backends import OVERTIME_S, Cut, Failed, Playing, Sound, judge
from guard.sound.child import Child, ChildGone, script_command
from guard.sound.tones import RATE_HZ, Pcm, silence

STARTED_LIMIT_S = 1.0  # a device that answers later hangs (ours)
READY_LIMIT_S = 1.5  # likewise, to be opened (ours)

# What the audio library's own words mean, by the error number in them (errno(3)).
_OPENING_FAILED = "the sound device cannot be opened"
_MEANINGS = {
    2: "no sound device is set up",  # ENOENT
    13: "the sound device may not be used by this user",  # EACCES
    16: "the sound device is in use by another program",  # EBUSY
    19: "there is no such sound device",  # ENODEV
    32: "the sound service has gone",  # EPIPE
    104: "the sound service has gone",  # ECONNRESET
    110: "the sound service does not answer",  # ETIMEDOUT
    111: "the sound service does not answer",  # ECONNREFUSED
    112: "the sound service does not answer",  # EHOSTDOWN
}


def meaning(raw: str) -> str:
    """What an audio library's error text says, in our words."""
    if "not installed" in raw:
        return "the audio library simpleaudio is not installed"
    code = re.search(r"CODE: -(\d+)", raw)
    return _MEANINGS.get(int(code[1]), _OPENING_FAILED) if code else _OPENING_FAILED


class WorkerBackend:
    """simpleaudio behind a supervisor.

    A sound is cut by ending the process, the quickest way there is; the spare
    takes over and another is started behind it.
    """

    name = "simpleaudio"

    def __init__(self, log: Path | None = None) -> None:
        self._log = log
        self._active: Child | None = None
        self._spare: Child | None = None
        self._ready: set[Child] = set()
        self._playing = Playing()
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
                raise Failed("the sound worker ended by itself twice", str(error)) from None
        judge(sound, heard_s)

    def cut(self, sound: Sound) -> None:
        self._playing.cut(sound)

    def _try(self, sound: Sound) -> float:
        """Play once; returns how long it was heard, s.

        Raises Cut, Failed, or ChildGone when the worker ended by itself.
        """
        self._number += 1
        child = self._take_worker()
        self._playing.begin(sound, child)
        try:
            child.send(worker.message(worker.PLAY, self._number, RATE_HZ, sound.pcm.tobytes()))
            self._await_ready(child)
            self._expect(child, "started", STARTED_LIMIT_S, "the sound device does not answer")
            self._refill()
            return float(self._expect(child, "ended", sound.length_s + OVERTIME_S,
                                      "the sound device stopped answering"))
        except (ChildGone, Failed) as error:
            if isinstance(error, ChildGone):
                self._drop(child)
            if sound.cut.is_set():
                raise Cut from None
            raise
        finally:
            self._playing.end()
            if sound.cut.is_set():  # perhaps just after its end: then this child is dying too
                self._drop(child)

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
                raise Failed(meaning(rest), rest.strip())
