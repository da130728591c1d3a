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

    `at` names a fact that must be true in the step in which it fires.
    """

    name: str
    from_states: tuple[State, ...]
    when: tuple[str, ...]
    to: State | str
    cue: Cue
    numbers: tuple[str, ...] = ()
    dwell: str = ""
    at: str = ""  # a fact that need only be true when it fires


AHEAD = ("foreseen_bpm", "ahead_s", "ceiling_bpm")

TABLE: tuple[Row, ...] = (
    Row("hold", (*MOVING, N), ("held",), H, Cue.NONE),
    Row("unhold", (H,), ("~held",), To.FLOW, Cue.NONE),
    Row("trusted", (N,), ("~blind",), To.BEFORE, Cue.NONE, ("level_bpm",)),
    Row("no_signal", MOVING, ("blind",), N, Cue.NONE, ("age_s",)),
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
        ("level_bpm", "room_bpm"), dwell="settle_s", at="alive"),
    Row("walk_slower", (K,), ("walk_unheeded", "spaced", "walk_again", "free_to_walk"), To.SAME, Cue.WALK,
        ("level_bpm", "ceiling_bpm")),
    Row("resume_missed", (S,), ("resume_missed", "spaced", "free_to_resume"), To.SAME, Cue.RESUME,
        ("level_bpm", "room_bpm"), at="alive"),
    Row("pick_up", (S,), ("under_floor", "spaced", "free_to_ease", "pick_up_again"), To.SAME, Cue.PICK_UP,
        ("level_bpm", "floor_bpm"), dwell="settle_s", at="alive"),
)
