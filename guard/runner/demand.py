"""Oxygen demand of walking and running from speed and grade.

Two sources. The metabolic equations of the American College of Sports
Medicine (ACSM's Guidelines for Exercise Testing and Prescription) give gross
oxygen uptake on the level and on a treadmill that climbs. The polynomials of
Minetti, Moia, Roi, Susta and Ferretti (2002, J Appl Physiol 93:1039) give the
cost of a metre on any slope, downhill included; their coefficients for walking
are from memory.

Speeds are m/s, grades are rise over run, oxygen uptake is ml/kg/min.
"""

import numpy as np
from numpy.typing import ArrayLike

from guard.arrays import Floats

REST_VO2 = 3.5  # one metabolic equivalent, ml/kg/min
LEVEL_RUN_ML_PER_M = 0.2  # ACSM, running
LEVEL_WALK_ML_PER_M = 0.1  # ACSM, walking
STEEPEST_MEASURED = 0.45  # the measurements behind the polynomials end here


def run_cost_j_kg_m(grade: ArrayLike) -> Floats:
    """Net cost of running a metre on a slope, J/kg/m (Minetti 2002)."""
    i = np.clip(np.asarray(grade, dtype=np.float64), -STEEPEST_MEASURED, STEEPEST_MEASURED)
    return ((((155.4 * i - 30.4) * i - 43.3) * i + 46.3) * i + 19.5) * i + 3.6


def walk_cost_j_kg_m(grade: ArrayLike) -> Floats:
    """Net cost of walking a metre on a slope, J/kg/m (Minetti 2002, from memory)."""
    i = np.clip(np.asarray(grade, dtype=np.float64), -STEEPEST_MEASURED, STEEPEST_MEASURED)
    return ((((280.5 * i - 58.7) * i - 76.8) * i + 51.9) * i + 19.6) * i + 2.5


def run_ml_per_m(grade: ArrayLike, *, belt: bool) -> Floats:
    """Net oxygen per metre run, ml/kg/m, proportional to speed in both sources.

    A belt that climbs takes ACSM's slope term. Ground takes Minetti's ratio of
    the slope to the level, laid on ACSM's level cost: so demand has no step at
    8 km/h, where ACSM's own form ends, nor at the foot of a hill.
    """
    if belt:
        return LEVEL_RUN_ML_PER_M + 0.9 * np.asarray(grade, dtype=np.float64)
    return LEVEL_RUN_ML_PER_M * run_cost_j_kg_m(grade) / 3.6


def walk_ml_per_m(grade: ArrayLike, *, belt: bool) -> Floats:
    """Net oxygen per metre walked, ml/kg/m; see `run_ml_per_m`."""
    if belt:
        return LEVEL_WALK_ML_PER_M + 1.8 * np.asarray(grade, dtype=np.float64)
    return LEVEL_WALK_ML_PER_M * walk_cost_j_kg_m(grade) / 2.5


def demand_vo2(speed_m_s: ArrayLike, grade: ArrayLike, walking: ArrayLike, *, belt: bool = False) -> Floats:
    """Gross oxygen uptake at a speed and grade, walking where `walking` is true."""
    per_m = np.where(walking, walk_ml_per_m(grade, belt=belt), run_ml_per_m(grade, belt=belt))
    return np.asarray(REST_VO2 + per_m * np.asarray(speed_m_s, dtype=np.float64) * 60.0)
