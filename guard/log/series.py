"""The columns of a session log that follow a runner over months, read fast.

A library of years holds ten million readings; making an event of each costs
minutes. So only times, heart rate and speed are taken, readings at one go. Whatever
looks unusual (a torn line, a wrong type) is left to
`guard.log.recording.read_log`, which knows every way a log can be damaged.
"""

import os
import re
from collections import Counter
from dataclasses import dataclass
from typing import Any

import numpy as np
import orjson

from guard.arrays import Floats
from guard.events import PACE_CUES, Action, Command, CueGiven, Reading, ReadingDoubted, Speed
from guard.log.recording import LOG_FORMAT, log_bytes, read_log
from guard.log.records import BPM_LIMIT, LONGEST_SESSION_S, Record, to_record
from guard.session.speeds import in_force

_TAKEN = (Command, CueGiven, ReadingDoubted, Speed)
_ASKING = frozenset(cue.key for cue in PACE_CUES)
_COMMANDS = frozenset(action.value for action in (
    Action.PAUSE, Action.CONTINUE, Action.CEILING, Action.SKIP_PART))
# Types of lines that are inputs, whose times never run backward in a sound log.
_INPUTS = frozenset({"speed", "speed_link", "battery", "link", "command", "mark", "sound", "clock"})
# A reading as the guard writes it: time, heart rate, contact.
_READING = re.compile(rb'\n{"t":([\d.]+),"type":"reading","bpm":(\d{1,5}),"contact":([tfn])[^\n]*')


@dataclass(frozen=True)
class Series:
    """One session as columns; times in s since it began, none running backward.

    `readings`: (n, 2) time and bpm of readings the log does not itself doubt.
    `speeds`: (n, 4) time, m/s, grade, typed (1 or 0); NaN where not known.
    `speed_source`: "typed", or the device that told most of them ("" where that is not said).
    `commands`: (time, action, number or None) of pauses, ceilings and skipped
    parts. `asking_cues` counts cues that asked the runner to do something.
    """

    header: Record
    readings: Floats
    speeds: Floats
    speed_source: str
    commands: tuple[tuple[float, str, float | None], ...]
    asking_cues: int
    end_s: float


def read_series(path: str | os.PathLike[str]) -> Series:
    """The columns of the log at `path`; InputError, with the fix, where it is no log."""
    try:
        return _whole(log_bytes(path))
    except (ValueError, KeyError, TypeError, AttributeError, OverflowError):
        return _careful(path)


def _whole(data: bytes) -> Series:
    """A log as the guard writes it, its readings at one go; raises for anything unusual."""
    if not data.endswith(b"\n"):
        raise ValueError("the last line breaks off")
    # What stands between two readings, then the fields of the second.
    pieces = _READING.split(data)
    t_s, bpm = (np.array(list(map(float, pieces[place::4]))) for place in (1, 2))
    touching = [contact != b"f" for contact in pieces[3::4]]
    lines = [(place, line) for place, between in enumerate(pieces[::4]) if between
             for line in between.split(b"\n") if line]
    header, *records = orjson.loads(b"[" + b",".join([line for _, line in lines]) + b"]")
    if header["type"] != "session" or header["format"] != LOG_FORMAT or len(records) + 1 != len(lines):
        raise ValueError("not a log of this format")
    if any(one["type"] == "reading" for one in records) or (bpm > BPM_LIMIT).any():
        raise ValueError("a reading that is written in another way")
    inputs = [(place, one["t"]) for (place, _), one in zip(lines[1:], records, strict=True)
              if one["type"] in _INPUTS]
    times = np.insert(t_s, [place for place, _ in inputs], [at_s for _, at_s in inputs])
    if np.any(times[1:] < times[:-1]):
        raise ValueError("times run backward")  # the careful reader leaves such inputs out
    end_s = max((float(one["t"]) for one in records[-3:]), default=0.0)
    return _series(header, np.stack([t_s, bpm], axis=1)[touching], records, end_s)


def _careful(path: str | os.PathLike[str]) -> Series:
    recording = read_log(path)
    beats = [(one.t_s, one.bpm) for one in recording.items
             if isinstance(one, Reading) and one.contact is not False]
    records = [to_record(one) for one in recording.items if isinstance(one, _TAKEN)]
    return _series(recording.header, beats, records, recording.end_s)


def _series(header: Record, beats: list[Any] | Floats, records: list[Any], end_s: float) -> Series:
    """`beats` are (time, bpm) of readings with contact, `records` all other lines."""
    get: dict[str, list[dict[str, Any]]] = {"speed": [], "doubt": [], "command": [], "cue": []}
    for one in records:
        if one["type"] in get:
            get[one["type"]].append(one)
    commands = tuple((float(one["t"]), str(one["action"]), _number(one.get("value")))
                     for one in get["command"] if one["action"] in _COMMANDS)
    rows, source = _one_stream([(one["t"], one.get("speed_m_s"), one.get("grade"), one.get("typed", False),
                                 one.get("from", "")) for one in get["speed"]])
    readings, paces = _table(beats, 2), _table(rows, 4)
    if get["doubt"]:
        doubts = np.array([one["t"] for one in get["doubt"]], dtype=np.float64)
        readings = readings[~np.isin(readings[:, 0], doubts)]
    end_s = max([end_s, *(float(table[-1, 0]) for table in (readings, paces) if len(table))])
    if not 0.0 <= end_s <= LONGEST_SESSION_S:
        raise ValueError("a time out of range")
    asking = sum(one["cue"] in _ASKING for one in get["cue"])
    return Series(header, readings, paces, source, commands, asking, end_s)


def _one_stream(speeds: list[Any]) -> tuple[list[Any], str]:
    """Which of several sources holds, as in the session (one alone always does), and which held most."""
    if len({row[3:] for row in speeds}) > 1:
        events = (Speed(t_s, speed, grade, None, typed is True, source)
                  for t_s, speed, grade, typed, source in speeds)
        speeds = [(one.t_s, one.speed_m_s, one.grade, one.typed, one.source) for one in in_force(events)]
    told = Counter("typed" if row[3] is True else str(row[4]) for row in speeds)
    return [row[:4] for row in speeds], told.most_common(1)[0][0] if told else ""


def _table(rows: list[Any] | Floats, width: int) -> Floats:
    """Rows as numbers (null is NaN), those whose time runs backward left out."""
    table = np.array(rows, dtype=np.float64).reshape(-1, width)
    if len(table) and not np.all(np.isfinite(table[:, 0])):
        raise ValueError("a time that is no number")
    return table[table[:, 0] >= np.maximum.accumulate(table[:, 0])] if len(table) else table


def _number(value: Any) -> float | None:
    return float(value) if isinstance(value, (int, float)) else None
