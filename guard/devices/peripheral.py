"""What a link can listen to: a service, its measurement, how to read it, what to call it.

Read only: the guard subscribes and reads, it writes to no device, a treadmill
least of all.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from guard import events
from guard.events import FASTEST_M_S, STEEPEST_TOLD, Input, Reading, Speed
from guard.packets import foot_pod as foot_pod_packet
from guard.packets import heart_rate as packet
from guard.packets import treadmill as treadmill_packet
from guard.packets.heart_rate import Defect, Malformed


def uuid(short: int) -> str:
    """A 16-bit UUID assigned by the Bluetooth SIG in its full form.

    >>> uuid(0x180D)
    '0000180d-0000-1000-8000-00805f9b34fb'
    """
    return f"{short:08x}-0000-1000-8000-00805f9b34fb"


BATTERY_LEVEL = uuid(0x2A19)
BODY_SENSOR_LOCATION = uuid(0x2A38)
FITNESS_MACHINE = uuid(0x1826)

ServiceData = Mapping[str, bytes]


@dataclass(frozen=True, slots=True)
class Peripheral:
    """A kind of device: its service, the characteristic that notifies, its reader.

    `kind` is its spelling in files and logs, `noun` what it is called, `what`
    the same in full, `shows` what it tells, `fix` what to do when it is not
    found. `read(t_s, raw)` gives the event, None for a packet that tells
    nothing of use, or `Malformed`. `is_one` judges by what it advertises beside
    its service.
    """

    kind: str
    noun: str
    what: str
    shows: str
    fix: str
    service: str
    measurement: str
    read: Callable[[float, bytes], Input | Malformed | None]
    is_one: Callable[[ServiceData], bool] = lambda data: True


def read_heart_rate(t_s: float, raw: bytes) -> Reading | Malformed:
    """A `Reading` stamped `t_s`, or why the packet cannot be read."""
    said = packet.parse(raw)
    if isinstance(said, Malformed):
        return said
    return Reading(t_s, said.bpm, said.contact, said.rr_s, said.energy_kj, raw)


def read_treadmill(t_s: float, raw: bytes) -> Speed | Malformed | None:
    """The belt's speed and grade, as far as this packet tells them."""
    said = treadmill_packet.parse(raw)
    if isinstance(said, Malformed):
        return said
    speed_m_s = None if said.speed_km_h is None else round(said.speed_km_h / 3.6, 4)
    if speed_m_s is not None and speed_m_s > FASTEST_M_S:
        return Malformed(Defect.IMPOSSIBLE, f"a speed of {said.speed_km_h:g} km/h")
    grade = None if said.inclination_percent is None else round(said.inclination_percent / 100, 4)
    if grade is not None and abs(grade) > STEEPEST_TOLD:
        grade = None
    if speed_m_s is None and grade is None:
        return None
    return Speed(t_s, speed_m_s, grade, source=events.TREADMILL)


def read_foot_pod(t_s: float, raw: bytes) -> Speed | Malformed:
    """The runner's speed and steps per minute."""
    said = foot_pod_packet.parse(raw)
    if isinstance(said, Malformed):
        return said
    if said.speed_m_s > FASTEST_M_S:
        return Malformed(Defect.IMPOSSIBLE, f"a speed of {said.speed_m_s:.1f} m/s")
    return Speed(t_s, round(said.speed_m_s, 4), cadence_spm=foot_pod_packet.steps_per_min(said),
                 source=events.FOOT_POD)


def is_treadmill(data: ServiceData) -> bool:
    """Whether a fitness machine says it is a treadmill, or does not say what it is.

    Fitness Machine Service 1.0, section 3.1: one byte of flags, then two of
    machine types, of which bit 0 is the treadmill.
    """
    said = data.get(FITNESS_MACHINE, b"")
    return len(said) < 3 or bool(said[1] & 0x01)


STRAP_PERIPHERAL = Peripheral(
    "strap", "strap", "heart-rate strap", "heart rate",
    "wet the electrodes and wear it; if another phone, watch, bike or machine holds it, disconnect it there",
    uuid(0x180D), uuid(0x2A37), read_heart_rate)
TREADMILL_PERIPHERAL = Peripheral(
    events.TREADMILL, "treadmill", "treadmill", "speed",
    "switch it on and its Bluetooth too; if another phone, watch or app holds it, disconnect it there",
    FITNESS_MACHINE, uuid(0x2ACD), read_treadmill, is_treadmill)
FOOT_POD_PERIPHERAL = Peripheral(
    events.FOOT_POD, "foot pod", "foot pod", "speed",
    "move it to wake it; if another phone, watch or app holds it, disconnect it there",
    uuid(0x1814), uuid(0x2A53), read_foot_pod)

SPEED_PERIPHERALS = (TREADMILL_PERIPHERAL, FOOT_POD_PERIPHERAL)
PERIPHERALS = (STRAP_PERIPHERAL, *SPEED_PERIPHERALS)


def by_kind(kind: str) -> Peripheral:
    """The peripheral spelled `kind`; KeyError for none."""
    return {one.kind: one for one in PERIPHERALS}[kind]
