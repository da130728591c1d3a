"""Events as lines of the session log and back, exactly.

One event is one JSON object with `t` (seconds since the session began), `type`
and the event's own fields; what is unknown or empty is left out. Numbers are
written with the shortest digits that read back to the same value, so a log
replays bit for bit. Pure: no file is touched here.
"""

import json
import math
from collections.abc import Callable, Mapping
from enum import StrEnum
from typing import Any, NamedTuple

from guard import events as ev
from guard.errors import quoted
from guard.reasons import reason

Record = dict[str, object]
_Read = Callable[[Mapping[str, object], str], Any]  # of a record and the name of a field

# A session of more than four days is a damaged time, not a run: replay steps
# through every second of it.
LONGEST_SESSION_S = 4 * 24 * 3600.0
_FIGURE_LIMIT = 1e9  # far beyond any figure a rule rests on
BPM_LIMIT = 65_535  # heart rate is at most a 16-bit number (Heart Rate Service 1.0, 0x2A37)


def to_record(item: ev.Input | ev.Output) -> Record:
    """The JSON-ready line of an event; a number that is not finite becomes null."""
    kind = _NAMES[type(item)]
    record: Record = {"t": item.t_s, "type": kind}
    for field in _FORMS[kind][1]:
        value = reason(item) if field.name == "reason" else _written(getattr(item, field.attribute))  # type: ignore[arg-type]
        if field.always or (value is not False and value not in (None, "", {})):
            record[field.name] = value
    return record


def from_record(record: Mapping[str, object]) -> ev.Input | ev.Output | None:
    """The event of a line; None for a type this version does not know.

    Fields it does not know are ignored. A known type with a missing or
    impossible field raises ValueError saying which.
    """
    form = _FORMS.get(str(record.get("type")))
    if form is None:
        return None
    make, fields = form
    event: ev.Input | ev.Output = make(
        float(_TIME(record, "t")), **{field.attribute: field.read(record, field.name) for field in fields})
    return event


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


def _written(value: Any) -> Any:
    """A field's value, JSON-ready."""
    match value:
        case float():
            return value if math.isfinite(value) else None
        case ev.Cue() | ev.State():
            return value.key
        case StrEnum():
            return value.value
        case bytes():
            return value.hex()
        case tuple():
            return [_written(one) for one in value]
        case ev.Numbers():
            return {name: one for name, one in value.as_dict().items() if math.isfinite(one)}
    return value


# Reading a line back: each gives what reads a field of that kind, or raises ValueError.

def _number(low: float, high: float) -> _Read:
    def read(record: Mapping[str, object], name: str) -> float:
        value = record.get(name)
        if isinstance(value, (float, int)) and not isinstance(value, bool) and low <= value <= high:
            return value
        raise ValueError(f"{name} is {quoted(value)}, not a number from {low:g} to {high:g}")

    return read


def _whole(low: int, high: int) -> _Read:
    number = _number(low, high)

    def read(record: Mapping[str, object], name: str) -> int:
        value = number(record, name)
        if value != int(value):
            raise ValueError(f"{name} is {quoted(value)}, not a whole number")
        return int(value)

    return read


def _maybe(known: _Read, otherwise: Any = None) -> _Read:
    """`otherwise` where the field is missing or null."""
    return lambda record, name: otherwise if record.get(name) is None else known(record, name)


def _one_of(words: Mapping[str, object]) -> _Read:
    def read(record: Mapping[str, object], name: str) -> object:
        value = record.get(name)
        if not isinstance(value, str) or value not in words:
            raise ValueError(f"{name} is {quoted(value)}, none of {', '.join(words)}")
        return words[value]

    return read


def _text(record: Mapping[str, object], name: str) -> str:
    value = record.get(name, "")
    if not isinstance(value, str):
        raise ValueError(f"{name} is {quoted(value)}, not text")
    return value


def _true(record: Mapping[str, object], name: str) -> bool:
    return record.get(name) is True


def _contact(record: Mapping[str, object], name: str) -> bool | None:
    value = record.get(name)
    if value is not None and not isinstance(value, bool):
        raise ValueError(f"{name} is {quoted(value)}, not true, false or null")
    return value


def _seconds(record: Mapping[str, object], name: str) -> tuple[float, ...]:
    values = record.get(name) or []
    if isinstance(values, list):
        seconds = tuple([float(one) for one in values
                         if type(one) in (float, int) and 0 <= one <= LONGEST_SESSION_S])
        if len(seconds) == len(values):
            return seconds
    raise ValueError(f"{name} is {quoted(values)}, not a list of seconds")


def _numbers(record: Mapping[str, object], name: str) -> ev.Numbers:
    given = record[name]
    if not isinstance(given, dict):
        raise ValueError(f"{name} is {quoted(given)}, not a list of figures by name")
    figure = _number(-_FIGURE_LIMIT, _FIGURE_LIMIT)
    return ev.Numbers(**{one: figure(given, one) for one in ev.Numbers.__slots__
                         if given.get(one) is not None})


def _value(record: Mapping[str, object], name: str) -> float | str | None:
    value = record.get(name)
    return value if isinstance(value, str) else _maybe(_number(-1e9, 1e9))(record, name)


class _LogField(NamedTuple):
    """A field of a line, the event's attribute it holds, and whether it is written where that is empty."""

    name: str
    read: _Read
    attribute: str
    always: bool


def _field(name: str, read: _Read = _text, attribute: str = "", *, always: bool = False) -> _LogField:
    return _LogField(name, read, attribute or name, always)


_CUE = _one_of({cue.key: cue for cue in ev.Cue})
_STATE = _one_of({state.key: state for state in ev.State})
_ACTION = _one_of({action.value: action for action in ev.Action})
_LINK = _one_of({state.value: state for state in ev.LinkState})
_WHY = (_field("rule"), _field("numbers", _maybe(_numbers, ev.NO_NUMBERS)),
        _field("reason", attribute="logged_words"))
_CHARGE, _TIME = _whole(0, 255), _number(0.0, LONGEST_SESSION_S)

# What stands in a line of each type, in this order.
_FORMS: dict[str, tuple[type[Any], tuple[_LogField, ...]]] = {
    "reading": (ev.Reading, (
        _field("bpm", _whole(0, BPM_LIMIT)), _field("contact", _contact, always=True),
        _field("rr_s", _seconds, always=True), _field("energy_kj", _maybe(_whole(0, BPM_LIMIT))),
        _field("raw", lambda record, name: bytes.fromhex(_text(record, name))))),
    "speed": (ev.Speed, (
        _field("speed_m_s", _maybe(_number(0, 100))), _field("grade", _maybe(_number(-10, 10))),
        _field("cadence_spm", _maybe(_number(0, 1000))), _field("typed", _true),
        _field("from", _text, "source"))),
    "speed_link": (ev.SpeedLink, (
        _field("device", always=True), _field("state", _LINK), _field("name"), _field("detail"),
        _field("address"), _field("battery_percent", _maybe(_CHARGE)), _field("fault"))),
    "cue": (ev.CueGiven, (
        _field("cue", _CUE), *_WHY, _field("repeat", _maybe(_whole(0, 1_000_000), 0)),
        _field("advised_speed_m_s", _maybe(_number(0, 100))), _field("belt", _true), _field("part"))),
    "state": (ev.StateChanged, (_field("state", _STATE), *_WHY)),
    "doubt": (ev.ReadingDoubted, (_field("doubt"), _WHY[-1])),
    "link": (ev.Link, (
        _field("state", _LINK), _field("name"), _field("detail"), _field("address"),
        _field("body_location"), _field("fault"))),
    "mark": (ev.Mark, (_field("value", _value), _field("origin"))),
    "command": (ev.Command, (_field("action", _ACTION), _field("value", _value), _field("origin"))),
    "battery": (ev.Battery, (_field("percent", _CHARGE),)),
    "sound": (ev.SoundHealth, (_field("backend", always=True), _field("detail"))),
    "clock": (ev.Clock, (_field("wall", always=True),)),
}
_NAMES = {make: name for name, (make, _) in _FORMS.items()}
