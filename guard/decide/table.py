"""The decision as one table: from which state, when, to which, saying what.

Rows are in order of priority and the first that matches wins. `when` names
facts of `guard.decide.facts` that must all be true (a leading `~`: false), for
at least `dwell` (a setting in seconds, or none). The name of the row is
the rule that a cue or state carries. DEVELOPERS.md shows this table; it is generated from here.
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
    """One transition; `numbers` names the fields of `Numbers` that its reason rests on.

    `mistrusts`: what was believed of the sensor until now was wrong.
    """

    name: str
    from_states: tuple[State, ...]
    when: tuple[str, ...]
    to: State | str
    cue: Cue
    numbers: tuple[str, ...] = ()
    dwell: str = ""
    mistrusts: bool = False


AHEAD = ("foreseen_bpm", "ahead_s", "ceiling_bpm")

TABLE: tuple[Row, ...] = (
    Row("stop", MOVING, ("over_stop", "stop_again"), To.SAME, Cue.STOP, ("level_bpm", "stop_bpm")),
    Row("hold", (*MOVING, N), ("held",), H, Cue.NONE),
    Row("unhold", (H,), ("~held",), To.FLOW, Cue.NONE),
    Row("signal_back", (N,), ("regained", "loss_said"), To.BEFORE, Cue.SIGNAL_BACK, ("level_bpm",)),
    Row("signal_blinked", (N,), ("regained", "~loss_said"), To.BEFORE, Cue.NONE, ("level_bpm",)),
    Row("say_loss", (N,), ("lost", "~loss_said"), To.SAME, Cue.SIGNAL_LOST, ("age_s",)),
    Row("slip", MOVING, ("slipped",), N, Cue.SIGNAL_LOST, ("fell_from_bpm",)),
    Row("unlikely_recovery", (K,), ("fell_too_far",), N, Cue.SIGNAL_LOST, ("level_bpm",), mistrusts=True),
    Row("no_signal", MOVING, ("stale",), N, Cue.NONE, ("age_s",)),
    Row("free_run", (E, K), ("free_run",), To.FLOW, Cue.NONE),
    Row("too_steep", (S, E), ("too_steep", "walk_again", "spaced", "free_to_walk"), K, Cue.WALK,
        ("heading_bpm", "ceiling_bpm")),
    Row("walk_run", (S, E), ("over_soon", "walk_run", "spaced", "free_to_walk"), K, Cue.WALK, AHEAD),
    Row("eased_in_vain", (S, E),
        ("over_soon", "eased_in_vain", "ease_again", "walk_again", "spaced", "free_to_walk"), K, Cue.WALK,
        AHEAD),
    Row("not_turned", RUNNING, ("walk_due", "walk_again", "spaced", "free_to_walk"), K, Cue.WALK,
        ("level_bpm", "foreseen_bpm", "ceiling_bpm")),
    Row("warm_up_over", (W,), ("warm",), S, Cue.NONE),
    Row("warm_up_ease", (W,), ("over_ramp", "spaced", "free_to_ease", "ease_again"), E, Cue.EASE,
        ("foreseen_bpm", "ahead_s", "limit_bpm")),
    Row("ease", (S,), ("over_soon", "spaced", "free_to_ease", "ease_again"), E, Cue.EASE, AHEAD),
    Row("ease_again", (E,), ("over_soon", "~turned", "spaced", "free_to_ease", "ease_again"),
        To.SAME, Cue.EASE, AHEAD),
    Row("calm", (E,), ("calm",), To.FLOW, Cue.NONE, ("foreseen_bpm", "ceiling_bpm"), dwell="settle_s"),
    Row("resume", (K,), ("may_resume", "spaced", "free_to_resume"), S, Cue.RESUME,
        ("level_bpm", "room_bpm"), dwell="settle_s"),
    Row("walk_slower", (K,), ("walk_unheeded", "spaced", "walk_again", "free_to_walk"), To.SAME, Cue.WALK,
        ("level_bpm", "ceiling_bpm")),
    Row("resume_missed", (S,), ("resume_missed", "spaced", "free_to_resume"), To.SAME, Cue.RESUME,
        ("level_bpm", "room_bpm")),
    Row("pick_up", (S,), ("under_floor", "spaced", "free_to_ease", "pick_up_again"), To.SAME, Cue.PICK_UP,
        ("level_bpm", "floor_bpm"), dwell="settle_s"),
)
