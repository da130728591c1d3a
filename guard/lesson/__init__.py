"""The first minute with the guard: every cue heard once, and answered."""
