"""`guard run`: guard a real run with a strap."""

import argparse
import asyncio
import sys
import threading
from collections.abc import Callable, Sequence

from guard.browser.door import opened_page
from guard.clock import RealClock, clock_is_trusted, wall_now
from guard.commands.options import HOW_TO_FIND_A_CEILING, answered, can_ask, chosen_settings, tell
from guard.commands.session_note import ask_if_wanted
from guard.commands.session_parts import SessionKind, finished, guarded, ready_voice
from guard.commands.stand_by import stand_by
from guard.devices import remembered as straps
from guard.devices.peripheral import FOOT_POD_PERIPHERAL, STRAP_PERIPHERAL, TREADMILL_PERIPHERAL, Peripheral
from guard.devices.seen import RememberedDevice, Seen, Wanted, typed
from guard.errors import UsageError
from guard.files.folders import config_dir, sessions_dir
from guard.files.hold import hold
from guard.journal.advice import before_a_run
from guard.live.inbox import Inbox
from guard.live.live import Ended
from guard.plan.file import read_plan
from guard.plan.plan import Plan
from guard.radio.airtime import Airtime
from guard.radio.companions import WithSpeed
from guard.radio.search import LinkOptions
from guard.radio.speed_source import SpeedSource
from guard.radio.strap import StrapSource
from guard.screen.cautions import shown_once
from guard.screen.lines import filled
from guard.settings import Settings

SPEED_WAIT_S = 20.0  # for a treadmill or pod to be chosen, before the session goes on without


def run(args: argparse.Namespace) -> int:
    settings, plan = _planned(args)
    _check_stand_by(args)
    source = _source(args)
    reader = sys.stdin if can_ask() and not args.stand_by else None
    if not shown_once(config_dir(), reader=reader, writer=sys.stderr):
        return 0
    kind = SessionKind(title=plan.name if plan else "", log_folder=sessions_dir)

    def tell(sentence: str) -> None:
        print(filled(sentence, stream=sys.stderr), file=sys.stderr, flush=True)

    if not clock_is_trusted(wall_now()):
        tell("note: the clock of this machine is not set, so the log may carry a wrong date; "
             "times within the session are right")
    before_a_run(wall_now().date(), settings.ceiling_bpm, tell)

    if args.stand_by:
        return asyncio.run(stand_by(settings, kind, lambda: _source(args), tell, plan=plan))

    async def session() -> Ended:
        await ready_voice(settings, plain=args.plain)
        inbox = Inbox()
        page = await opened_page(
            settings, inbox, tell, wait=reader is not None and not args.plain, title=kind.title)
        await source.prepare(tell)
        return await guarded(
            source, settings, RealClock(), kind, plain=args.plain, plan=plan, page=page, inbox=inbox)

    ended = asyncio.run(session())
    code = finished(ended, title="Session")
    if not args.no_note:
        ask_if_wanted(ended, sys.stdin, sys.stderr)
    return code


def _planned(args: argparse.Namespace) -> tuple[Settings, Plan | None]:
    """Settings and plan. A plan that is there to find the ceiling needs none, but a never-exceed limit."""
    if args.plan is None:
        return chosen_settings(args), None
    settings = chosen_settings(args, need_ceiling=False)
    plan = read_plan(args.plan, settings)
    if not plan.finds_a_ceiling:
        if settings.ceiling_bpm is None:
            raise UsageError(HOW_TO_FIND_A_CEILING)
        return settings, plan
    # Nothing but stop guards the parts of a test, whatever ceiling is known.
    stop_bpm = settings.stop_bpm or _asked_stop()
    ceiling_bpm = stop_bpm - 1.0 if settings.ceiling_bpm is None else settings.ceiling_bpm
    return settings.replaced({"stop_bpm": stop_bpm, "ceiling_bpm": ceiling_bpm}), plan


def _asked_stop() -> float:
    """The never-exceed limit that a test is run under; none is guessed."""
    text = answered("This test needs no ceiling but a heart rate you must never exceed, from whoever tested "
                    "or treats you, bpm:")
    try:
        return float(text)
    except ValueError:
        raise UsageError("a test needs no ceiling, but a never-exceed limit: add --set stop_bpm=BPM, from "
                         "whoever tested or treats you") from None


def _source(args: argparse.Namespace) -> WithSpeed:
    """The strap, and what tells the speed beside it."""
    def wanted(text: str | None, kind: Peripheral) -> Wanted | None:
        if text is not None:
            return typed(text) if text.strip() else None
        known = straps.remembered(tell, kind.kind)
        return Wanted(known.name, known.address) if known else None

    def remember(kind: Peripheral) -> Callable[[RememberedDevice], None]:
        def keep(device: RememberedDevice) -> None:
            straps.remember(device, kind.kind)

        return keep

    choose = _choose if can_ask() and not args.stand_by else None
    airtime = Airtime()
    strap = StrapSource(
        wanted(args.strap, STRAP_PERIPHERAL),
        LinkOptions(choose, remember(STRAP_PERIPHERAL), hold, patient=args.stand_by,
                    wait_s=args.wait),
        airtime)
    companions = []
    for kind, text in ((TREADMILL_PERIPHERAL, args.treadmill), (FOOT_POD_PERIPHERAL, args.foot_pod)):
        if args.no_speed_source:
            if text is not None:
                raise UsageError(f"--no-speed-source and a {kind.noun} cannot both be given: leave one out")
            continue
        mine = wanted(text, kind)
        if mine is not None or text is not None:
            companions.append(SpeedSource(
                kind, mine, airtime, LinkOptions(choose, remember(kind), hold, SPEED_WAIT_S)))
    return WithSpeed(strap, companions)


def _check_stand_by(args: argparse.Namespace) -> None:
    """Nobody is there to be asked, so the strap must be known: never a stranger's."""
    if not args.stand_by:
        return
    if args.wait is not None:
        raise UsageError("--stand-by waits as long as it takes: leave --wait out")
    if args.strap is None and straps.remembered(lambda sentence: None) is None:
        raise UsageError("--stand-by needs to know your strap: keep it with `guard straps --remember NAME`, "
                         "or name it with --strap")


async def _choose(candidates: Sequence[Seen]) -> Seen | None:
    """Ask which of them; None (Enter) searches on."""
    for number, seen in enumerate(candidates, 1):
        print(f"  {number}  {seen.label}", file=sys.stderr)
    noun = candidates[0].noun
    question = f"Which {noun} is yours? Its number, or Enter to keep searching:"
    if len(candidates) == 1:
        question = f"Is this {noun} yours? 1 for yes (it is then remembered), or Enter to keep searching:"
    print(filled(question, stream=sys.stderr), end=" ", file=sys.stderr, flush=True)
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
