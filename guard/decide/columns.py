"""The settings of the lanes as columns, one number a lane, with what the three dials mean."""

from collections.abc import Callable, Sequence

from guard.decide.figures import Figures
from guard.settings import Settings
from guard.signal.kit import Fact, Kit, Number

NAN = float("nan")
# What the dials turn, each 0 to 1: at 0.5 the figure itself.
# Strictness: an ease when 84 to 50 % sure of passing the aim, 69 % in the middle.
SURE_Z, SURE_SPAN_Z = -0.5, 1.0
# Words: over the ceiling they come such a share of the time apart in which nothing moved, .2 to .05, and so
# many seconds at most, 160 to 40. Simulated.
OVER_SHARE, WAIT_MOST_S = 0.1, 80.0


class Columns:
    """The settings of the lanes, one number a lane."""

    def __init__(self, kit: Kit, figures: Figures, settings: Sequence[Settings]) -> None:
        def column(value: Callable[[Settings], float | None]) -> Number:
            values = [value(one) for one in settings]
            return kit.column([NAN if one is None else float(one) for one in values])

        self.ceiling_bpm = column(lambda one: one.ceiling_bpm)
        self.floor_bpm = column(lambda one: one.floor_bpm)
        self.stop_bpm = column(lambda one: one.stop_bpm)
        self.spacing_s = column(lambda one: one.spacing_s)
        self.walking: Fact = column(lambda one: one.walking) > 0.0
        self.warm_up_s = column(lambda one: one.warm_up_s)
        self.warm_up_quiet_s = column(lambda one: one.warm_up_quiet_s)
        self.warm_up_ramp_bpm = column(lambda one: one.warm_up_ramp_bpm)
        self.stale_s = column(lambda one: one.stale_s)
        self.lost_s = column(lambda one: one.lost_s)
        self.response_s = column(lambda one: one.response_s)
        self.gain = column(lambda one: one.gain_bpm_per_m_s)
        self.belt: Fact = column(lambda one: one.belt) > 0.0
        self.belt_step_m_s = column(lambda one: one.belt_step_m_s)
        no: Fact = self.ceiling_bpm != self.ceiling_bpm
        self.free_run, self.quiet_ease, self.quiet_walk = no, no, no
        # the dials
        self.margin_bpm = column(lambda one: 2.0 * one.strictness * figures.margin_bpm)
        self.certainty_z = column(lambda one: SURE_Z + SURE_SPAN_Z * (one.strictness - 0.5))
        self.ease_again_s = column(lambda one: one.spacing_s * 16.0 ** (0.5 - one.words))
        self.over_share = column(lambda one: OVER_SHARE * 4.0 ** (0.5 - one.words))
        self.wait_most_s = column(lambda one: WAIT_MOST_S * 4.0 ** (0.5 - one.words))
        self.in_vain = column(lambda one: 4.0 ** (0.5 - one.walk_first) * figures.in_vain)
        self.rise_bpm = column(lambda one: figures.rise_bpm)
