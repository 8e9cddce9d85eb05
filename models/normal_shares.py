"""The share that has been passed: means of the normal distribution function over even spreads.

With g uniform on a segment and delta normal, the mean share has a closed form in the iterated
integrals of the normal distribution function Phi,

    H(x) = int_-inf^x Phi(y/s) dy  = x Phi(x/s) + s phi(x/s)
    H2(x) = int_-inf^x H(y) dy     = ((x^2 + s^2) Phi(x/s) + x s phi(x/s)) / 2,

as a second difference of H2 over the segment and the slice. Where either of these is narrow
against s, a uniform distribution of that width is as good as a normal one of the same variance
(the error of the fourth cumulant is below 1e-6 of full scale), and H or Phi is used.
"""

import math

import numpy as np
from numba import njit

REACH = 6.5  # standard deviations beyond which Phi counts as 0 or 1 (4e-11)
_TABLE_REACH = 7
_PER_UNIT = 64  # table entries per standard deviation
# A uniform distribution this narrow against s counts as normal. No round number, as slices have
# round sizes: rounding should not choose between two forms that differ by 3e-7.
_NARROW = 0.193


def _cubics(value: np.ndarray, slope: np.ndarray) -> np.ndarray:
    """Coefficients of cubics from node to node, of which values and slopes are given."""
    f0, f1, d0, d1 = value[:-1], value[1:], slope[:-1] / _PER_UNIT, slope[1:] / _PER_UNIT
    rise = f1 - f0
    return np.ascontiguousarray(
        np.column_stack([f0, d0, 3.0 * rise - 2.0 * d0 - d1, d0 + d1 - 2.0 * rise])
    )


def _normal_integrals() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Phi, H and H2 for s = 1 as cubics; relative error below 1e-6 out to the reach."""
    u = np.arange(-_TABLE_REACH * _PER_UNIT, _TABLE_REACH * _PER_UNIT + 1) / _PER_UNIT
    phi = np.exp(-0.5 * u * u) / math.sqrt(2.0 * math.pi)
    cumulative = np.array([0.5 * math.erfc(-x * math.sqrt(0.5)) for x in u])
    h1 = u * cumulative + phi
    h2 = 0.5 * ((u * u + 1.0) * cumulative + u * phi)
    return _cubics(cumulative, phi), _cubics(h1, cumulative), _cubics(h2, h1)


_PHI, _H, _H2 = _normal_integrals()


@njit(cache=True, nogil=True)
def _cubic_at(table, u):
    position = (u + _TABLE_REACH) * _PER_UNIT
    i = int(position)
    t = position - i
    return table[i, 0] + t * (table[i, 1] + t * (table[i, 2] + t * table[i, 3]))


@njit(cache=True, nogil=True)
def _phi(u):
    if u >= REACH:
        return 1.0
    return _cubic_at(_PHI, u) if u > -REACH else 0.0


@njit(cache=True, nogil=True)
def _h(u):
    if u >= REACH:
        return u
    return _cubic_at(_H, u) if u > -REACH else 0.0


@njit(cache=True, nogil=True)
def _h2(u):
    if u >= REACH:
        return 0.5 * (u * u + 1.0)
    return _cubic_at(_H2, u) if u > -REACH else 0.0


@njit(cache=True, nogil=True)
def _shrunk(square):
    """1 / sqrt(1 + square / 12) for small squares, to 1e-7."""
    e = square / 12.0
    return 1.0 - 0.5 * e * (1.0 - 0.75 * e)


@njit(cache=True, nogil=True)
def _mean_passed(u, a, b):
    """Mean of Phi around u, spread evenly over a width a and, besides, over b."""
    if a > b:
        a, b = b, a
    if a <= _NARROW or a <= 1e-7 * b:
        if b <= _NARROW:
            return _phi(u * _shrunk(a * a + b * b))
        shrink = _shrunk(min(a, _NARROW) ** 2)  # wider than narrow, a is nothing against b
        u, b = u * shrink, b * shrink
        return (_h(u + 0.5 * b) - _h(u - 0.5 * b)) / b
    near, far = 0.5 * (b - a), 0.5 * (b + a)
    return ((_h2(u + far) - _h2(u - near)) - (_h2(u + near) - _h2(u - far))) / (a * b)


@njit(cache=True, nogil=True)
def mean_share(pieces, middle, size, inverse):
    """Mean of Phi over the area and over a slice; its size in units of the spread 1 / inverse.

    Each piece of the area is spread evenly from low to high, with a weight.
    """
    total = 0.0
    for p in range(pieces.shape[0]):
        low, high, weight = pieces[p, 0], pieces[p, 1], pieces[p, 2]
        u0, u1 = (low - middle) * inverse, (high - middle) * inverse
        # The bounds first: most pairs are settled for a piece.
        if u0 - 0.5 * size >= REACH:
            total += weight
        elif u1 + 0.5 * size > -REACH:
            total += weight * _mean_passed(0.5 * (u0 + u1), u1 - u0, size)
    return total


@njit(cache=True, nogil=True)
def mean_share_of_time(start, end, middle, size, inverse):
    """The same, also averaged over the time in which narrow pieces go from start to end.

    Of the three spreads (within the piece, of time, of depth) the smallest counts as normal.
    """
    total = 0.0
    for p in range(start.shape[0]):
        low0, high0, weight = start[p, 0], start[p, 1], start[p, 2]
        low1, high1 = end[p, 0], end[p, 1]
        if (low0 - middle) * inverse - 0.5 * size >= REACH:
            total += weight
        elif (high1 - middle) * inverse + 0.5 * size > -REACH:
            a = 0.5 * (high0 - low0 + high1 - low1) * inverse
            b = 0.5 * (low1 + high1 - low0 - high0) * inverse
            least, most = min(a, b, size), max(a, b, size)
            shrink = 1.0 / math.sqrt(1.0 + least * least / 12.0)
            u = (0.25 * (low0 + high0 + low1 + high1) - middle) * inverse * shrink
            between = (a + b + size - least - most) * shrink
            total += weight * _mean_passed(u, between, most * shrink)
    return total


@njit(cache=True, nogil=True)
def as_normal(d0, d1, s):
    """Middle of a slice, its size and 1 / spread; a narrow slice is part of the spread instead."""
    size = (d1 - d0) / s
    if size <= _NARROW:
        return 0.5 * (d0 + d1), 0.0, 1.0 / (s * math.sqrt(1.0 + size * size / 12.0))
    return 0.5 * (d0 + d1), size, 1.0 / s
