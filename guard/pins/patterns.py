"""What the lamp and the buzzer show: rhythms alone, so that no colour or pitch is needed. Pure.

A pattern is a string of steps of `SLOT_S`: `#` on, `.` off. The lamp goes
round in its pattern, the buzzer plays its own once. No lamp flashes more than
three times in a second (WCAG 2.2, success criterion 2.3.1).

lamp

======================  ====================================================
steady                  guarding, and all is well
slow, even blinking     ease: run a little slower
fast blinking           walk; over your never-exceed limit, stop
out for a moment only   paused: nothing is guarded
two blinks, a break     no heart rate: the strap is looked for
one blink, a break      waiting: no session runs
dark                    off
======================  ====================================================

buzzer (long and short as in the tables below)

Slow down is even and grows in number and haste with what is asked; go again
is one long tone; the sensor is told in long and short together. Urgency by
number and rate of pulses follows Edworthy, Loxley & Dennis 1991, Human Factors
33(2):205-231 (cited from memory).
"""

from guard.events import Action, Command, Cue, CueGiven, Input, Output, Snapshot, State

SLOT_S = 0.1  # two on and two off make a blink of 0.4 s

DARK = "."
STEADY = "#"
SLOW = "#####....."
FAST = "##.."
HELD = "##################.."
NO_HEART_RATE = "#.#............."
STANDING_BY = "#..................."

_LAMP = {
    State.WARMING: STEADY,
    State.STEADY: STEADY,
    State.EASING: SLOW,
    State.WALKING: FAST,
    State.NO_SIGNAL: NO_HEART_RATE,
    State.HELD: HELD,
    State.DONE: DARK,
}

_LONG, _SHORT, _QUICK = "#####..", "##..", "#."
BUZZ: dict[Cue, str] = {
    Cue.EASE: _LONG * 2,
    Cue.WALK: _QUICK * 3 + ".." + _QUICK * 2,
    Cue.STOP: _QUICK * 10,
    Cue.RESUME: "##########.",
    Cue.PICK_UP: _SHORT * 2,
    Cue.SIGNAL_LOST: _LONG + _SHORT,
    Cue.SIGNAL_BACK: _SHORT + _LONG,
    Cue.BATTERY_LOW: _SHORT + _LONG + _SHORT,
    Cue.PART: _SHORT * 3,
}
# What a press of the button brought about.
BUZZ_PAUSED = _LONG + _SHORT * 2
BUZZ_GOING_ON = _SHORT * 2 + _LONG
BUZZ_ENDED = _LONG * 3
BUZZ_HELD = _SHORT  # the button has been held long enough: let go


def lamp(snapshot: Snapshot) -> str:
    """The lamp's pattern at this moment."""
    if snapshot.state in (State.WARMING, State.STEADY) and snapshot.level_bpm is None:
        return NO_HEART_RATE  # before the first reading nothing is well yet
    over_stop = snapshot.last_cue is not None and snapshot.last_cue.cue is Cue.STOP
    over = snapshot.room_bpm is not None and snapshot.room_bpm < 0
    if over_stop and over and snapshot.state in (State.WARMING, State.STEADY, State.EASING):
        return FAST
    return _LAMP[snapshot.state]


def buzz(item: Input | Output, *, muted: bool) -> str:
    """The buzzer's pattern for what happened, "" for silence."""
    match item:
        case CueGiven() if not (muted and item.cue.about.mutable):
            return BUZZ.get(item.cue, "")
        case Command(action=Action.PAUSE):
            return BUZZ_PAUSED
        case Command(action=Action.CONTINUE):
            return BUZZ_GOING_ON
        case _:
            return ""
