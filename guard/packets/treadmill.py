"""Treadmill Data packets (characteristic 0x2ACD), read.

Layout after the Bluetooth SIG's Fitness Machine Service 1.0, section 4.9, and
the GATT Specification Supplement, "Treadmill Data": two bytes of flags, then
the fields they name, all little-endian. Three things are easily got wrong:

* Bit 0, "More Data", is inverted: the speed is there when the bit is 0. A
  record too long for one notification is split, and only its last part, with
  bit 0 clear, carries the speed; the inclination may come in a part before.
* The total distance has three bytes.
* Inclination 0x7FFF means that the treadmill cannot tell.

Fields behind the ramp angle are left alone: the pace has one byte in the first
edition and two in later ones, so what follows it cannot be placed surely, and
the guard needs none of it. Pure: nothing a radio can send raises.
"""

from dataclasses import dataclass

from guard.packets.heart_rate import Defect, Malformed, cut_short

# Bits of the flags.
MORE_DATA = 0x0001
AVERAGE_SPEED_PRESENT = 0x0002
DISTANCE_PRESENT = 0x0004
INCLINATION_PRESENT = 0x0008

FLAG_BYTES = 2  # as the standard has it
NOT_AVAILABLE = 0x7FFF  # largest signed number of two bytes


@dataclass(frozen=True, slots=True)
class TreadmillData:
    """What one packet said; None for what it did not say.

    `speed_km_h` is the belt's speed now, `average_speed_km_h` since the
    training began, `distance_m` the total; `inclination_percent` is rise over
    run times 100, `ramp_angle_deg` the angle set. `more` tells an earlier part
    of a split record. `note` tells of a field that was cut short.
    """

    speed_km_h: float | None = None
    average_speed_km_h: float | None = None
    distance_m: int | None = None
    inclination_percent: float | None = None
    ramp_angle_deg: float | None = None
    more: bool = False
    note: str = ""


def parse(raw: bytes) -> TreadmillData | Malformed:
    """The data in `raw`, or the reason why there is none.

    A packet whose speed is missing though announced is refused; of one cut
    short later on, what is whole is kept.

    >>> parse(bytes.fromhex("0c002003d204000f000000")).speed_km_h
    8.0
    >>> parse(b"").reason
    'empty packet'
    """
    if not raw:
        return Malformed(Defect.EMPTY)
    if len(raw) < FLAG_BYTES:
        return cut_short("flags are", len(raw), FLAG_BYTES)
    flags = int.from_bytes(raw[:FLAG_BYTES], "little")
    place = FLAG_BYTES
    more = bool(flags & MORE_DATA)
    speed = average = angle = None
    distance_m: int | None = None
    percent: float | None = None
    if not more:
        if len(raw) < place + 2:
            return cut_short("speed is", len(raw), place + 2)
        speed = int.from_bytes(raw[place : place + 2], "little") / 100
        place += 2
    note = ""
    for flag, name, size in (
        (AVERAGE_SPEED_PRESENT, "average speed", 2),
        (DISTANCE_PRESENT, "distance", 3),
        (INCLINATION_PRESENT, "inclination", 4),
    ):
        if not flags & flag:
            continue
        field = raw[place : place + size]
        if len(field) < size:
            note = cut_short(f"{name} is", len(raw), place + size).reason
            break
        place += size
        if flag == AVERAGE_SPEED_PRESENT:
            average = int.from_bytes(field, "little") / 100
        elif flag == DISTANCE_PRESENT:
            distance_m = int.from_bytes(field, "little")
        else:
            percent = _tenths(field[:2])
            angle = _tenths(field[2:])
    return TreadmillData(speed, average, distance_m, percent, angle, more, note)


def _tenths(field: bytes) -> float | None:
    value = int.from_bytes(field, "little", signed=True)
    return None if value == NOT_AVAILABLE else value / 10
