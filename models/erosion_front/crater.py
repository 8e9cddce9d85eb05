"""Crater shapes as distributions of the relative erosion rate over the analysed area.

A point of the crater has the relative rate g, constant in time, with mean 1 over the area. Every
shape here is a mixture of uniform distributions: then the share of the area that has passed a
slice is a closed form (`arrival`). A segment (first, last, weight) is a uniform distribution of g
between first and last, in round craters from the inside out; first = last is a single value.

Each material may have a crater of its own, shape (M, P, 3): the same pieces of the area, with their
rates while they are in that material.
"""

import math

import numpy as np


def flat() -> np.ndarray:
    """A flat crater: one segment, shape (1, 3)."""
    return np.array([[1.0, 1.0, 1.0]])


def parabolic(curvature: float) -> np.ndarray:
    """Bottom of a round crater that is a paraboloid, g = 1 + curvature (1/2 - (r/R)^2).

    Area elements are uniform in (r/R)^2, so g is uniform on 1 -/+ curvature/2.

    Parameters
    ----------
    curvature : float
        (rate at the centre - rate at the edge) / mean rate, -2 < curvature < 2. Positive: deeper
        in the middle (concave bottom).

    Returns
    -------
    ndarray, shape (1, 3)
    """
    if not abs(curvature) < 2:
        raise ValueError(f"curvature must be between -2 and 2, got {curvature}")
    half = 0.5 * curvature
    return np.array([[1.0 + half, 1.0 - half, 1.0]])


def tilted(tilt: float) -> np.ndarray:
    """A plane bottom that is inclined across a rectangular gate: g uniform on 1 -/+ tilt/2.

    Parameters
    ----------
    tilt : float
        (highest - lowest rate) / mean rate in the gate, 0 <= tilt < 2.

    Returns
    -------
    ndarray, shape (1, 3)
    """
    return parabolic(tilt)


def edged(edge_share: float, edge_rate: float) -> np.ndarray:
    """A flat floor with an edge that erodes at another rate.

    Parameters
    ----------
    edge_share : float
        Share of the analysed area, 0 <= share < 1. A ring of width e inside the radius R takes
        1 - (1 - e/R)^2.
    edge_rate : float
        Rate at the edge relative to the floor, > 0.

    Returns
    -------
    ndarray, shape (2, 3)
    """
    if not 0 <= edge_share < 1:
        raise ValueError(f"edge_share must be at least 0 and below 1, got {edge_share}")
    if not edge_rate > 0:
        raise ValueError(f"edge_rate must be > 0, got {edge_rate}")
    mean = 1.0 - edge_share + edge_share * edge_rate
    floor, edge = 1.0 / mean, edge_rate / mean
    return np.array([[floor, floor, 1.0 - edge_share], [edge, edge, edge_share]])


def edge_ring_share(ring_width_mm: float, diameter_mm: float) -> float:
    """Share of a round area that its outer ring takes.

    Examples
    --------
    >>> round(edge_ring_share(0.1, 4.0), 6)
    0.0975
    """
    return 1.0 - (1.0 - 2.0 * ring_width_mm / diameter_mm) ** 2


def measured(radius: np.ndarray, depth: np.ndarray) -> np.ndarray:
    """A crater profile along a radius, from the centre to the edge of the analysed area.

    Between the points the depth is taken as linear in radius^2 (a piece of paraboloid), so each
    piece is a uniform distribution of g, weighted with its area.

    Parameters
    ----------
    radius : ndarray, shape (P,)
        Increasing from >= 0, any unit; P >= 2. The first point counts from the centre.
    depth : ndarray, shape (P,)
        Depth at each radius, > 0, any unit.

    Returns
    -------
    ndarray, shape (P - 1, 3), or (P, 3) with a flat centre where the first radius is above 0.
    """
    radius = np.asarray(radius, dtype=float)
    depth = np.asarray(depth, dtype=float)
    if radius.ndim != 1 or radius.shape != depth.shape or radius.size < 2:
        raise ValueError("a measured crater needs as many depths as radii, and at least two")
    if radius[0] < 0 or not np.all(np.diff(radius) > 0):
        raise ValueError("the radii of a measured crater must increase from 0 or more")
    if not np.all(depth > 0):
        raise ValueError("the depths of a measured crater must be > 0")
    if radius[0] > 0:
        radius, depth = np.append(0.0, radius), np.append(depth[0], depth)
    area = np.diff(radius**2) / radius[-1] ** 2
    mean = float(np.sum(area * 0.5 * (depth[1:] + depth[:-1])))
    return np.column_stack([depth[:-1] / mean, depth[1:] / mean, area])


def divided(segments: np.ndarray, count: int) -> np.ndarray:
    """The same crater with each segment in so many pieces of equal area, shape (count P, 3)."""
    first, last, weight = np.repeat(segments, count, axis=0).T
    start = np.tile(np.arange(count) / count, segments.shape[0])
    rise = last - first
    return np.column_stack(
        [first + start * rise, first + (start + 1 / count) * rise, weight / count]
    )


def merged(segments: np.ndarray, seen: np.ndarray, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Much the same crater in fewer segments of like rates, with their shares of the signal.

    Each is a uniform distribution of the share, mean and variance of what it stands for.
    """
    order = np.argsort(segments[:, :2].sum(axis=1))
    segments, seen = segments[order], seen[order]
    group = np.minimum((count * np.cumsum(segments[:, 2])).astype(int), count - 1)
    first = np.unique(group, return_index=True)[1]
    area = segments[:, 2]
    middle = 0.5 * segments[:, :2].sum(axis=1)
    share = np.add.reduceat(area, first)
    mean = np.add.reduceat(area * middle, first) / share
    square = middle**2 + (segments[:, 1] - segments[:, 0]) ** 2 / 12.0
    variance = np.add.reduceat(area * square, first) / share - mean**2
    half = np.minimum(np.sqrt(3.0 * np.maximum(variance, 0.0)), 0.9 * mean)
    return np.column_stack([mean - half, mean + half, share]), np.add.reduceat(seen, first)


def seen_shares(segments: np.ndarray, radius: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Share of the signal that comes from each segment of a round crater.

    Parameters
    ----------
    segments : ndarray, shape (P, 3)
        From the inside out.
    radius : ndarray, shape (N,)
        Increasing from 0 to the edge of the analysed area, any unit; N >= 2.
    weight : ndarray, shape (N,)
        How strongly the signal counts a sputtered atom at each radius, >= 0, any unit; linear in
        between.

    Returns
    -------
    ndarray, shape (P,)
        Sums to 1.
    """
    radius, weight = np.asarray(radius, float), np.asarray(weight, float)
    bound = radius[-1] * np.sqrt(np.append(0.0, np.cumsum(segments[:, 2])).clip(0.0, 1.0))
    points = np.union1d(radius, bound)
    at = np.interp(points, radius, weight)
    step = np.diff(points)
    # of 2 r w(r) with both linear
    part = step * (points[:-1] * (2 * at[:-1] + at[1:]) + points[1:] * (at[:-1] + 2 * at[1:])) / 3
    up_to = np.interp(bound, points, np.append(0.0, np.cumsum(part)))
    return np.diff(up_to) / up_to[-1]


def relative_smoothing(segments: np.ndarray) -> float:
    """Standard deviation of g if all of the floor were as level as its most level segment.

    A floor with an edge is two sharp copies of the sample, however far apart.
    """
    change, weight = np.abs(segments[..., 1] - segments[..., 0]), segments[..., 2]
    whole = np.divide(change, weight, out=np.full_like(weight, np.inf), where=weight > 0)
    return float(np.min(whole)) / math.sqrt(12.0)
