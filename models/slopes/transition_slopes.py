"""Slopes of interface planes and of volume fractions by thicknesses, planes and widths.

Integrals of products of transitions are differentiated under the integral, on the panels of
`transitions`. An interface of width 0 moves as a step.

At a width of exactly 0 a fraction still has a derivative by the *square* of the width: a
transition of variance v moves, across its plane, the volume that has the same moment v / 2 when
it goes from the middle of one slice to that of the next. Slices tell no more than that, and
whatever smooths the signal sees no more. A transition that is narrow against the slices moves more,
in proportion to its width, which by the square is a slope without bound. That is of the slices and
not of the sample: the slope at 0 is kept until the volume that crosses the plane grows no faster.
"""

import math

import numpy as np
from numba import njit

from craterfront.models.interfaces.transitions import (
    CONSTANT_SOURCE,
    ERF,
    EXPONENTIAL_BELOW,
    EXPONENTIAL_WIDTH_PER_LENGTH,
    HALF_NORMAL_MEAN,
    HALF_NORMAL_WIDTH,
    LIMITED_SOURCE,
    LINEAR,
    LINEAR_WIDTH_PER_LENGTH,
    LOGISTIC,
    LOGISTIC_WIDTH_PER_LENGTH,
    NODES,
    RAYLEIGH_MEAN,
    RAYLEIGH_WIDTH,
    TABULATED,
    WEIGHTS,
    contiguous,
    looked_up,
    overlap,
    reaches,
    smooth_pieces,
    support,
    transition,
    transition_variance_nm2,
)

_PER_ROOT = 1.0 / math.sqrt(2.0 * math.pi)


@njit(cache=True, nogil=True)
def _table_slope(x, tables, number):
    points = tables.shape[1]
    if x <= tables[number, 0, 0] or x >= tables[number, points - 1, 0]:
        return 0.0
    low, high = 0, points - 1
    while high - low > 1:
        middle = (low + high) // 2
        if tables[number, middle, 0] <= x:
            low = middle
        else:
            high = middle
    rise = tables[number, high, 1] - tables[number, low, 1]
    return rise / (tables[number, high, 0] - tables[number, low, 0])


@njit(cache=True, nogil=True)
def _steepness(x, shape, tables):
    """Derivative of T by x, the distance below the plane over the width."""
    if shape == ERF:
        return 2.0 * _PER_ROOT * math.exp(-2.0 * x * x)
    if shape == LINEAR:
        inside = abs(x) * LINEAR_WIDTH_PER_LENGTH < 0.5
        return LINEAR_WIDTH_PER_LENGTH if inside else 0.0
    if shape == LOGISTIC:
        e = math.exp(-abs(x) * LOGISTIC_WIDTH_PER_LENGTH)
        return LOGISTIC_WIDTH_PER_LENGTH * e / (1.0 + e) ** 2
    if shape == CONSTANT_SOURCE:
        depth = x * HALF_NORMAL_WIDTH + HALF_NORMAL_MEAN
        steep = 2.0 * _PER_ROOT * math.exp(-0.5 * depth * depth)
        return HALF_NORMAL_WIDTH * steep if depth > 0.0 else 0.0
    if shape == LIMITED_SOURCE:
        depth = x * RAYLEIGH_WIDTH + RAYLEIGH_MEAN
        steep = depth * math.exp(-0.5 * depth * depth)
        return RAYLEIGH_WIDTH * steep if depth > 0.0 else 0.0
    if shape >= TABULATED:
        return _table_slope(x, tables, shape - TABULATED)
    along = x * EXPONENTIAL_WIDTH_PER_LENGTH
    if shape == EXPONENTIAL_BELOW:
        return EXPONENTIAL_WIDTH_PER_LENGTH * math.exp(-along - 1.0) if along > -1.0 else 0.0
    return EXPONENTIAL_WIDTH_PER_LENGTH * math.exp(along - 1.0) if along < 1.0 else 0.0


@njit(cache=True, nogil=True)
def _at(z, plane, width, shape, tables, from_above):
    """T(z); at a step as seen from above or from below."""
    if width <= 0.0:
        return 1.0 if z > plane or (z == plane and not from_above) else 0.0
    if shape >= TABULATED:
        return looked_up((z - plane) / width, tables, shape - TABULATED)
    return transition(z, plane, width, shape)


@njit(cache=True, nogil=True)
def _product_at(z, planes, widths, shapes, tables, first, last, from_above):
    product = 1.0
    for j in range(first, last + 1):
        product *= _at(z, planes[j], widths[j], shapes[j], tables, from_above)
    return product


@njit(cache=True, nogil=True)
def _integral_and_slopes(
    z0, z1, planes, widths, shapes, tables, first, last, by_plane, by_width, values, steep
):
    """Integral of T_first ... T_last, and its derivatives by planes and widths."""
    breaks = smooth_pieces(z0, z1, planes, widths, shapes, tables, first, last)
    total = 0.0
    for j in range(first, last + 1):
        by_plane[j], by_width[j] = 0.0, 0.0
        if widths[j] <= 0.0 and z0 < planes[j] < z1:
            others = 1.0
            for i in range(first, last + 1):
                if i != j:
                    others *= _at(planes[j], planes[i], widths[i], shapes[i], tables, False)
            by_plane[j] = -others
    for b in range(breaks.size - 1):
        half = 0.5 * (breaks[b + 1] - breaks[b])
        middle = 0.5 * (breaks[b + 1] + breaks[b])
        if half <= 0.0:
            continue
        for n in range(NODES.size):
            z, weight = middle + half * NODES[n], half * WEIGHTS[n]
            product = 1.0
            for j in range(first, last + 1):
                values[j] = _at(z, planes[j], widths[j], shapes[j], tables, False)
                product *= values[j]
                steep[j] = 0.0
                if widths[j] > 0.0:
                    x = (z - planes[j]) / widths[j]
                    steep[j] = _steepness(x, shapes[j], tables) / widths[j]
            total += weight * product
            for j in range(first, last + 1):
                if steep[j] == 0.0:
                    continue
                others = weight * steep[j]
                for i in range(first, last + 1):
                    if i != j:
                        others *= values[i]
                by_plane[j] -= others
                by_width[j] -= others * (z - planes[j]) / widths[j]
    return total


@njit(cache=True, nogil=True)
def _plane_slopes(planes, widths, shapes, tables, thickness_slopes, width_slopes):
    count, directions = thickness_slopes.shape
    slopes = np.zeros((count, directions))
    by_plane, by_width, values, steep = np.zeros((4, count))
    target = np.zeros(directions)
    reached = 0.0
    for j in range(count):
        target += thickness_slopes[j]
        above, below = support(widths[j], shapes[j], tables)
        slopes[j] = target
        if planes[j] - above >= reached:
            reached = planes[j] + below
            continue
        start, end, first = overlap(planes, widths, shapes, tables, j)
        if end > start:
            _integral_and_slopes(
                start, end, planes, widths, shapes, tables, first, j, by_plane, by_width, values,
                steep,
            )  # fmt: skip
            if by_plane[j] != 0.0:
                for i in range(first, j + 1):
                    slopes[j] += by_width[i] * width_slopes[i]
                    if i < j:
                        slopes[j] += by_plane[i] * slopes[i]
                slopes[j] /= -by_plane[j]
        reached = max(reached, planes[j] + below)
    return slopes


def plane_slopes(
    planes_nm: np.ndarray,
    width_nm: np.ndarray,
    shape: np.ndarray,
    tables: np.ndarray,
    thickness_slopes: np.ndarray,
    width_slopes: np.ndarray,
) -> np.ndarray:
    """Slopes of the interface planes, shape (L, P).

    Parameters
    ----------
    planes_nm, width_nm, shape, tables
        See `transitions.interface_planes_nm`.
    thickness_slopes, width_slopes : ndarray, shape (L, P)
        Derivatives in P directions.
    """
    return _plane_slopes(
        planes_nm,
        *contiguous(width_nm, shape, tables),
        thickness_slopes,
        width_slopes,
    )


@njit(cache=True, nogil=True)
def _fraction_slopes(
    edges, planes, widths, shapes, tables, edge_slopes, plane_slopes, width_slopes
):
    slices, interfaces = edges.size - 1, planes.size
    directions = edge_slopes.shape[1]
    slopes = np.zeros((slices, interfaces + 1, directions))
    begins, settled = reaches(planes, widths, shapes, tables)
    by_plane, by_width, values, steep = np.zeros((4, interfaces))
    passed_slopes, product_slopes = np.zeros(directions), np.zeros(directions)
    first = 0
    for k in range(slices):
        z0, z1 = edges[k], edges[k + 1]
        while first < interfaces and settled[first] <= z0:
            first += 1
        passed = 1.0
        passed_slopes[:] = 0.0
        for j in range(first, interfaces + 1):
            product = 0.0
            product_slopes[:] = 0.0
            if j < interfaces and begins[j] < z1:
                integral = _integral_and_slopes(
                    z0, z1, planes, widths, shapes, tables, first, j, by_plane, by_width, values,
                    steep,
                )  # fmt: skip
                product = integral / (z1 - z0)
                at_top = _product_at(z0, planes, widths, shapes, tables, first, j, False)
                at_bottom = _product_at(z1, planes, widths, shapes, tables, first, j, True)
                for p in range(directions):
                    change = (at_bottom - product) * edge_slopes[k + 1, p]
                    change -= (at_top - product) * edge_slopes[k, p]
                    for i in range(first, j + 1):
                        change += by_plane[i] * plane_slopes[i, p]
                        change += by_width[i] * width_slopes[i, p]
                    product_slopes[p] = change / (z1 - z0)
            if passed - product > 0.0:
                for p in range(directions):
                    slopes[k, j, p] = passed_slopes[p] - product_slopes[p]
            passed = product
            passed_slopes[:] = product_slopes
            if product == 0.0:
                break
    return slopes


def fraction_slopes(
    edges_nm: np.ndarray,
    planes_nm: np.ndarray,
    width_nm: np.ndarray,
    shape: np.ndarray,
    tables: np.ndarray,
    fractions: np.ndarray,
    edge_slopes: np.ndarray,
    plane_slopes: np.ndarray,
    width_slopes: np.ndarray,
    square_slopes: np.ndarray,
) -> np.ndarray:
    """Slopes of the volume fractions in the slices, shape (K, L + 1, P).

    Parameters
    ----------
    edges_nm, planes_nm, width_nm, shape, tables
        See `transitions.slice_fractions`.
    fractions : ndarray, shape (K, L + 1)
        What that gives.
    edge_slopes : ndarray, shape (K + 1, P)
    plane_slopes, width_slopes : ndarray, shape (L, P)
    square_slopes : ndarray, shape (L, P)
        Derivatives of the squares of the widths; they count where a width is 0, or narrow against
        the slices.
    """
    narrow = _narrow(edges_nm, planes_nm, width_nm, shape, tables)
    slopes = _fraction_slopes(
        np.ascontiguousarray(edges_nm, dtype=float),
        planes_nm,
        *contiguous(width_nm, shape, tables),
        edge_slopes,
        plane_slopes,
        np.where(np.isin(np.arange(width_nm.size), list(narrow))[:, None], 0.0, width_slopes),
    )
    for j, below in narrow.items():
        size = np.diff(edges_nm[below - 1 : below + 2])
        moved = transition_variance_nm2(1.0, int(shape[j]), tables) / size.sum()
        across = fractions[below] - fractions[below - 1]
        across /= max(np.abs(across).max(), 1e-300)  # what lies on either side, unmixed
        exchanged = np.multiply.outer(across, square_slopes[j])
        slopes[below - 1] += moved / size[0] * exchanged
        slopes[below] -= moved / size[1] * exchanged
    return slopes


def _narrow(
    edges_nm: np.ndarray,
    planes_nm: np.ndarray,
    width_nm: np.ndarray,
    shape: np.ndarray,
    tables: np.ndarray,
) -> dict[int, int]:
    """Interfaces that are narrow against the slices beside them, and the slice below each."""
    found = {}
    for j, plane in enumerate(planes_nm):
        below = int(np.searchsorted(edges_nm, plane))
        if not (0 < below < edges_nm.size - 1 and edges_nm[below] == plane):
            continue
        variance = transition_variance_nm2(float(width_nm[j]), int(shape[j]), tables)
        if math.sqrt(variance) <= 0.5 * _PER_ROOT * (edges_nm[below + 1] - edges_nm[below - 1]):
            found[j] = below
    return found
