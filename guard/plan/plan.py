"""A plan: the parts of a session, each with its own limits and its own quiet.

Pure: `parse_plan` takes the text of a TOML file, `Progress` is told the time
and the distance. Lengths are seconds and metres, limits are bpm.

A part by distance also has a time: it is what the part lasts when no speed is
known, so that a plan never waits for a treadmill that does not answer.

Entering a part with lower limits would find the heart rate of the part before
it: a heart answers small changes of speed with a time constant near 57.6 s
(Hunt, Fankhauser, Saengsuwan 2015, BioMedical Engineering OnLine 14, men
running). For the first `GRACE_RESPONSES` time constants, in which 78 % of the
change happens (1 - 1/e^1.5), such a part gives only stop and sensor cues.
"""

import dataclasses
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Self

from guard.cues import Cued as Cued
from guard.errors import InputError
from guard.settings import Settings

GRACE_RESPONSES = 1.5  # the module's docstring says why
MAX_PARTS = 500  # more is a slip in a repeat (ours)
GRADES = (-0.4, 0.4)  # rise over run; no belt and no runnable road is steeper
SPEEDS_M_S = (0.25, 8.0)  # 0.9 and 28.8 km/h: no belt goes slower or faster (common practice)
# Many small steps must end a part on the step that ends it, not on the one after.
_ROUNDING = 1e-9


class Kind(StrEnum):
    """What a part is for; decides its defaults."""

    WARM_UP = "warm_up"
    EASY = "easy"
    CLIMB = "climb"
    FAST = "fast"
    COOL_DOWN = "cool_down"
    TEST = "test"

    @property
    def words(self) -> str:
        """The kind as one says it."""
        return self.value.replace("_", "-")

    @classmethod
    def _missing_(cls, value: object) -> Self | None:
        """`base`, as plans and logs called an easy part before."""
        return cls.EASY if value == "base" else None


class Skip(StrEnum):
    """How far skipping a part of a repeat goes."""

    PART = "part"
    REPEAT = "repeat"


@dataclass(frozen=True, slots=True)
class Limits:
    """What holds at one moment of a part, bpm; `floor_bpm` None means no floor."""

    ceiling_bpm: float
    floor_bpm: float | None
    cued: Cued


@dataclass(frozen=True, slots=True)
class Part:
    """A stretch of the plan.

    `seconds` is its length, or the time that stands in for `metres` where no
    speed is known. `ceiling_bpm` None means the ceiling of the settings, also
    when the runner moves it during the session. The limit begins `ramp_bpm`
    under the ceiling (over it where negative) and moves to it in a straight
    line over the part. For `grace_s` after it begins the part gives only stop
    and sensor cues. Skipping it goes on by `skips` parts: one, or past all rounds of a repeat.
    """

    kind: Kind
    name: str
    seconds: float
    metres: float | None = None
    ceiling_bpm: float | None = None
    floor_bpm: float | None = None
    ramp_bpm: float = 0.0
    cued: Cued = Cued.ALL
    grace_s: float = 0.0
    skips: int = 1
    grade: float | None = None
    speed_m_s: float | None = None

    @property
    def title(self) -> str:
        """Its name, or what it is for where it has none."""
        return self.name or self.kind.words

    @property
    def guarded(self) -> bool:
        """Whether being over the ceiling means anything here (not in a part left to the runner)."""
        return self.cued is not Cued.STOP_ONLY

    def limits(self, session_ceiling_bpm: float, share: float, into_s: float) -> Limits:
        """The limits when `share` (0 to 1) of the part is done, `into_s` seconds after it began."""
        ceiling = session_ceiling_bpm if self.ceiling_bpm is None else self.ceiling_bpm
        ceiling -= self.ramp_bpm * (1.0 - min(max(share, 0.0), 1.0))
        cued = Cued.STOP_ONLY if into_s < self.grace_s else self.cued
        return Limits(ceiling, self.floor_bpm, cued)


@dataclass(frozen=True, slots=True)
class Plan:
    """The parts in order, repeats written out."""

    name: str
    parts: tuple[Part, ...]

    @property
    def seconds(self) -> float:
        """Length of the whole, parts by distance taken at their expected time."""
        return sum(part.seconds for part in self.parts)

    @property
    def finds_a_ceiling(self) -> bool:
        """Whether it is a test between warm-up and cool-down, none of which has a ceiling: none is needed."""
        kinds = {part.kind for part in self.parts}
        return (Kind.TEST in kinds and kinds <= {Kind.WARM_UP, Kind.TEST, Kind.COOL_DOWN}
                and all(part.ceiling_bpm is None for part in self.parts))

    def as_dict(self) -> dict[str, object]:
        """JSON-ready, for the first line of a session log."""
        return {"name": self.name, "parts": [
            {key: value for key, value in dataclasses.asdict(part).items()
             if (key, value) not in (("skips", 1), ("grade", None), ("speed_m_s", None))}
            | {"kind": part.kind.value, "cued": part.cued.value} for part in self.parts]}

    @classmethod
    def from_dict(cls, data: object) -> Self:
        """The plan that `as_dict` wrote; InputError where `data` is something else."""
        plan: Any = data  # anything: what it is not shows below
        try:
            parts = tuple(_part_from_dict(part) for part in plan["parts"])
            name = plan["name"]
            sound = isinstance(name, str) and 0 < len(parts) <= MAX_PARTS
        except (TypeError, KeyError, ValueError, AttributeError):
            sound = False
        if not sound:
            raise InputError("the plan in the first line of the log is not one the guard wrote: "
                             "restore the file, or write null in its place")
        return cls(name, parts)


def _part_from_dict(data: Any) -> Part:
    """One part; any wrong value raises ValueError, TypeError or KeyError."""
    def number(key: str, low: float = 0.0, high: float = 1e6) -> float:
        value = data[key]
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not low <= value <= high:
            raise ValueError(key)
        return float(value)

    def number_or_none(key: str) -> float | None:
        return None if data[key] is None else number(key)

    def if_there(key: str, low: float, high: float) -> float | None:
        return number(key, low, high) if key in data else None

    if not isinstance(data["name"], str):
        raise TypeError("name")
    return Part(
        Kind(data["kind"]), data["name"], number("seconds", low=1e-3), number_or_none("metres"),
        number_or_none("ceiling_bpm"), number_or_none("floor_bpm"), number("ramp_bpm", low=-250.0),
        Cued(data["cued"]), number("grace_s"),
        int(number("skips", low=1.0, high=MAX_PARTS)) if "skips" in data else 1,
        if_there("grade", *GRADES), if_there("speed_m_s", *SPEEDS_M_S))


def default_grace_s(before: Part | None, part: Part, settings: Settings) -> float:
    """The grace of a part that names none, seconds.

    A warm-up has the quiet first stretch of the settings. Any other part has
    none, unless its limits tighten at the start: the ceiling begins lower than
    `before` left off (or `before` was not guarded), or the floor is higher.
    """
    if part.kind is Kind.WARM_UP:
        grace = settings.warm_up_quiet_s
    elif before is not None and _tightens(before, part, settings.ceiling_bpm):
        grace = GRACE_RESPONSES * settings.response_s
    else:
        grace = 0.0
    return min(grace, part.seconds)


def _tightens(before: Part, part: Part, session_ceiling_bpm: float | None) -> bool:
    if part.guarded and not before.guarded:
        return True
    if part.floor_bpm is not None and part.floor_bpm > (before.floor_bpm or 0.0):
        return True
    leaves = session_ceiling_bpm if before.ceiling_bpm is None else before.ceiling_bpm
    begins = session_ceiling_bpm if part.ceiling_bpm is None else part.ceiling_bpm
    if leaves is None or begins is None:
        return leaves is not begins or part.ramp_bpm > 0
    return begins - part.ramp_bpm < leaves


@dataclass(frozen=True, slots=True)
class Place:
    """Where in the plan the session is.

    `left_s` is exact for a part by time and expected for one by distance;
    `left_m` is None for a part by time. `by_time` tells that a part by
    distance is going by its time because no speed is known. `done`: the last
    part is over (`index` stays on it).
    """

    index: int
    into_s: float
    share: float
    left_s: float
    left_m: float | None
    by_time: bool
    done: bool


class Progress:
    """Follows a plan through a session, which begins at 0 s; is told the time.

    A part by distance counts metres while they are known at both ends of an
    interval, and otherwise its own time: a speed that comes and goes costs
    accuracy, never the plan.
    """

    def __init__(self, plan: Plan) -> None:
        self._plan = plan
        self._t_s = 0.0
        self._distance_m: float | None = None
        self._index = 0
        self._into_s = 0.0
        self._share = 0.0
        self._by_time = False
        self._done = False

    @property
    def part(self) -> Part:
        """The present part (the last one when done)."""
        return self._plan.parts[self._index]

    @property
    def next_part(self) -> Part | None:
        """The part after the present one."""
        following = self._index + 1
        return self._plan.parts[following] if following < len(self._plan.parts) else None

    @property
    def knows_the_road(self) -> bool:
        """Whether any part names a grade or a speed."""
        return any(part.grade is not None or part.speed_m_s is not None for part in self._plan.parts)

    @property
    def warming(self) -> bool:
        """Whether a warm-up lasts."""
        return not self._done and self.part.kind is Kind.WARM_UP

    @property
    def counts(self) -> bool:
        """Whether being over the ceiling means anything now: a part may be left to the runner."""
        return self._done or self.part.guarded or self.part.ceiling_bpm is not None

    def advance(self, t_s: float, distance_m: float | None = None, *, held: bool = False) -> Place:
        """Move to session time `t_s`; `distance_m` since the session began, None if unknown.

        While `held` the plan stands still. Time and distance that run
        backward are taken as standing still.
        """
        if not held:
            known = distance_m is not None and self._distance_m is not None
            moved_m = max(0.0, distance_m - self._distance_m) if known else None  # type: ignore[operator]
            self._spend(max(0.0, t_s - self._t_s), moved_m)
        self._t_s = max(self._t_s, t_s)
        self._distance_m = distance_m
        return self.place()

    def skip(self) -> Place:
        """Go to the start of the next part, or past the repeat; from the last one, to the end."""
        for _ in range(self.part.skips):
            self._next()
        return self.place()

    def place(self) -> Place:
        """Where it is, without moving."""
        part, rest = self.part, 1.0 - self._share
        left_m = None if part.metres is None else rest * part.metres
        by_time = self._by_time and part.metres is not None
        return Place(self._index, self._into_s, self._share, rest * part.seconds, left_m, by_time, self._done)

    def limits(self, session_ceiling_bpm: float) -> Limits:
        """The limits in force; after the last part the settings' ceiling with every cue."""
        if self._done:
            return Limits(session_ceiling_bpm, None, Cued.ALL)
        return self.part.limits(session_ceiling_bpm, self._share, self._into_s)

    def own_ceiling_bpm(self, session_ceiling_bpm: float) -> float:
        """The ceiling of the present part without its ramp."""
        own = None if self._done else self.part.ceiling_bpm
        return session_ceiling_bpm if own is None else own

    def _spend(self, elapsed_s: float, moved_m: float | None) -> None:
        # One interval may end a part and begin the next ones, each with its own measure.
        while not self._done:
            part = self.part
            self._by_time = moved_m is None
            if part.metres is None or moved_m is None:
                step = elapsed_s / part.seconds
            else:
                step = moved_m / part.metres
            if self._share + step < 1.0 - _ROUNDING:
                self._share += step
                self._into_s += elapsed_s
                return
            unspent = max(0.0, 1.0 - (1.0 - self._share) / step)
            elapsed_s *= unspent
            moved_m = None if moved_m is None else moved_m * unspent
            self._next()

    def _next(self) -> None:
        if self._index + 1 < len(self._plan.parts):
            self._index += 1
            self._share = self._into_s = 0.0
        else:
            self._share, self._done = 1.0, True
