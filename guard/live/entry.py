"""What is typed in digits while running: a speed, a pace or a grade. Pure."""

import re

from guard.events import FASTEST_M_S, STEEPEST_TOLD
from guard.screen.words import pace_number
from guard.settings import Settings
from guard.units import KM_H_PER_M_S, METRES, MPH_PER_M_S, pace_unit, speed, speed_unit

TYPE_SPEED = "type the belt's speed first: 8.5 or 7:05, Enter"
LONGEST_ENTRY = 6  # characters

# A typed speed beyond these is asked about before it counts. 20 km/h is the top of most
# treadmills (common practice); the other two are ours: slower than anybody walks, and more
# than from a walk to a brisk run at once.
USUAL_MOST_M_S = 20.0 / KM_H_PER_M_S
USUAL_LEAST_M_S = 1.5 / KM_H_PER_M_S
USUAL_STEP_M_S = 8.0 / KM_H_PER_M_S

_PACE = re.compile(r"(\d{1,2}):([0-5]\d)")


def takes(entry: str, char: str) -> bool:
    """Whether `char` goes on with what has been typed; a colon makes a pace of it.

    >>> takes("8", ":"), takes("", ":"), takes("8.", "."), takes("8:3", "0")
    (True, False, False, True)
    """
    if char in ":.,":
        return not (set(entry) & set(":.")) and (char != ":" or entry.isdecimal())
    return char.isdecimal() and char.isascii()


def being_typed(entry: str, settings: Settings) -> str:
    """The line shown while it is typed."""
    if ":" in entry:
        return f"pace {entry} {pace_unit(settings.units)}: Enter sets it"
    return f"speed {entry} {speed_unit(settings.units)}: Enter sets it, % makes it the grade"


def speed_entered(entry: str, settings: Settings) -> tuple[float | None, str]:
    """The speed in m/s of a typed speed or pace, in the runner's units; None, and why, where it is none.

    >>> speed_entered("8.5", Settings())[0], speed_entered("6:15", Settings())[0]
    (2.3611, 2.6667)
    """
    if not entry:
        return None, TYPE_SPEED
    mile = settings.units == "mile"
    if ":" in entry:
        pace = _PACE.fullmatch(entry)
        pace_s = 60 * int(pace[1]) + int(pace[2]) if pace else 0
        if not pace_s:
            return None, f"{entry} is not a pace: type minutes and seconds, 8:30, Enter"
        value, unit = METRES[settings.units] / pace_s, pace_unit(settings.units)
    else:
        number = _number(entry)
        if number is None:
            return None, f"{entry} is no speed: {TYPE_SPEED}"
        value, unit = number / (MPH_PER_M_S if mile else KM_H_PER_M_S), speed_unit(settings.units)
    if not 0 <= value <= FASTEST_M_S:
        return None, f"{entry} {unit} is not a running speed: {TYPE_SPEED}"
    return round(value, 4), ""


def doubt(speed_m_s: float, known_m_s: float | None, settings: Settings) -> str:
    """The question to ask before this speed counts; empty for a usual one. `known_m_s` is the present one."""
    unusual = speed_m_s > USUAL_MOST_M_S or 0 < speed_m_s < USUAL_LEAST_M_S
    leap = known_m_s is not None and known_m_s > 0 and speed_m_s - known_m_s > USUAL_STEP_M_S
    if not (unusual or leap):
        return ""
    return (f"{speed(speed_m_s, settings.units)} ({pace_number(speed_m_s, settings)})? "
            "Enter sets it, any other key does not")


def grade_entered(entry: str) -> tuple[float | None, str]:
    """The grade (rise over run) of an entry in percent; None, and why, where it is none."""
    number = _number(entry)
    if number is None or abs(number) > 100 * STEEPEST_TOLD:
        said = f"{entry} % is no grade: " if entry else ""
        return None, f"{said}type it as 2 %, or 2 - % downhill"
    return round(number / 100, 4), ""


def _number(entry: str) -> float | None:
    try:
        return float(entry)
    except ValueError:
        return None
