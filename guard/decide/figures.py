"""The figures of the decision that no setting moves, each with its meaning and where it comes from.

"Simulated" means: chosen on simulated runners (`tests/lab`, development kinds
and seeds), none of whom a reported figure is taken from.
"""

from dataclasses import dataclass


@dataclass(frozen=True)
class Figures:
    """Constants of belief and rule; times in s, heart rates in bpm."""

    # how heart rate follows effort: two accounts, as shares of the runner's own response time.
    # 28 and 60 s at the published mean of 57.6 s (Hunt, Fankhauser, Saengsuwan 2015). Simulated.
    quick_share: float = 0.49
    slow_share: float = 1.05
    arrives_s: float = 12.0  # a word reaches the effort: reaction 3 to 8 s and a heart's dead time. Simulated
    still_var: float = 0.02  # bpm^2/s: an effort that is held wanders so much,
    changed_var: float = 1.5  # and one that has just been changed so much more. Simulated
    lean_s: float = 8.0  # it has changed when errors of so long lean to one side
    lean_sd: float = 2.0  # by more than two standard deviations of chance
    # the strap: SD near 1.6 bpm about a two-minute mean (Donne 2024 data), this part of it slow
    noise_sd_bpm: float = 0.7
    noise_s: float = 16.0  # its memory. Simulated
    gate_bpm: float = 15.0  # a reading farther off than this waits,
    gate_s: float = 5.0  # and if others agree for so long it is true
    # cues
    ahead_s: float = 30.0  # easing shows within this. Simulated
    margin_bpm: float = 2.0  # least certain: aims so far under the ceiling. Simulated
    aim_under_bpm: float = 0.8  # peaks are to lie so far under it. Simulated
    aim_share: float = 0.3  # of each peak's miss corrects the margin. Simulated
    in_vain: float = 5.0  # words without effect before walking is said. Simulated
    shows_s: float = 35.0  # reaction, dead time, strap: a heeded walk or restart shows by then. Simulated
    walk_shows_bpm: float = 10.0  # a walk is heeded when the level fell so far (17.2 +- 8.0 in 60 s, Donne)
    turn_bpm: float = 3.0  # up or down from an extreme by more than noise. Simulated
    rise_bpm: float = 18.0  # what running again adds in its first minute, until learned. Simulated
    longest_walk_s: float = 420.0  # whose level is under the ceiling by then is told to run. Simulated
    no_jog_step: float = 0.6  # "has no jog under the ceiling": each walk adds this,
    no_jog_s: float = 900.0  # and running forgets it with this time constant. Simulated
    walk_run: float = 0.3  # from here on easing is not tried over and over. Simulated


FIGURES = Figures()
