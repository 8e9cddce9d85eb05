"""True transitions between layers: volume fractions against depth.

Interface j carries a function T_j(z) that rises from 0 (material above) to 1 (material below).
The volume fractions of the layers follow from the interfaces one after the other,

    f_0 = 1 - T_0,  f_1 = T_0 (1 - T_1),  f_2 = T_0 T_1 (1 - T_2), ...,  substrate: T_0 T_1 T_2 ...

so they are positive and sum to one however much the interfaces overlap. The planes z_j are placed
such that the integral of f_l over depth is the thickness of layer l.

Widths are between the levels Phi(-1) and Phi(+1) (15.87 and 84.13 %), that is, two standard
deviations of a Gaussian edge.
"""

import math

import numpy as np
from numba import njit

SHAPES = ("erf", "linear", "exponential below", "exponential above")
"""Shapes in the order of their codes; 'below' and 'above' name the side of the long tail."""

ERF, LINEAR, EXPONENTIAL_BELOW, EXPONENTIAL_ABOVE = range(4)

LINEAR_WIDTH_PER_LENGTH = math.erf(1.0 / math.sqrt(2.0))
"""Width of a linear ramp of unit length between the levels Phi(-1) and Phi(+1)."""

EXPONENTIAL_WIDTH_PER_LENGTH = math.log(
    math.erfc(-1.0 / math.sqrt(2.0)) / math.erfc(1.0 / math.sqrt(2.0))
)
"""Width of an exponential edge of unit decay length between the same levels (1.668268)."""

_ERF_REACH = 8.3  # standard deviations: beyond it the normal distribution is 0 or 1 in floats
_EXPONENTIAL_REACH = 37.0  # decay lengths: exp(-37) is below the rounding of 1
_PANELS = 12  # per interface, for the quadrature of overlapping interfaces

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(8)


def erf_width_nm(diffusivity_time_nm2: float) -> float:
    """Width of the edge that interdiffusion of two half-spaces leaves.

    The profile is erfc(z / (2 sqrt(D t))) / 2, a Gaussian edge of standard deviation sqrt(2 D t).

    Parameters
    ----------
    diffusivity_time_nm2 : float
        Product of diffusivity and time, D t [nm^2], >= 0.

    Returns
    -------
    float
        Width between the levels Phi(-1) and Phi(+1) [nm], 2 sqrt(2 D t).

    References
    ----------
    J. Crank, The Mathematics of Diffusion, 2nd ed. (1975), section 2.3.

    Examples
    --------
    >>> round(erf_width_nm(1.0), 4)
    2.8284
    """
    if diffusivity_time_nm2 < 0:
        raise ValueError(f"diffusivity_time_nm2 must be >= 0, got {diffusivity_time_nm2}")
    return 2.0 * math.sqrt(2.0 * diffusivity_time_nm2)


def transition_variance_nm2(width_nm: float, shape: int) -> float:
    """Variance of the derivative of a transition [nm^2].

    Gaussian (width/2)^2, uniform length^2/12, exponential length^2.

    Parameters
    ----------
    width_nm : float
        Width between the levels Phi(-1) and Phi(+1) [nm].
    shape : int
        Index into `SHAPES`.
    """
    if shape == ERF:
        return (0.5 * width_nm) ** 2
    if shape == LINEAR:
        return (width_nm / LINEAR_WIDTH_PER_LENGTH) ** 2 / 12.0
    return (width_nm / EXPONENTIAL_WIDTH_PER_LENGTH) ** 2


@njit(cache=True, nogil=True)
def _transition(z, plane, width, shape):
    """T(z) of one interface."""
    x = z - plane
    if width <= 0.0:
        return 1.0 if x >= 0.0 else 0.0
    if shape == ERF:
        return 0.5 * math.erfc(-x * math.sqrt(2.0) / width)
    if shape == LINEAR:
        return min(1.0, max(0.0, 0.5 + x * LINEAR_WIDTH_PER_LENGTH / width))
    length = width / EXPONENTIAL_WIDTH_PER_LENGTH
    if shape == EXPONENTIAL_BELOW:
        return -math.expm1(-(x + length) / length) if x > -length else 0.0
    return math.exp((x - length) / length) if x < length else 1.0


@njit(cache=True, nogil=True)
def _support(width, shape):
    """How far above and below its plane an interface differs from 0 and 1."""
    if width <= 0.0:
        return 0.0, 0.0
    if shape == ERF:
        return _ERF_REACH * 0.5 * width, _ERF_REACH * 0.5 * width
    if shape == LINEAR:
        half = 0.5 * width / LINEAR_WIDTH_PER_LENGTH
        return half, half
    length = width / EXPONENTIAL_WIDTH_PER_LENGTH
    if shape == EXPONENTIAL_BELOW:
        return length, _EXPONENTIAL_REACH * length
    return _EXPONENTIAL_REACH * length, length


@njit(cache=True, nogil=True)
def _product(z, planes, widths, shapes, first, last):
    """T_first(z) ... T_last(z), both included."""
    product = 1.0
    for j in range(first, last + 1):
        product *= _transition(z, planes[j], widths[j], shapes[j])
        if product == 0.0:
            break
    return product


@njit(cache=True, nogil=True)
def _integral_of_product(z0, z1, planes, widths, shapes, first, last):
    """Integral of T_first ... T_last from z0 to z1 by Gauss-Legendre.

    Every interface brings its kinks and panels that resolve its width.
    """
    breaks = np.empty((last - first + 1) * (_PANELS + 2) + 2)
    breaks[0], breaks[1] = z0, z1
    count = 2
    for j in range(first, last + 1):
        above, below = _support(widths[j], shapes[j])
        top, size = planes[j] - above, above + below
        if top >= z1 or (top + size <= z0 and size > 0.0):
            continue
        if z0 < planes[j] < z1:
            breaks[count] = planes[j]
            count += 1
        for i in range(_PANELS + 1):
            position = top + size * i / _PANELS
            if z0 < position < z1:
                breaks[count] = position
                count += 1
    breaks = np.sort(breaks[:count])
    total = 0.0
    for i in range(count - 1):
        half = 0.5 * (breaks[i + 1] - breaks[i])
        middle = 0.5 * (breaks[i + 1] + breaks[i])
        if half > 0.0:
            for n in range(_NODES.size):
                z = middle + half * _NODES[n]
                total += half * _WEIGHTS[n] * _product(z, planes, widths, shapes, first, last)
    return total


@njit(cache=True, nogil=True)
def _removed_thickness(planes, widths, shapes, last):
    """Integral over z >= 0 of 1 - T_0 ... T_last: what the layers 0..last hold together."""
    end = 0.0
    for j in range(last + 1):
        end = max(end, planes[j] + _support(widths[j], shapes[j])[1])
    # Only interfaces whose support overlaps, directly or through others, with that of the last
    # one matter: where those above are still at 0, the integrand is 1.
    start = planes[last] - _support(widths[last], shapes[last])[0]
    first = last
    for j in range(last - 1, -1, -1):
        above, below = _support(widths[j], shapes[j])
        if planes[j] + below > start:
            start = min(start, planes[j] - above)
            first = j
    start = max(start, 0.0)
    if end <= start:
        return start
    return end - _integral_of_product(start, end, planes, widths, shapes, first, last)


@njit(cache=True, nogil=True)
def _solve_planes(thickness, widths, shapes):
    """Planes from the surface down; each solves one monotone equation."""
    planes = np.empty(thickness.size)
    target = 0.0
    reached = 0.0  # deepest support so far: where the next interface may start undisturbed
    for j in range(thickness.size):
        target += thickness[j]
        planes[j] = target
        above, below = _support(widths[j], shapes[j])
        if target - above >= reached:
            reached = target + below
            continue
        # The slope is close to 1 unless the layer is far thinner than its interface, so a secant
        # from there converges in a few steps; bisection takes over if it leaves the bracket.
        low, high = -np.inf, np.inf
        previous, f_previous = planes[j], 0.0
        for step in range(200):
            f = _removed_thickness(planes, widths, shapes, j) - target
            if abs(f) <= 1e-13 * max(target, 1.0):
                break
            if f > 0.0:
                high = planes[j]
            else:
                low = planes[j]
            change = -f
            if step > 0 and f != f_previous:
                change = -f * (planes[j] - previous) / (f - f_previous)
            previous, f_previous = planes[j], f
            trial = planes[j] + change
            if not low < trial < high:
                if np.isinf(low) or np.isinf(high):
                    trial = planes[j] - np.sign(f) * 2.0**step * (above + below + 0.1)
                else:
                    trial = 0.5 * (low + high)
            if trial == planes[j]:
                break
            planes[j] = trial
        reached = max(reached, planes[j] + below)
    return planes


def interface_planes_nm(
    thickness_nm: np.ndarray, width_nm: np.ndarray, shape: np.ndarray
) -> np.ndarray:
    """Depth of the interface planes at which every layer holds its thickness.

    Parameters
    ----------
    thickness_nm : ndarray, shape (L,)
        Thickness of each layer above the substrate [nm]: the integral of its volume fraction.
    width_nm : ndarray, shape (L,)
        Width of the interface below each layer [nm], levels Phi(-1) to Phi(+1).
    shape : ndarray of int, shape (L,)
        Index into `SHAPES`.

    Returns
    -------
    ndarray, shape (L,)
        Planes [nm]. Where interfaces do not overlap with each other or with the surface these
        are the running sums of the thicknesses; where they do, planes shift (possibly above
        the surface for a layer much thinner than its interface).
    """
    return _solve_planes(
        np.ascontiguousarray(thickness_nm, dtype=float),
        np.ascontiguousarray(width_nm, dtype=float),
        np.ascontiguousarray(shape, dtype=np.int64),
    )


@njit(cache=True, nogil=True)
def _slice_fractions(edges, planes, widths, shapes):
    slices, interfaces = edges.size - 1, planes.size
    fractions = np.zeros((slices, interfaces + 1))
    above = np.empty(interfaces)
    below = np.empty(interfaces)
    for j in range(interfaces):
        up, down = _support(widths[j], shapes[j])
        above[j], below[j] = planes[j] - up, planes[j] + down
    settled = np.empty(interfaces)  # all interfaces up to j are at 1 below this depth
    deepest = -np.inf
    for j in range(interfaces):
        deepest = max(deepest, below[j])
        settled[j] = deepest
    first = 0  # interfaces before `first` are at 1 everywhere from here on
    for k in range(slices):
        z0, z1 = edges[k], edges[k + 1]
        while first < interfaces and settled[first] <= z0:
            first += 1
        passed = 1.0  # mean over the slice of T_0 ... T_{j-1}
        for j in range(first, interfaces + 1):
            if j == interfaces or above[j] >= z1:
                product = 0.0
            else:
                product = _integral_of_product(z0, z1, planes, widths, shapes, first, j) / (z1 - z0)
            fractions[k, j] = max(passed - product, 0.0)
            passed = product
            if product == 0.0:
                break
    return fractions


def slice_fractions(
    edges_nm: np.ndarray, planes_nm: np.ndarray, width_nm: np.ndarray, shape: np.ndarray
) -> np.ndarray:
    """Mean volume fraction of every layer in every slice.

    Parameters
    ----------
    edges_nm : ndarray, shape (K + 1,)
        Slice edges, increasing [nm]; slices may be thick against an interface.
    planes_nm, width_nm, shape : ndarray, shape (L,)
        Interfaces, see `interface_planes_nm`.

    Returns
    -------
    ndarray, shape (K, L + 1)
        Volume fractions, rows sum to 1; the last column is the substrate.
    """
    return _slice_fractions(
        np.ascontiguousarray(edges_nm, dtype=float),
        np.ascontiguousarray(planes_nm, dtype=float),
        np.ascontiguousarray(width_nm, dtype=float),
        np.ascontiguousarray(shape, dtype=np.int64),
    )


def support_nm(width_nm: np.ndarray, shape: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """How far each interface reaches above and below its plane.

    Parameters
    ----------
    width_nm, shape : ndarray, shape (L,)
        See `interface_planes_nm`.

    Returns
    -------
    above_nm, below_nm : ndarray, shape (L,)
        Distances from the plane beyond which T is 0 or 1 to rounding [nm].
    """
    reach = [_support(float(w), int(s)) for w, s in zip(width_nm, shape, strict=True)]
    pairs = np.array(reach, dtype=float).reshape(-1, 2)
    return pairs[:, 0], pairs[:, 1]
