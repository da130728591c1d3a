"""How good the signal was; pure."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from guard.arrays import runs
from guard.events import Battery, Input, Link, LinkState, Reading, ReadingDoubted
from guard.review.trace import Trace


@dataclass(frozen=True)
class Signal:
    """`doubted` counts readings not believed by `Doubt` (by its words where a log tells no more).

    `longest_gap_s` and `no_signal_s` are times without a trusted heart rate
    (paused time left out), `every_s` the usual time between readings.
    """

    readings: int
    doubted: dict[str, int]
    every_s: float | None
    no_signal_s: float
    longest_gap_s: float
    gaps: int
    links_lost: int
    no_contact: int
    battery_percent: tuple[int, int] | None  # first and last

    @property
    def trusted_share(self) -> float | None:
        """Share (0 to 1) of the readings that were believed."""
        return 1.0 - sum(self.doubted.values()) / self.readings if self.readings else None


def signal(trace: Trace, inputs: Sequence[Input], doubts: Sequence[ReadingDoubted]) -> Signal:
    """Figures of the signal over the whole session."""
    readings = [event for event in inputs if isinstance(event, Reading)]
    times = np.array([reading.t_s for reading in readings])
    batteries = [event.percent for event in inputs if isinstance(event, Battery)]
    silent = np.isnan(trace.level_bpm) & ~trace.held
    gaps = [float(trace.dt_s[begin:end].sum()) for begin, end in zip(*runs(silent), strict=True)]
    links = [event.state for event in inputs if isinstance(event, Link)]
    return Signal(
        readings=len(readings),
        doubted=dict(Counter(doubt.doubt or doubt.logged_words for doubt in doubts).most_common()),
        every_s=float(np.median(np.diff(times))) if len(times) > 1 else None,
        no_signal_s=sum(gaps), longest_gap_s=max(gaps, default=0.0), gaps=len(gaps),
        links_lost=links.count(LinkState.LOST),
        no_contact=sum(reading.contact is False for reading in readings),
        battery_percent=(batteries[0], batteries[-1]) if batteries else None)
