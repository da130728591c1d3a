"""The steps from nothing to the first guarded run, and which are done. Pure.

What is done is seen from what is kept (a strap, a ceiling, a session), so that
every step can be left, taken up again, or done by its own command.
"""

from collections.abc import Set
from dataclasses import dataclass
from enum import Enum


class StartStep(Enum):
    """A step: its name, what it is about, and its own command."""

    SOUND = ("sound", "Every cue is played. Set the volume as you would for a run, with the fan or belt on.",
             "guard check --sounds")
    STRAP = ("strap", "Put it on, electrodes wet, and disconnect it from other devices; the guard finds it.",
             "guard straps --remember NAME")
    CAUTIONS = "cautions", "Who should ask a professional first, and when to stop at once.", "guard run"
    CEILING = ("ceiling",
               "The heart rate that an easy run should not pass: your own, so there is no default.",
               "guard ceiling")
    TRY = ("a short try", "Hear every cue once more and answer it with a key, sitting.",
           "guard rehearse --lesson")
    RUN = ("first run", "Start slowly: in the first five minutes the limit lies a little under your ceiling.",
           "guard run")

    def __init__(self, title: str, about: str, by_hand: str) -> None:
        self.title, self.about, self.by_hand = title, about, by_hand

    @property
    def number(self) -> int:
        return ORDER.index(self) + 1


ORDER = tuple(StartStep)


@dataclass(frozen=True, slots=True)
class Facts:
    """What is kept on this machine; `strap` and `ceiling_bpm` None where there is none."""

    sound_heard: bool = False
    strap: str | None = None
    cautions_read: bool = False
    ceiling_bpm: float | None = None
    tried: bool = False
    runs: int = 0

    def of(self, step: StartStep) -> tuple[bool, str]:
        """Whether a step is done, and where it stands in a few words."""
        match step:
            case StartStep.SOUND:
                return self.sound_heard, "heard" if self.sound_heard else "not yet"
            case StartStep.STRAP:
                return self.strap is not None, self.strap or "none yet"
            case StartStep.CAUTIONS:
                return self.cautions_read, "read" if self.cautions_read else "not yet"
            case StartStep.CEILING:
                known = self.ceiling_bpm
                return known is not None, "none yet" if known is None else f"{known:.0f} bpm"
            case StartStep.TRY:
                return self.tried, "done" if self.tried else "not yet"
            case StartStep.RUN:
                return self.runs > 0, "not yet" if not self.runs else f"{self.runs} kept"


def next_step(facts: Facts, left: Set[StartStep]) -> StartStep | None:
    """The first that is neither done nor left for later; None where there is none."""
    return next((step for step in ORDER if step not in left and not facts.of(step)[0]), None)


def typed_step(word: str) -> StartStep | None:
    """The step of a typed number."""
    return ORDER[int(word) - 1] if word.isdecimal() and 1 <= int(word[:3]) <= len(ORDER) else None


def listing(facts: Facts, here: StartStep | None = None) -> list[str]:
    """Every step with where it stands, a line each; an arrow before the one that is next."""
    lines = []
    for step in ORDER:
        done, words = facts.of(step)
        sign = ">" if step is here else " "
        lines.append(f"{sign} {step.number}  {step.title:<13}{'ok  ' if done else ''}{words}")
    return lines
