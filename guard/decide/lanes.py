"""The decision core: n independent lanes stepped together, as tuning and the benchmark do.

`core.py` holds one step of it; `lane.py` steps a single guard; both give the same
bits. For coupling a runner model of your own::

    lanes = Lanes(Settings(ceiling_bpm=139), n=500)
    cues = lanes.step(t_s, bpm)          # arrays of 500; NaN where nothing came
"""

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from guard import reasons
from guard.decide.core import Core
from guard.decide.figures import FIGURES, Figures
from guard.settings import Settings
from guard.signal.kit_arrays import ARRAYS
from guard.signal.known import Known


class Lanes:
    """`n` guards stepped as one; every array has shape (n,).

    `settings` is one Settings for all lanes or a sequence of n; each needs a
    `ceiling_bpm`.
    """

    def __init__(
        self, settings: Settings | Sequence[Settings], n: int | None = None, figures: Figures = FIGURES
    ) -> None:
        if isinstance(settings, Settings):
            settings = [settings] * (1 if n is None else n)
        if n is not None and len(settings) != n:
            raise ValueError(f"{len(settings)} settings for {n} lanes: give one, or one a lane")
        if not settings:
            raise ValueError("0 lanes: give at least one")
        self.settings = tuple(settings)
        self.n = len(settings)
        self.core: Any = Core(ARRAYS, settings, figures)  # arrays in place of numbers (`signal/kit.py`)
        self._nobody = np.zeros(self.n, dtype=bool)

    def step(
        self,
        t_s: ArrayLike,
        bpm: ArrayLike,
        *,
        speed_m_s: ArrayLike | None = None,
        grade: ArrayLike | None = None,
        cadence_spm: ArrayLike | None = None,
        held: ArrayLike | None = None,
        alive: ArrayLike | None = None,
        unguarded_s: ArrayLike | None = None,
        interval_s: ArrayLike | None = None,
        heard_bpm: ArrayLike | None = None,
        locked: ArrayLike | None = None,
        load_ahead_m_s: ArrayLike | None = None,
        load_in_s: ArrayLike | None = None,
        unfelt: ArrayLike | None = None,
    ) -> NDArray[np.int64]:
        """Take what arrived at `t_s` (each lane's own time, strictly increasing).

        `bpm` is NaN where no reading arrived (0 counts as none). Returns codes
        of `Cue`, at most one a lane: the highest priority due, the others stay
        due. What `guard.signal.trust` knows beside: `alive` (the reading is itself
        proof of life; left out: every one is), `unguarded_s` since a trusted
        reading, the strap's `interval_s`, `heard_bpm` (what arrived, trusted or not),
        `locked` (it follows the steps), `unfelt` (believed by its beats, though the strap
        denies skin contact); left out they are told from the arrivals of
        `bpm`. `load_ahead_m_s` is a change of effort that is known to come in
        `load_in_s` (0: now; NaN: none), as a change of speed on the level: a belt's
        programme, a road. Raises ValueError naming lane and value.
        """
        known: Any = Known
        cues: NDArray[np.int64] = self.core.take(
            self._checked_time(t_s), self._checked_bpm(bpm),
            None if speed_m_s is None else self._floats("speed_m_s", speed_m_s),
            None if grade is None else self._floats("grade", grade),
            None if cadence_spm is None else self._floats("cadence_spm", cadence_spm),
            self._nobody if held is None else self._facts(held),
            known(None if alive is None else self._facts(alive),
                  None if unguarded_s is None else self._floats("unguarded_s", unguarded_s),
                  None if interval_s is None else self._floats("interval_s", interval_s),
                  None if heard_bpm is None else self._floats("heard_bpm", heard_bpm),
                  None if locked is None else self._facts(locked),
                  None if unfelt is None else self._facts(unfelt)),
            None if load_ahead_m_s is None or load_in_s is None else (
                self._floats("load_ahead_m_s", load_ahead_m_s), self._floats("load_in_s", load_in_s)))
        return cues

    @property
    def state(self) -> NDArray[np.int64]:
        """Codes of `State`."""
        return np.asarray(self.core.state)

    @property
    def level_bpm(self) -> NDArray[np.float64]:
        """The level believed in; NaN until there is one."""
        return np.asarray(self.core.belief.level_bpm)

    @property
    def ceiling_bpm(self) -> NDArray[np.float64]:
        """The ceilings in force."""
        return np.asarray(self.core.columns.ceiling_bpm)

    @property
    def advised_speed_m_s(self) -> NDArray[np.float64]:
        """The speed advised with the newest cue that asks for one; NaN where none is in force."""
        return np.asarray(self.core.advised_speed_m_s)

    def rule(self, lane: int) -> str:
        """What moved or cued lane `lane` in the last step, by name; "" if nothing did."""
        return str(self.core.rule(lane))

    def reason(self, lane: int) -> str:
        """Why lane `lane` changed state or was cued in the last step, in words; "" if it was not."""
        return reasons.why(self.core.rule(lane), self.core.numbers(lane))

    def _facts(self, values: ArrayLike) -> NDArray[np.bool_]:
        return np.broadcast_to(np.asarray(values, bool), (self.n,))

    def _floats(self, name: str, values: ArrayLike) -> NDArray[np.float64]:
        array: NDArray[np.float64] = np.asarray(values, float)
        if array.shape == (self.n,):
            return array
        if array.shape == ():
            return np.full(self.n, float(array))
        raise ValueError(f"{name} has shape {array.shape}, but must have one value a lane, {self.n}")

    def _checked_time(self, t_s: ArrayLike) -> NDArray[np.float64]:
        t = self._floats("t_s", t_s).copy()
        before = np.asarray(self.core.t_s)
        good = ~(t <= before) & np.isfinite(t)
        if np.count_nonzero(good) < self.n:
            lane = int(np.flatnonzero(~good)[0])
            raise ValueError(
                f"lane {lane}: t_s is {t[lane]:g} after {before[lane]:g}: it must be finite and increase")
        return t

    def _checked_bpm(self, bpm: ArrayLike) -> NDArray[np.float64]:
        readings = self._floats("bpm", bpm)
        wrong = (readings < 0.0) | np.isinf(readings)
        if np.count_nonzero(wrong):
            lane = int(np.flatnonzero(wrong)[0])
            raise ValueError(
                f"lane {lane}: bpm is {readings[lane]:g}: give a rate of 0 or more, or NaN for none")
        none = readings == 0.0
        if np.count_nonzero(none):
            readings = np.where(none, np.nan, readings)
        return readings
