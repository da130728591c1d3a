"""What the screen says, in words: one short text a fact, shared by all screens."""

from __future__ import annotations

from guard.events import FOOT_POD, TREADMILL, CueGiven, LinkState, Snapshot, State
from guard.settings import Settings

KM_H_PER_M_S = 3.6
MPH_PER_M_S = 3600 / 1609.344  # international mile, exact by definition

BIG_STATES = {
    State.WARMING: "WARM UP",
    State.STEADY: "STEADY",
    State.EASING: "EASE",
    State.WALKING: "WALK",
    State.NO_SIGNAL: "NO SIGNAL",
    State.HELD: "PAUSED",
    State.DONE: "DONE",
}
_STATES = {
    State.WARMING: "WARMING UP",
    State.STEADY: "STEADY",
    State.EASING: "EASING",
    State.WALKING: "WALKING",
    State.NO_SIGNAL: "NO SIGNAL, run by feel",
    State.HELD: "PAUSED",
    State.DONE: "DONE",
}
_LINKS = {
    LinkState.SEARCHING: "searching",
    LinkState.CONNECTING: "connecting",
    LinkState.CONNECTED: "connected",
    LinkState.LOST: "LOST",
    LinkState.UNAVAILABLE: "UNAVAILABLE",
}
DEVICES = {TREADMILL: "treadmill", FOOT_POD: "foot pod"}
NO_READINGS = "no usable readings: wet the electrodes, press the strap to the skin"
_LEVEL_SLOPE_BPM_PER_MIN = 2.0  # a slope smaller than this reads as level


def clock(seconds: float) -> str:
    """Session time as h:mm:ss, or m:ss under an hour.

    >>> clock(754), clock(4000)
    ('12:34', '1:06:40')
    """
    whole = max(0, int(seconds))
    hours, rest = divmod(whole, 3600)
    minutes, secs = divmod(rest, 60)
    return f"{hours}:{minutes:02d}:{secs:02d}" if hours else f"{minutes}:{secs:02d}"


def state_name(state: State) -> str:
    """The state in capital words."""
    return _STATES[state]


def is_waiting(snapshot: Snapshot) -> bool:
    """Whether nothing was read yet, so that no word about the runner can be true."""
    return snapshot.reading_age_s is None and snapshot.state in (State.WARMING, State.STEADY)


def big_state(snapshot: Snapshot) -> str:
    """The state in one or two words, for large letters."""
    return "WAITING" if is_waiting(snapshot) else BIG_STATES[snapshot.state]


def state(snapshot: Snapshot) -> str:
    """The state and how long it has lasted."""
    if is_waiting(snapshot):
        return "WAITING for the first reading"
    return f"{_STATES[snapshot.state]} for {clock(snapshot.t_s - snapshot.state_since_s)}"


def flags(snapshot: Snapshot) -> list[str]:
    """What is switched off or held, each as a capital word."""
    pairs = (
        (snapshot.state is State.HELD, "PAUSED"),
        (snapshot.muted, "MUTED"),
        (snapshot.free_run, "FREE RUN"),
        (snapshot.sound_backend == "none", "NO SOUND"),
        (snapshot.sound_backend == "off", "SOUND OFF"),
    )
    return [word for shown, word in pairs if shown]


def room_number(snapshot: Snapshot) -> int | None:
    """Room in whole bpm, negative over the ceiling; None without a trusted level."""
    return None if snapshot.room_bpm is None else round(snapshot.room_bpm)


def room(snapshot: Snapshot) -> str:
    """Room to the ceiling, the fact the screen leads with."""
    name = "warm-up ceiling" if snapshot.state is State.WARMING else "ceiling"
    ceiling = f"{name} {snapshot.ceiling_bpm:.0f}"
    number = room_number(snapshot)
    if number is None:
        return f"ROOM unknown, {ceiling}"
    if number < 0:
        return f"OVER by {-number} bpm, {ceiling}"
    return f"ROOM {number} bpm under the {ceiling}"


def heart_rate(snapshot: Snapshot) -> str:
    """Heart rate now, or why there is none."""
    if snapshot.level_bpm is None:
        if snapshot.contact is False:
            return "heart rate unknown: no skin contact"
        if snapshot.reading_age_s is None:
            return "heart rate unknown: no reading yet"
        return f"heart rate unknown for {clock(snapshot.reading_age_s)}"
    return f"heart rate {snapshot.level_bpm:.0f}"


def tendency(snapshot: Snapshot) -> str:
    """Where heart rate is going, in words; empty when not known."""
    slope = snapshot.slope_bpm_per_min
    if slope is None or snapshot.level_bpm is None:
        return ""
    if abs(slope) < _LEVEL_SLOPE_BPM_PER_MIN:
        return "level"
    return f"{'rising' if slope > 0 else 'falling'} {abs(slope):.0f} a minute"


def foreseen(snapshot: Snapshot) -> str:
    """What is foreseen `lead_s` ahead; empty when nothing is."""
    if snapshot.foreseen_bpm is None:
        return ""
    return f"foreseen {snapshot.foreseen_bpm:.0f} in {snapshot.lead_s:.0f} s"


def likelihood(snapshot: Snapshot) -> str:
    """The chance of being over the ceiling then; empty when not known."""
    if snapshot.chance_over is None or snapshot.foreseen_bpm is None:
        return ""
    return f"{100 * snapshot.chance_over:.0f} % likely over the ceiling"


def cue_age(snapshot: Snapshot, given: CueGiven) -> str:
    """How long ago a cue was given."""
    return f"{clock(snapshot.t_s - given.t_s)} ago"


def at_or_under(snapshot: Snapshot) -> str:
    """Time at or under the ceiling, of the time with a trusted heart rate."""
    known_s = snapshot.at_or_under_s + snapshot.over_s
    share = f" ({100 * snapshot.at_or_under_s / known_s:.0f} %)" if known_s > 0 else ""
    return f"at or under {clock(snapshot.at_or_under_s)}{share}"


def part(snapshot: Snapshot) -> str:
    """What is left of the part of the session, and its name; empty without a plan."""
    if not snapshot.part or snapshot.part_left_s is None:
        return snapshot.part
    return f"{clock(snapshot.part_left_s)} left of {snapshot.part}"


def speed_number(speed_m_s: float, settings: Settings) -> str:
    """A speed with its unit, in the runner's units.

    >>> speed_number(2.5, Settings())
    '9.0 km/h'
    """
    if settings.units == "mile":
        return f"{speed_m_s * MPH_PER_M_S:.1f} mph"
    return f"{speed_m_s * KM_H_PER_M_S:.1f} km/h"


def speed_alone(snapshot: Snapshot, settings: Settings) -> str:
    """Speed alone; empty when not known."""
    return "" if snapshot.speed_m_s is None else speed_number(snapshot.speed_m_s, settings)


def speed(snapshot: Snapshot, settings: Settings) -> str:
    """Speed, slope and the speed advised, as far as known."""
    words = []
    if snapshot.speed_m_s is not None:
        origin = f" ({DEVICES.get(snapshot.speed_from, snapshot.speed_from)})" if snapshot.speed_from else ""
        words.append(f"speed {speed_alone(snapshot, settings)}{origin}")
    if snapshot.grade is not None and abs(snapshot.grade) >= 0.005:
        words.append(f"grade {100 * snapshot.grade:+.0f} %")
    if snapshot.advised_speed_m_s is not None:
        words.append(f"advised {speed_number(snapshot.advised_speed_m_s, settings)}")
    return ", ".join(words)


def link(snapshot: Snapshot) -> str:
    """The link to the sensor; its name is text from outside."""
    return link_line(snapshot.link_state, snapshot.link_name)


def link_line(state: LinkState, name: str) -> str:
    """Where the link is, and to what."""
    return f"{_LINKS[state]}: {name or 'sensor'}"


def battery(snapshot: Snapshot) -> str:
    """Charge of the sensor; empty when it never said."""
    return "" if snapshot.battery_percent is None else f"battery {snapshot.battery_percent} %"


def sound(snapshot: Snapshot) -> str:
    """Which way sound leaves the machine."""
    if snapshot.sound_backend == "none":
        return "no sound: watch the screen"
    return f"sound {snapshot.sound_backend}" if snapshot.sound_backend else "sound starting"
