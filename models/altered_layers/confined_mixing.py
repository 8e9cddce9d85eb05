"""Decay length of a monolayer under diffusive mixing confined to the altered layer.

With diffusion of strength D within a zone of thickness R below a surface that recedes at v, and
none below, the trailing edge decays with

    lambda / R = 2 p / (q^2 + p^2),  p = v R / (2 D),  q tan(q/2) = p, 0 < q < pi,

the slowest mode of the recession-diffusion equation with zero gradient at the surface and no
diffusive flux from below (derived here).
"""

import math

from numba import njit


@njit(cache=True)
def _slowest_mode(peclet):
    """q in (0, pi) with q tan(q/2) = p."""
    low, high = 0.0, math.pi
    for _ in range(60):
        q = 0.5 * (low + high)
        # q sin(q/2) - p cos(q/2) has the sign of q tan(q/2) - p and no pole.
        if q * math.sin(0.5 * q) < peclet * math.cos(0.5 * q):
            low = q
        else:
            high = q
    return 0.5 * (low + high)


@njit(cache=True)
def _decay_length(peclet):
    q = _slowest_mode(peclet)
    return 2.0 * peclet / (q * q + peclet * peclet)


@njit(cache=True)
def _peclet(relative_decay_length):
    low, high = -40.0, 40.0  # ln p
    for _ in range(70):
        middle = 0.5 * (low + high)
        if _decay_length(math.exp(middle)) > relative_decay_length:
            low = middle
        else:
            high = middle
    return math.exp(0.5 * (low + high))


def confined_decay_length(peclet: float) -> float:
    """Trailing decay length of a monolayer under mixing confined to a zone, per zone thickness.

    Limits: R for p -> 0 (fully mixed), 4 D / v for p -> infinity.

    Parameters
    ----------
    peclet : float
        p = v R / (2 D), > 0.

    Returns
    -------
    float
        lambda / R, between 0 and 1.

    Examples
    --------
    >>> round(confined_decay_length(1.0), 6)
    0.738811
    """
    if not (peclet > 0 and math.isfinite(peclet)):
        raise ValueError(f"peclet must be a finite number > 0, got {peclet}")
    return _decay_length(float(peclet))


def confined_peclet(relative_decay_length: float) -> float:
    """Inverse of `confined_decay_length`.

    Parameters
    ----------
    relative_decay_length : float
        lambda / R, strictly between 0 and 1.

    Returns
    -------
    float
        p = v R / (2 D).

    Examples
    --------
    >>> round(confined_peclet(0.738811), 4)
    1.0
    """
    if not 0 < relative_decay_length < 1:
        raise ValueError(
            f"decay length must be between 0 and the mixing range, got {relative_decay_length} "
            "of the range"
        )
    return _peclet(float(relative_decay_length))


def confined_peclet_slope(peclet: float) -> float:
    """Derivative of `confined_peclet` by the relative decay length, where it gives `peclet`."""
    q = _slowest_mode(float(peclet))
    by_peclet = 1.0 / (math.tan(0.5 * q) + 0.5 * q / math.cos(0.5 * q) ** 2)
    square = q * q + peclet * peclet
    slope = 2.0 / square - 4.0 * peclet * (q * by_peclet + peclet) / square**2
    return 1.0 / slope
