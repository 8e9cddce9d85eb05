"""A number that follows rates, moved in its own unit.

The fit moves the time that a length takes, since that is what data fix. An interval of the length
itself must let the rates move along: where part of a broadening is known in nm, a width in time
depends on the rate, and its uncertainty and that of the rate do not simply add up.
"""

from dataclasses import dataclass, replace

import numpy as np

from craterfront.objective.coordinates import Coordinates
from craterfront.objective.estimation import Fit, Objective


@dataclass(frozen=True)
class OwnUnit:
    """Coordinates y that are those of the fit, x, but for one: its value at the nominal rates.

    Where the fit moves the square of a time, y is the square of the length; where it moves the
    logarithm, y is that of the length. What follows no rates stays as it is.

    Attributes
    ----------
    coordinates : Coordinates
    i : int
        Position of the number among the free parameters.
    """

    coordinates: Coordinates
    i: int

    def of(self, x: np.ndarray) -> np.ndarray:
        """From coordinates x, shape (P,), to coordinates y."""
        y, follow = x.copy(), float(self._powers @ x)
        y[self.i] = x[self.i] * np.exp(2.0 * follow) if self._is_square else x[self.i] + follow
        return y

    def back(self, y: np.ndarray) -> np.ndarray:
        """From coordinates y to coordinates x."""
        x, follow = y.copy(), float(self._powers @ y)
        x[self.i] = y[self.i] * np.exp(-2.0 * follow) if self._is_square else y[self.i] - follow
        return x

    def slopes(self, jacobian: np.ndarray, x: np.ndarray) -> np.ndarray:
        """Derivatives by y of what has the derivatives `jacobian`, shape (R, P), by x."""
        own = jacobian[:, self.i]
        if not self._is_square:
            return jacobian - np.outer(own, self._powers)
        by_y = jacobian - np.outer(own, 2.0 * self._powers * x[self.i])
        by_y[:, self.i] = own * np.exp(-2.0 * float(self._powers @ x))
        return by_y

    def gradient(self, x: np.ndarray) -> np.ndarray:
        """Derivative of the number's coordinate y by x."""
        if not self._is_square:
            slope = self._powers.copy()
            slope[self.i] += 1.0
            return slope
        factor = np.exp(2.0 * float(self._powers @ x))
        slope = 2.0 * self._powers * x[self.i] * factor
        slope[self.i] += factor
        return slope

    def objective(self, objective: Objective) -> Objective:
        """The same problem in y; the bounds are those of the number at the nominal rates."""

        def jacobian(y: np.ndarray) -> np.ndarray:
            x = self.back(y)
            return self.slopes(objective.jacobian(x), x)

        return Objective(
            lambda y: objective.residuals(self.back(y)), jacobian, objective.lower, objective.upper
        )

    def fit(self, fit: Fit) -> Fit:
        """A minimum in y."""
        return replace(fit, x=self.of(fit.x))

    def value(self, y: float) -> float:
        """Value of the number where its coordinate is y."""
        return self.coordinates.value_at(self.i, y)

    @property
    def _powers(self) -> np.ndarray:
        return self.coordinates.rate_powers(self.i)

    @property
    def _is_square(self) -> bool:
        return self.coordinates.is_square(self.i)
