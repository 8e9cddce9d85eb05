"""Slopes of crater shapes (`crater`) by their numbers: how segments change with each."""

import numpy as np


def parabolic_slopes() -> np.ndarray:
    """Of `crater.parabolic` by the curvature, and of `crater.tilted` by the tilt, shape (1, 3)."""
    return np.array([[0.5, -0.5, 0.0]])


def edged_slopes(edge_share: float, edge_rate: float) -> tuple[np.ndarray, np.ndarray]:
    """Of `crater.edged` by the share and by the rate of the edge, shapes (2, 3)."""
    mean = 1.0 - edge_share + edge_share * edge_rate
    out = []
    for of_share, of_rate in ((1.0, 0.0), (0.0, 1.0)):
        of_mean = of_share * (edge_rate - 1.0) + edge_share * of_rate
        floor = -of_mean / mean**2
        edge = of_rate / mean + edge_rate * floor
        out.append(np.array([[floor, floor, -of_share], [edge, edge, of_share]]))
    return out[0], out[1]


def seen_share_slopes(
    segments: np.ndarray, area_slopes: np.ndarray, radius: np.ndarray, weight: np.ndarray
) -> np.ndarray:
    """Of `crater.seen_shares`, shape (P,), where the areas of the segments change so.

    Notes
    -----
    What is seen out to a radius grows by 2 r w(r) dr, and 2 r dr is the growth of the area.
    """
    radius, weight = np.asarray(radius, float), np.asarray(weight, float)
    inside = np.append(0.0, np.cumsum(segments[:, 2])).clip(0.0, 1.0)
    bound = radius[-1] * np.sqrt(inside)
    # The whole: the integral of 2 r w(r), with both linear between the points.
    first, last = radius[:-1], radius[1:]
    at_first, at_last = weight[:-1], weight[1:]
    part = first * (2 * at_first + at_last) + last * (at_first + 2 * at_last)
    whole = float(np.sum((last - first) * part / 3))
    moved = np.append(0.0, np.cumsum(area_slopes))
    return np.diff(radius[-1] ** 2 * np.interp(bound, radius, weight) * moved) / whole
