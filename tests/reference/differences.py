"""Derivatives by central differences of sixth order, for checks of exact ones."""

from itertools import pairwise

import numpy as np

_WEIGHTS = ((1, 0.75), (2, -0.15), (3, 1.0 / 60.0))
RELATIVE_STEPS = (3e-3, 3e-4, 3e-5, 3e-6, 1e-6)


def sixth_order(function, step):
    """Derivative at 0 of a function of one number that gives an array."""
    ends = [(weight, function(k * step), function(-k * step)) for k, weight in _WEIGHTS]
    return sum(weight * (np.asarray(up) - np.asarray(down)) for weight, up, down in ends) / step


def most_certain(function, scale, relative_steps=RELATIVE_STEPS):
    """The derivative at the steps that agree best, and how much they disagree.

    A signal is smooth but for kinks, where slices of the altered layer meet, and for forms that
    change at a width: over a large step differences run across them, over a small one they drown
    in rounding. Two steps that agree tell how far either can be believed.
    """
    found = [sixth_order(function, relative * scale) for relative in relative_steps]
    apart = [np.abs(a - b).max() for a, b in pairwise(found)]
    best = int(np.argmin(apart))
    return found[best + 1], apart[best]


def deviation(slopes, function, scale):
    """Largest deviation of slopes from the most certain differences, over the largest of these.

    Returns
    -------
    deviation, apart : float
        The second says how much the differences disagree, in the same measure.
    """
    found, apart = most_certain(function, scale)
    peak = max(np.abs(found).max(), 1e-300)
    return np.abs(slopes - found).max() / peak, apart / peak
