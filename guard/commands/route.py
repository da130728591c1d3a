"""`guard route`: the climbs of a road, and which can be jogged under the ceiling."""

import argparse

from rich.markup import escape
from rich.padding import Padding

from guard.clock import wall_now
from guard.commands.options import chosen_settings, counting, print_json, wrote
from guard.errors import UsageError, short
from guard.files.folders import sessions_dir
from guard.journal import journal as journals
from guard.progress.progress import look
from guard.progress.sessions import sessions_of
from guard.route import words
from guard.route.document import document
from guard.route.drawing import draw
from guard.route.file import read_route
from guard.route.forecast import SLOWEST_JOG_M_S, Ability, Forecast, Range, day_range, forecast, gain_of
from guard.route.page import page
from guard.route.route import Route
from guard.screen.report import columns, console_and_look
from guard.settings import Settings
from guard.units import per_m_s, speed_unit

_WIDEST = 110  # cells; longer lines are hard to read
_SPEEDS_M_S = (0.8, 7.0)  # a typed one outside is a slip: 3 and 25 km/h (ours)
_TYPED_SHARE = 0.03  # of a typed speed: about as well as one knows it (ours)


def run(args: argparse.Namespace) -> int:
    settings = chosen_settings(args, need_ceiling=False)
    gain, learned = gain_of(settings.gain_bpm_per_m_s)
    typed = _speed(args.speed, "--speed", settings.units)
    slowest = _speed(args.slowest_jog, "--slowest-jog", settings.units) or SLOWEST_JOG_M_S
    level, source = ((day_range(typed, _TYPED_SHARE * typed, gain), "as given") if typed
                     else _found_level(settings, gain))
    route = read_route(args.file, settings, None if level is None else level.value)
    runner = Ability(settings.ceiling_bpm, level, gain, learned, settings.belt, slowest)
    found = forecast(route, runner)
    if args.html is not None:
        wrote(args.html, [page(route, found, runner, source, settings.units).encode()], force=args.force)
    if args.json:
        print_json(document(route, found, runner, source))
    elif args.html is None:
        _show(route, found, runner, source, settings.units)
    return 0


def _speed(text: str | None, option: str, units: str) -> float | None:
    """A typed speed in m/s."""
    if text is None:
        return None
    try:
        speed_m_s = float(text.replace(",", ".")) / per_m_s(units)
    except ValueError:
        speed_m_s = 0.0
    low, high = (f"{one * per_m_s(units):.0f}" for one in _SPEEDS_M_S)
    if not _SPEEDS_M_S[0] <= speed_m_s <= _SPEEDS_M_S[1]:
        raise UsageError(f"{option} {short(text, 20)} cannot be: give a speed in {speed_unit(units)}, "
                         f"{low} to {high}, such as 8.5")
    return speed_m_s


def _found_level(settings: Settings, gain: Range) -> tuple[Range | None, str]:
    """The speed at the ceiling that the months tell; None where they tell none."""
    if settings.ceiling_bpm is None or not sessions_dir(make=False).is_dir():
        return None, ""
    sessions = sessions_of(None, progress=counting("reading sessions"))
    if not sessions:
        return None, ""
    journal = journals.read()
    level = look(sessions, journals.daily(journal.entries), settings.ceiling_bpm,
                 today=wall_now().date(), named=journals.named(journal.entries)).level
    if level is None:
        return None, ""
    return day_range(level.now, 2.0 * level.sd, gain), "from your runs"


def _show(route: Route, found: Forecast, runner: Ability, source: str, units: str) -> None:
    console, look = console_and_look()

    def say(line: str, indent: int = 0) -> None:
        console.print(Padding(escape(look.text(line)), (0, 0, 0, indent), expand=False))

    say(words.heading(route, units))
    if line := words.time_line(route, found, units):
        say(line)
    print(*draw(route, found, columns(_WIDEST), units, look), sep="\n")
    for number, climb in enumerate(found.climbs, 1):
        place, where, up, grade, what = words.row(number, climb, runner, units)
        say(f"{place:>2}  {where}, {up} up, {grade}")
        say(what, 4)
    say(words.runner_line(runner, source, units))
    for remark in words.remarks(route, found, runner):
        say(f"note: {remark}")
    say(words.CAUTION)
