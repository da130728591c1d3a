"""The strap's battery: said once a session that it is low."""

from guard.cues import Cue, Numbers
from guard.events import Battery, CueGiven


class LowBattery:
    """`percent` as last told, None until then; low at or under `low_percent` (0: never said)."""

    def __init__(self, low_percent: int) -> None:
        self._low_percent, self._said = low_percent, False
        self.percent: int | None = None

    def take(self, event: Battery) -> list[CueGiven]:
        """The cue that follows, if any."""
        self.percent = event.percent
        if event.percent > self._low_percent or self._said or self._low_percent == 0:
            return []
        self._said = True
        numbers = Numbers(percent=float(event.percent), low_percent=float(self._low_percent))
        return [CueGiven(event.t_s, Cue.BATTERY_LOW, "battery_low", numbers)]
