"""The columns of a session log that follow a runner over months, read fast.

A library of years holds ten million readings; making an object of each costs
minutes. Whole logs are therefore parsed at one go and only times, heart rate
and speed are taken. Whatever looks unusual (a torn line, a wrong type) is left
to `guard.log.recording.read_log`, which knows every way a log can be damaged.
"""

import os
from collections import Counter
from dataclasses import dataclass
from typing import Any

import numpy as np
import orjson
from numpy.typing import NDArray

from guard.arrays import Floats
from guard.events import PACE_CUES, Action, Command, CueGiven, Reading, ReadingDoubted, Speed
from guard.log.recording import LARGEST_LOG_BYTES, LOG_FORMAT, log_bytes, read_log, too_large
from guard.log.records import LONGEST_SESSION_S, Record
from guard.session.speeds import in_force

_ASKING = frozenset(cue.key for cue in PACE_CUES)
_COMMANDS = frozenset(action.value for action in (
    Action.PAUSE, Action.CONTINUE, Action.CEILING, Action.SKIP_PART))
# Types of lines that are inputs, whose times never run backward in a sound log.
_INPUTS = frozenset({"speed", "speed_link", "battery", "link", "command", "mark", "sound", "clock"})


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
    data = log_bytes(path)
    if len(data) > LARGEST_LOG_BYTES:
        raise too_large(path)
    try:
        return _whole(data)
    except (ValueError, KeyError, TypeError, AttributeError, OverflowError):
        return _careful(path)


def _whole(data: bytes) -> Series:
    """A log as the guard writes it, taken apart at one go; raises for anything unusual."""
    readings, touching, others, places = _readings(data)
    header, *records = orjson.loads(b"[" + b",".join(others) + b"]")
    if header["type"] != "session" or header["format"] != LOG_FORMAT or len(records) + 1 != len(others):
        raise ValueError("not a log of this format")
    _check_order(readings, records, places)
    get: dict[str, list[dict[str, Any]]] = {"speed": [], "doubt": [], "command": [], "cue": []}
    for one in records:
        if one["type"] == "reading":
            raise ValueError("a reading that is written in another way")
        if one["type"] in get:
            get[one["type"]].append(one)
    commands = tuple((float(one["t"]), str(one["action"]), _number(one.get("value")))
                     for one in get["command"] if one["action"] in _COMMANDS)
    speeds = [(one["t"], one.get("speed_m_s"), one.get("grade"), one.get("typed", False),
               one.get("from", "")) for one in get["speed"]]
    asking = sum(one["cue"] in _ASKING for one in get["cue"])
    end_s = max((float(one["t"]) for one in records[-3:]), default=0.0)
    doubts = [one["t"] for one in get["doubt"]]
    return _series(header, readings[touching], speeds, doubts, commands, asking, end_s)


def _check_order(readings: Floats, records: list[dict[str, Any]], places: NDArray[np.bool_]) -> None:
    """Raise where an input's time lies before that of an input above; the careful reader leaves it out.

    `places` tells for each line but the first whether it is a reading.
    """
    times = np.empty(len(places))
    times[places] = readings[:, 0]
    times[~places] = [one["t"] if one["type"] in _INPUTS else np.nan for one in records]
    times = times[~np.isnan(times)]
    if np.any(times[1:] < times[:-1]):
        raise ValueError("times run backward")


_TIME, _READING, _CONTACT = b'{"t":', b',"type":"reading","bpm":', b',"contact":'
_LONGEST_TIME, _LONGEST_BPM = 16, 5  # signs


def _readings(data: bytes) -> tuple[Floats, NDArray[np.bool_], list[bytes], NDArray[np.bool_]]:
    """Readings (n, 2), which of them had contact or no word of it, the lines that are no
    readings, and for each line but the first whether it is one.

    Every step takes all lines at once. A reading written in another way than
    the guard's stays among the other lines.
    """
    if not data.endswith(b"\n"):
        raise ValueError("the last line breaks off")
    padded = np.frombuffer(data + b" " * 64, dtype=np.uint8)
    ends = np.flatnonzero(padded == ord("\n"))
    starts = np.concatenate([[0], ends[:-1] + 1])
    timed = np.flatnonzero(_has(padded, starts, _TIME))
    t_s, after, sound = _decimal(padded, starts[timed] + len(_TIME), _LONGEST_TIME)
    sound &= _has(padded, after, _READING)
    timed, t_s, after = timed[sound], t_s[sound], after[sound]
    bpm, after, sound = _decimal(padded, after + len(_READING), _LONGEST_BPM)
    sound &= _has(padded, after, _CONTACT)
    first = padded[after + len(_CONTACT)]
    sound &= np.isin(first, np.frombuffer(b"tnf", dtype=np.uint8))
    rest = np.ones(len(starts), dtype=bool)
    rest[timed[sound]] = False
    others = [data[begin:end] for begin, end in
              zip(starts[rest].tolist(), ends[rest].tolist(), strict=True)]
    return np.stack([t_s, bpm], axis=1)[sound], (first != ord("f"))[sound], others, ~rest[1:]


def _has(padded: NDArray[np.uint8], at: NDArray[np.int64], words: bytes) -> NDArray[np.bool_]:
    """Whether `words` stand at each place."""
    same = np.ones(len(at), dtype=bool)
    for step, sign in enumerate(words):
        same &= padded[at + step] == sign
    return same


def _decimal(
    padded: NDArray[np.uint8], at: NDArray[np.int64], longest: int,
) -> tuple[Floats, NDArray[np.int64], NDArray[np.bool_]]:
    """Plain decimals that begin at each place: values, places after them, whether they are such.

    Digits and at most one point, no more than 15 digits: the quotient of two
    whole numbers that a double holds is the double nearest to the decimal.
    """
    number = np.zeros(len(at), dtype=np.int64)
    places = np.zeros(len(at), dtype=np.int64)
    digits = np.zeros(len(at), dtype=np.int64)
    after = at.copy()
    going, pointed = np.ones(len(at), dtype=bool), np.zeros(len(at), dtype=bool)
    for step in range(longest):
        sign = padded[at + step]
        digit = going & (sign >= ord("0")) & (sign <= ord("9"))
        point = going & (sign == ord(".")) & ~pointed
        going = digit | point
        if not going.any():
            break
        number = np.where(digit, number * 10 + (sign - np.uint8(ord("0"))), number)
        digits += digit
        places += digit & pointed
        pointed |= point
        after += going
    return number / 10.0 ** places, after, (digits > 0) & (digits <= 15)


def _careful(path: str | os.PathLike[str]) -> Series:
    recording = read_log(path)
    items = recording.items
    beats = [(one.t_s, one.bpm) for one in items if isinstance(one, Reading) and one.contact is not False]
    speeds = [(one.t_s, one.speed_m_s, one.grade, one.typed, one.source)
              for one in items if isinstance(one, Speed)]
    doubts = [one.t_s for one in items if isinstance(one, ReadingDoubted)]
    commands = tuple((one.t_s, one.action.value, _number(one.value)) for one in items
                     if isinstance(one, Command) and one.action.value in _COMMANDS)
    asking = sum(isinstance(one, CueGiven) and one.cue.key in _ASKING for one in items)
    return _series(recording.header, beats, speeds, doubts, commands, asking, recording.end_s)


def _series(
    header: Record, beats: list[Any] | Floats, speeds: list[Any], doubts: list[float],
    commands: tuple[tuple[float, str, float | None], ...], asking: int, end_s: float,
) -> Series:
    rows, source = _one_stream(speeds)
    readings, paces = _table(beats, 2), _table(rows, 4)
    if doubts:
        readings = readings[~np.isin(readings[:, 0], np.array(doubts, dtype=np.float64))]
    end_s = max([end_s, *(float(table[-1, 0]) for table in (readings, paces) if len(table))])
    if not 0.0 <= end_s <= LONGEST_SESSION_S:
        raise ValueError("a time out of range")
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
