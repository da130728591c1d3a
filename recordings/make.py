"""Make the invented recordings again: `python recordings/make.py [FOLDER]`.

Each is a rehearsal without screen and sound: the practice runner of a scene
feeds a real session and hears its cues; what came in and what was said is
written by the log's own writer. Beside each log, NAME.expected.json holds the
settings, cues, states and summary a replay must give. The same code gives the
same files.
"""

from __future__ import annotations

import asyncio
import json
import sys
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))
from scenes import SCENES, Fault, Scene  # type: ignore[import-not-found]

from guard.clock import ManualClock
from guard.events import Action, Command, Cue, CueGiven, Input, Output, Reading, StateChanged
from guard.live.practice import PracticeSource
from guard.log.log import session_header, write_recording
from guard.packets.heart_rate import encode
from guard.plan.text import parse_plan
from guard.reasons import reason
from guard.replay.replay import Replay
from guard.session import Session
from guard.settings import Settings

STARTED = datetime(2026, 3, 2, 6, 10, tzinfo=UTC)  # invented like the rest
CONTACT_FOUND = 0b10  # of the flags of a Heart Rate Measurement


class Strap:
    """What the strap of a scene makes of its readings."""

    def __init__(self, scene: Scene) -> None:
        self._rng = np.random.default_rng([scene.seed, 11])
        self._faults = scene.faults
        self._first_s: dict[Cue, float] = {}
        self._last: Reading | None = None

    def hear(self, given: CueGiven) -> None:
        """Some faults begin when something was cued."""
        self._first_s.setdefault(given.cue, given.t_s)

    def worn(self, reading: Reading) -> Reading | None:
        """The reading as it arrives; None: it does not."""
        luck = float(self._rng.random())
        for fault in self._faults:
            begin_s = fault.begin_s + (self._first_s.get(fault.after, np.inf) if fault.after else 0.0)
            into_s = reading.t_s - begin_s
            if 0.0 <= into_s < fault.lasts_s and luck < fault.share:
                return self._spoilt(fault, reading, into_s)
        self._last = reading
        return reading

    def _spoilt(self, fault: Fault, reading: Reading, into_s: float) -> Reading | None:
        if fault.kind == "nothing":
            return None
        if fault.kind == "no contact":
            raw = bytes((reading.raw[0] & ~CONTACT_FOUND,)) + reading.raw[1:]
            return replace(reading, contact=False, raw=raw)
        bpm = reading.bpm
        if fault.kind == "frozen" and self._last:
            bpm = self._last.bpm
        elif fault.kind == "spike":
            bpm = int(np.clip(bpm + fault.bpm, 30, 240))
        elif fault.kind == "low":
            part = min(into_s / fault.within_s, 1.0)
            bpm = round(bpm + part * (fault.bpm + float(self._rng.normal()) - bpm))
        return replace(reading, bpm=bpm, rr_s=(), raw=encode(bpm, contact=True, rr_s=()))


def record(name: str, path: Path) -> Replay:
    """Run the scene `name` and write its log to `path`; returns all that was said."""
    scene: Scene = SCENES[name]
    course = scene.course
    settings = Settings().replaced(course.settings)
    plan = parse_plan(scene.plan, name, settings) if scene.plan else None
    source, strap, session = PracticeSource(course, scene.seed), Strap(scene), Session(settings, plan)
    waiting, answers = list(scene.events), list(scene.answers)
    items, said = list[Input | Output](), list[Output]()
    missed = list(scene.misses)

    def take(event: Input) -> None:
        event = session.admit(event)
        outputs = session.feed(event)
        items.extend(item for item in outputs if item.t_s < event.t_s)
        items.append(event)
        items.extend(item for item in outputs if item.t_s >= event.t_s)
        said.extend(outputs)
        for item in outputs:
            if not isinstance(item, CueGiven):
                continue
            strap.hear(item)
            for command in [answer for cue, answer in answers if cue is item.cue]:
                waiting.append(replace(command, t_s=item.t_s + command.t_s))
            answers[:] = [answer for answer in answers if answer[0] is not item.cue]
            if item.cue in missed:
                missed.remove(item.cue)
            else:
                source.hear(item)

    def put(event: Input) -> None:
        while waiting and (first := min(waiting, key=lambda one: one.t_s)).t_s <= event.t_s:
            waiting.remove(first)
            take(first)
        arrived = strap.worn(event) if isinstance(event, Reading) else event
        if arrived is not None:
            take(arrived)

    asyncio.run(source.run(ManualClock(), put))
    take(Command(course.duration_s, Action.QUIT, "ended"))
    header = session_header(
        settings, started=STARTED, clock_trusted=False, source=source.about,
        plan=plan.as_dict() if plan else None)
    write_recording(path, header, items, summary=session.summary(), force=True)
    path.chmod(0o644)
    return Replay(settings, tuple(said), session.summary())


def write_expected(said: Replay, path: Path) -> None:
    """What a replay must print; states and cues with their times and reasons."""
    text = json.dumps(said.as_dict(), indent=2, ensure_ascii=False)
    path.write_text(text + "\n", encoding="utf-8", newline="\n")


def make(name: str, folder: Path) -> Replay:
    """Both files of the scene `name` in `folder`."""
    said = record(name, folder / f"{name}.jsonl")
    write_expected(said, folder / f"{name}.expected.json")
    return said


def main() -> int:
    """Write every recording beside this file, or into the folder named, and say what is in it."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).resolve().parent
    for name in SCENES:
        said = make(name, folder)
        print(f"{name}.jsonl: {len(said.cues)} cues")
        for item in said.outputs:
            if isinstance(item, CueGiven):
                speed = item.advised_speed_m_s
                to = "" if speed is None else f" (to {speed * 3.6:.1f} km/h)"
                print(f"  {item.t_s:7.1f} s  {item.cue.key:12s} {reason(item)}{to}")
            elif isinstance(item, StateChanged):
                print(f"  {item.t_s:7.1f} s    [{item.state.key}] {reason(item)}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
