"""Everything that crosses a boundary between rooms, as frozen dataclasses.

Inputs flow down (`Reading`, `Speed`, `SpeedLink`, `Battery`, `Link`,
`Command`, `Mark`, `SoundHealth`, `Clock`); the session answers each with outputs (`CueGiven`,
`StateChanged`, `ReadingDoubted`). Each carries `t_s`, seconds since the session
began on a monotonic clock. Nothing here knows a clock, file, radio or screen.
"""

from dataclasses import dataclass, field
from enum import IntEnum, StrEnum
from typing import NotRequired, TypedDict

from guard.cues import NO_NUMBERS as NO_NUMBERS
from guard.cues import PACE_CUES as PACE_CUES
from guard.cues import SLOW_DOWN as SLOW_DOWN
from guard.cues import Cue as Cue
from guard.cues import Numbers as Numbers


class State(IntEnum):
    """What the guard believes the runner is doing, and whether it can tell."""

    WARMING = 0
    STEADY = 1
    EASING = 2
    WALKING = 3
    NO_SIGNAL = 4
    HELD = 5
    DONE = 6

    @property
    def key(self) -> str:
        """Spelling used in logs and JSON: the lower-case name."""
        return self.name.lower()


class Action(StrEnum):
    """What the runner can command; every command is an input and is logged."""

    PAUSE = "pause"  # hold the guard: the runner stands or drinks
    CONTINUE = "continue"  # end a pause
    MUTE = "mute"  # no sound but stop and sensor cues
    UNMUTE = "unmute"
    CEILING = "ceiling"  # value: new ceiling, bpm
    FREE_RUN = "free_run"  # value: 1 on, 0 off; only stop and signal cues
    SKIP_PART = "skip_part"
    STATUS = "status"  # say where I am, now
    QUIT = "quit"


class LinkState(StrEnum):
    """Where the radio link (or whatever stands in for it) is."""

    SEARCHING = "searching"
    CONNECTING = "connecting"
    CONNECTED = "connected"
    LOST = "lost"
    UNAVAILABLE = "unavailable"  # adapter or service missing; `detail` says the fix


@dataclass(frozen=True, slots=True)
class Reading:
    """One heart-rate measurement as it arrived.

    `bpm` 0 means the sensor had no signal. `contact` None means not reported,
    which is never "no contact". `rr_s` holds RR intervals in seconds, oldest
    first. `raw` is the packet (empty for imported or simulated readings).
    """

    t_s: float
    bpm: int
    contact: bool | None = None
    rr_s: tuple[float, ...] = ()
    energy_kj: int | None = None
    raw: bytes = b""


@dataclass(frozen=True, slots=True)
class Speed:
    """Speed and slope of the ground or belt; None where not known.

    `grade` is rise over run (0.05 is 5 %); `cadence_spm` is steps per minute
    of both feet; `typed` tells a speed the runner keyed in from one read.
    `source` is the device it was read from (see `SpeedLink.device`), "" where
    that is not told (typed, imported, practised).
    """

    t_s: float
    speed_m_s: float | None = None
    grade: float | None = None
    cadence_spm: float | None = None
    typed: bool = False
    source: str = ""


TREADMILL = "treadmill"
FOOT_POD = "foot_pod"

# Beyond these a figure is a fault of the device or a stuck key: only the best sprinters
# touch 12 m/s (from memory), and no belt tilts so far (common practice: 15 to 40 %).
FASTEST_M_S = 12.0
STEEPEST_TOLD = 0.45


@dataclass(frozen=True, slots=True)
class SpeedLink:
    """A change of the link to a device that tells the speed, apart from the strap's.

    `device` is `TREADMILL` or `FOOT_POD`; `battery_percent` its charge where it tells,
    `detail` and `fault` as in `Link`.
    """

    t_s: float
    device: str
    state: LinkState
    name: str = ""
    detail: str = ""
    address: str = ""
    battery_percent: int | None = None
    fault: str = ""


@dataclass(frozen=True, slots=True)
class Battery:
    """Charge of the strap, percent."""

    t_s: float
    percent: int


@dataclass(frozen=True, slots=True)
class Link:
    """A change of the link to the sensor, with its name.

    `fault` is the code of what is in its way ("" for nothing; `radio/faults.py`),
    `detail` the same in words, with the fix.
    """

    t_s: float
    state: LinkState
    name: str = ""
    detail: str = ""
    address: str = ""
    body_location: str = ""
    fault: str = ""


@dataclass(frozen=True, slots=True)
class Command:
    """Something the runner asked for by key or button; `origin` names what is neither ("page")."""

    t_s: float
    action: Action
    value: float | str | None = None
    origin: str = ""


@dataclass(frozen=True, slots=True)
class Mark:
    """A moment the runner wants to find again, with a word or a figure if there is one."""

    t_s: float
    value: float | str | None = None
    origin: str = ""


@dataclass(frozen=True, slots=True)
class SoundHealth:
    """Which way sound leaves the machine now; `backend` "none" when it cannot."""

    t_s: float
    backend: str
    detail: str = ""


@dataclass(frozen=True, slots=True)
class Clock:
    """Wall time (ISO 8601 with offset) that belongs to `t_s`."""

    t_s: float
    wall: str


class Doubt(StrEnum):
    """Why a reading was not believed."""

    NO_CONTACT = "no_contact"  # the strap itself says that it feels no skin
    NO_PULSE = "no_pulse"  # 0 bpm
    RANGE = "range"  # outside what a heart can do
    REPEATED = "repeated"  # one value for so long that it may be an old one
    RR_DISAGREES = "rr_disagrees"  # its beats tell another rate
    ROUGH = "rough"  # holds and leaps, as a dry electrode does
    JUMP = "jump"  # too far from what is believed
    UNPROVEN = "unproven"  # too little yet to believe
    STEP_RATE = "step_rate"  # believed, but it follows the steps


@dataclass(frozen=True, slots=True)
class CueGiven:
    """A cue that was decided, and why: the name of the rule and the figures it rests on.

    `advised_speed_m_s` is the speed to set where a learned gain and a known
    speed allow one; `repeat` counts earlier cues of the same run of cues, so
    that wording can escalate. `belt` tells that a treadmill was connected, so
    that the belt comes first in the words whatever the setting says. `part`
    names the part of the plan that begins. `logged_words` holds the words of a log
    this was read from: for display where the rule is not known any more.
    """

    t_s: float
    cue: Cue
    rule: str = ""
    numbers: Numbers = NO_NUMBERS
    advised_speed_m_s: float | None = None
    repeat: int = 0
    belt: bool = False
    part: str = ""
    logged_words: str = field(default="", compare=False)


@dataclass(frozen=True, slots=True)
class StateChanged:
    """The session entered `state`, by this rule and on these figures (see `CueGiven`)."""

    t_s: float
    state: State
    rule: str = ""
    numbers: Numbers = NO_NUMBERS
    logged_words: str = field(default="", compare=False)


@dataclass(frozen=True, slots=True)
class ReadingDoubted:
    """The reading at `t_s` was kept but not believed; `doubt` is a value of `Doubt`.

    "" (or a value not known here) where a log of another version says it in words only: `logged_words`.
    """

    t_s: float
    doubt: str
    logged_words: str = field(default="", compare=False)


Input = Reading | Speed | SpeedLink | Battery | Link | Command | Mark | SoundHealth | Clock
Output = CueGiven | StateChanged | ReadingDoubted


class Summary(TypedDict):
    """Totals of a session, JSON-ready: the `summary` of replay and of the log's end.

    Times in s, `over_bpm_min` in bpm-minutes; `cues` by `Cue.key`, `cues_per_h`
    counts what asks the runner for another pace; `distance_m` where a speed was known.
    """

    duration_s: float
    at_or_under_s: float
    over_s: float
    over_bpm_min: float
    no_signal_s: float
    held_s: float
    unguarded_s: float
    cues: dict[str, int]
    cues_per_h: float
    distance_m: NotRequired[float]


@dataclass(frozen=True, slots=True)
class Snapshot:
    """All a screen needs, made by the session at `t_s`; nothing to compute.

    `level_bpm` is the trusted estimate (None when there is none), `room_bpm`
    the ceiling in force minus that level, `foreseen_bpm` the level expected
    `lead_s` ahead, `chance_over` the probability (0 to 1) that it will then be
    over the ceiling. `ceiling_bpm` is the limit of the moment: under `own_ceiling_bpm`
    where a warm-up or part leads up to it. `resume_bpm` is the level at which a
    walker may run again (None where no level tells it, or he was told). `active_s` is the time of
    the session without pauses. `advised_speed_m_s` is that of the newest cue, while
    it is news and asks for one. `speed_from` is where the speed comes from (a device
    as in `SpeedLink`, "typed", or "" where not told), `belt` that a treadmill was connected. `guarded`
    is false in a part that is left to the runner: no ceiling counts there, so there is neither
    `room_bpm` nor `chance_over`. `trace`
    holds `(t_s, bpm)` of trusted readings, oldest first, over about the last
    five minutes; `ceiling_trace` the ceiling in force at the same times.
    """

    t_s: float
    state: State
    state_since_s: float
    level_bpm: float | None
    slope_bpm_per_min: float | None
    ceiling_bpm: float
    own_ceiling_bpm: float
    floor_bpm: float | None
    room_bpm: float | None
    resume_bpm: float | None
    foreseen_bpm: float | None
    lead_s: float
    chance_over: float | None
    reading_age_s: float | None
    contact: bool | None
    last_cue: CueGiven | None
    cue_count: int
    link_state: LinkState
    link_name: str
    link_detail: str
    battery_percent: int | None
    at_or_under_s: float
    over_s: float
    no_signal_s: float
    active_s: float
    speed_m_s: float | None
    grade: float | None
    advised_speed_m_s: float | None
    part: str
    part_left_s: float | None
    muted: bool
    free_run: bool
    sound_backend: str
    speed_from: str = ""
    belt: bool = False
    guarded: bool = True
    trace: tuple[tuple[float, float], ...] = ()
    ceiling_trace: tuple[float, ...] = ()
