"""What the runner can be told, and on which figures: one row a cue, all that no medium changes.

How a cue sounds, is worded and buzzes stands in one table for each medium,
every one keyed by `Cue`: `sound/tones.py`, `decide/wording.py`, `pins/patterns.py`.
A test holds that each of them serves every cue.
"""

from dataclasses import dataclass
from enum import Enum, IntEnum, StrEnum
from typing import Self


class Says(Enum):
    """The kind of thing a cue says."""

    NOTHING = 0
    SLOWER = 1
    FASTER = 2
    SIGNAL_LOST = 3
    SIGNAL_BACK = 4
    NEWS = 5  # asks for nothing, stays true


_MAKES_UNTRUE: dict[Says, frozenset[Says]] = {
    Says.SLOWER: frozenset({Says.FASTER}),
    Says.SIGNAL_LOST: frozenset({Says.FASTER, Says.SIGNAL_BACK}),
    Says.SIGNAL_BACK: frozenset({Says.SIGNAL_LOST}),
}


class Cued(StrEnum):
    """The quiet rule of a plan's part: which cues it gives. Sensor and part cues always are."""

    ALL = "all"
    WALK_AND_STOP = "walk_and_stop"  # resume too, or nobody would end the walking
    STOP_ONLY = "stop_only"


_LOUDEST_FIRST = tuple(Cued)


@dataclass(frozen=True, slots=True)
class About:
    """What is true of a cue in whatever medium.

    `rank`: of two sounds the higher goes first and cuts the other. `quietest`:
    the quietest rule of a plan's part that still lets it out. `mutable`: mute
    holds it back. `escalates`: its repeats are counted, so that the words can go further.
    `advises`: a speed to set may go with it. `name`: what it is called where that is
    not its key. `letter` and `outline` draw it in a
    terminal and on a page (SVG path in a square of 16: pointing down for less,
    up for more, a bar for stop, a gap for no signal).
    """

    says: Says
    letter: str
    outline: str
    rank: int = 1
    quietest: Cued = Cued.STOP_ONLY
    mutable: bool = True
    escalates: bool = False
    advises: bool = False
    name: str = ""


_NO_CUE = About(Says.NOTHING, "", "")


class Cue(IntEnum):
    """What the runner can be told, by the code that lanes return. `NONE` means nothing is due."""

    about: About

    def __new__(cls, code: int, about: About = _NO_CUE) -> Self:
        cue = int.__new__(cls, code)
        cue._value_ = code
        cue.about = about
        return cue

    NONE = 0, _NO_CUE
    EASE = 1, About(
        Says.SLOWER, "e", "M2 4H14L8 13Z", rank=2, quietest=Cued.ALL, escalates=True,
        advises=True)
    WALK = 2, About(
        Says.SLOWER, "w", "M2 1H14L8 8ZM2 8H14L8 15Z", rank=3, quietest=Cued.WALK_AND_STOP,
        escalates=True)
    RESUME = 3, About(
        Says.FASTER, "r", "M2 12H14L8 3Z", quietest=Cued.WALK_AND_STOP, escalates=True,
        advises=True, name="run again")
    STOP = 4, About(Says.SLOWER, "S", "M2 6H14V11H2Z", rank=5, mutable=False)
    SIGNAL_LOST = 5, About(Says.SIGNAL_LOST, "l", "M1 6H6V10H1ZM10 6H15V10H10Z", rank=4, mutable=False,
                           name="sensor lost")
    SIGNAL_BACK = 6, About(Says.SIGNAL_BACK, "b", "M1 6H15V10H1Z", mutable=False, name="sensor back")
    BATTERY_LOW = 7, About(Says.NEWS, "y", "M4 3H12V14H4ZM6 1H10V3H6Z")
    PART = 8, About(Says.NEWS, "p", "M7 1H9V15H7Z", name="next part")
    PICK_UP = 9, About(
        Says.FASTER, "u", "M5 12H11L8 3Z", quietest=Cued.ALL, advises=True, name="faster")

    @property
    def key(self) -> str:
        """Spelling used in logs and JSON: the lower-case name."""
        return self.name.lower()

    @property
    def words(self) -> str:
        """What it is called on screens and pages, in reviews and in the manual."""
        return self.about.name or self.key.replace("_", " ")

    def undoes(self, other: Self) -> bool:
        """Whether this cue makes an earlier one untrue, so that its sound is dropped or cut."""
        return other.about.says in _MAKES_UNTRUE.get(self.about.says, frozenset())

    def let_out(self, cued: Cued) -> bool:
        """Whether a part with this quiet rule gives it."""
        return self in CUES and _LOUDEST_FIRST.index(cued) <= _LOUDEST_FIRST.index(self.about.quietest)


SEVERAL = "+"  # where a drawing has room for one letter only

CUE_NAMES = {cue.key: cue.words for cue in Cue}  # by the spelling of logs
CUES = tuple(cue for cue in Cue if cue.about.says is not Says.NOTHING)
SLOW_DOWN = tuple(cue for cue in CUES if cue.about.says is Says.SLOWER)
# Those that ask the runner for another pace.
PACE_CUES = tuple(cue for cue in CUES if cue.about.says in (Says.SLOWER, Says.FASTER))


@dataclass(frozen=True, slots=True, repr=False)
class Numbers:
    """The figures that a rule rests on; None where it does not rest on them.

    Whole hundredths, so that what a log holds is what was decided, to the last
    digit. `level_bpm` is the estimate now, `ceiling_bpm` the ceiling in force,
    `limit_bpm` that of the warm-up's ramp at this time (else the ceiling),
    `room_bpm` the limit minus the level, `foreseen_bpm` the level expected
    `ahead_s` ahead, `heading_bpm` where it is climbing to, `with_bpm` and
    `without_bpm` the level expected then if the cue is followed and if it is not,
    `stop_bpm` the never-exceed limit, `floor_bpm` the lower one, `age_s` that of
    the newest trusted reading, `interval_s` how often the strap sends. `percent`
    and `low_percent` are the strap's charge and what is called low; `length_s` or
    `length_m` is the length of the part that begins.
    """

    level_bpm: float | None = None
    ceiling_bpm: float | None = None
    limit_bpm: float | None = None
    room_bpm: float | None = None
    foreseen_bpm: float | None = None
    ahead_s: float | None = None
    heading_bpm: float | None = None
    with_bpm: float | None = None
    without_bpm: float | None = None
    stop_bpm: float | None = None
    floor_bpm: float | None = None
    age_s: float | None = None
    interval_s: float | None = None
    percent: float | None = None
    low_percent: float | None = None
    length_s: float | None = None
    length_m: float | None = None

    def as_dict(self) -> dict[str, float]:
        """The figures given, by name."""
        every = ((name, getattr(self, name)) for name in self.__slots__)
        return {name: value for name, value in every if value is not None}

    def __repr__(self) -> str:
        return f"Numbers({', '.join(f'{name}={value!r}' for name, value in self.as_dict().items())})"


NO_NUMBERS = Numbers()
