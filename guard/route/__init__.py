"""The road ahead: a track's climbs, and which of them can be jogged under the ceiling."""
