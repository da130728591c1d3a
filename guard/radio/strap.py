"""The strap as the source of a session."""

import asyncio
import contextlib
from collections.abc import Callable
from dataclasses import replace

from bleak import BleakClient

from guard.clock import SessionClock
from guard.devices.peripheral import BODY_SENSOR_LOCATION, STRAP_PERIPHERAL
from guard.devices.seen import Seen, Wanted
from guard.events import Battery, Input, Link, LinkState
from guard.packets import heart_rate as packet
from guard.radio.airtime import Airtime
from guard.radio.faults import Fault
from guard.radio.link import DeviceLink
from guard.radio.search import USUAL_OPTIONS, LinkOptions


class StrapSource(DeviceLink):
    """The strap of a session (with what else there is, `WithSpeed` is its source).

    Whoever shares the radio with it is handed `airtime`.

        search ─> connect ─> watch ─> lost ─> (back off) ─> search …
           └ radio in trouble: said with its fix, looked at every second until well
    """

    def __init__(
        self,
        wanted: Wanted | None = None,
        options: LinkOptions = USUAL_OPTIONS,
        airtime: Airtime | None = None,
    ) -> None:
        super().__init__(STRAP_PERIPHERAL, wanted, options)
        self._airtime = airtime or Airtime()
        self._body_location: dict[str, str] = {}
        self._link: Link | None = None

    async def run(self, clock: SessionClock, put: Callable[[Input], None]) -> None:
        """Put readings, battery and link changes until cancelled.

        Raises HardwareError while nothing has been connected yet, where the
        radio is missing or the strap cannot be found or told apart; after that
        every trouble is a `Link` event and is recovered from.
        """
        self._clock, self._put = clock, put
        while True:
            await self._airtime.claim(self._limits.part_s)
            found = self._found or await self._search.find(self._tell)
            self._found = None
            reached = await self._connect(found)
            if isinstance(reached, Fault):
                trouble = reached
            else:
                self._airtime.release()
                trouble = await self._attend(reached)
            self._tell(LinkState.LOST, trouble, found.seen)
            await self._airtime.claim(self._limits.part_s)
            await asyncio.sleep(self._back_off.next_s())

    async def _greet(self, client: BleakClient, address: str) -> None:
        """Ask where it is worn, once a session; most straps say "chest", many nothing."""
        if address in self._body_location:
            return
        with contextlib.suppress(Exception):
            async with asyncio.timeout(self._limits.ask_s):
                raw = bytes(await client.read_gatt_char(BODY_SENSOR_LOCATION))
            self._body_location[address] = packet.body_location(raw)

    def _charged(self, percent: int) -> None:
        self._put(Battery(self._now_s(), percent))

    def _tell(
        self, state: LinkState, fault: Fault | None = None, seen: Seen | None = None, note: str = "",
    ) -> None:
        """Put a `Link` event where it says anything new."""
        about = seen or self._search.wanted or Wanted()
        location = self._body_location.get(about.address, "") if state is LinkState.CONNECTED else ""
        detail, code = (str(fault), fault.code) if fault else (note, "")
        link = Link(0.0, state, about.name or about.address, detail, about.address, location, code)
        if link != self._link:
            self._link = link
            self._put(replace(link, t_s=self._now_s()))
