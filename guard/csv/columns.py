"""What is taken of a CSV file, and how it is written. Pure."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date

SPEED_UNITS = ("m/s", "km/h", "mph", "min/km", "min/mile")


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
