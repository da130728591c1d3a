"""A treadmill or foot pod beside the strap: its speed is welcome, never needed.

It is looked for only while the strap is well, in short stretches ever further
apart, and nothing it does or fails to do reaches the strap's link. What it told
last is not known any more after some seconds (`guard.session.speeds`).
"""

import asyncio
from collections.abc import Callable
from dataclasses import replace

from bleak import BleakClient

from guard.clock import SessionClock
from guard.devices.peripheral import TREADMILL_PERIPHERAL, Peripheral
from guard.devices.seen import Seen, Wanted
from guard.events import Input, LinkState, Speed, SpeedLink
from guard.radio.adapter import Radio
from guard.radio.airtime import Airtime
from guard.radio.faults import Fault
from guard.radio.link import Connection, DeviceLink
from guard.radio.search import USUAL_OPTIONS, LinkOptions
from guard.radio.watch import RETRY_S, LinkTiming

# A scan while the strap is connected costs it air, so each is short; a pod that
# stands still may be silent for long.
SPEED_TIMING = LinkTiming(
    silent_s=30.0, stretch_s=4.0, listen_s=2.0, connect_s=10.0, good_s=5.0, retry_s=RETRY_S)


class SpeedSource(DeviceLink):
    """One device that tells the speed; puts `Speed` and `SpeedLink` events, raises nothing once it runs."""

    TIMING = SPEED_TIMING

    def __init__(
        self,
        peripheral: Peripheral,
        wanted: Wanted | None,
        airtime: Airtime,
        options: LinkOptions = USUAL_OPTIONS,
    ) -> None:
        super().__init__(peripheral, wanted, options)
        self._airtime = airtime
        self._held: Connection | None = None
        self._link: SpeedLink | None = None
        self._battery_percent: int | None = None
        self._last: Speed | None = None
        self._repeats = False

    @property
    def device(self) -> str:
        """`guard.events.TREADMILL` or `FOOT_POD`."""
        return self._peripheral.kind

    @property
    def noun(self) -> str:
        return self._peripheral.noun

    @property
    def is_known(self) -> bool:
        """Whether it is said which device is meant, so that nobody need be asked."""
        return self._search.wanted is not None

    async def run(self, clock: SessionClock, put: Callable[[Input], None]) -> None:
        """Put events until cancelled."""
        self._clock, self._put = clock, put
        try:
            while True:
                reached = await self._airtime.lend(self._reach())
                if reached is None:  # the strap needed the radio
                    continue
                self._held = None  # from here on `_attend` parts from it
                connected = not isinstance(reached, Fault)
                trouble = reached if isinstance(reached, Fault) else await self._attend(reached)
                was_connected = connected or (
                    self._link is not None and self._link.state is LinkState.LOST)
                self._tell(LinkState.LOST if was_connected else LinkState.SEARCHING, trouble)
                await asyncio.sleep(self._back_off.next_s())
        finally:
            if self._held is not None:
                await self._part(self._held.client)

    async def _reach(self) -> Connection | Fault:
        """Connect: to the one found beforehand or just lost without a scan, else after a short one."""
        found, self._found = self._found, None
        if found is None:
            glanced = await self._search.glance()
            if isinstance(glanced, Fault):
                return glanced
            found = glanced
        connection = await self._connect(found)
        if not isinstance(connection, Fault):
            self._found = found
            self._held = connection
        return connection

    async def _greet(self, client: BleakClient, address: str) -> None:
        self._last, self._repeats = None, False

    def _took(self, event: Input) -> None:
        if not isinstance(event, Speed):
            return
        last = self._last
        if last is not None and event.speed_m_s is None:
            event = replace(event, speed_m_s=last.speed_m_s)  # a part of a split record
        elif last is not None:
            same_grade = event.grade is None or event.grade == last.grade
            self._repeats |= event.speed_m_s == last.speed_m_s and same_grade
            event = replace(event, grade=last.grade if event.grade is None else event.grade)
        self._last = event

    def _bears_silence(self, connection: Connection, radio: Radio) -> bool:
        """Some belts send on change only: silent and still connected, they go on as they said last.

        One that has said the same twice sends all the time, so its silence is trouble.
        """
        if self._peripheral is not TREADMILL_PERIPHERAL or self._repeats or self._last is None:
            return False
        if radio.connected is None and not connection.client.is_connected:
            return False
        self._put(replace(self._last, t_s=self._now_s()))
        return True

    def _charged(self, percent: int) -> None:
        self._battery_percent = percent
        self._tell(LinkState.CONNECTED)

    def _tell(
        self, state: LinkState, fault: Fault | None = None, seen: Seen | None = None, note: str = "",
    ) -> None:
        """Put a `SpeedLink` where it says anything new; attempts to connect are not worth one."""
        if state is LinkState.CONNECTING:
            return
        if self._link is not None and state is self._link.state is not LinkState.CONNECTED:
            return  # still lost, still searching: said once
        about = seen or self._search.wanted or Wanted()
        battery = self._battery_percent if state is LinkState.CONNECTED else None
        detail, code = (str(fault), fault.code) if fault else (note, "")
        link = SpeedLink(
            0.0, self.device, state, about.name or about.address, detail, about.address, battery, code)
        if link != self._link:
            self._link = link
            self._put(replace(link, t_s=self._now_s()))
