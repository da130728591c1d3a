"""How a runner's heart rate answers speed, learned from recordings."""
