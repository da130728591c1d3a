"""The review of a session: every figure in one place, ready for the terminal, a page or JSON.

What was said is taken from the log; where the log says nothing (an import) it is
what the guard would have said. Levels and totals come from going through the
readings again (`review_trace`).
"""

import dataclasses
from dataclasses import dataclass
from typing import Any

from guard.events import CueGiven, Mark, Output, Reading, ReadingDoubted, Summary
from guard.log.note import Note, notes_of
from guard.log.recording import Recording
from guard.replay.replay import plan_of
from guard.review.advice import MainCause, advice
from guard.review.cues import CueOutcome, outcomes
from guard.review.drift import Drift, drift
from guard.review.parts import PartFigures, by_part, whole
from guard.review.recovery import Recovery, recoveries
from guard.review.rr import RRFigures, rr_figures
from guard.review.signal import Signal, signal
from guard.review.trace import Trace, trace_of
from guard.session.tally import Tally
from guard.settings import Settings


@dataclass(frozen=True)
class Review:
    """All figures of one session; `trace` is what a picture is drawn from.

    `said` tells whether the cues are those of the log or those the guard would
    have given. `summary` holds the totals as the end of a session shows them.
    `marks` are (t_s, text) the runner set.
    """

    settings: Settings
    started: str
    source: str
    invented: bool
    duration_s: float
    summary: Summary
    whole: PartFigures | None
    parts: tuple[PartFigures, ...]
    said: bool
    cues: tuple[CueOutcome, ...]
    marks: tuple[tuple[float, str], ...]
    recoveries: tuple[Recovery, ...]
    drift: Drift
    signal: Signal
    rr: RRFigures | None
    notes: tuple[Note, ...]
    remarks: tuple[str, ...]
    trace: Trace
    advice: MainCause | None

    def as_dict(self) -> dict[str, object]:
        """JSON-ready, format 1; numbers to 3 decimals."""
        result = {
            "format": 1,
            "started": self.started or None,
            "source": self.source,
            "invented": self.invented,
            "settings": self.settings.as_dict(),
            "duration_s": self.duration_s,
            "summary": dict(self.summary),
            "parts": [{**dataclasses.asdict(part), "share_under": part.share_under} for part in self.parts],
            "cues_said": self.said,
            "cues": [cue.as_dict() for cue in self.cues],
            "marks": [{"t_s": t_s, "text": text} for t_s, text in self.marks],
            "recoveries": [{**dataclasses.asdict(one), "fell_bpm": one.fell_bpm} for one in self.recoveries],
            "drift": dataclasses.asdict(self.drift),
            "signal": {**dataclasses.asdict(self.signal), "trusted_share": self.signal.trusted_share},
            "rr": dataclasses.asdict(self.rr) if self.rr else None,
            "notes": [dataclasses.asdict(note) for note in self.notes],
            "remarks": list(self.remarks),
            "advice": dataclasses.asdict(self.advice) if self.advice else None,
        }
        rounded: dict[str, object] = _rounded(result)
        return rounded


def review(recording: Recording, settings: Settings) -> Review:
    """Review `recording` under `settings`, which must hold a ceiling (UsageError otherwise)."""
    trace, replayed, summary = trace_of(recording, settings, plan_of(recording))
    said = bool(recording.outputs)
    outputs: list[Output] = recording.outputs if said else list(replayed)
    cues = [item for item in outputs if isinstance(item, CueGiven)]
    doubts = [item for item in outputs if isinstance(item, ReadingDoubted)]
    doubted_s = frozenset(doubt.t_s for doubt in doubts)
    found, turned = drift(trace, settings.warm_up_s, settings.units), outcomes(trace, cues)
    source = recording.header.get("source")
    source = source if isinstance(source, dict) else {}
    return Review(
        settings=settings,
        started=str(recording.header.get("started") or ""),
        source=str(source.get("name") or source.get("kind") or source.get("file") or ""),
        invented=source.get("kind") == "practice",
        duration_s=float(summary["duration_s"]),
        summary=_summary(summary, cues),
        whole=whole(trace), parts=by_part(trace),
        said=said, cues=turned,
        marks=tuple((item.t_s, str(item.value or "")) for item in recording.inputs
                    if isinstance(item, Mark)),
        recoveries=recoveries(trace, cues if said else [], doubted_s),
        drift=found,
        signal=signal(trace, recording.inputs, doubts),
        rr=rr_figures((item for item in recording.inputs if isinstance(item, Reading)), doubted_s),
        notes=notes_of(recording),
        remarks=_remarks(recording, settings, said, float(summary["over_s"])),
        trace=trace,
        advice=advice(trace, turned, found, settings.warm_up_s, said=said))


def _summary(replayed: Summary, cues: list[CueGiven]) -> Summary:
    """The totals with the cues that were really given."""
    tally = Tally()
    tally.duration_s = float(replayed["duration_s"])
    for given in cues:
        tally.count_cue(given.cue)
    own = tally.summary()
    return {**replayed, "cues": own["cues"], "cues_per_h": own["cues_per_h"]}


def _remarks(recording: Recording, settings: Settings, said: bool, over_s: float) -> tuple[str, ...]:
    remarks = list(recording.notes)
    if not said:
        remarks.append("nothing was said in this recording: the cues are those the guard would have given, "
                       "and the runner never heard them")
    elif settings.replaced({"units": recording.settings.units}) != recording.settings:
        remarks.append("the cues are those given at the time, under other settings than this review")
    elif recording.summary and not recording.damaged:
        logged_s = recording.summary.get("over_s")
        if isinstance(logged_s, (int, float)) and abs(logged_s - over_s) > 1.0:
            remarks.append(f"at the time the session counted {logged_s:.0f} s over the ceiling, "
                           f"this version of the guard counts {over_s:.0f} s")
    return tuple(remarks)


def _rounded(value: Any) -> Any:
    if isinstance(value, float):
        return round(value, 3) if value == value else None
    if isinstance(value, dict):
        return {key: _rounded(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_rounded(item) for item in value]
    return value
