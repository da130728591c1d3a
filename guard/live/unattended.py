"""A source nobody looks after: it says where it is once it has begun, and ends when the runner has gone."""

import asyncio
from collections.abc import Callable

from guard.clock import SessionClock
from guard.events import Action, Command, CueGiven, Input, Reading
from guard.live.source import Source

FIRST_WORD_AFTER = 5  # readings: then there is a heart rate to tell
LOOK_S = 1.0  # between two looks at the clock


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
