"""Tones: told apart by a detector that knows only their description, also in noise."""

from __future__ import annotations

import itertools
import threading

import numpy as np
import pytest

from guard.events import Cue
from guard.sound import tones
from guard.sound.backends import Sound
from guard.sound.worker_backend import WorkerBackend
from tests.support import tones_detector as detector
from tests.support.alsa import Capture, heard_sounds

__all__ = ["heard_sounds"]

SOUNDS = {**{cue.key: tones.tone(cue) for cue in tones.PATTERNS}, "guard_stopped": tones.stopped()}


def test_every_cue_has_a_pattern_and_the_detector_knows_it() -> None:
    assert set(tones.PATTERNS) == set(Cue) - {Cue.NONE}
    assert set(detector.PATTERNS) == set(SOUNDS)


def test_every_tone_is_heard_right_through_the_real_player(heard_sounds: Capture) -> None:
    # All at once, each by a player of its own: one after the other takes ten seconds.
    players = [WorkerBackend() for _ in SOUNDS]
    threads = [threading.Thread(target=player.play, args=(Sound(pcm),))
               for player, pcm in zip(players, SOUNDS.values(), strict=True)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=15)
    heard = {detector.recognised(sound.samples, sound.rate_hz): sound
             for sound in heard_sounds.wait_for(len(SOUNDS))}
    for player in players:
        player.close()
    assert set(heard) == set(SOUNDS)

    for key, notes in detector.PATTERNS.items():
        sound = heard[key]
        found = detector.pulses(sound.samples, sound.rate_hz, sound.length_s)
        assert len(found) == len(notes), key
        due_s = np.cumsum([0.0, *(length + gap for _, length, gap in notes[:-1])])
        onsets_s = np.array([onset for onset, _ in found])
        assert np.abs(onsets_s - onsets_s[0] - due_s).max() < 0.004, key
        for (onset, length), (frequency_hz, _, _) in zip(found, notes, strict=True):
            inside = slice(int(onset * sound.rate_hz), int((onset + length) * sound.rate_hz))
            assert detector.fundamental_hz(sound.samples[inside], sound.rate_hz) == pytest.approx(
                frequency_hz, abs=0.5), key


def _recognised_in_noise(seeds: range, signal_to_noise_db: float) -> float:
    right = 0
    for key, pcm in SOUNDS.items():
        tone = pcm / 32_768
        loudness = np.sqrt(np.mean(tone[tone != 0] ** 2))  # while it sounds
        for seed in seeds:
            sound = np.zeros(len(tone) + 8_000)
            begin = int(np.random.default_rng(seed).integers(0, 4_000))
            sound[begin:begin + len(tone)] = tone
            noise = detector.pink_noise(len(sound), 1_000 + seed)
            sound += loudness * 10 ** (-signal_to_noise_db / 20) * noise
            right += detector.recognised(sound) == key
    return right / (len(SOUNDS) * len(seeds))


def test_tones_are_recognised_in_pink_noise_as_loud_as_themselves() -> None:
    assert _recognised_in_noise(range(5), 0.0) >= 0.98


@pytest.mark.slow
@pytest.mark.parametrize("signal_to_noise_db", [0.0, -3.0])
def test_tones_are_recognised_in_noise_over_many_seeds(signal_to_noise_db: float) -> None:
    assert _recognised_in_noise(range(100), signal_to_noise_db) >= 0.98


@pytest.mark.parametrize("key", ["resume", "signal_back"])
def test_the_detector_hears_direction(key: str) -> None:
    """Played backwards, these are no longer themselves: the detector can say no."""
    assert detector.recognised(SOUNDS[key][::-1] / 32_768) != key


def test_patterns_differ_in_count_or_direction_not_only_in_pitch() -> None:
    shapes = {}
    for key, notes in detector.PATTERNS.items():
        steps = tuple(int(np.sign(after[0] - before[0])) for before, after in itertools.pairwise(notes))
        long_notes = tuple(length > 0.25 for length, *_ in (note[1:] for note in notes))
        shapes[key] = (steps, long_notes)
    assert len(set(shapes.values())) == len(shapes)


@pytest.mark.parametrize("pattern", [*tones.PATTERNS.values(), tones.STOPPED_PATTERN])
def test_pulses_keep_to_the_guide_for_alarm_pulses(pattern: tuple[tones.Pulse, ...]) -> None:
    """IEC 60601-1-8 (through secondary sources): 150-1000 Hz, four components in 300-4000 Hz."""
    for pulse in pattern:
        components = [pulse.frequency_hz * (n + 1) for n in range(len(tones.HARMONICS))]
        assert 150 <= pulse.frequency_hz <= 1_000
        assert sum(300 <= component <= 4_000 for component in components) >= 4


@pytest.mark.parametrize("volume", [0.0, 0.3, 1.0])
def test_loudness_follows_the_volume_and_edges_are_soft(volume: float) -> None:
    for pcm in (*(tones.tone(cue, volume) for cue in tones.PATTERNS), tones.tick(volume)):
        assert pcm.dtype == np.int16
        assert np.abs(pcm.astype(int)).max() <= tones.PEAK * 32_767 * volume + 1
        assert abs(int(pcm[0])) < 60 and abs(int(pcm[-1])) < 600
    assert np.abs(tones.tick(volume).astype(int)).max() < 0.5 * tones.PEAK * 32_767 * max(volume, 0.01)
