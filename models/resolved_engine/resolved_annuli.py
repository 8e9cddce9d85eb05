"""A round crater as annuli: columns of the sample at radii, and the area between them.

A column stands at every edge of an annulus. Annuli take equal shares of the area where the relative
rate g is smooth; between its two columns a depth is linear in r^2, a piece of a paraboloid. Where
the rate jumps, at the wall between a floor and its rim, two columns stand at the same radius, and
no area lies between them.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

Piece = tuple[float, float, float, float]
"""From r^2 to r^2, as shares of the area, and the relative rate at both ends."""


@dataclass(frozen=True)
class Annuli:
    """Columns and the annuli between them.

    Attributes
    ----------
    radius : ndarray, shape (J,)
        Radius of each column relative to that of the analysed area, non-decreasing from 0 to 1.
    rate : ndarray, shape (J,)
        Relative erosion rate g there; its mean over the area is 1.
    inner, outer : ndarray of int, shape (A,)
        The columns at the inner and at the outer edge of each annulus.
    share : ndarray, shape (A,)
        Of the area that each annulus takes; they sum to 1.
    """

    radius: np.ndarray
    rate: np.ndarray
    inner: np.ndarray
    outer: np.ndarray
    share: np.ndarray

    def mean(self, values: np.ndarray) -> np.ndarray:
        """Mean over the area of what the columns have, linear in r^2 within annuli, shape (...).

        Parameters
        ----------
        values : ndarray, shape (J, ...)
        """
        between = 0.5 * (values[self.inner] + values[self.outer])
        return np.tensordot(self.share, between, axes=1)

    @classmethod
    def of(cls, pieces: Sequence[Piece], count: int) -> "Annuli":
        """Annuli of pieces, each linear in r^2, from the centre outwards.

        Parameters
        ----------
        pieces : sequence of Piece
            Gapless from 0 to 1; rates need only be proportional.
        count : int
            About how many annuli; every piece has at least one.

        Raises
        ------
        ValueError
            For fewer annuli than 1.
        """
        if count < 1:
            raise ValueError(f"annuli must be >= 1, got {count}")
        square, rate, inner, share = [], [], [], []
        for low, high, first, last in pieces:
            if high <= low:
                continue
            parts = max(round(count * (high - low)), 1)
            place = np.linspace(0.0, 1.0, parts + 1)
            joined = int(bool(rate) and rate[-1] == first)
            start = len(rate) - joined
            square += list(low + (high - low) * place)[joined:]
            rate += list(first + (last - first) * place)[joined:]
            inner += range(start, start + parts)
            share += [(high - low) / parts] * parts
        columns, weight = np.array(inner), np.array(share) / math.fsum(share)
        found = cls(np.sqrt(square), np.array(rate), columns, columns + 1, weight)
        return cls(found.radius, found.rate / found.mean(found.rate), columns, columns + 1, weight)


def flat(count: int) -> Annuli:
    """The same rate everywhere."""
    return Annuli.of([(0.0, 1.0, 1.0, 1.0)], count)


def parabolic(curvature: float, count: int) -> Annuli:
    """Rate 1 + curvature (1/2 - r^2), -2 < curvature < 2; positive: deeper in the middle."""
    if not abs(curvature) < 2:
        raise ValueError(f"curvature must be between -2 and 2, got {curvature}")
    return Annuli.of([(0.0, 1.0, 1.0 + 0.5 * curvature, 1.0 - 0.5 * curvature)], count)


def edged(edge_share: float, edge_rate: float, count: int) -> Annuli:
    """A flat floor and a rim that takes a share of the area and erodes at another rate."""
    if not 0 <= edge_share < 1:
        raise ValueError(f"edge_share must be at least 0 and below 1, got {edge_share}")
    if not edge_rate > 0:
        raise ValueError(f"edge_rate must be > 0, got {edge_rate}")
    floor = 1.0 - edge_share
    return Annuli.of([(0.0, floor, 1.0, 1.0), (floor, 1.0, edge_rate, edge_rate)], count)


def measured(radius: np.ndarray, depth: np.ndarray, count: int) -> Annuli:
    """Rate proportional to a depth that is linear in r^2 between points; inside the first, flat.

    Parameters
    ----------
    radius, depth : ndarray, shape (P,)
        Radii increasing from >= 0 and depths > 0, any units; P >= 2.
    count : int
        About how many annuli; there are at least as many as pieces.
    """
    radius, depth = np.asarray(radius, dtype=float), np.asarray(depth, dtype=float)
    if radius.shape != depth.shape or radius.ndim != 1 or radius.size < 2:
        raise ValueError("a measured crater needs as many depths as radii, and at least two")
    if radius[0] < 0 or not np.all(np.diff(radius) > 0):
        raise ValueError("the radii of a measured crater must increase from 0 or more")
    if not np.all(depth > 0):
        raise ValueError("the depths of a measured crater must be > 0")
    square = (radius / radius[-1]) ** 2
    pieces = [(0.0, float(square[0]), float(depth[0]), float(depth[0]))]
    ends = zip(square, square[1:], depth, depth[1:], strict=False)
    pieces += [(float(a), float(b), float(c), float(d)) for a, b, c, d in ends]
    return Annuli.of(pieces, count)
