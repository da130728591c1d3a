"""A road from a file: a GPX track, a CSV of distance and altitude, or a plan with grades."""

import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from guard.csv.table import Table, number, open_any
from guard.errors import InputError, printable, quoted
from guard.files.whole import read_capped
from guard.plan.file import read_plan
from guard.route.gpx import parse
from guard.route.route import Route, of_altitudes, of_plan
from guard.settings import Settings
from guard.units import METRES_PER_KM, METRES_PER_MILE

LARGEST = 128 << 20  # bytes
_FOOT_M = 0.3048  # international foot, exact by definition
_UNITS_M = {"km": METRES_PER_KM, "kilometres": METRES_PER_KM, "kilometers": METRES_PER_KM, "m": 1.0,
            "metres": 1.0, "meters": 1.0, "mi": METRES_PER_MILE, "miles": METRES_PER_MILE, "ft": _FOOT_M,
            "feet": _FOOT_M}
_NAMES = {"distance": ("distance", "dist"), "altitude": ("altitude", "elevation", "alt", "ele", "height")}


def read_route(file: str, settings: Settings, level_m_s: float | None) -> Route:
    """The road in `file`, named as the file is; `level_m_s` gives parts of a plan by time a length.

    Raises InputError, one sentence naming the file and the fix.
    """
    road = _read(file, settings, level_m_s)
    return road if road.kind == "plan" else replace(road, name=printable(Path(file).name[:80]))


def _read(file: str, settings: Settings, level_m_s: float | None) -> Route:
    name = printable(file[:200])
    path = Path(file)
    if path.suffix.lower() == ".toml":
        return of_plan(read_plan(file, settings), level_m_s)
    data = read_capped(path, LARGEST, "a track")
    if data is None:
        raise InputError(f"there is no file {name}: check the name")
    if not data.strip():
        raise InputError(f"{name} is empty: export the track anew")
    if path.suffix.lower() == ".gpx" or data.lstrip(b"\xef\xbb\xbf \t\r\n")[:1] == b"<":
        distance_m, altitude_m, notes = parse(data, name)
        return of_altitudes(name, "gpx", distance_m, altitude_m, notes)
    return _of_csv(path, name)


def _of_csv(path: Path, name: str) -> Route:
    table = open_any(path)
    places = {what: _place(table, what, name) for what in _NAMES}
    units = {what: _unit(table.columns[place]) for what, place in places.items()}
    distance_m: list[float] = []
    altitude_m: list[float] = []
    dropped = 0
    for line, cells in table.rows():
        values = [number(cells[place]) if place < len(cells) else None for place in places.values()]
        if values[0] is None or values[1] is None:
            dropped += 1
            continue
        distance, altitude = values[0] * units["distance"], values[1] * units["altitude"]
        if distance_m and distance < distance_m[-1]:
            raise InputError(f"{name} runs backward in line {line}, from {distance_m[-1]:.0f} to "
                             f"{distance:.0f} m: sort it by distance, and keep one run")
        if distance_m and abs(altitude - altitude_m[-1]) > max(50.0, distance - distance_m[-1]):
            raise InputError(f"{name} jumps {altitude - altitude_m[-1]:+.0f} m in altitude in line {line}: "
                             "correct or remove that line")
        distance_m.append(distance)
        altitude_m.append(altitude)
    if len(distance_m) < 2:
        rows = "one row" if distance_m else "no row"
        raise InputError(f"{name} has {rows} with both distance and altitude: give the whole track")
    notes = () if not dropped else (f"{dropped} rows without distance or altitude are left out",)
    return of_altitudes(name, "csv", np.array(distance_m), np.array(altitude_m), notes)


def _place(table: Table, what: str, name: str) -> int:
    """Where the column of `what` stands, told by its name."""
    for wanted in _NAMES[what]:
        for place, column in enumerate(table.columns):
            if wanted in _words(column):
                return place
    listed = ", ".join(quoted(column) for column in table.columns[:20])
    raise InputError(f"{name} has no column named {' or '.join(_NAMES[what][:2])} (its columns are "
                     f"{listed}): name it so, with its unit, as {what}_m")


def _unit(column: str) -> float:
    """Metres in the unit that stands in a column's name; metres where none does."""
    return next((_UNITS_M[word] for word in reversed(_words(column)) if word in _UNITS_M), 1.0)


def _words(column: str) -> Sequence[str]:
    return re.findall(r"[a-z]+", column.casefold())
