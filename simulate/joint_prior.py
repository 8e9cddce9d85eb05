"""What is known of several numbers together: a normal distribution with its correlations.

Some of the numbers may enter a signal linearly, sensitivities above all. Each is normal in a stated
coordinate: itself, its logarithm or its square.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, Self

import numpy as np

Coordinate = Literal["linear", "logarithm", "square"]

_LEAST = 1e-6  # of its former value, below which a positive linear number is not followed


def coordinate_of(value: float, coordinate: Coordinate) -> float:
    """A number in its coordinate."""
    if coordinate == "logarithm":
        return math.log(value) if value > 0 else -math.inf
    return value**2 if coordinate == "square" else value


def slope_of(value: float, coordinate: Coordinate) -> float:
    """Derivative of the coordinate by the number."""
    if coordinate == "logarithm":
        return 1.0 / value
    return 2.0 * value if coordinate == "square" else 1.0


@dataclass(frozen=True)
class JointPrior:
    """Residuals of unit variance, linear in the coordinates: ``root @ coordinates - target``.

    Attributes
    ----------
    parameters : tuple of int
        Of the assembly.
    linear : tuple of int
        Linear numbers of the assembly.
    coordinates : tuple of str
        Of the parameters, then of the linear numbers ("linear" or "logarithm").
    root : ndarray, shape (R, P + L)
    target : ndarray, shape (R,)
    """

    parameters: tuple[int, ...]
    linear: tuple[int, ...]
    coordinates: tuple[Coordinate, ...]
    root: np.ndarray
    target: np.ndarray

    @classmethod
    def none(cls) -> Self:
        """Nothing is known."""
        return cls((), (), (), np.zeros((0, 0)), np.zeros(0))

    @classmethod
    def normal(
        cls,
        parameters: tuple[int, ...],
        linear: tuple[int, ...],
        coordinates: tuple[Coordinate, ...],
        mean: np.ndarray,
        covariance: np.ndarray,
    ) -> Self:
        """From mean and covariance in the coordinates, parameters first.

        Raises
        ------
        numpy.linalg.LinAlgError
            When the covariance is not positive definite.
        """
        u = np.sqrt(np.diag(covariance))
        root = np.linalg.inv(np.linalg.cholesky(covariance / np.outer(u, u))) / u
        return cls(parameters, linear, coordinates, root, root @ mean)

    def naming(self, parameters: Sequence[int]) -> "JointPrior":
        """The same with more parameters of which it says nothing: no fit leaves them out."""
        more = [index for index in parameters if index not in self.parameters]
        first = len(self.parameters)
        plain: tuple[Coordinate, ...] = ("linear",) * len(more)
        return JointPrior(
            (*self.parameters, *more),
            self.linear,
            (*self.coordinates[:first], *plain, *self.coordinates[first:]),
            np.insert(self.root, [first] * len(more), 0.0, axis=1),
            self.target,
        )

    @property
    def size(self) -> int:
        """Number of residuals."""
        return self.target.size

    def residuals(self, values: np.ndarray, linear: np.ndarray) -> np.ndarray:
        """Residuals at values of all parameters and of all linear numbers, shape (R,)."""
        numbers = [*values[list(self.parameters)], *linear[list(self.linear)]]
        return self.root @ self._in_coordinates(numbers, self.coordinates) - self.target

    def of_parameters(self, values: np.ndarray) -> np.ndarray:
        """Residuals of the parameters alone, whatever the linear numbers are."""
        count = len(self.parameters)
        known = self._in_coordinates(
            values[list(self.parameters)].tolist(), self.coordinates[:count]
        )
        return self.free_of_linear() @ (self.root[:, :count] @ known - self.target)

    def free_of_linear(self) -> np.ndarray:
        """Combinations of the residuals in which no linear number is, shape (R - L, R)."""
        # Turned so that the first L rows take up the linear numbers, the rest is free of them.
        turn, _ = np.linalg.qr(self.root[:, len(self.parameters) :], mode="complete")
        return turn[:, len(self.linear) :].T

    def linearised(
        self, values: np.ndarray, linear: np.ndarray, count: int
    ) -> tuple[np.ndarray, np.ndarray]:
        """Rows for a linear solution near given linear numbers, beside those of the readings.

        Parameters
        ----------
        values : ndarray
            Of all parameters.
        linear : ndarray, shape (Q,)
            Near which the coordinates are taken to be straight.
        count : int
            Number Q of all linear numbers.

        Returns
        -------
        matrix : ndarray, shape (R, Q)
        target : ndarray, shape (R,)
        """
        matrix = self.slopes(linear, count)
        return matrix, matrix @ linear - self.residuals(values, linear)

    def slopes(self, linear: np.ndarray, count: int) -> np.ndarray:
        """Derivatives of the residuals by all linear numbers, shape (R, Q)."""
        matrix = np.zeros((self.size, count))
        first = len(self.parameters)
        for i, index in enumerate(self.linear, start=first):
            matrix[:, index] = self.root[:, i] * slope_of(linear[index], self.coordinates[i])
        return matrix

    def followed(self, before: np.ndarray, solved: np.ndarray) -> np.ndarray:
        """Linear numbers of a solution, kept where their coordinates exist."""
        kept = solved.copy()
        for i, index in enumerate(self.linear, start=len(self.parameters)):
            if self.coordinates[i] == "logarithm":
                kept[index] = max(solved[index], _LEAST * before[index])
        return kept

    @staticmethod
    def _in_coordinates(numbers: list[float], coordinates: tuple[Coordinate, ...]) -> np.ndarray:
        pairs = zip(numbers, coordinates, strict=True)
        return np.array([coordinate_of(number, each) for number, each in pairs])
