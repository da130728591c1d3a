"""Two tests read from a recording made with the guard: the talk test and the half hour.

Pure: times are s since the session began, `bpm` holds believed readings only.
How to run them is in `how.toml`; the plans that time them are `guard plan --make
talk-test` and `field-test`.
"""

from collections.abc import Sequence

import numpy as np

from guard.arrays import Floats
from guard.ceiling.methods import FieldTest, TalkTest
from guard.errors import InputError

TestSpan = tuple[float, float]  # (begins, ends), s

SPOKEN_S = 60.0  # the end of a stage counts: half a minute before speaking and the speaking itself
MARK_AFTER_S = 40.0  # a mark so soon after a stage ended means that stage
BEFORE_MARK_S = 90.0  # without stages the minute from here to 30 s before the mark counts
SHORTEST_STAGE_S = 60.0  # a shorter test part belongs to the stage before it
HALF_HOUR_S, COUNTED_S = 1800.0, 1080.0  # 12 min to settle, 18 that count: our own split
SLOPE_BPM_PER_M_S = 28.0  # 24 to 30: Hunt et al. 2015; running steps of Donne 2024
UNEVEN_PERCENT = 6.0  # change of speed between the halves, beyond which the pace was not even (ours)
LEAST_COVER = 0.8  # share of the counted time that must not lie in gaps
READINGS_APART_S = 5.0  # a longer silence between readings is a gap
LEAST_STAGE_BPM_READINGS = 15  # that a stage's heart rate rests on (ours)


def stages(test_parts: Sequence[TestSpan]) -> list[TestSpan]:
    """Stages of a talk test from the plan's test parts: a short one, for speaking, ends the one before."""
    found: list[TestSpan] = []
    for begin, end in test_parts:
        joins = found and end - begin < SHORTEST_STAGE_S and abs(found[-1][1] - begin) < 1.0
        if joins:
            found[-1] = (found[-1][0], end)
        else:
            found.append((begin, end))
    return found


def talk_test(times: Floats, bpm: Floats, found_stages: Sequence[TestSpan], mark_s: float | None) -> TalkTest:
    """Highest heart rate with comfortable speech, from stages and the mark made when it no longer was.

    Without stages the minute before the mark counts. InputError where the
    recording cannot tell.
    """
    if not found_stages:
        if mark_s is None:
            raise InputError("it has neither the stages of a talk test nor a mark: run it by "
                             "`guard plan --make talk-test`, or press m when speech stops being comfortable")
        value = _mean(times, bpm, mark_s - BEFORE_MARK_S, mark_s - 30.0)
        if value is None:
            raise InputError("it has too few readings in the minute before the mark: run the test again")
        return TalkTest(round(value, 1), "minute before the mark")
    done = [stage for stage in found_stages if mark_s is None or stage[1] + MARK_AFTER_S <= mark_s]
    if mark_s is None:
        done = [stage for stage in done if stage[1] <= float(times[-1]) + 5.0] if len(times) else []
    values = [value for begin, end in done
              if (value := _mean(times, bpm, max(begin, end - SPOKEN_S), end)) is not None]
    if not values:
        raise InputError("no stage of it ended with comfortable speech and enough readings: "
                         "start the next test slower")
    count = f"{len(done)} of {len(found_stages)} stages comfortable"
    return TalkTest(round(max(values), 1), count if mark_s is not None else f"{count}, no mark made")


def field_test(
    times: Floats, bpm: Floats, part: TestSpan | None, speeds: Sequence[tuple[float, float]] = (),
) -> FieldTest:
    """Mean and drift of the last 18 min of `part`, which lasts half an hour.

    Drift is the second nine minutes over the first, %, as it would be at the
    speed of the first; `speeds` are (time, m/s), each until the next. InputError where the
    recording is too short, has holes, or has no such part.
    """
    if part is None:
        raise InputError("it has no test part: run it by `guard plan --make field-test`, "
                         "or mark (m) where the half hour begins and ends")
    begin, end = part
    if len(times):
        end = min(end, float(times[-1]) + 1.0)
    if end - begin < HALF_HOUR_S - 30.0:
        raise InputError(f"its test lasts {(end - begin) / 60:.0f} min: it has to last half an hour")
    end = min(end, begin + HALF_HOUR_S)
    counted = times[(times >= end - COUNTED_S) & (times < end)]
    gaps = np.diff(np.concatenate([[end - COUNTED_S], counted, [end]]))
    covered = 1.0 - float(np.sum(gaps[gaps > READINGS_APART_S])) / COUNTED_S
    if covered < LEAST_COVER:
        raise InputError(f"only {100 * covered:.0f} % of its last 18 minutes have readings: "
                         "run the test again")
    middle = end - COUNTED_S / 2
    first = _mean(times, bpm, end - COUNTED_S, middle)
    second = _mean(times, bpm, middle, end)
    whole = _mean(times, bpm, end - COUNTED_S, end)
    if first is None or second is None or whole is None:
        raise InputError("its last 18 minutes have too few readings in one half: run the test again")
    before, after = (_mean_speed(speeds, begin, until) for begin, until in (
        (end - COUNTED_S, middle), (middle, end)))
    fade = None if before is None or after is None else 100.0 * (1.0 - after / before)
    if fade is not None and abs(fade) > UNEVEN_PERCENT:
        way = "slower" if fade > 0 else "faster"
        raise InputError(f"its second nine minutes were {abs(fade):.0f} % {way} than the first: "
                         "hold one pace and run the test again")
    if before is not None and after is not None:
        second += SLOPE_BPM_PER_M_S * (before - after)
    return FieldTest(round(whole, 1), round(100.0 * (second / first - 1.0), 2),
                     None if fade is None else round(fade, 2))


def _mean_speed(speeds: Sequence[tuple[float, float]], begin: float, end: float) -> float | None:
    """Mean speed over a span, each speed until the next; None where it is not known from its beginning."""
    known = [speed for speed in speeds if speed[0] < end]
    places = [at for at, (t_s, _) in enumerate(known) if t_s <= begin]
    if not places:
        return None
    inside = known[places[-1]:]
    ends = [*(t_s for t_s, _ in inside[1:]), end]
    metres = sum(speed * (until - max(t_s, begin))
                 for (t_s, speed), until in zip(inside, ends, strict=True))
    return metres / (end - begin) if metres > 0 else None


def _mean(times: Floats, bpm: Floats, begin: float, end: float) -> float | None:
    """Mean of the seconds that have readings; None with too few of them."""
    inside = (times >= begin) & (times < end)
    seconds, which = np.unique(np.floor(times[inside]), return_inverse=True)
    if len(seconds) < LEAST_STAGE_BPM_READINGS:
        return None
    return float((np.bincount(which, bpm[inside]) / np.bincount(which)).mean())
