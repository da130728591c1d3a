"""Time limits of a radio link and the small judgements built on them. Pure.

Neither the platform's word that a link is up nor its disconnect callback is a
safety signal (with the Bluetooth service killed both keep silent): only packets
are. Silence is therefore watched in two steps: first the radio is looked at,
then the link is torn down and made anew.
"""

from dataclasses import dataclass

# Between tries to connect again: back within 10 s of its return (ours).
BACK_OFF_S = (0.25, 0.5, 1.0, 2.0, 4.0, 5.0)
RETRY_S = (0.5, 2.0, 5.0, 10.0, 20.0, 30.0)  # for a device the session goes on without
# Packets that any sensor of this kind has reason to send: a strap sends about once a second, a belt at
# most four times; after a stall of the radio some seconds' worth arrive at once (ours, well above either).
PACKETS_PER_S, PACKETS_AT_ONCE = 10.0, 40.0


@dataclass(frozen=True, slots=True)
class LinkTiming:
    """All in seconds; changed only by tests."""

    doubt_s: float = 3.0  # this long without a packet: look whether the radio is well
    silent_s: float = 10.0  # this long: give the link up and reconnect
    look_every_s: float = 1.0  # how often a radio in trouble or a silent link is looked at
    listen_s: float = 3.0  # for other straps to show up once one is seen
    stretch_s: float = 5.0  # one stretch of scanning, after which the radio is looked at
    hint_s: float = 12.0  # of searching in vain before the fix is said
    connect_s: float = 15.0  # for a connection and its services
    ask_s: float = 5.0  # for one answer of strap or service
    part_s: float = 5.0  # for a disconnect; a clean one takes 2 to 3 s
    good_s: float = 30.0  # of good data that clear the record of failures
    twin_s: float = 0.1  # within which an identical packet is a duplicate
    battery_every_s: float = 600.0
    retry_s: tuple[float, ...] = BACK_OFF_S  # between attempts, the last one again and again


class BackOff:
    """How long to wait before the next attempt: longer each time, up to the last of `waits_s`."""

    def __init__(self, waits_s: tuple[float, ...] = BACK_OFF_S) -> None:
        self._waits_s = waits_s
        self._failures = 0

    def next_s(self) -> float:
        """Seconds to wait after one more failure."""
        wait_s = self._waits_s[min(self._failures, len(self._waits_s) - 1)]
        self._failures += 1
        return wait_s

    def clear(self) -> None:
        """Data has been good for long enough: begin anew."""
        self._failures = 0


class Silence:
    """Judges how long a link has been silent; times are seconds on any one clock."""

    def __init__(self, limits: LinkTiming, now_s: float) -> None:
        self._limits = limits
        self._since_s = now_s
        self._looked_s: float | None = None

    def packet(self, now_s: float) -> None:
        """A packet that could be read arrived."""
        self._since_s = now_s
        self._looked_s = None

    def length_s(self, now_s: float) -> float:
        """Seconds since the last packet."""
        return now_s - self._since_s

    def over(self, now_s: float) -> bool:
        """True when the link must be given up."""
        return self.length_s(now_s) >= self._limits.silent_s

    def look_due(self, now_s: float) -> bool:
        """True, once every `look_every_s`, when the radio should be looked at."""
        if now_s < self._next_look_s():
            return False
        self._looked_s = now_s
        return True

    def due_in_s(self, now_s: float) -> float:
        """Seconds until there is anything to judge."""
        next_s = min(self._next_look_s(), self._since_s + self._limits.silent_s)
        return max(0.0, next_s - now_s)

    def _next_look_s(self) -> float:
        if self._looked_s is None:
            return self._since_s + self._limits.doubt_s
        return self._looked_s + self._limits.look_every_s


class Twins:
    """Finds notifications delivered twice.

    Only packets with RR intervals are judged: two equal ones within a tenth of
    a second cannot be two measurements, while equal bare rates well can.
    """

    def __init__(self, within_s: float) -> None:
        self._within_s = within_s
        self._raw = b""
        self._at_s = float("-inf")

    def is_twin(self, raw: bytes, now_s: float, has_rr: bool) -> bool:
        """True when `raw` repeats the packet before it within the limit."""
        twin = has_rr and raw == self._raw and now_s - self._at_s <= self._within_s
        self._raw, self._at_s = raw, now_s
        return twin
