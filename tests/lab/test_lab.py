"""The laboratory itself: opponents that do what they say, measures that measure."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from guard.errors import UsageError
from guard.events import Cue
from guard.workers.pool import Pool
from tests.lab import courses, guarding, open_loop, report
from tests.lab.family import Crowd, Second
from tests.lab.ground import COURSES
from tests.lab.kinds import DEVELOPMENT, HELD_OUT, KINDS
from tests.lab.measures import live
from tests.lab.opponents import Array, BareAlarm, Codes, Controller, Knowing, make
from tests.lab.spread import spread

MIDDLES = [kind for kind in KINDS if kind.name == "middle"]


def kinds(*names: str) -> list[Any]:
    return [kind for kind in KINDS if kind.name in names and kind.family == "first"]


class Says:
    """Cues at given seconds to everybody."""

    advised_m_s: Array | None = None
    walks: NDArray[np.bool_] | None

    def __init__(self, n: int, at: Mapping[int, Cue] | None = None) -> None:
        self._n, self._cues = n, at or {}
        self.walks = np.zeros(n, bool)

    def step(self, now: Second) -> Codes:
        return np.full(self._n, int(self._cues.get(int(now.t_s), Cue.NONE)))


def test_two_families_of_thirty_kinds_and_more_with_four_of_each_kept_out() -> None:
    for family in ("first", "second"):
        assert sum(kind.family == family for kind in DEVELOPMENT) >= 28
        assert sum(kind.family == family for kind in HELD_OUT) == 4
    assert len(DEVELOPMENT) >= 60 and len({(kind.family, kind.name) for kind in KINDS}) == len(KINDS)


def test_a_kind_lives_the_same_hour_in_any_company() -> None:
    alone = Crowd(kinds("every 5 s"), 4, steps=120)
    together = Crowd(MIDDLES + kinds("every 5 s"), 4, steps=120)
    for step in range(120):
        cue = int(Cue.EASE) if step == 30 else 0
        one, many = alone.step(np.full(4, cue)), together.step(np.full(12, cue))
        assert np.array_equal(one.bpm, many.bpm[8:], equal_nan=True)
        assert np.array_equal(one.true_bpm, many.true_bpm[8:])
    dev, other = Crowd(MIDDLES, 4), Crowd(MIDDLES, 4, "report")
    assert not np.array_equal(dev.who["gain"], other.who["gain"])


@pytest.mark.parametrize("family", ["first", "second"])
def test_a_walk_at_the_ceiling_falls_as_published(family: str) -> None:
    """17.2 +- 8.0 bpm in the first minute of a pause with walking (Donne 2024 data)."""
    crowd = Crowd([kind for kind in MIDDLES if kind.family == family], 60, steps=900)
    ceiling = crowd.who["ceiling_bpm"]
    crowd.manners.pace_m_s[:] = crowd.manners._habit[:] = (
        crowd.who["habit_m_s"] - crowd.who["over_bpm"] / crowd.who["gain"])
    crowd.who["obeys"][:] = 1.0
    true = np.array([crowd.step(np.full(60, int(Cue.WALK) if step == 600 else 0)).true_bpm
                     for step in range(680)])
    fall = true[606] - true[666]
    assert abs(np.median(true[606] - ceiling)) < 6
    assert 12 < fall.mean() < 24 and 4 < fall.std() < 12


def test_the_alarm_sounds_every_10_s_at_or_over_the_ceiling() -> None:
    crowd = SimpleNamespace(n=3, who={"ceiling_bpm": np.full(3, 150.0)})
    alarm: Any = BareAlarm(crowd)  # type: ignore[arg-type]
    sounded = [t_s for t_s in range(60) if alarm.step(
        SimpleNamespace(t_s=float(t_s), bpm=np.full(3, 151.0 if 10 <= t_s < 48 else 150.0))).any()]
    assert sounded == [10, 20, 30, 40]


@pytest.mark.parametrize("model", ["first", "second"])
def test_everybody_runs_the_courses_and_a_learned_gain_is_about_the_own(
    model: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    short = replace(COURSES["learned"], duration_s=420.0)
    monkeypatch.setitem(COURSES, "learned", short)
    table = courses.run(["learned"], ["guard"], 4, "dev", model)
    assert set(table) == {"alarm", "knowing", "guard"}
    assert all(one["learned"]["distance_km"] > 0.3 for one in table.values())
    crowd: Any = courses.OnCourse(short, 4, "dev", model)
    guard: Any = make("guard", crowd, {"strictness": 0.8})
    settings = guard.feed.lanes.settings
    assert {one.strictness for one in settings} == {0.8}
    gains = [one.gain_bpm_per_m_s for one in settings]
    assert np.allclose(gains, crowd.who["gain"], rtol=0.5)
    assert not np.allclose(gains, crowd.who["gain"], rtol=0.001)


def test_alarm_and_knowing_beat_saying_nothing() -> None:
    over = {}
    makers: dict[str, Callable[[Crowd], Controller]] = {
        "nothing": lambda crowd: Says(crowd.n), "alarm": BareAlarm, "knowing": Knowing}
    for name, maker in makers.items():
        crowd = Crowd(MIDDLES, 6, steps=1200)
        over[name] = live(crowd, maker(crowd)).over_bpm_s.sum()
    assert over["knowing"] < over["alarm"] < 0.3 * over["nothing"]


def test_walking_on_cue_is_counted_and_so_is_what_the_guard_takes_it_for() -> None:
    crowd = Crowd(MIDDLES, 6, steps=400)
    crowd.who["obeys"][:], crowd.who["shuffles"][:] = 1.0, 0.0
    hour = live(crowd, Says(12, at={100: Cue.WALK, 300: Cue.RESUME}))
    assert (hour.walked_s > 150).all() and (hour.walked_s < 215).all()
    assert np.array_equal(hour.walked_s, hour.walked_can_s)  # the middle runner can always jog
    assert np.array_equal(hour.taken_for_running_s, hour.judged_s) and (hour.judged_s > 100).all()
    assert hour.resumes.sum() == 12 and len(hour.told_after_s) == 12
    waits = [wait for _, wait in hour.told_after_s]
    assert min(waits) == 0.0 and max(waits) > 150.0  # too fast to run on for a minute; might have run at once


def test_small_eases_need_many_words_and_a_relapse_undoes_them() -> None:
    pace = {}
    for name in ("middle", "small easer", "relapse"):
        crowd = Crowd(kinds(name), 20, steps=200)
        crowd.who["obeys"][:] = 1.0
        for step in range(120):
            crowd.step(np.full(20, int(Cue.EASE) if step == 60 else 0))
        pace[name] = float(np.mean(crowd.manners.pace_m_s / crowd.who["habit_m_s"]))
    assert pace["middle"] < 0.92 < 0.94 < pace["small easer"]
    assert pace["middle"] + 0.03 < pace["relapse"]


def test_targets_are_lettered_and_excused_only_where_the_knowing_one_fails() -> None:
    good: dict[str, Any] = {
        "over_min": 1.0, "over_bpm_min": 1.0, "sounds": 10.0, "distance_km": 8.0, "can": 1.0,
        "walked_while_can": 0.0, "untold_slopes": False, "judged_s": 0.0, "taken_for_running": None,
        "walks": 0.0, "told_after_s": None, "restarts": 0.0, "needless": None, "blind_resumes": 0.0}
    bad = good | {"over_min": 2.0, "distance_km": 7.0, "walked_while_can": 0.05, "walks": 2.0,
                  "told_after_s": 16.0, "blind_resumes": 1.0}
    assert report.short_of(good, good, good) == ""
    assert report.short_of(bad, good, good) == "ODHWRB"
    assert report.short_of(bad, good, good | {"distance_km": 7.5}) == "OdHWRB"
    slopes = bad | {"untold_slopes": True}
    assert "W" not in report.short_of(slopes, good, good)


def test_crossings_and_cues_of_a_recording_are_judged() -> None:
    bpm = np.full(400, 145.0)
    bpm[100:110], bpm[130:140], bpm[300:400] = 152.0, 152.0, 155.0  # the second is out of less than a minute
    bpm[50] = np.nan
    cues = np.zeros(400, np.int64)
    cues[60], cues[180], cues[310], cues[311] = Cue.EASE, Cue.WALK, Cue.EASE, Cue.RESUME
    found = open_loop.judge(bpm, cues, 150.0, np.where(bpm > 150, 1, 0))
    assert (found.crossings, found.before) == (2, 1)
    assert (found.under, found.came_true, found.walks_under, found.slow, found.beeps) == (2, 1, 1, 3, 120)


def test_commands_say_what_they_found(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert open_loop.main(["--data", str(tmp_path)]) == 0
    assert "nothing was judged" in capsys.readouterr().out
    with pytest.raises(UsageError, match="no kind is called 'ghost'"):
        guarding.chosen(["ghost"], held_out=False)
    with pytest.raises(UsageError, match="kept out of development"):
        guarding.chosen([HELD_OUT[0].name], held_out=False)
    table = guarding.run_kinds(MIDDLES, ["guard"], 2, "dev", steps=60)
    text = report.kind_table("guard", table) + report.means_table(table)
    assert "first/middle" in text and "asked" in text
    apart = Pool(1)
    apart.jobs = 2  # a group for each of two, lived one after the other here
    assert spread(MIDDLES, apart, ["guard"], 2, "dev", None, 60) == table
    figure = table["guard"]["second/middle"]
    assert figure["distance_km"] > 0 and SimpleNamespace(**figure).can > 0
