"""The process that plays bluetoothd for `tests.support.bluez`.

Objects are `{path: {interface: {property: Variant}}}` served by one raw message
handler; paths are shaped like bluetoothd's. Orders come as JSON lines on
standard input, each answered by one line. What it answers and signals follows a
record of the real service (`bluez_recorded.json`, held by `tests/test_bluez_recorded.py`).
"""

from __future__ import annotations

import asyncio
import json
import os
import struct
import sys
from pathlib import Path
from typing import Any

from dbus_fast import BusType, Message, MessageType, Variant
from dbus_fast.aio import MessageBus

from tests.support.bluez import StrapModel

ADAPTER = "org.bluez.Adapter1"
DEVICE = "org.bluez.Device1"
SERVICE = "org.bluez.GattService1"
CHARACTERISTIC = "org.bluez.GattCharacteristic1"
BATTERY = "org.bluez.Battery1"
MANAGER = "org.freedesktop.DBus.ObjectManager"
PROPERTIES = "org.freedesktop.DBus.Properties"

# Beside the bus: addresses the service keeps over a restart, those it once connected.
STORED = Path(os.environ.get("DBUS_SYSTEM_BUS_ADDRESS", "").rpartition("=")[2]).with_name("stored")


def uuid(short: int) -> str:
    return f"{short:08x}-0000-1000-8000-00805f9b34fb"


SERVICES = {"strap": 0x180D, "treadmill": 0x1826, "foot_pod": 0x1814}
MEASUREMENTS = {"strap": 0x2A37, "treadmill": 0x2ACD, "foot_pod": 0x2A53}


def packets(strap: StrapModel, sent: int) -> list[bytes]:
    """What the device notifies now, having `sent` so many, one or more packets, packed by hand."""
    if strap.kind == "treadmill":
        # Fitness Machine Service 1.0: total distance and, where known, inclination.
        speed = struct.pack("<H", round(strap.speed_km_h * 100))
        rest, flags = (1234).to_bytes(3, "little"), 0x0004
        if strap.incline_percent is not None:
            rest += struct.pack("<hh", round(strap.incline_percent * 10), 0)
            flags |= 0x0008
        if strap.split:
            return [struct.pack("<H", flags | 0x0001) + rest, struct.pack("<H", 0) + speed]
        return [struct.pack("<H", flags) + speed + rest]
    if strap.kind == "foot_pod":
        # Running Speed and Cadence Service 1.0: speed and cadence, running.
        return [struct.pack("<BHB", 0x04, round(strap.speed_km_h / 3.6 * 256), strap.cadence)]
    flags = (0x10 if strap.rr else 0) | (0 if strap.contact is None else 0x06 if strap.contact else 0x04)
    beat = round(60 / max(strap.bpm, 1) * 1024) + sent % 7 - 3  # no two living beats are alike
    rr = beat.to_bytes(2, "little") if strap.rr else b""
    return [bytes([flags, strap.bpm]) + rr]


class Player:
    """One strap as the service sees it."""

    def __init__(self, service: BlueZ, strap: StrapModel) -> None:
        self.service = service
        self.strap = strap
        self.connects = 0
        self.written: list[str] = []
        self.sent: list[bytes] = []
        self.delivered = 0  # measurements sent to a listener since this service began
        self.notifying: dict[str, set[str]] = {}
        self.known = False
        self.resolved = strap.connected

    @property
    def path(self) -> str:
        return f"{self.service.adapter_path}/dev_{self.strap.address.replace(':', '_')}"

    @property
    def measurement(self) -> str:
        return f"{self.path}/service000a/char000b"

    @property
    def battery(self) -> str:
        return f"{self.path}/service0014/char0015"

    def device(self) -> dict[str, Variant]:
        strap = self.strap
        services = [uuid(SERVICES[strap.kind])] * strap.adverts_service + [uuid(0x180F)]
        about = {
            "Address": Variant("s", strap.address), "AddressType": Variant("s", strap.address_type),
            "Alias": Variant("s", strap.name or strap.address.replace(":", "-")),
            "Paired": Variant("b", False), "Trusted": Variant("b", False), "Blocked": Variant("b", False),
            "Connected": Variant("b", strap.connected), "ServicesResolved": Variant("b", strap.connected),
            "UUIDs": Variant("as", services), "Adapter": Variant("o", self.service.adapter_path),
        }
        if strap.kind == "treadmill" and strap.machine is not None:
            # Fitness Machine Service 1.0, 3.1: flags (available), types of machine.
            said = struct.pack("<BH", 0x01, strap.machine)
            about["ServiceData"] = Variant("a{sv}", {uuid(0x1826): Variant("ay", said)})
        return about | ({"Name": Variant("s", strap.name)} if strap.name else {})

    def gatt(self) -> dict[str, dict[str, dict[str, Variant]]]:
        def service(path: str, short: int) -> None:
            objects[path] = {SERVICE: {"UUID": Variant("s", uuid(short)), "Device": Variant("o", self.path),
                                       "Primary": Variant("b", True)}}

        def characteristic(path: str, short: int, flags: list[str]) -> None:
            objects[path] = {CHARACTERISTIC: {
                "UUID": Variant("s", uuid(short)), "Service": Variant("o", path.rsplit("/", 1)[0]),
                "Flags": Variant("as", flags), "Notifying": Variant("b", False), "Value": Variant("ay", b"")}}

        objects: dict[str, dict[str, dict[str, Variant]]] = {}
        kind = self.strap.kind
        service(f"{self.path}/service000a", SERVICES[kind])
        if not self.strap.no_measurement:
            characteristic(self.measurement, MEASUREMENTS[kind], ["notify"])
        if kind == "treadmill":
            characteristic(f"{self.path}/service000a/char000f", 0x2ACC, ["read"])
            characteristic(f"{self.path}/service000a/char0011", 0x2AD9, ["write", "indicate"])
        if kind == "foot_pod":
            characteristic(f"{self.path}/service000a/char000f", 0x2A54, ["read"])
            characteristic(f"{self.path}/service000a/char0011", 0x2A55, ["write", "indicate"])
        if kind == "strap" and self.strap.location is not None:
            characteristic(f"{self.path}/service000a/char000d", 0x2A38, ["read"])
        if self.strap.battery is not None:
            service(f"{self.path}/service0014", 0x180F)
            characteristic(self.battery, 0x2A19,
                           ["read", "notify"] if self.strap.battery_notifies else ["read"])
        return objects

    def make_known(self, *, heard: bool = False) -> None:
        if not self.known:
            self.known = True
            rssi = {"RSSI": Variant("n", -60)} if heard else {}
            self.service.add(self.path, {DEVICE: self.device() | rssi})
            if self.strap.connected:
                for path, faces in self.gatt().items():
                    self.service.add(path, faces)

    async def connect(self) -> None:
        strap = self.strap
        self.connects += 1
        if not self.stored:
            STORED.write_text("\n".join([*_stored(), strap.address]))
        strap.connected = True
        self.service.change(self.path, DEVICE, {"Connected": Variant("b", True)})
        await asyncio.sleep(0.03 + strap.late_services_s)
        if not strap.connected:
            return
        for path, faces in self.gatt().items():
            self.service.add(path, faces)
        if strap.battery is not None:
            self.service.add(self.path, {BATTERY: {"Percentage": Variant("y", strap.battery)}})
        self.resolved = True
        self.service.change(self.path, DEVICE, {"ServicesResolved": Variant("b", True)})

    @property
    def stored(self) -> bool:
        return self.strap.address in _stored()

    def disconnect(self, *, asked: bool = False) -> None:
        """The link ends; who subscribed stays subscribed for the next one, as long as it is on the bus."""
        if not self.strap.connected:
            return
        self.strap.connected = self.resolved = False
        if self.known:
            down = {key: Variant("b", False) for key in ("ServicesResolved", "Connected")}
            for values in ([{key: one} for key, one in down.items()] if asked else [down]):
                self.service.change(self.path, DEVICE, values)
            if BATTERY in self.service.objects[self.path]:
                self.service.remove(self.path, BATTERY)

    def forget(self) -> None:
        """The adapter is gone, or the platform's memory of the device."""
        self.strap.connected = self.resolved = False
        self.notifying.clear()
        if self.known:
            self.known = False
            for path in sorted(self.service.objects, reverse=True):
                if path == self.path or path.startswith(self.path + "/"):
                    self.service.remove(path)

    def unsubscribe(self, path: str, client: str) -> None:
        clients = self.notifying.get(path, set())
        if client in clients:
            clients.discard(client)
            if not clients:
                self.service.change(path, CHARACTERISTIC, {"Notifying": Variant("b", False)})

    def send(self, raw: bytes) -> None:
        if self.resolved and self.notifying.get(self.measurement):
            self.delivered += 1
            self.service.change(self.measurement, CHARACTERISTIC, {"Value": Variant("ay", raw)})

    async def play(self) -> None:
        """Send a packet every interval while connected and subscribed to."""
        while True:
            await asyncio.sleep(self.strap.interval_s)
            if self.strap.silent or not self.notifying.get(self.measurement):
                continue
            queued = self.strap.packets
            now = [bytes.fromhex(queued.pop(0))] if queued else packets(self.strap, self.delivered)
            if self.strap.on_change and now == self.sent:
                continue
            self.sent = now
            for raw in now:
                self.send(raw)

    async def advertise(self) -> None:
        while True:
            await asyncio.sleep(self.strap.advert_s)
            service = self.service
            if service.discovering and self.strap.advertising and not self.strap.connected:
                self.make_known(heard=True)
                service.change(self.path, DEVICE, {"RSSI": Variant("n", -60)})


def _stored() -> list[str]:
    return STORED.read_text().split() if STORED.exists() else []


class BlueZ:
    """The objects on the bus and the orders of the test."""

    def __init__(self) -> None:
        self.objects: dict[str, dict[str, dict[str, Variant]]] = {}
        self.players: dict[str, Player] = {}
        self.tasks: dict[str, list[asyncio.Task[None]]] = {}
        self.discoverers: set[str] = set()
        self.adapter_path = "/org/bluez/hci0"
        self.powered = self.present = True
        self.bus = MessageBus(bus_type=BusType.SYSTEM)

    @property
    def discovering(self) -> bool:
        return bool(self.discoverers) and self.powered and self.adapter_path in self.objects

    # Objects and their signals.

    def add(self, path: str, faces: dict[str, dict[str, Variant]]) -> None:
        self.objects.setdefault(path, {}).update(faces)
        self.signal("/", MANAGER, "InterfacesAdded", "oa{sa{sv}}", [path, faces])

    def remove(self, path: str, *only: str) -> None:
        """The object, or only some of its interfaces."""
        faces = only or tuple(self.objects[path])
        for face in faces:
            del self.objects[path][face]
        if not self.objects[path]:
            del self.objects[path]
        self.signal("/", MANAGER, "InterfacesRemoved", "oas", [path, list(faces)])

    def change(self, path: str, face: str, values: dict[str, Variant]) -> None:
        if face in self.objects.get(path, {}):
            self.objects[path][face].update(values)
            self.signal(path, PROPERTIES, "PropertiesChanged", "sa{sv}as", [face, values, []])

    def signal(self, path: str, face: str, member: str, signature: str, body: list[Any]) -> None:
        if self.bus.connected:
            self.bus.send(Message.new_signal(path, face, member, signature, body))

    def plug(self, *, powered: bool = False) -> None:
        """The adapter appears, with the devices once connected, and is switched on a moment later."""
        self.add(self.adapter_path, {ADAPTER: {
            "Address": Variant("s", "02:00:00:00:00:00"), "Name": Variant("s", "invented"),
            "Alias": Variant("s", "invented"), "Powered": Variant("b", powered),
            "Discovering": Variant("b", False), "Roles": Variant("as", ["central", "peripheral"])}})
        for player in self.players.values():
            if player.stored or player.strap.connected:
                player.make_known()
        if self.powered and not powered:
            self.change(self.adapter_path, ADAPTER, {"Powered": Variant("b", True)})

    def unplug(self) -> None:
        if self.adapter_path not in self.objects:
            return
        self.off()
        for player in self.players.values():
            player.disconnect()
            player.forget()
        self.remove(self.adapter_path)

    def power(self, on: bool) -> None:
        self.powered = on
        if on:
            self.change(self.adapter_path, ADAPTER, {"Powered": Variant("b", True)})
            return
        for player in self.players.values():
            player.disconnect()
        self.off()

    def off(self) -> None:
        self.discoverers.clear()
        self.change(self.adapter_path, ADAPTER, {
            "Powered": Variant("b", False), "Discovering": Variant("b", False)})

    def discover(self, client: str, on: bool) -> None:
        """A client begins or ends to scan; the first and the last of them are told."""
        before = bool(self.discoverers)
        (self.discoverers.add if on else self.discoverers.discard)(client)
        if bool(self.discoverers) != before:
            self.change(self.adapter_path, ADAPTER, {"Discovering": Variant("b", on)})

    # Calls from the bus.

    def handle(self, message: Message) -> Message | bool | None:
        if message.message_type is MessageType.SIGNAL and message.member == "NameOwnerChanged":
            name, _, new = message.body
            if not new:
                self.client_left(name)
            return None
        if message.message_type is not MessageType.METHOD_CALL:
            return None
        if message.path == "/" and message.member == "GetManagedObjects":
            return Message.new_method_return(message, "a{oa{sa{sv}}}", [self.objects])
        faces = self.objects.get(message.path or "")
        if faces is None or message.interface not in (*faces, PROPERTIES):
            return Message.new_error(message, "org.freedesktop.DBus.Error.UnknownObject",
                                     f"Method \"{message.member}\" doesn't exist")
        if message.interface == ADAPTER:
            return self.on_adapter(message)
        if message.interface == DEVICE:
            return self.on_device(message)
        if message.interface == CHARACTERISTIC:
            return self.on_characteristic(message)
        return Message.new_error(message, "org.freedesktop.DBus.Error.UnknownMethod", "not emulated")

    def client_left(self, name: str) -> None:
        self.discover(name, False)
        for player in self.players.values():
            for path in player.notifying:
                player.unsubscribe(path, name)

    def on_adapter(self, message: Message) -> Message:
        sender = message.sender or ""
        if not self.powered:
            return Message.new_error(message, "org.bluez.Error.NotReady", "Resource Not Ready")
        if message.member == "StartDiscovery":
            if sender in self.discoverers:
                return Message.new_error(message, "org.bluez.Error.InProgress", "Already in progress")
            self.discover(sender, True)
        elif message.member == "StopDiscovery":
            if sender not in self.discoverers:
                return Message.new_error(message, "org.bluez.Error.Failed", "No discovery started")
            self.discover(sender, False)
        return Message.new_method_return(message)

    def on_device(self, message: Message) -> Message | bool:
        player = next(one for one in self.players.values() if one.path == message.path)

        async def connect() -> None:
            if player.strap.refuses or not player.strap.advertising or self.discovering:
                # A scan left running makes connecting fail on many adapters.
                await asyncio.sleep(0.4)
                reply = Message.new_error(message, "org.bluez.Error.Failed", "le-connection-unknown")
            else:
                await player.connect()
                reply = Message.new_method_return(message)
            await self.bus.send(reply)

        async def disconnect() -> None:
            await asyncio.sleep(0.05)
            player.disconnect(asked=True)
            await self.bus.send(Message.new_method_return(message))

        work = connect() if message.member == "Connect" else disconnect()
        task = asyncio.get_running_loop().create_task(work)
        self.tasks.setdefault("calls", []).append(task)
        return True

    def on_characteristic(self, message: Message) -> Message:
        path, sender = message.path or "", message.sender or ""
        player = next(one for one in self.players.values() if path.startswith(one.path + "/"))
        subscribed = sender in player.notifying.get(path, set())
        if not player.strap.connected:
            if message.member == "StartNotify" and subscribed:
                return Message.new_error(message, "org.bluez.Error.InProgress", "In Progress")
            return Message.new_error(message, "org.bluez.Error.Failed", "Not connected")
        if message.member == "ReadValue":
            value = bytes([(player.strap.battery if path == player.battery else player.strap.location) or 0])
            self.change(path, CHARACTERISTIC, {"Value": Variant("ay", value)})
            return Message.new_method_return(message, "ay", [value])
        if message.member == "WriteValue":
            player.written.append(bytes(message.body[0]).hex())
        elif message.member == "StartNotify":
            if "notify" not in self.objects[path][CHARACTERISTIC]["Flags"].value:
                return Message.new_error(message, "org.bluez.Error.NotSupported", "Not supported")
            clients = player.notifying.setdefault(path, set())
            player.sent = []  # what it says is new to a new listener
            if not clients:
                self.change(path, CHARACTERISTIC, {"Notifying": Variant("b", True)})
            clients.add(sender)
        elif message.member == "StopNotify":
            player.unsubscribe(path, sender)
        return Message.new_method_return(message)

    # Orders from the test.

    async def obey(self, order: dict[str, Any]) -> dict[str, Any]:
        do = order["do"]
        player = self.players.get(order.get("address", ""))
        if do == "state":
            self.powered, self.adapter_path = order["powered"], f"/org/bluez/{order['adapter']}"
            await self.bus.connect()
            self.bus.add_message_handler(self.handle)
            await self.bus.call(Message(
                destination="org.freedesktop.DBus", path="/org/freedesktop/DBus",
                interface="org.freedesktop.DBus", member="AddMatch", signature="s",
                body=["type='signal',member='NameOwnerChanged',sender='org.freedesktop.DBus'"]))
            self.present = order["present"]
        elif do == "own":
            await self.bus.request_name("org.bluez")
            if self.present:
                self.plug(powered=self.powered)
        elif do == "strap":
            strap = StrapModel(**order["strap"])
            one = self.players[strap.address] = Player(self, strap)
            self.tasks[strap.address] = [
                asyncio.create_task(one.play()), asyncio.create_task(one.advertise())]
            if (strap.connected or one.stored) and self.adapter_path in self.objects:
                one.make_known()
        elif do == "change":
            assert player is not None
            for key, value in order["how"].items():
                setattr(player.strap, key, value)
            if "battery" in order["how"] and player.notifying.get(player.battery):
                charge = bytes([player.strap.battery or 0])
                self.change(player.battery, CHARACTERISTIC, {"Value": Variant("ay", charge)})
                self.change(player.path, BATTERY, {"Percentage": Variant("y", charge[0])})
        elif do == "drop":
            assert player is not None
            player.strap.advertising = order["advertising"]
            player.disconnect()
        elif do == "remove":
            assert player is not None
            for task in self.tasks.pop(order["address"]):
                task.cancel()
            STORED.write_text("\n".join(one for one in _stored() if one != player.strap.address))
            player.forget()
            del self.players[order["address"]]
        elif do == "packet":
            assert player is not None
            player.send(bytes.fromhex(order["raw"]))
        elif do == "power":
            self.power(order["on"])
        elif do == "unplug":
            self.unplug()
        elif do == "plug":
            self.adapter_path = f"/org/bluez/{order['adapter']}"
            self.plug()
        elif do == "look":
            return {"discovering": self.discovering, "straps": {
                address: {"connected": one.strap.connected, "connects": one.connects,
                          "notifying": bool(one.notifying.get(one.measurement)),
                          "subscribed": sorted(path.rsplit("/", 1)[-1]
                                               for path, clients in one.notifying.items() if clients),
                          "written": one.written, "delivered": one.delivered,
                          "queued": len(one.strap.packets)}
                for address, one in self.players.items()}}
        return {}


async def main() -> None:
    service = BlueZ()
    loop = asyncio.get_running_loop()
    orders = asyncio.StreamReader()
    await loop.connect_read_pipe(lambda: asyncio.StreamReaderProtocol(orders), sys.stdin)
    while line := await orders.readline():
        try:
            answer = await service.obey(json.loads(line))
        except Exception as error:
            answer = {"error": f"{type(error).__name__}: {error}"}
        print(json.dumps(answer), flush=True)
    os._exit(0)


if __name__ == "__main__":
    asyncio.run(main())
