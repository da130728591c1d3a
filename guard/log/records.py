"""Events as lines of the session log and back, exactly.

One event is one JSON object with `t` (seconds since the session began), `type`
and the event's own fields; what is unknown or empty is left out. Numbers are
written with the shortest digits that read back to the same value, so a log
replays bit for bit. Pure: no file is touched here.
"""

import json
import math
from collections.abc import Callable, Mapping
from typing import Any

from guard import events as ev
from guard.errors import quoted
from guard.reasons import reason

Record = dict[str, object]

# A session of more than four days is a damaged time, not a run: replay steps
# through every second of it.
LONGEST_SESSION_S = 4 * 24 * 3600.0
_FIGURE_LIMIT = 1e9  # far beyond any figure a rule rests on
BPM_LIMIT = 65_535  # heart rate is at most a 16-bit number (Heart Rate Service 1.0, 0x2A37)


def to_record(item: ev.Input | ev.Output) -> Record:
    """The JSON-ready line of an event; a number that is not finite becomes null."""
    match item:
        case ev.Reading():
            own: Record = {"bpm": item.bpm, "contact": item.contact,
                           "rr_s": [_finite(rr) for rr in item.rr_s]}
            if item.energy_kj is not None:
                own["energy_kj"] = item.energy_kj
            if item.raw:
                own["raw"] = item.raw.hex()
            return {"t": item.t_s, "type": "reading", **own}
        case ev.Speed():
            own = _filled(speed_m_s=_finite(item.speed_m_s), grade=_finite(item.grade),
                          cadence_spm=_finite(item.cadence_spm), typed=item.typed or None,
                          **{"from": item.source})
            return {"t": item.t_s, "type": "speed", **own}
        case ev.SpeedLink():
            own = _filled(name=item.name, detail=item.detail, address=item.address,
                          battery_percent=item.battery_percent, fault=item.fault)
            return {"t": item.t_s, "type": "speed_link", "device": item.device,
                    "state": item.state.value, **own}
        case ev.CueGiven():
            own = {"cue": item.cue.key, **_why(item), "repeat": item.repeat,
                   **_filled(advised_speed_m_s=_finite(item.advised_speed_m_s), belt=item.belt or None,
                             part=item.part)}
            return {"t": item.t_s, "type": "cue", **own}
        case ev.StateChanged():
            return {"t": item.t_s, "type": "state", "state": item.state.key, **_why(item)}
        case ev.ReadingDoubted():
            return {"t": item.t_s, "type": "doubt", **_filled(doubt=item.doubt), "reason": reason(item)}
        case ev.Link():
            own = _filled(name=item.name, detail=item.detail, address=item.address,
                          body_location=item.body_location, fault=item.fault)
            return {"t": item.t_s, "type": "link", "state": item.state.value, **own}
        case ev.Mark():
            return {"t": item.t_s, "type": "mark", **_filled(value=_value(item.value), origin=item.origin)}
        case ev.Command():
            return {"t": item.t_s, "type": "command", "action": item.action.value,
                    **_filled(value=_value(item.value), origin=item.origin)}
        case ev.Battery():
            return {"t": item.t_s, "type": "battery", "percent": item.percent}
        case ev.SoundHealth():
            return {"t": item.t_s, "type": "sound", "backend": item.backend, **_filled(detail=item.detail)}
        case ev.Clock():
            return {"t": item.t_s, "type": "clock", "wall": item.wall}


def from_record(record: Mapping[str, object]) -> ev.Input | ev.Output | None:
    """The event of a line; None for a type this version does not know.

    Fields it does not know are ignored. A known type with a missing or
    impossible field raises ValueError saying which.
    """
    read = _READERS.get(str(record.get("type")))
    return None if read is None else read(_time(record), record)


def to_line(record: Mapping[str, object]) -> bytes:
    """One line of the log, newline included.

    Readable UTF-8; a line that holds anything unprintable (a hostile device
    name) is escaped to ASCII, so that showing the file harms no terminal.
    """
    text = _dump(record, ascii_only=False)
    if not text.isprintable():
        text = _dump(record, ascii_only=True).replace("\x7f", "\\u007f")
    return text.encode() + b"\n"


def from_line(line: bytes) -> Record:
    """The JSON object of one line; ValueError for anything else."""
    try:
        record = _DECODER.decode(line.decode("utf-8"))
    except RecursionError:
        raise ValueError("nested too deeply") from None
    if not isinstance(record, dict):
        raise ValueError("not a JSON object")
    return record


def _dump(record: Mapping[str, object], *, ascii_only: bool) -> str:
    return json.dumps(record, ensure_ascii=ascii_only, allow_nan=False, separators=(",", ":"),
                      default=_plain)


def _plain(value: Any) -> Any:
    """numpy scalars and the like as Python's own."""
    if hasattr(value, "item"):
        return value.item()
    raise TypeError(f"{type(value).__name__} cannot be logged")


def _not_json(word: str) -> Any:
    raise ValueError(f"{word} is not a number of JSON")


_DECODER = json.JSONDecoder(parse_constant=_not_json)


def _why(item: ev.CueGiven | ev.StateChanged) -> Record:
    numbers = {name: value for name, value in item.numbers.as_dict().items() if math.isfinite(value)}
    return _filled(rule=item.rule, numbers=numbers or None, reason=reason(item))


def _filled(**fields: Any) -> Record:
    return {name: value for name, value in fields.items() if value is not None and value != ""}


def _finite(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None


def _value(value: float | str | None) -> float | str | None:
    return value if isinstance(value, str) else _finite(value)


# Reading a line back: each helper returns the field or raises ValueError.

def _number(record: Mapping[str, object], name: str, low: float, high: float) -> float:
    value = record.get(name)
    if isinstance(value, (float, int)) and not isinstance(value, bool) and low <= value <= high:
        return value
    raise ValueError(f"{name} is {quoted(value)}, not a number from {low:g} to {high:g}")


def _maybe_number(record: Mapping[str, object], name: str, low: float, high: float) -> float | None:
    return None if record.get(name) is None else _number(record, name, low, high)


def _whole(record: Mapping[str, object], name: str, low: int, high: int) -> int:
    value = record.get(name)
    if type(value) is int and low <= value <= high:  # nearly always
        return value
    number = _number(record, name, low, high)
    if number != int(number):
        raise ValueError(f"{name} is {quoted(value)}, not a whole number")
    return int(number)


def _text(record: Mapping[str, object], name: str) -> str:
    value = record.get(name, "")
    if not isinstance(value, str):
        raise ValueError(f"{name} is {quoted(value)}, not text")
    return value


def _word(record: Mapping[str, object], name: str, words: Mapping[str, object]) -> Any:
    value = record.get(name)
    if not isinstance(value, str) or value not in words:
        raise ValueError(f"{name} is {quoted(value)}, none of {', '.join(words)}")
    return words[value]


def _time(record: Mapping[str, object]) -> float:
    t_s = record.get("t")
    if type(t_s) is float and 0.0 <= t_s <= LONGEST_SESSION_S:
        return t_s
    return float(_number(record, "t", 0.0, LONGEST_SESSION_S))


def _reading(t_s: float, record: Mapping[str, object]) -> ev.Reading:
    contact = record.get("contact")
    if contact is not None and not isinstance(contact, bool):
        raise ValueError(f"contact is {quoted(contact)}, not true, false or null")
    intervals = record.get("rr_s")
    energy = None if record.get("energy_kj") is None else _whole(record, "energy_kj", 0, BPM_LIMIT)
    return ev.Reading(t_s, _whole(record, "bpm", 0, BPM_LIMIT), contact,
                      _seconds(intervals) if intervals else (), energy,
                      bytes.fromhex(_text(record, "raw")))


def _seconds(intervals: Any) -> tuple[float, ...]:
    if isinstance(intervals, list):
        seconds = tuple([float(rr) for rr in intervals
                         if type(rr) in (float, int) and 0 <= rr <= LONGEST_SESSION_S])
        if len(seconds) == len(intervals):
            return seconds
    raise ValueError(f"rr_s is {quoted(intervals)}, not a list of seconds")


def _speed(t_s: float, record: Mapping[str, object]) -> ev.Speed:
    return ev.Speed(t_s, _maybe_number(record, "speed_m_s", 0, 100), _maybe_number(record, "grade", -10, 10),
                    _maybe_number(record, "cadence_spm", 0, 1000), record.get("typed") is True,
                    _text(record, "from"))


def _speed_link(t_s: float, record: Mapping[str, object]) -> ev.SpeedLink:
    charge = None if record.get("battery_percent") is None else _whole(record, "battery_percent", 0, 255)
    return ev.SpeedLink(t_s, _text(record, "device"), _word(record, "state", _LINKS), _text(record, "name"),
                        _text(record, "detail"), _text(record, "address"), charge, _text(record, "fault"))


def _cue(t_s: float, record: Mapping[str, object]) -> ev.CueGiven:
    repeat = _whole(record, "repeat", 0, 1_000_000) if "repeat" in record else 0
    return ev.CueGiven(t_s, _word(record, "cue", _CUES), _text(record, "rule"), _numbers(record),
                       _maybe_number(record, "advised_speed_m_s", 0, 100), repeat, record.get("belt") is True,
                       _text(record, "part"), _text(record, "reason"))


def _state(t_s: float, record: Mapping[str, object]) -> ev.StateChanged:
    return ev.StateChanged(t_s, _word(record, "state", _STATES), _text(record, "rule"), _numbers(record),
                           _text(record, "reason"))


def _numbers(record: Mapping[str, object]) -> ev.Numbers:
    given = record.get("numbers")
    if given is None:
        return ev.NO_NUMBERS
    if not isinstance(given, dict):
        raise ValueError(f"numbers is {quoted(given)}, not a list of figures by name")
    return ev.Numbers(**{name: _number(given, name, -_FIGURE_LIMIT, _FIGURE_LIMIT)
                         for name in ev.Numbers.__slots__ if given.get(name) is not None})


def _command(t_s: float, record: Mapping[str, object]) -> ev.Command:
    return ev.Command(t_s, _word(record, "action", _ACTIONS), _command_value(record), _text(record, "origin"))


def _command_value(record: Mapping[str, object]) -> float | str | None:
    value = record.get("value")
    return value if isinstance(value, str) else _maybe_number(record, "value", -1e9, 1e9)


def _link(t_s: float, record: Mapping[str, object]) -> ev.Link:
    return ev.Link(t_s, _word(record, "state", _LINKS), _text(record, "name"), _text(record, "detail"),
                   _text(record, "address"), _text(record, "body_location"), _text(record, "fault"))


_CUES = {cue.key: cue for cue in ev.Cue}
_STATES = {state.key: state for state in ev.State}
_ACTIONS = {action.value: action for action in ev.Action}
_LINKS = {state.value: state for state in ev.LinkState}

_READERS: dict[str, Callable[[float, Mapping[str, object]], ev.Input | ev.Output]] = {
    "reading": _reading,
    "speed": _speed,
    "speed_link": _speed_link,
    "cue": _cue,
    "state": _state,
    "doubt": lambda t_s, record: ev.ReadingDoubted(t_s, _text(record, "doubt"), _text(record, "reason")),
    "link": _link,
    "mark": lambda t_s, record: ev.Mark(t_s, _command_value(record), _text(record, "origin")),
    "command": _command,
    "battery": lambda t_s, record: ev.Battery(t_s, _whole(record, "percent", 0, 255)),
    "sound": lambda t_s, record: ev.SoundHealth(t_s, _text(record, "backend"), _text(record, "detail")),
    "clock": lambda t_s, record: ev.Clock(t_s, _text(record, "wall")),
}
