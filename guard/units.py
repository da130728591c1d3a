"""Kilometres or miles: a speed, pace, distance or length in the unit of the setting `units`; pure."""

import math

SPEED_UNITS = ("m/s", "km/h", "mph", "min/km", "min/mile")  # that a file's column may have
# By definition.
METRES_PER_KM = 1000.0
METRES_PER_MILE = 1609.344  # international mile, exact by definition
KM_H_PER_M_S = 3600 / METRES_PER_KM
MPH_PER_M_S = 3600 / METRES_PER_MILE
METRES = {"km": METRES_PER_KM, "mile": METRES_PER_MILE}  # by the setting `units`


def per_m_s(units: str) -> float:
    """How many km/h or mph one m/s is."""
    return MPH_PER_M_S if units == "mile" else KM_H_PER_M_S


def speed_unit(units: str) -> str:
    """The runner's unit of speed: km/h or mph."""
    return "mph" if units == "mile" else "km/h"


def pace_unit(units: str) -> str:
    """The runner's unit of pace."""
    return "min/mile" if units == "mile" else "min/km"


def pace(speed_m_s: float, units: str) -> str:
    """Minutes and seconds a kilometre or mile, without the unit.

    >>> pace(2.5, "km"), pace(1000 / 359.7, "km")
    ('6:40', '6:00')
    """
    if not math.isfinite(speed_m_s) or speed_m_s <= 0:
        return "–"
    seconds = round(METRES[units] / speed_m_s)
    return f"{seconds // 60}:{seconds % 60:02d}"


def speed(speed_m_s: float, units: str, digits: int = 1) -> str:
    """A speed with its unit.

    >>> speed(2.5, "km"), speed(2.5, "mile")
    ('9.0 km/h', '5.6 mph')
    """
    return f"{speed_m_s * per_m_s(units):.{digits}f} {speed_unit(units)}"


def distance(metres: float, units: str) -> str:
    """A distance with its unit, to the hundredth.

    >>> distance(1609.344, "km"), distance(1609.344, "mile")
    ('1.61 km', '1.00 mi')
    """
    return f"{metres / METRES[units]:.2f} {distance_unit(units)}"


def distance_unit(units: str) -> str:
    """The runner's unit of distance."""
    return "mi" if units == "mile" else "km"
