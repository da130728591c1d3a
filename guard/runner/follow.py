"""A practice runner who follows a plan: each part as its kind asks, from where he hears it begin."""

from collections.abc import Mapping

from guard.arrays import Floats
from guard.events import Cue, CueGiven
from guard.plan.plan import Kind, Plan
from guard.runner.courses import Course, Spot
from guard.runner.rehearsal import PracticeCourse

SPEEDUP, DONE_WITHIN_S = 8.0, 170.0  # as fast as that, or faster so that it is done in three minutes (ours)
AFTERWARDS_S = 20.0  # so that the end of the plan is heard
CEILING_BPM = 142.0  # where the runner has none set
KEEN_BPM = 5.0  # over the ceiling at the pace he would choose
SHORT_TEST_S = 60.0  # a shorter test part is for speaking, at the pace of the one before

# (grade, share of his own pace): all invented
_GROUND: Mapping[Kind, Spot] = {
    Kind.WARM_UP: Spot(0.0, 0.88), Kind.EASY: Spot(0.0, 1.0), Kind.CLIMB: Spot(0.06, 0.9),
    Kind.FAST: Spot(0.0, 1.22), Kind.COOL_DOWN: Spot(0.0, 0.8),
}
_FIRST_STAGE, _STAGE = 0.8, 0.05  # share of his pace of a test's first stage, and more for each


class Follower:
    """Where in the plan the practice runner is; he goes by what he hears, as anybody would."""

    def __init__(self, plan: Plan) -> None:
        self._parts = plan.parts
        self._index = 0

    def hear(self, given: CueGiven) -> None:
        """The next part began (of several skipped, the one that was named)."""
        if given.cue is Cue.PART:
            later = range(self._index + 1, len(self._parts))
            named = (place for place in later if self._parts[place].title == given.part)
            self._index = next(named, min(self._index + 1, len(self._parts) - 1))

    def spot(self, t_s: float, distance_m: Floats) -> Spot:
        """The ground and pace of the present part."""
        part = self._parts[self._index]
        if part.kind is Kind.TEST:
            stages = sum(one.kind is Kind.TEST and one.seconds > SHORT_TEST_S
                         for one in self._parts[:self._index + 1])
            return Spot(0.0, _FIRST_STAGE + _STAGE * max(stages - 1, 0))
        ground = _GROUND[part.kind]
        return ground if part.grade is None else Spot(part.grade, ground.pace_share)


def practice_for(plan: Plan, follower: Follower, ceiling_bpm: float) -> PracticeCourse:
    """A rehearsal of `plan`, done within three minutes, with a runner to whom `ceiling_bpm` is a ceiling."""
    duration_s = plan.seconds + AFTERWARDS_S
    return PracticeCourse(
        "plan", f"{plan.name} (invented runner)",
        Course("plan", "the parts of a plan", follower.spot, duration_s, gentle_s=60.0),
        {"run_bpm": ceiling_bpm + KEEN_BPM, "ceiling_bpm": ceiling_bpm, "drift_bpm_per_min": 0.05},
        {"ceiling_bpm": ceiling_bpm},
        speedup=max(SPEEDUP, round(duration_s / DONE_WITHIN_S)))
