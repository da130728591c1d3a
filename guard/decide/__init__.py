"""Deciding: facts, transitions, lanes, wording. Pure."""
