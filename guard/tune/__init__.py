"""Settings searched over recordings."""
