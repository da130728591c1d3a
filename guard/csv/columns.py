"""What is taken of a CSV file, and how it is written. Pure."""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date

# unit as the options name it: spellings, also with _ for / as in `speed_m_s`
_SPELLINGS: dict[str, dict[str, str]] = {
    "speed": {
        "km/h": r"km[/_ ]?h|kph|kmph|km per h(?:our)?", "mph": r"mph|mi[/_]h|miles? per hour",
        "m/s": r"m[/_]s|mps|m per s", "min/km": r"min(?:utes)?(?:/| per )km",
        "min/mile": r"min(?:utes)?(?:/| per )mi(?:le)?"},
    "time": {"ms": r"ms|msec|milliseconds", "min": r"min|minutes", "s": r"s|secs?|seconds"},
    "rr": {"ms": r"ms|msec|milliseconds", "s": r"s|secs?|seconds"},
    "grade": {"%": r"%|percent|pct"},
}
YES_NO = {"yes": True, "true": True, "1": True, "no": False, "false": False, "0": False}
_BRACKETED = re.compile(r"[(\[{][^)\]}]*[)\]}]")


@dataclass(frozen=True)
class ColumnNames:
    """Names (or numbers from 1, without a header) of the columns to take.

    `date` is the day where it has a column of its own, `wall` (of our own export) the date with
    the time of a row beside times that count from the start.
    `where` keeps only rows whose column holds the value, e.g. {"ID": "1"}.
    """

    time: str | None = None
    heart_rate: str | None = None
    rr: str | None = None
    speed: str | None = None
    altitude: str | None = None
    grade: str | None = None
    contact: str | None = None
    date: str | None = None
    wall: str | None = None
    where: Mapping[str, str] = field(default_factory=dict)

    def named(self) -> dict[str, str]:
        """What is taken from where, leaving out what is not taken."""
        return {what: column for what, column in vars(self).items() if isinstance(column, str)}


@dataclass(frozen=True)
class Form:
    """How the columns are written; None finds it out, by a unit in the column's name first."""

    separator: str | None = None
    time_unit: str | None = None
    date_order: str | None = None
    rr_unit: str | None = None
    speed_unit: str | None = None
    day: date | None = None  # of a file whose times tell none
    speed_from: str | None = None  # what told the speed


def unit_in(name: str, what: str) -> str | None:
    """The unit that stands in a column's name, None when none of its kind does.

    >>> unit_in("Speed (km/h)", "speed"), unit_in("speed_m_s", "speed"), unit_in("t_s", "time")
    ('km/h', 'm/s', 's')
    """
    text = name.casefold().strip()
    inside = [one[1:-1].strip() for one in _BRACKETED.findall(text)]
    for unit, spelling in _SPELLINGS[what].items():
        if any(re.fullmatch(spelling, one) for one in inside):
            return unit
    spaced = text.replace("_per_", " per ")
    for unit, spelling in _SPELLINGS[what].items():
        if re.search(rf"(?<=[\w)][\s_,;-])(?:{spelling})$", spaced):
            return unit
    return None


def plain_name(name: str) -> str:
    """A column's name in small letters, without brackets and a unit at its end.

    >>> plain_name("Heart Rate [bpm]"), plain_name("speed_m_s"), plain_name("t_s")
    ('heart rate', 'speed', 't')
    """
    text = _BRACKETED.sub(" ", name.casefold()).replace("_per_", " per ").strip()
    for spellings in _SPELLINGS.values():
        for spelling in spellings.values():
            text = re.sub(rf"(?<=\w)[\s_,;-]+(?:{spelling})$", "", text)
    return " ".join(re.sub(r"[_\-./]+", " ", text).split())
