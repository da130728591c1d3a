"""The one large figure of a screen: what it is, in a word, a number and the number's name. Pure.

The runner chooses what stands there; a cue that asks for a speed on a belt
takes its place for a few seconds. Whichever outlet shows it, it says the same.
"""

from dataclasses import dataclass
from enum import Enum

from guard.decide.wording import speed_to_set
from guard.events import PACE_CUES, Cue, CueGiven, Snapshot, State
from guard.screen import words
from guard.settings import Settings
from guard.units import speed_unit

CUE_WORD_S = 15.0  # how long a cue's own word, and the speed it asks for, stand large
_CUE_WORDS = {Cue.EASE: "EASE", Cue.WALK: "WALK", Cue.RESUME: "RUN", Cue.STOP: "STOP", Cue.PICK_UP: "UP"}
TO_GO, _RATE, _ROOM = "TO GO", "BPM", ("UNDER", "AT", "OVER")  # names of the figure
_BLIND = (State.NO_SIGNAL, State.HELD, State.DONE)  # nothing is advised in these


class Choice(Enum):
    """What stands large, by its name."""

    ROOM = "room to the ceiling"
    HEART_RATE = "heart rate"
    SPEED = "speed to set, while a cue asks for it"


@dataclass(frozen=True, slots=True)
class Figure:
    """`word` says what to do or what the state is ("" where nothing is asked), `number` and its
    `name` go together, `detail` is the name in full. `over` is true over the ceiling."""

    word: str = ""
    number: str = ""
    name: str = ""
    detail: str = ""
    over: bool = False


def next_choice(choice: Choice, *, belt: bool) -> Choice:
    """What the key for it goes on to; a speed to set only where a belt is."""
    order = list(Choice) if belt else [Choice.ROOM, Choice.HEART_RATE]
    return order[(order.index(choice) + 1) % len(order)] if choice in order else Choice.ROOM


def on_belt(snapshot: Snapshot, settings: Settings) -> bool:
    """Whether the runner is on a treadmill, as far as the guard was told."""
    return settings.belt or snapshot.belt


def asked_speed(snapshot: Snapshot, settings: Settings, within_s: float = words.CUE_SHOWN_S) -> float | None:
    """The speed that a cue of the last `within_s` asks for, in the runner's unit; None for none.

    Never one without such a cue, and none while nothing is known or the runner pauses.
    """
    given = words.recent_cue(snapshot, within_s)
    return None if given is None or snapshot.state in _BLIND else speed_to_set(given, settings)


def figure(snapshot: Snapshot, settings: Settings, choice: Choice = Choice.ROOM) -> Figure:
    """What stands large now."""
    word = _word(snapshot)
    if snapshot.level_bpm is None or snapshot.state is State.NO_SIGNAL or words.is_waiting(snapshot):
        return Figure(word)
    if on_belt(snapshot, settings):
        within_s = words.CUE_SHOWN_S if choice is Choice.SPEED else CUE_WORD_S
        speed = asked_speed(snapshot, settings, within_s)
        if speed is not None:
            unit = speed_unit(settings.units)
            return Figure(word, f"{speed:.1f}", unit.upper(), f"{unit} to set")
    if words.is_left(snapshot):
        stop = "this part is left to you" if settings.stop_bpm is None else f"stop at {settings.stop_bpm:.0f}"
        return Figure(word, f"{snapshot.level_bpm:.0f}", _RATE, f"heart rate, {stop}")
    number = words.room_number(snapshot)
    if choice is Choice.HEART_RATE or number is None:
        over = snapshot.level_bpm > snapshot.ceiling_bpm
        return Figure(word, f"{snapshot.level_bpm:.0f}", _RATE, f"heart rate ({words.limit(snapshot)})", over)
    if (to_go := words.beats_to_go(snapshot)) is not None:
        return Figure(word, str(to_go), TO_GO, words.beats_in_words(snapshot, to_go))
    if number == 0:
        return Figure(word, "0", "AT", f"at the {words.limit(snapshot)}")
    side = "over" if number < 0 else "under"
    return Figure(word, str(min(abs(number), 99)), side.upper(), f"beats {side} the {words.limit(snapshot)}",
                  number < 0)


def beside(snapshot: Snapshot, shown: Figure) -> tuple[str, ...]:
    """What else there is of heart rate, ceiling and where it is going: nothing that `shown` says."""
    room = words.room(snapshot)
    named = (room or shown.name in (*_ROOM, _RATE)) and not words.is_ramped(snapshot)
    return (
        "" if shown.name == _RATE else words.heart_rate(snapshot),
        "" if shown.name in _ROOM else room,
        "" if named or words.is_left(snapshot) else f"ceiling {snapshot.own_ceiling_bpm:.0f}",
        words.tendency(snapshot),
    )


def _word(snapshot: Snapshot) -> str:
    if snapshot.state in _BLIND or words.is_waiting(snapshot):
        return words.big_state(snapshot)
    given: CueGiven | None = words.recent_cue(snapshot, CUE_WORD_S)
    if words.is_left(snapshot):
        return "STOP" if given is not None and given.cue is Cue.STOP else ""
    if given is not None and given.cue in PACE_CUES:
        return _CUE_WORDS[given.cue]
    return words.big_state(snapshot) if snapshot.state in (State.EASING, State.WALKING) else ""
