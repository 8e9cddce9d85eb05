"""Coordinates in which the parameters of an inversion are moved.

Data fix how long something lasts, not how thick it is, and a signal depends on the square of what
broadens it. So a coordinate is the logarithm of a time, the square of a width in time or of another
broadening that is free, or a number over its uncertainty.
"""

import math

import numpy as np

from craterfront.forward_model.assembly import Assembly
from craterfront.notation.parameters import Parameter

_LEAST_ROOM = 0.2  # of the scale of what may be zero: slices resolve what is at least as wide
_IN_PROPORTION = ("initial roughness", "interface roughness", "mixing length")
_FARTHEST = 5.0  # a positive number may leave its nominal value by a factor of e^5


class Coordinates:
    """Coordinates of the free parameters of an assembly.

    Parameters
    ----------
    assembly : Assembly
    free : list of int
        Its parameters that are moved.
    """

    def __init__(self, assembly: Assembly, free: list[int]) -> None:
        self._assembly, self._free = assembly, free
        self._parameters = [assembly.parameters[index] for index in free]
        self._scale = np.array([_scale_of(parameter) for parameter in self._parameters])
        self._behind = [self._rates_behind(i) for i in range(len(free))]

    def of(self, values: np.ndarray) -> np.ndarray:
        """Coordinates for the given values of all parameters."""
        x = np.array([self._coordinate(i, values[index]) for i, index in enumerate(self._free)])
        follow = self._following(x)
        for i, parameter in enumerate(self._parameters):
            if parameter.may_be_zero:
                x[i] *= np.exp(-2.0 * follow[i])
            else:
                x[i] -= follow[i]
        return x

    def values(self, x: np.ndarray) -> np.ndarray:
        """Values of all parameters at the given coordinates."""
        values = self._assembly.nominal
        follow = self._following(x)
        for i, index in enumerate(self._free):
            values[index] = self.value_at(i, float(x[i])) * np.exp(follow[i])
        return values

    def value_at(self, i: int, coordinate: float) -> float:
        """Value of free parameter i at a coordinate of its own, all rates being nominal."""
        p, scale = self._parameters[i], self._scale[i]
        if p.may_be_zero:
            return float(scale * np.sqrt(max(coordinate, 0.0)))
        if _is_logarithmic(p):
            return float(p.value * np.exp(coordinate))
        return float(p.value + scale * coordinate)

    def with_room(self, x: np.ndarray) -> np.ndarray:
        """The same coordinates with what may be zero large enough to grow again."""
        least = [_LEAST_ROOM**2 if p.may_be_zero else -np.inf for p in self._parameters]
        return np.clip(np.maximum(x, least), *self.bounds())

    def bounds(self) -> tuple[np.ndarray, np.ndarray]:
        """Lower and upper bounds of the coordinates."""
        ends = [
            sorted((self._coordinate(i, p.lower), self._coordinate(i, p.upper)))
            for i, p in enumerate(self._parameters)
        ]
        lower, upper = np.array(ends).reshape(-1, 2).T
        far = np.array([_FARTHEST if _is_logarithmic(p) else np.inf for p in self._parameters])
        return np.maximum(lower, -far), np.minimum(upper, far)

    def of_all_durations(self) -> np.ndarray:
        """Change of the coordinates that makes all layers last longer by a common factor e.

        As far as the file leaves thickness or rate open.
        """
        thicknesses = [p.kind == "thickness" for p in self._parameters]
        rates = [
            p.kind == "common rate factor" or (p.kind == "rate" and p.state == "free")
            for p in self._parameters
        ]
        return np.array(thicknesses, dtype=float) - np.array(rates, dtype=float)

    def nothing(self, i: int) -> float:
        """Coordinate of the value of free parameter i that stands for zero."""
        return self._coordinate(i, self._parameters[i].nothing)

    def gradient(self, index: int, values: np.ndarray) -> np.ndarray:
        """Derivative of a parameter by the coordinates, at given values of all parameters.

        Infinite by its own coordinate where a square is zero.
        """
        i, value = self._free.index(index), float(values[index])
        slope = value * self.rate_powers(i)
        if self._parameters[i].may_be_zero:
            square = float(self.of(values)[i])
            slope[i] += 0.5 * value / square if square > 0 else math.inf
        else:
            slope[i] += value if _is_logarithmic(self._parameters[i]) else self._scale[i]
        return slope

    def jacobian(self, x: np.ndarray) -> np.ndarray:
        """Derivatives of the free parameters by the coordinates, shape (P, P).

        Row by row: of the value of a parameter, or of its square where the fit moves that.
        """
        values = self.values(x)
        rows = np.zeros((x.size, x.size))
        for i, (index, p) in enumerate(zip(self._free, self._parameters, strict=True)):
            if p.may_be_zero:
                follow = 2.0 * self.rate_powers(i)
                rows[i] = values[index] ** 2 * follow
                rows[i, i] += self._scale[i] ** 2 * np.exp(float(follow @ x))
            else:
                rows[i] = values[index] * self.rate_powers(i)
                rows[i, i] += values[index] if _is_logarithmic(p) else self._scale[i]
        return rows

    def scale(self, i: int) -> float:
        """What a step of 1 in the coordinate of free parameter i means."""
        return float(self._scale[i])

    def rate_powers(self, i: int) -> np.ndarray:
        """Derivative of the logarithm of the rates behind free parameter i by the coordinates."""
        slope = np.zeros(len(self._free))
        for rate, power in self._behind[i].items():
            slope[rate] += power
        return slope

    def is_square(self, i: int) -> bool:
        """Whether the coordinate of free parameter i is a square."""
        return self._parameters[i].may_be_zero

    def is_logarithmic(self, i: int) -> bool:
        """Whether the coordinate of free parameter i is a logarithm."""
        return _is_logarithmic(self._parameters[i])

    def with_coordinate(self, x: np.ndarray, i: int, coordinate: float) -> float:
        """Value of free parameter i when its coordinate alone is changed."""
        moved = x.copy()
        moved[i] = coordinate
        return float(self.values(moved)[self._free[i]])

    def prior_units(self) -> np.ndarray:
        """Standard uncertainty of each prior in its coordinate; 1 where there is none."""
        return np.array([self._prior_unit(i) for i in range(len(self._free))])

    def _prior_unit(self, i: int) -> float:
        p, scale = self._parameters[i], self._scale[i]
        if not p.has_prior:
            return 1.0
        if p.may_be_zero:
            return max(2.0 * p.value, p.u) * p.u / scale**2
        return p.u / (p.value if _is_logarithmic(p) else scale)

    def _coordinate(self, i: int, value: float) -> float:
        p, scale = self._parameters[i], self._scale[i]
        if p.may_be_zero:
            return (value / scale) ** 2
        if _is_logarithmic(p):
            return float(np.log(value / p.value)) if value > 0 else -np.inf
        return (value - p.value) / scale

    def _rates_behind(self, i: int) -> dict[int, float]:
        """Free rates (by position) that a length follows, with their powers.

        In the coordinate of a duration the valley "length over rate" is straight and narrow only
        across. A length with bounds of its own keeps its own coordinate.
        """
        p = self._parameters[i]
        has_upper = np.isfinite(p.upper) and not p.widest_by_default
        if p.kind != "width" and (has_upper or (p.kind == "thickness" and p.lower)):
            return {}
        behind = self._assembly.rates_behind(self._free[i])
        return {self._free.index(r): power for r, power in behind.items() if r in self._free}

    def _following(self, x: np.ndarray) -> np.ndarray:
        """Logarithm of the factor that the present rates put on each length."""
        return np.array(
            [sum(power * x[rate] for rate, power in behind.items()) for behind in self._behind]
        )


def _is_logarithmic(p: Parameter) -> bool:
    return p.logarithmic or (p.kind in _IN_PROPORTION and p.value > 0 and not p.may_be_zero)


def _scale_of(p: Parameter) -> float:
    """What a step of 1 in the coordinate of a parameter means."""
    if p.kind == "width":
        return max(p.value, 0.1 * min(p.upper, 200.0), 1e-3)
    if p.broadens:
        return p.value or 0.1 * min(p.upper, 1.0)
    if _is_logarithmic(p):
        return 1.0
    return p.u if p.has_prior else max(abs(p.value), 1e-2)
