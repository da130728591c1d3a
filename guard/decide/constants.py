"""The figures of the decision that no setting moves, each with where it comes from.

Where nothing is said they are ours, chosen on simulated runners whose seeds no
reported figure was taken from.
"""

from __future__ import annotations

import math

NEVER_S = -math.inf
ADVISED_UNDER_BPM = 2.5  # a speed that is named would settle so far under the ceiling,
ADVISED_OVER_S = 30.0  # in the mean of about so long
BURST_SHARE = 5.0  # a fresh listener heeds six cues in a row, then they must thin out
RESTART_S = 60.0  # a restart's fast climb is over after about three time constants
RESTART_LOOK = 0.2  # of the look-ahead counts while a restart climbs, steeply and mostly harmlessly
RESTART_Z = 1.28  # 90 % sure before slowing a runner who has just started again
HEADING_S = 60.0  # horizon of "where this is going"
EASE_BPM = 7.0  # what one heeded ease takes off in the mean: 12.5 % of 2.4 m/s at 24 bpm/(m/s)
FALL_BPM_S = -0.2  # steeper than easing alone: the runner walked or stood
FELL_BPM = 10.0  # a walk's fall in 25 s; less is noise, and a rise after it is one like any other
CLIMB_BPM_S = 0.20  # steeper than a small change of speed: the runner started again
FALL_MEMORY_S = 90.0
# A walk in mid-run brings heart rate down by 11.8 +- 5.3 bpm in 30 s and 17.2 +- 8.0 in 60 s
# (Donne 2024 data). What falls further or faster may be the electrode: nobody is sent off on it.
DOUBTFUL_FALL_BPM_S = -0.9
DOUBTFUL_FALL_BPM, DOUBTFUL_FALL_MORE_BPM_S = 7.0, 0.45
DOUBT_LASTS_S = 45.0
DOUBT_ENDS_S = 120.0  # after so long of a walk no depth is doubted: the doubt has to end
WALKED_ON_BPM = 15.0  # most that walking on brings down once half a minute of it is over
WALK_SHOWS_S = 28.0  # reaction, dead time and strap: a heeded walk shows by then
WALK_SHOWS_BPM_S = -0.2  # half of the mean fall in those 30 s
WALK_SAID = 3.0  # so often in vain,
WALK_AGAIN_S = 90.0  # and it thins out: who is cued often heeds little
EASES_IN_VAIN = 3.0
EASE_SHOWS_BPM = 2.0  # a heeded ease lowers the heading by at least this
SPEED_SHOWS_S = 30.0  # a speed that was named is set at once, and then it takes so long to show
EASE_LASTS_S = 400.0
WALK_RUN_LASTS_S = 900.0
WALK_RUN_SPENT = 3.0  # cues in hand below the most: the next walk must be heard too
LONGEST_WALK_S = 360.0
PATIENT_WALK_S, PATIENT_MARGIN_BPM = 120.0, 2.5  # a long walk need not end far below the ceiling
WALK_RUN_REST_S = 90.0
WALK_RUN_DEEPER_BPM = 10.0  # below the usual resume, so that running again lasts a while
