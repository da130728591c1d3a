"""The parts of a session, each with its own limits."""
