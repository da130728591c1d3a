"""Tones, phrases and the worker process that plays them."""
