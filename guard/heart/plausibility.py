"""What one reading says about itself, before any filter: is it a heartbeat at all?

The lane-stepped estimator judges values against their history. This judges
what only the packet knows: contact, a rate of zero, and whether a value that
stands still is proven live by its beat intervals. Pure.
"""

from __future__ import annotations

from guard.events import Doubt, Reading

# A strap that used to send beat intervals and now repeats one value without
# them is repeating an old packet (common practice: intervals change every beat).
STILL_WITHOUT_RR_S = 10.0
# A strap that never sends them is given longer: averaging can hold one whole
# number for half a minute of steady running, hardly for two.
STILL_S = 120.0
RR_HABIT = 10  # readings with intervals after which they are expected


class PacketCheck:
    """Judges readings in order of arrival."""

    def __init__(self) -> None:
        self._with_rr = 0
        self._last_bpm = 0
        self._still_since_s = 0.0

    def doubt(self, reading: Reading) -> Doubt | None:
        """Why this reading cannot be believed; None as far as its packet tells."""
        if reading.rr_s:
            self._with_rr += 1
        if reading.rr_s or reading.bpm != self._last_bpm:
            self._still_since_s = reading.t_s
        self._last_bpm = reading.bpm
        if reading.contact is False:
            return Doubt.NO_CONTACT
        if reading.bpm == 0:
            return Doubt.NO_PULSE
        allowed_s = STILL_WITHOUT_RR_S if self._with_rr >= RR_HABIT else STILL_S
        if reading.t_s - self._still_since_s >= allowed_s:
            return Doubt.REPEATED
        return None
