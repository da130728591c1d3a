"""Says which cue a sound begins with, from its spectrum and rhythm.

Written apart from the code that makes the tones: the patterns are typed here
again from their description, and nothing of the guard is imported.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.fft import next_fast_len, rfft
from scipy.ndimage import percentile_filter
from scipy.signal import resample_poly
from scipy.signal.windows import hann

Samples = NDArray[np.float64]

RATE_HZ = 22_050
HARMONICS = (1.0, 0.6, 0.4, 0.3, 0.2)

# (fundamental in Hz, length in s, silence after it in s)
PATTERNS: dict[str, list[tuple[float, float, float]]] = {
    "ease": [(740, 0.18, 0.06), (494, 0.30, 0)],
    "walk": [(880, 0.1, 0.07), (880, 0.1, 0.07), (880, 0.1, 0.22), (880, 0.1, 0.07), (880, 0.1, 0)],
    "resume": [(440, 0.12, 0.05), (554, 0.12, 0.05), (659, 0.24, 0)],
    "stop": [(988, 0.11, 0.03), (622, 0.11, 0.03)] * 4,
    "signal_lost": [(220, 0.26, 0.16), (220, 0.26, 0)],
    "signal_back": [(220, 0.16, 0.06), (440, 0.28, 0)],
    "battery_low": [(330, 0.09, 0.08), (330, 0.09, 0.08), (330, 0.45, 0)],
    "part": [(587, 0.12, 0.12), (587, 0.12, 0)],
    "pick_up": [(523, 0.08, 0.04), (587, 0.08, 0.04), (659, 0.08, 0.04), (784, 0.12, 0)],
    "guard_stopped": [(392, 0.30, 0.08), (294, 0.30, 0.08), (196, 0.45, 0)],
}

_WINDOW = 512
_HOP = 256
_SHIFTS = int(0.3 * RATE_HZ / _HOP)  # the pattern may begin up to 0.3 s into the sound
_LOWEST_HZ, _HIGHEST_HZ = 150.0, 5_000.0


def recognised(samples: Samples, rate_hz: int = RATE_HZ) -> str:
    """Key of the pattern that fits the beginning of the sound best."""
    heard = _picture(_at_our_rate(samples, rate_hz))
    keys, templates = _templates()
    frames = templates.shape[1] // len(heard)
    heard = np.pad(heard, ((0, 0), (0, max(0, frames + _SHIFTS - heard.shape[1]))))
    views = np.stack([heard[:, shift:shift + frames].reshape(-1) for shift in range(_SHIFTS)])
    fits = _normalised(views) @ templates.T
    return keys[int(np.argmax(fits.max(axis=0)))]


def pulses(samples: Samples, rate_hz: int, until_s: float) -> list[tuple[float, float]]:
    """Onset and length, s, of each burst of a clean sound in its first `until_s`."""
    length = max(int(0.008 * rate_hz), 1)
    level = np.sqrt(np.convolve(samples[:int(until_s * rate_hz)] ** 2, np.ones(length) / length, "same"))
    on = np.concatenate([[False], level > 0.15 * level.max(), [False]])
    starts, ends = np.flatnonzero(on[1:] & ~on[:-1]), np.flatnonzero(~on[1:] & on[:-1])
    return [(start / rate_hz, (end - start) / rate_hz) for start, end in zip(starts, ends, strict=True)]


def fundamental_hz(samples: Samples, rate_hz: int) -> float:
    """Fundamental of one steady pulse, by a parabola through the peak of a long transform."""
    size = 1 << 18
    spectrum = np.log(np.abs(np.fft.rfft(samples * hann(len(samples)), size)) + 1e-12)
    low, high = int(150 / rate_hz * size), int(1_050 / rate_hz * size)
    peak = low + int(np.argmax(spectrum[low:high]))
    before, top, after = spectrum[peak - 1:peak + 2]
    return float((peak + 0.5 * (before - after) / (before - 2 * top + after)) * rate_hz / size)


def pink_noise(length: int, seed: int) -> Samples:
    """Noise whose power falls by 3 dB an octave, root mean square 1, from 20 Hz up."""
    random = np.random.default_rng(seed)
    size = next_fast_len(length)
    frequency = np.fft.rfftfreq(size, 1 / RATE_HZ)
    spectrum = random.normal(size=len(frequency)) + 1j * random.normal(size=len(frequency))
    spectrum[frequency < 20] = 0
    spectrum[frequency >= 20] /= np.sqrt(frequency[frequency >= 20])
    noise = np.fft.irfft(spectrum, size)[:length]
    return np.asarray(noise / np.sqrt(np.mean(noise**2)))


def _picture(samples: Samples) -> Samples:
    """Compressed spectrogram, frequency × time, each frequency against the quiet near it."""
    padded = np.pad(samples, _WINDOW // 2).astype(np.float32)
    frames = np.lib.stride_tricks.sliding_window_view(padded, _WINDOW)[::_HOP]
    frequency = np.fft.rfftfreq(_WINDOW, 1 / RATE_HZ)
    heard = (frequency >= _LOWEST_HZ) & (frequency <= _HIGHEST_HZ)
    power = np.abs(rfft(frames * hann(_WINDOW).astype(np.float32), axis=1).T[heard]) ** 2
    # Between two harmonics it is quiet even where one note sounds most of the time.
    floor = percentile_filter(np.quantile(power, 0.3, axis=1), 30, size=9) + 1e-5 * power.max()
    return np.asarray(np.log1p(power / floor[:, None]))


def _normalised(rows: Samples) -> Samples:
    rows = rows - rows.mean(axis=1, keepdims=True)
    return np.asarray(rows / (np.sqrt((rows**2).sum(axis=1, keepdims=True)) + 1e-12))


@cache
def _templates() -> tuple[list[str], Samples]:
    """Keys, and a picture of each pattern as a row; all as long as the longest."""
    longest = max(sum(length + gap for _, length, gap in notes) for notes in PATTERNS.values())
    # A long quiet tail, so that no frequency sounds most of the time.
    length, kept = int(3 * longest * RATE_HZ), int(longest * RATE_HZ / _HOP)
    rows = []
    for notes in PATTERNS.values():
        sound = _ideal(notes)
        padded = np.zeros(length)
        padded[:len(sound)] = sound
        rows.append(_picture(padded + 0.3 * pink_noise(length, 0))[:, :kept].reshape(-1))
    return list(PATTERNS), _normalised(np.stack(rows))


def _ideal(notes: list[tuple[float, float, float]]) -> Samples:
    pieces = []
    for frequency_hz, length_s, gap_s in notes:
        t_s = np.arange(int(length_s * RATE_HZ)) / RATE_HZ
        pieces.append(sum((weight * np.sin(2 * np.pi * frequency_hz * (n + 1) * t_s)
                           for n, weight in enumerate(HARMONICS)), np.zeros_like(t_s)))
        pieces.append(np.zeros(int(gap_s * RATE_HZ)))
    return np.concatenate(pieces)


def _at_our_rate(samples: Samples, rate_hz: int) -> Samples:
    return samples if rate_hz == RATE_HZ else np.asarray(resample_poly(samples, RATE_HZ, rate_hz))
