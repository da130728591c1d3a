"""The guard against opponents on invented runners."""
