"""Coordinates in which the parameters of an inversion are moved.

Data fix how long something lasts, not how thick it is, and a signal depends on the square of a
width. So a coordinate is the logarithm of a time, the square of a width in time, or a number over
its uncertainty.
"""

import numpy as np

from craterfront.assembly import Assembly
from craterfront.parameters import Parameter

_LEAST_WIDTH = 0.2  # of the scale of a width: slices resolve what is at least as wide
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
            if parameter.kind == "width":
                x[i] *= np.exp(-2.0 * follow[i])
            else:
                x[i] -= follow[i]
        return x

    def values(self, x: np.ndarray) -> np.ndarray:
        """Values of all parameters at the given coordinates."""
        values = self._assembly.nominal
        follow = self._following(x)
        for i, (index, p) in enumerate(zip(self._free, self._parameters, strict=True)):
            scale = self._scale[i]
            if p.kind == "width":
                values[index] = scale * np.sqrt(max(x[i], 0.0)) * np.exp(follow[i])
            elif _is_logarithmic(p):
                values[index] = p.value * np.exp(x[i] + follow[i])
            else:
                values[index] = p.value + scale * x[i]
        return values

    def values_with_room(self, x: np.ndarray) -> np.ndarray:
        """The same with every width large enough for slices in which it may grow again."""
        values = self.values(x)
        for i, (index, parameter) in enumerate(zip(self._free, self._parameters, strict=True)):
            if parameter.kind == "width":
                values[index] = max(values[index], _LEAST_WIDTH * self._scale[i])
        return values

    def bounds(self) -> tuple[np.ndarray, np.ndarray]:
        """Lower and upper bounds of the coordinates."""
        lower = np.array([self._coordinate(i, p.lower) for i, p in enumerate(self._parameters)])
        upper = np.array([self._coordinate(i, p.upper) for i, p in enumerate(self._parameters)])
        far = np.array([_FARTHEST if _is_logarithmic(p) else np.inf for p in self._parameters])
        return np.maximum(lower, -far), np.minimum(upper, far)

    def gradient(self, index: int, value: float) -> np.ndarray:
        """Derivative of a parameter's value by the coordinates (not for widths)."""
        i = self._free.index(index)
        slope = value * self.rate_powers(i)
        slope[i] += value if _is_logarithmic(self._parameters[i]) else self._scale[i]
        return slope

    def rate_powers(self, i: int) -> np.ndarray:
        """Derivative of the logarithm of the rates behind free parameter i by the coordinates."""
        slope = np.zeros(len(self._free))
        for rate, power in self._behind[i].items():
            slope[rate] += power
        return slope

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
        if p.kind == "width":
            return max(2.0 * p.value, p.u) * p.u / scale**2
        return p.u / (p.value if _is_logarithmic(p) else scale)

    def _coordinate(self, i: int, value: float) -> float:
        p, scale = self._parameters[i], self._scale[i]
        if p.kind == "width":
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
        bounded = p.kind != "width" and (
            np.isfinite(p.upper) or (p.kind == "thickness" and p.lower)
        )
        if bounded:
            return {}
        behind = self._assembly.rates_behind(self._free[i])
        return {self._free.index(r): power for r, power in behind.items() if r in self._free}

    def _following(self, x: np.ndarray) -> np.ndarray:
        """Logarithm of the factor that the present rates put on each length."""
        return np.array(
            [sum(power * x[rate] for rate, power in behind.items()) for behind in self._behind]
        )


def _is_logarithmic(p: Parameter) -> bool:
    return p.logarithmic or (p.kind in _IN_PROPORTION and p.value > 0)


def _scale_of(p: Parameter) -> float:
    """What a step of 1 in the coordinate of a parameter means."""
    if p.kind == "width":
        return max(p.value, 0.1 * min(p.upper, 200.0), 1e-3)
    if _is_logarithmic(p):
        return 1.0
    return p.u if p.has_prior else max(abs(p.value), 1e-2)
