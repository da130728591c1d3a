"""A road and what it asks of a runner, in words: shared by terminal and page. Pure."""

from guard.route.forecast import Ability, Climb, Forecast, Range
from guard.route.route import Route
from guard.units import METRES, distance, distance_unit, per_m_s, speed_unit
from guard.units import speed as one_speed

TITLES = ("climb", "from, to", "up", "grade", "what to do")
CAUTION = ("An estimate for somebody who runs as fast as the ceiling allows. Wind, heat, the ground under "
           "foot and a long day are not in it; how you feel comes first.")


def heading(route: Route, units: str) -> str:
    """The road in a line."""
    grades = "grades as written" if route.exact else "grades smoothed over about 200 m"
    return (f"{route.name}: {distance(route.length_m, units)}, {route.rise_m:.0f} m up, "
            f"{route.fall_m:.0f} m down, {grades}")


def runner_line(runner: Ability, source: str, units: str) -> str:
    """For whom it is; `source` says where the level speed is from."""
    ceiling = "your ceiling" if runner.ceiling_bpm is None else f"your ceiling of {runner.ceiling_bpm:g} bpm"
    gain = (f"{runner.gain.value:.0f} bpm for each m/s, "
            + ("learned" if runner.gain_learned else "the published mean, as yours is not learned"))
    if runner.level_m_s is None:
        return (f"Your speed at {ceiling} is not known: add --speed, what you can hold on the level just "
                "under it. `guard progress` finds it from your runs.")
    return (f"This assumes that {_speeds(runner.level_m_s, units)} on the level brings you to {ceiling} "
            f"({source}; the range covers good days and bad). Gain: {gain}.")


def time_line(route: Route, found: Forecast, units: str) -> str:
    """How long it takes; "" where nothing is known of the runner."""
    if found.time_s is None or found.walked_s is None:
        return ""
    time, walked = found.time_s, found.walked_s
    line = f"About {_minutes(time.value)} ({_minutes(time.low)} to {_minutes(time.high)})"
    return f"{line}, {_minutes(walked)} of it walked." if walked else f"{line}, all of it jogged."


def _minutes(seconds: float) -> str:
    """Whole minutes, at least one: an estimate knows no seconds."""
    hours, minutes = divmod(max(1, round(seconds / 60.0)), 60)
    return f"{hours} h {minutes:02d} min" if hours else f"{minutes} min"


def remarks(route: Route, found: Forecast, runner: Ability) -> list[str]:
    """What else is to be said."""
    out = list(route.notes)
    if not found.jogs_level:
        out.append("no jog stays under your ceiling on the level either: this is a walk")
    if not found.climbs:
        out.append("no climb of 2 % and 8 m or more")
    return out


def row(number: int, climb: Climb, runner: Ability, units: str) -> tuple[str, ...]:
    """One climb, as `TITLES`."""
    return (str(number), f"{_far(climb.begin_m, units)} to {distance(climb.end_m, units)}",
            f"{climb.rise_m:.0f} m", f"{100 * climb.grade:.1f} %, {100 * climb.steepest:.1f} % at most",
            what_to_do(climb, runner, units))


def what_to_do(climb: Climb, runner: Ability, units: str) -> str:
    """Jog how fast, or walk from where to where."""
    slowest = one_speed(runner.slowest_jog_m_s, units)
    if runner.level_m_s is None:
        needs = one_speed(runner.slowest_jog_m_s * climb.ratio, units)
        return f"a jog needs {needs} on the level at the ceiling; else walk"
    parts = []
    if climb.walks:
        places = (f"{_far(begin, units)} to {_far(end, units)}" for begin, end in climb.walks)
        parts.append(f"walk from {' and '.join(places)} {distance_unit(units)}")
        if climb.jog_leads_bpm is not None:
            parts.append(f"even a jog of {slowest} would lead to {_bpm(climb.jog_leads_bpm)}")
    if climb.jog_m_s is not None:
        rest = "the rest " if climb.walks else ""
        parts.append(f"jog {rest}at {_speeds(climb.jog_m_s, units)}")
    if not climb.sure:
        parts.append("on a good day a jog would do" if climb.walks
                     else "on a bad day walk the steepest of it")
    if climb.planned_leads_bpm is not None:
        parts.append(f"the plan's speed leads to {_bpm(climb.planned_leads_bpm)}")
    return "; ".join(parts)


def _speeds(speeds: Range, units: str) -> str:
    low, value, high = (f"{one * per_m_s(units):.1f}" for one in (speeds.low, speeds.value, speeds.high))
    unit = speed_unit(units)
    return f"{value} {unit}" if low == high else f"{value} {unit} ({low} to {high})"


def _bpm(leads: Range) -> str:
    low, value, high = (f"{one:.0f}" for one in (leads.low, leads.value, leads.high))
    return f"{value} bpm" if low == high else f"{value} bpm ({low} to {high})"


def _far(metres: float, units: str) -> str:
    return f"{metres / METRES[units]:.2f}"


def marks(length_m: float, units: str, most: int) -> list[tuple[float, str]]:
    """(metres, label) of at most `most` round distances from the start on."""
    unit_m = METRES[units]
    whole = length_m / unit_m
    step = next(step for step in (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500)
                if whole / step <= most - 1)
    return [(place * step * unit_m, f"{place * step:g}") for place in range(int(whole / step + 1e-9) + 1)]
