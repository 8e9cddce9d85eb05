"""How smooth a curve is a priori: a Gaussian process of a law and a length, about a straight line.

Each prior is given as a basis: the curve is `basis @ x` with independent x of unit variance times
the amplitude, but for the last two, which are a constant and a slope of their own size.

The laws differ in how often curves can be differentiated: three times (matern 7/2), twice (5/2),
once (3/2). C. E. Rasmussen and C. K. I. Williams, Gaussian Processes for Machine Learning (2006),
section 4.2 (from memory). A law without end (gaussian) is none of them: it takes what it sees in
one place for knowledge of all others, and its intervals held the truth too seldom (measured).
"""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

_KEPT = 1e-10  # of the largest variance of a direction; smaller ones are left out
_SHORTEST = 1.5  # cells
_LONGEST = 0.75  # of all cells
_STEP = 1.5
_LINE = 2  # numbers of a straight line


def _matern_7_2(distance: np.ndarray) -> np.ndarray:
    scaled = math.sqrt(7.0) * distance
    return (1.0 + scaled + 0.4 * scaled**2 + scaled**3 / 15.0) * np.exp(-scaled)


def _matern_5_2(distance: np.ndarray) -> np.ndarray:
    scaled = math.sqrt(5.0) * distance
    return (1.0 + scaled + scaled**2 / 3.0) * np.exp(-scaled)


def _matern_3_2(distance: np.ndarray) -> np.ndarray:
    scaled = math.sqrt(3.0) * distance
    return (1.0 + scaled) * np.exp(-scaled)


LAWS: dict[str, Callable[[np.ndarray], np.ndarray]] = {
    "matern 7/2": _matern_7_2,
    "matern 5/2": _matern_5_2,
    "matern 3/2": _matern_3_2,
}
"""Correlation at a distance in units of the length, from the smoothest to the roughest."""


@dataclass(frozen=True)
class Smoothness:
    """A law and a length.

    Attributes
    ----------
    law : str
        One of `LAWS`.
    length_cells : float
    basis : ndarray, shape (K, R + 2)
        A constant and a slope of size 1 come last.
    """

    law: str
    length_cells: float
    basis: np.ndarray

    @classmethod
    def of(cls, law: str, length_cells: float, cells: int) -> "Smoothness":
        """For curves of so many cells."""
        place = np.arange(cells, dtype=float)
        distance = np.abs(place[:, None] - place) / length_cells
        variance, direction = np.linalg.eigh(LAWS[law](distance))
        kept = variance > _KEPT * variance[-1]
        line = np.column_stack([np.ones(cells), np.linspace(-1.0, 1.0, cells)])
        basis = np.hstack([direction[:, kept] * np.sqrt(variance[kept]), line])
        return cls(law, length_cells, basis)

    @property
    def varied(self) -> np.ndarray:
        """1 for each number that has the amplitude, 0 for those of the line."""
        return np.append(np.ones(self.basis.shape[1] - _LINE), np.zeros(_LINE))


def candidates(cells: int, near: float | None = None) -> Iterator[Smoothness]:
    """All laws, each with lengths from little more than a cell to most of them.

    Parameters
    ----------
    cells : int
    near : float, optional
        Only lengths next to this one, in cells.
    """
    steps = int(math.log(_LONGEST * cells / _SHORTEST) / math.log(_STEP))
    for law in LAWS:
        for step in range(steps, -1, -1):
            length = _SHORTEST * _STEP**step
            if near is None or abs(math.log(length / near)) < 1.5 * math.log(_STEP):
                yield Smoothness.of(law, length, cells)
