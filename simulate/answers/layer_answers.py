"""Answers on layers: thickness, mass per area, depth and width of the interface below."""

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from craterfront.fitting.inversion import Inversion
from craterfront.fitting.limits import WidthAnswer
from craterfront.objective.estimation import Z95

WELL_KNOWN = 0.2
"""Relative standard uncertainty of an amount that is known though its layer may be too thin to
have a thickness."""


@dataclass(frozen=True)
class LayerSum:
    """Several layers together, with their joint uncertainty."""

    name: str
    value: float
    u: float
    lower: float
    upper: float
    areal_mass_g_m2: float | None
    areal_mass_u_g_m2: float | None


@dataclass(frozen=True)
class LayerAnswer(LayerSum):
    """One layer: value, standard uncertainty and 95 % interval, and the interface below it.

    With ``relative`` results, thickness, depth and width are durations in seconds at nominal rates.
    A layer that is not resolved is too thin to be told from an infinitely thin one: `upper` is a
    limit at 95 %, and `lower` the least that the file allows, 0 unless written.

    `depth` is that of the interface below the layer with its standard uncertainty and 95 %
    interval, from the joint uncertainty of all thicknesses above it. Of layers above that are not
    resolved the interval holds that they may be absent or as thick as their limits; then there is
    no `depth_u`, and without any that is resolved `depth_upper` is a limit.
    """

    width: WidthAnswer
    depth: float
    depth_u: float | None
    depth_lower: float
    depth_upper: float
    resolved: bool = True
    depth_resolved: bool = True


def layer_answers(
    inversion: Inversion, rates: Sequence[float], across: Sequence[float]
) -> list[LayerAnswer]:
    """Answers on all layers from the surface down.

    Parameters
    ----------
    inversion : Inversion
    rates : sequence of float
        What turns the thickness of each layer into the unit of the answer: 1, or nominal rates.
    across : sequence of float
        The same for the width of the interface below.
    """
    return [_layer(inversion, i, rates, across[i]) for i in range(len(across))]


def graded_sums(inversion: Inversion, rates: Sequence[float]) -> list[LayerSum]:
    """The parts of each graded layer together."""
    parts: dict[str, list[int]] = defaultdict(list)
    for number, layer in enumerate(inversion.likelihood.assembly.layers):
        if layer.graded is not None:
            parts[layer.graded].append(number)
    return [layer_sum(inversion, name, layers, rates) for name, layers in parts.items()]


def layer_sum(
    inversion: Inversion, name: str, layers: Sequence[int], rates: Sequence[float]
) -> LayerSum:
    """Some layers together.

    Thicknesses are correlated (a common rate, an edge between two layers), so their intervals do
    not add. A layer of which only a limit is known may be absent, or as thick as its limit.
    """
    assembly = inversion.likelihood.assembly
    value = absent = more = 0.0
    weights: dict[int, float] = defaultdict(float)
    for layer in layers:
        index, rate = assembly.thickness_index(layer), rates[layer]
        thickness = float(inversion.values[index]) / rate
        value += thickness
        if _is_resolved(inversion, layer):
            weights[index] += 1.0 / rate
        else:
            absent += thickness
            more += inversion.thin_layers[layer].upper_nm / rate - thickness
    u = inversion.uncertainty_of_sum(weights)
    lower, upper = interval(value, u)
    ends = _within_bounds(inversion, layers, rates, max(lower - absent, 0.0), upper + more)
    return LayerSum(name, value, u, *ends, *_known_mass(inversion, layers))


def interval(value: float, u: float) -> tuple[float, float]:
    """At 95 %, symmetric in the logarithm."""
    spread = math.exp(Z95 * u / value) if math.isfinite(u) else math.inf
    return value / spread, value * spread


def _within_bounds(
    inversion: Inversion,
    layers: Sequence[int],
    rates: Sequence[float],
    lower: float,
    upper: float,
) -> tuple[float, float]:
    """An interval of layers together that ends where the bounds of all of them do."""
    assembly = inversion.likelihood.assembly
    least = most = 0.0
    for layer in layers:
        index = assembly.thickness_index(layer)
        parameter, value = assembly.parameters[index], float(inversion.values[index])
        least += (value if parameter.is_fixed else parameter.lower) / rates[layer]
        most += (value if parameter.is_fixed else parameter.upper) / rates[layer]
    return min(max(lower, least), most), max(min(upper, most), least)


def _layer(inversion: Inversion, number: int, rates: Sequence[float], across: float) -> LayerAnswer:
    assembly = inversion.likelihood.assembly
    index, rate = assembly.thickness_index(number), rates[number]
    value = float(inversion.values[index]) / rate
    u = inversion.standard_uncertainty(index) / rate
    lower, upper = interval(value, u)
    thin = inversion.thin_layers.get(number)
    if thin is not None:
        lower, upper = thin.lower_nm / rate, thin.upper_nm / rate
    ends = _within_bounds(inversion, [number], rates, lower, upper)
    above = range(number + 1)
    down_to = layer_sum(inversion, "", above, rates)
    resolved = [_is_resolved(inversion, layer) for layer in above]
    return LayerAnswer(
        assembly.layers[number].name,
        value,
        u,
        *ends,
        *_known_mass(inversion, [number]),
        _scaled(inversion.widths[number], across),
        down_to.value,
        down_to.u if all(resolved) else None,
        *(ends if number == 0 else (down_to.lower, down_to.upper)),
        resolved[-1],
        any(resolved),
    )


def _is_resolved(inversion: Inversion, layer: int) -> bool:
    thin = inversion.thin_layers.get(layer)
    return thin is None or thin.resolved


def _known_mass(inversion: Inversion, layers: Sequence[int]) -> tuple[float | None, float | None]:
    """Mass per area of layers together [g/m2]; None where nothing or too little is known of it.

    A layer that is too thin to have a thickness may have a mass: where the signal counts atoms.
    """
    mass, u = _areal_mass(inversion, layers)
    resolved = all(_is_resolved(inversion, layer) for layer in layers)
    if mass is None or u is None or resolved or u < WELL_KNOWN * mass:
        return mass, u
    return None, None


def _areal_mass(inversion: Inversion, layers: Sequence[int]) -> tuple[float | None, float | None]:
    """The same [g/m2]; None without a depth scale or a density."""
    assembly, values = inversion.likelihood.assembly, inversion.values
    unknown = any(assembly.layers[layer].density_g_cm3 is None for layer in layers)
    if inversion.relative or unknown:
        return None, None
    weights = mass_weights(inversion, layers)
    mass = sum(
        float(values[assembly.thickness_index(i)] * values[assembly.density_index(i)])
        for i in layers
    )
    return 1e-3 * mass, 1e-3 * float(inversion.uncertainty_of_sum(weights))


def mass_weights(inversion: Inversion, layers: Sequence[int]) -> dict[int, float]:
    """Derivatives of the mass per area of layers together [1e-3 g/m2] by the parameters."""
    assembly, values = inversion.likelihood.assembly, inversion.values
    weights: dict[int, float] = defaultdict(float)  # layers may share a density
    for layer in layers:
        thickness, density = assembly.thickness_index(layer), assembly.density_index(layer)
        weights[thickness] += values[density]
        weights[density] += values[thickness]
    return weights


def _scaled(width: WidthAnswer, rate: float) -> WidthAnswer:
    return WidthAnswer(
        width.value_nm / rate,
        width.lower_nm / rate,
        width.upper_nm / rate,
        width.resolved,
        width.why,
    )
