"""Fisher information of a planned measurement: the readings' part, and that of every prior.

Information adds, so what another noise or a better calibration would give follows from the same
slopes of the signal, without a new run of the engine.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from craterfront.forecasts.planned import Planned
from craterfront.notation.parameters import Parameter, is_free
from craterfront.objective.curvature import Curvature, curvature
from craterfront.objective.noise_model import Fluctuation, NoiseModel

GUESSES = "guessed thicknesses"

_GROUPS = {
    "rate": "erosion rates",
    "common rate factor": "erosion rates",
    "shared rate factor": "erosion rates",
    "thickness": "known thicknesses",
    "width": "known widths",
    "density": "densities",
    "curvature": "crater shape",
    "tilt": "crater shape",
    "edge share": "crater shape",
    "edge rate": "crater shape",
    "initial roughness": "roughness",
    "relative spread": "roughness",
    "grain size": "roughness",
    "final roughness": "roughness",
    "settling depth": "roughness",
    "mixing range": "mixing length",
    "displacement": "mixing length",
}
"""What is calibrated together, by kind of parameter; other kinds stand for themselves."""

COUNTS, READOUT, FLUCTUATION = "total counts", "readout noise", "flicker of the source"
FINAL_DEPTH = "final crater depth"


@dataclass(frozen=True)
class Prior:
    """What is known of one number before the measurement.

    Attributes
    ----------
    name : str
    group : str
        What is calibrated together with it.
    row : ndarray, shape (K,)
        Derivative of the deviation from the prior, in its standard uncertainties.
    index : int or None
        Parameter of the assembly.
    assumed : bool
        Nobody wrote its uncertainty.
    """

    name: str
    group: str
    row: np.ndarray
    index: int | None = None
    assumed: bool = False


@dataclass(frozen=True)
class Information:
    """Fisher information about K numbers.

    They are the P coordinates of the free parameters, the Q free linear numbers, and the
    parameters on which no reading bears, in their own units.

    Attributes
    ----------
    planned : Planned
    hidden : list of int
        Parameters on which no reading bears.
    priors : list of Prior
    """

    planned: Planned
    hidden: list[int]
    priors: list[Prior]

    @classmethod
    def of(cls, planned: Planned) -> "Information":
        """Of a planned measurement."""
        parameters, free = planned.assembly.parameters, planned.likelihood.free
        hidden = [i for i, p in enumerate(parameters) if p.has_prior and i not in free]
        return cls(planned, hidden, _priors(planned, hidden))

    @property
    def size(self) -> int:
        """Number K of numbers."""
        return self.planned.slopes.shape[-1] + len(self.hidden)

    @property
    def open_parameters(self) -> set[int]:
        """Parameters that are not exactly known."""
        return {*self.planned.likelihood.free, *self.hidden}

    @property
    def groups(self) -> list[str]:
        """Groups of priors."""
        return list(dict.fromkeys(prior.group for prior in self.priors))

    @cached_property
    def _of_readings(self) -> np.ndarray:
        return self._triangle(self.planned.likelihood.noise)

    def _triangle(self, noise: NoiseModel) -> np.ndarray:
        """Upper triangle R of the readings' part R^T R, shape (P + Q, P + Q)."""
        return np.linalg.qr(self.planned.white(self.planned.slopes, noise)).R

    def picture(
        self,
        noise: Mapping[str, float] | None = None,
        priors: Mapping[str, float] | None = None,
        without: int | None = None,
    ) -> Curvature:
        """Covariance of the K numbers.

        Parameters
        ----------
        noise : dict of str to float, optional
            Factors of `COUNTS`, `READOUT` or `FLUCTUATION`, the latter two as standard deviations.
        priors : dict of str to float, optional
            Factors of the standard uncertainties of groups of priors.
        without : int, optional
            A parameter whose own prior is left out.
        """
        rows = self._of_readings
        if noise:
            likelihood = self.planned.likelihood
            rows = self._triangle(_changed(likelihood.noise, likelihood.interval, noise))
        rows = np.pad(rows, ((0, 0), (0, len(self.hidden))))
        factors = priors or {}
        known = [
            prior.row / factors.get(prior.group, 1.0)
            for prior in self.priors
            if without is None or prior.index != without
        ]
        return curvature(np.vstack([rows, *known]))

    def gradient(self, weights: Mapping[int, float]) -> np.ndarray:
        """Derivative of a weighted sum of parameters by the K numbers."""
        planned = self.planned
        count = planned.slopes.shape[-1]
        slope = np.zeros(self.size)
        for index, weight in weights.items():
            if index in planned.likelihood.free:
                own = planned.likelihood.coordinates.gradient(index, planned.values)
                slope[: own.size] += weight * own
            elif index in self.hidden:
                slope[count + self.hidden.index(index)] += weight
        return slope

    def gradient_of_square(self, index: int) -> np.ndarray:
        """Derivative of the square of a parameter whose square is a coordinate."""
        own = _slope_of_square(self.planned, index)
        return np.pad(own, (0, self.size - own.size))

    def leading_prior(self, gradient: np.ndarray, group: str) -> Prior:
        """The prior of a group that contributes most to a variance."""
        along = self.picture().covariance[:, gradient != 0] @ gradient[gradient != 0]
        own = [prior for prior in self.priors if prior.group == group]
        return max(own, key=lambda prior: abs(float(prior.row @ np.nan_to_num(along, posinf=0.0))))


def _priors(planned: Planned, hidden: list[int]) -> list[Prior]:
    """Every prior as a row of K derivatives."""
    likelihood, parameters = planned.likelihood, planned.assembly.parameters
    count = planned.slopes.shape[-1]
    size = count + len(hidden)
    found = [
        _prior(parameters[index], index, _prior_slope(planned, index), size)
        for index in likelihood.free
        if parameters[index].has_prior
    ]
    for position, index in enumerate(hidden, start=count):
        row = np.zeros(size)
        row[position] = 1.0 / parameters[index].u
        found.append(_prior(parameters[index], index, row, size))
    solved = [n for n in planned.assembly.linear_numbers() if is_free(n.quantity)]
    for position, number in enumerate(solved, start=planned.x.size):
        if number.quantity.u:
            row = np.zeros(size)
            row[position] = 1.0 / number.quantity.u
            kind = {"sensitivity": "sensitivities", "background": "backgrounds"}
            first = number.name.split()[0]
            found.append(Prior(number.name, kind.get(first, "contaminations"), row))
    if likelihood.depth_limit is not None:
        row = np.pad(planned.depth_slopes / likelihood.depth_limit[1], (0, len(hidden)))
        found.append(Prior(FINAL_DEPTH, FINAL_DEPTH, row))
    return found


def _prior(parameter: Parameter, index: int, slope: np.ndarray, size: int) -> Prior:
    group = _GROUPS.get(parameter.kind, parameter.kind)
    if parameter.kind == "thickness" and parameter.state == "free":
        group = GUESSES
    row = np.pad(slope, (0, size - slope.size))
    return Prior(parameter.name, group, row, index, parameter.state == "assumed")


def _prior_slope(planned: Planned, index: int) -> np.ndarray:
    """Derivative of the deviation of a free parameter from its prior, by the coordinates.

    Where a square is the coordinate the prior is one of the square, near zero with the standard
    deviation u^2: there the derivative of the length has no end.
    """
    parameter = planned.assembly.parameters[index]
    value = float(planned.values[index])
    if parameter.may_be_zero:
        u_of_square = max(2.0 * value, parameter.u) * parameter.u
        return _slope_of_square(planned, index) / u_of_square
    slope = planned.likelihood.coordinates.gradient(index, planned.values)
    if parameter.logarithmic:
        return slope / value / (parameter.u / parameter.value)
    return slope / parameter.u


def _slope_of_square(planned: Planned, index: int) -> np.ndarray:
    """Derivative of the square of a free parameter by the coordinates, finite at zero, too."""
    i = planned.likelihood.free.index(index)
    return planned.likelihood.coordinates.jacobian(planned.x)[i]


def _changed(noise: NoiseModel, interval_s: np.ndarray, factors: Mapping[str, float]) -> NoiseModel:
    """The noise with other counts, readout noise or fluctuation."""
    fluctuation = noise.fluctuation
    if fluctuation is not None:
        larger = factors.get(FLUCTUATION, 1.0)
        processes = [(larger * rms, time_s) for rms, time_s in fluctuation.processes]
        fluctuation = Fluctuation.of(processes, interval_s, found=False)
    return replace(
        noise,
        kappa=noise.kappa / factors.get(COUNTS, 1.0),
        rho2=noise.rho2 * factors.get(READOUT, 1.0) ** 2,
        fluctuation=fluctuation,
    )
