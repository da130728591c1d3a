"""A look at the radio itself: is the service there, an adapter, is it on?

On Linux the answer comes fresh from BlueZ over D-Bus, since the Bluetooth
library answers from what it saw last, which is out of date just when it
matters: after the service died. Elsewhere scanning itself tells, and a look
finds nothing wrong.
"""

import asyncio
import contextlib
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from guard.radio import faults
from guard.radio.faults import Fault

BLUEZ = "org.bluez"
_ADAPTER = "org.bluez.Adapter1"
_DEVICE = "org.bluez.Device1"
_RFKILL = Path("/sys/class/rfkill")


@dataclass(frozen=True, slots=True)
class Radio:
    """What a look found.

    `problem` is None when the radio is ready, else what is wrong with the fix,
    and `stage` the step it failed at: "bus", "service", "adapter" or "power".
    `adapter` names the one to use (None: the platform chooses), `owner` the
    instance of the Bluetooth service, `connected` the addresses connected to
    this machine (None where the platform does not tell).
    """

    problem: Fault | None = None
    stage: str = ""
    adapter: str | None = None
    owner: str = ""
    connected: frozenset[str] | None = None


async def look(limit_s: float = 4.0) -> Radio:
    """Look now; never raises and takes `limit_s` at most."""
    if sys.platform != "linux":
        return Radio()
    try:
        async with asyncio.timeout(limit_s):
            return await _look_at_bluez()
    except TimeoutError:
        return Radio(faults.SERVICE_STUCK, "service")
    except Exception as error:  # a torn bus fails in many ways; all mean the same here
        return Radio(faults.explain(error), "bus")


async def _look_at_bluez() -> Radio:
    from dbus_fast import AuthError, BusType
    from dbus_fast.aio import MessageBus

    bus: Any = MessageBus(bus_type=BusType.SYSTEM)
    try:
        try:
            await bus.connect()
        except AuthError:
            return Radio(faults.NO_PERMISSION, "bus")
        owner = await _call(bus, "org.freedesktop.DBus", "/org/freedesktop/DBus", "org.freedesktop.DBus",
                            "GetNameOwner", "s", [BLUEZ])
        if isinstance(owner, _Refused):
            # The bus starts the service on demand where it is installed.
            started = await _call(bus, "org.freedesktop.DBus", "/org/freedesktop/DBus",
                                  "org.freedesktop.DBus", "StartServiceByName", "su", [BLUEZ, 0])
            if isinstance(started, _Refused):
                return Radio(faults.NO_SERVICE, "service")
            owner = ""
        objects = await _call(bus, BLUEZ, "/", "org.freedesktop.DBus.ObjectManager", "GetManagedObjects")
        if isinstance(objects, _Refused):
            denied = objects.name.endswith("AccessDenied")
            return Radio(faults.NO_PERMISSION if denied else faults.NO_SERVICE, "service")
        return _judge(objects, str(owner))
    finally:
        bus.disconnect()
        if bus.unique_name is not None:
            with contextlib.suppress(Exception):
                await bus.wait_for_disconnect()


@dataclass(frozen=True, slots=True)
class _Refused:
    name: str


async def _call(bus: Any, to: str, path: str, interface: str, member: str,
                signature: str = "", body: list[Any] | None = None) -> Any:
    from dbus_fast import Message, MessageType, unpack_variants

    reply = await bus.call(Message(destination=to, path=path, interface=interface, member=member,
                                   signature=signature, body=body or []))
    if reply.message_type is MessageType.ERROR:
        return _Refused(reply.error_name or "")
    return unpack_variants(reply.body[0])


def _judge(objects: dict[str, dict[str, dict[str, Any]]], owner: str) -> Radio:
    adapters = {path: faces[_ADAPTER] for path, faces in sorted(objects.items()) if _ADAPTER in faces}
    connected = frozenset(
        str(faces[_DEVICE].get("Address", "")).upper()
        for faces in objects.values() if _DEVICE in faces and faces[_DEVICE].get("Connected"))
    if not adapters:
        blocked = _blocked()
        return Radio(blocked or faults.NO_ADAPTER, "adapter", None, owner, connected)
    able = {path: about for path, about in adapters.items() if "central" in about.get("Roles", ["central"])}
    if not able:
        return Radio(faults.NO_LOW_ENERGY, "adapter", None, owner, connected)
    for path, about in able.items():
        if about.get("Powered"):
            return Radio(None, "", path.rsplit("/", 1)[-1], owner, connected)
    return Radio(_blocked() or faults.ADAPTER_OFF, "power", next(iter(able)).rsplit("/", 1)[-1], owner,
                 connected)


def _blocked() -> Fault | None:
    """The fault where the kernel's radio switch (rfkill) holds every Bluetooth radio off."""
    soft, hard, radios = 0, 0, 0
    with contextlib.suppress(OSError):
        for entry in _RFKILL.iterdir():
            if (entry / "type").read_text().strip() == "bluetooth":
                radios += 1
                soft += (entry / "soft").read_text().strip() == "1"
                hard += (entry / "hard").read_text().strip() == "1"
    if radios and hard == radios:
        return faults.ADAPTER_SWITCH
    return faults.ADAPTER_BLOCKED if radios and soft == radios else None
