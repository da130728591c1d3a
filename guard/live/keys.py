"""Keys: what each means. Pure.

The meaning of a key may depend on the session (space pauses or continues), so
`Keyboard.press` answers with inputs for the session.
"""

from dataclasses import dataclass, replace
from enum import Enum

from guard.events import FASTEST_M_S, Action, Command, Mark, Snapshot, Speed, State
from guard.live.entry import (
    LONGEST_ENTRY,
    TYPE_SPEED,
    being_typed,
    doubt,
    grade_entered,
    speed_entered,
    takes,
)
from guard.live.inbox import Asked
from guard.screen.figure import Choice, next_choice, on_belt
from guard.settings import Settings, find

QUESTION_S = 5.0  # how long a question stays open
HELP_S = 20.0  # how long the keys stay on screen
# What may be asked for from elsewhere than keys and button, beside a mark and a ceiling: never the end.
FROM_ELSEWHERE = (Action.PAUSE, Action.CONTINUE, Action.MUTE, Action.UNMUTE, Action.STATUS)
_CEILING = find("ceiling_bpm")


class Key(Enum):
    """What a key press means, before the session's state is known."""

    HOLD = "pause or continue"
    MARK = "mark this moment"
    MUTE = "sound off or on"
    FASTER = "typed speed up one belt step"
    SLOWER = "typed speed down one belt step"
    CEILING_UP = "ceiling up 1 bpm"
    CEILING_DOWN = "ceiling down 1 bpm"
    NEXT_PART = "next part"
    FREE_RUN = "pace cues off or on"
    FIGURE = "what stands large"
    HELP = "every key; again: say the status"
    STATUS = "say the status"
    QUIT = "quit"
    YES = "yes"
    NO = "anything that is not a yes"


_KEYS = {
    " ": Key.HOLD, "m": Key.MARK, "s": Key.MUTE,
    "+": Key.FASTER, "=": Key.FASTER, "-": Key.SLOWER,
    "]": Key.CEILING_UP, "[": Key.CEILING_DOWN,
    "n": Key.NEXT_PART, "f": Key.FREE_RUN, "v": Key.FIGURE, "?": Key.HELP, "i": Key.STATUS,
    "q": Key.QUIT, "y": Key.YES,
}


def meaning(char: str) -> Key:
    """The meaning of one typed character; upper case is the same as lower."""
    return _KEYS.get(char.lower(), Key.NO)


@dataclass(frozen=True, slots=True)
class Question:
    """A question to show until it is answered or `until_s` (wall seconds) has passed.

    `speed` is what a yes sets; without one a yes quits.
    """

    text: str
    until_s: float
    speed: Speed | None = None


class Keyboard:
    """Turns typed characters into inputs; holds an open question or a half-typed speed.

    Digits type a speed in the runner's unit (`8.5`, Enter), a pace (`7:05`, Enter) or
    a grade (`2 %`, or `2 - %` downhill); + and - move the speed by the belt's step. A
    speed out of the usual is asked about first. A key that changes nothing says why.
    `ceiling_bpm` is the session's own ceiling, which a warm-up or a part may undercut;
    set it whenever it is commanded anew. `choice` is what the runner wants large.
    """

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self.ceiling_bpm = settings.ceiling_bpm
        self.choice = Choice.ROOM
        self._asked: Question | None = None
        self._told: Question | None = None
        self._help_until_s = 0.0
        self._entry = ""
        self._graded = False  # by the last key

    def press(self, char: str, snapshot: Snapshot, wall_s: float) -> Command | Mark | Speed | None:
        """The input a key stands for now, stamped with the snapshot's time; None for none.

        `wall_s` is a monotonic wall time in seconds, for open questions.
        """
        asked, self._asked, self._told = self.asking(wall_s), None, None
        helping, self._help_until_s = self.helping(wall_s), 0.0
        if self._typed(char):
            return None
        typed, self._entry = self._entry, ""
        event: Command | Mark | Speed | None = None
        key = meaning(char)
        graded, self._graded = self._graded, False
        if graded and char in "\r\n":
            return None  # an Enter after 2 %, which needs none
        if not typed and asked is not None and asked.speed and (char in "\r\n" or key is Key.YES):
            return replace(asked.speed, t_s=snapshot.t_s)
        if char in "\r\n":
            event, said = self._speed(typed, snapshot, wall_s)
        elif char == "%":
            grade, said = grade_entered(typed)
            event = None if grade is None else Speed(snapshot.t_s, grade=grade, typed=True)
            self._graded = event is not None
        elif key is Key.HELP and not helping:
            self._help_until_s, said = wall_s + HELP_S, ""
        elif key is Key.FIGURE:
            self.choice = next_choice(self.choice, belt=on_belt(snapshot, self._settings))
            said = f"large: {self.choice.value}"
        elif key is Key.QUIT and (asked is None or asked.speed):
            self._asked, said = Question("quit? q or y ends it, other keys go on", wall_s + QUESTION_S), ""
        elif key is Key.QUIT or (key is Key.YES and asked is not None):
            return Command(snapshot.t_s, Action.QUIT)
        else:
            event = input_for(key, snapshot, self._settings, self.ceiling_bpm)
            said = _why_nothing(key, char, snapshot)
            if asked:
                said = "the speed stays as it was" if asked.speed else "going on"
            elif helping and key is Key.NO:
                said = ""  # any key puts the help away
        if event is None and said:
            self._told = Question(said, wall_s + QUESTION_S)
        return event

    def _speed(self, typed: str, snapshot: Snapshot, wall_s: float) -> tuple[Speed | None, str]:
        """What Enter makes of an entry: a speed, or none and what to say; an unusual one is asked about."""
        speed_m_s, refusal = speed_entered(typed, self._settings)
        if speed_m_s is None:
            return None, refusal
        speed = Speed(snapshot.t_s, speed_m_s, typed=True)
        question = doubt(speed_m_s, snapshot.speed_m_s, self._settings)
        if not question:
            return speed, ""
        self._asked = Question(question, wall_s + QUESTION_S, speed)
        return None, ""

    def asking(self, wall_s: float) -> Question | None:
        """The open question, if there is one and its time has not passed."""
        return self._asked if self._asked and wall_s < self._asked.until_s else None

    def helping(self, wall_s: float) -> bool:
        """Whether the keys are to be shown."""
        return wall_s < self._help_until_s

    def prompt(self, wall_s: float) -> str:
        """What to show in place of the keys; empty when nothing is asked or being typed."""
        if self._entry:
            return being_typed(self._entry, self._settings)
        shown = self.asking(wall_s) or self._told
        return shown.text if shown and wall_s < shown.until_s else ""

    def _typed(self, char: str) -> bool:
        """Take a digit, point, colon or rubout of a speed; false if the character is none."""
        if char in ("\x7f", "\b") and self._entry:
            self._entry = self._entry[:-1]
            return True
        if char == "-" and self._entry:
            self._entry = self._entry[1:] if self._entry.startswith("-") else "-" + self._entry
            return True
        if takes(self._entry, char):
            self._entry = (self._entry + char.replace(",", "."))[:LONGEST_ENTRY]
            return True
        return False


def input_for(
    key: Key, snapshot: Snapshot, settings: Settings, ceiling_bpm: float | None,
) -> Command | Mark | Speed | None:
    """The input that `key` stands for in this state; None for keys that stand for none."""
    t_s = snapshot.t_s
    held = snapshot.state is State.HELD
    match key:
        case Key.HOLD:
            return Command(t_s, Action.CONTINUE if held else Action.PAUSE)
        case Key.MARK:
            return Mark(t_s)
        case Key.MUTE:
            return Command(t_s, Action.UNMUTE if snapshot.muted else Action.MUTE)
        case Key.FREE_RUN:
            return Command(t_s, Action.FREE_RUN, 0.0 if snapshot.free_run else 1.0)
        case Key.NEXT_PART:
            return Command(t_s, Action.SKIP_PART)
        case Key.STATUS | Key.HELP:
            return Command(t_s, Action.STATUS)
        case Key.CEILING_UP | Key.CEILING_DOWN:
            return _ceiling(snapshot, ceiling_bpm, 1 if key is Key.CEILING_UP else -1)
        case Key.FASTER | Key.SLOWER:
            return _stepped_speed(snapshot, settings, 1 if key is Key.FASTER else -1)
        case _:
            return None


def input_asked(asked: Asked, t_s: float, ceiling_bpm: float | None) -> Command | Mark | None:
    """The input that stands for a command from elsewhere; None for one that is not done.

    Pause and mute are asked for by name, not in turns, so that two who ask for
    the same get it; a ceiling only where it is 1 bpm from `ceiling_bpm`, the
    session's own, so that nothing asked for on an older figure is done.
    """
    if asked.action == "mark":
        return Mark(t_s, origin=asked.origin)
    if asked.action == Action.CEILING:
        wanted = asked.value
        if wanted is None or ceiling_bpm is None or abs(wanted - round(ceiling_bpm)) != 1:
            return None
        return Command(t_s, Action.CEILING, wanted, asked.origin) if _CEILING.within(wanted) else None
    if asked.action in FROM_ELSEWHERE:
        return Command(t_s, Action(asked.action), origin=asked.origin)
    return None


def _ceiling(snapshot: Snapshot, ceiling_bpm: float | None, step_bpm: int) -> Command | None:
    wanted = round(snapshot.ceiling_bpm if ceiling_bpm is None else ceiling_bpm) + step_bpm
    return Command(snapshot.t_s, Action.CEILING, float(wanted)) if _CEILING.within(wanted) else None


def _stepped_speed(snapshot: Snapshot, settings: Settings, direction: int) -> Speed | None:
    if snapshot.speed_m_s is None:
        return None
    steps = round(snapshot.speed_m_s / settings.belt_step_m_s) + direction
    speed_m_s = max(0, steps) * settings.belt_step_m_s
    return Speed(snapshot.t_s, round(speed_m_s, 4), typed=True) if speed_m_s <= FASTEST_M_S else None


def _why_nothing(key: Key, char: str, snapshot: Snapshot) -> str:
    if key in (Key.FASTER, Key.SLOWER):
        return TYPE_SPEED if snapshot.speed_m_s is None else "no faster speed can be set"
    if key in (Key.CEILING_UP, Key.CEILING_DOWN):
        return f"the ceiling must lie within {_CEILING.range_text}"
    shown = char if char.isprintable() and not char.isspace() else "that key"
    return f"{shown} does nothing: ? shows the keys, q quits"
