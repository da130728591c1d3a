"""The decision's rules, each on heart rates made for it.

Runner responses are first order with the published constants (Hunt,
Fankhauser, Saengsuwan 2015: tau 57.6 s for small changes while running;
Zakynthinaki 2015 data: 19 to 23 s from rest to running, 22 to 40 s for a stop).
"""

from __future__ import annotations

import numpy as np
import pytest

from guard import Cue, Lanes, Settings, State
from guard.decide.lane import Lane
from guard.decide.still import Still
from guard.reasons import why
from guard.signal.kit import SINGLE

TAU_SMALL_S, TAU_RESTART_S = 57.6, 20.0
BASE = Settings(ceiling_bpm=139, warm_up_s=0)


class OneRunner:
    """A heart that approaches a target, read once a second, and what was cued."""

    def __init__(self, settings: Settings = BASE, *, start_bpm: float = 120.0, noise_bpm: float = 0.0,
                 seed: int = 1) -> None:
        self.lane = Lane(settings)
        self.true_bpm = start_bpm
        self.t_s = -1.0
        self.noise_bpm = noise_bpm
        self._rng = np.random.default_rng(seed)
        self.cues: list[tuple[float, Cue, str]] = []
        self.why: list[str] = []
        self.states: list[State] = []

    def run(self, seconds: int, target_bpm: float, tau_s: float = TAU_SMALL_S, *, shown=None, **inputs):
        """`shown(true_bpm, second)` may replace the reading; None: none arrives."""
        for second in range(seconds):
            self.t_s += 1.0
            self.true_bpm += (target_bpm - self.true_bpm) * (1 - np.exp(-1 / tau_s))
            reading = round(self.true_bpm + self.noise_bpm * self._rng.standard_normal())
            value = reading if shown is None else shown(self.true_bpm, second)
            cue = self.lane.step(self.t_s, np.nan if value is None else value, **inputs)
            self.states.append(State(self.lane.state))
            if cue:
                self.cues.append((self.t_s, cue, self.lane.rule(0)))
                self.why.append(why(self.lane.rule(0), self.lane.numbers(0)))
        return self

    def kinds(self, since_s: float = 0.0) -> list[Cue]:
        return [cue for t_s, cue, _ in self.cues if t_s >= since_s]

    @property
    def state(self) -> State:
        return self.states[-1]


def test_a_run_that_settles_under_the_ceiling_is_never_cued():
    runner = OneRunner(noise_bpm=1.6, start_bpm=100).run(3600, 132)
    assert runner.cues == []


def test_a_crossing_is_foreseen_before_it_happens_and_says_so():
    runner = OneRunner().run(300, 133)
    runner.run(120, 148)
    t_s, cue, rule = runner.cues[0]
    crossing_s = 300 + -TAU_SMALL_S * np.log((148 - 139) / (148 - 133))
    assert cue is Cue.EASE
    assert t_s < crossing_s
    assert rule == "ease" and runner.why[0].startswith("foreseen 1") and "ceiling 139" in runner.why[0]


def test_easing_that_works_ends_in_steady_with_few_words():
    runner = OneRunner().run(200, 133)
    while not runner.cues:
        runner.run(1, 148)
    runner.run(8, 148)  # the slowest to react
    runner.run(200, 130)
    assert set(runner.kinds()) == {Cue.EASE} and len(runner.kinds()) <= 2
    assert runner.state is State.STEADY


def walked(settings: Settings = BASE, target_bpm: float = 150) -> OneRunner:
    """A runner who could not ease and was told to walk."""
    runner = OneRunner(settings).run(200, 133)
    for _ in range(40):
        if runner.state is State.WALKING:
            return runner
        runner.run(10, target_bpm)
    raise AssertionError("nobody was told to walk")


def test_easing_that_does_not_work_becomes_walking_then_running_again():
    runner = walked()
    assert runner.kinds()[0] is Cue.EASE and runner.kinds()[-1] is Cue.WALK
    since = runner.t_s
    while runner.kinds()[-1] is not Cue.RESUME:
        runner.run(1, 112, 40)
    assert 20 < runner.t_s - since < 95
    assert runner.cues[-1][2] == "resume" and "under the ceiling" in runner.why[-1]
    assert runner.state is State.WALKING  # until his level shows that he runs
    runner.run(60, 132, 30)
    assert runner.state is not State.WALKING and runner.kinds(since + 1) == [Cue.RESUME]


def test_running_again_waits_until_the_next_crossing_is_far():
    runner = walked()
    since = runner.t_s
    runner.run(90, 128, 30)  # running again would soon bring him over
    assert Cue.RESUME not in runner.kinds(since)


@pytest.mark.parametrize(("stands_bpm", "told"), [(130, [Cue.RESUME]), (137, [])])
def test_a_level_that_stands_still_is_told_once_and_then_runs(stands_bpm, told):
    """Nobody is kept walking by a level that shows no walk; near the ceiling it ends without a word."""
    runner = walked()
    since = runner.t_s
    runner.run(210, stands_bpm, 30)  # it takes a minute of these until it stands
    assert runner.kinds(since + 1) == told
    runner.run(40, stands_bpm, 30)
    assert runner.kinds(since + 1) == told and runner.state is State.STEADY


def test_cues_are_spaced_and_what_brings_nothing_thins_out():
    runner = OneRunner(noise_bpm=1.6).run(200, 133)
    runner.run(1800, 152)
    times = [t for t, _, _ in runner.cues]
    assert min(np.diff(times)) >= BASE.spacing_s
    walks = [t for t, cue, _ in runner.cues if cue is Cue.WALK]
    assert len(walks) < 26 and min(np.diff(times[-10:])) >= 80


def test_who_is_far_over_and_hears_little_is_told_often_at_first():
    """Every word counts with who heeds one in five: no minute of the first five passes with only one."""
    runner = OneRunner().run(200, 133)
    since = runner.t_s
    runner.run(300, 152)
    times = [t for t, _, _ in runner.cues if t > since]
    assert max(np.diff([*times, runner.t_s])) <= 45 and len(times) < 20


def test_the_way_to_a_stand_does_not_count_and_a_slow_climb_is_none():
    t_s = np.arange(180.0)
    settles = 128.0 - 3.5 * np.exp(-t_s / 10.0) + np.where(t_s > 120.0, 0.8, 0.0)
    climbs = 120.0 + t_s / 12.0
    since = []
    for levels in (settles, climbs):
        still = Still(SINGLE, 0.0, 4.0)
        for t, bpm in zip(t_s, levels, strict=True):
            still.step(float(t), float(bpm), True)
        since.append(still.since_s)
    assert since[0] == 0 and since[1] >= 60


def test_a_level_that_climbs_is_told_again_however_rarely_words_came():
    """Words thin out where nothing moves: never 10 bpm up, over the ceiling, in silence."""
    runner = OneRunner().run(200, 133)
    runner.run(900, 150)
    since, levels = runner.t_s, []
    for target in range(150, 180):
        runner.run(8, target, 10)
        levels += [runner.true_bpm] * 8
    told = [levels[int(t_s - since) - 1] for t_s, _, _ in runner.cues if t_s > since]
    said = [levels[0], *told, levels[-1]]
    assert max(np.diff(said)) < 8


def test_who_refuses_to_walk_is_eased_again():
    runner = OneRunner().run(200, 133)
    runner.run(300, 152)
    kinds = runner.kinds()
    assert Cue.EASE in kinds[kinds.index(Cue.WALK):]


def test_the_pod_shows_that_nobody_slowed_and_easing_is_not_given_up():
    """Deaf for five minutes with a pod that says so, then he heeds: eased, not walked."""
    runner = OneRunner().run(200, 133, speed_m_s=2.8)
    runner.run(300, 150, speed_m_s=2.8)
    runner.run(200, 128, 30, speed_m_s=2.5)
    since = runner.t_s
    runner.run(60, 148, speed_m_s=2.8)
    assert runner.kinds(since)[:3] == [Cue.EASE] * 3


def test_a_restless_speed_asks_for_no_more_words_than_none():
    rng = np.random.default_rng(3)
    still = OneRunner(noise_bpm=0.7).run(300, 133).run(1200, 136.5)
    told = OneRunner(noise_bpm=0.7)
    for second in range(1500):
        told.run(1, 133 if second < 300 else 136.5, speed_m_s=3.0 + 0.15 * rng.standard_normal())
    assert len(told.cues) <= len(still.cues) + 3


def test_nobody_is_told_to_run_again_while_heading_over_after_a_gap():
    runner = walked()
    runner.run(90, 112, 40)
    before = len(runner.cues)
    runner.run(40, 100, shown=lambda bpm, second: None)
    runner.true_bpm = 116.0
    runner.run(40, 165, 40)
    assert Cue.RESUME not in [cue for t_s, cue, _ in runner.cues[before:] if t_s > runner.t_s - 40]


@pytest.mark.parametrize(("speed_m_s", "sd_m_s"), [(1.9, 0.0), (2.2, 0.15), (2.8, 0.0)])
def test_who_runs_under_his_floor_is_hurried_however_slowly_he_jogs(speed_m_s, sd_m_s):
    rng = np.random.default_rng(2)
    runner = OneRunner(BASE.replaced({"floor_bpm": 125}), start_bpm=112)
    for _ in range(900):
        runner.run(1, 112, speed_m_s=speed_m_s + sd_m_s * rng.standard_normal())
    assert runner.kinds().count(Cue.PICK_UP) >= 3


def test_a_missing_speed_is_no_proof_that_he_walked():
    """He runs on past every word; that his pod fails for a while after each walk word changes nothing."""

    def eases(missing_s):
        runner, gone = OneRunner().run(200, 133, speed_m_s=2.8), 0
        for _ in range(900):
            told = len(runner.cues)
            runner.run(1, 145, speed_m_s=np.nan if gone > 0 else 2.8)
            said = runner.cues[told:]
            gone = missing_s if said and said[0][1] is Cue.WALK else gone - 1
        return runner.kinds().count(Cue.EASE)

    assert eases(0) == eases(1) > 0 and eases(8) >= eases(0) - 1


def test_what_a_plan_brings_counts_once_beside_a_restless_pod():
    def heads_bpm(load):
        rng, lane = np.random.default_rng(4), Lane(BASE)
        for t in range(300):
            lane.step(float(t), 130.0, speed_m_s=2.6 + 0.1 * rng.standard_normal())
        before = lane.belief.target_bpm
        for t in range(300, 315):
            told = {"load": (0.4, 0.0)} if load and t == 300 else {}
            lane.step(float(t), 130.0, speed_m_s=3.0 + 0.1 * rng.standard_normal(), **told)
        return lane.belief.heads_bpm - before
    assert heads_bpm(True) == pytest.approx(heads_bpm(False), abs=0.5)


def test_nobody_who_stands_or_has_just_set_off_is_hurried():
    floor = BASE.replaced({"floor_bpm": 125})
    runner = OneRunner(floor).run(400, 132, speed_m_s=2.8)
    runner.run(60, 105, 30, speed_m_s=0.0)
    runner.run(50, 118, 30, speed_m_s=2.8)
    assert Cue.PICK_UP not in runner.kinds()
    runner.run(120, 118, 30, speed_m_s=2.8)
    assert Cue.PICK_UP in runner.kinds()


def test_a_walk_that_settles_where_a_minute_s_running_fits_is_not_kept_waiting_for_the_spare():
    """Settled 20 under, where running again adds 18 in a minute: told once it stands still."""
    runner = walked()
    since = runner.t_s
    runner.run(240, 119, 30)
    at_s = [t_s for t_s, cue, _ in runner.cues if cue is Cue.RESUME and t_s > since]
    assert at_s and at_s[0] - since < 240


def test_a_walk_whose_fall_ends_over_the_ceiling_is_asked_for_again():
    """It fell by more than a walk shows with, and then stands 15 over: that is no walk."""
    runner = OneRunner().run(200, 133)
    runner.run(150, 190, 40)
    since = runner.t_s
    runner.run(120, 154, 20)
    assert runner.kinds(since + 30).count(Cue.WALK) >= 1


def test_who_may_not_be_walked_is_eased_ever_more_rarely():
    runner = OneRunner(BASE.replaced({"walking": False})).run(200, 133)
    runner.run(1800, 141)
    assert set(runner.kinds()) == {Cue.EASE}
    assert len(runner.kinds(1100)) < len(runner.kinds()) / 2


def test_a_warm_up_holds_only_the_level_to_its_ramp():
    settings = Settings(ceiling_bpm=139)
    under = OneRunner(settings, start_bpm=70, noise_bpm=1.0).run(310, 122, 22)
    assert under.kinds() == []
    over = OneRunner(settings, start_bpm=70).run(200, 142, 30)
    assert over.kinds()[0] is Cue.EASE and over.cues[0][2] == "warm_up_ease"


def test_stop_is_said_in_a_warm_up_and_again_while_it_lasts():
    settings = Settings(ceiling_bpm=139, stop_bpm=160)
    runner = OneRunner(settings, start_bpm=120).run(60, 175, 10)
    assert runner.kinds().count(Cue.STOP) >= 3


def test_lost_signal_is_shown_at_three_seconds_said_at_eight_and_never_low():
    runner = OneRunner().run(200, 133)
    runner.run(2, 133, shown=lambda *_: None)
    assert runner.state is State.STEADY
    runner.run(1, 133, shown=lambda *_: None)
    assert runner.state is State.NO_SIGNAL
    assert runner.kinds() == []
    runner.run(30, 133, shown=lambda *_: None)
    assert runner.kinds() == [Cue.SIGNAL_LOST]
    assert runner.cues[0][0] == pytest.approx(199 + 8, abs=1.01)
    runner.run(10, 133)
    assert runner.kinds() == [Cue.SIGNAL_LOST, Cue.SIGNAL_BACK]
    assert runner.state is State.STEADY


def test_zero_is_no_signal():
    runner = OneRunner().run(200, 133)
    runner.run(20, 133, shown=lambda *_: 0)
    assert runner.kinds() == [Cue.SIGNAL_LOST]


def test_no_resume_while_walking_without_a_signal():
    runner = walked()
    since = runner.t_s
    runner.run(300, 100, 30, shown=lambda *_: None)
    assert Cue.RESUME not in runner.kinds(since)
    assert runner.state is State.NO_SIGNAL


@pytest.mark.parametrize("reading_bpm", [60, 75, 88])
def test_a_slipped_electrode_while_walking_brings_no_resume_for_two_minutes(reading_bpm):
    runner = walked()
    since = runner.t_s
    rng = np.random.default_rng(3)
    runner.run(120, 140, 40, shown=lambda true, second: reading_bpm + round(rng.normal()))
    assert Cue.RESUME not in runner.kinds(since)


@pytest.mark.parametrize("spike_bpm", [35, 80, 190, 229, 255, 20])
def test_spikes_move_nothing(spike_bpm):
    rng = np.random.default_rng(5)
    spiky = lambda true, second: spike_bpm if rng.random() < 0.05 else round(true + rng.normal() * 1.2)  # noqa: E731
    runner = OneRunner().run(200, 132)
    runner.run(3600, 132, shown=spiky)
    assert runner.kinds() == []


@pytest.mark.parametrize("noise_bpm", [1.5, 2.5])
def test_a_strap_that_averages_nothing_is_foreseen_on_all_the_same(noise_bpm):
    """What is random from one reading to the next is learned: the climb is cued before the ceiling."""
    runner = OneRunner(noise_bpm=noise_bpm).run(400, 128)
    assert runner.kinds() == [] and runner.lane.belief.covered
    runner.run(60, 150)
    at_s, cue, rule = runner.cues[0]
    assert cue is Cue.EASE and rule == "ease" and at_s < 400 + 57.6 * np.log((150 - 128) / (150 - 139))


def test_a_true_jump_is_believed_once_it_lasts():
    runner = OneRunner().run(60, 110)
    runner.run(30, 136, 0.1)
    assert abs(runner.lane.belief.level_bpm - 136) < 2
    assert runner.state is State.STEADY


def test_pausing_holds_everything_and_going_on_starts_afresh():
    runner = OneRunner().run(200, 137)
    runner.run(100, 137, held=True)
    assert runner.state is State.HELD
    assert runner.kinds(200) == []
    runner.run(1, 137, held=False)
    assert runner.state is State.STEADY


def test_starting_again_after_a_light_is_not_cued_when_it_stays_under():
    runner = OneRunner(noise_bpm=1.2)
    runner.run(400, 134)
    for _ in range(10):
        runner.run(45, 105, 30)  # standing at a light
        runner.run(200, 135, TAU_RESTART_S)  # harmless climb back
    assert runner.kinds() == []


@pytest.mark.parametrize("ripple_bpm", [4, 6, 7, 8])
def test_a_climb_after_a_ripple_is_no_restart(ripple_bpm):
    """Breath and noise let heart rate dip by some beats; the rise after it is cued before it is due."""
    runner = OneRunner(start_bpm=129).run(300, 129)
    runner.run(10, 129 - ripple_bpm, 3).run(15, 129, 6)
    due_s = runner.t_s + 20.0
    for second in range(30):  # 15 bpm in 30 s
        runner.run(1, 129 + (second + 1) / 2, 0.01)
    assert runner.cues[0][1] is Cue.EASE and runner.cues[0][0] <= due_s


def test_a_missed_resume_is_said_again_while_the_level_falls_and_not_for_ever():
    runner = walked()
    since = runner.t_s
    runner.run(1200, 110, 60)
    times = [t for t, cue, _ in runner.cues if t > since and cue is Cue.RESUME]
    waits_s = np.diff(times)
    assert waits_s[0] >= 35 and all(waits_s[1:] >= 1.5 * waits_s[:-1]), "ever more rarely"
    assert times[-1] > since + 600, "but he is not left to walk for want of a word"
    assert runner.state is State.STEADY


def test_no_jog_under_the_ceiling_is_remembered():
    """The slowest jog leads to 152 whatever is said: from the second walk on he is seldom eased."""
    runner = walked(target_bpm=152)
    for _ in range(4):
        runner.run(120, 108, 40)
        runner.run(100, 152, 30)
    assert next(rule for _, cue, rule in runner.cues if cue is Cue.WALK) == "eased_in_vain"
    late = [cue for t, cue, _ in runner.cues if t > 600]
    assert late.count(Cue.EASE) <= late.count(Cue.WALK) and late.count(Cue.WALK) >= 3


def test_a_runner_little_over_the_ceiling_and_not_rising_is_not_walked():
    runner = OneRunner(noise_bpm=0.8).run(200, 133)
    runner.run(25, 140.5)
    runner.run(60, 140.5)
    assert Cue.WALK not in runner.kinds()


def test_pick_up_only_with_a_floor():
    assert OneRunner().run(900, 115).kinds() == []
    floor = OneRunner(BASE.replaced({"floor_bpm": 125.0})).run(900, 115)
    assert set(floor.kinds()) == {Cue.PICK_UP}


def test_a_learned_gain_and_a_known_speed_advise_the_speed_to_set():
    """Steady at 2.8 m/s and 145 bpm with 24 bpm per m/s: the speed at 136.5 is 2.45 m/s."""
    settings = BASE.replaced({"gain_bpm_per_m_s": 24.0, "belt": True})
    runner = OneRunner(settings, start_bpm=145).run(15, 145, speed_m_s=2.8, grade=0.0)
    assert runner.kinds()[0] is Cue.EASE
    advised = runner.lane.advised_speed_m_s
    assert 2.8 * 0.7 <= advised <= 2.8 - 0.1 / 3.6
    assert advised == pytest.approx(2.8 - (145 - 136.5) / 24.0, abs=0.15)
    assert (advised * 3.6 / 0.1) == pytest.approx(round(advised * 3.6 / 0.1))


def test_no_speed_is_advised_without_a_cue_nor_in_the_warm_up():
    settings = Settings(ceiling_bpm=139, gain_bpm_per_m_s=24.0, belt=True)
    runner = OneRunner(settings, start_bpm=80)
    for _ in range(60):
        runner.run(5, 150, 30, speed_m_s=2.6, grade=0.0)
        assert np.isnan(runner.lane.advised_speed_m_s)
    assert runner.kinds()


def test_lanes_do_not_touch_each_other():
    """The same lane alone and among many others: the same bits."""
    rng = np.random.default_rng(11)
    n, steps = 17, 500
    settings = [Settings(ceiling_bpm=float(rng.integers(125, 150)), warm_up_s=float(rng.choice([0, 120])),
                         strictness=float(rng.uniform(0, 1))) for _ in range(n)]
    walk = np.cumsum(rng.normal(0, 1.2, (steps, n)), axis=0)
    bpm = np.round(np.clip(135 + walk - walk.mean(0), 60, 200))
    bpm[rng.random((steps, n)) < 0.05] = np.nan
    told = (5, 10)  # a pod's speed, missing now and then; the others are told none
    speed = np.full((steps, n), np.nan)
    speed[:, told] = 2.2 + 0.5 * np.sin(np.arange(steps) / 40)[:, None] + rng.normal(0, 0.1, (steps, 2))
    speed[rng.random((steps, n)) < 0.1] = np.nan
    together = Lanes(settings)
    alone = [Lanes(one) for one in settings]
    for k in range(steps):
        cues = together.step(float(k), bpm[k], speed_m_s=speed[k])
        for lane in range(0, n, 5):
            own = {"speed_m_s": speed[k, lane:lane + 1]} if lane in told else {}
            assert cues[lane] == alone[lane].step([float(k)], [bpm[k, lane]], **own)[0]
            assert together.reason(lane) == alone[lane].reason(0)
            assert together.core.numbers(lane) == alone[lane].core.numbers(0)
            assert together.level_bpm[lane].tobytes() == alone[lane].level_bpm[0].tobytes()


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: Lanes(Settings(), 2), "lane 0: ceiling_bpm is None"),
        (lambda: Lanes([BASE], 2), "1 settings for 2 lanes"),
        (lambda: Lanes(BASE, 2).step([0.0, np.nan], [130, 130]), "lane 1: t_s is nan"),
        (lambda: Lanes(BASE, 2).step([0.0, 0.0], [130, -1]), "lane 1: bpm is -1"),
        (lambda: Lanes(BASE, 2).step([0.0], [130, 130]), "t_s has shape"),
    ],
)
def test_wrong_use_names_lane_and_value(call, words):
    with pytest.raises(ValueError, match=words):
        call()


def test_time_must_increase():
    lanes = Lanes(BASE, 1)
    lanes.step([1.0], [130])
    with pytest.raises(ValueError, match="lane 0: t_s is 1 after 1"):
        lanes.step([1.0], [130])
