"""Spoken parts, rendered ahead and kept on disk.

A part ("slow down please", "heart rate one forty two") is looked for among the
runner's own WAV files, then in the cache, and is rendered by the speech engine
only when neither has it, in the runner's own words where they gave any. The
cache name is a hash of everything that shapes the sound, so that a change of
voice or engine never plays an old file.
"""

import contextlib
import hashlib
import itertools
import json
import os
import queue
import shutil
import tempfile
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

import numpy as np

from guard.errors import Trouble
from guard.settings import Settings
from guard.sound import voice, wavfile
from guard.sound.child import Child, ChildGone, script_command
from guard.sound.languages.language import Language, language_of
from guard.sound.own_phrases import OwnPhrases
from guard.sound.tones import RATE_HZ, Pcm, silence
from guard.sound.wavfile import BadWav

START_LIMIT_S = 20.0  # a small board with a cold disk needs several
PHRASE_LIMIT_S = 5.0  # an engine that takes longer hangs (ours)
NOT_SPOKEN_AFTER = 2  # failures of one part before it is given up

_PART_GAP_S = 0.06  # between parts, as in speech
_QUIET = 300  # of 32,767: silence around a rendered phrase
_SPEECH_PEAK = 0.8  # of full scale, above the tones' 0.7
MOST_CACHED = 3_000  # phrases: a few voices' worth (ours)


class Phrases:
    """The runner's phrases as PCM; renders in a background thread.

    `on_note(trouble)` is told once about anything the runner should know (no
    voice, an unknown voice, a bad file of their own); it is called from the
    background thread.
    """

    def __init__(self, bank: Iterable[str], *, voice_name: str, rate_wpm: int, cache_dir: Path,
                 own_dir: Path | None, on_note: Callable[[Trouble], None], keep: int = 60) -> None:
        self._bank = list(bank)
        self._known = set(self._bank)
        self._always = set(self._bank[:keep])
        self._voice_name = voice_name
        self._rate_wpm = rate_wpm
        self._own = OwnPhrases(own_dir, self._note)
        self._on_note = on_note
        self._places = self._folders(cache_dir)
        self._folder: Path | None = None
        self._temporary: list[Path] = []
        self._child: Child | None = None
        self._engine = ""
        self._language: Language | None = None  # of the voice; None: English
        self._loaded: dict[str, Pcm] = {}
        self._paths: dict[str, Path] = {}
        self._failures: dict[str, int] = {}
        self._said: set[Trouble] = set()
        self._urgent = queue.SimpleQueue[tuple[tuple[str, ...], Callable[[], None] | None]]()
        self._wake = threading.Event()
        self._closing = False
        self.bank_done = threading.Event()
        self.voice_missing = ""
        self._thread = threading.Thread(target=self._work, name="sound-phrases", daemon=True)

    def start(self) -> None:
        """Begin rendering, the first of the bank first; returns at once."""
        self._thread.start()

    def close(self) -> None:
        """End the speech engine and remove temporary folders."""
        self._closing = True
        self._wake.set()
        child = self._child
        if child is not None:
            child.kill()
        if self._thread.ident is not None:
            self._thread.join(timeout=1.0)
        for folder in self._temporary:
            shutil.rmtree(folder, ignore_errors=True)

    def pcm(self, *parts: str) -> Pcm | None:
        """`parts` spoken one after the other, or None while one is not rendered yet."""
        spoken = self._leading(parts)
        return _joined(spoken) if len(spoken) == len(parts) else None

    def beginning(self, *parts: str) -> Pcm | None:
        """As many leading parts as are rendered; None without the first."""
        return _joined(self._leading(parts))

    def want(self, *parts: str, then: Callable[[], None] | None = None) -> None:
        """Render what `parts` lack before anything else, then call `then`.

        `then` is called from the background thread, and also when it failed.
        """
        self._urgent.put((parts, then))
        self._wake.set()

    def _leading(self, parts: tuple[str, ...]) -> list[Pcm]:
        return list(itertools.takewhile(lambda sound: sound is not None, map(self._part, parts)))  # type: ignore[arg-type]

    def _part(self, part: str) -> Pcm | None:
        if part in self._loaded:
            return self._loaded[part]
        path = self._paths.get(part)
        if path is None:
            return None
        try:
            return _trimmed(wavfile.read(path))
        except BadWav:
            self._paths.pop(part, None)
            self.want(part)
            return None

    def _work(self) -> None:
        try:
            self._own.read(self._known)
            self._start_voice()
            waiting = list(reversed(self._bank))
            while not self._closing:
                with contextlib.suppress(queue.Empty):
                    parts, then = self._urgent.get_nowait()
                    for part in parts:
                        self._provide(part)
                    if then is not None and not self._closing:
                        then()
                    continue
                if waiting:
                    self._provide(waiting.pop())
                    continue
                self.bank_done.set()
                self._wake.wait()
                self._wake.clear()
        finally:
            self.bank_done.set()

    def _provide(self, part: str) -> None:
        """Make `part` available from the runner's files, the cache or the engine."""
        if part in self._loaded or part in self._paths or self._failures.get(part, 0) >= NOT_SPOKEN_AFTER:
            return
        own = self._own.recording(part)
        if own is not None:
            try:
                return self._keep(part, own)
            except BadWav as error:
                self._note(Trouble(f"{own} cannot be played ({error})",
                                   "replace it with a PCM WAV file; the speech engine speaks instead"))
        while self._folder is not None:
            path = self._folder / self._cache_name(part)
            for attempt in range(NOT_SPOKEN_AFTER + 1):
                try:
                    return self._keep(part, path)
                except BadWav:
                    if self.voice_missing or self._closing or attempt == NOT_SPOKEN_AFTER:
                        break
                    self._render(part, path)
            if self.voice_missing or self._closing:
                return
            # A full or lost disk shows as failing renders: go on in another folder.
            if not self._next_folder():
                break
        self._failures[part] = NOT_SPOKEN_AFTER

    def _keep(self, part: str, path: Path) -> None:
        sound = wavfile.read(path)
        self._paths[part] = path
        if part in self._always:
            self._loaded[part] = _trimmed(sound)

    def _render(self, part: str, path: Path) -> None:
        """Ask the engine for one part; what it wrote is judged by the caller."""
        child = self._child or self._start_voice()
        if child is None:
            return
        unfinished = path.with_name(f".{path.stem}.{os.getpid()}.wav")
        try:
            with contextlib.suppress(OSError):
                unfinished.unlink(missing_ok=True)
            child.send(json.dumps({"text": self._worded(part), "path": str(unfinished)}).encode() + b"\n")
            if child.receive(PHRASE_LIMIT_S) is None:
                raise ChildGone("it took too long")
            wavfile.read(unfinished)
            unfinished.replace(path)
        except ChildGone:
            child.kill()
            self._child = None
        except (BadWav, OSError):
            pass  # the file is not there
        finally:
            with contextlib.suppress(OSError):
                unfinished.unlink(missing_ok=True)

    def _start_voice(self) -> Child | None:
        """Start the engine and learn what shapes its sound; None without a voice."""
        if self.voice_missing or self._closing:
            return None
        if self._folder is None and not self._next_folder():
            self._lose_voice("no folder can be written to: free disk space")
            return None
        try:
            child = Child(script_command(
                Path(voice.__file__), "--voice", self._voice_name, "--rate", str(self._rate_wpm)))
            self._child = child
            line = child.receive(START_LIMIT_S)
            greeting = json.loads(line) if line else {"missing": "it did not answer"}
        except (ChildGone, ValueError) as error:
            greeting = {"missing": f"the speech engine failed to start: {error}"}
        if "ready" not in greeting:
            if self._child is not None:
                self._child.kill()
            self._child = None
            if not self._closing:
                self._lose_voice(str(greeting.get("missing", "")))
            return None
        self._engine = f"{greeting['ready']} | {greeting['voice']}"
        self._language = language_of(greeting["voice"])
        if greeting.get("note") == voice.NO_SUCH_VOICE:
            self._note(Trouble(f"the speech engine has no voice {self._voice_name!r}, its default speaks",
                               "`guard settings voice=en-us` takes the English one"))
        return self._child

    def _lose_voice(self, why: str) -> None:
        self.voice_missing = why or "unknown reason"
        self._note(Trouble(f"no voice, tones only ({why})", "install eSpeak NG "
                           "(Debian, Raspberry Pi OS: sudo apt install libespeak-ng1)"))

    def _next_folder(self) -> bool:
        """Move to the next folder that can be written to, making one if need be."""
        for folder in self._places:
            if writable(folder):
                self._folder = folder
                prune(folder)
                return True
        return False

    def _folders(self, cache_dir: Path) -> Iterator[Path]:
        """Where phrases may lie: in the cache, in a temporary folder, in one in memory."""
        yield cache_dir / "phrases"
        for places in ((), ("/dev/shm",)):
            if (folder := temporary_folder(places)) is not None:
                self._temporary.append(folder)
                yield folder

    def _worded(self, part: str) -> str:
        """The words for `part`: the runner's own, else those of the voice's language."""
        return self._own.words(part, self._language.say(part) if self._language else None)

    def _cache_name(self, part: str) -> str:
        key = json.dumps([self._worded(part), self._engine, self._voice_name, self._rate_wpm,
                          "volume 1.0", RATE_HZ])
        return hashlib.sha256(key.encode()).hexdigest()[:32] + ".wav"

    def _note(self, trouble: Trouble) -> None:
        if trouble not in self._said:
            self._said.add(trouble)
            self._on_note(trouble)


def _joined(sounds: list[Pcm]) -> Pcm | None:
    gap = silence(_PART_GAP_S)
    return np.concatenate([piece for sound in sounds for piece in (sound, gap)][:-1]) if sounds else None


def _trimmed(sound: Pcm) -> Pcm:
    """Without the silence around it, at the level of all speech."""
    loud = np.flatnonzero(np.abs(sound.astype(np.int32)) > _QUIET)
    if not len(loud):
        return sound
    margin = round(0.02 * RATE_HZ)
    cut = sound[max(loud[0] - margin, 0):loud[-1] + margin].astype(np.float64)
    level: Pcm = np.round(cut * (_SPEECH_PEAK * 32_767 / np.abs(cut).max())).astype(np.int16)
    return level


def phrases_for(settings: Settings, bank: Iterable[str], cache_dir: Path, own_dir: Path | None,
                on_note: Callable[[Trouble], None]) -> Phrases:
    """`bank` in the voice of the settings, not started yet."""
    return Phrases(bank, voice_name=settings.voice, rate_wpm=settings.speech_rate_wpm,
                   cache_dir=cache_dir, own_dir=own_dir, on_note=on_note)


def writable(folder: Path) -> bool:
    """Whether a file can be made in `folder`, which is made if need be."""
    probe = folder / f".try-{os.getpid()}"
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        probe.write_bytes(b"x")
        probe.unlink()
    except OSError:
        return False
    return True


def temporary_folder(places: Iterable[str]) -> Path | None:
    """A new folder in the first of `places` that takes one, else where temporary files go."""
    for place in (*places, None):
        with contextlib.suppress(OSError):
            return Path(tempfile.mkdtemp(prefix="guard-phrases-", dir=place))
    return None


def prune(folder: Path) -> None:
    """Drop unfinished files of earlier runs and the oldest beyond a bound."""
    hour_ago_s = time.time() - 3_600
    with contextlib.suppress(OSError):
        for path in folder.glob(".*.wav"):
            if path.stat().st_mtime < hour_ago_s:
                path.unlink(missing_ok=True)
        kept = sorted(folder.glob("*.wav"), key=lambda path: path.stat().st_mtime, reverse=True)
        for path in kept[MOST_CACHED:]:
            path.unlink(missing_ok=True)
