"""What a list of sessions needs to know of one log, found without reading every line of it.

A log that was closed tells its totals in its last line, so only a broken or
interrupted one is read as a whole and its totals worked out anew.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from guard.errors import GuardError, printable
from guard.events import Clock, Cue, Mark
from guard.files.cache import rebuilt
from guard.log.recording import Recording, log_bytes, parted, read_log
from guard.log.records import LONGEST_SESSION_S, Record, from_line, from_record

LONGEST_WORKED_OUT_S = 24 * 3600.0  # a longer interrupted log is a damaged time (ours)
LEAST_INPUT_EVERY_S = 60.0  # on average, else nearly all of it is silence (ours)
MOST_MARKS = 200  # of a log that are listed (ours)
LONGEST_TEXT = 200  # characters of anything listed (ours)
_CUES = {cue.key for cue in Cue}
_TAIL = 4096  # bytes; the end line is far shorter


@dataclass(frozen=True)
class SessionFacts:
    """One log in short; JSON-ready by `asdict`, back by `facts_from`.

    `started` is ISO 8601 with offset, None where no clock could tell;
    `clock_trusted` whether it can be believed. `summary` holds what the end
    line says (see `replay/README.md`), or what was worked out for an interrupted
    session, empty where there is none. `kind` is the source's (`strap`,
    `practice`, `csv`). `notes` say what is torn or missing; `problem` why the
    file is no session log at all (the other fields are then empty).
    """

    started: str | None = None
    clock_trusted: bool = False
    duration_s: float = 0.0
    ceiling_bpm: float | None = None
    kind: str = ""
    source: str = ""
    plan: str = ""
    has_speed: bool = False
    interrupted: bool = False
    marks: tuple[str, ...] = ()
    summary: Mapping[str, object] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    problem: str = ""


def facts_of(path: Path) -> SessionFacts:
    """The facts of the log at `path`; never raises, `problem` says what is wrong."""
    try:
        return _facts(path)
    except GuardError as error:
        return SessionFacts(problem=printable(error))


def facts_from(stored: object) -> SessionFacts:
    """Facts from `asdict`, by way of JSON; ValueError when they are not of this form."""
    facts = rebuilt(SessionFacts, stored)
    if facts.started is not None and datetime.fromisoformat(facts.started).tzinfo is None:
        raise ValueError("a start without its offset")
    if facts.summary != _checked(facts.summary):
        raise ValueError("a summary that cannot be")
    return facts


def _facts(path: Path) -> SessionFacts:
    header, body = parted(path, log_bytes(path))
    started, trusted = _started(header, body)
    source, plan = header.get("source"), header.get("plan")
    common: dict[str, Any] = {
        "started": started, "clock_trusted": trusted,
        "ceiling_bpm": _ceiling(header),
        "kind": _text(source, "kind"), "source": _text(source, "name") or _text(source, "file"),
        "plan": _text(plan, "name"),
        "has_speed": b'"speed_m_s":' in body,
        "marks": _marks(body),
    }
    end = _end(body)
    if end is not None:
        summary, t_s = end
        whole_s = summary.get("duration_s")
        return SessionFacts(**common, duration_s=whole_s if isinstance(whole_s, int | float) else t_s,
                            summary=summary)
    recording = read_log(path)
    summary = _checked(recording.summary) if recording.summary else {}
    if not summary and recording.interrupted:
        summary = _worked_out(recording)
    return SessionFacts(**common, duration_s=recording.end_s, summary=summary,
                 interrupted=recording.interrupted, notes=tuple(map(_shown, recording.notes)))


def _end(body: bytes) -> tuple[Record, float] | None:
    """Summary and time of the end line, where the log has one as its last line."""
    last = body[-_TAIL:].rstrip(b"\n")
    cut = last.rfind(b"\n")
    if not body.endswith(b"\n") or (cut < 0 and len(body) > _TAIL):
        return None
    try:
        record = from_line(last[cut + 1:])
    except ValueError:
        return None
    t_s = record.get("t")
    if record.get("type") != "end" or not _is_number(t_s) or b"\0" in body:
        return None
    return _checked(record.get("summary")), float(t_s)  # type: ignore[arg-type]


def _checked(summary: Any) -> Record:
    """What of a summary is numbers that can be; a log is a file from outside."""
    if not isinstance(summary, dict):
        return {}
    known: Record = {_shown(key): value for key, value in summary.items() if _is_number(value)}
    cues = summary.get("cues")
    if isinstance(cues, dict):
        known["cues"] = {key: count for key, count in cues.items()
                         if key in _CUES and type(count) is int and 0 <= count < 10**6}
    return known


def _worked_out(recording: Recording) -> Record:
    """The totals of a session that did not live to write them, as far as it went."""
    if recording.settings.ceiling_bpm is None or recording.end_s > LONGEST_WORKED_OUT_S:
        return {}
    # Every second of silence is gone through too: of a log with next to nothing in it that is not worth it.
    if len(recording.inputs) * LEAST_INPUT_EVERY_S < recording.end_s:
        return {}
    from guard.plan.plan import Plan  # numpy with them, which a list of whole logs does not need
    from guard.session import Session

    try:
        stored = recording.header.get("plan")
        session = Session(recording.settings, Plan.from_dict(stored) if stored else None)
        for event in recording.inputs:
            session.feed(event)
        session.advance(recording.end_s)
    except GuardError:
        return {}
    return _checked(session.summary())


def started_of(header: Mapping[str, object], clock: Clock | None) -> tuple[datetime | None, bool]:
    """Wall time of 0 s and whether it can be believed.

    The header's where its clock was trusted, else by the first `clock` line,
    which is written when the clock has been set; else the header's, not believed.
    """
    by_header = _wall(header.get("started"))
    if header.get("clock_trusted") is True and by_header is not None:
        return by_header, True
    by_clock = _wall(clock.wall) if clock is not None else None
    if clock is not None and by_clock is not None:
        try:
            return by_clock - timedelta(seconds=clock.t_s), True
        except OverflowError:
            pass
    return by_header, False


def began(recording: Recording) -> datetime | None:
    """Wall time of 0 s where it can be believed."""
    clock = next((item for item in recording.items if isinstance(item, Clock)), None)
    started, trusted = started_of(recording.header, clock)
    return started if trusted else None


def _started(header: Record, body: bytes) -> tuple[str | None, bool]:
    clock = None
    if header.get("clock_trusted") is not True:
        item = next(_items(body, b'"type":"clock"', most=1), None)
        clock = item if isinstance(item, Clock) else None
    started, trusted = started_of(header, clock)
    return (started.isoformat() if started else None), trusted


def _wall(value: Any) -> datetime | None:
    try:
        moment = datetime.fromisoformat(str(value))
        moment = moment if moment.tzinfo else moment.astimezone()
        moment.timestamp()
    except (ValueError, OverflowError, OSError):
        return None
    return moment


def _marks(body: bytes) -> tuple[str, ...]:
    return tuple(_shown(item.value) for item in _items(body, b'"type":"mark"', most=MOST_MARKS)
                 if isinstance(item, Mark) and item.value is not None)


def _items(body: bytes, what: bytes, *, most: int) -> Any:
    """Events of the lines that hold `what`, at most `most` of them."""
    place = -1
    for _ in range(most):
        place = body.find(what, place + 1)
        if place < 0:
            return
        begin, end = body.rfind(b"\n", 0, place) + 1, body.find(b"\n", place)
        try:
            yield from_record(from_line(body[begin:end if end >= 0 else None]))
        except ValueError:
            continue


def _ceiling(header: Record) -> float | None:
    settings = header.get("settings")
    value = settings.get("ceiling_bpm") if isinstance(settings, dict) else None
    return float(value) if _is_number(value) else None  # type: ignore[arg-type]


def _text(thing: Any, key: str) -> str:
    value = thing.get(key) if isinstance(thing, dict) else None
    return _shown(value) if isinstance(value, str) else ""


def _shown(value: object) -> str:
    return printable(value)[:LONGEST_TEXT]


def _is_number(value: object) -> bool:
    return (isinstance(value, int | float) and not isinstance(value, bool)
            and 0 <= value <= max(LONGEST_SESSION_S, 1e9) and math.isfinite(value))
