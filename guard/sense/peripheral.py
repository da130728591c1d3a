"""What the link can listen to: a service, its measurement, and how to read it.

Read only: the guard subscribes and reads, it writes to no device.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from guard.events import Input, Reading
from guard.heart import packet


def uuid(short: int) -> str:
    """A 16-bit UUID assigned by the Bluetooth SIG in its full form.

    >>> uuid(0x180D)
    '0000180d-0000-1000-8000-00805f9b34fb'
    """
    return f"{short:08x}-0000-1000-8000-00805f9b34fb"


BATTERY_LEVEL = uuid(0x2A19)
BODY_SENSOR_LOCATION = uuid(0x2A38)


@dataclass(frozen=True, slots=True)
class Peripheral:
    """A kind of device: its service, the characteristic that notifies, its reader.

    `read(t_s, raw)` gives the event, or the reason (text) why there is none.
    """

    what: str
    service: str
    measurement: str
    read: Callable[[float, bytes], Input | str]


def read_heart_rate(t_s: float, raw: bytes) -> Reading | str:
    """A `Reading` stamped `t_s`, or why the packet cannot be read."""
    said = packet.parse(raw)
    if isinstance(said, packet.Malformed):
        return said.reason
    return Reading(t_s, said.bpm, said.contact, said.rr_s, said.energy_kj, raw)


HEART_RATE = Peripheral("heart-rate strap", uuid(0x180D), uuid(0x2A37), read_heart_rate)
