"""Shares in slices made into straight lines, on which the slices can be divided further.

The slope of a slice is that between its neighbours, limited so that no line runs past the mean of
a neighbour: a step from one slice to the next stays a step, and the mean of each slice is kept
(B. van Leer, J. Comput. Phys. 23 (1977) 276, from memory). What the limits leave of the sum of
all slopes is taken back in proportion to the shares, so that they go on to sum to one. Slopes that
would make a share negative are made smaller, all of a slice alike.
"""

import numpy as np


def rises(shares: np.ndarray, size: np.ndarray) -> np.ndarray:
    """Rise of the line over each slice; the first goes on from the second, the last has none.

    Parameters
    ----------
    shares : ndarray, shape (K, S)
        Means over the slices; rows sum to 1.
    size : ndarray, shape (K,)
        Size of the slices along the axis of the lines, > 0.

    Returns
    -------
    ndarray, shape (K, S)
        Rows sum to 0.
    """
    step = np.diff(shares, axis=0)
    above, below = step[:-1], step[1:]
    reach = 0.5 * (size[:-2] + 2.0 * size[1:-1] + size[2:])[:, None]
    central = (above + below) * size[1:-1, None] / reach
    limit = 2.0 * np.minimum(np.abs(above), np.abs(below))
    rise = np.zeros_like(shares)
    rise[1:-1] = np.where(above * below > 0.0, np.clip(central, -limit, limit), 0.0)
    if rise.shape[0] > 2:
        rise[0] = rise[1] * size[0] / size[1]
    rise -= shares * rise.sum(axis=1, keepdims=True)
    most, wanted = 2.0 * shares, np.abs(rise)
    room = np.divide(most, wanted, out=np.ones_like(rise), where=wanted > most)
    return rise * room.min(axis=1, keepdims=True)


def divide_amounts(amounts: np.ndarray, size: np.ndarray, parts: np.ndarray) -> np.ndarray:
    """Amounts in the parts of slices.

    Parameters
    ----------
    amounts : ndarray, shape (K, S)
        Of S kinds in each slice.
    size : ndarray, shape (K,)
        Of all kinds together, > 0.
    parts : ndarray of int, shape (K,)
        Into how many equal parts each slice is divided, >= 1.

    Returns
    -------
    ndarray, shape (sum of parts, S)
        The parts of a slice hold together what the slice holds.
    """
    mean, rise = amounts / parts[:, None], rises(amounts / size[:, None], size)
    rise *= (size / parts)[:, None]
    first = np.cumsum(parts) - parts
    number = np.arange(int(parts.sum())) - np.repeat(first, parts)
    place = (number + 0.5) / np.repeat(parts, parts) - 0.5
    return np.repeat(mean, parts, axis=0) + place[:, None] * np.repeat(rise, parts, axis=0)


def divide_evenly(size: np.ndarray, parts: np.ndarray) -> np.ndarray:
    """Sizes of the parts of slices of the given sizes, shape (sum of parts,)."""
    return np.repeat(size / parts, parts)
