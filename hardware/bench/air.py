"""The air of the bench: a virtual adapter, a strap and a treadmill that hear each other.

The kernel of the virtual machine sees the adapter through its virtual HCI device
and drives it as any other; on the far side of the air a strap and a treadmill
with stacks of their own answer. Whoever is out of range hears nothing and is
not heard, and a link that is not heard for `SUPERVISION_S` ends on both sides,
as the Bluetooth Core Specification wants it (Vol 6, Part B, 4.5.2).
"""

from __future__ import annotations

import asyncio
import contextlib
import struct
import threading
from collections.abc import Callable, Coroutine
from typing import Any

from bumble import gatt, hci
from bumble.controller import Controller
from bumble.core import UUID, AdvertisingData, PhysicalTransport
from bumble.device import Device
from bumble.host import Host
from bumble.link import LocalLink
from bumble.profiles.battery_service import BatteryService
from bumble.profiles.heart_rate_service import HeartRateService
from bumble.transport import open_transport
from bumble.transport.common import AsyncPipeSink

SUPERVISION_S = 4.0  # a usual value; the range is 0.1 to 32 s
ADAPTER_ADDRESS = "02:00:00:00:00:10"
STRAP_ADDRESS, STRAP_NAME = "C8:00:00:00:00:01", "Invented strap"
TREADMILL_ADDRESS, TREADMILL_NAME = "C8:00:00:00:00:02", "Invented treadmill"


class Air(LocalLink):
    """Carries what is sent to whom it is for, unless one of the two is out of range."""

    def __init__(self) -> None:
        super().__init__()
        self.away: set[Controller] = set()

    def send_acl_data(self, sender_controller: Controller, destination_address: hci.Address,
                      transport: PhysicalTransport, data: bytes) -> None:
        """To the other end of the sender's connection, under the address it knows the sender by."""
        ours = sender_controller.le_connections.get(destination_address)
        there = self.find_le_controller(destination_address)
        if ours is not None and there is not None and not self.away & {sender_controller, there}:
            self._soon(there.on_link_acl_data, ours.self_address, transport, data)

    def send_advertising_pdu(self, sender_controller: Controller, packet: Any) -> None:
        if sender_controller in self.away:
            return
        for one in self.controllers - self.away - {sender_controller}:
            self._soon(one.on_ll_advertising_pdu, packet)

    def send_ll_control_pdu(self, sender_address: hci.Address, receiver_address: hci.Address,
                            packet: Any) -> None:
        there = self.find_le_controller(receiver_address)
        sender = self.find_le_controller(sender_address)
        if there is not None and not self.away & {sender, there}:
            self._soon(there.on_ll_control_pdu, sender_address, packet)

    def lost(self, one: Controller) -> None:
        """`one` has not been heard for too long: its links end, on both sides."""
        timeout = hci.HCI_ErrorCode.CONNECTION_TIMEOUT_ERROR
        for connection in list(one.le_connections.values()):
            there = self.find_le_controller(connection.peer_address)
            back = there.le_connections.get(connection.self_address) if there else None
            one.on_le_disconnected(connection, timeout)
            if there is not None and back is not None:
                there.on_le_disconnected(back, timeout)

    @staticmethod
    def _soon(call: Callable[..., None], *about: Any) -> None:
        asyncio.get_running_loop().call_soon(call, *about)


class Adapter(Controller):
    """A controller that completes connections in the way the Linux kernel waits for.

    A kernel that finds extended advertising takes only the enhanced event
    (Core Specification, Vol 4, Part E, 7.7.65.10), and after it cancelled an
    attempt it waits to be told that there is no connection (7.8.13).
    """

    def send_hci_packet(self, packet: hci.HCI_Packet) -> None:
        if isinstance(packet, hci.HCI_LE_Connection_Complete_Event):
            nobody = hci.Address("00:00:00:00:00:00")
            packet = hci.HCI_LE_Enhanced_Connection_Complete_Event(
                status=packet.status, connection_handle=packet.connection_handle, role=packet.role,
                peer_address_type=packet.peer_address_type, peer_address=packet.peer_address,
                local_resolvable_private_address=nobody, peer_resolvable_private_address=nobody,
                connection_interval=packet.connection_interval, peripheral_latency=packet.peripheral_latency,
                supervision_timeout=packet.supervision_timeout,
                central_clock_accuracy=packet.central_clock_accuracy)
        super().send_hci_packet(packet)

    def on_hci_reset_command(self, command: Any) -> hci.HCI_StatusReturnParameters:
        """All state goes, the links too (7.3.2); the others notice by their supervision timeout."""
        self.pending_le_connection, self.le_scan_enable = None, False
        for connection in list(self.le_connections.values()):
            there = self.link.find_le_controller(connection.peer_address) if self.link else None
            back = there.le_connections.get(connection.self_address) if there else None
            del self.le_connections[connection.peer_address]
            if there is not None and back is not None:
                asyncio.get_running_loop().call_later(
                    SUPERVISION_S, self._gone, there, back)
        return super().on_hci_reset_command(command)

    @staticmethod
    def _gone(there: Controller, connection: Any) -> None:
        if there.le_connections.get(connection.peer_address) is connection:
            there.on_le_disconnected(connection, hci.HCI_ErrorCode.CONNECTION_TIMEOUT_ERROR)

    def on_hci_le_create_connection_cancel_command(self, _command: Any) -> hci.HCI_StatusReturnParameters:
        pending, self.pending_le_connection = self.pending_le_connection, None
        if pending is None:
            return hci.HCI_StatusReturnParameters(hci.HCI_ErrorCode.COMMAND_DISALLOWED_ERROR)
        asyncio.get_running_loop().call_soon(self.send_hci_packet, hci.HCI_LE_Connection_Complete_Event(
            status=hci.HCI_ErrorCode.UNKNOWN_CONNECTION_IDENTIFIER_ERROR, connection_handle=0,
            role=hci.Role.CENTRAL, peer_address_type=pending.peer_address.address_type,
            peer_address=pending.peer_address, connection_interval=0, peripheral_latency=0,
            supervision_timeout=0, central_clock_accuracy=0))
        return hci.HCI_StatusReturnParameters(hci.HCI_ErrorCode.SUCCESS)


class Wearable:
    """A strap or treadmill: advertises, takes one connection, notifies once a second."""

    measurement: Any  # the characteristic that notifies

    def __init__(self, air: Air, address: str, name: str, advert: list[tuple[int, bytes]]) -> None:
        self.air = air
        self.controller = Controller(name, link=air, public_address="00:00:00:00:00:00")
        self.device = Device(name=name, address=hci.Address(address, hci.Address.RANDOM_DEVICE_ADDRESS),
                             host=Host(self.controller, AsyncPipeSink(self.controller)))
        self.device.advertising_data = bytes(AdvertisingData([
            (AdvertisingData.FLAGS, bytes([0x06])), *advert]))
        self.silent = False
        self._beat: asyncio.Task[None] | None = None

    async def begin(self) -> None:
        """Power on and be there."""
        await self.device.power_on()
        await self.appear()
        self._beat = asyncio.create_task(self._notify())

    async def appear(self) -> None:
        """On and in range (again): advertises, after every lost link anew."""
        self.air.away.discard(self.controller)
        if not self.device.is_advertising:
            await self.device.start_advertising(
                auto_restart=True, advertising_interval_min=100, advertising_interval_max=100)

    async def leave(self) -> None:
        """Out of range: nothing is heard, and after the supervision timeout the link is over."""
        await self.device.stop_advertising()
        self.air.away.add(self.controller)
        asyncio.get_running_loop().call_later(SUPERVISION_S, self.air.lost, self.controller)

    async def switch_off(self) -> None:
        """Break the link in good order and advertise no more."""
        await self.device.stop_advertising()
        for connection in list(self.device.connections.values()):
            await connection.disconnect()

    @property
    def connected(self) -> bool:
        return bool(self.controller.le_connections)

    def value(self) -> Any:
        """What is notified now."""
        raise NotImplementedError

    async def _notify(self) -> None:
        while True:
            await asyncio.sleep(1.0)
            if not self.silent:
                with contextlib.suppress(Exception):  # the link went meanwhile
                    await self.device.notify_subscribers(self.measurement, self.value())


class Strap(Wearable):
    """Heart Rate Service and Battery Service of the library, which encodes the packets too."""

    def __init__(self, air: Air) -> None:
        super().__init__(air, STRAP_ADDRESS, STRAP_NAME, [
            (AdvertisingData.COMPLETE_LOCAL_NAME, STRAP_NAME.encode()),
            (AdvertisingData.COMPLETE_LIST_OF_16_BIT_SERVICE_CLASS_UUIDS,
             struct.pack("<HH", 0x180D, 0x180F))])
        self.bpm, self.battery_percent, self._beats = 120, 64, 0
        heart = HeartRateService(lambda _: self.value(), HeartRateService.BodySensorLocation.CHEST)
        self.measurement = heart.heart_rate_measurement_characteristic
        self._battery = BatteryService(lambda _: self.battery_percent)
        self.device.add_services([heart, self._battery])

    def value(self) -> Any:
        self._beats += 1  # no two living beats are alike
        return HeartRateService.HeartRateMeasurement(
            self.bpm, sensor_contact_detected=True, rr_intervals=[60 / self.bpm + self._beats % 7 / 1000])

    async def charge(self, percent: int) -> None:
        """The charge is now `percent`; whoever subscribed is told."""
        self.battery_percent = percent
        await self.device.notify_subscribers(self._battery.battery_level_characteristic, percent)


class Treadmill(Wearable):
    """Fitness Machine Service 1.0, packed by hand: speed and inclination. `written` must stay empty."""

    def __init__(self, air: Air) -> None:
        # 3.1 of the service: flags (available), types of machine (bit 0: treadmill).
        kind = struct.pack("<HBH", 0x1826, 0x01, 0x0001)
        super().__init__(air, TREADMILL_ADDRESS, TREADMILL_NAME, [
            (AdvertisingData.COMPLETE_LIST_OF_16_BIT_SERVICE_CLASS_UUIDS, struct.pack("<H", 0x1826)),
            (AdvertisingData.SERVICE_DATA_16_BIT_UUID, kind),
            (AdvertisingData.SHORTENED_LOCAL_NAME, TREADMILL_NAME[:12].encode())])
        self.speed_km_h, self.incline_percent = 8.5, 1.0
        self.written: list[bytes] = []
        properties = gatt.Characteristic.Properties
        self.measurement = gatt.Characteristic(
            UUID.from_16_bits(0x2ACD), properties.NOTIFY, gatt.Characteristic.Permissions(0), b"")
        features: Any = gatt.Characteristic(
            UUID.from_16_bits(0x2ACC), properties.READ, gatt.Characteristic.READABLE, bytes(8))
        control: Any = gatt.Characteristic(
            UUID.from_16_bits(0x2AD9), properties.WRITE | properties.INDICATE, gatt.Characteristic.WRITEABLE,
            gatt.CharacteristicValue(write=lambda _, value: self.written.append(bytes(value))))
        self.device.add_service(
            gatt.Service(UUID.from_16_bits(0x1826), [self.measurement, features, control]))

    def value(self) -> bytes:
        return struct.pack("<HHhh", 0x0008, round(self.speed_km_h * 100), round(self.incline_percent * 10), 0)


class Room:
    """The air with the strap, the treadmill and, while it is plugged in, the adapter."""

    def __init__(self) -> None:
        self.air = Air()
        self.strap = Strap(self.air)
        self.treadmill = Treadmill(self.air)
        self._adapter: Adapter | None = None
        self._transport: Any = None

    async def plug(self, spec: str) -> None:
        """Put the adapter in where the transport `spec` leads: the kernel gets it as the next hciN."""
        self._transport = await open_transport(spec)
        self._adapter = Adapter("adapter", self._transport.source, self._transport.sink, self.air,
                                ADAPTER_ADDRESS)

    async def unplug(self) -> None:
        """Pull it out: the kernel loses it at once, and the links are over."""
        adapter, self._adapter = self._adapter, None
        assert adapter is not None
        adapter.host = None
        await self._transport.close()
        self.air.lost(adapter)
        self.air.remove_controller(adapter)


class RunningRoom(Room):
    """The room on a loop and thread of its own; `do` is called from any other."""

    def __init__(self) -> None:
        self._loop = asyncio.new_event_loop()
        threading.Thread(target=self._loop.run_forever, name="air", daemon=True).start()
        asyncio.run_coroutine_threadsafe(self._furnish(), self._loop).result(20)

    async def _furnish(self) -> None:
        super().__init__()
        await self.strap.begin()
        await self.treadmill.begin()

    def do(self, what: Coroutine[Any, Any, None]) -> None:
        """Let it happen; returns when it has."""
        asyncio.run_coroutine_threadsafe(what, self._loop).result(20)
