"""Tone patterns: one a cue, told apart by rhythm and direction alone.

In loud surroundings no speech is understood, so each pattern must carry its
meaning by itself:

=============  =============================  ==================================
cue            pattern                        why
=============  =============================  ==================================
ease           two notes falling              falling pitch reads as "less"; slow
                                              and few pulses: low urgency [1]
walk           3 + 2 quick high pulses        grouped fast bursts are the usual
                                              shape of a pressing alarm [2]
run again      three notes rising             rising pitch reads as "more"
                                              (common practice)
stop           eight high-low alternations    fastest, longest, most repeated:
                                              most urgent [1]
signal lost    two low notes, equal           low register: about the equipment,
                                              not the effort (common practice)
signal back    low note, then its octave      answers "signal lost" upward
battery low    short, short, long, low        low register again; own rhythm
part           two equal middle knocks        neutral: no direction
faster         four quick notes rising        like run again, quicker
guard stopped  three long notes falling low   a closing cadence (common practice)
tick           one soft click                 all is well
=============  =============================  ==================================

[1] Edworthy, Loxley & Dennis 1991, Human Factors 33(2):205-231: perceived
urgency rises with pulse rate, pitch and repetition (cited from memory).
[2] Inspired by IEC 60601-1-8 (through secondary sources): pulse fundamentals of
150 to 1000 Hz with at least four components within 300 to 4000 Hz, and a 3 + 2
burst for the highest priority. Inspired by it, in no way compliant with it.

Each pulse is a fundamental and four harmonics, with raised-cosine ramps
against clicks.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from guard.events import Cue

RATE_HZ = 22_050  # as the voice renders
PEAK = 0.7  # of full scale
RAMP_S = 0.012  # against clicks
HARMONICS = (1.0, 0.6, 0.4, 0.3, 0.2)  # fundamental and four, falling

Pcm = NDArray[np.int16]


@dataclass(frozen=True, slots=True)
class Pulse:
    """One note: fundamental, length, and the silence after it."""

    frequency_hz: float
    length_s: float
    gap_s: float = 0.0


def _burst(frequency_hz: float, count: int, length_s: float, gap_s: float, last_gap_s: float = 0.0
           ) -> tuple[Pulse, ...]:
    inner = (Pulse(frequency_hz, length_s, gap_s),) * (count - 1)
    return (*inner, Pulse(frequency_hz, length_s, last_gap_s))


PATTERNS: dict[Cue, tuple[Pulse, ...]] = {
    Cue.EASE: (Pulse(740, 0.18, 0.06), Pulse(494, 0.30)),
    Cue.WALK: (*_burst(880, 3, 0.10, 0.07, 0.22), *_burst(880, 2, 0.10, 0.07)),
    Cue.RESUME: (Pulse(440, 0.12, 0.05), Pulse(554, 0.12, 0.05), Pulse(659, 0.24)),
    Cue.STOP: (Pulse(988, 0.11, 0.03), Pulse(622, 0.11, 0.03)) * 4,
    Cue.SIGNAL_LOST: _burst(220, 2, 0.26, 0.16),
    Cue.SIGNAL_BACK: (Pulse(220, 0.16, 0.06), Pulse(440, 0.28)),
    Cue.BATTERY_LOW: (*_burst(330, 2, 0.09, 0.08, 0.08), Pulse(330, 0.45)),
    Cue.PART: _burst(587, 2, 0.12, 0.12),
    Cue.PICK_UP: (Pulse(523, 0.08, 0.04), Pulse(587, 0.08, 0.04), Pulse(659, 0.08, 0.04), Pulse(784, 0.12)),
}
STOPPED_PATTERN: tuple[Pulse, ...] = (Pulse(392, 0.30, 0.08), Pulse(294, 0.30, 0.08), Pulse(196, 0.45))
_TICK = Pulse(1000, 0.04)  # one soft click
_TICK_LOUDNESS = 0.35  # of a cue's
TONE_TO_SPEECH = round(0.08 * RATE_HZ)  # samples


def tone(cue: Cue, volume: float = 1.0) -> Pcm:
    """The pattern of `cue`: int16 mono at 22,050 Hz, peak 0.7 × `volume` (0 to 1).

    Raises KeyError for `Cue.NONE`, which has no sound.
    """
    return scaled(_rendered(PATTERNS[cue]), volume)


def stopped(volume: float = 1.0) -> Pcm:
    """The pattern that says the guard itself has stopped."""
    return scaled(_rendered(STOPPED_PATTERN), volume)


def tick(volume: float = 1.0) -> Pcm:
    """One soft click: all is well."""
    return scaled(_rendered((_TICK,)), volume * _TICK_LOUDNESS)


def silence(length_s: float) -> Pcm:
    """Nothing, for `length_s`."""
    return np.zeros(round(length_s * RATE_HZ), dtype=np.int16)


def with_speech(tone: Pcm, speech: Pcm | None, volume: float) -> Pcm:
    """`tone`, and where there are words, those after a short gap at `volume`."""
    if speech is None:
        return tone
    return np.concatenate([tone, np.zeros(TONE_TO_SPEECH, np.int16), scaled(speech, volume)])


def scaled(pcm: Pcm, volume: float) -> Pcm:
    """`pcm` at `volume` (0 to 1) of its loudness."""
    return np.round(pcm * volume).astype(np.int16)


@lru_cache(maxsize=32)
def _rendered(pattern: tuple[Pulse, ...]) -> Pcm:
    pieces = [piece for pulse in pattern for piece in (_pulse(pulse), silence(pulse.gap_s))]
    wave = np.concatenate(pieces)
    wave.setflags(write=False)
    return wave


def _pulse(pulse: Pulse) -> Pcm:
    t_s = np.arange(round(pulse.length_s * RATE_HZ)) / RATE_HZ
    wave = np.zeros_like(t_s)
    for number, weight in enumerate(HARMONICS, start=1):
        wave += weight * np.sin(2 * np.pi * pulse.frequency_hz * number * t_s)
    wave *= PEAK / np.abs(wave).max()
    until_edge_s = np.minimum(t_s, t_s[-1] - t_s)
    wave *= 0.5 - 0.5 * np.cos(np.pi * np.clip(until_edge_s / RAMP_S, 0, 1))
    return np.round(wave * 32_767).astype(np.int16)
