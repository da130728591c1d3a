"""The lesson as a list of steps and a small machine that is told keys and the time. Pure.

Each step plays one cue. Some ask what the runner would do, and the answer is a
key; a wrong one is told and the cue comes once more. The others only say what
they mean. Nothing waits for ever: without a key the lesson goes on by itself,
and `left_s` tells when.
"""

from dataclasses import dataclass
from enum import Enum

from guard.cues import Cue

ANSWER_S = 8.0  # from the cue on
READ_S = 5.5  # the meaning stays so long, unless a key goes on
GO_ON = " \r\n"


class Answer(Enum):
    """What a runner can do about a cue, and the key for it."""

    EASE = "e"
    WALK = "w"
    RUN = "r"
    FEEL = "f"
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
         "You would soon be over the ceiling. Run a little slower, but keep running."),
    LessonStep(Cue.WALK, "WALK", "three quick notes and two more", Answer.WALK,
         "Running slower is not enough. Walk until you are told that you may run again."),
    LessonStep(Cue.RESUME, "RUN", "three notes, rising", Answer.RUN,
         "There is room again. Run on, a little slower than before."),
    LessonStep(Cue.SIGNAL_LOST, "NO SIGNAL", "two low notes", Answer.FEEL,
         "Nobody watches your heart rate now. Keep it easy by feel; wet the strap, press it to the skin."),
    LessonStep(Cue.SIGNAL_BACK, "SIGNAL", "a low note, then a higher one", Answer.NOTHING,
         "The strap is back and the guard watches again. Nothing to do."),
    LessonStep(Cue.PART, "PART", "two knocks", Answer.NOTHING,
         "The next part of your plan begins. The screen says which."),
    LessonStep(Cue.PICK_UP, "UP", "four quick notes, rising", Answer.NOTHING,
         "You may go a little faster. You only hear this if you set a floor."),
    LessonStep(Cue.BATTERY_LOW, "LOW", "short, short, long", Answer.NOTHING,
         "The strap's battery is nearly empty. It will do for this run; change it before the next."),
    LessonStep(Cue.STOP, "STOP", "high and low, eight times", Answer.WALK,
         "You are over the never-exceed limit, if you set one. Slow to a walk first, then stop: "
         "stopping dead after hard running can make you faint."),
)


class Phase(Enum):
    """Where a step is: its answer is awaited, or its meaning shown."""

    ASKED = "asked"
    SHOWN = "shown"


class Lesson:
    """Told keys and seconds since it began; tells which cue to play now.

    `said` is what the last key brought about, `right` how many answers were right
    at once, `asked` how many were asked for, `over` whether it has ended; `taken` whether
    somebody was there, who pressed any key of it.
    """

    def __init__(self) -> None:
        self.index = -1
        self.phase = Phase.SHOWN
        self.said = ""
        self.right = 0
        self.asked = sum(step.answer is not Answer.NOTHING for step in LESSON_STEPS)
        self.over = self.taken = False
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
            self.taken |= self._go_on
            return None
        if char in GO_ON:
            self.taken = True
            self._show("", t_s)
            return None
        if char not in [answer.value for answer in Answer if answer.value]:
            return None
        self.taken = True
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

    def left_s(self, t_s: float) -> float:
        """Seconds until it goes on by itself."""
        whole_s = ANSWER_S if self.phase is Phase.ASKED else READ_S
        return max(0.0, self._since_s + whole_s - t_s)

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
