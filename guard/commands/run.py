"""`guard run`: guard a real run with a strap."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from typing import TYPE_CHECKING

from guard.commands.options import add_session_options
from guard.errors import UsageError, printable

if TYPE_CHECKING:
    from guard.decide.plan import Plan
    from guard.sense.strap import StrapSource
    from guard.sense.seen import Seen, Strap
    from guard.settings import Settings

LONGEST_WAIT_S = 86_400.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_session_options(parser)
    parser.add_argument("--strap", metavar="NAME",
                        help="name or address of the strap (default: the remembered one, or the only one)")
    parser.add_argument("--wait", metavar="S",
                        help="give up when no strap is found within S seconds (default: search on)")
    parser.add_argument("--plan", metavar="FILE", help="a plan with parts (see `guard plan`)")


def run(args: argparse.Namespace) -> int:
    import asyncio
    import sys

    from guard.clock import RealClock, wall_now
    from guard.commands.journal_today import before_a_run
    from guard.commands.options import chosen_settings
    from guard.commands.session_parts import Kind, finished, guarded, is_terminal
    from guard.keep.folders import config_dir, sessions_dir
    from guard.screen.cautions import shown_once

    settings = chosen_settings(args)
    plan = _plan(args.plan, settings)
    source = _source(args)
    reader = sys.stdin if is_terminal(sys.stdin, sys.stderr) else None
    if not shown_once(config_dir(), reader=reader, writer=sys.stderr):
        return 0
    kind = Kind(title=plan.name if plan else "", log_folder=sessions_dir)

    def tell(sentence: str) -> None:
        print(sentence, file=sys.stderr, flush=True)

    before_a_run(wall_now().date(), settings.ceiling_bpm, tell)

    async def session() -> int:
        await source.prepare(tell)
        ended = await guarded(source, settings, RealClock(), kind, plain=args.plain, plan=plan)
        return finished(ended, title="Session")

    return asyncio.run(session())


def _plan(file: str | None, settings: Settings) -> Plan | None:
    if file is None:
        return None
    from guard.keep.plan_file import read_plan

    return read_plan(file, settings)


def _source(args: argparse.Namespace) -> StrapSource:
    import sys

    from guard.keep import straps
    from guard.sense.strap import StrapSource
    from guard.sense.seen import Wanted, typed

    wanted = typed(args.strap) if args.strap is not None else None
    if wanted is None:
        known = straps.remembered(lambda sentence: print(f"note: {sentence}", file=sys.stderr))
        wanted = Wanted(known.name, known.address) if known else None

    def remember(strap: Strap) -> None:
        straps.remember(strap)

    can_ask = sys.stdin.isatty() and sys.stderr.isatty()
    return StrapSource(
        wanted, choose=_choose if can_ask else None, remember=remember,
        wait_s=None if args.wait is None else _wait_s(args.wait))


def _wait_s(text: str) -> float:
    try:
        seconds = float(text)
    except ValueError:
        seconds = -1.0
    if not 0 < seconds <= LONGEST_WAIT_S:
        shown = printable(text)[:20]
        raise UsageError(f"--wait {shown} cannot be: use seconds, from 1 to {LONGEST_WAIT_S:g}")
    return seconds


async def _choose(candidates: Sequence[Seen]) -> Seen | None:
    """Ask which strap; None (Enter) searches on."""
    import asyncio
    import sys
    import threading

    for number, seen in enumerate(candidates, 1):
        print(f"  {number}  {seen.label}", file=sys.stderr)
    question = "Which strap is yours? Its number, or Enter to search on: "
    if len(candidates) == 1:
        question = "Is this strap yours? 1 for yes (it is then remembered), or Enter to search on: "
    print(question, end="", file=sys.stderr, flush=True)
    loop = asyncio.get_running_loop()
    answer: asyncio.Future[str] = loop.create_future()

    def take(line: str) -> None:
        if not answer.done():
            answer.set_result(line)

    def read() -> None:
        line = sys.stdin.readline()
        loop.call_soon_threadsafe(take, line)

    # A daemon, so that Ctrl-C need not wait for Enter.
    threading.Thread(target=read, name="choose", daemon=True).start()
    word = (await answer).strip()
    if word.isdecimal() and 1 <= int(word) <= len(candidates):
        return candidates[int(word) - 1]
    return None
