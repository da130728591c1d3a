"""The running totals of a session; pure, told every step.

Counted against the ceiling in force, with the trusted level as a display shows
it, in whole beats: time at or under it, over it, bpm-minutes over it, time
without a signal. Time the runner
paused, and time in a part left to the runner (a fast part without a ceiling of
its own), is counted in none of them.
"""

from collections import Counter

from guard.events import PACE_CUES, Cue, Summary


class Tally:
    """Totals in seconds and bpm-minutes, and the cues by kind."""

    def __init__(self) -> None:
        self.duration_s = 0.0
        self.held_s = 0.0
        self.unguarded_s = 0.0
        self.at_or_under_s = 0.0
        self.over_s = 0.0
        self.over_bpm_min = 0.0
        self.no_signal_s = 0.0
        self.distance_m: float | None = None
        self.cues: Counter[str] = Counter()

    def count_time(
        self, dt_s: float, *, held: bool, counts: bool, over_bpm: float | None, speed_m_s: float | None
    ) -> None:
        """Add an interval; `over_bpm`: the level shown minus the ceiling, None without a signal."""
        self.duration_s += dt_s
        if speed_m_s is not None:
            self.distance_m = (self.distance_m or 0.0) + speed_m_s * dt_s
        if held:
            self.held_s += dt_s
        elif over_bpm is None:
            self.no_signal_s += dt_s
        elif not counts:
            self.unguarded_s += dt_s
        elif over_bpm > 0.0:
            self.over_s += dt_s
            self.over_bpm_min += over_bpm * dt_s / 60.0
        else:
            self.at_or_under_s += dt_s

    @property
    def active_s(self) -> float:
        """Time without what the runner paused."""
        return self.duration_s - self.held_s

    def count_cue(self, cue: Cue) -> None:
        self.cues[cue.key] += 1

    def summary(self) -> Summary:
        """The totals so far."""
        asking = sum(self.cues[cue.key] for cue in PACE_CUES)
        hours = self.duration_s / 3600.0
        result: Summary = {
            "duration_s": round(self.duration_s, 3),
            "at_or_under_s": round(self.at_or_under_s, 3),
            "over_s": round(self.over_s, 3),
            "over_bpm_min": round(self.over_bpm_min, 3),
            "no_signal_s": round(self.no_signal_s, 3),
            "held_s": round(self.held_s, 3),
            "unguarded_s": round(self.unguarded_s, 3),
            "cues": dict(sorted(self.cues.items())),
            "cues_per_h": round(asking / hours, 2) if hours > 0 else 0.0,
        }
        if self.distance_m is not None:
            result["distance_m"] = round(self.distance_m, 1)
        return result
