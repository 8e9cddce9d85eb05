"""Effective degrees of freedom of a combined standard uncertainty."""

import math

import numpy as np


def effective_degrees_of_freedom(u: np.ndarray, freedom: np.ndarray) -> float:
    """Of independent contributions, by the formula of Welch and Satterthwaite.

    ``nu = u_c^4 / sum(u_i^4 / nu_i)`` with ``u_c^2 = sum(u_i^2)`` (GUM, JCGM 100:2008, G.4.1).

    Parameters
    ----------
    u : ndarray, shape (N,)
        Standard uncertainties that they contribute, >= 0, in one unit.
    freedom : ndarray, shape (N,)
        Degrees of freedom of each, > 0; infinite for what is exactly known.

    Returns
    -------
    float
        Infinite where no contribution has finite ones.

    Examples
    --------
    >>> effective_degrees_of_freedom(np.array([1.0, 1.0]), np.array([5.0, 5.0]))
    10.0
    """
    u, freedom = np.asarray(u, dtype=float), np.asarray(freedom, dtype=float)
    if np.any(u < 0):
        raise ValueError(f"u must be >= 0, got {u.min():g}")
    if not np.all(freedom > 0):
        raise ValueError(f"freedom must be > 0, got {freedom.min():g}")
    largest = float(u.max(initial=0.0))
    if largest == 0.0:
        return math.inf
    squares = (u / largest) ** 2
    lost = float(np.sum(squares**2 / freedom))
    return float(np.sum(squares)) ** 2 / lost if lost > 0 else math.inf
