"""Recordings of invented tests, made by a real session that follows a real plan."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from guard.events import Reading
from guard.log.log import SessionLog, session_header
from guard.plan.examples import EXAMPLES
from guard.plan.text import parse_plan
from guard.session import Session
from guard.settings import Settings

WOBBLE_BPM = (0, 1, -1)  # without it the guard would doubt the value as frozen, and rightly


def record(path: Path, bpm: Callable[[float], float], seconds: int, *, plan_name: str | None) -> Path:
    """A log of `seconds` with a reading every two seconds."""
    settings = Settings(ceiling_bpm=200)
    plan = parse_plan(EXAMPLES[plan_name], plan_name, settings) if plan_name else None
    session = Session(settings, plan)
    header = session_header(settings, started=datetime(2026, 3, 2, tzinfo=UTC), clock_trusted=True,
                            plan=plan.as_dict() if plan else None, source={"kind": "test"})
    log = SessionLog(path, header)
    for t in range(2, seconds, 2):
        reading = Reading(float(t), round(bpm(t)) + WOBBLE_BPM[t // 2 % 3], contact=True)
        for output in session.feed(reading):
            log.write(output)
        log.write(reading)
    log.close(session.summary())
    return path


def changed(log: Path, path: Path, reading: Callable[[float, int], int | None]) -> Path:
    """A copy of `log` at `path` whose readings are what `reading` makes of time and bpm; None drops one."""
    kept = []
    for line in log.read_text().splitlines():
        record_ = json.loads(line)
        if record_.get("type") == "reading":
            record_["bpm"] = reading(record_["t"], record_["bpm"])
        if record_.get("bpm", 0) is not None:
            kept.append(json.dumps(record_))
    path.write_text("\n".join(kept) + "\n")
    return path


def marked(log: Path, path: Path, *marks_s: float) -> Path:
    """A copy of `log` at `path` in which the runner pressed the mark key at each of `marks_s`."""
    lines = log.read_text().splitlines(keepends=True)
    for t_s in marks_s:
        later = next(place for place, line in enumerate(lines)
                     if json.loads(line).get("type") == "reading" and json.loads(line)["t"] > t_s)
        lines.insert(later, json.dumps({"t": t_s, "type": "mark", "value": None}) + "\n")
    path.write_text("".join(lines))
    return path
