"""`guard run --stand-by`: sessions one after another with no screen, no keys and no question.

    wait ─> (button) ─> search strap ─> session ─> wait …
      └ a signal ends it at any point; a very long press switches the machine off
"""

import asyncio
import subprocess
from collections.abc import Callable, Coroutine
from typing import Any

from guard.browser.door import opened_page
from guard.clock import RealClock, SessionClock
from guard.commands.session_parts import SessionKind, finished, guarded, panel_for
from guard.errors import HardwareError, short
from guard.events import Action, Command, CueGiven, Input, Reading
from guard.live.inbox import Inbox, Press
from guard.live.source import Source
from guard.live.terminal import ending_signals
from guard.pins.panel import Panel
from guard.plan.plan import Plan
from guard.radio.companions import WithSpeed
from guard.settings import Settings

POWER_OFF: tuple[tuple[str, ...], ...] = (
    ("sudo", "-n", "systemctl", "poweroff"),  # as `hardware/pi.sh install --power-off` allows
    ("systemctl", "poweroff"),
)
POWER_OFF_LIMIT_S = 20.0  # for the system to answer (ours)

Tell = Callable[[str], None]
FIRST_WORD_AFTER = 5  # readings: then there is a heart rate to tell
LOOK_S = 1.0  # between two looks at the clock


async def stand_by(
    settings: Settings, kind: SessionKind, make_source: Callable[[], WithSpeed], tell: Tell, *,
    plan: Plan | None = None,
) -> int:
    """Until a signal comes: wait for the button where there is one, then for the strap, then guard.

    Returns the exit code: 0, also after a signal, which is how a service is
    stopped.
    """
    return await _StandBy(settings, kind, make_source, tell, plan).run()


class _StandBy:
    def __init__(self, settings: Settings, kind: SessionKind, make_source: Callable[[], WithSpeed],
                 tell: Tell, plan: Plan | None) -> None:
        self._settings, self._kind, self._make_source = settings, kind, make_source
        self._tell, self._plan = tell, plan
        self._loop = asyncio.get_running_loop()
        self._stopping = asyncio.Event()
        self._presses: asyncio.Queue[Press] = asyncio.Queue()
        self._power_off = False
        self._inbox: Inbox | None = None

    async def run(self) -> int:
        panel = panel_for(self._settings, self._tell)
        if panel:
            panel.on_press = self._take
            await asyncio.to_thread(panel.open)
        with ending_signals(lambda _how: self._stopping.set()):
            try:
                while not self._stopping.is_set():
                    await self._once(panel)
            finally:
                if panel:
                    await asyncio.to_thread(panel.release)
        if self._power_off:
            await asyncio.to_thread(power_off)
        return 0

    async def _once(self, panel: Panel | None) -> None:
        """One round: from waiting to the end of a session."""
        if panel:
            panel.wait(searching=not panel.has_button)
        if panel and panel.has_button:
            self._tell("waiting for the button")
            while not self._presses.empty():  # what was pressed before is forgotten
                self._presses.get_nowait()
            if not await self._done(self._pressed(short=True)):
                return
            panel.wait(searching=True)
        source = self._make_source()
        if not await self._done(source.prepare(self._tell), self._pressed(short=False)):
            return
        self._tell("the strap was found: the session begins")
        self._inbox = Inbox()
        page = await opened_page(self._settings, self._inbox, self._tell, wait=False, title=self._kind.title)
        try:
            ended = await guarded(
                Unattended(source, 60.0 * self._settings.stand_by_end_min), self._settings, RealClock(),
                self._kind, plain=True, plan=self._plan, panel=panel, page=page, inbox=self._inbox)
        finally:
            self._inbox = None
        finished(ended, title="Session")
        self._tell(f"the session has ended; its log: {ended.log_path or 'none could be kept'}")
        if ended.how == "interrupted":
            self._stopping.set()

    async def _pressed(self, *, short: bool) -> None:
        """Wait for a short press, which begins, or for a longer one, which ends."""
        while (await self._presses.get() is Press.SHORT) is not short:
            pass

    async def _done(self, work: Coroutine[Any, Any, None], *ends: Coroutine[Any, Any, None]) -> bool:
        """Whether `work` was done before a signal came, or what `ends` it."""
        doing = asyncio.create_task(work)
        await first_of(doing, *map(asyncio.create_task, (self._stopping.wait(), *ends)))
        if doing.cancelled():
            return False
        doing.result()
        return True

    def _take(self, press: Press) -> None:
        """A press, told by a thread of the panel."""
        if not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self._press, press)

    def _press(self, press: Press) -> None:
        if press is Press.VERY_LONG:
            self._power_off = True
            self._stopping.set()
        elif self._inbox:
            self._inbox.press(press)
            return
        self._presses.put_nowait(press)


def power_off() -> None:
    """Switch the machine off; HardwareError with the fix where that is not allowed."""
    said = ""
    for words in POWER_OFF:
        try:
            done = subprocess.run(words, stdin=subprocess.DEVNULL, capture_output=True, text=True,
                                  timeout=POWER_OFF_LIMIT_S, check=False)
        except (OSError, subprocess.TimeoutExpired) as error:
            said = str(error)
            continue
        if done.returncode == 0:
            return
        said = done.stderr.strip().splitlines()[0] if done.stderr.strip() else f"exit {done.returncode}"
    raise HardwareError(f"this machine may not be switched off from here ({short(said, 120)}): "
                        "`bash hardware/pi.sh install --power-off` allows it")


class Unattended:
    """`source` as a source that ends after `quiet_s` without a heart rate (0: never).

    A strap that sends without touching skin (0 bpm, no contact and no beats) has none.
    After the first readings it asks for the status, which is then spoken: with
    no screen that is how the runner learns that the guard has begun.
    """

    def __init__(self, source: Source, quiet_s: float) -> None:
        self._source, self._quiet_s = source, quiet_s

    @property
    def about(self) -> dict[str, object]:
        return self._source.about

    async def run(self, clock: SessionClock, put: Callable[[Input], None]) -> None:
        """Put the source's events until it ends, is cancelled, or the heart rate has long been gone."""
        readings, last_s = 0, clock.now_s()

        def take(event: Input) -> None:
            nonlocal readings, last_s
            put(event)
            if isinstance(event, Reading) and event.bpm and (event.contact is not False or event.rr_s):
                readings, last_s = readings + 1, event.t_s
                if readings == FIRST_WORD_AFTER:
                    put(Command(event.t_s, Action.STATUS))

        async def gone() -> None:
            while not self._quiet_s or clock.now_s() - last_s < self._quiet_s:
                await clock.sleep_until(clock.now_s() + LOOK_S)

        tasks = [asyncio.create_task(self._source.run(clock, take)), asyncio.create_task(gone())]
        await first_of(*tasks)
        if not tasks[0].cancelled():
            tasks[0].result()

    def hear(self, cue: CueGiven) -> None:
        self._source.hear(cue)

    def set_speed(self, speed_m_s: float) -> None:
        self._source.set_speed(speed_m_s)


async def first_of(*tasks: asyncio.Task[object]) -> None:
    """Wait until one is done; the others are cancelled and waited for."""
    try:
        await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.wait(tasks)
