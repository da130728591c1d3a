"""What the screen says, in words: one short text a fact, shared by all screens."""

import math

from guard.events import FOOT_POD, TREADMILL, Cue, CueGiven, LinkState, Snapshot, State
from guard.reasons import reason
from guard.settings import Settings
from guard.units import METRES, pace_unit
from guard.units import speed as speed_with_unit

BIG_STATES = {
    State.WARMING: "WARM UP",
    State.STEADY: "STEADY",
    State.EASING: "EASE",
    State.WALKING: "WALK",
    State.NO_SIGNAL: "NO SIGNAL",
    State.HELD: "PAUSED",
    State.DONE: "DONE",
}
STATES = {
    State.WARMING: "WARMING UP",
    State.STEADY: "STEADY",
    State.EASING: "EASING",
    State.WALKING: "WALKING",
    State.NO_SIGNAL: "NO SIGNAL, run by feel",
    State.HELD: "PAUSED",
    State.DONE: "DONE",
}
LINKS = {
    LinkState.SEARCHING: "searching",
    LinkState.CONNECTING: "connecting",
    LinkState.CONNECTED: "connected",
    LinkState.LOST: "LOST",
    LinkState.UNAVAILABLE: "UNAVAILABLE",
}
_SOUND = {"": "sound starting", "none": "no sound: watch the screen", "off": "sound off",
          "bell": "sound by the bell only", "page": "sound on the page"}
DEVICES = {TREADMILL: "treadmill", FOOT_POD: "foot pod"}
NO_READINGS = "no usable readings: wet the electrodes, press the strap to the skin"
CUE_SHOWN_S = 60.0  # a cue older than this is history
_LEVEL_SLOPE_BPM_PER_MIN = 2.0  # a slope smaller than this reads as level
_LEAST_CHANCE = 0.05  # less is no news, and "0 %" would claim too much (ours)
_LONGEST_TO_GO_S = 300.0  # farther ahead a straight line tells nothing


def clock(seconds: float) -> str:
    """Session time as h:mm:ss, or m:ss under an hour.

    >>> clock(754), clock(4000)
    ('12:34', '1:06:40')
    """
    whole = max(0, int(seconds))
    hours, rest = divmod(whole, 3600)
    minutes, secs = divmod(rest, 60)
    return f"{hours}:{minutes:02d}:{secs:02d}" if hours else f"{minutes}:{secs:02d}"


def is_waiting(snapshot: Snapshot) -> bool:
    """Whether nothing was read yet, so that no word about the runner can be true."""
    return snapshot.reading_age_s is None and snapshot.state in (State.WARMING, State.STEADY)


def is_left(snapshot: Snapshot) -> bool:
    """Whether this part is left to the runner, so that no ceiling and no word about his pace counts."""
    return not snapshot.guarded and snapshot.state not in (State.NO_SIGNAL, State.HELD, State.DONE)


def big_state(snapshot: Snapshot) -> str:
    """The state in one or two words, for large letters."""
    return "WAITING" if is_waiting(snapshot) else BIG_STATES[snapshot.state]


def state(snapshot: Snapshot) -> str:
    """The state and how long it has lasted."""
    if is_waiting(snapshot):
        return "WAITING for the first reading"
    if is_left(snapshot):
        return "LEFT TO YOU, only stop is cued"
    return f"{STATES[snapshot.state]} for {clock(snapshot.t_s - snapshot.state_since_s)}"


def flags(snapshot: Snapshot) -> list[str]:
    """What is switched off, each as a capital word."""
    pairs = (
        (snapshot.muted, "MUTED"),
        (snapshot.free_run, "PACE CUES OFF"),
        (snapshot.sound_backend == "none", "NO SOUND"),
        (snapshot.sound_backend == "off", "SOUND OFF"),
    )
    return [word for shown, word in pairs if shown]


def room_number(snapshot: Snapshot) -> int | None:
    """Room in whole bpm, negative over the ceiling; None without a trusted level."""
    return None if snapshot.room_bpm is None else round(snapshot.room_bpm)


def limit(snapshot: Snapshot) -> str:
    """What room is measured from: the ceiling, or the limit that a warm-up or a part leads up to it."""
    own = snapshot.own_ceiling_bpm
    if not is_ramped(snapshot):
        return f"ceiling {own:.0f}"
    return f"{'warm-up ' if snapshot.state is State.WARMING else ''}limit {snapshot.ceiling_bpm:.0f}"


def is_ramped(snapshot: Snapshot) -> bool:
    """Whether the limit of the moment is another than the ceiling; while paused the ceiling stands."""
    return snapshot.state is not State.HELD and round(snapshot.ceiling_bpm) != round(snapshot.own_ceiling_bpm)


def ceiling(snapshot: Snapshot) -> str:
    """The runner's ceiling, with the ramp to it beside it where there is one."""
    beside = f", {limit(snapshot)} now" if is_ramped(snapshot) else ""
    return f"ceiling {snapshot.own_ceiling_bpm:.0f}{beside}"


def room(snapshot: Snapshot) -> str:
    """Room to the limit of the moment; empty where the level is not known or the runner pauses."""
    number = room_number(snapshot)
    if snapshot.state is State.HELD or number is None:
        return ""
    where = "at" if number == 0 else f"{abs(number)} {'over' if number < 0 else 'under'}"
    return f"{where} the {limit(snapshot)}"


def status(snapshot: Snapshot, settings: Settings) -> str:
    """Where the runner is, in figures: what the status key answers."""
    paused = "paused" if snapshot.state is State.HELD else ""
    facts = (paused, heart_rate(snapshot), room(snapshot), speed_alone(snapshot, settings))
    return ", ".join(fact for fact in facts if fact)


def recent_cue(snapshot: Snapshot, within_s: float = CUE_SHOWN_S) -> CueGiven | None:
    """The newest cue, where it is not older than that."""
    given = snapshot.last_cue
    return given if given is not None and snapshot.t_s - given.t_s <= within_s else None


def why(given: CueGiven) -> str:
    """The reason of a cue; that of a part says what comes."""
    return reason(given) if given.cue is Cue.PART else f"why: {reason(given)}"


def old_cue(snapshot: Snapshot) -> str:
    """A cue that is history, in a few words."""
    given = snapshot.last_cue
    if given is None:
        return "no cue yet"
    return f"last cue: {given.cue.words}, {clock(snapshot.t_s - given.t_s)} ago"


def beats_to_go(snapshot: Snapshot) -> int | None:
    """Beats that heart rate must still fall before running again; None where that is not known."""
    if snapshot.state is not State.WALKING or is_left(snapshot):
        return None
    if snapshot.resume_bpm is None or snapshot.level_bpm is None:
        return None
    beats = math.ceil(snapshot.level_bpm - snapshot.resume_bpm)
    return beats if beats > 0 else None


def until_running(snapshot: Snapshot) -> str:
    """How far it is until running again, and about how long at this rate."""
    beats = beats_to_go(snapshot)
    if beats is None:
        told = snapshot.last_cue is not None and snapshot.last_cue.cue is Cue.RESUME
        return "you may run again" if told else "running again soon"
    noun = "beats" if beats > 1 else "beat"
    return f"{beats} {noun} to go before you run again{_at_this_rate(snapshot, beats)}"


def beats_in_words(snapshot: Snapshot, beats: int) -> str:
    """The same in short, without the number."""
    noun = "beats to go" if beats > 1 else "beat to go"
    return f"{noun}{_at_this_rate(snapshot, beats) or ' before you run again'}"


def _at_this_rate(snapshot: Snapshot, beats: int) -> str:
    slope = snapshot.slope_bpm_per_min
    if slope is None or slope >= -_LEVEL_SLOPE_BPM_PER_MIN:
        return ""
    wait_s = 60.0 * beats / -slope
    return f", about {max(10, 10 * math.ceil(wait_s / 10)):d} s" if wait_s <= _LONGEST_TO_GO_S else ""


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
    return f"{'rising' if slope > 0 else 'falling'} {abs(slope):.0f} a min"


def foreseen(snapshot: Snapshot) -> str:
    """What is foreseen `lead_s` ahead; empty when nothing is, and while the runner pauses."""
    if snapshot.foreseen_bpm is None or snapshot.state is State.HELD:
        return ""
    return f"foreseen {snapshot.foreseen_bpm:.0f} in {snapshot.lead_s:.0f} s"


def likelihood(snapshot: Snapshot) -> str:
    """The chance of being over the limit of the moment then; empty when not known or small."""
    if snapshot.chance_over is None or snapshot.chance_over < _LEAST_CHANCE or not foreseen(snapshot):
        return ""
    over = "over the warm-up limit" if snapshot.state is State.WARMING and is_ramped(snapshot) else "over"
    return f"{100 * snapshot.chance_over:.0f} % chance of going {over}"


def elapsed(snapshot: Snapshot) -> str:
    """Time of the session; it stands still while the runner pauses."""
    return clock(snapshot.active_s)


def cue_age(snapshot: Snapshot, given: CueGiven) -> str:
    """How long ago a cue was given."""
    return f"{clock(snapshot.t_s - given.t_s)} ago"


def at_or_under(snapshot: Snapshot) -> str:
    """Time at or under the ceiling, of the time with a trusted heart rate."""
    known_s = snapshot.at_or_under_s + snapshot.over_s
    share = f" ({100 * snapshot.at_or_under_s / known_s:.0f} %)" if known_s > 0 else ""
    return f"at or under {clock(snapshot.at_or_under_s)}{share}"


def times(snapshot: Snapshot) -> tuple[str, ...]:
    """Where the session's time went; nothing of a signal that never failed."""
    lost = f"no signal {clock(snapshot.no_signal_s)}" if snapshot.no_signal_s >= 1.0 else ""
    return (f"elapsed {elapsed(snapshot)}", at_or_under(snapshot), f"over {clock(snapshot.over_s)}", lost)


def part(snapshot: Snapshot) -> str:
    """What is left of the part of the session, and its name; empty without a plan."""
    if not snapshot.part or snapshot.part_left_s is None:
        return snapshot.part
    return f"{clock(snapshot.part_left_s)} left of {snapshot.part}"


def pace_number(speed_m_s: float, settings: Settings) -> str:
    """A speed as a pace with its unit; empty where nothing moves.

    >>> pace_number(1000 / 510, Settings())
    '8:30 min/km'
    """
    length_m, unit = METRES[settings.units], pace_unit(settings.units)
    return f"{clock(round(length_m / speed_m_s))} {unit}" if speed_m_s > 0 else ""


def speed_alone(snapshot: Snapshot, settings: Settings) -> str:
    """Speed alone; empty when not known."""
    return "" if snapshot.speed_m_s is None else speed_with_unit(snapshot.speed_m_s, settings.units)


def speed(snapshot: Snapshot, settings: Settings) -> str:
    """Speed and slope, as far as known."""
    words = []
    if snapshot.speed_m_s is not None:
        origin = f" ({DEVICES.get(snapshot.speed_from, snapshot.speed_from)})" if snapshot.speed_from else ""
        words.append(f"speed {speed_alone(snapshot, settings)}{origin}")
    if snapshot.grade is not None and abs(snapshot.grade) >= 0.005:
        words.append(f"grade {100 * snapshot.grade:+.0f} %")
    return ", ".join(words)


def link_line(state: LinkState, name: str) -> str:
    """Where the link is, and to what; the name is text from outside."""
    return f"{LINKS[state]}: {name or 'sensor'}"


def battery(snapshot: Snapshot) -> str:
    """Charge of the sensor; empty when it never said."""
    return "" if snapshot.battery_percent is None else f"battery {snapshot.battery_percent} %"


def sound(snapshot: Snapshot) -> str:
    """Whether sound leaves the machine, and where that is not what one expects."""
    return _SOUND.get(snapshot.sound_backend, "sound on")
