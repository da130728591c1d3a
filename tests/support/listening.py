"""An independent listener for spoken phrases: noises to mix in, and a recogniser that knows no guard.

The recogniser is pocketsphinx with its own acoustic model and a grammar: the
phrases in question, near misses of them, and other things said on a run.
"""

from __future__ import annotations

import functools
from collections.abc import Iterable

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter
from scipy.signal import butter, istft, resample_poly, sosfilt, stft

from tests.support.tones_detector import RATE_HZ, Samples, pink_noise

LISTENER_RATE_HZ = 16_000  # what the acoustic model was trained on

# Near misses, opposites and small talk: what a phrase could be taken for.
DISTRACTORS = (
    "run now", "walk on", "speed up please", "go faster please", "keep running", "keep going please",
    "run a little faster", "you may stop now", "you must run again", "belt up", "belt up please",
    "belt up to running pace", "speed the belt please", "running pace now", "talking place now",
    "sensor found", "center lost", "sensor battery is full", "the last part ends now", "guard started",
    "guard is well", "all is lost", "turn left here", "turn right here", "drink some water",
    "show down please", "hold on please", "longer faster steps", "thank you very much",
)


class Listener:
    """Understands one of `phrases` (or a distractor) in a sound at 22,050 Hz."""

    def __init__(self, phrases: Iterable[str]) -> None:
        pocketsphinx = pytest.importorskip("pocketsphinx")
        self.phrases = tuple(dict.fromkeys(phrases))
        said = dict.fromkeys(_plain(text) for text in (*self.phrases, *DISTRACTORS))
        self._decoder = pocketsphinx.Decoder(samprate=LISTENER_RATE_HZ, lm=None, loglevel="FATAL")
        unknown = {word for text in said for word in text.split()
                   if self._decoder.lookup_word(word) is None}
        assert not unknown, f"the recogniser's dictionary lacks {unknown}"
        grammar = f"#JSGF V1.0;\ngrammar run;\npublic <run> = {' | '.join(said)};\n"
        self._decoder.add_jsgf_string("run", grammar)
        self._decoder.activate_search("run")
        self._text = {_plain(text): text for text in self.phrases}

    def understood(self, sound: Samples, after_s: float = 0.0) -> str:
        """The phrase heard; a distractor in its own words; empty when nothing was.

        `after_s` is where a tone ends: the recogniser knows speech only and
        takes a tone for vowels.
        """
        heard = resample_poly(_less_noise(sound)[round(after_s * RATE_HZ):], LISTENER_RATE_HZ, RATE_HZ)
        pcm = np.round(np.clip(heard, -1, 1) * 32_767).astype("<i2").tobytes()
        self._decoder.start_utt()
        self._decoder.process_raw(pcm, full_utt=True)
        self._decoder.end_utt()
        best = self._decoder.hyp()
        text = best.hypstr if best else ""
        return self._text.get(text, text)


def mixed(tone: NDArray[np.int16], speech: NDArray[np.int16], noise_name: str, signal_to_noise_db: float,
          seed: int) -> tuple[Samples, float]:
    """Tone, short gap and speech in noise, at half loudness, and where the tone ends in it, s.

    The noise begins before and ends after them. The ratio is that of the
    speech's root mean square, pauses left out, to the noise's, over the whole band.
    """
    words = speech / 32_768
    loud = words[np.abs(words) > 0.01]
    level = float(np.sqrt(np.mean(loud**2)))
    around = np.random.default_rng(seed).integers(6_000, 12_000, 2)
    clean = np.concatenate([np.zeros(around[0]), tone / 32_768, np.zeros(round(0.08 * RATE_HZ)),
                            words, np.zeros(around[1])])
    noise = NOISES[noise_name](len(clean), seed)
    mix = clean + level * 10 ** (-signal_to_noise_db / 20) * noise
    return np.asarray(0.5 * mix), (around[0] + len(tone)) / RATE_HZ


def treadmill_noise(length: int, seed: int) -> Samples:
    """Noise like a treadmill's, root mean square 1: motor, belt and footfalls of our own making.

    A motor hum near 100 Hz with harmonics, broad belt rush falling 6 dB an
    octave above 500 Hz, and about 2.7 footfalls a second (common practice: 160
    steps a minute), each a low thump with a slap. Shares of power 0.2, 0.5, 0.3.
    """
    random = np.random.default_rng(seed)
    t_s = np.arange(length) / RATE_HZ
    hum_hz = random.uniform(90, 115)
    hum = sum((np.sin(2 * np.pi * hum_hz * n * t_s + random.uniform(0, 6.28)) / n for n in range(1, 9)),
              np.zeros(length))
    rush = sosfilt(butter(1, 500, fs=RATE_HZ, output="sos"), random.normal(size=length))
    steps = np.zeros(length)
    tail_s = np.arange(round(0.15 * RATE_HZ)) / RATE_HZ
    at_s = random.uniform(0, 0.37)
    while at_s < length / RATE_HZ:
        slap = random.normal(size=len(tail_s)) * np.exp(-tail_s / 0.012)
        blow = np.sin(2 * np.pi * 70 * tail_s) * np.exp(-tail_s / 0.05) * 2 + slap
        begin = int(at_s * RATE_HZ)
        steps[begin:begin + len(blow)] += blow[:length - begin]
        at_s += random.normal(0.37, 0.015)
    parts = ((hum, 0.2), (rush, 0.5), (steps, 0.3))
    noise = sum((np.sqrt(share) * _unit(part) for part, share in parts), np.zeros(length))
    return _unit(noise)


def _less_noise(sound: Samples) -> Samples:
    """`sound` without most of its steady noise, as its first quarter second tells it.

    Spectral subtraction of power, twice over, with a floor of 0.3 (Boll 1979,
    IEEE Trans. ASSP 27(2):113-120; over-subtraction and floor after Berouti and
    others, ICASSP 1979; both from memory). Ears do as much by themselves; the
    recogniser was trained on quiet rooms.
    """
    kind = {"fs": RATE_HZ, "nperseg": 512, "noverlap": 384}
    _, _, spectrum = stft(sound, **kind)
    power = np.abs(spectrum) ** 2
    steady = power[:, :round(0.25 * RATE_HZ / 128)].mean(axis=1, keepdims=True)
    left = 1 - 2 * steady / np.maximum(uniform_filter(power, (1, 3)), 1e-15)
    return np.asarray(istft(spectrum * np.sqrt(np.maximum(left, 0.09)), **kind)[1])


NOISES = {"pink": pink_noise, "treadmill": treadmill_noise}


@functools.cache
def _plain(text: str) -> str:
    return " ".join(text.replace(",", " ").replace("-", " ").split())


def _unit(samples: Samples) -> Samples:
    return np.asarray(samples / np.sqrt(np.mean(samples**2)))
