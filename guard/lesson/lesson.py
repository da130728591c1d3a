"""The lesson as a list of steps and a small machine that is told keys and the time. Pure.

Each step plays one cue. Some ask what the runner would do, and the answer is a
key; a wrong one is told and the cue comes once more. The others only say what
they mean. Nothing waits for ever: without a key the lesson goes on by itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from guard.cues import Cue

ANSWER_S = 7.0  # from the cue on
READ_S = 4.5  # the meaning stays so long, unless a key goes on
GO_ON = " \r\n"


class Answer(Enum):
    """What a runner can do about a cue, and the key for it."""

    EASE = "e"
    WALK = "w"
    RUN = "r"
    NOTHING = ""


@dataclass(frozen=True, slots=True)
class LessonStep:
    """One cue: its word for large letters, how its tone goes, what it means and what to do."""

    cue: Cue
    word: str
    tone: str
    answer: Answer
    meaning: str


LESSON_STEPS = (
    LessonStep(Cue.EASE, "EASE", "two notes, falling", Answer.EASE,
         "You would be over the ceiling soon. Run a little slower, but run. If that was not "
         "enough, it is said again."),
    LessonStep(Cue.WALK, "WALK", "three quick notes and two more", Answer.WALK,
         "Running slower is not enough. Walk until the next cue: your heart needs a minute or so."),
    LessonStep(Cue.RESUME, "RUN", "three notes, rising", Answer.RUN,
         "There is room again. Run on, a little slower than before."),
    LessonStep(Cue.SIGNAL_LOST, "NO SIGNAL", "two low notes", Answer.EASE,
         "Nobody watches your heart rate now. Keep it easy by feel, wet the strap, press it to the skin."),
    LessonStep(Cue.SIGNAL_BACK, "SIGNAL", "a low note, then a higher one", Answer.NOTHING,
         "The strap is back and you are guarded again. Nothing to do."),
    LessonStep(Cue.PART, "PART", "two knocks", Answer.NOTHING,
         "Your plan goes on to its next part. The screen says which."),
    LessonStep(Cue.PICK_UP, "UP", "four quick notes, rising", Answer.NOTHING,
         "You may go a little faster. It comes only if you set a floor."),
    LessonStep(Cue.BATTERY_LOW, "LOW", "short, short, long", Answer.NOTHING,
         "The strap's battery is nearly empty. This run is fine; change it before the next."),
    LessonStep(Cue.STOP, "STOP", "high and low, eight times", Answer.WALK,
         "You are over the never-exceed limit, if you have set one. Slow to a walk first, then "
         "stand: stopping dead after hard running can make you faint."),
)


class Phase(Enum):
    """Where a step is: its answer is awaited, or its meaning shown."""

    ASKED = "asked"
    SHOWN = "shown"


class Lesson:
    """Told keys and seconds since it began; tells which cue to play now.

    `said` is what the last key brought about, `right` how many answers were right
    at once, `asked` how many were asked for, `over` whether it has ended.
    """

    def __init__(self) -> None:
        self.index = -1
        self.phase = Phase.SHOWN
        self.said = ""
        self.right = 0
        self.asked = sum(step.answer is not Answer.NOTHING for step in LESSON_STEPS)
        self.over = False
        self._since_s = 0.0
        self._again = False
        self._go_on = False

    @property
    def step(self) -> LessonStep:
        """The present step (the first before it has begun, the last when over)."""
        return LESSON_STEPS[max(self.index, 0)]

    def press(self, char: str, t_s: float) -> Cue | None:
        """A key was pressed; the cue to play again, if any."""
        char = char.lower()
        if self.over:
            return None
        if self.phase is Phase.SHOWN:
            self._go_on |= char in GO_ON
            return None
        if char not in [answer.value for answer in Answer if answer.value]:
            return None
        if char == self.step.answer.value:
            self.right += not self._again
            self._show("Right.", t_s)
        elif self._again:
            self._show("", t_s)
        else:
            self._again, self._since_s = True, t_s
            self.said = "Not that. Once more:"
            return self.step.cue
        return None

    def advance(self, t_s: float) -> Cue | None:
        """Time passes; the cue to play now, if any."""
        waited_s = t_s - self._since_s
        if self.over:
            return None
        if self.phase is Phase.ASKED:
            if waited_s >= ANSWER_S:
                self._show("", t_s)
            return None
        if not (self._go_on or waited_s >= READ_S):
            return None
        self._go_on, self._again, self.said = False, False, ""
        if self.index + 1 == len(LESSON_STEPS):
            self.over = True
            return None
        self.index, self._since_s = self.index + 1, t_s
        self.phase = Phase.SHOWN if self.step.answer is Answer.NOTHING else Phase.ASKED
        return self.step.cue

    def _show(self, said: str, t_s: float) -> None:
        self.phase, self.said, self._since_s = Phase.SHOWN, said, t_s
