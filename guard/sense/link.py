"""The radio link to a strap: find it, connect, watch it, get it back.

One loop owns the link. Callbacks of the Bluetooth library only note what
happened; each connection has a number, and what comes late from an older one
is dropped. The link is judged by its packets (see `guard.sense.watch`).

    search ─> connect ─> watch ─> lost ─> (back off) ─> search …
       └ radio in trouble: said with its mend, looked at every second until well
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from guard.clock import SessionClock
from guard.errors import GuardError
from guard.events import Battery, CueGiven, Input, Link, LinkState, Reading
from guard.heart import packet
from guard.sense import faults
from guard.sense.listen import Sighting
from guard.sense.peripheral import BATTERY_LEVEL, BODY_SENSOR_LOCATION, HEART_RATE, Peripheral
from guard.sense.radio import look
from guard.sense.search import Choose, Search
from guard.sense.seen import Seen, Strap, Wanted
from guard.sense.watch import BackOff, Limits, Silence, Twins

if TYPE_CHECKING:
    from bleak import BleakClient

Remember = Callable[[Strap], None]

BAD_PACKET_SHOWN_S = 10.0


class StrapSource:
    """A strap as the source of a session (`guard.sense.source.Source`).

    `wanted` is the strap looked for: the remembered one, or what the runner
    typed; None takes the only one in range. With several in range and no way
    to tell, `choose` is asked; without it HardwareError names them. `remember`
    is called, off the event loop, with the strap that gave its first reading.
    `wait_s` is how long the first search may take before HardwareError; None
    searches on.
    """

    def __init__(
        self,
        wanted: Wanted | None = None,
        *,
        choose: Choose | None = None,
        remember: Remember | None = None,
        wait_s: float | None = None,
        limits: Limits | None = None,
        peripheral: Peripheral = HEART_RATE,
    ) -> None:
        self._peripheral = peripheral
        self._limits = limits or Limits()
        self._remember = remember
        self._search = Search(peripheral, self._limits, wanted, choose, wait_s)
        self._found: Sighting | None = None
        self._number = 0
        self._body_location: dict[str, str] = {}
        self._back_off = BackOff()
        self._twins = Twins(self._limits.twin_s)
        self._link: Link | None = None
        self._bad_packet_s: float | None = None
        self._put: Callable[[Input], None] = lambda event: None
        self._clock: SessionClock | None = None

    @property
    def about(self) -> dict[str, object]:
        """Kind, name and address for the log's first line, as far as known yet."""
        wanted = self._found.seen if self._found else self._search.wanted or Wanted()
        return {"kind": "strap", "name": wanted.name, "address": wanted.address,
                "service": self._peripheral.service}

    async def prepare(self, tell: Callable[[str], None] = lambda text: None) -> Seen:
        """Find the strap before the session begins, while prompts and errors are cheap.

        Optional: `run` does it where it was not done. `tell` gets a line for
        the runner whenever there is something to say. Raises HardwareError.
        """
        self._found = await self._search.find(
            lambda state, detail: tell(detail or f"looking for the {self._peripheral.what}"))
        return self._found.seen

    async def run(self, clock: SessionClock, put: Callable[[Input], None]) -> None:
        """Put readings, battery and link changes until cancelled.

        Raises HardwareError while nothing has been connected yet, where the
        radio is missing or the strap cannot be found or told apart; after that
        every trouble is a `Link` event and is recovered from.
        """
        self._clock, self._put = clock, put
        while True:
            found = self._found or await self._search.find(self._tell)
            self._found = None
            trouble = await self._serve(found)
            self._tell(LinkState.LOST, trouble, found.seen)
            await asyncio.sleep(self._back_off.next_s())

    def hear(self, cue: CueGiven) -> None:
        """A strap does not listen to cues."""

    def set_speed(self, speed_m_s: float) -> None:
        """A strap knows no speed."""

    async def _serve(self, found: Sighting) -> str:
        """Connect and watch until the link is lost; returns what was wrong."""
        from bleak import BleakClient

        self._number += 1
        number, lost, loop = self._number, asyncio.Event(), asyncio.get_running_loop()
        limits = self._limits
        silence = Silence(limits, loop.time())
        battery: asyncio.Task[None] | None = None

        def on_lost(_client: BleakClient) -> None:
            if number == self._number:
                lost.set()

        def on_packet(_from: Any, data: bytearray) -> None:
            if number == self._number:
                self._take(bytes(data), silence, found)

        self._tell(LinkState.CONNECTING, found.note, found.seen)
        client = BleakClient(found.device, on_lost, timeout=limits.connect_s)
        try:
            async with asyncio.timeout(limits.connect_s + limits.part_s):
                await client.connect()
                await self._ask_body_location(client, found.seen.address)
                await client.start_notify(self._peripheral.measurement, on_packet)
            silence.packet(loop.time())
            self._tell(LinkState.CONNECTED, found.note, found.seen)
            self._search.connected(found)
            battery = asyncio.create_task(self._watch_battery(client, number))
            return await self._watch(lost, silence, found)
        except Exception as error:
            # Whatever the Bluetooth library or the bus throws costs this
            # connection, never the session.
            trouble = faults.explain(error)
            self._search.failed(found, trouble)
            return trouble
        finally:
            self._number += 1
            if battery is not None:
                battery.cancel()
            await self._part(client)

    def _take(self, raw: bytes, silence: Silence, found: Sighting) -> None:
        now_s = asyncio.get_running_loop().time()
        event = self._peripheral.read(self._now_s(), raw)
        if isinstance(event, str):
            self._bad_packet_s = now_s
            self._tell(LinkState.CONNECTED, f"a packet of {len(raw)} bytes could not be read ({event})",
                       found.seen)
            return
        if self._twins.is_twin(raw, now_s, isinstance(event, Reading) and bool(event.rr_s)):
            return
        silence.packet(now_s)
        if self._bad_packet_s is None or now_s - self._bad_packet_s > BAD_PACKET_SHOWN_S:
            self._bad_packet_s = None
            self._tell(LinkState.CONNECTED, found.note, found.seen)
        self._put(event)
        self._keep_in_mind(found.seen)

    async def _watch(self, lost: asyncio.Event, silence: Silence, found: Sighting) -> str:
        """Return what ended the link: its own word, the radio's, or silence."""
        loop = asyncio.get_running_loop()
        began_s = loop.time()
        owner = (await look(self._limits.ask_s)).owner
        while True:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(max(0.05, silence.due_in_s(loop.time()))):
                    await lost.wait()
            now_s = loop.time()
            if lost.is_set():
                problem = (await look(self._limits.ask_s)).problem
                return faults.what(problem) if problem else "the link to the strap broke"
            if silence.length_s(now_s) < self._limits.doubt_s and now_s - began_s >= self._limits.good_s:
                self._back_off.clear()
            if silence.over(now_s):
                return f"connected, but no readings for {silence.length_s(now_s):.0f} s: {faults.ELSEWHERE}"
            if silence.look_due(now_s):
                radio = await look(self._limits.ask_s)
                if radio.problem:
                    return faults.what(radio.problem)
                if radio.owner != owner:
                    return "the Bluetooth service was started anew"
                if radio.connected is not None and found.seen.address.upper() not in radio.connected:
                    return "the strap is out of reach"

    async def _ask_body_location(self, client: BleakClient, address: str) -> None:
        """Ask once a session; most straps say "chest", many nothing."""
        if address in self._body_location:
            return
        with contextlib.suppress(Exception):
            async with asyncio.timeout(self._limits.ask_s):
                raw = bytes(await client.read_gatt_char(BODY_SENSOR_LOCATION))
            self._body_location[address] = packet.body_location(raw)

    async def _watch_battery(self, client: BleakClient, number: int) -> None:
        """Put the charge when it is first known and whenever it changes."""
        last: int | None = None

        def on_charge(_from: Any, data: bytearray) -> None:
            nonlocal last
            percent = packet.battery_percent(bytes(data))
            if number == self._number and percent is not None and percent != last:
                last = percent
                self._put(Battery(self._now_s(), percent))

        with contextlib.suppress(Exception):  # many straps offer no notification, or no battery at all
            async with asyncio.timeout(self._limits.ask_s):
                await client.start_notify(BATTERY_LEVEL, on_charge)
        while True:
            with contextlib.suppress(Exception):
                async with asyncio.timeout(self._limits.ask_s):
                    on_charge(None, await client.read_gatt_char(BATTERY_LEVEL))
            await asyncio.sleep(self._limits.battery_every_s)

    async def _part(self, client: BleakClient) -> None:
        """Disconnect, or the platform keeps the link and the strap seems gone next time."""
        with contextlib.suppress(Exception):
            async with asyncio.timeout(self._limits.part_s):
                await client.disconnect()

    def _keep_in_mind(self, seen: Seen) -> None:
        """Remember the strap once it has given a reading; failing to is no matter of the session."""
        remember, self._remember = self._remember, None
        if remember is None:
            return

        def keep() -> None:
            with contextlib.suppress(GuardError, OSError):
                remember(Strap(seen.name, seen.address))

        asyncio.get_running_loop().run_in_executor(None, keep)

    def _tell(self, state: LinkState, detail: str = "", seen: Seen | None = None) -> None:
        """Put a `Link` event where it says anything new."""
        about = seen or self._search.wanted or Wanted()
        location = self._body_location.get(about.address, "") if state is LinkState.CONNECTED else ""
        link = Link(0.0, state, about.name or about.address, detail, about.address, location)
        if link != self._link:
            self._link = link
            self._put(Link(self._now_s(), link.state, link.name, link.detail, link.address,
                           link.body_location))

    def _now_s(self) -> float:
        return round(self._clock.now_s(), 3) if self._clock else 0.0

