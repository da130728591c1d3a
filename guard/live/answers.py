"""What the screen answers to a key, and what it says of a treadmill, a foot pod or a clock. Pure."""

from dataclasses import replace

from guard.decide import wording
from guard.events import Action, Command, Cue, LinkState, Mark, Snapshot, Speed, SpeedLink, State
from guard.live.inbox import Notice
from guard.screen import words
from guard.settings import Settings
from guard.units import speed

_STILL_ASKED = ((Cue.EASE, State.EASING), (Cue.WALK, State.WALKING))
_PLAIN = {
    Action.PAUSE: "paused: space goes on",
    Action.CONTINUE: "going on",
    Action.MUTE: "sound off for 15 min: only stop and sensor cues are heard",
    Action.UNMUTE: "sound on",
}


def answer(event: Command | Mark | Speed, before: Snapshot, after: Snapshot, settings: Settings) -> str:
    """One short line for what a key brought about; `before` and `after` are the session around it."""
    if isinstance(event, Speed):
        return _typed(event, before, after, settings)
    if isinstance(event, Mark):
        return f"marked at {words.elapsed(after)}"
    match event.action:
        case Action.STATUS:
            return words.status(after, settings)
        case Action.CEILING:
            return _ceiling(event.value, after) if isinstance(event.value, float) else ""
        case Action.FREE_RUN:
            return "pace cues off: only stop and sensor cues" if event.value else "pace cues on again"
        case Action.SKIP_PART:
            return _next_part(before, after)
        case _:
            return _PLAIN.get(event.action, "")


def spoken_status(snapshot: Snapshot, settings: Settings) -> tuple[str, ...]:
    """What the status key says aloud: the newest cue where it is still asked for, and where the runner is."""
    where, given = wording.status_parts(snapshot, settings), snapshot.last_cue
    if given is None or (given.cue, snapshot.state) not in _STILL_ASKED:
        return where
    return *wording.spoken(replace(given, advised_speed_m_s=None), settings), *where


def slept(slept_s: float) -> Notice:
    """What to show after the machine slept in mid-session."""
    return Notice(f"this machine slept for {words.clock(round(slept_s))}: you were not guarded meanwhile; "
                "keep it awake during a session")


def clock_set(wall: str) -> Notice:
    """What to show when the wall clock was set; `wall` is its time now (ISO 8601)."""
    return Notice(f"the clock of this machine was set, to {wall[:10]} {wall[11:16]}: the session's own times "
                "are not touched", "clock", trouble=False)


def all_is_well(snapshot: Snapshot) -> bool:
    """Whether the all's-well tick may sound."""
    watching = snapshot.state not in (State.NO_SIGNAL, State.HELD, State.DONE)
    return watching and snapshot.level_bpm is not None and not snapshot.muted


def _ceiling(typed_bpm: float, after: Snapshot) -> str:
    """The number that the screen now shows, or why it shows another."""
    if after.part and round(after.own_ceiling_bpm) != round(typed_bpm):
        return f"ceiling {typed_bpm:.0f}, but this part has its own: {after.own_ceiling_bpm:.0f}"
    return words.ceiling(after)


def _next_part(before: Snapshot, after: Snapshot) -> str:
    if not after.part:
        return "there is no plan, so no next part"
    if after.part_left_s is None:
        return "the plan is done already" if before.part_left_s is None else "the plan is done"
    return f"next part: {after.part}, {words.clock(after.part_left_s)}"


def _typed(event: Speed, before: Snapshot, after: Snapshot, settings: Settings) -> str:
    if event.speed_m_s is None:
        grade = 0.0 if event.grade is None else event.grade
        return f"grade {100 * grade:+.3g} %"
    pace = words.pace_number(event.speed_m_s, settings)
    said = f"speed {speed(event.speed_m_s, settings.units)}" + (f" ({pace})" if pace else "")
    if device := words.DEVICES.get(before.speed_from):
        return f"{said} until the {device} changes its speed"
    # Who types a speed is on a treadmill, where "walking pace now" without the belt is wrong.
    return said if settings.belt or after.belt else f"{said}: before the next run, `guard settings belt=true`"


class SpeedNews:
    """Says each change of a speed device once, and calmly."""

    def __init__(self, battery_low_percent: float) -> None:
        self._battery_low_percent = battery_low_percent
        self._before: dict[str, LinkState] = {}
        self._battery_said: set[str] = set()

    def note(self, link: SpeedLink) -> Notice | None:
        """What to show for `link`; None where it is no news."""
        noun = words.DEVICES.get(link.device, "speed device")
        before, self._before[link.device] = self._before.get(link.device), link.state
        charge = link.battery_percent
        low = charge is not None and charge <= self._battery_low_percent and self._battery_low_percent > 0
        if low and link.device not in self._battery_said:
            self._battery_said.add(link.device)
            return Notice(f"the {noun}'s battery is low: {charge} %")
        if link.state is before:
            return None
        if link.state is LinkState.CONNECTED:
            again = " again" if before is LinkState.LOST else ""
            return Notice(f"{noun} connected{again}", link.device, trouble=False)
        detail = f" ({link.detail})" if link.detail else ""
        if link.state is LinkState.LOST:
            return Notice(f"{noun} lost: guarding goes on without its speed{detail}", link.device, True)
        return Notice(f"{noun} not found yet: guarding goes on without its speed{detail}", link.device)
