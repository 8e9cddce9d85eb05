"""Parts of a curve that are as steep as its resolution allows: no more can be read from them."""

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

AS_STEEP = 1.3
"""Times the resolution, below which the width of a rise says little of the true one: squares of
widths add, so up to 0.8 of the resolution may hide in it (derived)."""

_WIDTH_PER_RISE = math.sqrt(2.0 / math.pi)  # of a Gaussian edge: two sd over rise / steepest slope


@dataclass(frozen=True)
class SteepPart:
    """A rise or fall between two turning points.

    Attributes
    ----------
    start_nm, end_nm : float
        One resolution about the steepest place [nm].
    width_nm, resolution_nm : float
        Between 15.87 and 84.13 %, if it were Gaussian [nm].
    change : float
        From turning point to turning point.
    """

    start_nm: float
    end_nm: float
    width_nm: float
    resolution_nm: float
    change: float


def turning_points(values: np.ndarray, least: np.ndarray) -> list[int]:
    """Places where a sequence turns by more than what counts there, with both ends."""
    points, extreme, direction = [0], 0, 0
    for i in range(1, values.size):
        moved = values[i] - values[extreme]
        if direction == 0:
            if abs(values[i] - values[points[0]]) > least[i]:
                direction, extreme = (1 if values[i] > values[points[0]] else -1), i
        elif moved * direction >= 0:
            extreme = i
        elif abs(moved) > max(least[i], least[extreme]):
            points.append(extreme)
            extreme, direction = i, -direction
    return [*points, values.size - 1]


def steep_parts(
    depth_nm: np.ndarray, values: np.ndarray, least: np.ndarray, resolution_nm: np.ndarray
) -> list[SteepPart]:
    """Rises and falls that are hardly wider than an infinitely sharp one would look.

    Parameters
    ----------
    depth_nm : ndarray, shape (K,)
        Increasing [nm].
    values, least : ndarray, shape (K,)
        The curve, and which changes of it count.
    resolution_nm : ndarray, shape (K,)
        Two standard deviations [nm].
    """
    points = turning_points(values, least)
    slope = np.abs(np.gradient(values, depth_nm))
    found = []
    for start, end in pairwise(points):
        change = values[end] - values[start]
        steepest = start + int(np.argmax(slope[start : end + 1]))
        if abs(change) <= least[steepest]:
            continue
        width = _WIDTH_PER_RISE * abs(change) / slope[steepest]
        own = resolution_nm[steepest]
        if width < AS_STEEP * own:
            place = float(depth_nm[steepest])
            low, high = max(place - 0.5 * own, 0.0), place + 0.5 * own
            found.append(SteepPart(low, high, float(width), float(own), float(change)))
    return found
