"""Heart Rate Measurement packets (characteristic 0x2A37), read and written.

Layout after the Bluetooth SIG's Heart Rate Service 1.0 and the GATT
Specification Supplement, "Heart Rate Measurement": one byte of flags, the rate
as one or two bytes, then energy expended and RR intervals where the flags say
so; all numbers little-endian. Pure: bytes in, a `Measurement` or a `Malformed`
with its reason out; nothing a radio can send raises.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

# Bits of the flags.
WIDE_RATE = 0x01
CONTACT_DETECTED = 0x02
CONTACT_SUPPORTED = 0x04
ENERGY_PRESENT = 0x08
RR_PRESENT = 0x10

RR_UNITS_PER_S = 1024  # as the standard tells intervals

# Body Sensor Location, 0x2A38.
BODY_LOCATIONS = ("other", "chest", "wrist", "finger", "hand", "ear lobe", "foot")


@dataclass(frozen=True, slots=True)
class Measurement:
    """What one packet said.

    `bpm` 0 means no signal. `contact` None means the sensor does not report
    contact. `energy_kj` is energy expended since its last reset, `rr_s` the RR
    intervals in seconds, oldest first. `note` tells of bytes that were left
    over once every whole field had been taken.
    """

    bpm: int
    contact: bool | None = None
    energy_kj: int | None = None
    rr_s: tuple[float, ...] = ()
    note: str = ""


class Defect(Enum):
    """What is wrong with a packet, whatever its bytes; the value is the beginning of its words."""

    EMPTY = "empty packet"
    CUT_SHORT = "cut short"
    IMPOSSIBLE = "impossible"


@dataclass(frozen=True, slots=True)
class Malformed:
    """A packet that cannot be read: its defect, and the words for this one."""

    defect: Defect
    detail: str = ""

    @property
    def reason(self) -> str:
        """Why, in words."""
        return f"{self.defect.value}: {self.detail}" if self.detail else self.defect.value


def cut_short(missing: str, came: int, needed: int) -> Malformed:
    """`missing` (with its verb) is announced, but only `came` of `needed` bytes came.

    >>> cut_short("speed is", 3, 4).reason
    'cut short: speed is missing, only 3 of 4 bytes came'
    """
    return Malformed(Defect.CUT_SHORT, f"{missing} missing, only {came} of {needed} bytes came")


def parse(raw: bytes) -> Measurement | Malformed:
    """The measurement in `raw`, or the reason why there is none.

    >>> parse(bytes.fromhex("104b3303"))
    Measurement(bpm=75, contact=None, energy_kj=None, rr_s=(0.7998046875,), note='')
    >>> parse(b"")
    Malformed(defect=<Defect.EMPTY: 'empty packet'>, detail='')
    """
    if not raw:
        return Malformed(Defect.EMPTY)
    flags = raw[0]
    place = 1

    rate_size = 2 if flags & WIDE_RATE else 1
    if len(raw) < place + rate_size:
        return cut_short("heart rate is", len(raw), place + rate_size)
    bpm = int.from_bytes(raw[place : place + rate_size], "little")
    place += rate_size

    contact = bool(flags & CONTACT_DETECTED) if flags & CONTACT_SUPPORTED else None

    energy_kj = None
    if flags & ENERGY_PRESENT:
        if len(raw) < place + 2:
            return cut_short("energy is", len(raw), place + 2)
        energy_kj = int.from_bytes(raw[place : place + 2], "little")
        place += 2

    rr_s: tuple[float, ...] = ()
    if flags & RR_PRESENT:
        whole = (len(raw) - place) // 2
        rr_s = tuple(
            int.from_bytes(raw[at : at + 2], "little") / RR_UNITS_PER_S
            for at in range(place, place + 2 * whole, 2)
        )
        place += 2 * whole

    left = len(raw) - place
    note = f"{left} byte{'s' if left > 1 else ''} left over" if left else ""
    return Measurement(bpm, contact, energy_kj, rr_s, note)


def encode(
    bpm: int,
    *,
    contact: bool | None = None,
    energy_kj: int | None = None,
    rr_s: Sequence[float] = (),
    wide: bool = False,
) -> bytes:
    """The packet that says this; `wide` writes two bytes of rate even under 256.

    RR intervals (seconds) are rounded to 1/1024 s. A value that does not fit
    its field raises ValueError.
    """
    wide = wide or bpm > 0xFF
    flags = WIDE_RATE if wide else 0
    if contact is not None:
        flags |= CONTACT_SUPPORTED | (CONTACT_DETECTED if contact else 0)
    if energy_kj is not None:
        flags |= ENERGY_PRESENT
    if rr_s:
        flags |= RR_PRESENT
    try:
        body = bpm.to_bytes(2 if wide else 1, "little")
        if energy_kj is not None:
            body += energy_kj.to_bytes(2, "little")
        for interval_s in rr_s:
            body += round(interval_s * RR_UNITS_PER_S).to_bytes(2, "little")
    except OverflowError:
        raise ValueError(
            f"bpm {bpm}, energy {energy_kj} kJ or RR {list(rr_s)} s does not fit a heart-rate packet"
        ) from None
    return bytes([flags]) + body


def body_location(raw: bytes) -> str:
    """Where the sensor is worn, from Body Sensor Location (0x2A38); "" if not said."""
    return BODY_LOCATIONS[raw[0]] if raw and raw[0] < len(BODY_LOCATIONS) else ""


def battery_percent(raw: bytes) -> int | None:
    """Charge from Battery Level (0x2A19), percent; None where it is not one."""
    return raw[0] if raw and raw[0] <= 100 else None
