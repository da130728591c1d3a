"""Weeks and months: speed at the ceiling, mix, plateau."""
