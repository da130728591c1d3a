"""The decision as one table: from which state, when, to which, saying what.

Rows are in order of priority and the first that matches wins. `when` names
facts of `guard.decide.facts` that must all be true (a leading `~`: false), for
at least `dwell` (a setting in seconds, or none). DEVELOPERS.md shows this table; it is generated from here.
"""

from __future__ import annotations

from dataclasses import dataclass

from guard.events import Cue, State

W, S, E, K, N, H = (
    State.WARMING, State.STEADY, State.EASING, State.WALKING, State.NO_SIGNAL, State.HELD)
RUNNING = (W, S, E)
MOVING = (W, S, E, K)


class To:
    """Destinations that are not one fixed state."""

    SAME = "same"
    BEFORE = "before"  # the state held before the signal went
    FLOW = "flow"  # warming or steady, whichever the time says


@dataclass(frozen=True, slots=True)
class Row:
    """One transition; `reason` is a template over the lane's numbers."""

    name: str
    from_states: tuple[State, ...]
    when: tuple[str, ...]
    to: State | str
    cue: Cue
    reason: str
    dwell: str = ""


TABLE: tuple[Row, ...] = (
    Row("stop", MOVING, ("over_stop", "stop_again"), To.SAME, Cue.STOP,
        "{level} bpm is over your never-exceed limit of {stop}"),
    Row("hold", (*MOVING, N), ("held",), H, Cue.NONE, "paused by the runner"),
    Row("unhold", (H,), ("~held",), To.FLOW, Cue.NONE, "the runner goes on"),
    Row("signal back", (N,), ("regained", "loss_said"), To.BEFORE, Cue.SIGNAL_BACK,
        "trusted readings again, {level} bpm"),
    Row("signal blinked", (N,), ("regained", "~loss_said"), To.BEFORE, Cue.NONE,
        "trusted readings again, {level} bpm"),
    Row("say loss", (N,), ("lost", "~loss_said"), To.SAME, Cue.SIGNAL_LOST,
        "no trusted reading for {age} s"),
    Row("slip", MOVING, ("slipped",), N, Cue.SIGNAL_LOST,
        "heart rate fell from {slip_from} faster than a heart can: the electrode may have slipped"),
    Row("unlikely recovery", (K,), ("fell_too_far",), N, Cue.SIGNAL_LOST,
        "{level} bpm is too deep a fall for walking: the electrode may have slipped"),
    Row("no signal", MOVING, ("stale",), N, Cue.NONE, "no trusted reading for {age} s"),
    Row("free run", (E, K), ("free_run",), To.FLOW, Cue.NONE, "free run: only stop and signal cues"),
    Row("too steep", (S, E), ("too_steep", "walk_again", "spaced", "free_to_walk"), K, Cue.WALK,
        "climbing toward {heading}, easing would not bring it under {ceiling}"),
    Row("walk-run", (S, E), ("over_soon", "walk_run", "spaced", "free_to_walk"), K, Cue.WALK,
        "walk-run today: even slow running ends over {ceiling}; foreseen {foreseen} in {lead} s"),
    Row("eased in vain", (S, E),
        ("over_soon", "eased_in_vain", "ease_again", "walk_again", "spaced", "free_to_walk"), K, Cue.WALK,
        "easing changed nothing: foreseen {foreseen} in {lead} s, ceiling {ceiling}"),
    Row("not turned", RUNNING, ("walk_due", "walk_again", "spaced", "free_to_walk"), K, Cue.WALK,
        "easing did not turn it: {level} and foreseen {foreseen}, ceiling {ceiling}"),
    Row("warm-up over", (W,), ("warm",), S, Cue.NONE, "warmed up"),
    Row("warm-up ease", (W,), ("over_ramp", "spaced", "free_to_ease", "ease_again"), E, Cue.EASE,
        "foreseen {foreseen} in {lead} s, the warm-up's limit {limit}"),
    Row("ease", (S,), ("over_soon", "spaced", "free_to_ease", "ease_again"), E, Cue.EASE,
        "foreseen {foreseen} in {lead} s, ceiling {ceiling}"),
    Row("ease again", (E,), ("over_soon", "~turned", "spaced", "free_to_ease", "ease_again"),
        To.SAME, Cue.EASE, "still foreseen {foreseen} in {lead} s, ceiling {ceiling}"),
    Row("calm", (E,), ("calm",), To.FLOW, Cue.NONE,
        "turned: foreseen {foreseen}, ceiling {ceiling}", dwell="settle_s"),
    Row("resume", (K,), ("may_resume", "spaced", "free_to_resume"), S, Cue.RESUME,
        "{level} bpm, {room} under the ceiling and not rising", dwell="settle_s"),
    Row("walk slower", (K,), ("walk_unheeded", "spaced", "walk_again", "free_to_walk"), To.SAME, Cue.WALK,
        "no fall as in walking yet: {level}, ceiling {ceiling}"),
    Row("resume missed", (S,), ("resume_missed", "spaced", "free_to_resume"), To.SAME, Cue.RESUME,
        "{level} bpm, {room} under the ceiling and still falling"),
    Row("pick up", (S,), ("under_floor", "spaced", "free_to_ease", "pick_up_again"), To.SAME, Cue.PICK_UP,
        "{level} bpm, under your floor of {floor}", dwell="settle_s"),
)
