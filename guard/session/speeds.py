"""Which speed, grade and cadence hold now, of all that were typed or read. Pure.

* A read value counts for `OLD_S` after it came; then it is not known.
* The treadmill goes before the foot pod. What one does not tell the other may:
  the pod's cadence is used beside the treadmill's speed and grade.
* A typed value goes before both, and holds until a device says something
  clearly other than what it said when the value was typed: the belt was turned,
  the runner's speed on the pod changed, or the device has only just come back.
  A typed speed is so never left standing when the belt moves on, and a
  treadmill or pod that is simply off stays corrected while nothing changes.
* A source that does not say what it is (an import, the practice runner) ends
  a typed value with its next one.
"""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from operator import attrgetter

from guard.events import FOOT_POD, TREADMILL, Speed

OLD_S = 10.0  # a speed told longer ago counts as unknown (ours)
PRECEDENCE = (TREADMILL, "", FOOT_POD)
TYPED = "typed"

# Clearly other: more than a belt's or a pod's own unrest (ours).
BELT_TURNED_M_S = 0.15 / 3.6
BELT_TILTED = 0.004
POD_CHANGED = 0.15
POD_CHANGED_M_S = 0.3

Said = dict[str, float | None]
Quantity = Callable[[Speed], float | None]


_speed: Quantity = attrgetter("speed_m_s")
_grade: Quantity = attrgetter("grade")
_cadence: Quantity = attrgetter("cadence_spm")
CAN_BE_TYPED = (_speed, _grade)


@dataclass(frozen=True, slots=True)
class _Typed:
    """A typed value and what each device said of the same thing at that time."""

    value: float
    said: Said


class Speeds:
    """Keeps the newest of each source and answers what holds at a time."""

    def __init__(self) -> None:
        self._read: dict[str, Speed] = {}
        self._typed: dict[Quantity, _Typed] = {}

    def take(self, event: Speed) -> None:
        """A speed was read or typed."""
        if event.typed:
            for quantity in CAN_BE_TYPED:
                value = quantity(event)
                if value is not None:
                    said = {source: quantity(read) for source, read in self._fresh(event.t_s).items()}
                    self._typed[quantity] = _Typed(value, said)
            return
        for quantity, typed in list(self._typed.items()):
            value = quantity(event)
            if value is not None and _other(quantity, event.source, value, typed.said.get(event.source)):
                del self._typed[quantity]
        old = self._fresh(event.t_s).get(event.source)
        self._read[event.source] = event if old is None else replace(
            event,  # a packet that tells only a part keeps the rest
            speed_m_s=old.speed_m_s if event.speed_m_s is None else event.speed_m_s,
            grade=old.grade if event.grade is None else event.grade,
            cadence_spm=old.cadence_spm if event.cadence_spm is None else event.cadence_spm)

    def known(self, t_s: float) -> Speed | None:
        """What holds at `t_s`; `typed` and `source` tell where its speed comes from."""
        read = self._fresh(t_s)
        speed_m_s, source, typed = self._value(_speed, read)
        grade = self._value(_grade, read)[0]
        cadence_spm = self._value(_cadence, read)[0]
        if speed_m_s is None and grade is None and cadence_spm is None:
            return None
        return Speed(t_s, speed_m_s, grade, cadence_spm, typed, source)

    def _value(self, quantity: Quantity, read: dict[str, Speed]) -> tuple[float | None, str, bool]:
        if quantity in self._typed:
            return self._typed[quantity].value, "", True
        for source, event in read.items():
            value = quantity(event)
            if value is not None:
                return value, source, False
        return None, "", False

    def _fresh(self, t_s: float) -> dict[str, Speed]:
        """What was read lately, the first in `PRECEDENCE` first."""
        fresh = {source: read for source, read in self._read.items() if t_s - read.t_s <= OLD_S}
        if len(fresh) < 2:
            return fresh
        return {source: fresh[source] for source in (*PRECEDENCE, *fresh) if source in fresh}


def in_force(events: Iterable[Speed]) -> Iterator[Speed]:
    """What holds after each event, at its time: one stream where several sources told.

    For whoever reads a log and wants the speed the session went by.
    """
    speeds = Speeds()
    for event in events:
        speeds.take(event)
        holds = speeds.known(event.t_s)
        yield event if holds is None else holds


def origin(speed: Speed | None) -> str:
    """Where a speed comes from: `TYPED`, its device, or "" where that is not told."""
    if speed is None or speed.speed_m_s is None:
        return ""
    return TYPED if speed.typed else speed.source


def _other(quantity: Quantity, source: str, value: float, before: float | None) -> bool:
    """Whether a device says clearly other than `before` (None: it said nothing lately)."""
    if before is None or source not in (TREADMILL, FOOT_POD):
        return True
    change = abs(value - before)
    if quantity is _grade:
        return change > BELT_TILTED
    if source == FOOT_POD:
        return change > max(POD_CHANGED * before, POD_CHANGED_M_S)
    return change > BELT_TURNED_M_S
