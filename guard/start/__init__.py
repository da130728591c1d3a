"""The way from nothing to the first guarded run."""
