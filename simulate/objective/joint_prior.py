"""What is known of several numbers together: a normal distribution with its correlations.

Some of the numbers may enter a signal linearly, sensitivities above all. Each is normal in a stated
coordinate: itself, its logarithm or its square.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Literal, Self

import numpy as np

Coordinate = Literal["linear", "logarithm", "square"]

_ALMOST_STRAIGHT = 0.3  # standard uncertainties of a square by which a prior bends at least
_NEAR_ZERO = 1e-3  # of a value, below which the slope by its square is that there
_SINGULAR = 1e-12  # eigenvalue of scaled information below which there is none
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
class SquarePrior:
    """A normal prior of a number that is not negative, as a function of its square.

    Half the square of its residual, (sqrt(s) - value)^2 / (2 u^2), falls or rises by `slope` and
    has the curvature `bend` (derived by differentiation). Around 0 it is a straight line: its
    residual, of which the slope is infinite there, must not be taken for a normal one in s.
    """

    slope: float
    bend: float

    @classmethod
    def at(cls, square: float, value: float, u: float) -> Self:
        """At a square, in its unit.

        Below the value, and within the uncertainty, it bends as there; nowhere less than to be
        normalised.
        """
        root = max(math.sqrt(max(square, 0.0)), _NEAR_ZERO * value)
        slope = (1.0 - value / root if value > 0 else 1.0) / (2.0 * u**2)
        bend = value / (4.0 * u**2 * max(root, value, u) ** 3)
        return cls(slope, max(bend, (_ALMOST_STRAIGHT / (2.0 * u * max(value, u))) ** 2))


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
    within : dict of int to (float, float)
        Value and u of priors of single parameters that were written of what is known here by its
        square; they are a part of it.
    powers : dict of int to dict of int to float
        Of squares, by their places among the coordinates: the places of rates, and with which power
        the square follows each. Such a square counts at the mean rates, as ``s (r / mean)^-power``.
        That is what readings show, so what they tell of square and rate together stays straight.
    """

    parameters: tuple[int, ...]
    linear: tuple[int, ...]
    coordinates: tuple[Coordinate, ...]
    root: np.ndarray
    target: np.ndarray
    within: Mapping[int, tuple[float, float]] = field(default_factory=dict)
    powers: Mapping[int, Mapping[int, float]] = field(default_factory=dict)

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
        return replace(
            self,
            parameters=(*self.parameters, *more),
            coordinates=(*self.coordinates[:first], *plain, *self.coordinates[first:]),
            root=np.insert(self.root, [first] * len(more), 0.0, axis=1),
        )

    def without(self, index: int) -> "JointPrior":
        """The same without what was written of a parameter alone, near the mean."""
        if index not in self.within:
            return self
        k, mean = self.parameters.index(index), self.mean
        own = SquarePrior.at(float(mean[k]), *self.within[index])
        along = self._square_slope(k, mean)
        information = self.root.T @ self.root - own.bend * np.outer(along, along)
        pull = self.root.T @ self.target - (own.bend * float(along @ mean) - own.slope) * along
        size = np.sqrt(np.maximum(np.diag(self.root.T @ self.root), 1e-300))
        values, directions = np.linalg.eigh(information / np.outer(size, size))
        firm = values > _SINGULAR
        root = np.sqrt(values[firm])[:, None] * directions[:, firm].T
        target = (directions[:, firm].T @ (pull / size)) / np.sqrt(values[firm])
        return replace(self, root=root * size, target=target, within={})

    def following(self, powers: Mapping[int, Mapping[int, float]]) -> "JointPrior":
        """The same near the mean, with squares that follow rates; see `powers`."""
        mean = self.mean
        root, target = self.root.copy(), self.target.copy()
        changed = replace(self, powers=powers)
        for k, of_rates in powers.items():
            along = changed._square_slope(k, mean)
            for j in of_rates:
                root[:, j] += along[j] * self.root[:, k]
                target += along[j] * mean[j] * self.root[:, k]
        return replace(changed, root=root, target=target)

    def _square_slope(self, k: int, mean: np.ndarray) -> np.ndarray:
        """Derivative of a square by all coordinates, at their mean."""
        along = np.zeros(mean.size)
        along[k] = 1.0
        for j, power in self.powers.get(k, {}).items():
            along[j] = power * max(float(mean[k]), 0.0)
        return along

    @cached_property
    def mean(self) -> np.ndarray:
        """Of the coordinates; 0 for one of which it says nothing."""
        return np.linalg.lstsq(self.root, self.target, rcond=None)[0]

    @property
    def size(self) -> int:
        """Number of residuals."""
        return self.target.size

    def residuals(self, values: np.ndarray, linear: np.ndarray) -> np.ndarray:
        """Residuals at values of all parameters and of all linear numbers, shape (R,)."""
        numbers = [*values[list(self.parameters)], *linear[list(self.linear)]]
        return self.root @ self._in_coordinates(numbers) - self.target

    def of_parameters(self, values: np.ndarray) -> np.ndarray:
        """Residuals of the parameters alone, whatever the linear numbers are."""
        count = len(self.parameters)
        known = self._in_coordinates(values[list(self.parameters)].tolist())
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

    def at_mean_rates(self, k: int, values: np.ndarray) -> float:
        """Factor on a square that makes it one at the mean rates."""
        return math.exp(
            sum(
                power * (self.mean[j] - math.log(values[self.parameters[j]]))
                for j, power in self.powers.get(k, {}).items()
            )
        )

    def _in_coordinates(self, numbers: Sequence[float]) -> np.ndarray:
        """Of the parameters, and of linear numbers if they are given too."""
        found = np.array(
            [
                coordinate_of(number, each)
                for number, each in zip(numbers, self.coordinates, strict=False)
            ]
        )
        for k, of_rates in self.powers.items():
            found[k] *= math.exp(sum(p * (self.mean[j] - found[j]) for j, p in of_rates.items()))
        return found
