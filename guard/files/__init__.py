"""Folders of the guard and how whole files get there."""
