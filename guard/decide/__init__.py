"""Deciding: plan, facts, transitions, lanes, wording. Pure."""
