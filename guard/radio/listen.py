"""Listening for devices of one or more kinds: scanning, and those connected already."""

import asyncio
import contextlib
import logging
import sys
from dataclasses import dataclass, replace
from typing import Any

import bleak
from bleak import BleakScanner
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData

from guard.devices.peripheral import Peripheral
from guard.devices.seen import Seen, plain
from guard.radio.adapter import Radio

# The library's warnings would land in the middle of the live screen.
logging.getLogger("bleak").addHandler(logging.NullHandler())
logging.getLogger("dbus_fast").addHandler(logging.NullHandler())


@dataclass(frozen=True, slots=True)
class Sighting:
    """A device in range, the handle to connect it by, and when it was last heard (loop time, s).

    `note` is what the runner should know about how it was recognised, `kind`
    the `Peripheral.kind` it was heard as.
    """

    seen: Seen
    device: BLEDevice
    heard_s: float
    already_connected: bool = False
    note: str = ""
    kind: str = ""


class Listener:
    """Collects sightings over one or more stretches of scanning, one at a time.

    A device of two kinds (a treadmill that is a foot pod too) is sighted twice.
    """

    def __init__(self, *kinds: Peripheral, keep_s: float = 15.0) -> None:
        self._kinds = kinds
        self._keep_s = keep_s
        self.first_heard_s = float("inf")
        self._sightings: dict[tuple[str, str], Sighting] = {}
        self._news = asyncio.Event()
        self._scanner: BleakScanner | None = None

    @property
    def sightings(self) -> list[Sighting]:
        """Those heard within the last `keep_s`, in the order they first showed up."""
        oldest_s = asyncio.get_running_loop().time() - self._keep_s
        self._sightings = {key: one for key, one in self._sightings.items() if one.heard_s >= oldest_s}
        return list(self._sightings.values())

    def sighting(self, seen: Seen, note: str) -> Sighting | None:
        """The newest sighting of `seen`, with a note; None when it was too long ago."""
        for one in self.sightings:
            if one.seen.address == seen.address:
                return replace(one, note=note)
        return None

    async def start(self, radio: Radio, limit_s: float) -> None:
        """Begin to scan; raises what the Bluetooth library raises, or TimeoutError."""
        extra: dict[str, Any] = {"bluez": {"adapter": radio.adapter}} if radio.adapter else {}
        scanner = BleakScanner(self._heard, service_uuids=[one.service for one in self._kinds], **extra)
        async with asyncio.timeout(limit_s):
            await scanner.start()
        self._scanner = scanner

    async def stop(self, limit_s: float) -> None:
        """End scanning; a radio that is gone or stuck is no reason to fail."""
        scanner, self._scanner = self._scanner, None
        if scanner is not None:
            with contextlib.suppress(Exception):
                async with asyncio.timeout(limit_s):
                    await scanner.stop()

    async def news(self, limit_s: float) -> None:
        """Return when anything was heard, after `limit_s` at the latest."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(limit_s):
                await self._news.wait()
        self._news.clear()

    async def add_connected(self, radio: Radio, limit_s: float) -> None:
        """Add devices this machine is connected to: those advertise no more.

        A guard that was killed leaves its strap connected. Only devices are
        taken that the platform, asked afresh, calls connected.
        """
        adapter_type = getattr(bleak, "BleakAdapter", None)
        if adapter_type is None or radio.connected == frozenset():
            return
        with contextlib.suppress(Exception):  # not offered by every platform, and never needed
            async with asyncio.timeout(limit_s):
                extra = {"bluez": {"adapter": radio.adapter}} if radio.adapter else {}
                adapter = await adapter_type.get(**extra)
                for kind in self._kinds:
                    for device in await adapter.get_connected_devices([kind.service]):
                        if radio.connected is None or device.address.upper() in radio.connected:
                            self._add(device, None, True, kind)

    def _heard(self, device: BLEDevice, advertisement: AdvertisementData) -> None:
        offered = {service.lower() for service in advertisement.service_uuids}
        for kind in self._kinds:
            # With one kind the platform has sifted already, whatever it lists.
            if (kind.service in offered or len(self._kinds) == 1) and kind.is_one(advertisement.service_data):
                self._add(device, advertisement.rssi, False, kind)

    def _add(
        self, device: BLEDevice, rssi_dbm: int | None, already_connected: bool, of: Peripheral,
    ) -> None:
        kind = ""
        if sys.platform == "linux" and isinstance(device.details, dict):
            kind = str(device.details.get("props", {}).get("AddressType", ""))
        seen = Seen(plain(device.name or ""), plain(device.address), rssi_dbm, kind, of.noun)
        now_s = asyncio.get_running_loop().time()
        self.first_heard_s = min(self.first_heard_s, now_s)
        self._sightings[of.kind, device.address] = Sighting(
            seen, device, now_s, already_connected, kind=of.kind)
        self._news.set()
