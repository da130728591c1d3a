"""Which column of a CSV file holds what, by its name and what stands in it. Pure but for the table.

A guess is `sure` when one column only can be meant for the time and for the heart
rate, and a speed says its unit; else somebody has to be asked.
"""

import dataclasses
import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import islice
from statistics import median

from guard.csv.columns import YES_NO, ColumnNames, Form, plain_name, unit_in
from guard.csv.table import Table, is_missing, number
from guard.csv.times import TimeForm, time_form
from guard.errors import GuardError, quoted

SAMPLE_ROWS = 500  # that tell what a column holds (ours)
_SLOWEST_BPM, _FASTEST_BPM = 30.0, 230.0  # of a median

# Names as they are met, in the languages the guard speaks; whole words of a name without its unit.
_NAMES: dict[str, tuple[str, ...]] = {
    "time": ("t", "time", "times", "elapsed", "elapsed time", "seconds", "timestamp", "datetime", "date time",
             "zeit", "zeitpunkt", "temps", "heure", "tiempo", "hora", "date", "datum", "fecha"),
    "heart_rate": ("heart rate", "heartrate", "hr", "bpm", "beats", "heartbeat", "pulse", "puls",
                   "herzfrequenz", "herzrate", "hf", "fréquence cardiaque", "fc", "pouls",
                   "frecuencia cardíaca", "frecuencia cardiaca", "pulsaciones", "pulso"),
    "rr": ("rr", "rr interval", "rr intervals", "ibi", "beat interval", "nn", "r r"),
    "speed": ("speed", "velocity", "pace", "geschwindigkeit", "tempo", "vitesse", "allure", "velocidad",
              "ritmo"),
    "altitude": ("altitude", "elevation", "alt", "ele", "höhe", "hoehe", "altitud"),
    "grade": ("grade", "slope", "incline", "inclination", "steigung", "neigung", "pente", "pendiente"),
    "contact": ("contact", "skin contact"),
    "date": ("date", "day", "datum", "tag", "jour", "fecha", "día"),
    "wall": ("wall time",),
}
COLUMN_WORDS = {"time": "time", "heart_rate": "heart rate", "rr": "beat intervals", "speed": "speed",
         "altitude": "altitude", "grade": "grade", "contact": "skin contact", "date": "date",
         "wall": "date and time"}


@dataclass(frozen=True)
class Guess:
    """What each column may be; `doubts` says in words what is not sure, empty when all is.

    `found` has (column, first cell that holds anything, what it may be or "").
    """

    columns: ColumnNames
    form: Form
    found: tuple[tuple[str, str, str], ...]
    doubts: tuple[str, ...]

    @property
    def sure(self) -> bool:
        return not self.doubts


def guess(table: Table, given: ColumnNames, form: Form) -> Guess:
    """What is not `given`: all that a recording takes where nothing is, else time and heart rate only."""
    sample = [row for _, row in islice(table.rows(), SAMPLE_ROWS)]
    cells = [[row[place] for row in sample if place < len(row) and not is_missing(row[place])]
             for place in range(len(table.columns))]
    bare = not given.named()
    doubts: list[str] = []
    picked = {}
    for what in ("time", "heart_rate") if not bare else _NAMES:
        candidates = _candidates(table, cells, what, form)
        if candidates:
            picked[what] = next((one for one in candidates if what == "speed" and unit_in(one, what)),
                                candidates[0])
        if len(candidates) > 1 and what in ("time", "heart_rate"):
            doubts.append(f"{COLUMN_WORDS[what]} may be any of {', '.join(map(quoted, candidates))}")
    if table.header_line == 0:
        doubts.append("the file has no header")
    if given.rr is not None or "heart_rate" in picked:
        picked.pop("rr", None)
    columns = dataclasses.replace(given, **{  # type: ignore[arg-type]
        what: column for what, column in picked.items() if getattr(given, what) is None})
    if given.rr is not None and given.heart_rate is None:
        columns = dataclasses.replace(columns, heart_rate=None)  # the intervals make it
    if columns.heart_rate is None and columns.rr is None:
        doubts.append("no column looks like a heart rate")
    if columns.time is None and columns.heart_rate is not None:
        doubts.append("no column looks like a time")
    if columns.altitude is not None and (columns.speed is None or columns.grade is not None):
        columns = dataclasses.replace(columns, altitude=None)
    if bare and columns.speed is not None and not (form.speed_unit or unit_in(columns.speed, "speed")):
        doubts.append(f"{quoted(columns.speed)} does not say its unit")
    meant = {column: COLUMN_WORDS[what] for what, column in columns.named().items()}
    found = tuple((name, cells[place][0].strip() if cells[place] else "", meant.get(name, ""))
                  for place, name in enumerate(table.columns))
    return Guess(columns, form, found, tuple(doubts))


def _candidates(table: Table, cells: Sequence[list[str]], what: str, form: Form) -> list[str]:
    """Columns that may be meant, those with the best name only."""
    scored = [(_likeness(name, what), name) for name, column in zip(table.columns, cells, strict=True)
              if column and _fits(what, name, column, form)]
    if what == "time" and not any(score for score, _ in scored):  # no name tells: the cells may
        fits = dict(zip(table.columns, cells, strict=True))
        scored = [(int(_is_clock(name, fits[name], form)), name) for _, name in scored]
    if table.header_line == 0 and what in ("time", "heart_rate"):
        scored = [(1, name) for _, name in scored]
    best = max((score for score, _ in scored), default=0)
    return list(dict.fromkeys(name for score, name in scored if score == best > 0))


def _likeness(name: str, what: str) -> int:
    """2: the very name; 1: has it as words; 0: another."""
    plain = plain_name(name)
    if plain in _NAMES[what]:
        return 2
    return int(any(re.search(rf"(?<!\w){re.escape(word)}(?!\w)", plain) for word in _NAMES[what]
                   if len(word) > 1))


def _fits(what: str, name: str, cells: list[str], form: Form) -> bool:
    """Whether a column with these cells can hold it."""
    match what:
        case "time":
            return _is_time(name, cells, form)
        case "date":  # a day alone
            noons = [f"{cell} 12:00:00" for cell in cells]
            return not _is_time(name, cells, form) and _fits("wall", name, noons, form)
        case "wall":
            found = _form_of(name, cells, form)
            return found is not None and found.dated
        case "contact":
            return {cell.strip().casefold() for cell in cells} <= YES_NO.keys()
        case "speed":  # or a pace
            cells = [cell.replace(":", "") for cell in cells]
    values = [value for cell in cells if (value := number(cell)) is not None]
    if what == "heart_rate":
        values = [value for value in values if value > 0]
        return 2 * len(values) > len(cells) and _SLOWEST_BPM <= median(values) <= _FASTEST_BPM
    return 2 * len(values) > len(cells)


def _is_time(name: str, cells: list[str], form: Form) -> bool:
    found = _form_of(name, cells, form)
    return found is not None and len({found.seconds(cell) for cell in cells} - {None}) > 1


def _is_clock(name: str, cells: list[str], form: Form) -> bool:
    """Times with colons that never go back: no pace does that."""
    found = _form_of(name, cells, form)
    seconds = [found.seconds(cell) for cell in cells] if found else []
    told = [second for second in seconds if second is not None]
    return all(":" in cell for cell in cells) and told == sorted(told)


def _form_of(name: str, cells: list[str], form: Form) -> TimeForm | None:
    try:
        return time_form(name, cells, date_order=form.date_order)
    except GuardError:
        return None
