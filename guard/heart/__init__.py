"""From believable readings to an estimate of level and slope. Pure."""
