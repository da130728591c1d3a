"""One client that asks a Bluetooth service the same things everywhere, and writes down what came.

`hardware/bench` runs it against the real bluetoothd of a virtual machine,
`tests/test_bluez_recorded.py` against the emulated one. The two records must
agree in everything that a client can rely on: which signals an event brings and
in which order, which errors a call ends with, which properties of which D-Bus
type an object has. The record is plain JSON.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable
from typing import Any, Protocol

from dbus_fast import BusType, Message, MessageType, Variant
from dbus_fast.aio import MessageBus

BLUEZ = "org.bluez"
ADAPTER = "org.bluez.Adapter1"
DEVICE = "org.bluez.Device1"
SERVICE = "org.bluez.GattService1"
CHARACTERISTIC = "org.bluez.GattCharacteristic1"
BATTERY = "org.bluez.Battery1"
MANAGER = "org.freedesktop.DBus.ObjectManager"
BUS = "org.freedesktop.DBus"

# What is written down when it changes, by interface.
WATCHED = {
    ADAPTER: ("Powered", "Discovering"),
    DEVICE: ("Connected", "ServicesResolved"),
    CHARACTERISTIC: ("Notifying", "Value"),
    BATTERY: ("Percentage",),
}
HEART_RATE, BATTERY_SERVICE = 0x180D, 0x180F
MEASUREMENT, LOCATION, LEVEL = "strap/180d/2a37", "strap/180d/2a38", "strap/180f/2a19"
OFFERED = ("180d", "180f")  # services of the strap; the others are the platform's own matter

Json = dict[str, Any]


class World(Protocol):
    """The room the client stands in: a strap, an adapter and a service that can be told what to do.

    `quiet_s` is how long nothing more must come before a step is over,
    `patience_s` how long anything is waited for.
    """

    strap: str
    quiet_s: float
    patience_s: float

    async def do(self, what: str, value: int = 0) -> None:
        """One of: strap on, strap off, charge N, power 1, power 0, unplug, plug, kill, start."""


class Recorder:
    """Hears the signals of the Bluetooth service and writes down those watched, in plain words."""

    def __init__(self, strap: str, patience_s: float = 30.0) -> None:
        self.strap, self.patience_s = strap, patience_s
        self.lines: list[str] = []
        self.shapes: dict[str, dict[str, str]] = {}
        self.flags: dict[str, list[str]] = {}
        self.labels: dict[str, str] = {}
        self.bus: Any = None
        self._told: set[str] = set()
        self._news = asyncio.Event()

    async def listen(self) -> None:
        """Connect to the system bus and begin to hear."""
        self.bus = await MessageBus(bus_type=BusType.SYSTEM).connect()
        self.bus.add_message_handler(self._hear)
        for rule in (f"type='signal',sender='{BLUEZ}'",
                     f"type='signal',sender='{BUS}',member='NameOwnerChanged',arg0='{BLUEZ}'"):
            await self.bus.call(Message(destination=BUS, path="/org/freedesktop/DBus", interface=BUS,
                                        member="AddMatch", signature="s", body=[rule]))
        await self.look()

    async def objects(self) -> dict[str, dict[str, dict[str, Variant]]]:
        """Those that are there now; none without a service."""
        reply = await self.call("/", MANAGER, "GetManagedObjects")
        return {} if reply.message_type is MessageType.ERROR else reply.body[0]

    async def look(self) -> None:
        """Take note of the objects that are there already."""
        for path, faces in sorted((await self.objects()).items()):
            self._know(path, faces)

    async def call(self, path: str, face: str, member: str, signature: str = "", *body: Any) -> Message:
        reply = await asyncio.wait_for(self.bus.call(Message(
            destination=BLUEZ, path=path, interface=face, member=member, signature=signature,
            body=list(body))), self.patience_s)
        assert reply is not None
        return reply

    def path(self, label: str) -> str:
        """Where the object of this label is, by the newest of its name."""
        return next((path for path, one in reversed(self.labels.items()) if one == label), f"/gone/{label}")

    async def until(self, *lines: str) -> None:
        """Wait until these lines are there, as long as the patience lasts."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(self.patience_s):
                while not all(line in self.lines for line in lines):
                    self._news.clear()
                    await self._news.wait()

    async def quiet(self, for_s: float) -> None:
        """Wait until no new line has come for so long."""
        while True:
            count = len(self.lines)
            await asyncio.sleep(for_s)
            if len(self.lines) == count:
                return

    def close(self) -> None:
        self.bus.disconnect()

    def _hear(self, message: Message) -> None:
        if message.message_type is not MessageType.SIGNAL:
            return
        if message.member == "NameOwnerChanged" and message.body[0] == BLUEZ:
            self._say(f"service {'there' if message.body[2] else 'gone'}")
            if not message.body[2]:
                self.labels.clear()
        elif message.member == "InterfacesAdded":
            path, faces = message.body
            known = self.labels.get(path)
            self._know(path, faces)
            label = self.labels.get(path)
            for face in faces:
                if face == BATTERY and label:
                    self._say(f"{label} Battery1 added")
                elif face in WATCHED and label and known is None:
                    self._say(f"{label} added")
        elif message.member == "InterfacesRemoved":
            path, faces = message.body
            label = self.labels.get(path)
            if label and BATTERY in faces:
                self._say(f"{label} Battery1 removed")
            if label and set(faces) & {ADAPTER, DEVICE, CHARACTERISTIC}:
                self._say(f"{label} removed")
                del self.labels[path]
        elif message.member == "PropertiesChanged":
            face, values, _ = message.body
            self._shape(face, values)
            label = self.labels.get(message.path or "")
            for key in WATCHED.get(face, ()):
                if label and key in values:
                    self._changed(label, key, values[key].value)

    def _know(self, path: str, faces: dict[str, dict[str, Variant]]) -> None:
        label = self._label(path, faces)
        if label is None:
            return
        self.labels[path] = label
        for face, values in faces.items():
            self._shape(face, values)
        if CHARACTERISTIC in faces:
            self.flags[label] = sorted(faces[CHARACTERISTIC]["Flags"].value)

    def _label(self, path: str, faces: dict[str, dict[str, Variant]]) -> str | None:
        above = self.labels.get(path.rpartition("/")[0])
        if ADAPTER in faces:
            return "adapter"
        if DEVICE in faces:
            return "strap" if faces[DEVICE]["Address"].value == self.strap else None
        for face in (SERVICE, CHARACTERISTIC):
            if face in faces and above is not None:
                short = faces[face]["UUID"].value[4:8]
                return f"{above}/{short}" if face == CHARACTERISTIC or short in OFFERED else None
        return self.labels.get(path)

    def _shape(self, face: str, values: dict[str, Variant]) -> None:
        if face in (*WATCHED, SERVICE):
            self.shapes.setdefault(face, {}).update({key: one.signature for key, one in values.items()})

    def _changed(self, label: str, key: str, value: Any) -> None:
        """Values are many: the first one after a subscription is written down."""
        if key == "Value":
            if label not in self._told:
                self._say(f"{label} Value")
            self._told.add(label)
            return
        if key in ("Notifying", "Connected"):
            self._told -= {one for one in self._told if one.startswith(label)}
        self._say(f"{label} {key} {str(value).lower()}")

    def _say(self, line: str) -> None:
        if self.lines[-1:] != [line]:
            self.lines.append(line)
        self._news.set()


class Probe:
    """The client of `probe`: what it calls, and the record of one step after the other."""

    def __init__(self, world: World, tell: Callable[[str], None]) -> None:
        self.world, self.tell = world, tell
        self.recorder = Recorder(world.strap, world.patience_s)
        self.steps: dict[str, Json] = {}
        self.replies: list[str] = []

    @contextlib.asynccontextmanager
    async def step(self, name: str) -> AsyncIterator[None]:
        self.tell(name)
        self.replies, self.recorder.lines = [], []
        yield
        await self.recorder.quiet(self.world.quiet_s)
        self.steps[name] = {"replies": self.replies, "signals": settled(self.recorder.lines)}

    async def ask(self, label: str, face: str, member: str, signature: str = "", *body: Any) -> Message:
        """A call whose outcome is written down: ok, or the name of the error."""
        reply = await self.recorder.call(self.recorder.path(label), face, member, signature, *body)
        failed = reply.message_type is MessageType.ERROR
        self.replies.append(f"{label} {member}: {reply.error_name if failed else 'ok'}")
        return reply

    async def seen(self, *lines: str) -> None:
        """Wait for these lines; that they are missing shows in the record."""
        await self.recorder.until(*lines)

    async def scan(self) -> None:
        """Scan until the strap is heard."""
        await self.ask("adapter", ADAPTER, "SetDiscoveryFilter", "a{sv}", {
            "UUIDs": Variant("as", [f"0000{HEART_RATE:04x}-0000-1000-8000-00805f9b34fb"]),
            "Transport": Variant("s", "le")})
        await self.ask("adapter", ADAPTER, "StartDiscovery")
        await self.seen("adapter Discovering true")
        await self._heard()

    async def _heard(self) -> None:
        heard = asyncio.Event()

        def on(message: Message) -> None:
            if message.member == "PropertiesChanged" and message.body[0] == DEVICE \
                    and "RSSI" in message.body[1] \
                    and self.recorder.labels.get(message.path or "") == "strap":
                heard.set()

        self.recorder.bus.add_message_handler(on)
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(heard.wait(), self.world.patience_s)
        self.recorder.bus.remove_message_handler(on)

    async def ready(self) -> None:
        """Wait for an adapter that is on."""
        for _ in range(round(self.world.patience_s / 0.1)):
            there = (await self.recorder.objects()).values()
            if any(faces[ADAPTER]["Powered"].value for faces in there if ADAPTER in faces):
                return
            await asyncio.sleep(0.1)

    async def stop(self) -> None:
        await self.ask("adapter", ADAPTER, "StopDiscovery")

    async def connect(self) -> None:
        await self.ask("strap", DEVICE, "Connect")
        await self.seen("strap ServicesResolved true")

    async def subscribe(self) -> None:
        await self.ask(MEASUREMENT, CHARACTERISTIC, "StartNotify")
        await self.seen(f"{MEASUREMENT} Value")


_SAYS_NO_MORE = (("adapter added", "adapter Powered true"), ("strap added", "strap Connected false"))


def settled(lines: list[str]) -> list[str]:
    """Lines as a client may rely on them; what differs from run to run has no order here.

    Kept is the order in which a strap comes to be connected, gets its objects
    and is resolved (the same way down), and that of the adapter's signals.
    Objects that come or go together do so in any order; adapter and strap, the
    service's own look at the battery, and values are in no step with each
    other. An adapter that appears may be on already or be switched on a moment later; of
    a strap that appears a service started anew may say that its old link has ended.
    """
    kept: list[str] = []
    for of_one in (
            [line for line in lines if line.startswith("service")],
            [line for line in lines if line.startswith("adapter")],
            [line for line in lines if line.startswith("strap") and not _in_step_with_nothing(line)]):
        group: list[str] = []
        for line in [*of_one, ""]:
            if line.endswith((" added", " removed")):
                group.append(line)
                continue
            kept += sorted(set(group))
            group = []
            if line and not any(line == news and begin in kept for begin, news in _SAYS_NO_MORE):
                kept.append(line)
    return kept + sorted({line for line in lines if _in_step_with_nothing(line)})


def _in_step_with_nothing(line: str) -> bool:
    return line.endswith(" Value") or "Battery1" in line or "Percentage" in line


async def probe(world: World, tell: Callable[[str], None] = lambda step: None) -> Json:
    """Go through everything the guard meets; returns the record. `tell` hears of each step that begins.

    Begins and ends with the strap on, the adapter in and the service running.
    """
    one = Probe(world, tell)
    await one.recorder.listen()
    step, ask = one.step, one.ask
    try:
        await one.ready()
        await one.recorder.look()
        async with step("nothing is looked for"):
            await one.stop()
        async with step("scan"):
            await one.scan()
        async with step("scan twice"):
            await ask("adapter", ADAPTER, "StartDiscovery")
        async with step("end of the scan"):
            await one.stop()
        async with step("connect"):
            await one.connect()
        async with step("read"):
            await ask(LOCATION, CHARACTERISTIC, "ReadValue", "a{sv}", {})
            await ask(LEVEL, CHARACTERISTIC, "ReadValue", "a{sv}", {})
        async with step("subscribe"):
            await one.subscribe()
        async with step("subscribe to what does not notify"):
            await ask(LOCATION, CHARACTERISTIC, "StartNotify")
        async with step("charge changes"):
            await ask(LEVEL, CHARACTERISTIC, "StartNotify")
            await world.do("charge", 41)
            await one.seen(f"{LEVEL} Value")
        async with step("unsubscribe"):
            await ask(MEASUREMENT, CHARACTERISTIC, "StopNotify")
            await ask(LEVEL, CHARACTERISTIC, "StopNotify")
        async with step("strap switched off"):
            await one.subscribe()
            await world.do("strap off")
            await one.seen("strap Connected false")
        async with step("gone and asked all the same"):
            await ask(LEVEL, CHARACTERISTIC, "ReadValue", "a{sv}", {})
            await ask(MEASUREMENT, CHARACTERISTIC, "StartNotify")
        async with step("strap back"):
            await world.do("strap on")
            await one.scan()
            await one.stop()
            await one.connect()
            await one.subscribe()
        async with step("disconnect"):
            await ask("strap", DEVICE, "Disconnect")
            await one.seen("strap Connected false")
        async with step("disconnect twice"):
            await ask("strap", DEVICE, "Disconnect")
        for name, off, gone, on in (
                ("adapter off", ("power", 0),
                 ("strap Connected false", "adapter Powered false"), ("power", 1)),
                ("adapter out", ("unplug",), ("adapter removed",), ("plug",))):
            async with step(f"before {name}"):
                await one.scan()
                await one.stop()
                await one.connect()
                await one.subscribe()
            async with step(name):
                await world.do(*off)
                await one.seen(*gone)
                await ask("adapter", ADAPTER, "StartDiscovery")
            async with step(f"after {name}"):
                await world.do(*on)
                await one.ready()
        async with step("before the service is killed"):
            await one.scan()
            await one.stop()
            await one.connect()
            await one.subscribe()
        async with step("service killed"):
            await world.do("kill")
            await one.seen("service gone")
        async with step("service started"):
            await world.do("start")
            await one.seen("service there", "adapter added")
            await one.ready()
        async with step("after the service was started"):
            await one.scan()
            await one.stop()
            await one.connect()
            await one.subscribe()
            await ask("strap", DEVICE, "Disconnect")
            await one.seen("strap Connected false")
    finally:
        one.recorder.close()
    return {"steps": one.steps, "shapes": one.recorder.shapes, "flags": one.recorder.flags}
