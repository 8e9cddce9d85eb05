"""The parameters of a sample: thickness, density, rate and interfaces of its layers."""

import math
from collections import Counter

import numpy as np

from craterfront.experiments.setup import Setup
from craterfront.experiments.source import GlowDischarge
from craterfront.forward_model import ions
from craterfront.models.materials.causes import u_rel
from craterfront.models.materials.elements import (
    DensityUnknown,
    FormulaError,
    atomic_density_per_nm3,
)
from craterfront.notation import parameters as rules
from craterfront.notation.parameters import Parameter
from craterfront.problems import shown
from craterfront.samples.concrete_layer import ConcreteLayer
from craterfront.samples.stack import Stack

NOMINAL_ATOMIC_DENSITY_PER_NM3 = 50.0
"""Stands in where no density is known but a rate is: then no mass per area is reported."""


class LayerParameters:
    """A list of parameters with those of the layers in it.

    Parameters
    ----------
    stack, setup, depth_axis
        See `Assembly`.

    Attributes
    ----------
    layers : list of ConcreteLayer
        The last one is the substrate.
    parameters : list of Parameter
    """

    def __init__(self, stack: Stack, setup: Setup, depth_axis: bool) -> None:
        self.stack, self.setup, self.depth_axis = stack, setup, depth_axis
        self.layers = stack.expanded()
        self.parameters: list[Parameter] = []
        self._problems: list[str] = []
        self._index: dict[tuple[str, str], int] = {}

    def _add_layers(self) -> None:
        self._atoms = [atomic_density_per_nm3(layer.composition, 1.0) for layer in self.layers]
        self._density = [self._add_density(index) for index in range(len(self.layers))]
        self._thickness = [self._add_thickness(layer) for layer in self.layers[:-1]]
        self._width = [self._add_width(index) for index in range(len(self.layers) - 1)]
        self._rough = [self._add_interface_roughness(layer) for layer in self.layers[:-1]]
        self._estimates = self._estimated_rates()
        self._shared_causes = self._causes_of_several()
        self._rate_factors: dict[int, dict[int, float]] = {}
        self._rate = [self._add_rate(index) for index in range(len(self.layers))]
        self._rate_error = [self._add_rate_error(layer) for layer in self.layers[:-1]]

    @property
    def nominal(self) -> np.ndarray:
        """Nominal value of every parameter."""
        return np.array([parameter.value for parameter in self.parameters])

    def index_of(self, kind: str, name: str = "") -> int | None:
        """Index of a parameter by kind and group, or None."""
        return self._index.get((kind, name))

    def thickness_index(self, layer: int) -> int:
        """Parameter that is the thickness of a layer."""
        return self._thickness[layer]

    def rate_index(self, layer: int) -> int:
        """Parameter that is the erosion rate of a layer, but for a common factor."""
        return self._rate[layer]

    def rate_factors(self, layer: int) -> dict[int, float]:
        """Parameters that are factors of a layer's rate beside its own, with their powers."""
        return self._rate_factors.get(self._rate[layer], {})

    def width_index(self, layer: int) -> int:
        """Parameter that is the width of the interface below a layer."""
        return self._width[layer]

    def density_index(self, layer: int) -> int:
        """Parameter that is the density of a layer."""
        return self._density[layer]

    def _add(self, parameter: Parameter, kind: str, group: str = "") -> int:
        key = (kind, group)
        if key not in self._index:
            self._index[key] = len(self.parameters)
            self.parameters.append(parameter)
        return self._index[key]

    def _add_thickness(self, layer: ConcreteLayer) -> int:
        group = layer.thickness_group
        return self._add(rules.thickness(group, layer.thickness_nm), "thickness", group)

    def _add_density(self, index: int) -> int:
        layer = self.layers[index]
        group, known = layer.density_group, layer.density_g_cm3
        if known is None:
            nominal = NOMINAL_ATOMIC_DENSITY_PER_NM3 / self._atoms[index]
            return self._add(rules.unknown_density(group, nominal), "density", group)
        return self._add(rules.density(group, known), "density", group)

    def _add_width(self, index: int) -> int:
        layer = self.layers[index]
        neighbours = [layer.thickness_nm.value]
        if index + 1 < len(self.layers) - 1:
            neighbours.append(self.layers[index + 1].thickness_nm.value)
        widest = max(min(neighbours), layer.interface_width_nm.value * 1.5)
        parameter = rules.width(layer.width_group, layer.interface_width_nm, widest)
        return self._add(parameter, "width", layer.width_group)

    def _add_interface_roughness(self, layer: ConcreteLayer) -> int | None:
        """None where an interface is flat."""
        rough, group = layer.interface_roughness_nm, layer.roughness_group
        if rough.value == 0:
            return None
        kind = "interface roughness"
        name = f"interface roughness below {group}"
        return self._add(rules.instrument_number(name, kind, "nm", rough), kind, group)

    def _relief_nm(self, values: np.ndarray) -> np.ndarray:
        """Height of each interface against the outer surface, which may follow a share of it."""
        return np.array(
            [
                0.0 if index is None else (1.0 - layer.conformal) * float(values[index])
                for index, layer in zip(self._rough, self.layers, strict=False)
            ]
        )

    def _add_rate(self, index: int) -> int:
        layer = self.layers[index]
        if self.depth_axis:
            return self._add(
                rules.exact("depth per depth", "rate", "", 1.0, "the profile has a depth axis"),
                "rate",
                "",
            )
        group = layer.rate_group
        if layer.erosion_rate_nm_s is not None:
            return self._add(rules.rate(group, layer.erosion_rate_nm_s), "rate", group)
        estimate = self._estimates.get(group)
        if estimate is None:
            return self._add(rules.exact(group, "rate", "nm/s", 1.0), "rate", group)
        common = self._add_common_rate()
        shared = {c: ln_sd for c, ln_sd in estimate.causes.items() if c in self._shared_causes}
        own = {c: ln_sd for c, ln_sd in estimate.causes.items() if c not in shared}
        rate = self._add(
            rules.estimated_rate(group, estimate.nm_s, u_rel(own), estimate.why), "rate", group
        )
        self._rate_factors[rate] = {} if common is None else {common: 1.0}
        for cause, ln_sd in shared.items():
            factor = rules.shared_rate_factor(cause, abs(ln_sd))
            index = self._add(factor, factor.kind, cause)
            self._rate_factors[rate][index] = ln_sd / self.parameters[index].u
        return rate

    def _add_rate_error(self, layer: ConcreteLayer) -> int | None:
        """What the model itself may be wrong by in the rate of one layer; None where it may not."""
        u_rel = float(self.setup.discrepancy.rate_u_rel)
        if self.depth_axis or u_rel == 0:
            return None
        group = layer.graded or layer.thickness_group
        parameter = rules.rate_discrepancy(group, u_rel)
        return self._add(parameter, parameter.kind, group)

    def _add_common_rate(self) -> int | None:
        """What all estimated rates of a lamp, or of one measured rate, have in common."""
        source = self.setup.source
        if source is None or not (isinstance(source, GlowDischarge) or source.has_measured_rate):
            return None
        kind = "common rate factor"
        known = self.index_of(kind)
        if known is not None:
            return known
        ln_sd = ions.common_rate_ln_sd(source)
        return self._add(rules.common_rate_factor(ln_sd, measured=source.has_measured_rate), kind)

    def _estimated_rates(self) -> dict[str, ions.EstimatedRate]:
        """Rates that nobody wrote, by their group."""
        if self.depth_axis:
            return {}
        found = {
            layer.rate_group: self._estimated_rate(layer)
            for layer in self.layers
            if layer.erosion_rate_nm_s is None
        }
        return {group: rate for group, rate in found.items() if rate is not None}

    def _causes_of_several(self) -> set[str]:
        """Causes on which more than one of the estimated rates rests."""
        rests = Counter(cause for rate in self._estimates.values() for cause in rate.causes)
        return {cause for cause, count in rests.items() if count > 1}

    def _estimated_rate(self, layer: ConcreteLayer) -> ions.EstimatedRate | None:
        """Rate from tables, yields and the source; None with a problem."""
        source, density = self.setup.source, layer.density_g_cm3
        if source is None or density is None:
            problem = "missing, and nothing gives it"
        else:
            try:
                rate = ions.erosion_rate(layer.composition, float(density), source)
                if 0 < rate.nm_s < math.inf:
                    return rate
                problem = f"missing, and the yields give {rate.nm_s:g} nm/s"
            except (ValueError, ArithmeticError, DensityUnknown, FormulaError) as error:
                problem = str(error)
        problem = f"layer {shown(layer.label)} erosion_rate_nm_s: {problem}"
        if problem not in self._problems:  # as it is in every period
            self._problems.append(problem)
        return None

    def rate_powers(self, layer: int) -> dict[int, float]:
        """Parameters whose product with these powers is the erosion rate of a layer."""
        return {self._rate[layer]: 1.0, **self.rate_factors(layer)}

    def length_powers(self, layer: int) -> dict[int, float]:
        """Parameters whose product turns the time that a layer takes into its thickness.

        Its rate, and what the model may be wrong by in that. The latter is kept from the signal: a
        wrong model is wrong in heights and shapes as well, and they must not tell it.
        """
        error = self.rate_error_index(layer)
        powers = self.rate_powers(layer)
        return powers if error is None else {**powers, error: 1.0}

    def rate_error_index(self, layer: int) -> int | None:
        """Parameter by which the model may be wrong in a layer's rate; None where there is none."""
        return self._rate_error[layer] if layer < len(self._rate_error) else None

    def rate_errors(self, values: np.ndarray) -> np.ndarray:
        """Factors between what layers erode like and what they are, the substrate's 1, (L,)."""
        found = [self.rate_error_index(layer) for layer in range(len(self.layers))]
        return np.array([1.0 if i is None else float(values[i]) for i in found])

    def _rate_nm_s(self, index: int, values: np.ndarray) -> float:
        return float(math.prod(values[i] ** power for i, power in self.rate_powers(index).items()))

    def _atomic_density(self, index: int, values: np.ndarray) -> float:
        return float(values[self._density[index]] * self._atoms[index])
