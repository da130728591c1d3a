"""Figures that a cue may rest on."""

from __future__ import annotations

from guard.events import Numbers

FORESEEN = Numbers(foreseen_bpm=143.2, ahead_s=20.0, ceiling_bpm=139.0)  # "foreseen 143 in 20 s, ceiling 139"
