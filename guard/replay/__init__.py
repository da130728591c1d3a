"""A recording through a new session, and what changed."""
