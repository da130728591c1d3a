"""What is known of a strap's signal beside the trusted heart rate: from `Trust` to `Watch`."""

from typing import NamedTuple

from guard.signal.kit import Fact, Number


class Known(NamedTuple):
    """Of one step of some lanes; what is None is told from the arrivals of the heart rate.

    `alive`: the reading is itself proof of life; `unguarded_s` since a trusted
    one; `interval_s` of the strap; `heard_bpm`: what arrived, trusted or not
    (NaN: nothing); `locked`: the rate follows the steps; `unfelt`: believed by its
    beats, though the strap has only ever denied skin contact.
    """

    alive: Fact | None = None
    unguarded_s: Number | None = None
    interval_s: Number | None = None
    heard_bpm: Number | None = None
    locked: Fact | None = None
    unfelt: Fact | None = None


NOTHING_MORE = Known()
