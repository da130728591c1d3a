"""Whether the wall clock can be believed; nothing is ever decided on it.

A small board without a clock battery wakes up with an old time until the
network sets it. A log made before that says so (`clock_trusted` false).
"""

import ctypes
import sys
from datetime import datetime
from pathlib import Path

# No session was logged by this program before its first version existed.
EARLIEST_CLOCK = datetime(2025, 1, 1).astimezone()
_TIME_ERROR = 5  # adjtimex(2): the clock is not synchronised
_TIMEX_BYTES = 512  # larger than struct timex of any Linux


def clock_is_trusted(now: datetime, clocks: Path = Path("/sys/class/rtc")) -> bool:
    """True when `now` (aware) comes from a battery-backed or a synchronised clock.

    Linux answers by the kernel's own synchronisation state (adjtimex(2)) and
    the presence of a real-time clock; other systems run on machines that have
    one.
    """
    if now < EARLIEST_CLOCK:
        return False
    if not sys.platform.startswith("linux"):
        return True
    return any(clocks.glob("rtc*")) or _synchronised()


def _synchronised() -> bool:
    try:
        state: int = ctypes.CDLL(None).adjtimex(ctypes.create_string_buffer(_TIMEX_BYTES))
    except (OSError, AttributeError):
        return False
    return 0 <= state != _TIME_ERROR
