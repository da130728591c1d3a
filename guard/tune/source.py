"""The recordings to tune on: read where the work is done, and kept only as what tuning needs of them."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Self

from guard.errors import UsageError
from guard.events import Cue, CueGiven
from guard.log.recording import Recording, log_bytes, parse_log
from guard.response.series import Stretch, stretches
from guard.settings import Settings
from guard.tune.runners import Way, way_of
from guard.tune.tape import Tape, tape_of

Span = tuple[float, float]

CHOSEN_SHARE = 2.0 / 3.0  # of the recordings; the last third judges


@dataclass(frozen=True)
class TunedRecording:
    """A recording with the limits it is judged by."""

    name: str
    recording: Recording
    settings: Settings

    def read(self) -> Self:
        """Itself."""
        return self


@dataclass(frozen=True)
class LoggedRun:
    """A log file, judged by its own limits, or by `ceiling_bpm` where that was typed.

    Handed to another process it goes as its bytes, so nobody else need see the file.
    """

    name: str
    present: Settings
    ceiling_bpm: float | None = None
    data: bytes | None = None

    def __reduce__(self) -> tuple[Any, ...]:
        return LoggedRun, (self.name, self.present, self.ceiling_bpm, self._bytes())

    def _bytes(self) -> bytes:
        return log_bytes(self.name) if self.data is None else self.data

    def read(self) -> TunedRecording:
        """The recording with its limits; InputError where it cannot be read, UsageError without a ceiling."""
        recording = parse_log(self.name, self._bytes())
        limits: dict[str, Any] = {
            key: getattr(recording.settings, key) for key in ("ceiling_bpm", "floor_bpm", "stop_bpm")}
        ceiling = self.ceiling_bpm or limits["ceiling_bpm"] or self.present.ceiling_bpm
        if ceiling is None:
            raise UsageError(f"{self.name} has no ceiling: add --ceiling BPM; `guard ceiling` finds yours")
        if limits["ceiling_bpm"] != ceiling:
            limits = {"floor_bpm": None, "stop_bpm": None}
        return TunedRecording(self.name, recording, self.present.replaced({**limits, "ceiling_bpm": ceiling}))


@dataclass(frozen=True)
class SpanGround:
    """What a span of a recording tells of the runner and the way."""

    stretches: list[Stretch]
    way: Way


@dataclass(frozen=True)
class ReadRecording:
    """One recording as tuning needs it; `started` is the header's, `grounds` by span."""

    name: str
    started: str
    end_s: float
    notes: tuple[str, ...]
    tape: Tape
    grounds: dict[Span, SpanGround]


def take(one: TunedRecording | LoggedRun, with_ground: bool, halves: bool) -> ReadRecording:
    """Read a recording; with its ground or without, of the whole or of two parts."""
    source = one.read()
    recording = source.recording
    tape = tape_of(source.name, recording, source.settings)
    grounds = {span: _ground(source, span) for span in spans(recording.end_s, halves)} if with_ground else {}
    return ReadRecording(source.name, str(recording.header.get("started") or ""), recording.end_s,
                         recording.notes, tape, grounds)


def spans(end_s: float, halves: bool) -> Sequence[Span]:
    """The whole, or the first two thirds and the last, of the time."""
    cut = CHOSEN_SHARE * end_s
    return ((0.0, cut), (cut, end_s)) if halves else ((0.0, end_s),)


def _ground(source: TunedRecording, span: Span) -> SpanGround:
    recording, (begin, end) = source.recording, span
    said = {one.cue for one in recording.outputs if isinstance(one, CueGiven)}
    inputs = [event for event in recording.inputs if begin <= event.t_s <= end]
    ceiling = source.settings.ceiling_bpm
    assert ceiling is not None
    return SpanGround(stretches(inputs, steered=bool(said & {Cue.EASE, Cue.WALK, Cue.RESUME})),
                  way_of(recording.inputs, ceiling, begin, end))
