"""One guard, stepped with plain numbers."""

import math

from guard.decide.belief import NAN
from guard.decide.core import Core
from guard.decide.figures import FIGURES, Figures
from guard.events import Cue
from guard.settings import Settings
from guard.signal.kit import SINGLE
from guard.signal.known import NOTHING_MORE, Known


class Lane(Core):
    """One guard, stepped with plain numbers: the lone lane of a live session."""

    def __init__(self, settings: Settings, figures: Figures = FIGURES) -> None:
        super().__init__(SINGLE, [settings], figures)

    def step(
        self,
        t_s: float,
        bpm: float,
        *,
        speed_m_s: float | None = None,
        grade: float | None = None,
        cadence_spm: float | None = None,
        held: bool = False,
        known: Known = NOTHING_MORE,
        load: tuple[float, float] | None = None,
    ) -> Cue:
        """As `Lanes.step`, for one lane; `load` is the change and its time. Raises ValueError."""
        if not (math.isfinite(t_s) and not t_s <= self.t_s):
            raise ValueError(f"lane 0: t_s is {t_s:g} after {self.t_s:g}: it must be finite and increase")
        if bpm < 0.0 or math.isinf(bpm):
            raise ValueError(f"lane 0: bpm is {bpm:g}: give a rate of 0 or more, or NaN for none")
        return Cue(int(self.take(
            float(t_s), float(bpm) if bpm else NAN, speed_m_s, grade, cadence_spm, held, known,
            load)))
