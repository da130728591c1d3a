"""What the numpy arrays of the house hold, and the runs in one of yes and no."""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


def runs(which: Bools) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """First place of each run of yes, and the first place after it."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], which, [False]]).astype(np.int8)))
    return edges[::2], edges[1::2]
