"""Which devices there are, how each is read, and which one is the runner's."""
