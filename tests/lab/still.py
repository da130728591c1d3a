"""Stands in for the trust of the signal until it is upstream of the lanes."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

STILL_S = 10.0


class Trust:
    """Doubts only a value that stands still without RR intervals."""

    def __init__(self) -> None:
        self._last, self._since_s, self._beats = 0, 0.0, False

    def take(self, t_s: float, reading: Any) -> Any:
        """A namespace of bpm and alive."""
        moved = bool(reading.rr_s) or reading.bpm != self._last
        self._beats |= bool(reading.rr_s)
        if moved:
            self._since_s = t_s
        self._last = reading.bpm
        frozen = self._beats and t_s - self._since_s >= STILL_S
        return SimpleNamespace(bpm=float("nan") if frozen else float(reading.bpm), alive=moved)
