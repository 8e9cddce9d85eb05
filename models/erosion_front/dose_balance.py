"""The dose D* at which the columns together have used the dose D that is supplied.

With a spread that grows, columns that are ahead and columns that lag behind do not use the same:
a uniform sample gives a constant signal only when exposures are evaluated at D*, where
`used(D*) = D`. `used` never falls.
"""

from collections.abc import Callable

import numpy as np

_NODES_PER_SPREAD = 0.18  # spacing of the nodes at which D* is solved
_BALANCED = 1e-11  # of the whole dose
_NEAREST = 1e-14  # of the whole dose: no closer can a dose be told
_LEAST_SLOPE = 0.25
_MOST_PASSES = 100


def balance_nodes(doses: np.ndarray, spread: np.ndarray, reach: float) -> np.ndarray:
    """Indices of doses close enough together to interpolate D* - D, which varies with the spread.

    While columns still come from the mirror image it varies from slice to slice: all doses then.

    Parameters
    ----------
    doses : ndarray, shape (N,)
        Increasing.
    spread : ndarray, shape (N,)
        Spread of the arrival dose by roughness and crater at each dose.
    reach : float
        Spreads out to which columns come from the mirror image.
    """
    step = np.diff(doses, prepend=doses[0]) / np.maximum(spread, 1e-300)
    passed = np.minimum(np.cumsum(np.minimum(step, 1e9)) / _NODES_PER_SPREAD, 1e15)
    chosen = np.unique(passed.astype(np.int64), return_index=True)[1]
    early = np.flatnonzero(doses <= reach * spread)
    return np.unique(np.concatenate([chosen, early, [doses.size - 1]]))


def balanced(used: Callable[[np.ndarray], np.ndarray], supplied: np.ndarray) -> np.ndarray:
    """The dose at which each supply is used up.

    Secants, halving what brackets the dose where they do not get closer: where a spread sets in on
    none, `used` rises nearly in a step.

    Parameters
    ----------
    used : callable
        What is used at doses (N,), non-decreasing.
    supplied : ndarray, shape (N,)
        Non-decreasing from >= 0.

    Returns
    -------
    ndarray, shape (N,)
    """
    whole = float(supplied[-1])
    guess, slope = supplied.copy(), np.ones_like(supplied)
    low, high = np.zeros_like(supplied), np.full_like(supplied, np.inf)
    last, last_error = guess.copy(), np.full_like(supplied, np.inf)
    left = np.arange(supplied.size)
    for _ in range(_MOST_PASSES):
        at = guess[left]
        error = used(at) - supplied[left]
        low[left] = np.where(error < 0, np.maximum(low[left], at), low[left])
        high[left] = np.where(error > 0, np.minimum(high[left], at), high[left])
        found = (np.abs(error) <= _BALANCED * whole) | (high[left] - low[left] <= _NEAREST * whole)
        left, at, error = left[~found], at[~found], error[~found]
        if left.size == 0:
            break
        # Doses are in order, so each bounds the earlier from above and the later from below.
        low, high = np.maximum.accumulate(low), np.minimum.accumulate(high[::-1])[::-1]
        step = at - last[left]
        moved = np.isfinite(last_error[left]) & (step != 0)
        rise = np.where(moved, error - last_error[left], 0.0)
        secant = rise / np.where(moved, step, 1.0)
        slope[left] = np.where(moved, np.maximum(secant, _LEAST_SLOPE), slope[left])
        guess[left] = _next(at, error, slope[left], last_error[left], low[left], high[left])
        last[left], last_error[left] = at, error
    return guess


def _next(
    at: np.ndarray,
    error: np.ndarray,
    slope: np.ndarray,
    last_error: np.ndarray,
    low: np.ndarray,
    high: np.ndarray,
) -> np.ndarray:
    by_secant = at - error / slope
    inside = (by_secant > low) & (by_secant < high) & (np.abs(error) < 0.5 * np.abs(last_error))
    upwards = at - error / _LEAST_SLOPE  # from below, where nothing bounds the dose from above yet
    halved = np.where(np.isfinite(high), 0.5 * (low + high), upwards)
    return np.maximum.accumulate(np.where(inside, by_secant, halved))


def interpolated(x: np.ndarray, nodes: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Cubic Hermite interpolation with slopes from neighbouring nodes; complex for a derivative."""
    if nodes.size == 1:
        return np.repeat(values, x.size)
    i = np.clip(np.searchsorted(nodes.real, x.real, side="right") - 1, 0, nodes.size - 2)
    size = nodes[i + 1] - nodes[i]
    t = (x - nodes[i]) / size
    rise = values[i + 1] - values[i]
    if nodes.size < 3:
        return values[i] + t * rise
    slope = np.gradient(values, nodes, edge_order=2)
    return (
        values[i]
        + t * t * (3.0 - 2.0 * t) * rise
        + size * t * (1.0 - t) * ((1.0 - t) * slope[i] - t * slope[i + 1])
    )
