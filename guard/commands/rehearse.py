"""`guard rehearse`: the whole live session with an invented runner in place of a strap."""

from __future__ import annotations

import argparse
import math

from guard.commands.options import add_session_options
from guard.errors import UsageError, printable

FASTEST = 10_000.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--course", metavar="NAME", default="hill-loop",
                        help="which rehearsal (default: %(default)s)")
    parser.add_argument("--list-courses", action="store_true", help="show the courses and end")
    parser.add_argument("--seed", type=int, default=1, metavar="N",
                        help="another number makes another day (default: %(default)s)")
    parser.add_argument("--speedup", metavar="N",
                        help="how many times as fast; 1 is real time (default: done within three minutes)")
    add_session_options(parser)


def run(args: argparse.Namespace) -> int:
    if args.list_courses:
        return _list_courses()

    import asyncio
    import sys

    from guard.clock import PacedClock
    from guard.commands.options import chosen_settings
    from guard.commands.session_parts import Kind, finished, guarded
    from guard.commands.voice_bar import ready_voice
    from guard.files.folders import config_dir
    from guard.library.library import rehearsals_dir
    from guard.live.practice import PracticeSource, find_course
    from guard.screen.cautions import shown_once

    course = find_course(args.course)
    if args.seed < 0:
        raise UsageError(f"--seed {args.seed} is less than 0: use a whole number from 0 up")
    speedup = course.speedup if args.speedup is None else _speedup(args.speedup)
    settings = chosen_settings(args, course=course.settings)
    # Nobody runs here, so nothing is asked; `guard run` asks.
    shown_once(config_dir(make=False), reader=None, writer=sys.stderr)
    kind = Kind(
        title=f"rehearsal {course.name}: an invented runner, {speedup:g} times as fast",
        tag=f"INVENTED {speedup:g}X",
        log_folder=rehearsals_dir,
        needs_screen=True)
    source = PracticeSource(course, args.seed)

    async def session() -> int:
        await ready_voice(settings, plain=args.plain)
        ended = await guarded(source, settings, PacedClock(speedup), kind, plain=args.plain)
        return finished(ended, title=f"Rehearsal {course.name}, seed {args.seed} (invented runner)")

    return asyncio.run(session())


def _list_courses() -> int:
    from guard.live.practice import courses

    for name, course in courses().items():
        minutes = course.duration_s / 60.0
        print(f"{name}\n  {course.title}\n  {minutes:.0f} min, ceiling {course.settings['ceiling_bpm']:.0f}, "
              f"{course.speedup:g} times as fast unless told otherwise")
    return 0


def _speedup(text: str) -> float:
    try:
        number = float(text)
    except ValueError:
        number = math.nan
    if not 0.1 <= number <= FASTEST:
        shown = printable(text)[:20]
        raise UsageError(f"--speedup {shown} cannot be: use a number from 0.1 to {FASTEST:g}, such as 8")
    return number
