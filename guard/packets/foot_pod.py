"""Running Speed and Cadence packets (RSC Measurement, 0x2A53), read.

Layout after the Bluetooth SIG's Running Speed and Cadence Service 1.0 and the
GATT Specification Supplement, "RSC Measurement": one byte of flags, speed in
1/256 m/s, cadence in 1/min, then stride length (cm) and total distance (0.1 m)
where the flags say so; all little-endian. Pure: nothing a radio can send
raises.

The standard gives the cadence as "1/min" and leaves open of what: most pods
count the steps of both feet, some the strides of the foot they are worn on.
`steps_per_min` tells the two apart by what runners do.
"""

from dataclasses import dataclass

from guard.packets.heart_rate import Defect, Malformed, cut_short

# Bits of the flags.
STRIDE_LENGTH_PRESENT = 0x01
TOTAL_DISTANCE_PRESENT = 0x02
RUNNING = 0x04

SPEED_UNITS_PER_M_S = 256  # as the standard tells speed
FIXED_BYTES = 4  # flags, speed and cadence

# Nobody runs at under 110 steps a minute (recreational runners take about 150
# to 185: common practice), so a lower figure at a running speed is one foot's.
RUN_FROM_M_S = 1.9
FEWEST_RUN_STEPS_PER_MIN = 110


@dataclass(frozen=True, slots=True)
class FootPodData:
    """What one packet said; None for what it did not say.

    `cadence_per_min` is the figure as sent (see `steps_per_min`).
    `stride_length_m` and `distance_m` are optional fields. `running` is the
    pod's own word: False means walking. `note` tells of a field cut short.
    """

    speed_m_s: float
    cadence_per_min: int
    running: bool = False
    stride_length_m: float | None = None
    distance_m: float | None = None
    note: str = ""


def parse(raw: bytes) -> FootPodData | Malformed:
    """The data in `raw`, or the reason why there is none.

    >>> said = parse(bytes.fromhex("048002a0"))
    >>> (said.speed_m_s, said.cadence_per_min, said.running)
    (2.5, 160, True)
    >>> parse(b"").reason
    'empty packet'
    """
    if not raw:
        return Malformed(Defect.EMPTY)
    if len(raw) < FIXED_BYTES:
        return cut_short("speed and cadence are", len(raw), FIXED_BYTES)
    flags = raw[0]
    speed_m_s = int.from_bytes(raw[1:3], "little") / SPEED_UNITS_PER_M_S
    place = FIXED_BYTES
    stride_length_m = distance_m = None
    note = ""
    if flags & STRIDE_LENGTH_PRESENT:
        if len(raw) >= place + 2:
            stride_length_m = int.from_bytes(raw[place : place + 2], "little") / 100
        else:
            note = cut_short("stride length is", len(raw), place + 2).reason
        place += 2
    if flags & TOTAL_DISTANCE_PRESENT:
        if len(raw) >= place + 4:
            distance_m = int.from_bytes(raw[place : place + 4], "little") / 10
        else:
            note = note or cut_short("distance is", len(raw), place + 4).reason
    return FootPodData(speed_m_s, raw[3], bool(flags & RUNNING), stride_length_m, distance_m, note)


def steps_per_min(data: FootPodData) -> int | None:
    """Steps of both feet per minute; None while standing.

    >>> steps_per_min(FootPodData(2.5, 81)), steps_per_min(FootPodData(2.5, 162))
    (162, 162)
    """
    if data.cadence_per_min == 0:
        return None
    one_foot = data.speed_m_s >= RUN_FROM_M_S and data.cadence_per_min < FEWEST_RUN_STEPS_PER_MIN
    return 2 * data.cadence_per_min if one_foot else data.cadence_per_min
