"""The radio link to one device: find it, connect, watch it, get it back.

One loop owns the link. Callbacks of the Bluetooth library only note what
happened; each connection has a number, and what comes late from an older one
is dropped. The link is judged by its packets (see `guard.radio.watch`).

    search ─> connect ─> watch ─> lost ─> (back off) ─> search …

This is what a strap (`guard.radio.strap`) and a treadmill or foot pod
(`guard.radio.speed_source`) have in common.
"""

import asyncio
import contextlib
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from bleak import BleakClient

from guard.clock import Bucket, SessionClock
from guard.devices.peripheral import BATTERY_LEVEL, Peripheral
from guard.devices.seen import RememberedDevice, Seen, Wanted
from guard.errors import GuardError, HardwareError
from guard.events import Input, LinkState, Reading
from guard.packets.heart_rate import Malformed, battery_percent
from guard.radio import faults
from guard.radio.adapter import Radio, look
from guard.radio.faults import Fault
from guard.radio.listen import Sighting
from guard.radio.search import DeviceSearch, LinkOptions
from guard.radio.watch import PACKETS_AT_ONCE, PACKETS_PER_S, BackOff, LinkTiming, Silence, Twins

BAD_PACKET_SHOWN_S = 10.0  # a fault of the sensor stays on screen (ours)
TOO_FAST = Fault("too_fast", "the sensor sends far more often than once a second",
                 "the excess is dropped")
BAD_PACKETS_TOLD = 3  # kinds of them, until only good ones came for that long


@dataclass(slots=True)
class Connection:
    """One connection, subscribed to, with what watches over it."""

    client: BleakClient
    found: Sighting
    lost: asyncio.Event
    silence: Silence
    number: int


class DeviceLink:
    """A device and the link to it; what it means to the session is for the subclasses to say.

    `wanted` is the device looked for: the remembered one, or what the runner
    typed; None takes the only one in range.
    """

    TIMING = LinkTiming()

    def __init__(self, peripheral: Peripheral, wanted: Wanted | None, options: LinkOptions) -> None:
        self._peripheral = peripheral
        self._hold, self._patient = options.hold, options.patient
        self._limits = options.timing or self.TIMING
        self._remember = options.remember
        self._search = DeviceSearch(peripheral, self._limits, wanted, options)
        self._found: Sighting | None = None
        self._number = 0
        self._back_off = BackOff(self._limits.retry_s)
        self._twins = Twins(self._limits.twin_s)
        self._packets = Bucket(PACKETS_PER_S, PACKETS_AT_ONCE)
        self._bad_packet_s: float | None = None
        self._bad_told: set[str] = set()  # of the present run of bad packets
        self._put: Callable[[Input], None] = lambda event: None
        self._clock: SessionClock | None = None

    @property
    def about(self) -> dict[str, object]:
        """Kind, name and address for the log's first line, as far as known yet."""
        wanted = self._found.seen if self._found else self._search.wanted or Wanted()
        return {"kind": self._peripheral.kind, "name": wanted.name, "address": wanted.address,
                "service": self._peripheral.service}

    async def prepare(self, tell: Callable[[str], None] = lambda text: None) -> Seen:
        """Find the device before the session begins, while prompts and errors are cheap.

        Optional: `run` does it where it was not done. `tell` gets a line for
        the runner whenever there is something to say. Raises HardwareError.
        """
        said = ""

        def news(_state: LinkState, fault: Fault | None) -> None:
            nonlocal said
            sentence = str(fault) if fault else f"looking for the {self._peripheral.what}"
            if sentence != said:
                said = sentence
                tell(sentence)

        while True:
            found = await self._search.find(news)
            if not (held := self._taken_by(found)):
                self._found = found
                return found.seen
            if not self._patient:
                raise HardwareError(held.what, held.fix)
            news(LinkState.UNAVAILABLE, held)
            await asyncio.sleep(self._limits.look_every_s)

    def _taken_by(self, found: Sighting) -> Fault | None:
        """Who else on this machine reads the device, with the fix; None where it is ours."""
        holder = self._hold(found.seen.address) if self._hold else ""
        return Fault(
            "held", f"{found.seen.label} is already read by another guard on this machine ({holder})",
            f"end that one first, or wear another {self._peripheral.noun}") if holder else None

    # What subclasses add.

    def _tell(
        self, state: LinkState, fault: Fault | None = None, seen: Seen | None = None, note: str = "",
    ) -> None:
        """The link has come to `state`; `fault` is in its way, `note` is what is odd of a good one."""
        raise NotImplementedError

    def _charged(self, percent: int) -> None:
        """The device told its charge."""
        raise NotImplementedError

    async def _greet(self, client: BleakClient, address: str) -> None:
        """Ask what is asked once, before readings begin."""

    def _took(self, event: Input) -> None:
        """`event` was read from the device."""

    def _bears_silence(self, connection: Connection, radio: Radio) -> bool:
        """Whether a silent device is well all the same."""
        return False

    # The parts of a link's life.

    async def _connect(self, found: Sighting) -> Connection | Fault:
        """Connect and subscribe, or say what was wrong."""
        if held := self._taken_by(found):
            self._search.failed(found, held)
            return held
        self._number += 1
        number, lost, loop = self._number, asyncio.Event(), asyncio.get_running_loop()
        limits = self._limits
        silence = Silence(limits, loop.time())

        def on_lost(_client: BleakClient) -> None:
            if number == self._number:
                lost.set()

        def on_packet(_from: Any, data: bytearray) -> None:
            if number == self._number:
                self._take(bytes(data), silence, found)

        self._tell(LinkState.CONNECTING, None, found.seen, found.note)
        client = BleakClient(found.device, on_lost, timeout=limits.connect_s)
        try:
            async with asyncio.timeout(limits.connect_s + limits.part_s):
                await client.connect()
                await self._greet(client, found.seen.address)
                await client.start_notify(self._peripheral.measurement, on_packet)
        except BaseException as error:
            self._number += 1
            await self._part(client)
            if not isinstance(error, Exception):
                raise
            # Whatever the Bluetooth library or the bus throws costs this
            # connection, never the session.
            trouble = faults.explain(error, self._peripheral)
            self._search.failed(found, trouble)
            return trouble
        silence.packet(loop.time())
        self._tell(LinkState.CONNECTED, None, found.seen, found.note)
        self._search.connected(found)
        return Connection(client, found, lost, silence, number)

    async def _attend(self, connection: Connection) -> Fault:
        """Watch until the link is lost, and part; returns what was wrong."""
        battery = asyncio.create_task(self._watch_battery(connection.client, connection.number))
        try:
            return await self._watch(connection)
        except Exception as error:
            return faults.explain(error, self._peripheral)
        finally:
            self._number += 1
            battery.cancel()
            await self._part(connection.client)

    def _take(self, raw: bytes, silence: Silence, found: Sighting) -> None:
        now_s = asyncio.get_running_loop().time()
        if not self._packets.take(now_s):
            self._tell_bad(TOO_FAST.code, TOO_FAST, now_s, found)
            return
        event = self._peripheral.read(self._now_s(), raw)
        if isinstance(event, Malformed):
            why = f"a packet of {len(raw)} bytes could not be read ({event.reason})"
            self._tell_bad(event.defect.name, Fault("bad_packet", why), now_s, found)
            return
        if self._twins.is_twin(raw, now_s, isinstance(event, Reading) and bool(event.rr_s)):
            return
        silence.packet(now_s)
        if self._bad_packet_s is None or now_s - self._bad_packet_s > BAD_PACKET_SHOWN_S:
            self._bad_packet_s = None
            self._bad_told.clear()
            self._tell(LinkState.CONNECTED, None, found.seen, found.note)
        if event is None:
            return
        self._took(event)
        self._put(event)
        self._keep_in_mind(found.seen)

    def _tell_bad(self, kind: str, fault: Fault, now_s: float, found: Sighting) -> None:
        """Say it once for each kind: every line is synced, and a wild sensor must not fill the log."""
        self._bad_packet_s = now_s
        if kind not in self._bad_told and len(self._bad_told) < BAD_PACKETS_TOLD:
            self._bad_told.add(kind)
            self._tell(LinkState.CONNECTED, fault, found.seen)

    async def _watch(self, connection: Connection) -> Fault:
        """Return what ended the link: its own word, the radio's, or silence."""
        loop = asyncio.get_running_loop()
        lost, silence, noun = connection.lost, connection.silence, self._peripheral.noun
        address = connection.found.seen.address.upper()
        began_s = loop.time()
        owner = (await look(self._limits.ask_s)).owner
        while True:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(max(0.05, silence.due_in_s(loop.time()))):
                    await lost.wait()
            now_s = loop.time()
            if lost.is_set():
                problem = (await look(self._limits.ask_s)).problem
                return problem.brief() if problem else Fault("broke", f"the link to the {noun} broke")
            if silence.length_s(now_s) < self._limits.doubt_s and now_s - began_s >= self._limits.good_s:
                self._back_off.clear()
            if silence.over(now_s):
                silent_s = f"{silence.length_s(now_s):.0f} s"
                return Fault("silent", f"connected, but no readings for {silent_s}", self._peripheral.fix)
            if silence.look_due(now_s):
                radio = await look(self._limits.ask_s)
                if radio.problem:
                    return radio.problem.brief()
                if radio.owner != owner:
                    return faults.SERVICE_RESTARTED
                if radio.connected is not None and address not in radio.connected:
                    return Fault("out_of_reach", f"the {noun} is out of reach")
                if self._bears_silence(connection, radio):
                    silence.packet(now_s)

    async def _watch_battery(self, client: BleakClient, number: int) -> None:
        """Tell the charge when it is first known and whenever it changes."""
        last: int | None = None

        def on_charge(_from: Any, data: bytearray) -> None:
            nonlocal last
            percent = battery_percent(bytes(data))
            if number == self._number and percent is not None and percent != last:
                last = percent
                self._charged(percent)

        with contextlib.suppress(Exception):  # many offer no notification, or no battery at all
            async with asyncio.timeout(self._limits.ask_s):
                await client.start_notify(BATTERY_LEVEL, on_charge)
        while True:
            with contextlib.suppress(Exception):
                async with asyncio.timeout(self._limits.ask_s):
                    on_charge(None, await client.read_gatt_char(BATTERY_LEVEL))
            await asyncio.sleep(self._limits.battery_every_s)

    async def _part(self, client: BleakClient) -> None:
        """Disconnect, or the platform keeps the link and the device seems gone next time."""
        with contextlib.suppress(Exception):
            async with asyncio.timeout(self._limits.part_s):
                await client.disconnect()

    def _keep_in_mind(self, seen: Seen) -> None:
        """Remember the device once it has given a reading; failing to is no matter of the session."""
        remember, self._remember = self._remember, None
        if remember is None:
            return

        def keep() -> None:
            with contextlib.suppress(GuardError, OSError):
                remember(RememberedDevice(seen.name, seen.address))

        asyncio.get_running_loop().run_in_executor(None, keep)

    def _now_s(self) -> float:
        return round(self._clock.now_s(), 3) if self._clock else 0.0
