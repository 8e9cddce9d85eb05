"""The share that has been passed: means of the normal distribution function over even spreads.

With g uniform on a segment and delta normal, the mean share has a closed form in the iterated
integrals of the normal distribution function Phi,

    H(x) = int_-inf^x Phi(y/s) dy  = x Phi(x/s) + s phi(x/s)
    H2(x) = int_-inf^x H(y) dy     = ((x^2 + s^2) Phi(x/s) + x s phi(x/s)) / 2,

as a second difference of H2 over the segment and the slice. Where either of these is narrow
against s, a uniform distribution of that width is as good as a normal one of the same variance
(the error of the fourth cumulant is below 1e-6 of full scale), and H or Phi is used.

The integrals are tables of cubics. Slopes are those of the very cubics and forms that make the
value, so value and slope agree to rounding.
"""

import math

import numpy as np
from numba import njit

REACH = 6.5  # standard deviations beyond which Phi counts as 0 or 1 (4e-11)
_TABLE_REACH = 7
_PER_UNIT = 64  # table entries per standard deviation
# A uniform distribution this narrow against s counts as normal. No round number, as slices have
# round sizes: rounding should not choose between two forms that differ by 3e-7.
NARROW = 0.193


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
    # From the reach on they are what is taken beyond it, so that no branch is needed there.
    for integral, beyond in ((phi, 0.0), (cumulative, 1.0), (h1, u), (h2, 0.5 * (u * u + 1.0))):
        integral[:] = np.where(u <= -REACH, 0.0, np.where(u >= REACH, beyond, integral))
    return _cubics(cumulative, phi), _cubics(h1, cumulative), _cubics(h2, h1)


_PHI, _H, _H2 = _normal_integrals()


@njit(cache=True, nogil=True)
def _cubic_at(table, u):
    """A cubic of the table, within the reach; without a branch, which would be mispredicted."""
    position = (min(max(u, -REACH), REACH) + _TABLE_REACH) * _PER_UNIT
    i = np.uint32(position)
    t = position - i
    return table[i, 0] + t * (table[i, 1] + t * (table[i, 2] + t * table[i, 3]))


@njit(cache=True, nogil=True)
def _phi(u):
    return _cubic_at(_PHI, u)


@njit(cache=True, nogil=True)
def _h(u):
    return _cubic_at(_H, u) + max(u - REACH, 0.0)


@njit(cache=True, nogil=True)
def _h2(u):
    above = max(u, REACH)
    return _cubic_at(_H2, u) + 0.5 * (above - REACH) * (above + REACH)


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
    if a <= NARROW or a <= 1e-7 * b:
        if b <= NARROW:
            return _phi(u * _shrunk(a * a + b * b))
        shrink = _shrunk(min(a, NARROW) ** 2)  # wider than narrow, a is nothing against b
        u, b = u * shrink, b * shrink
        return (_h(u + 0.5 * b) - _h(u - 0.5 * b)) / b
    near, far = 0.5 * (b - a), 0.5 * (b + a)
    return ((_h2(u + far) - _h2(u - near)) - (_h2(u + near) - _h2(u - far))) / (a * b)


@njit(cache=True, nogil=True)
def _piece_passed(low, high, middle, size, inverse):
    """Mean of Phi over one piece of the area and over a slice."""
    u0, u1 = (low - middle) * inverse, (high - middle) * inverse
    # The bounds first: most pairs are settled for a piece.
    if u0 - 0.5 * size >= REACH:
        return 1.0
    if u1 + 0.5 * size <= -REACH:
        return 0.0
    return _mean_passed(0.5 * (u0 + u1), u1 - u0, size)


@njit(cache=True, nogil=True)
def _wide_passed(low, high, middle, inverse):
    """The same for a wide piece and a narrow slice: the rise of H, without a branch."""
    u0, u1 = (low - middle) * inverse, (high - middle) * inverse
    across = u1 - u0
    beyond = min(max(u1 - REACH, 0.0), across)  # all of it, exactly, where u0 is beyond as well
    return (_cubic_at(_H, u1) - _cubic_at(_H, u0) + beyond) / across


@njit(cache=True, nogil=True)
def mean_share(pieces, middle, size, inverse):
    """Mean of Phi over the area and over a slice; its size in units of the spread 1 / inverse.

    Each piece of the area is spread evenly from low to high, with a weight.
    """
    total = 0.0
    for p in range(pieces.shape[0]):
        total += pieces[p, 2] * _piece_passed(pieces[p, 0], pieces[p, 1], middle, size, inverse)
    return total


@njit(cache=True, nogil=True)
def mean_shares(pieces, middle, size, inverse, out):
    """`mean_share` of neighbouring slices, shape (W,) each.

    Most slices are narrow and most pieces are not: these go through a loop without branches.
    """
    least = inverse.min() if inverse.size else 0.0
    out[:] = 0.0
    for p in range(pieces.shape[0]):
        low, high, weight = pieces[p, 0], pieces[p, 1], pieces[p, 2]
        if (high - low) * least > NARROW:
            for k in range(out.size):
                out[k] += weight * _wide_passed(low, high, middle[k], inverse[k])
        else:
            for k in range(out.size):
                out[k] += weight * _piece_passed(low, high, middle[k], 0.0, inverse[k])
    for k in range(out.size):
        if size[k] > 0.0:
            out[k] = mean_share(pieces, middle[k], size[k], inverse[k])


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
def _cubic_and_slope(table, u):
    position = (min(max(u, -REACH), REACH) + _TABLE_REACH) * _PER_UNIT
    i = np.uint32(position)
    t = position - i
    value = table[i, 0] + t * (table[i, 1] + t * (table[i, 2] + t * table[i, 3]))
    slope = table[i, 1] + t * (2.0 * table[i, 2] + t * 3.0 * table[i, 3])
    return value, slope * _PER_UNIT


@njit(cache=True, nogil=True)
def _phi_and_slope(u):
    return _cubic_and_slope(_PHI, u)


@njit(cache=True, nogil=True)
def _h_and_slope(u):
    value, slope = _cubic_and_slope(_H, u)
    return value + max(u - REACH, 0.0), slope


@njit(cache=True, nogil=True)
def _h2_and_slope(u):
    above = max(u, REACH)
    value, slope = _cubic_and_slope(_H2, u)
    return value + 0.5 * (above - REACH) * (above + REACH), slope + (above - REACH)


@njit(cache=True, nogil=True)
def _shrunk_slope(square):
    """Slope of `_shrunk` by half the square."""
    return (-0.5 + 0.75 * square / 12.0) / 6.0


@njit(cache=True, nogil=True)
def _mean_passed_and_slopes(u, a, b):
    """`_mean_passed`, its slope by u, and its slopes by half the squares of a and b.

    The squares, since a width of zero then still has a slope.
    """
    swapped = a > b
    if swapped:
        a, b = b, a
    if a <= NARROW or a <= 1e-7 * b:
        if b <= NARROW:
            shrink = _shrunk(a * a + b * b)
            value, slope = _phi_and_slope(u * shrink)
            by_square = u * slope * _shrunk_slope(a * a + b * b)
            return value, slope * shrink, by_square, by_square
        shrink = _shrunk(min(a, NARROW) ** 2)
        v, w = u * shrink, b * shrink
        h0, phi0 = _h_and_slope(v + 0.5 * w)
        h1, phi1 = _h_and_slope(v - 0.5 * w)
        value = (h0 - h1) / w
        by_v, by_w = (phi0 - phi1) / w, (0.5 * (phi0 + phi1) - value) / w
        by_a = (u * by_v + b * by_w) * _shrunk_slope(a * a) if a <= NARROW else 0.0
        by_u, by_b = by_v * shrink, by_w * shrink / b
    else:
        near, far = 0.5 * (b - a), 0.5 * (b + a)
        f0, h0 = _h2_and_slope(u + far)
        f1, h1 = _h2_and_slope(u - near)
        f2, h2 = _h2_and_slope(u + near)
        f3, h3 = _h2_and_slope(u - far)
        value = ((f0 - f1) - (f2 - f3)) / (a * b)
        by_u = ((h0 - h1) - (h2 - h3)) / (a * b)
        by_a = (0.5 * ((h0 - h1) + (h2 - h3)) / (a * b) - value / a) / a
        by_b = (0.5 * ((h0 + h1) - (h2 + h3)) / (a * b) - value / b) / b
    return (value, by_u, by_b, by_a) if swapped else (value, by_u, by_a, by_b)


@njit(cache=True, nogil=True)
def mean_share_and_slopes(pieces, middle, size, inverse, by_piece):
    """`mean_share`, and its slopes by middle, size and inverse.

    `by_piece`, shape (P, 3), takes those by the middle of each piece of the area, by the square of
    its width, and by its weight.
    """
    total, by_middle, by_size, by_inverse = 0.0, 0.0, 0.0, 0.0
    for p in range(pieces.shape[0]):
        low, high, weight = pieces[p, 0], pieces[p, 1], pieces[p, 2]
        u0, u1 = (low - middle) * inverse, (high - middle) * inverse
        by_piece[p, 0], by_piece[p, 1], by_piece[p, 2] = 0.0, 0.0, 0.0
        if u0 - 0.5 * size >= REACH:
            total += weight
            by_piece[p, 2] = 1.0
        elif u1 + 0.5 * size > -REACH:
            u, across = 0.5 * (u0 + u1), u1 - u0
            share, by_u, by_across, by_depth = _mean_passed_and_slopes(u, across, size)
            total += weight * share
            by_piece[p, 0] = weight * by_u * inverse
            by_piece[p, 1] = weight * 0.5 * by_across * inverse * inverse
            by_piece[p, 2] = share
            by_middle -= by_piece[p, 0]
            by_size += weight * by_depth * size
            by_inverse += weight * (by_u * u + by_across * across * across) / inverse
    return total, by_middle, by_size, by_inverse


@njit(cache=True, nogil=True)
def mean_shares_and_slopes(pieces, middle, size, inverse, out, by_slice, by_piece):
    """`mean_shares`, and the slopes of `mean_share_and_slopes` of neighbouring slices.

    `by_slice`, shape (3, W), takes those by middle, size and inverse, `by_piece`, shape (P, 3, W),
    those by the pieces.
    """
    least = inverse.min() if inverse.size else 0.0
    own = np.empty((1, 3))
    out[:], by_slice[:] = 0.0, 0.0
    for p in range(pieces.shape[0]):
        low, high, weight = pieces[p, 0], pieces[p, 1], pieces[p, 2]
        of_centre, of_square, of_weight = by_piece[p, 0], by_piece[p, 1], by_piece[p, 2]
        if (high - low) * least > NARROW:
            for k in range(out.size):
                share, by_u, by_across, u, across = _wide_slopes(low, high, middle[k], inverse[k])
                out[k] += weight * share
                of_centre[k] = weight * by_u * inverse[k]
                of_square[k] = weight * 0.5 * by_across * inverse[k] * inverse[k]
                of_weight[k] = share
                by_slice[0, k] -= of_centre[k]
                by_slice[2, k] += weight * (by_u * u + by_across * across * across) / inverse[k]
        else:
            for k in range(out.size):
                share, by_middle, _, by_inverse = mean_share_and_slopes(
                    pieces[p : p + 1], middle[k], 0.0, inverse[k], own
                )
                out[k] += share
                by_slice[0, k] += by_middle
                by_slice[2, k] += by_inverse
                for i in range(3):
                    by_piece[p, i, k] = own[0, i]
    for k in range(out.size):
        if size[k] > 0.0:
            out[k], by_slice[0, k], by_slice[1, k], by_slice[2, k] = mean_share_and_slopes(
                pieces, middle[k], size[k], inverse[k], by_piece[:, :, k]
            )


@njit(cache=True, nogil=True)
def _wide_slopes(low, high, middle, inverse):
    """`_wide_passed`, its slopes by the middle of the piece and by half the square of its width.

    Beside them that middle and that width, all in units of the spread.
    """
    u0, u1 = (low - middle) * inverse, (high - middle) * inverse
    across = u1 - u0
    below, phi0 = _cubic_and_slope(_H, u0)
    above, phi1 = _cubic_and_slope(_H, u1)
    share = (above - below + min(max(u1 - REACH, 0.0), across)) / across
    by_width = (0.5 * (phi0 + phi1) - share) / across
    return share, (phi1 - phi0) / across, by_width / across, 0.5 * (u0 + u1), across


@njit(cache=True, nogil=True)
def mean_share_of_time_and_slopes(start, end, middle, size, inverse, by_piece):
    """`mean_share_of_time`, and its slopes by middle, size and inverse.

    `by_piece`, shape (P, 4), takes those by the middle of each piece halfway, by the square of its
    mean width, by the way that its middle goes, and by its weight.
    """
    total, by_middle, by_size, by_inverse = 0.0, 0.0, 0.0, 0.0
    for p in range(start.shape[0]):
        low0, high0, weight = start[p, 0], start[p, 1], start[p, 2]
        low1, high1 = end[p, 0], end[p, 1]
        by_piece[p, 0], by_piece[p, 1], by_piece[p, 2], by_piece[p, 3] = 0.0, 0.0, 0.0, 0.0
        if (low0 - middle) * inverse - 0.5 * size >= REACH:
            total += weight
            by_piece[p, 3] = 1.0
        elif (high1 - middle) * inverse + 0.5 * size > -REACH:
            a = 0.5 * (high0 - low0 + high1 - low1) * inverse
            b = 0.5 * (low1 + high1 - low0 - high0) * inverse
            least, most = min(a, b, size), max(a, b, size)
            shrink = 1.0 / math.sqrt(1.0 + least * least / 12.0)
            ahead = (0.25 * (low0 + high0 + low1 + high1) - middle) * inverse
            u, between = ahead * shrink, (a + b + size - least - most) * shrink
            share, by_u, of_between, of_most = _mean_passed_and_slopes(u, between, most * shrink)
            total += weight * share
            square = shrink * shrink
            of_least = by_u * u + of_between * between * between + of_most * most * most * square
            of_least *= -square / 12.0
            of_between, of_most = of_between * square, of_most * square
            # By half the squares of a, b and size, whichever of the three each is.
            by_a = _in_order(a, b, size, of_least, of_between, of_most)
            by_b = _in_order(b, a, size, of_least, of_between, of_most)
            by_depth = _in_order(size, a, b, of_least, of_between, of_most)
            by_piece[p, 0] = weight * by_u * shrink * inverse
            by_piece[p, 1] = weight * 0.5 * by_a * inverse * inverse
            by_piece[p, 2] = weight * by_b * b * inverse
            by_piece[p, 3] = share
            by_middle -= by_piece[p, 0]
            by_size += weight * by_depth * size
            by_inverse += weight * (by_u * u + by_a * a * a + by_b * b * b) / inverse
    return total, by_middle, by_size, by_inverse


@njit(cache=True, nogil=True)
def _in_order(own, one, other, of_least, of_between, of_most):
    """What belongs to the first of three numbers, by its rank."""
    if own <= one and own <= other:
        return of_least
    return of_most if own >= one and own >= other else of_between


@njit(cache=True, nogil=True)
def as_normal(d0, d1, s):
    """Middle of a slice, its size and 1 / spread; a narrow slice is part of the spread instead."""
    size = (d1 - d0) / s
    if size <= NARROW:
        return 0.5 * (d0 + d1), 0.0, 1.0 / (s * math.sqrt(1.0 + size * size / 12.0))
    return 0.5 * (d0 + d1), size, 1.0 / s


@njit(cache=True, nogil=True)
def as_normals(edges, sigma):
    """`as_normal` of all slices, shape (3, K)."""
    out = np.empty((3, sigma.size))
    for k in range(sigma.size):
        out[0, k], out[1, k], out[2, k] = as_normal(edges[k], edges[k + 1], sigma[k])
    return out
