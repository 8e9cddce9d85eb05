"""Which numbers of an experiment belong to the instrument and to materials, not to one sample.

The thickness and the interfaces of layers, the roughness of the outer surface and what lies on it
are of the sample: they are the same when it is measured again. Everything else holds for another
sample that is measured in the same way.
"""

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from craterfront.forward_model.assembly import Assembly
from craterfront.forward_model.crater_parameters import curvature_key, curvatures
from craterfront.forward_model.responses import sensitivity_label
from craterfront.notation.parameters import linear_state
from craterfront.objective.joint_prior import Coordinate
from craterfront.samples.by_layer import key_of_layer
from craterfront.samples.concrete_layer import ConcreteLayer

RATE, DENSITY, SENSITIVITY, BACKGROUND = "erosion rate", "density", "sensitivity", "background"
CURVATURE, MIXING_LENGTH = "crater curvature", "mixing length"

_OF_PARAMETER = {
    CURVATURE: "curvature",
    "crater tilt": "tilt",
    "crater edge share": "edge share",
    "crater edge rate": "edge rate",
    MIXING_LENGTH: "mixing length",
}
"""Kinds of parameters that have another name here."""

GENERAL = (
    CURVATURE,
    "crater tilt",
    "crater edge share",
    "crater edge rate",
    "relative spread",
    "grain size",
    "final roughness",
    "settling depth",
    MIXING_LENGTH,
    "mixing range",
    "displacement",
    "escape depth",
    "residence time",
    "hydrogen of half effect",
    "start-up rate deficit",
    "start-up decay time",
    "surface transient excess",
    "surface transient depth",
)
MIXING = (MIXING_LENGTH, "mixing range", "displacement")
"""What refers to the material at the surface."""

OF_CHANNEL = ("self-absorption", "hydrogen effect")
OF_MATERIAL = (RATE, DENSITY)
SAMPLE = "sample"
KINDS = (*GENERAL, *OF_CHANNEL, *OF_MATERIAL, SENSITIVITY, BACKGROUND, SAMPLE)

_OF_SAMPLE = ("thickness", "width", "initial roughness", "interface roughness")
_OF_EITHER_SIGN = (
    CURVATURE,
    "crater tilt",
    "crater edge share",
    "hydrogen effect",
    "start-up rate deficit",
    "surface transient excess",
    BACKGROUND,
)

SAME_MATERIAL = 0.01
"""Atomic fraction by which compositions of one material may differ (common practice, no source)."""


@dataclass(frozen=True)
class InstrumentNumber:
    """One of these numbers, and where an assembly has it.

    Attributes
    ----------
    kind : str
        Of `KINDS`.
    channel : str
        Its name; "" where the number is of no channel. Of a number of the sample: what it is.
    material : str
        Name of the material; "" where the number is for all.
    composition : dict of str to float
        Atomic fractions of that material.
    unit : str
    before : str
        What was known of it before the readings, in words.
    powers : dict of int to float
        Parameters whose product with these powers it is; empty for a linear number.
    linear : int or None
        The linear number that it is.
    """

    kind: str
    channel: str
    material: str
    composition: Mapping[str, float]
    unit: str
    before: str
    powers: Mapping[int, float]
    linear: int | None = None

    @property
    def name(self) -> str:
        """What tables call it."""
        if self.kind == SAMPLE:
            return self.channel
        of = f" {self.channel}" if self.channel else ""
        if not self.material:
            return self.kind + of
        return f"{self.kind}{of} {'of' if self.kind in OF_MATERIAL else 'in'} {self.material}"

    def value(self, values: np.ndarray, linear: np.ndarray) -> float:
        """Its value at values of all parameters and of all linear numbers."""
        if self.linear is not None:
            return float(linear[self.linear])
        return math.prod(float(values[index]) ** power for index, power in self.powers.items())

    def natural_coordinate(self, value: float) -> Coordinate:
        """The logarithm of a positive number, else the number itself."""
        return "linear" if self.kind in _OF_EITHER_SIGN or value <= 0 else "logarithm"


def same_material(first: Mapping[str, float], second: Mapping[str, float]) -> bool:
    """Whether two compositions are those of one material: all atomic fractions within 0.01.

    Calibrated numbers hold for it then; what is looked up in tables has to agree more closely, see
    `models.materials.elements.same_composition`.
    """
    elements = {*first, *second}
    return all(abs(first.get(e, 0.0) - second.get(e, 0.0)) <= SAME_MATERIAL for e in elements)


def instrument_numbers(assembly: Assembly) -> list[InstrumentNumber]:
    """All numbers of the instrument and of materials that an assembly has."""
    return [
        *_general(assembly),
        *_of_channels(assembly),
        *_of_materials(assembly),
        *_linear(assembly),
    ]


def sample_numbers(assembly: Assembly) -> list[InstrumentNumber]:
    """The numbers of the sample alone, as far as they are parameters."""
    return [
        InstrumentNumber(SAMPLE, p.name, "", {}, p.unit, p.described(), {index: 1.0})
        for index, p in enumerate(assembly.parameters)
        if p.kind in _OF_SAMPLE
    ]


def material_name(layer: ConcreteLayer) -> str:
    """Name of what a layer consists of: its material, else the layer's."""
    return layer.material or layer.label


def _general(assembly: Assembly) -> Iterator[InstrumentNumber]:
    for kind in GENERAL:
        own = _OF_PARAMETER.get(kind, kind)
        index = assembly.index_of(own)
        if index is not None:
            yield _number(assembly, kind, index)
        else:
            yield from _by_layer(assembly, kind, own)


def _by_layer(assembly: Assembly, kind: str, own: str) -> Iterator[InstrumentNumber]:
    """Curvature or mixing length, where each of several layers has its own."""
    seen: set[int] = set()
    for layer in assembly.layers:
        key = _key(assembly, kind, layer)
        index = assembly.index_of(own, key) if key else None
        if index is not None and index not in seen:
            seen.add(index)
            yield _number(assembly, kind, index, layer)


def _key(assembly: Assembly, kind: str, layer: ConcreteLayer) -> str:
    if kind == CURVATURE and curvatures(assembly.setup):
        return curvature_key(assembly.setup, layer)
    table = assembly.setup.mixing.length_nm
    if kind == MIXING_LENGTH and isinstance(table, dict):
        return key_of_layer(table, layer) or ""
    return ""


def _of_channels(assembly: Assembly) -> Iterator[InstrumentNumber]:
    for kind in OF_CHANNEL:
        for channel in assembly.channels:
            index = assembly.index_of(kind, channel.name)
            if index is not None:
                yield _number(assembly, kind, index, channel=channel.name)


def _of_materials(assembly: Assembly) -> Iterator[InstrumentNumber]:
    rates: set[int] = set()
    densities: set[int] = set()
    for i, layer in enumerate(assembly.layers):
        rate, density = assembly.rate_index(i), assembly.density_index(i)
        if rate not in rates and not assembly.depth_axis:
            rates.add(rate)
            powers = {rate: 1.0, **assembly.rate_factors(i)}
            yield _number(assembly, RATE, rate, layer, powers=powers)
        if density not in densities and layer.density_g_cm3 is not None:
            densities.add(density)
            yield _number(assembly, DENSITY, density, layer)


def _number(
    assembly: Assembly,
    kind: str,
    index: int,
    layer: ConcreteLayer | None = None,
    *,
    channel: str = "",
    powers: Mapping[int, float] | None = None,
) -> InstrumentNumber:
    parameter = assembly.parameters[index]
    return InstrumentNumber(
        kind,
        channel,
        "" if layer is None else material_name(layer),
        {} if layer is None else layer.composition,
        parameter.unit,
        parameter.described(),
        {index: 1.0} if powers is None else powers,
    )


def _linear(assembly: Assembly) -> Iterator[InstrumentNumber]:
    """Sensitivities, for all layers or by layer, and backgrounds."""
    for index, number in enumerate(assembly.linear_numbers()):
        channel = assembly.channels[number.channel]
        before = linear_state(number.quantity)
        if index >= len(assembly.responses):
            if number.name == f"{BACKGROUND} {channel.name}":
                yield InstrumentNumber(BACKGROUND, channel.name, "", {}, "", before, {}, index)
            continue
        label = assembly.responses[index].label.removeprefix(channel.name).strip()
        layers = [a for a in assembly.layers if sensitivity_label(channel, a) == label]
        if not label:
            yield InstrumentNumber(SENSITIVITY, channel.name, "", {}, "", before, {}, index)
        elif label != "elsewhere" and layers:
            of = material_name(layers[0]), layers[0].composition
            yield InstrumentNumber(SENSITIVITY, channel.name, *of, "", before, {}, index)
