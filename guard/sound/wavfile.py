"""WAV in and out, as the one kind of sound the guard plays.

Everything played is int16 mono at 22,050 Hz; a file of another kind (the
runner's own phrases) is converted on the way in.
"""

import io
import wave
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from guard.errors import printable
from guard.sound.tones import RATE_HZ, Pcm

Samples = NDArray[np.float64]

MAX_LENGTH_S = 30.0  # a longer recording is no phrase (ours)
_WIDTHS = (1, 2, 3, 4)  # bytes a sample
_LOWEST_RATE_HZ, _HIGHEST_RATE_HZ = 4_000, 192_000  # that sound is recorded at (common practice)


class BadWav(ValueError):
    """The file is missing, torn, empty, silent or not a PCM WAV file."""


def read(path: Path) -> Pcm:
    """The sound in `path` as int16 mono at 22,050 Hz.

    Raises BadWav with the reason; a header that promises more than the file
    holds, silence and more than 30 s are such reasons.
    """
    try:
        with wave.open(str(path), "rb") as file:
            channels, width, rate = file.getnchannels(), file.getsampwidth(), file.getframerate()
            frames = file.getnframes()
            if not 1 <= channels <= 8 or not _LOWEST_RATE_HZ <= rate <= _HIGHEST_RATE_HZ:
                raise BadWav(f"{channels} channels at {rate} Hz")
            if width not in _WIDTHS:
                raise BadWav(f"samples of {width} bytes")
            if not 0 < frames <= MAX_LENGTH_S * rate:
                raise BadWav(f"{frames / rate:.1f} s long, but must be over 0 and up to {MAX_LENGTH_S:g} s")
            data = file.readframes(frames)
    except BadWav:
        raise
    # The library's reader meets a torn file with errors of several kinds.
    except (OSError, EOFError, RuntimeError, ValueError, wave.Error) as error:
        raise BadWav(printable(error) or "it ends too early") from None
    if len(data) != frames * channels * width:
        raise BadWav("it ends too early")
    samples: Samples = _samples(data, width).reshape(-1, channels).mean(axis=1)
    if rate != RATE_HZ:
        length = round(len(samples) * RATE_HZ / rate)
        samples = np.interp(np.arange(length) * (rate / RATE_HZ), np.arange(len(samples)), samples)
    if not len(samples) or np.abs(samples).max() < 0.001:
        raise BadWav("it is silent")
    sound: Pcm = np.round(np.clip(samples, -1, 1) * 32_767).astype(np.int16)
    return sound


def as_bytes(pcm: Pcm) -> bytes:
    """`pcm` as a whole WAV file."""
    buffer = io.BytesIO()
    with wave.open(buffer, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(RATE_HZ)
        file.writeframes(pcm.tobytes())
    return buffer.getvalue()


def _samples(data: bytes, width: int) -> Samples:
    """PCM bytes as numbers from -1 to 1; WAV keeps 8 bit unsigned, the rest signed."""
    raw = np.frombuffer(data, dtype=np.uint8)
    if width == 1:
        return (raw.astype(np.float64) - 128) / 128
    if width == 3:
        wide = np.zeros((len(raw) // 3, 4), dtype=np.uint8)
        wide[:, 1:] = raw.reshape(-1, 3)
        return wide.reshape(-1).view("<i4") / 2.0**31
    return raw.view(f"<i{width}") / 2.0 ** (8 * width - 1)
