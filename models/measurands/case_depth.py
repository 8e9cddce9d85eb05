"""The depth below which the content of a sample stays under a level."""

import math
from collections.abc import Callable

import numpy as np

_PARTS = 32  # into which the place is divided in every round
_SMALLEST = 1e-7  # of the grid: means over less are differences of what is almost equal


def deepest_crossing_nm(
    mean_between: Callable[[np.ndarray], np.ndarray], edges_nm: np.ndarray, level: float
) -> float:
    """Where a content falls through a level for the last time on the way down.

    Parameters
    ----------
    mean_between : callable
        From edges, shape (K + 1,), to the mean content between them, shape (K,).
    edges_nm : ndarray, shape (K + 1,)
        A first grid, increasing [nm]. A fall between neighbouring cells is followed to 1e-7 of
        the grid; what is
        above the level only within one cell may be missed.
    level : float

    Returns
    -------
    float
        Depth [nm]; nan if the content never reaches the level, infinite if the last cell has it.

    Examples
    --------
    >>> ramp = lambda edges: 1.0 - 0.05 * (edges[1:] + edges[:-1])
    >>> round(deepest_crossing_nm(ramp, np.linspace(0.0, 10.0, 6), 0.75), 6)
    2.5
    """
    edges = np.asarray(edges_nm, dtype=float)
    reached = np.flatnonzero(mean_between(edges) >= level)
    if reached.size == 0:
        return math.nan
    last, smallest = int(reached[-1]), _SMALLEST * (edges[-1] - edges[0])
    if last == edges.size - 2:
        return math.inf
    while edges[last + 2] - edges[last] > smallest:
        edges = np.linspace(edges[last], edges[last + 2], _PARTS + 1)
        reached = np.flatnonzero(mean_between(edges)[:-1] >= level)
        last = int(reached[-1]) if reached.size else 0
    return float(edges[last + 1])
