"""`guard rehearse`: the whole live session with an invented runner in place of a strap."""

import argparse
import asyncio
import os
import sys
from collections.abc import Sequence

from guard.browser.door import opened_page
from guard.clock import ManualClock, PacedClock
from guard.commands.options import can_ask, chosen_settings, is_terminal, tell
from guard.commands.session_parts import SessionKind, finished, guarded, ready_voice, terminal_console
from guard.errors import UsageError
from guard.events import Input
from guard.files import marks
from guard.files.folders import config_dir
from guard.lesson.terminal import give
from guard.library.library import rehearsals_dir
from guard.live.inbox import Inbox
from guard.live.practice import PracticeSource, find_course
from guard.plan.file import read_plan
from guard.plan.plan import Plan
from guard.runner.follow import CEILING_BPM, Follower, practice_for
from guard.runner.rehearsal import PRACTICE
from guard.screen.cautions import shown_once
from guard.screen.report import over
from guard.session import Session
from guard.settings import Settings

FIRST = "hill-loop"  # as its help says


def run(args: argparse.Namespace) -> int:
    if args.list_courses:
        return _list_courses()

    if args.lesson:
        return asyncio.run(_lesson(args))
    settings, plan, source = _chosen(args)
    course = source.course
    speedup = args.speedup or course.speedup
    # Nobody runs here, so nothing is asked; `guard run` asks.
    shown_once(config_dir(make=False), reader=None, writer=sys.stderr)
    name = plan.name if plan else course.name
    kind = SessionKind(
        title=f"rehearsal {name}, an invented runner",
        tag=f"INVENTED {speedup:g}X",
        log_folder=rehearsals_dir,
        needs_screen=True)

    async def session() -> int:
        if _is_first(args):
            await _lesson(args)
        await ready_voice(settings, plain=args.plain)
        inbox = Inbox()
        watched = can_ask() and not args.plain
        page = await opened_page(settings, inbox, tell, wait=watched, title=kind.title, tag=kind.tag)
        ended = await guarded(source, settings, PacedClock(speedup), kind, plain=args.plain, plan=plan,
                              page=page, inbox=inbox)
        whole = ended.how == "ended" and plan is None
        beside = await _unguarded(course.name, args.seed, settings) if whole else ()
        return finished(ended, title=f"Rehearsal {name}, seed {args.seed} (invented runner)", beside=beside)

    return asyncio.run(session())


def _chosen(args: argparse.Namespace) -> tuple[Settings, Plan | None, PracticeSource]:
    """The settings of the session, its plan if any, and the invented runner."""
    if args.seed < 0:
        raise UsageError(f"--seed {args.seed} is less than 0: use a whole number from 0 up")
    if args.plan is None:
        course = find_course(args.course or FIRST)
        return chosen_settings(args, course=course.settings), None, PracticeSource(course, args.seed)
    if args.course is not None:
        raise UsageError("--course and --plan cannot both be given: a plan makes its own course")
    own = chosen_settings(args, need_ceiling=False)
    ceiling_bpm = own.ceiling_bpm or CEILING_BPM
    settings = chosen_settings(args, course={"ceiling_bpm": ceiling_bpm})
    plan = read_plan(args.plan, settings)
    follower = Follower(plan)
    return settings, plan, PracticeSource(practice_for(plan, follower, ceiling_bpm), args.seed, follower)


async def _unguarded(name: str, seed: int, settings: Settings) -> Sequence[tuple[str, str]]:
    """How long the same invented runner is over the ceiling when he hears nothing."""
    session = Session(settings)

    def put(event: Input) -> None:
        session.feed(event)

    await PracticeSource(name, seed).run(ManualClock(), put)
    return [("over it without the guard", over(session.summary()))]


def _is_first(args: argparse.Namespace) -> bool:
    """Whether the lesson comes first: once, when somebody just tries it, and is there to answer."""
    chose = args.course or args.plan or args.speedup or args.plain or args.assignments or args.page
    return not chose and _can_answer() and not marks.is_done(marks.LESSON_OFFERED)


def _can_answer() -> bool:
    return is_terminal(sys.stdin, sys.stdout) and os.environ.get("TERM") != "dumb"


async def _lesson(args: argparse.Namespace) -> int:
    if not _can_answer():
        raise UsageError("the lesson asks for keys and needs a terminal: `guard check --sounds` plays every "
                         "cue with its name")
    settings = chosen_settings(args, need_ceiling=False)
    await ready_voice(settings, plain=False)
    done = await give(settings, terminal_console())
    for name in (marks.LESSON_OFFERED, *([marks.LESSON] if done else [])):
        marks.mark(name)
    return 0


def _list_courses() -> int:
    for name, course in PRACTICE.items():
        minutes = course.duration_s / 60.0
        print(f"{name}\n  {course.title}\n  {minutes:.0f} min, ceiling {course.settings['ceiling_bpm']:.0f}, "
              f"{course.speedup:g} times as fast unless told otherwise")
    return 0
