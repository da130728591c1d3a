"""The running session: the loop, what comes in by key, signal and radio, and the listeners."""
