"""How a cue is marked in a drawing: a letter in a terminal, a shape on a page."""

from __future__ import annotations

from guard.events import Cue

LETTERS = {
    Cue.EASE: "e", Cue.WALK: "w", Cue.RESUME: "r", Cue.STOP: "S", Cue.SIGNAL_LOST: "l",
    Cue.SIGNAL_BACK: "b", Cue.BATTERY_LOW: "y", Cue.PART: "p", Cue.PICK_UP: "u",
}
SEVERAL = "+"

# Outlines in a square of 16: pointing down for less, up for more, a bar for stop, a gap for no signal.
SHAPES = {
    Cue.EASE: "M2 4H14L8 13Z",
    Cue.WALK: "M2 1H14L8 8ZM2 8H14L8 15Z",
    Cue.RESUME: "M2 12H14L8 3Z",
    Cue.PICK_UP: "M5 12H11L8 3Z",
    Cue.STOP: "M2 6H14V11H2Z",
    Cue.SIGNAL_LOST: "M1 6H6V10H1ZM10 6H15V10H10Z",
    Cue.SIGNAL_BACK: "M1 6H15V10H1Z",
    Cue.BATTERY_LOW: "M4 3H12V14H4ZM6 1H10V3H6Z",
    Cue.PART: "M7 1H9V15H7Z",
}
