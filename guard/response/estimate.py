"""A number with its interval. Pure, and light to import."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value with its interval (95 % where nothing else is said), in the unit of its name."""

    value: float
    low: float
    high: float
