"""Cues to sound: what to play first, what to cut, by which way, and its health.

One conductor thread plays one sound at a time. Callers only put a job on a
short list and, where the new sound matters more, end the present one.
"""

import os
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from guard.decide.wording import GUARD_STOPPED, phrase_bank, spoken
from guard.events import Cue, CueGiven
from guard.settings import Settings
from guard.sound import tones
from guard.sound.backends import Backend, BellBackend, Cut, Failed, Sound, fallbacks
from guard.sound.elsewhere import HEARD_AGAIN, PAGE_LOST, SERVICE_SILENT, Elsewhere, prepare, tones_and
from guard.sound.health import OFF, Health
from guard.sound.phrases import Phrases, phrases_for
from guard.sound.tones import Pcm, silence
from guard.sound.worker_backend import WorkerBackend

SWITCH = "GUARD_SOUND"
SOUND_DEBUG_FILE = "sound-debug.log"  # what sound libraries say in their own words, in the cache folder
STALE_S = 3.0  # a cue that comes later than this is no longer true
GOODBYE_LIMIT_S = 5.0  # longer than any phrase

_SAID, _TICKED, _PROBE = 0, -1, -2  # below every cue's rank

_PROBE_S = 0.05  # of silence, to try a way out


def why_off(settings: Settings) -> str:
    """Why no sound is to be made, empty when it is."""
    if os.environ.get(SWITCH, "").strip().lower() == "off":
        return f"sound is off ({SWITCH}=off)"
    return "" if settings.sound else "sound is off (setting sound)"


@dataclass(eq=False, slots=True)
class _Job:
    rank: int
    cue: Cue = Cue.NONE
    parts: tuple[str, ...] = ()
    born_s: float = field(default_factory=time.monotonic)
    sound: Sound | None = None
    dropped: bool = False


class Sounder:
    """Plays cues; no method but `close` takes longer than a few milliseconds.

    `on_health(backend, detail)` is called from a background thread: once the
    first way out is found, whenever it changes ("none" when there is no way,
    "off" when sound is switched off), and once for anything about the voice.
    `own_phrases` is a folder of the runner's own WAV files, named by the words
    they replace (`slow-down-please.wav`). Sounds go `elsewhere` too, or there
    first with `sound_out` "page".
    """

    def __init__(self, settings: Settings, *, cache_dir: Path, on_health: Callable[[str, str], None],
                 own_phrases: Path | None = None, elsewhere: Elsewhere | None = None) -> None:
        self._settings = settings
        self._off = why_off(settings)
        log = cache_dir / SOUND_DEBUG_FILE
        self._worker = WorkerBackend(log)
        self._backends: list[Backend] = [self._worker, *fallbacks(log)]
        self._elsewhere = elsewhere
        self._beside = elsewhere if settings.sound_out == "both" else None
        if elsewhere is not None:
            # First, or where nothing of this machine is left but the bell.
            bells = [way for way in self._backends if isinstance(way, BellBackend)]
            at = len(self._backends) - len(bells) if self._beside else 0
            self._backends.insert(at, elsewhere)
            elsewhere.on_change = self.look_again
        self._health = Health(self._backends, on_health, log)
        self._phrases: Phrases | None = None
        if settings.speech != "tones":
            bank = [*phrase_bank(settings), *((SERVICE_SILENT, HEARD_AGAIN, PAGE_LOST) if elsewhere else ())]
            self._phrases = phrases_for(
                settings, bank, cache_dir, own_phrases,
                lambda trouble: self._health.note(str(trouble)))
        self._through: Backend | None = None  # by which way the last sound went
        self._muted = False
        self._closing = False
        self._change = threading.Condition()
        self._jobs: list[_Job] = []
        self._current: tuple[_Job, Backend] | None = None
        self._thread = threading.Thread(target=self._conduct, name="sound", daemon=True)

    def start(self) -> None:
        """Begin: workers, the first try of the device, rendering of phrases."""
        if self._off:
            threading.Thread(target=self._health.tell, args=(OFF, self._off), daemon=True).start()
            return
        self._thread.start()
        if self._phrases is not None:
            self._phrases.want(GUARD_STOPPED, then=self._set_last_words)
            self._phrases.start()
        if self._elsewhere is not None:
            prepare(self._elsewhere, self._phrases, self._settings)

    def cue(self, given: CueGiven) -> None:
        """Sound a cue: its tone, then its words as the speech setting says."""
        if given.cue is Cue.NONE or (self._muted and given.cue.about.mutable):
            return
        self._submit(_Job(given.cue.about.rank, given.cue, spoken(given, self._settings)))

    def say(self, *parts: str) -> None:
        """Speak `parts` (status on demand); dropped when muted or without a voice."""
        if not self._muted and self._phrases is not None:
            self._submit(_Job(_SAID, parts=parts))

    def look_again(self) -> None:
        """A way out has come or gone: find out which one works now, and tell."""
        self._submit(_Job(_PROBE))

    def tick(self) -> None:
        """The all's-well tick; left out while anything else sounds."""
        with self._change:
            busy = bool(self._jobs) or self._current is not None
        if not busy and not self._muted:
            self._submit(_Job(_TICKED))

    def mute(self, on: bool) -> None:
        """Only stop, signal lost and signal back sound while `on`."""
        self._muted = on
        with self._change:
            if not on:
                return
            self._jobs = [job for job in self._jobs if not job.cue.about.mutable]
            if self._current is not None and self._current[0].cue.about.mutable:
                self._cut_current()

    def close(self, goodbye: str | None = None) -> None:
        """Say `goodbye` if there is one and end; may take 5 s, else under 2 s.

        The only method that waits: call it in a thread if a loop must go on.
        """
        if self._off or self._thread.ident is None:
            if self._elsewhere is not None:
                self._elsewhere.close()
            return
        if goodbye and not self._muted and self._phrases is not None:
            job = _Job(_SAID, parts=(goodbye,))
            self._submit(job)
            with self._change:
                self._change.wait_for(lambda: job.dropped, timeout=GOODBYE_LIMIT_S)
        with self._change:
            self._closing = True
            self._cut_current()
            self._change.notify_all()
        self._thread.join(timeout=1.0)
        if self._phrases is not None:
            self._phrases.close()
        for backend in self._backends:
            backend.close()

    def _submit(self, job: _Job) -> None:
        if self._off or self._closing:
            return
        with self._change:
            for queued in self._jobs:
                queued.dropped |= job.cue.undoes(queued.cue)
            self._jobs = [queued for queued in self._jobs if not queued.dropped]
            self._jobs.append(job)
            if self._current is not None:
                playing = self._current[0]
                if job.rank > playing.rank or job.cue.undoes(playing.cue):
                    self._cut_current()
            self._change.notify_all()

    def _cut_current(self) -> None:
        if self._current is not None:
            job, backend = self._current
            if job.sound is not None:
                backend.cut(job.sound)
                if self._beside is not None:
                    self._beside.cut(job.sound)

    def _conduct(self) -> None:
        self._worker.set_last_words(tones.stopped(self._settings.volume))
        self._worker.start()
        while (job := self._next()) is not None:
            sound = self._sound_of(job)
            if sound is None:
                continue
            job.sound = sound
            self._perform(job, sound)
            with self._change:
                job.dropped = True
                self._change.notify_all()

    def _next(self) -> _Job | None:
        """The job that matters most; a probe of a lost way out when idle; None at the end."""
        with self._change:
            while not self._closing:
                now_s = time.monotonic()
                for job in self._jobs:
                    job.dropped |= now_s - job.born_s > STALE_S
                self._jobs = [job for job in self._jobs if not job.dropped]
                if self._jobs:
                    job = max(self._jobs, key=lambda job: (job.rank, -job.born_s))
                    self._jobs.remove(job)
                    return job
                probe_s = self._health.probe_due_s()
                if probe_s is not None and now_s >= probe_s:
                    self._health.probing()
                    return _Job(_PROBE)
                self._change.wait(None if probe_s is None else probe_s - now_s)
        return None

    def _sound_of(self, job: _Job) -> Sound | None:
        """What to play for `job`; None when it must first be rendered."""
        volume = self._settings.volume
        if job.rank == _PROBE:
            return Sound(silence(_PROBE_S))
        if job.rank == _TICKED:
            return Sound(tones.tick(volume))
        speech = self._speech(job)
        if job.cue is Cue.NONE:
            if speech is None and self._phrases is not None:
                self._phrases.want(*job.parts, then=lambda: self._submit_if_spoken(job))
            return Sound(tones.scaled(speech, volume)) if speech is not None else None
        return tones_and(tones.tone(job.cue, volume), speech, volume, len(tones.PATTERNS[job.cue]))

    def _speech(self, job: _Job) -> Pcm | None:
        if self._phrases is None or not job.parts:
            return None
        spoken = self._phrases.pcm(*job.parts)
        if spoken is None and job.cue is not Cue.NONE:
            # A cue never waits: say what is there, have the rest by next time.
            self._phrases.want(*job.parts)
            spoken = self._phrases.beginning(*job.parts)
        return spoken

    def _submit_if_spoken(self, job: _Job) -> None:
        if self._phrases is not None and self._phrases.pcm(*job.parts) is not None:
            self._submit(job)
        else:
            with self._change:
                job.dropped = True
                self._change.notify_all()

    def _perform(self, job: _Job, sound: Sound) -> None:
        """Play by the best way that works, going down the list as ways fail."""
        if self._beside is not None and job.rank != _PROBE:
            self._beside.begin(sound)
        for index, backend in enumerate(self._backends):
            if not self._health.usable(index) and job.rank != _PROBE:
                continue
            with self._change:
                if self._closing or self._outranked(job):
                    return
                self._current = (job, backend)
            try:
                backend.play(sound)
            except Cut:
                return
            except Failed as error:
                self._health.lost(index, error)
            else:
                self._health.works(index)
                self._went_through(backend)
                return
            finally:
                with self._change:
                    self._current = None
            if job.rank > _PROBE and time.monotonic() - job.born_s > STALE_S:
                break
        self._health.unsettled()

    def _went_through(self, backend: Backend) -> None:
        """Who listens elsewhere must learn, here, that it is silent there."""
        before, self._through = self._through, backend
        if before is not None and before is self._elsewhere and backend is not before:
            self.say(PAGE_LOST)

    def _outranked(self, job: _Job) -> bool:
        return any(queued.rank > job.rank or queued.cue.undoes(job.cue) for queued in self._jobs)

    def _set_last_words(self) -> None:
        if self._phrases is None:
            return
        spoken = self._phrases.pcm(GUARD_STOPPED)
        if spoken is not None:
            volume = self._settings.volume
            self._worker.set_last_words(tones.with_speech(tones.stopped(volume), spoken, volume))
