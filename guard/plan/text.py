"""Plans as people write them: TOML text to `Plan`, and examples to start from.

Pure: the file itself is read in `guard.plan.file`. Every mistake raises
`InputError` naming the file, the part, the key and the fix.
"""

import dataclasses
import difflib
import math
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress
from typing import Any, TypeVar

from guard.errors import InputError, printable, short
from guard.plan.plan import GRADES, MAX_PARTS, SPEEDS_M_S, Cued, Kind, Part, Plan, Skip, default_grace_s
from guard.settings import Settings
from guard.units import KM_H_PER_M_S, METRES_PER_MILE, MPH_PER_M_S

_LONGEST_S = 48 * 3600.0  # two days: longer is a slip (ours)
_FARTHEST_M = 500_000.0  # likewise (ours)

# key: (lowest, highest, unit); a value outside is a slip of the keyboard, not a plan.
_NUMBERS: Mapping[str, tuple[float, float, str]] = {
    "seconds": (1, _LONGEST_S, "s"),
    "minutes": (1 / 60, _LONGEST_S / 60, "min"),
    "metres": (10, _FARTHEST_M, "m"),
    "km": (0.01, _FARTHEST_M / 1000, "km"),
    "miles": (0.01, _FARTHEST_M / METRES_PER_MILE, "miles"),
    "ceiling_bpm": (70, 220, "bpm"),
    "floor_bpm": (40, 210, "bpm"),
    "ramp_bpm": (-60, 60, "bpm"),
    "grace_s": (0, 600, "s"),
    "grade_percent": (100 * GRADES[0], 100 * GRADES[1], "%"),
    "speed_km_h": (SPEEDS_M_S[0] * KM_H_PER_M_S, SPEEDS_M_S[1] * KM_H_PER_M_S, "km/h"),
    "speed_mph": (SPEEDS_M_S[0] * MPH_PER_M_S, SPEEDS_M_S[1] * MPH_PER_M_S, "mph"),
}
_TIME_S = {"seconds": 1.0, "minutes": 60.0}
_DISTANCE_M = {"metres": 1.0, "km": 1000.0, "miles": METRES_PER_MILE}
_SPEEDS = {"speed_km_h": KM_H_PER_M_S, "speed_mph": MPH_PER_M_S}
_PACES_M = {"pace_min_per_km": 1000.0, "pace_min_per_mile": METRES_PER_MILE}
_PART_KEYS = ("kind", "name", *_NUMBERS, *_PACES_M, "cues")
_REPEAT_KEYS = ("repeat", "part", "skip")


def parse_plan(text: str, source_name: str, settings: Settings) -> Plan:
    """The plan written in `text`; `source_name` is how errors name it.

    Limits that a part does not give come from `settings`.
    """
    where = short(source_name)
    try:
        data = tomllib.loads(text)
    except RecursionError:
        raise InputError(f"{where}: too deeply nested for a plan: write plain [[part]] blocks") from None
    except ValueError as error:
        raise InputError(
            f"{where} is not TOML: {printable(error)}: "
            "`guard plan --make easy-hour` shows the form") from None
    _refuse_unknown(data, ("name", "part"), where)
    name = _name(data.get("name", "plan"), where)
    parts: list[Part] = []
    for label, table, round_text, skips in _written_out(data.get("part"), where):
        part = dataclasses.replace(_part(table, f"{where}, part {label}", round_text, settings), skips=skips)
        if "grace_s" not in table:
            before = parts[-1] if parts else None
            part = dataclasses.replace(part, grace_s=default_grace_s(before, part, settings))
        parts.append(part)
        if len(parts) > MAX_PARTS:
            raise InputError(f"{where}: more than {MAX_PARTS} parts with the repeats: make the plan shorter")
    plan = Plan(name, tuple(parts))
    if plan.seconds > _LONGEST_S:
        raise InputError(f"{where}: the whole lasts {plan.seconds / 3600:.0f} h: a plan may last "
                         f"up to {_LONGEST_S / 3600:.0f} h")
    return plan


def _written_out(blocks: Any, where: str) -> Iterator[tuple[str, Mapping[str, Any], str, int]]:
    """Each part as (number as written, table, "2 of 4" or "", parts that `n` skips), repeats expanded."""
    if not isinstance(blocks, list) or not blocks:
        raise InputError(f"{where}: no parts: begin each part with a line [[part]]")
    for number, block in enumerate(blocks, start=1):
        label = f"{where}, part {number}"
        if not isinstance(block, dict):
            raise InputError(f"{label}: not a block: begin it with a line [[part]]")
        if "repeat" not in block and "part" not in block:
            yield str(number), block, "", 1
            continue
        _refuse_unknown(block, _REPEAT_KEYS, label)
        rounds, inner = block.get("repeat"), block.get("part")
        skips_all = _choice(block, "skip", Skip, label, Skip.PART) is Skip.REPEAT
        if isinstance(rounds, bool) or not isinstance(rounds, int) or not 1 <= rounds <= MAX_PARTS:
            raise InputError(f"{label}: repeat is {short(rounds)}, but must be a whole number "
                             f"from 1 to {MAX_PARTS}")
        if not isinstance(inner, list) or not inner or not all(isinstance(item, dict) for item in inner):
            raise InputError(f"{label}: repeat without parts: put [[part.part]] blocks below it")
        for turn in range(1, rounds + 1):
            for inner_number, table in enumerate(inner, start=1):
                if "repeat" in table or "part" in table:
                    raise InputError(f"{label}.{inner_number}: a repeat inside a repeat: "
                                     "write the inner one out")
                left = (rounds - turn) * len(inner) + len(inner) - inner_number + 1
                yield f"{number}.{inner_number}", table, f"{turn} of {rounds}", left if skips_all else 1


def _part(table: Mapping[str, Any], where: str, round_text: str, settings: Settings) -> Part:
    _refuse_unknown(table, _PART_KEYS, where)
    kind = _choice(table, "kind", Kind, where)
    numbers = {key: _number(table[key], key, where) for key in _NUMBERS if key in table}
    speed = _speed_m_s(numbers, where)
    seconds, metres = _length(table, numbers, speed, where)
    grade = numbers.get("grade_percent")
    name = _name(table.get("name", kind.words), where)
    ceiling = numbers.get("ceiling_bpm")
    left_alone = kind in (Kind.FAST, Kind.TEST) and ceiling is None
    cued = _choice(table, "cues", Cued, where, Cued.STOP_ONLY if left_alone else Cued.ALL)
    ramp = numbers.get("ramp_bpm", settings.warm_up_ramp_bpm if kind is Kind.WARM_UP else 0.0)
    highest = settings.ceiling_bpm if ceiling is None else ceiling
    floor = numbers.get("floor_bpm")
    if floor is not None and highest is not None and floor >= highest:
        raise InputError(f"{where}: floor_bpm {floor:g} must lie under the ceiling "
                         f"{highest:g}: lower the floor")
    if (settings.stop_bpm is not None and cued is not Cued.STOP_ONLY and ceiling is not None
            and max(ceiling, ceiling - ramp) >= settings.stop_bpm):
        raise InputError(f"{where}: ceiling_bpm {ceiling:g} must lie under your stop_bpm "
                         f"{settings.stop_bpm:g} all through: lower it")
    if floor is None and kind in (Kind.EASY, Kind.CLIMB) and settings.floor_bpm is not None:
        floor = settings.floor_bpm if highest is None or settings.floor_bpm < highest else None
    return Part(kind, f"{name} {round_text}".strip(), seconds, metres, ceiling, floor, ramp, cued,
                numbers.get("grace_s", 0.0), grade=None if grade is None else grade / 100.0, speed_m_s=speed)


def _speed_m_s(numbers: Mapping[str, float], where: str) -> float | None:
    given = _only(_SPEEDS, numbers, where)
    return numbers[given] / _SPEEDS[given] if given else None


def _only(keys: Iterable[str], table: Mapping[str, Any], where: str) -> str:
    """Which of the keys is given; "" for none."""
    given = [key for key in keys if key in table]
    if len(given) > 1:
        raise InputError(f"{where}: both {given[0]} and {given[1]}: keep one")
    return given[0] if given else ""


def _length(table: Mapping[str, Any], numbers: Mapping[str, float], speed_m_s: float | None, where: str
            ) -> tuple[float, float | None]:
    """(seconds, metres or None): a distance also needs the time that stands in for it."""
    time, distance, pace = (_only(keys, table, where) for keys in (_TIME_S, _DISTANCE_M, _PACES_M))
    if not time and not distance:
        raise InputError(f"{where}: no length: give minutes or seconds, or km or metres")
    if not distance:
        if pace:
            raise InputError(f"{where}: {pace} without a distance: give km, or leave the pace out")
        return numbers[time] * _TIME_S[time], None
    metres = numbers[distance] * _DISTANCE_M[distance]
    if speed_m_s is not None and not time:
        if pace:
            raise InputError(f"{where}: both a speed and {pace}: keep one")
        if metres / speed_m_s > _LONGEST_S:
            raise InputError(f"{where}: at that speed it lasts {metres / speed_m_s / 3600:.0f} h: shorten it")
        return metres / speed_m_s, metres
    if bool(time) is bool(pace):
        wrong = "both a time and a pace" if time else f"{distance} alone"
        raise InputError(f"{where}: {wrong}: give minutes or a pace (pace_min_per_km = \"7:30\") as well, "
                         "one of them: it stands in for the distance where no speed is known")
    if time:
        return numbers[time] * _TIME_S[time], metres
    seconds = _pace_s(table[pace], pace, where) * metres / _PACES_M[pace]
    if seconds > _LONGEST_S:
        raise InputError(f"{where}: at that pace it lasts {seconds / 3600:.0f} h: shorten it")
    return seconds, metres


def _pace_s(value: Any, key: str, where: str) -> float:
    """A pace written 7.5 or "7:30" in seconds a kilometre or mile, 2 to 40 minutes."""
    seconds = math.nan
    if isinstance(value, str):
        minutes, _, rest = value.partition(":")
        if minutes.isascii() and minutes.isdigit() and len(minutes) <= 2 and len(rest) == 2 \
                and rest.isascii() and rest.isdigit() and int(rest) < 60:
            seconds = int(minutes) * 60.0 + int(rest)
    elif isinstance(value, (int, float)) and not isinstance(value, bool):
        seconds = float(value) * 60.0 if abs(value) < 1000 else math.nan
    if not 120.0 <= seconds <= 2400.0:
        raise InputError(f"{where}: {key} is {short(value)}, but must be minutes and seconds "
                         'like "7:30", from "2:00" to "40:00"')
    return seconds


def _number(value: Any, key: str, where: str) -> float:
    low, high, unit = _NUMBERS[key]
    # Compared before any conversion: TOML integers have no upper end, floats do.
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not low <= value <= high:
        raise InputError(f"{where}: {key} is {short(value)}, but must be a number "
                         f"from {low:.4g} to {high:.6g} {unit}")
    return float(value)


_Word = TypeVar("_Word", Kind, Cued, Skip)


def _choice(table: Mapping[str, Any], key: str, words: type[_Word], where: str,
            default: _Word | None = None) -> _Word:
    value = table.get(key, default)
    if isinstance(value, str):
        with suppress(ValueError):
            return words(value)
    listed = ", ".join(words)
    if value is None:
        raise InputError(f"{where}: no {key}: give one of {listed}")
    raise InputError(f"{where}: {key} is {short(value)}, but must be one of {listed}")


def _name(value: Any, where: str) -> str:
    if isinstance(value, str) and value.strip() and len(value) <= 60 and value.isprintable():
        return value.strip()
    raise InputError(f"{where}: name is {short(value)}, but must be 1 to 60 plain characters")


def _refuse_unknown(table: Mapping[str, Any], known: tuple[str, ...], where: str) -> None:
    for key in table:
        if key not in known:
            begun = [name for name in known if name.startswith(f"{key}_")]  # a unit was left out
            near = begun or difflib.get_close_matches(key, known, n=1, cutoff=0.5)
            hint = f"did you mean {near[0]}?" if near else "known are " + ", ".join(known)
            raise InputError(f"{where}: unknown key {short(key)}: {hint}")
