"""A road and what it asks as a JSON document; metres, m/s, s, bpm, grades as rise over run. Pure."""

import numpy as np

from guard.route.forecast import Ability, Climb, Forecast, Range
from guard.route.route import Route
from guard.route.words import remarks

PROFILE_PLACES = 500  # enough for a picture (ours)


def document(route: Route, found: Forecast, runner: Ability, source: str) -> dict[str, object]:
    """Null where something is not known; the profile has at most `PROFILE_PLACES` places."""
    at = np.linspace(0.0, route.length_m, min(PROFILE_PLACES, len(route.edges_m)))
    middles = 0.5 * (route.edges_m[:-1] + route.edges_m[1:])
    cells = np.clip(np.searchsorted(route.edges_m, at, side="right") - 1, 0, len(middles) - 1)
    return {
        "format": 1, "name": route.name, "kind": route.kind, "exact": route.exact,
        "distance_m": round(route.length_m, 1), "rise_m": round(route.rise_m, 1),
        "fall_m": round(route.fall_m, 1),
        "runner": {
            "ceiling_bpm": runner.ceiling_bpm, "level_m_s": _range(runner.level_m_s, 3),
            "level_from": source or None, "gain_bpm_per_m_s": _range(runner.gain, 2),
            "gain_learned": runner.gain_learned, "belt": runner.belt,
            "slowest_jog_m_s": round(runner.slowest_jog_m_s, 3)},
        "climbs": [_climb(climb) for climb in found.climbs],
        "time_s": _range(found.time_s, 0),
        "walked_s": None if found.walked_s is None else round(found.walked_s),
        "profile": {
            "distance_m": [round(float(place), 1) for place in at],
            "altitude_m": [round(float(one), 1) for one in np.interp(at, route.edges_m, route.altitude_m)],
            "grade": [round(float(one), 4) for one in route.grade[cells]],
            "walked": [bool(one) for one in found.walks[cells]]},
        "notes": remarks(route, found, runner),
    }


def _climb(climb: Climb) -> dict[str, object]:
    return {
        "begin_m": round(climb.begin_m, 1), "end_m": round(climb.end_m, 1), "rise_m": round(climb.rise_m, 1),
        "grade": round(climb.grade, 4), "steepest": round(climb.steepest, 4),
        "cost_of_level": round(climb.ratio, 3), "jog_m_s": _range(climb.jog_m_s, 3),
        "walks_m": [[round(begin, 1), round(end, 1)] for begin, end in climb.walks],
        "sure": climb.sure, "slowest_jog_leads_bpm": _range(climb.jog_leads_bpm, 1),
        "plan_leads_bpm": _range(climb.planned_leads_bpm, 1)}


def _range(one: Range | None, digits: int) -> dict[str, float] | None:
    if one is None:
        return None
    return {name: round(value, digits) for name, value in (
        ("value", one.value), ("low", one.low), ("high", one.high))}
