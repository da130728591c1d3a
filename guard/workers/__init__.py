"""Pieces of work handed to processes: of this machine, or of a scheduler that has many."""
