"""The decision's rules, each on heart rates made for it.

Runner responses are first order with the published constants (Hunt,
Fankhauser, Saengsuwan 2015: tau 57.6 s for small changes while running;
Zakynthinaki 2015 data: 19 to 23 s from rest to running, 22 to 40 s for a stop).
"""

from __future__ import annotations

import numpy as np
import pytest

from guard import Cue, Lanes, Settings, State
from guard.decide.columns import figures
from guard.decide.lane import Lane
from guard.reasons import why

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


def test_easing_that_works_ends_in_steady_without_another_sound():
    runner = OneRunner().run(200, 133)
    while not runner.cues:
        runner.run(1, 148)
    runner.run(8, 148)  # the slowest to react
    runner.run(200, 130)
    assert runner.kinds() == [Cue.EASE]
    assert runner.state is State.STEADY


def test_easing_that_does_not_work_becomes_walking_then_resuming():
    runner = OneRunner().run(200, 133)
    runner.run(260, 150)
    assert runner.kinds()[:1] == [Cue.EASE]
    assert Cue.WALK in runner.kinds()
    assert runner.state is State.WALKING
    heard = len(runner.cues)
    while runner.state is State.WALKING:
        runner.run(1, 118, 45)
    runner.run(60, 132)
    assert [cue for _, cue, _ in runner.cues[heard:]] == [Cue.RESUME]
    resumed = runner.cues[heard]
    assert resumed[2] == "resume" and "under the ceiling" in runner.why[heard]


def test_resume_waits_for_margin_and_settle():
    runner = OneRunner().run(200, 133)
    runner.run(260, 150)
    since = runner.t_s
    runner.run(240, 134, 30)  # five under is not yet the margin of eight
    assert Cue.RESUME not in runner.kinds(since)


def test_a_steep_climb_is_walked_at_once():
    runner = OneRunner().run(300, 132)
    runner.run(60, 185)
    assert runner.kinds()[0] is Cue.WALK or runner.kinds()[:2] == [Cue.EASE, Cue.WALK]
    assert Cue.WALK in runner.kinds()
    walked_s = next(t for t, cue, _ in runner.cues if cue is Cue.WALK)
    assert walked_s - 300 <= 40


def test_cues_are_spaced_and_repeats_limited():
    runner = OneRunner(noise_bpm=1.6).run(200, 133)
    runner.run(1200, 152)
    times = [t for t, _, _ in runner.cues]
    assert min(np.diff(times)) >= BASE.spacing_s
    for kind in (Cue.EASE, Cue.WALK):
        same = [t for t, cue, _ in runner.cues if cue is kind]
        assert len(same) < 2 or min(np.diff(same)) >= figures(BASE).repeat_s


def test_few_words_hold_back_easing_but_not_walking():
    tight = BASE.replaced({"words": 0.0, "spacing_s": 0.0, "walking": False})
    runner = OneRunner(tight).run(100, 133)
    runner.run(1800, 152)
    assert runner.kinds().count(Cue.EASE) <= 6  # a reserve of four, and about four an hour
    walks = OneRunner(tight.replaced({"walking": True})).run(100, 133)
    walks.run(1800, 152)
    assert walks.kinds().count(Cue.WALK) > 10


def test_warm_up_is_quiet_then_holds_only_the_level_to_its_ramp():
    settings = Settings(ceiling_bpm=139)
    quiet = OneRunner(settings, start_bpm=70).run(60, 150, 22)
    assert quiet.kinds() == []
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
    runner = OneRunner().run(200, 133)
    runner.run(260, 150)
    assert runner.state is State.WALKING
    since = runner.t_s
    runner.run(300, 100, 30, shown=lambda *_: None)
    assert Cue.RESUME not in runner.kinds(since)
    assert runner.state is State.NO_SIGNAL


@pytest.mark.parametrize("reading_bpm", [60, 75, 88, 96])
def test_a_slipped_electrode_while_walking_never_resumes(reading_bpm):
    runner = OneRunner(noise_bpm=1.0).run(200, 133)
    runner.run(260, 150)
    assert runner.state is State.WALKING
    since = runner.t_s
    rng = np.random.default_rng(3)
    runner.run(400, 140, 40, shown=lambda true, second: reading_bpm + round(rng.normal()))
    assert Cue.RESUME not in runner.kinds(since)
    assert Cue.SIGNAL_LOST in runner.kinds(since)
    runner.run(60, 138, 20)  # the strap is put right, still hard at work
    assert Cue.SIGNAL_BACK in runner.kinds(since)


def test_a_slip_while_running_is_no_signal_not_recovery():
    runner = OneRunner().run(300, 134)
    runner.run(60, 134, shown=lambda *_: 85)
    assert runner.state is State.NO_SIGNAL
    assert runner.kinds() == [Cue.SIGNAL_LOST]


@pytest.mark.parametrize("spike_bpm", [35, 80, 190, 229, 255, 20])
def test_spikes_move_nothing(spike_bpm):
    rng = np.random.default_rng(5)
    spiky = lambda true, second: spike_bpm if rng.random() < 0.05 else round(true + rng.normal() * 1.2)  # noqa: E731
    runner = OneRunner().run(200, 132)
    runner.run(3600, 132, shown=spiky)
    assert runner.kinds() == []


def test_a_rate_that_leaps_onto_the_step_rate_is_not_believed():
    runner = OneRunner(noise_bpm=1.0).run(300, 132, cadence_spm=166.0)
    rng = np.random.default_rng(2)
    runner.run(60, 132, shown=lambda *_: 166 + rng.integers(-1, 2), cadence_spm=166.0)
    assert Cue.EASE not in runner.kinds() and Cue.WALK not in runner.kinds()
    assert runner.kinds() == [Cue.SIGNAL_LOST]


def test_a_true_jump_is_believed_once_it_lasts():
    runner = OneRunner().run(60, 110)
    runner.run(30, 136, 0.1)
    assert abs(runner.lane.estimate.level_bpm - 136) < 2
    assert runner.state is State.STEADY


def test_pausing_holds_everything_and_going_on_starts_afresh():
    runner = OneRunner().run(200, 137)
    runner.run(100, 150, held=True)
    assert runner.state is State.HELD
    assert runner.kinds(200) == []
    runner.run(1, 150, held=False)
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


def test_a_missed_resume_is_said_once_more():
    runner = OneRunner().run(200, 133)
    runner.run(60, 170)  # a steep climb: walked at once
    assert runner.state is State.WALKING
    since = runner.t_s
    runner.run(400, 110, 60)
    assert runner.kinds(since).count(Cue.RESUME) == 2


def test_a_resume_is_not_repeated_on_a_strap_that_slips():
    """Half a minute after it the reading drops by 30 bpm: far more than walking on explains."""
    runner = OneRunner().run(200, 133)
    runner.run(60, 170)
    while Cue.RESUME not in runner.kinds():
        runner.run(1, 110, 60)
    since = runner.t_s + 1
    runner.run(20, 120, 60)
    runner.run(70, 85, 4)
    assert Cue.RESUME not in runner.kinds(since)


def test_walk_run_today_when_easing_changes_nothing():
    runner = OneRunner()
    runner.run(100, 133)
    for _ in range(3):
        while runner.state is not State.WALKING:
            runner.run(5, 152)  # the slowest jog, whatever is said
        while runner.state is State.WALKING:
            runner.run(5, 112, 40)
    assert next(rule for _, cue, rule in runner.cues if cue is Cue.WALK) == "eased_in_vain"
    assert any(rule == "walk_run" for _, _, rule in runner.cues)
    assert runner.kinds().count(Cue.EASE) <= 4  # not a loop of cues that cannot help


def test_pick_up_only_with_a_floor():
    assert OneRunner().run(900, 115).kinds() == []
    floor = OneRunner(BASE.replaced({"floor_bpm": 125.0})).run(900, 115)
    assert set(floor.kinds()) == {Cue.PICK_UP}


def test_a_learned_gain_and_a_known_speed_advise_the_speed_to_set():
    """Steady at 2.8 m/s and 145 bpm with 24 bpm per m/s: the speed at 137.5 is 2.49 m/s."""
    settings = BASE.replaced({"gain_bpm_per_m_s": 24.0, "belt": True})
    runner = OneRunner(settings, start_bpm=145).run(300, 145, speed_m_s=2.8, grade=0.0)
    advised = runner.lane.advised_speed_m_s
    assert advised == pytest.approx(2.8 - (145 - 137.5) / 24.0, abs=0.1 / 3.6 + 0.02)
    assert (advised * 3.6 / 0.1) == pytest.approx(round(advised * 3.6 / 0.1))


def test_lanes_do_not_touch_each_other():
    """The same lane alone and among many others: the same bits."""
    rng = np.random.default_rng(11)
    n, steps = 17, 500
    settings = [Settings(ceiling_bpm=float(rng.integers(125, 150)), warm_up_s=float(rng.choice([0, 120])),
                         strictness=float(rng.uniform(0, 1))) for _ in range(n)]
    walk = np.cumsum(rng.normal(0, 1.2, (steps, n)), axis=0)
    bpm = np.round(np.clip(135 + walk - walk.mean(0), 60, 200))
    bpm[rng.random((steps, n)) < 0.05] = np.nan
    together = Lanes(settings)
    alone = [Lanes(one) for one in settings]
    for k in range(steps):
        cues = together.step(float(k), bpm[k])
        for lane in range(0, n, 5):
            assert cues[lane] == alone[lane].step([float(k)], [bpm[k, lane]])[0]
            assert together.reason(lane) == alone[lane].reason(0)
            assert together.numbers(lane) == alone[lane].numbers(0)
            assert together.estimate.level_bpm[lane].tobytes() == alone[lane].estimate.level_bpm[0].tobytes()


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
