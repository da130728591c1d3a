"""A strap and the devices that tell the speed beside it, as one source of a session."""

import asyncio
import contextlib
from collections.abc import Callable, Sequence

from guard.clock import SessionClock
from guard.errors import HardwareError
from guard.events import CueGiven, Input, LinkState, SpeedLink
from guard.radio.speed_source import SpeedSource
from guard.radio.strap import StrapSource


class WithSpeed:
    """Implements `guard.live.source.Source`: the strap leads, the others never stop it."""

    def __init__(self, strap: StrapSource, companions: Sequence[SpeedSource]) -> None:
        self._strap = strap
        self._companions = list(companions)

    @property
    def about(self) -> dict[str, object]:
        """The strap's facts, with those of the others under `speed`."""
        about = dict(self._strap.about)
        if self._companions:
            about["speed"] = [one.about for one in self._companions]
        return about

    async def prepare(self, tell: Callable[[str], None] = lambda text: None) -> None:
        """Find the strap, then have the runner choose what is still to be chosen.

        Raises HardwareError for the strap only; a treadmill or pod that is not
        found is said and done without.
        """
        await self._strap.prepare(tell)
        for one in list(self._companions):
            if one.is_known:
                continue
            try:
                await one.prepare(tell)
            except HardwareError as error:
                self._companions.remove(one)
                tell(f"without a {one.noun}: {error}")

    async def run(self, clock: SessionClock, put: Callable[[Input], None]) -> None:
        """Put events until cancelled, or until the strap's part ends."""
        leading = asyncio.create_task(self._strap.run(clock, put))
        tasks = [leading, *(asyncio.create_task(_beside(one, clock, put)) for one in self._companions)]
        try:
            await asyncio.wait({leading})
        finally:
            for task in tasks:  # all at once: each may take its time to let go of its device
                task.cancel()
            await asyncio.wait(tasks)
        leading.result()

    def hear(self, cue: CueGiven) -> None:
        """Devices do not listen to cues."""

    def set_speed(self, speed_m_s: float) -> None:
        """No device is ever told a speed."""


async def _beside(one: SpeedSource, clock: SessionClock, put: Callable[[Input], None]) -> None:
    """A fault of a companion costs its speed, nothing else."""
    with contextlib.suppress(asyncio.CancelledError):
        try:
            await one.run(clock, put)
        except Exception as error:
            put(SpeedLink(round(clock.now_s(), 3), one.device, LinkState.LOST, one.noun,
                          f"a fault of the guard ({type(error).__name__})", fault="guard"))
