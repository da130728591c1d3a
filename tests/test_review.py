"""The figures of a review: against hand-made traces, the session's own totals and reference libraries."""

from __future__ import annotations

import json
import statistics
import time
from pathlib import Path

import numpy as np
import pytest

from guard import events as ev
from guard.cli import main
from guard.events import Cue, CueGiven, Numbers
from guard.log.log import read_log
from guard.plan.text import parse_plan
from guard.review import rr as review_rr
from guard.review import words
from guard.review.cues import Came, CueOutcome, outcomes
from guard.review.drift import drift
from guard.review.parts import by_part, whole
from guard.review.recovery import recoveries
from guard.review.review import review
from guard.review.rr import artefacts, gapless, rr_figures
from guard.settings import Settings
from tests.support.review import invented_beats, log_of_a_run, published_beats_ms, trace

RECORDINGS = sorted((Path(__file__).resolve().parent.parent / "recordings").glob("*.jsonl"))
CEILING = Settings(ceiling_bpm=139.0, warm_up_s=120.0)
PLAN = parse_plan("""
name = "short hills"
[[part]]
kind = "warm_up"
minutes = 3
[[part]]
kind = "climb"
name = "up"
minutes = 4
ceiling_bpm = 145
[[part]]
kind = "fast"
minutes = 2
[[part]]
kind = "cool_down"
minutes = 3
ceiling_bpm = 130
""", "plan", CEILING)


# -- time against the ceiling


def test_time_and_area_over_the_ceiling() -> None:
    """30 s at 4 bpm over are 2 bpm-minutes: arithmetic."""
    figures = whole(trace([130.0] * 60 + [144.0] * 30 + [np.nan] * 10))
    assert figures is not None
    assert (figures.at_or_under_s, figures.over_s, figures.no_signal_s) == (60, 30, 10)
    assert figures.over_bpm_min == pytest.approx(2.0)
    assert figures.share_under == pytest.approx(2 / 3)
    assert figures.mean_bpm == pytest.approx((60 * 130 + 30 * 144) / 90)
    assert figures.highest_bpm == 144 and figures.distance_m is None


def test_exactly_at_the_ceiling_is_under_and_a_pause_is_neither() -> None:
    figures = whole(trace([140.0] * 20 + [150.0] * 20, held=[False] * 20 + [True] * 20))
    assert figures is not None
    assert (figures.at_or_under_s, figures.over_s, figures.held_s) == (20, 0, 20)


def test_parts_are_counted_apart() -> None:
    first, second = by_part(trace([130.0] * 50 + [138.0] * 50, ceiling=[140.0] * 50 + [135.0] * 50,
                                  speed=2.5, part=[0] * 50 + [1] * 50))
    assert (first.name, first.over_s, first.distance_m) == ("part 1", 0, 125.0)
    assert (second.name, second.over_s, second.ceiling_bpm) == ("part 2", 50, (135.0, 135.0))


@pytest.mark.parametrize("plan", [None, PLAN], ids=["no plan", "plan"])
def test_the_totals_are_those_shown_at_the_end(tmp_path: Path, plan) -> None:
    recording = read_log(log_of_a_run(tmp_path / "run.jsonl", 800, CEILING, plan))
    found = review(recording, recording.settings)
    total, shown = found.whole, recording.summary
    assert total is not None and shown is not None
    for key in ("at_or_under_s", "over_s", "over_bpm_min", "no_signal_s", "held_s", "unguarded_s"):
        assert getattr(total, key) == pytest.approx(shown[key], abs=2e-3), key
        assert sum(getattr(part, key) for part in found.parts) == pytest.approx(shown[key], abs=2e-3), key
    assert total.over_s > 0 and total.held_s == 70
    assert dict(found.summary) == shown
    assert total.distance_m == pytest.approx(shown["distance_m"], abs=0.1)
    if plan:
        assert [part.name for part in found.parts] == ["warm-up", "up", "fast", "cool-down", "after the plan"]
        assert found.parts[2].unguarded_s > 0 and found.parts[2].over_s == 0
        assert dict(words.facts(found))["ceiling"].endswith(", warm-up limit 131 to 139 bpm")
    else:
        assert [(part.name, part.begin_s) for part in found.parts][:2] == [("warm-up", 0.0), ("run", 120.0)]


# -- after a cue


def after(level, cue: Cue, *later: CueGiven, **options) -> CueOutcome:
    return outcomes(trace(level, **options), [CueGiven(10.0, cue, "why"), *later])[0]


def test_ease_that_turns_and_comes_under() -> None:
    level = [*[138.0] * 10, *np.linspace(138, 144, 21), *np.linspace(144, 130, 71)[1:], *[130.0] * 100]
    found = after(level, Cue.EASE)
    assert found.turn_s == 20  # the peak
    assert found.peak_bpm == 144 and found.fell_bpm == 14
    assert found.under_s == 40  # falls 0.2 a second: 140 twenty seconds after the peak
    assert (found.ended_by, found.watched_s) == ("time", 180.0)


def test_ease_in_time_is_never_over() -> None:
    found = after([138.0] * 20 + [133.0] * 200, Cue.EASE)
    assert (found.turn_s, found.under_s, found.fell_bpm) == (9.0, 0.0, 5.0)


def test_noise_is_no_turn() -> None:
    """Steady readings scatter with an SD near 1.6 bpm; a fall of less than 2 bpm says nothing."""
    found = after([145.0, 144.0] * 60, Cue.EASE)
    assert found.turn_s is None and found.under_s is None


@pytest.mark.parametrize(("later", "options", "ended_by", "watched_s"), [
    ((CueGiven(60.0, Cue.WALK),), {}, "walk", 50),
    ((CueGiven(40.0, Cue.EASE), CueGiven(50.0, Cue.PART)), {}, "part", 40),
    ((), {"held": [False] * 30 + [True] * 200}, "pause", 20),
    ((CueGiven(60.0, Cue.SIGNAL_LOST),), {}, "time", 180),
])
def test_what_ends_the_watch(later, options, ended_by: str, watched_s: float) -> None:
    found = after([145.0] * 230, Cue.EASE, *later, **options)
    assert (found.ended_by, found.watched_s) == (ended_by, watched_s)


def test_the_watch_ends_with_the_signal_and_the_session() -> None:
    found = after([145.0] * 50 + [np.nan] * 60 + [120.0] * 100, Cue.WALK)
    assert found.ended_by == "no_signal" and found.watched_s == pytest.approx(39)
    assert found.turn_s is None  # what came back after the gap is not its doing
    assert after([145.0] * 50, Cue.WALK).ended_by == "end"


def test_resume_and_signal() -> None:
    level = [120.0] * 10 + list(np.linspace(120, 150, 61)) + [150.0] * 100
    found = after(level, Cue.RESUME)
    assert found.rose_bpm == 30 and found.over_s == 41 and found.turn_s is None
    assert after([130.0] * 10 + [np.nan] * 20 + [130.0] * 20, Cue.SIGNAL_LOST).back_s == 20
    assert after([130.0] * 10 + [np.nan] * 20, Cue.SIGNAL_LOST).back_s is None


EXPECTED = Numbers(ahead_s=30.0, with_bpm=138.0, without_bpm=146.0)


@pytest.mark.parametrize(("level_bpm", "came"), [
    (138.9, Came.WITH), (142.0, Came.WITH), (142.1, Came.WITHOUT), (147.9, Came.WITHOUT),
    (148.1, Came.HIGHER), (135.9, Came.LOWER)])
@pytest.mark.parametrize("cue", [Cue.EASE, Cue.WALK])
def test_a_cue_is_judged_by_what_it_expected(cue: Cue, level_bpm: float, came: Came) -> None:
    """Said at 10 s, 30 s ahead: the level at 40 s counts and no other."""
    level = [144.0] * 40 + [level_bpm] + [144.0] * 100
    found = outcomes(trace(level), [CueGiven(10.0, cue, "ease", EXPECTED)])[0]
    assert (found.came_bpm, found.came) == (level_bpm, came)
    assert {"came_bpm": level_bpm, "came": came.value}.items() <= found.as_dict().items()


def test_resume_is_judged_by_its_rise() -> None:
    """Told to run again it rises: with the cue is the higher of the two."""
    numbers = Numbers(ahead_s=30.0, with_bpm=132.0, without_bpm=118.0)
    said = [CueGiven(10.0, Cue.RESUME, "resume", numbers)]
    level = [120.0] * 10 + list(np.linspace(120, 133, 30)) + [133.0] * 60
    assert outcomes(trace(level), said)[0].came is Came.WITH
    assert outcomes(trace([120.0] * 100), said)[0].came is Came.WITHOUT
    close = [CueGiven(10.0, Cue.RESUME, "resume", Numbers(ahead_s=30.0, with_bpm=121.0, without_bpm=120.0))]
    assert outcomes(trace([120.0] * 100), close)[0].came is Came.EITHER


@pytest.mark.parametrize(("numbers", "later", "options"), [
    (Numbers(), (), {}),  # an older log: no expectation
    (Numbers(with_bpm=138.0, without_bpm=146.0), (), {}),  # nor when it is due
    (EXPECTED, (CueGiven(35.0, Cue.WALK),), {}),
    (EXPECTED, (CueGiven(35.0, Cue.EASE),), {}),  # a repeat brings its own expectation
    (EXPECTED, (), {"held": [False] * 30 + [True] * 90}),
])
def test_what_cannot_be_judged_is_not(numbers: Numbers, later, options) -> None:
    found = outcomes(trace([144.0] * 120, **options), [CueGiven(10.0, Cue.EASE, "ease", numbers), *later])[0]
    assert (found.came_bpm, found.came) == (None, None)
    assert outcomes(trace([144.0] * 30), [CueGiven(10.0, Cue.EASE, "ease", EXPECTED)])[0].came is None
    gone = trace([144.0] * 30 + [np.nan] * 20 + [144.0] * 60)
    assert outcomes(gone, [CueGiven(10.0, Cue.EASE, "ease", EXPECTED)])[0].came is None


def test_a_cue_after_the_last_step_has_no_outcome() -> None:
    assert after([130.0] * 5, Cue.EASE).ended_by == ""


# -- recovery


def falling(start_bpm: float, fall_bpm: float, tau_s: float, seconds: int) -> list[float]:
    return [start_bpm - fall_bpm * (1 - float(np.exp(-t / tau_s))) for t in range(seconds)]


def test_fall_in_the_minute_after_a_stop() -> None:
    """62 bpm after 60 s, as after a full stop from hard running (Zakynthinaki 2015, tau near 40 s)."""
    whole_fall = 62 / (1 - np.exp(-60 / 40))
    level = [170.0] * 100 + falling(170, whole_fall, 40, 120)
    speed = [3.5] * 100 + [0.0] * 120
    found, = recoveries(trace(level, speed=speed), [])
    assert (found.t_s, found.kind) == (100.0, "stop")
    assert found.fell_bpm == pytest.approx(62, abs=0.01)
    walked, = recoveries(trace(level, speed=[3.5] * 100 + [1.5] * 120), [])
    assert walked.kind == "walk"


def test_what_is_no_recovery() -> None:
    level = [150.0] * 100 + falling(150, 40, 40, 120)
    for speed in ([3.5] * 100 + [0.0] * 30 + [3.0] * 90,  # a traffic light
                  [1.5] * 60 + [3.5] * 40 + [0.0] * 120,  # hardly ran
                  [3.5] * 100 + [2.4] * 120):  # only slower
        assert recoveries(trace(level, speed=speed), []) == ()
    assert recoveries(trace(level[:130], speed=([3.5] * 100 + [0.0] * 30)), []) == ()  # no minute left


def test_recovery_without_speed() -> None:
    level = [150.0] * 100 + falling(150, 40, 40, 120)
    paused, = recoveries(trace(level, held=[False] * 100 + [True] * 120), [])
    assert paused.kind == "pause"
    walk = CueGiven(100.0, Cue.WALK)
    cued, = recoveries(trace(level), [walk])
    assert cued.kind == "walk_cue" and cued.fell_bpm == pytest.approx(40 * (1 - np.exp(-1.5)), abs=0.01)
    assert recoveries(trace(level), [walk, CueGiven(130.0, Cue.RESUME)]) == ()
    assert recoveries(trace(level), [walk], doubted_s=[200.0]) == ()  # a strap that slips looks like a fall
    assert recoveries(trace([150.0] * 100 + [151.0] * 120), [walk]) == ()  # it did not fall: nobody walked
    assert recoveries(trace(level, speed=3.0), [walk]) == ()  # speed says that nobody walked


# -- drift


def noisy(rng: np.random.Generator, seconds: int, rise_bpm: float) -> np.ndarray:
    """A run at one speed that rises by `rise_bpm` from half to half; noise with a memory of a minute."""
    keep = np.exp(-1 / 60)
    steps = rng.normal(0, 1.6 * np.sqrt(1 - keep * keep), seconds)
    noise = np.zeros(seconds)
    for place in range(1, seconds):
        noise[place] = keep * noise[place - 1] + steps[place]
    middle = 300 + (seconds - 300) / 2
    return 135 + np.where(np.arange(seconds) >= middle, rise_bpm, 0.0) + noise


def test_drift_is_found_within_its_error() -> None:
    rng = np.random.default_rng(5)
    inside = 0
    for _ in range(12):
        found = drift(trace(noisy(rng, 2700, 6.0), speed=2.6), 120)
        assert found.bpm is not None and found.error_bpm is not None and found.minutes >= 15
        inside += abs(found.bpm - 6.0) <= found.error_bpm
        assert 0.3 < found.error_bpm < 6.0
    assert inside >= 10  # 95 % of 12; fewer than 10 would happen once in fifty times


def test_unequal_speeds_pair_by_speed() -> None:
    """Faster in the first half on the whole; only the minutes at 2.6 m/s compare."""
    speed = np.array(([3.0] * 300 + [2.6] * 300) * 2 + [2.6] * 1500)
    level = 135 + 30.4 * (speed - 2.6) + np.where(np.arange(2700) > 1500, 5.0, 0.0)
    found = drift(trace(level, speed=speed), 120)
    assert found.bpm == pytest.approx(5.0, abs=0.1) and found.speed_m_s == pytest.approx(2.6)


def test_hills_count_by_effort() -> None:
    """3 m/s level and 2.479 m/s at +4.67 % are the same level speed (ACSM: speed x (1 + 4.5 grade))."""
    speed, grade = [3.0] * 1500 + [3.0 / 1.21] * 1500, [0.0] * 1500 + [0.21 / 4.5] * 1500
    assert drift(trace([140.0] * 3000, speed=speed, grade=grade), 120).bpm == pytest.approx(0, abs=1e-6)


@pytest.mark.parametrize(("speed", "seconds", "why"), [
    (None, 3000, "speed is not known"),
    (2.6, 600, "too short"),
    (np.where(np.arange(3000) < 1650, 2.4, 3.0), 3000, "0.6 m/s apart"),
    (2.6 + 0.4 * np.sin(np.arange(3000) / 15), 3000, "speed was steady for 0 min"),
    (1.4, 3000, "speed was steady for 0 min"),  # walked all the way
])
def test_drift_is_refused_where_it_cannot_be_known(speed, seconds: int, why: str) -> None:
    found = drift(trace([135.0] * seconds, speed=speed), 120)
    assert found.bpm is None and found.error_bpm is None
    assert ("2.2 km/h faster" if "apart" in why else why) in found.refusal


# -- RR intervals


def test_sdnn_and_rmssd_of_a_published_series() -> None:
    """pyhrv 0.5.0 gives 95.690 and 101.301 ms for its own sample series."""
    beats = np.array(published_beats_ms()) / 1000
    kept = [np.ones(len(beats), bool)]
    assert len(beats) == 337
    assert 1000 * review_rr.sdnn_s([beats], kept) == pytest.approx(95.690, abs=5e-4)
    assert 1000 * review_rr.rmssd_s([beats], kept) == pytest.approx(101.301, abs=5e-4)


# neurokit2 0.2.13 on `invented_beats` (its Lipponen and Tarvainen, one pass): places less one,
# as it counts beats where this counts intervals.
FOUND = {
    review_rr.UNEVEN: [21, 171, 321, 471],
    review_rr.MISSED: [58, 208, 358, 508],
    review_rr.EXTRA: [95, 245, 395, 545],
    review_rr.IMPLAUSIBLE: [20, 96, 133, 170, 246, 283, 320, 396, 433, 470, 546, 583],
}


def test_artefacts_are_those_a_reference_library_finds() -> None:
    codes = artefacts(np.array(invented_beats()))
    assert {code: np.flatnonzero(codes == code).tolist() for code in FOUND} == FOUND


def test_figures_without_the_artefacts() -> None:
    """Beside the statistics module, over what is left."""
    beats = invented_beats()
    times = np.cumsum(beats)
    found = rr_figures([ev.Reading(float(t), 130, True, (rr,)) for t, rr in zip(times, beats, strict=True)])
    bad = {place for places in FOUND.values() for place in places}
    good = [1000 * rr for place, rr in enumerate(beats) if place not in bad]
    steps = [1000 * (beats[place + 1] - beats[place]) for place in range(len(beats) - 1)
             if not {place, place + 1} & bad]
    assert found is not None and found.intervals == 608 and sum(found.artefacts.values()) == 24
    assert found.mean_ms == pytest.approx(statistics.fmean(good))
    assert found.sdnn_ms == pytest.approx(statistics.stdev(good))
    assert found.rmssd_ms == pytest.approx(statistics.fmean(step * step for step in steps) ** 0.5)


def test_artefacts_of_the_recordings_beside_the_library() -> None:
    fixpeaks = pytest.importorskip("neurokit2.signal.signal_fixpeaks", reason="neurokit2 is not installed")
    runs = [run for path in RECORDINGS
            for run in gapless(item for item in read_log(path).inputs if isinstance(item, ev.Reading))
            if len(run) >= review_rr.SHORTEST_RUN]
    assert len(runs) > len(RECORDINGS)
    for run in runs:
        theirs, _ = fixpeaks._find_artifacts(np.concatenate([[0], np.cumsum(run)]), sampling_rate=1)
        mine = artefacts(np.concatenate([[run.mean()], run]))
        assert {place for places in theirs.values() for place in places} == set(np.flatnonzero(mine))


def test_a_steady_heart_has_no_artefacts() -> None:
    """Intervals that differ by a step of the strap's clock (1/1024 s) are no artefacts."""
    beats = np.full(300, 450 / 1024) + (np.arange(300) % 17 == 0) / 1024
    assert not artefacts(beats).any()
    assert not artefacts(np.full(300, 0.45)).any()


def test_lost_packets_cut_the_series() -> None:
    readings = [ev.Reading(float(t), 120, True, (0.5, 0.5)) for t in range(200) if not 100 <= t < 110]
    assert [len(run) for run in gapless(readings)] == [200, 180]
    no_skin = [ev.Reading(float(t), 120, not 50 <= t < 60, (0.5, 0.5)) for t in range(200)]
    assert sum(len(run) for run in gapless(no_skin)) <= 380
    doubted = frozenset(float(t) for t in range(50, 60))
    assert sum(len(run) for run in gapless(readings, doubted)) == 360


def test_rr_is_refused_where_too_little_is_left() -> None:
    assert rr_figures([ev.Reading(1.0, 120)]) is None
    few = rr_figures([ev.Reading(float(t), 120, None, (0.5, 0.5)) for t in range(20)])
    assert few is not None and few.sdnn_ms is None and "fewer than 60" in few.refusal
    wild = [0.5 if beat % 3 else 1.1 - 0.3 * (beat % 2) for beat in range(300)]
    times = np.cumsum(wild)
    many = rr_figures([ev.Reading(float(t), 120, None, (rr,)) for t, rr in zip(times, wild, strict=True)])
    assert many is not None and (many.sdnn_ms is None) == (sum(many.artefacts.values()) > 60)


# -- whole sessions


def test_signal_figures(tmp_path: Path) -> None:
    found = review(read_log(log_of_a_run(tmp_path / "run.jsonl", 800, CEILING)), CEILING).signal
    assert found.readings == 779 and found.trusted_share > 0.99 and found.every_s == 1.0
    assert found.longest_gap_s == pytest.approx(20, abs=4) and found.no_signal_s >= found.longest_gap_s
    assert found.battery_percent is None and found.links_lost == 0


@pytest.mark.parametrize("path", RECORDINGS, ids=lambda path: path.stem)
def test_the_recordings_are_reviewed(path: Path) -> None:
    recording = read_log(path)
    found = review(recording, recording.settings)
    assert found.invented and found.whole is not None
    assert [cue.t_s for cue in found.cues] == [
        item.t_s for item in recording.outputs if isinstance(item, CueGiven)]
    document = json.loads(json.dumps(found.as_dict(), allow_nan=False))
    assert document["format"] == 1 and len(document["cues"]) == len(found.cues)


def test_an_import_is_reviewed_with_what_would_have_been_said(tmp_path: Path) -> None:
    recording = read_log(log_of_a_run(tmp_path / "i.jsonl", 800, CEILING, said=False, speed=False))
    found = review(recording, CEILING)
    assert not found.said and found.cues and found.signal.readings == 779
    assert any("never heard" in remark for remark in found.remarks)
    assert not any(one.kind == "walk_cue" for one in found.recoveries)  # nobody was told to walk
    assert found.drift.refusal == "speed is not known in this session"


def test_other_settings_and_other_versions_are_said(tmp_path: Path) -> None:
    path = log_of_a_run(tmp_path / "run.jsonl", 400, CEILING)
    recording = read_log(path)
    higher = review(recording, CEILING.replaced({"ceiling_bpm": 150.0}))
    assert higher.whole is not None and higher.whole.over_s == 0
    assert any("other settings" in remark for remark in higher.remarks)
    lines = path.read_text().splitlines()
    end = json.loads(lines[-1])
    end["summary"]["over_s"] += 60
    path.write_text("\n".join([*lines[:-1], json.dumps(end)]) + "\n")
    found = review(read_log(path), CEILING)
    assert any("this version of the guard counts" in remark for remark in found.remarks)


@pytest.mark.parametrize("seconds", [1, 2, 10])
def test_a_session_of_seconds(tmp_path: Path, seconds: int) -> None:
    found = review(read_log(log_of_a_run(tmp_path / "run.jsonl", seconds, CEILING)), CEILING)
    assert found.cues == () and found.drift.bpm is None
    assert found.drift.refusal.startswith("the session is too short" if seconds > 1 else "speed is not known")


def test_a_torn_log_and_one_with_only_its_first_line(tmp_path: Path) -> None:
    whole_log = log_of_a_run(tmp_path / "run.jsonl", 500, CEILING).read_bytes()
    torn, bare = tmp_path / "torn.jsonl", tmp_path / "bare.jsonl"
    torn.write_bytes(whole_log[:len(whole_log) // 2])
    bare.write_bytes(whole_log[:whole_log.index(b"\n") + 1])
    found = review(read_log(torn), CEILING)
    assert found.whole is not None and found.duration_s > 200
    assert any("breaks off" in remark for remark in found.remarks)
    assert review(read_log(bare), CEILING).whole is None
    json.dumps(review(read_log(bare), CEILING).as_dict(), allow_nan=False)


def test_an_hour_is_reviewed_quickly(tmp_path: Path, capsys) -> None:
    """The command but for Python's start takes half a second of a core; a busy machine gets some slack."""
    path = log_of_a_run(tmp_path / "hour.jsonl", 3600, CEILING, said=False)
    began_s = time.process_time()
    assert main(["review", str(path)]) == 0
    assert time.process_time() - began_s < 3.0
