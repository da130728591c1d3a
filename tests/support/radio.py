"""Running a strap source in a test: its events, and waiting for one of them."""

from __future__ import annotations

import asyncio
import contextlib
import os
from collections.abc import AsyncIterator, Callable, Iterator
from typing import Any

import pytest

from guard.clock import RealClock
from guard.events import Input, Link, LinkState, Reading
from guard.radio.strap import StrapSource
from tests.support.bluez import Bluez, start_bluez


class Running:
    """The events a source has put so far."""

    def __init__(self) -> None:
        self.clock = RealClock()
        self.events: list[Input] = []
        self.task: asyncio.Task[None] | None = None
        self._news = asyncio.Event()

    def put(self, event: Input) -> None:
        self.events.append(event)
        self._news.set()

    @property
    def readings(self) -> list[Reading]:
        return [event for event in self.events if isinstance(event, Reading)]

    @property
    def links(self) -> list[Link]:
        return [event for event in self.events if isinstance(event, Link)]

    async def until(self, wanted: Callable[[Any], bool], limit_s: float = 10.0, *, after: int = 0) -> Any:
        """The first event from index `after` on that is `wanted`; fails loudly when none comes in time."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(limit_s):
                while True:
                    for event in self.events[after:]:
                        if wanted(event):
                            return event
                    if self.task is not None and self.task.done():
                        self.task.result()
                    self._news.clear()
                    await self._news.wait()
        raise AssertionError(f"not within {limit_s} s; last events: {self.events[-6:]}")

    async def reading(self, limit_s: float = 10.0, *, after: int = 0) -> Reading:
        return await self.until(lambda event: isinstance(event, Reading), limit_s, after=after)

    async def link(self, state: LinkState, limit_s: float = 10.0, *, after: int = 0) -> Link:
        return await self.until(
            lambda event: isinstance(event, Link) and event.state is state, limit_s, after=after)


@contextlib.asynccontextmanager
async def running(source: StrapSource) -> AsyncIterator[Running]:
    """Run the source until the block is left, then cancel it as the live session does."""
    ran = Running()
    ran.task = asyncio.create_task(source.run(ran.clock, ran.put))
    try:
        yield ran
    finally:
        ran.task.cancel()
        with contextlib.suppress(asyncio.CancelledError, Exception):
            await ran.task
        await forget_bus()


async def forget_bus() -> None:
    """Close the Bluetooth library's own bus connection of this event loop."""
    from bleak.backends.bluezdbus import manager

    one = manager._global_instances.pop(asyncio.get_running_loop(), None)
    if one is not None and one._bus is not None:
        one._bus.disconnect()
        if one._bus_watcher_task is not None:
            await asyncio.wait({one._bus_watcher_task}, timeout=2)


@pytest.fixture(scope="session")
def radio_room() -> Iterator[Bluez]:
    """The emulated BlueZ that all tests of a run share; take `bluez` instead."""
    with start_bluez() as one:
        yield one


@pytest.fixture
def bluez(radio_room: Bluez, monkeypatch: pytest.MonkeyPatch) -> Bluez:
    """An emulated BlueZ in its first state that this process, and those it starts, will talk to."""
    radio_room.reset()
    for key, value in radio_room.env.items():
        monkeypatch.setitem(os.environ, key, value)
    return radio_room
