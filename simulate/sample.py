"""The sample: layers on a substrate, and the materials that layers share."""

import math
from collections import Counter
from collections.abc import Callable, Hashable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Annotated, Any, ClassVar, Literal

from pydantic import BeforeValidator, Field, PlainValidator

from craterfront.composition import COMPOSED, Composed
from craterfront.problems import did_you_mean, shown, shown_key
from craterfront.quantities import (
    NonNegativeLength,
    PositiveLength,
    Quantity,
    finite_number,
)
from craterfront.table import (
    Flag,
    Mistake,
    Name,
    Table,
    named,
    numbered,
    whole_number,
)

MOST_LAYERS = 1000

Shape = Literal["erf", "linear", "exponential"]
Side = Literal["below", "above"]
Tieable = Literal["thickness_nm", "interface_width_nm"]

_NOTHING = Quantity.default(0.0)
_ENDLESS = Quantity(math.inf)

_TIEABLE_GROUPS = {"thickness_nm": "thickness_group", "interface_width_nm": "width_group"}


def _share(written: Any) -> float:
    if not 0 <= finite_number(written) <= 1:
        raise ValueError(f"must be from 0 to 1, got {shown(written)}")
    return float(written)


class _Solid(Composed):
    """What a discharge may burn on."""

    conducts: Flag | None = None

    @property
    def lets_current_through(self) -> bool:
        """Whether it conducts: as written, else by a rule from the composition."""
        if self.conducts is not None:
            return self.conducts
        from craterfront.models.conduction import conducts  # brings numpy

        return conducts(self.atomic_fractions)


class Material(_Solid):
    """One set of composition, density and erosion rate for all layers that name it.

    Parameters
    ----------
    composition
        A formula, or a table of atomic fractions by element.
    composition_mass
        Instead: a table of mass fractions by element.
    density_g_cm3
        Density [g/cm3]; default from the table for metals, alloys and some compounds.
    erosion_rate_nm_s
        Erosion rate [nm/s]; default from the sputter yields.
    conducts
        Whether a direct current gets through; default by a rule from the composition.
    """


class _Placed(_Solid):
    """What lies somewhere in the stack: a layer or the substrate."""

    name: Name | None = None
    material: Name | None = None

    @property
    def label(self) -> str:
        """The name, else the material, else what it consists of."""
        return self.name or self.material or self.substance

    def checks(self) -> Iterator[Mistake]:
        if not self.is_written("material") and any(map(self.is_written, COMPOSED)):
            yield from super().checks()
            return
        yield from self.one_of(*COMPOSED, "material")
        for key in ("density_g_cm3", "erosion_rate_nm_s", "conducts"):
            if self.is_written(key) and self.material is not None:
                yield Mistake(key, f"belongs in [material.{shown_key(self.material)}], named here")


class Substrate(_Placed):
    """What the layers lie on, without end.

    Parameters
    ----------
    name
        Default: the composition.
    composition, composition_mass, material
        One of the three, as for a `Layer`.
    density_g_cm3, erosion_rate_nm_s, conducts
        As for a `Layer`.
    """

    misplaced: ClassVar[Mapping[str, str]] = {
        "thickness_nm": "a substrate has no thickness, it goes on without end",
        "interface_width_nm": "belongs to the layer above the interface, not to the substrate",
        "interface_roughness_nm": "belongs to the layer above the interface, not to the substrate",
    }


class Layer(_Placed):
    """A layer and the interface to what lies below it.

    Parameters
    ----------
    name
        Unique among the layers; default the composition.
    composition
        A formula, or a table of atomic fractions by element.
    composition_mass
        Instead: a table of mass fractions by element.
    material
        Instead: the name of a `Material`, which also gives density and erosion rate.
    thickness_nm
        Integral of the volume fraction of the layer over depth [nm].
    density_g_cm3
        Density [g/cm3]; default from the table for metals, alloys and some compounds.
    erosion_rate_nm_s
        Erosion rate [nm/s]; default from the sputter yields.
    conducts
        As for a `Material`.
    interface_width_nm
        Width of the true transition to the layer below, 16-84 % [nm]; default 0.
    interface_shape
        ``"erf"``, ``"linear"`` or ``"exponential"``.
    interface_side
        Where an exponential transition has its tail: ``"below"`` in the lower layer.
    interface_roughness_nm
        Standard deviation of the height of the interface [nm], apart from its width; default 0.
    conformal
        Share of that height that all above follows, outer surface included.
    """

    misplaced: ClassVar[Mapping[str, str]] = {
        "repeat": "a period cannot hold another period",
        "of": "a period cannot hold another period",
    }

    thickness_nm: PositiveLength
    interface_width_nm: NonNegativeLength = _NOTHING
    interface_shape: Shape = "erf"
    interface_side: Side = "below"
    interface_roughness_nm: NonNegativeLength = _NOTHING
    conformal: Annotated[float, PlainValidator(_share)] = 0.0

    def checks(self) -> Iterator[Mistake]:
        yield from super().checks()
        rough = self.interface_roughness_nm
        if rough.status == "guess":
            message = (
                "cannot be a guess: a profile hardly tells roughness from width; write what is"
                " known, { value, u }, and the width is what is left"
            )
            yield Mistake("interface_roughness_nm", message)
        elif rough.u and not rough.value:
            message = "needs a value > 0 beside its u: no first derivative tells 0 from a little"
            yield Mistake("interface_roughness_nm", message)
        if self.conformal and not self.is_written("interface_roughness_nm"):
            yield Mistake("conformal", "needs interface_roughness_nm, of which it is a share")


_OF_LAYERS = tuple(key for key in Layer.model_fields if key not in _Placed.model_fields)


class RepeatedLayers(Table):
    """A period of layers, repeated.

    Parameters
    ----------
    repeat
        Number of periods.
    of
        The layers of one period, from the surface down.
    tie
        Of ``"thickness_nm"`` and ``"interface_width_nm"``, what has one value in all periods;
        the rest is independent from period to period. Density and erosion rate belong to the
        material and are the same in all periods, and so is the roughness of an interface.
    """

    repeat: Annotated[int, whole_number(1, MOST_LAYERS)]
    of: tuple[Layer, ...] = ()
    tie: tuple[Tieable, ...] = ()

    misplaced: ClassVar[Mapping[str, str]] = dict.fromkeys(
        Layer.model_fields, "belongs to the layers of the period, each under [[layer.of]]"
    )

    def checks(self) -> Iterator[Mistake]:
        if not self.of:
            yield Mistake("of", "missing; the layers of one period, each under [[layer.of]]")
        yield from _names_used_twice(
            (numbered("of", index), layer) for index, layer in enumerate(self.of)
        )


def _names_used_twice(parts: Iterable[tuple[str, _Placed]]) -> Iterator[Mistake]:
    """Written names that are not unique; `parts` come with their places."""
    users: dict[str, str] = {}
    for place, part in parts:
        if part.name in users:
            first = users[part.name]
            message = f"is the name of {first}, too; names are unique"
            yield Mistake("name", message, within=named(place, part.name))
        elif part.name is not None:
            users[part.name] = place


# --- the stack ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class ConcreteLayer:
    """One layer of the stack with nothing left to look up.

    Layers whose group of some parameter is the same share one value of it.

    Attributes
    ----------
    name
        Unique in the stack, such as ``"TiN #3"`` for the third period.
    label
        Name before it was made unique, ``"TiN"``.
    material
        Name of the shared material, if it has one.
    substance
        Short name of what it consists of.
    composition
        Atomic fraction by element, sum 1.
    thickness_nm
        Infinite for the substrate.
    density_g_cm3
        None if it is neither written nor known.
    erosion_rate_nm_s
        None if it is to follow from the yields.
    interface_width_nm, interface_shape, interface_side, interface_roughness_nm, conformal
        As in `Layer`, of the interface below; without meaning for the substrate.
    thickness_group, density_group, rate_group, width_group, roughness_group
        Which layers share the value.
    """

    name: str
    label: str
    material: str | None
    substance: str
    composition: dict[str, float]
    density_g_cm3: Quantity | None
    erosion_rate_nm_s: Quantity | None
    thickness_group: str
    density_group: str
    rate_group: str
    width_group: str
    roughness_group: str
    thickness_nm: Quantity = _ENDLESS
    interface_width_nm: Quantity = _NOTHING
    interface_shape: Shape = "erf"
    interface_side: Side = "below"
    interface_roughness_nm: Quantity = _NOTHING
    conformal: float = 0.0

    @property
    def is_substrate(self) -> bool:
        return math.isinf(self.thickness_nm.value)


class _UniqueNames:
    """Gives out names, each only once."""

    def __init__(self, reserved: Iterable[str | None]) -> None:
        self._taken = set(reserved)
        self._used: Counter[str] = Counter()

    def new(self, wanted: str) -> str:
        """The name, with a number behind it if it is taken."""
        name = wanted
        while name in self._taken:
            self._used[wanted] += 1
            name = f"{wanted} ({self._used[wanted] + 1})"
        self._taken.add(name)
        return name


def _few_enough(written: Any) -> Any:
    if isinstance(written, list | tuple) and len(written) > MOST_LAYERS:
        raise ValueError(f"must be at most {MOST_LAYERS} layers, got {len(written)}")
    return written


def _layer_or_period(written: Any) -> Layer | RepeatedLayers:
    """A table with a period in it is a `RepeatedLayers`, any other a `Layer`."""
    if isinstance(written, Layer | RepeatedLayers):
        return written
    if not isinstance(written, Mapping):
        raise ValueError(f"must be a table, got {shown(written)}")
    return (RepeatedLayers if "repeat" in written or "of" in written else Layer)(**written)


def _density_from(layer: ConcreteLayer) -> Hashable:
    """What a density that is not written follows from: the composition."""
    known = layer.density_g_cm3
    if known is not None and known.status != "default":
        return None
    return tuple(sorted(layer.composition.items()))


def _rate_from(layer: ConcreteLayer) -> Hashable:
    """What a rate that is not written follows from, for one source: composition and density."""
    if layer.erosion_rate_nm_s is not None:
        return None
    return tuple(sorted(layer.composition.items())), layer.density_g_cm3


def _sharing(
    layers: Sequence[ConcreteLayer], group: str, follows_from: Callable[[ConcreteLayer], Hashable]
) -> list[ConcreteLayer]:
    """The layers, with one group for all whose number follows from the same source."""
    sources = [follows_from(layer) for layer in layers]
    groups = [getattr(layer, group) for layer in layers]
    names = _UniqueNames(groups)
    members: dict[Hashable, dict[str, str]] = {}  # groups by source, with their substance
    for source, own, layer in zip(sources, groups, layers, strict=True):
        members.setdefault(source, {})[own] = layer.substance
    shared = {
        source: names.new(f"all {next(iter(of.values()))}")
        for source, of in members.items()
        if source is not None and len(of) > 1
    }
    return [
        _in_group(layer, group, shared.get(source, own))
        for layer, source, own in zip(layers, sources, groups, strict=True)
    ]


def _in_group(layer: ConcreteLayer, group: str, name: str) -> ConcreteLayer:
    changed: dict[str, Any] = {group: name}
    return replace(layer, **changed)


class Stack(Table):
    """The sample, from the surface down.

    Parameters
    ----------
    layers
        `Layer` and `RepeatedLayers` objects, or dictionaries with their keys.
    substrate
        What the layers lie on.
    materials
        Materials by the name that layers use.
    """

    place: ClassVar[str] = ""
    file_names: ClassVar[Mapping[str, str]] = {"layers": "layer", "materials": "material"}

    layers: Annotated[
        tuple[Annotated[Layer | RepeatedLayers, PlainValidator(_layer_or_period)], ...],
        BeforeValidator(_few_enough),
    ] = ()
    substrate: Substrate
    materials: dict[Name, Material] = Field(default_factory=dict)

    def expanded(self) -> list[ConcreteLayer]:
        """All layers from the surface down with unique names; the substrate is the last.

        What is written once is one number: the density and rate of a material or of a layer, in
        all periods. What is not written follows from the composition: the density from the table,
        the rate from the yields and the density. Layers in which that is the same share it, since
        an error of it is the same in all of them.
        """
        whole = [entry for entry in self.layers if isinstance(entry, Layer)]
        names = _UniqueNames(part.name for part in (*whole, self.substrate))
        groups = {material: names.new(f"material {material}") for material in self.materials}
        layers: list[ConcreteLayer] = []
        for entry in self.layers:
            if isinstance(entry, RepeatedLayers):
                layers += self._periods(entry, names, groups)
            else:
                layers.append(self._concrete(entry, entry.name or names.new(entry.label), groups))
        last = self.substrate.name or names.new(self.substrate.label)
        layers.append(self._concrete(self.substrate, last, groups))
        return _sharing(_sharing(layers, "density_group", _density_from), "rate_group", _rate_from)

    def elements(self) -> list[str]:
        """Element symbols in the order in which they first occur from the surface down."""
        found = [self.owner_of(part).atomic_fractions for _, part in self.parts()]
        return list(dict.fromkeys(symbol for fractions in found for symbol in fractions))

    def owner_of(self, part: Layer | Substrate) -> Material | Layer | Substrate:
        """What has the composition, density and rate of a layer: its material, or itself."""
        return part if part.material is None else self.materials[part.material]

    def parts(self) -> Iterator[tuple[str, Layer | Substrate]]:
        """Place and table of every layer, one for all periods, and of the substrate."""
        for index, entry in enumerate(self.layers):
            if isinstance(entry, Layer):
                yield numbered("layer", index, entry.label), entry
            else:
                for position, layer in enumerate(entry.of):
                    within = numbered("of", position, layer.label)
                    yield f"{numbered('layer', index)}.{within}", layer
        if self.substrate is not None:  # it is None while mistakes are gathered
            yield named("substrate", self.substrate.label), self.substrate

    def checks(self) -> Iterator[Mistake]:
        yield from self._too_many()
        whole = [
            (numbered("layer", i), a) for i, a in enumerate(self.layers) if isinstance(a, Layer)
        ]
        last = [("substrate", self.substrate)] if self.substrate is not None else []
        yield from _names_used_twice([*whole, *last])
        for place, part in self.parts():
            if part.material is not None and part.material not in self.materials:
                near = did_you_mean(part.material, self.materials)
                message = f"there is no [material.{shown_key(part.material)}]{near}"
                yield Mistake("material", message, within=place)

    def _too_many(self) -> Iterator[Mistake]:
        total = 0
        for index, entry in enumerate(self.layers):
            total += (entry.repeat or 0) * len(entry.of) if isinstance(entry, RepeatedLayers) else 1
            if total > MOST_LAYERS:
                message = f"brings the stack to {total} layers; at most {MOST_LAYERS}"
                yield Mistake("", message, within=numbered("layer", index, entry.label))
                return

    def _periods(
        self, entry: RepeatedLayers, names: _UniqueNames, groups: Mapping[str, str]
    ) -> Iterator[ConcreteLayer]:
        """The layers of all periods; thickness and width are their own unless they are tied."""
        period = []
        for part in entry.of:
            shared = names.new(f"{part.label} (all {entry.repeat})")
            period.append(self._concrete(part, shared, groups))
        loose = [group for key, group in _TIEABLE_GROUPS.items() if key not in entry.tie]
        for number in range(1, entry.repeat + 1):
            for layer in period:
                name = names.new(f"{layer.label} #{number}")
                own: dict[str, Any] = dict.fromkeys(loose, name)
                yield replace(layer, name=name, **own)

    def _concrete(
        self, part: Layer | Substrate, name: str, groups: Mapping[str, str]
    ) -> ConcreteLayer:
        """A layer with the properties of its material, each in a group of its own or of that."""
        owner = self.owner_of(part)
        material_group = name if part.material is None else groups[part.material]
        own = {key: getattr(part, key) for key in _OF_LAYERS} if isinstance(part, Layer) else {}
        return ConcreteLayer(
            name=name,
            label=part.label,
            material=part.material,
            substance=owner.substance,
            composition=owner.atomic_fractions,
            density_g_cm3=owner.density,
            erosion_rate_nm_s=owner.erosion_rate_nm_s,
            thickness_group=name,
            density_group=material_group,
            rate_group=material_group,
            width_group=name,
            roughness_group=name,
            **own,
        )
