"""What one reading says about itself, before any filter: is it a heartbeat at all?

The lane-stepped estimator judges values against their history. This judges
what only the packet knows: contact, a rate of zero, and whether beat intervals
prove the sensor live. Pure.
"""

from __future__ import annotations

from dataclasses import dataclass

from guard.events import Reading

# A strap that used to send beat intervals and now repeats one value without
# them is repeating an old packet (common practice: intervals change every beat).
FROZEN_WITHOUT_RR_S = 10.0
RR_HABIT = 10  # readings with intervals after which they are expected


@dataclass(frozen=True, slots=True)
class Verdict:
    """`doubt` is the reason not to believe the reading ("" to believe it);
    `alive` tells that its beat intervals prove the sensor live."""

    doubt: str
    alive: bool


class PacketCheck:
    """Judges readings in order of arrival; remembers only the interval habit."""

    def __init__(self) -> None:
        self._with_rr = 0
        self._last_rr: tuple[float, ...] = ()
        self._last_bpm = 0
        self._still_since_s: float | None = None

    def judge(self, reading: Reading) -> Verdict:
        """Whether this reading can be believed as far as its packet tells."""
        alive = bool(reading.rr_s) and reading.rr_s != self._last_rr
        if reading.rr_s:
            self._with_rr += 1
            self._last_rr = reading.rr_s
        if reading.bpm != self._last_bpm or alive:
            self._still_since_s = reading.t_s
        self._last_bpm = reading.bpm
        if reading.contact is False:
            return Verdict("the strap feels no skin: wet the electrodes", False)
        if reading.bpm == 0:
            return Verdict("the sensor has no pulse signal", False)
        still_s = 0.0 if self._still_since_s is None else reading.t_s - self._still_since_s
        if self._with_rr >= RR_HABIT and not alive and still_s >= FROZEN_WITHOUT_RR_S:
            return Verdict("the sensor repeats one value without beat intervals", False)
        return Verdict("", alive)
