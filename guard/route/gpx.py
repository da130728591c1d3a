"""Distances and altitudes from a GPX track (GPX 1.0 and 1.1, an open standard). Pure.

Bad tracks end in one sentence that names file, point and fix. A document type
is refused before anything is parsed: GPX has none, and entities could grow
without bound.
"""

from collections.abc import Sequence
from itertools import pairwise

import gpxpy
import gpxpy.gpx
import numpy as np
from gpxpy.geo import haversine_distance

from guard.arrays import Floats
from guard.errors import InputError, printable

LONGEST_TRACK = 500_000  # points: a week at one a second
MISSING_SHARE = 0.2  # of the altitudes; fewer are drawn straight between their neighbours
FAR_M, FAR_TIMES = 1000.0, 20.0  # a step so long, and so many times the usual one, is a jump
WALL_M = 50.0  # up or down by so much at over 100 % is one too
FASTEST_M_S = 12.0  # nobody runs faster
SLACK_M = 100.0  # what a position may be off before that is said

_Point = gpxpy.gpx.GPXTrackPoint | gpxpy.gpx.GPXRoutePoint  # degrees, m or None, a time or None


def parse(data: bytes, name: str) -> tuple[Floats, Floats, tuple[str, ...]]:
    """Distance and altitude (n,), m, along the first track (or route) in `data`, and notes.

    `name` is how errors name the file. Raises InputError.
    """
    if b"<!DOCTYPE" in data or b"<!ENTITY" in data:
        raise InputError(f"{name} declares a document type, which GPX has none of: export it anew")
    try:
        text = data.decode("utf-16" if data[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig")
    except UnicodeDecodeError:
        raise InputError(f"{name} is not UTF-8 text: export it anew as GPX") from None
    try:
        found = gpxpy.parse(text)
    except (gpxpy.gpx.GPXException, ValueError, TypeError, ArithmeticError, RecursionError) as error:
        why = printable(" ".join(str(error).split()))[:100]
        raise InputError(f"{name} is not GPX that can be read ({why}): export it anew as GPX") from None
    lines: list[list[_Point]] = [
        [point for segment in track.segments for point in segment.points] for track in found.tracks]
    lines = [line for line in lines if line] or [[*route.points] for route in found.routes if route.points]
    if not lines:
        raise InputError(f"{name} holds no track: export the track itself, not only places")
    notes = () if len(lines) == 1 else (f"{len(lines)} tracks in the file: the first is taken",)
    return (*_along(lines[0], name), notes)


def _along(points: Sequence[_Point], name: str) -> tuple[Floats, Floats]:
    """Distance and altitude (n,), m, of gpxpy's points. Raises InputError naming the point and the fix."""
    if len(points) < 2:
        raise InputError(f"{name} holds one point: give the whole track")
    if len(points) > LONGEST_TRACK:
        raise InputError(f"{name} holds {len(points)} points: give one run, up to {LONGEST_TRACK}")
    for number, point in enumerate(points, start=1):
        if not (abs(point.latitude) <= 90.0 and abs(point.longitude) <= 180.0):
            raise InputError(f"{name}: point {number} lies nowhere on earth: correct or remove it")
    distance_m = np.concatenate([[0.0], np.cumsum(_steps(points, name))])
    return distance_m, _altitudes(points, distance_m, name)


def _steps(points: Sequence[_Point], name: str) -> list[float]:
    steps = [haversine_distance(a.latitude, a.longitude, b.latitude, b.longitude)
             for a, b in pairwise(points)]
    moved = [step for step in steps if step > 0.0]
    usual_m = float(np.median(moved)) if moved else 0.0
    for number, ((a, b), step) in enumerate(zip(pairwise(points), steps, strict=True), start=1):
        between = f"between its points {number} and {number + 1}"
        took_s = None if a.time is None or b.time is None else b.time.timestamp() - a.time.timestamp()
        if took_s is not None and took_s < 0.0:
            raise InputError(f"{name} runs backward in time {between}: export one run, its points in order")
        # Some devices and converters write the same time into every point: it says nothing then.
        too_fast = took_s is not None and took_s > 0.0 and step > FASTEST_M_S * took_s + SLACK_M
        if too_fast or (step > FAR_M and step > FAR_TIMES * usual_m):
            raise InputError(f"{name} jumps {step:.0f} m {between}: remove the stray points, or cut the "
                             "track there")
    return steps


def _altitudes(points: Sequence[_Point], distance_m: Floats, name: str) -> Floats:
    values = np.array([point.elevation for point in points], dtype=np.float64)  # None is NaN
    known = np.isfinite(values)
    if not known.any():
        raise InputError(f"{name} has no altitude: export it with elevation (an <ele> in each point)")
    if (share := 1.0 - known.mean()) > MISSING_SHARE:
        raise InputError(f"{name} has no altitude in {share:.0%} of its points: export it with elevation")
    at, height = distance_m[known], values[known]
    rise, run = np.abs(np.diff(height)), np.diff(at)
    if (wall := (rise > WALL_M) & (rise > run)).any():
        place = int(wall.argmax())
        number = int(np.flatnonzero(known)[place + 1]) + 1
        raise InputError(f"{name} jumps {rise[place]:.0f} m in altitude at its point {number} "
                         f"({at[place + 1] / 1000:.2f} km): correct or remove that point")
    return np.asarray(np.interp(distance_m, at, height))
