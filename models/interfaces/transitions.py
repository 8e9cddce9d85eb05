"""True transitions between layers: volume fractions against depth.

Interface j carries a function T_j(z) that rises from 0 (material above) to 1 (material below).
The volume fractions of the layers follow from the interfaces one after the other,

    f_0 = 1 - T_0,  f_1 = T_0 (1 - T_1),  f_2 = T_0 T_1 (1 - T_2), ...,  substrate: T_0 T_1 T_2 ...

so they are positive and sum to one however much the interfaces overlap. The planes z_j are placed
such that the integral of f_l over depth is the thickness of layer l.

Widths are between the levels Phi(-1) and Phi(+1) (15.87 and 84.13 %), that is, two standard
deviations of a Gaussian edge. An interface of width 0 is a step, whatever its shape.

A transition may also be a table of points with straight lines between them (`transition_tables`).
"""

import math
from statistics import NormalDist

import numpy as np
from numba import njit

SHAPES = (
    "erf",
    "linear",
    "exponential below",
    "exponential above",
    "logistic",
    "constant source",
    "limited source",
)
"""Shapes in the order of their codes; 'below' and 'above' name the side of the long tail."""

ERF, LINEAR, EXPONENTIAL_BELOW, EXPONENTIAL_ABOVE, LOGISTIC = range(5)
CONSTANT_SOURCE, LIMITED_SOURCE = 5, 6

TABULATED = len(SHAPES)
"""Code of the first table of a sample; the others follow."""

NO_TABLES = np.empty((0, 1, 2))

LINEAR_WIDTH_PER_LENGTH = math.erf(1.0 / math.sqrt(2.0))
"""Width of a linear ramp of unit length between the levels Phi(-1) and Phi(+1)."""

EXPONENTIAL_WIDTH_PER_LENGTH = math.log(
    math.erfc(-1.0 / math.sqrt(2.0)) / math.erfc(1.0 / math.sqrt(2.0))
)
"""Width of an exponential edge of unit decay length between the same levels (1.668268)."""

LOGISTIC_WIDTH_PER_LENGTH = 2.0 * EXPONENTIAL_WIDTH_PER_LENGTH
"""Width of 1 / (1 + exp(-x)) between the same levels: twice the logit of Phi(1) (3.336536)."""

ABOVE = 0.5 * math.erfc(-1.0 / math.sqrt(2.0))  # Phi(1)
BELOW = 0.5 * math.erfc(1.0 / math.sqrt(2.0))  # Phi(-1)

# Of a half-normal distribution, which is what a constant source leaves as the derivative of the
# share, and of a Rayleigh distribution for a limited source, in units of sqrt(2 D t).
HALF_NORMAL_WIDTH = NormalDist().inv_cdf(0.5 + 0.5 * ABOVE) - NormalDist().inv_cdf(
    0.5 + 0.5 * BELOW
)
RAYLEIGH_WIDTH = math.sqrt(-2.0 * math.log(BELOW)) - math.sqrt(-2.0 * math.log(ABOVE))
HALF_NORMAL_MEAN = math.sqrt(2.0 / math.pi)
RAYLEIGH_MEAN = math.sqrt(0.5 * math.pi)

_SOURCE_REACH = 8.6  # sqrt(2 D t): beyond it both shares are below the rounding of 1
_ERF_REACH = 8.3  # standard deviations: beyond it the normal distribution is 0 or 1 in floats
_EXPONENTIAL_REACH = 37.0  # decay lengths: exp(-37) is below the rounding of 1
_PANELS = 12  # per interface, for the quadrature of overlapping interfaces
_LOGISTIC_PANELS = 48  # its poles are near: half a panel is a quarter of their distance

NODES, WEIGHTS = np.polynomial.legendre.leggauss(8)


def steepest_sd_nm(width_nm: float, shape: int, tables: np.ndarray = NO_TABLES) -> float:
    """Standard deviation of a Gaussian edge that is as steep as the transition is anywhere [nm].

    Only tables are much steeper somewhere than their width says: for all other shapes half of it
    stands in.
    """
    if shape < TABULATED:
        return 0.5 * width_nm
    x, share = tables[shape - TABULATED].T
    run, rise = np.diff(x), np.diff(share)
    rising = rise > 0
    return width_nm * float(np.min(run[rising] / rise[rising])) / math.sqrt(2.0 * math.pi)


def transition_variance_nm2(width_nm: float, shape: int, tables: np.ndarray = NO_TABLES) -> float:
    """Variance of the derivative of a transition [nm^2].

    Gaussian (width/2)^2, uniform length^2/12, exponential length^2, logistic (pi length)^2/3,
    half-normal (1 - 2/pi) 2 D t, Rayleigh (2 - pi/2) 2 D t; of a table that of its uniform pieces
    (derived).

    Parameters
    ----------
    width_nm : float
        Width between the levels Phi(-1) and Phi(+1) [nm].
    shape : int
        Index into `SHAPES`, or `TABULATED` and more.
    tables : ndarray, shape (N, P, 2)
        Points of the tables, see `transition_tables.stacked`.
    """
    if shape == ERF:
        return (0.5 * width_nm) ** 2
    if shape == LINEAR:
        return (width_nm / LINEAR_WIDTH_PER_LENGTH) ** 2 / 12.0
    if shape == LOGISTIC:
        return (math.pi * width_nm / LOGISTIC_WIDTH_PER_LENGTH) ** 2 / 3.0
    if shape == CONSTANT_SOURCE:
        return (width_nm / HALF_NORMAL_WIDTH) ** 2 * (1.0 - HALF_NORMAL_MEAN**2)
    if shape == LIMITED_SOURCE:
        return (width_nm / RAYLEIGH_WIDTH) ** 2 * (2.0 - RAYLEIGH_MEAN**2)
    if shape >= TABULATED:
        x, share = tables[shape - TABULATED].T
        square = (x[1:] ** 2 + x[1:] * x[:-1] + x[:-1] ** 2) / 3.0
        return width_nm**2 * float(np.sum(np.diff(share) * square))
    return (width_nm / EXPONENTIAL_WIDTH_PER_LENGTH) ** 2


@njit(cache=True, nogil=True)
def looked_up(x, tables, number):
    """Share at x by straight lines between the points of a table."""
    low, high = 0, tables.shape[1] - 1
    if x <= tables[number, low, 0]:
        return 0.0
    if x >= tables[number, high, 0]:
        return 1.0
    while high - low > 1:
        middle = (low + high) // 2
        if tables[number, middle, 0] <= x:
            low = middle
        else:
            high = middle
    x0, x1 = tables[number, low, 0], tables[number, high, 0]
    share0, share1 = tables[number, low, 1], tables[number, high, 1]
    return share0 + (share1 - share0) * (x - x0) / (x1 - x0)


@njit(cache=True, nogil=True)
def transition(z, plane, width, shape):
    """T(z) of one interface that is no table."""
    x = z - plane
    if width <= 0.0:
        return 1.0 if x >= 0.0 else 0.0
    if shape == ERF:
        return 0.5 * math.erfc(-x * math.sqrt(2.0) / width)
    if shape == LINEAR:
        return min(1.0, max(0.0, 0.5 + x * LINEAR_WIDTH_PER_LENGTH / width))
    if shape == LOGISTIC:
        return 1.0 / (1.0 + math.exp(-x * LOGISTIC_WIDTH_PER_LENGTH / width))
    if shape == CONSTANT_SOURCE:
        depth = x * HALF_NORMAL_WIDTH / width + HALF_NORMAL_MEAN
        return math.erf(depth / math.sqrt(2.0)) if depth > 0.0 else 0.0
    if shape == LIMITED_SOURCE:
        depth = x * RAYLEIGH_WIDTH / width + RAYLEIGH_MEAN
        return -math.expm1(-0.5 * depth**2) if depth > 0.0 else 0.0
    length = width / EXPONENTIAL_WIDTH_PER_LENGTH
    if shape == EXPONENTIAL_BELOW:
        return -math.expm1(-(x + length) / length) if x > -length else 0.0
    return math.exp((x - length) / length) if x < length else 1.0


@njit(cache=True, nogil=True)
def support(width, shape, tables):
    """How far above and below its plane an interface differs from 0 and 1."""
    if width <= 0.0:
        return 0.0, 0.0
    if shape == ERF:
        return _ERF_REACH * 0.5 * width, _ERF_REACH * 0.5 * width
    if shape == LINEAR:
        half = 0.5 * width / LINEAR_WIDTH_PER_LENGTH
        return half, half
    if shape == LOGISTIC:
        reach = _EXPONENTIAL_REACH * width / LOGISTIC_WIDTH_PER_LENGTH
        return reach, reach
    if shape == CONSTANT_SOURCE:
        sd = width / HALF_NORMAL_WIDTH
        return HALF_NORMAL_MEAN * sd, (_SOURCE_REACH - HALF_NORMAL_MEAN) * sd
    if shape == LIMITED_SOURCE:
        sd = width / RAYLEIGH_WIDTH
        return RAYLEIGH_MEAN * sd, (_SOURCE_REACH - RAYLEIGH_MEAN) * sd
    if shape >= TABULATED:
        number = shape - TABULATED
        return -tables[number, 0, 0] * width, tables[number, -1, 0] * width
    length = width / EXPONENTIAL_WIDTH_PER_LENGTH
    if shape == EXPONENTIAL_BELOW:
        return length, _EXPONENTIAL_REACH * length
    return _EXPONENTIAL_REACH * length, length


@njit(cache=True, nogil=True)
def _panels(shape, tables):
    """Between how many depths T is smooth and resolved by a few nodes: evenly, or as a table."""
    if shape >= TABULATED:
        return tables.shape[1] - 1
    return _LOGISTIC_PANELS if shape == LOGISTIC else _PANELS


@njit(cache=True, nogil=True)
def _product(z, planes, widths, shapes, tables, first, last):
    """T_first(z) ... T_last(z), both included."""
    product = 1.0
    for j in range(first, last + 1):
        if shapes[j] >= TABULATED and widths[j] > 0.0:
            product *= looked_up((z - planes[j]) / widths[j], tables, shapes[j] - TABULATED)
        else:
            product *= transition(z, planes[j], widths[j], shapes[j])
        if product == 0.0:
            break
    return product


@njit(cache=True, nogil=True)
def smooth_pieces(z0, z1, planes, widths, shapes, tables, first, last):
    """Bounds between z0 and z1 within which a few nodes resolve T_first ... T_last."""
    most = 2
    for j in range(first, last + 1):
        most += _panels(shapes[j], tables) + 2
    breaks = np.empty(most)
    breaks[0], breaks[1] = z0, z1
    count = 2
    for j in range(first, last + 1):
        above, below = support(widths[j], shapes[j], tables)
        top, size = planes[j] - above, above + below
        if top >= z1 or (top + size <= z0 and size > 0.0):
            continue
        if z0 < planes[j] < z1:
            breaks[count] = planes[j]
            count += 1
        panels = _panels(shapes[j], tables)
        for i in range(panels + 1):
            position = top + size * i / panels
            if shapes[j] >= TABULATED:
                position = planes[j] + widths[j] * tables[shapes[j] - TABULATED, i, 0]
            if z0 < position < z1:
                breaks[count] = position
                count += 1
    return np.sort(breaks[:count])


@njit(cache=True, nogil=True)
def _integral_of_product(z0, z1, planes, widths, shapes, tables, first, last):
    """Integral of T_first ... T_last from z0 to z1 by Gauss-Legendre.

    Every interface brings its kinks and panels that resolve its width.
    """
    breaks = smooth_pieces(z0, z1, planes, widths, shapes, tables, first, last)
    total = 0.0
    for i in range(breaks.size - 1):
        half = 0.5 * (breaks[i + 1] - breaks[i])
        middle = 0.5 * (breaks[i + 1] + breaks[i])
        if half > 0.0:
            for n in range(NODES.size):
                z = middle + half * NODES[n]
                total += (
                    half * WEIGHTS[n] * _product(z, planes, widths, shapes, tables, first, last)
                )
    return total


@njit(cache=True, nogil=True)
def overlap(planes, widths, shapes, tables, last):
    """From where to where the layers 0..last end, and the first interface that has a part in it."""
    end = 0.0
    for j in range(last + 1):
        end = max(end, planes[j] + support(widths[j], shapes[j], tables)[1])
    # Only interfaces whose support overlaps, directly or through others, with that of the last
    # one matter: where those above are still at 0, the integrand is 1.
    start = planes[last] - support(widths[last], shapes[last], tables)[0]
    first = last
    for j in range(last - 1, -1, -1):
        above, below = support(widths[j], shapes[j], tables)
        if planes[j] + below > start:
            start = min(start, planes[j] - above)
            first = j
    start = max(start, 0.0)
    return start, end, first


@njit(cache=True, nogil=True)
def _removed_thickness(planes, widths, shapes, tables, last):
    """Integral over z >= 0 of 1 - T_0 ... T_last: what the layers 0..last hold together."""
    start, end, first = overlap(planes, widths, shapes, tables, last)
    if end <= start:
        return start
    return end - _integral_of_product(start, end, planes, widths, shapes, tables, first, last)


@njit(cache=True, nogil=True)
def _solve_planes(thickness, widths, shapes, tables):
    """Planes from the surface down; each solves one monotone equation."""
    planes = np.empty(thickness.size)
    target = 0.0
    reached = 0.0  # deepest support so far: where the next interface may start undisturbed
    for j in range(thickness.size):
        target += thickness[j]
        planes[j] = target
        above, below = support(widths[j], shapes[j], tables)
        if target - above >= reached:
            reached = target + below
            continue
        # The slope is close to 1 unless the layer is far thinner than its interface, so a secant
        # from there converges in a few steps; bisection takes over if it leaves the bracket.
        low, high = -np.inf, np.inf
        previous, f_previous = planes[j], 0.0
        for step in range(200):
            f = _removed_thickness(planes, widths, shapes, tables, j) - target
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


def contiguous(
    width_nm: np.ndarray, shape: np.ndarray, tables: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Interfaces as the kernels take them."""
    return (
        np.ascontiguousarray(width_nm, dtype=float),
        np.ascontiguousarray(shape, dtype=np.int64),
        np.ascontiguousarray(tables, dtype=float),
    )


def interface_planes_nm(
    thickness_nm: np.ndarray,
    width_nm: np.ndarray,
    shape: np.ndarray,
    tables: np.ndarray = NO_TABLES,
) -> np.ndarray:
    """Depth of the interface planes at which every layer holds its thickness.

    Parameters
    ----------
    thickness_nm : ndarray, shape (L,)
        Thickness of each layer above the substrate [nm]: the integral of its volume fraction.
    width_nm : ndarray, shape (L,)
        Width of the interface below each layer [nm], levels Phi(-1) to Phi(+1).
    shape : ndarray of int, shape (L,)
        Index into `SHAPES`; `TABULATED` and what follows number the tables.
    tables : ndarray, shape (N, P, 2)
        Points of the tables, see `transition_tables.stacked`.

    Returns
    -------
    ndarray, shape (L,)
        Planes [nm]. Where interfaces do not overlap with each other or with the surface these
        are the running sums of the thicknesses; where they do, planes shift (possibly above
        the surface for a layer much thinner than its interface).
    """
    return _solve_planes(
        np.ascontiguousarray(thickness_nm, dtype=float),
        *contiguous(width_nm, shape, tables),
    )


@njit(cache=True, nogil=True)
def reaches(planes, widths, shapes, tables):
    """Depths above which interface j is at 0, and below which all interfaces up to j are at 1."""
    begins, settled = np.empty(planes.size), np.empty(planes.size)
    deepest = -np.inf
    for j in range(planes.size):
        above, below = support(widths[j], shapes[j], tables)
        begins[j] = planes[j] - above
        deepest = max(deepest, planes[j] + below)
        settled[j] = deepest
    return begins, settled


@njit(cache=True, nogil=True)
def _slice_fractions(edges, planes, widths, shapes, tables):
    slices, interfaces = edges.size - 1, planes.size
    fractions = np.zeros((slices, interfaces + 1))
    begins, settled = reaches(planes, widths, shapes, tables)
    first = 0  # interfaces before `first` are at 1 everywhere from here on
    for k in range(slices):
        z0, z1 = edges[k], edges[k + 1]
        while first < interfaces and settled[first] <= z0:
            first += 1
        passed = 1.0  # mean over the slice of T_0 ... T_{j-1}
        for j in range(first, interfaces + 1):
            if j == interfaces or begins[j] >= z1:
                product = 0.0
            else:
                integral = _integral_of_product(z0, z1, planes, widths, shapes, tables, first, j)
                product = integral / (z1 - z0)
            fractions[k, j] = max(passed - product, 0.0)
            passed = product
            if product == 0.0:
                break
    return fractions


def slice_fractions(
    edges_nm: np.ndarray,
    planes_nm: np.ndarray,
    width_nm: np.ndarray,
    shape: np.ndarray,
    tables: np.ndarray = NO_TABLES,
) -> np.ndarray:
    """Mean volume fraction of every layer in every slice.

    Parameters
    ----------
    edges_nm : ndarray, shape (K + 1,)
        Slice edges, increasing [nm]; slices may be thick against an interface.
    planes_nm, width_nm, shape : ndarray, shape (L,)
    tables : ndarray, shape (N, P, 2)
        Interfaces, see `interface_planes_nm`.

    Returns
    -------
    ndarray, shape (K, L + 1)
        Volume fractions, rows sum to 1; the last column is the substrate.
    """
    return _slice_fractions(
        np.ascontiguousarray(edges_nm, dtype=float),
        np.ascontiguousarray(planes_nm, dtype=float),
        *contiguous(width_nm, shape, tables),
    )


def support_nm(
    width_nm: np.ndarray, shape: np.ndarray, tables: np.ndarray = NO_TABLES
) -> tuple[np.ndarray, np.ndarray]:
    """How far each interface reaches above and below its plane.

    Parameters
    ----------
    width_nm, shape : ndarray, shape (L,)
    tables : ndarray, shape (N, P, 2)
        See `interface_planes_nm`.

    Returns
    -------
    above_nm, below_nm : ndarray, shape (L,)
        Distances from the plane beyond which T is 0 or 1 to rounding [nm].
    """
    reach = [support(float(w), int(s), tables) for w, s in zip(width_nm, shape, strict=True)]
    pairs = np.array(reach, dtype=float).reshape(-1, 2)
    return pairs[:, 0], pairs[:, 1]
