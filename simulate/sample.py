"""The sample: layers on a substrate, and the materials that layers share."""

import math
from collections import Counter
from collections.abc import Callable, Hashable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Annotated, Any, ClassVar, Literal

from pydantic import BeforeValidator, Field, PlainValidator

from craterfront.asked import Limit
from craterfront.composition import COMPOSED, Composed
from craterfront.problems import did_you_mean, one_of, shown, shown_key
from craterfront.quantities import (
    NonNegativeArea,
    NonNegativeLength,
    PositiveLength,
    PositiveTime,
    Quantity,
    finite_number,
)
from craterfront.rows import Grading, Points
from craterfront.table import (
    Element,
    Flag,
    Mistake,
    Name,
    Table,
    named,
    numbered,
    whole_number,
)

MOST_LAYERS = 1000

Shape = Literal[
    "erf",
    "linear",
    "exponential",
    "logistic",
    "sharp",
    "tabulated",
    "constant source",
    "limited source",
]
SOURCES = ("constant source", "limited source")
"""Shapes of what has diffused in from the top of a layer."""

DIFFUSED = ("erf", *SOURCES)
"""Shapes that diffusion leaves."""

Side = Literal["below", "above"]
Tieable = Literal["thickness_nm", "interface_width_nm"]

_NOTHING = Quantity.default(0.0)
_EXACTLY_NOTHING = Quantity.prior(0.0, u=0.0)
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

    made_of: ClassVar[tuple[str, ...]] = (*COMPOSED, "material")
    """Keys of which one says what it consists of."""

    name: Name | None = None
    material: Name | None = None

    @property
    def materials(self) -> tuple[str, ...]:
        """Names of the shared materials that it consists of."""
        return () if self.material is None else (self.material,)

    @property
    def label(self) -> str:
        """The name, else the material (of a graded layer two), else what it consists of."""
        ends = self.materials[:1] + self.materials[1:][-1:]
        return self.name or " to ".join(ends) or self.substance

    def checks(self) -> Iterator[Mistake]:
        written = {key for key in self.made_of if self.is_written(key)}
        if written and written <= set(COMPOSED):
            yield from super().checks()
            return
        yield from self.one_of(*self.made_of)
        for key in ("density_g_cm3", "erosion_rate_nm_s", "conducts"):
            if self.is_written(key) and self.materials:
                place = f"[material.{shown_key(self.materials[0])}]"
                yield Mistake(key, f"belongs in {place}, named here")


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
        "grading": "belongs to a layer: a substrate goes on without end",
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
    grading
        Instead: rows of relative depth, from 0 to 1, and name of a `Material`. Volume fractions
        are straight lines between the rows. The layer is held as it is written.
    thickness_nm
        Integral of the volume fraction of the layer over depth [nm]. Below a source, default what
        `diffusivity_time_nm2` lets diffuse in from the top of the layer.
    density_g_cm3
        Density [g/cm3]; default from the table for metals, alloys and some compounds.
    erosion_rate_nm_s
        Erosion rate [nm/s]; default from the sputter yields.
    conducts
        As for a `Material`.
    interface_width_nm
        Width of the true transition to the layer below, 16-84 % [nm]; default 0, that of a
        tabulated transition as in the table, which another width stretches.
    diffusivity_time_nm2
        Instead of the width of a transition that diffusion made: diffusivity times time [nm2].
    interface_shape
        ``"erf"``, ``"linear"``, ``"exponential"``, ``"logistic"``, ``"sharp"``,
        ``"tabulated"``; or what has diffused in from the top: ``"constant source"`` (erfc),
        ``"limited source"`` (Gaussian).
    interface_side
        Where an exponential transition has its tail: ``"below"`` in the lower layer.
    interface_table
        Rows of a tabulated transition: position [nm], of any origin, and share of the layer below.
    interface_roughness_nm
        Standard deviation of the height of the interface [nm], apart from its width; default 0.
    conformal
        Share of that height that all above follows, outer surface included.
    diffusion_time_s
        How long the transition took to diffuse [s]; an inversion then reports the diffusivity.
    enrichment
        Elements of which an inversion reports the excess that a thin layer holds over its
        neighbours.
    limit
        Tolerance limits on which an inversion decides.
    """

    misplaced: ClassVar[Mapping[str, str]] = {
        "repeat": "a period cannot hold another period",
        "of": "a period cannot hold another period",
    }
    made_of: ClassVar[tuple[str, ...]] = (*_Placed.made_of, "grading")

    grading: Grading = ()
    thickness_nm: PositiveLength | None = None
    interface_width_nm: NonNegativeLength = _NOTHING
    diffusivity_time_nm2: NonNegativeArea | None = None
    interface_shape: Shape = "erf"
    interface_side: Side = "below"
    interface_table: Points = ()
    interface_roughness_nm: NonNegativeLength = _NOTHING
    conformal: Annotated[float, PlainValidator(_share)] = 0.0
    diffusion_time_s: PositiveTime | None = None
    enrichment: tuple[Element, ...] = ()
    limit: Limit | None = None

    @property
    def materials(self) -> tuple[str, ...]:
        return tuple(name for _, name in self.grading) or super().materials

    def sublayers(self) -> "list[Layer]":
        """The layer itself; a graded one as layers of its materials.

        Linear transitions that follow on each other make volume fractions that are straight lines
        between the rows: each material rises to 1 at its row and falls to 0 at the next.
        """
        if not self.grading:
            return [self]
        from craterfront.models.transitions import LINEAR_WIDTH_PER_LENGTH  # brings numpy

        depths_nm = [float(self.true_thickness) * depth for depth, _ in self.grading]
        steps_nm = [below - above for above, below in pairwise(depths_nm)]
        around_nm = zip([0.0, *steps_nm], [*steps_nm, 0.0], strict=True)
        layers = []
        for name, (above_nm, below_nm) in zip(self.materials, around_nm, strict=True):
            keys: dict[str, Any] = {
                "interface_shape": "linear",
                "interface_width_nm": Quantity.prior(LINEAR_WIDTH_PER_LENGTH * below_nm, u=0.0),
            }
            if below_nm == 0:
                keys = {key: getattr(self, key) for key in _OF_INTERFACE if self.is_written(key)}
            layers.append(
                Layer(
                    name=f"{self.label}: {name}",
                    material=name,
                    thickness_nm=Quantity.prior(0.5 * (above_nm + below_nm), u=0.0),
                    **keys,
                )
            )
        return layers

    @property
    def true_width(self) -> Quantity:
        """Width of the transition [nm] as written, or as shape, table or diffusion give it."""
        from craterfront.models.diffusion_profiles import diffusion_width_nm  # brings numpy
        from craterfront.models.transition_tables import TransitionTable
        from craterfront.models.transitions import SHAPES

        if self.interface_shape == "sharp":
            return _EXACTLY_NOTHING
        if self.diffusivity_time_nm2 is not None:
            shape = SHAPES.index(self.interface_shape)
            return _as_root(self.diffusivity_time_nm2, lambda area: diffusion_width_nm(area, shape))
        if self.interface_table and not self.is_written("interface_width_nm"):
            position_nm, share = zip(*self.interface_table, strict=True)
            return Quantity(TransitionTable.of(position_nm, share).width_nm)
        return self.interface_width_nm

    @property
    def true_thickness(self) -> Quantity:
        """Thickness [nm] as written, or of what has diffused in."""
        from craterfront.models.diffusion_profiles import diffusion_thickness_nm  # brings numpy
        from craterfront.models.transitions import SHAPES

        if self.thickness_nm is not None:
            return self.thickness_nm
        assert self.diffusivity_time_nm2 is not None  # else the layer would have a mistake
        shape = SHAPES.index(self.interface_shape)
        return _as_root(self.diffusivity_time_nm2, lambda area: diffusion_thickness_nm(area, shape))

    def checks(self) -> Iterator[Mistake]:
        yield from super().checks()
        yield from self._interface_mistakes()
        yield from self._roughness_mistakes()
        yield from self._mistakes_of_what_is_asked()
        if self.grading:
            yield from self._grading_mistakes()
        if self.is_written("thickness_nm"):
            return
        area = self.diffusivity_time_nm2
        if self.interface_shape not in SOURCES or area is None:
            yield Mistake("thickness_nm", "missing")
        elif area.value == 0 or area.u:
            message = "missing; it follows from a diffusivity_time_nm2 only if that is > 0 and"
            yield Mistake("thickness_nm", f"{message} has no uncertainty")

    def _grading_mistakes(self) -> Iterator[Mistake]:
        thickness = self.thickness_nm
        if thickness is None:
            if not self.is_written("thickness_nm") and self.interface_shape in SOURCES:
                yield Mistake("thickness_nm", "missing; that of a graded layer has to be written")
            return
        if thickness.status == "guess" or thickness.u:
            message = "of a graded layer must be a plain number or exactly known (u = 0)"
            yield Mistake("thickness_nm", f"{message}, got {shown(thickness.written())}")
        if float(thickness) * min(b - a for (a, _), (b, _) in pairwise(self.grading)) < 1e-5:
            yield Mistake("grading", "has rows that are less than 1e-05 nm apart")

    def _interface_mistakes(self) -> Iterator[Mistake]:
        shape, width = self.interface_shape, self.is_written("interface_width_nm")
        if (shape == "tabulated") != self.is_written("interface_table"):
            missing = shape == "tabulated"
            message = "missing; needed with" if missing else "goes with"
            yield Mistake("interface_table", f'{message} interface_shape = "tabulated"')
        if shape == "sharp" and width:
            yield Mistake("interface_width_nm", 'a transition that is "sharp" has no width')
        if shape == "tabulated" and width and self.interface_width_nm.value == 0:
            yield Mistake("interface_width_nm", "must be > 0 for a table, got 0")
        if self.diffusivity_time_nm2 is None:
            return
        if shape not in DIFFUSED:
            yield Mistake("diffusivity_time_nm2", f"goes with interface_shape = {one_of(DIFFUSED)}")
        if width:
            yield Mistake("diffusivity_time_nm2", "stands beside interface_width_nm; write one")
        if self.diffusivity_time_nm2.value == 0 and self.diffusivity_time_nm2.u:
            yield Mistake("diffusivity_time_nm2", "of the value 0 must have u = 0")

    def _mistakes_of_what_is_asked(self) -> Iterator[Mistake]:
        time_s = self.diffusion_time_s
        if time_s is not None and self.interface_shape not in DIFFUSED:
            yield Mistake("diffusion_time_s", f"goes with interface_shape = {one_of(DIFFUSED)}")
        if time_s is not None and time_s.status == "guess":
            yield Mistake("diffusion_time_s", "cannot be a guess: no profile tells it")
        if self.enrichment and self.grading:
            yield Mistake("enrichment", "belongs to a uniform layer, not to a graded one")
        if not self.grading:
            for symbol in self.enrichment:
                if self.atomic_fractions and symbol not in self.atomic_fractions:
                    yield Mistake("enrichment", f"{symbol} is not in this layer")

    @property
    def has_diffused(self) -> bool:
        """Whether the file says that diffusion made the transition to the layer below."""
        written = self.diffusivity_time_nm2, self.diffusion_time_s
        return self.interface_shape in SOURCES or any(each is not None for each in written)

    def _roughness_mistakes(self) -> Iterator[Mistake]:
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


def _as_root(area: Quantity, length_of: Callable[[float], float]) -> Quantity:
    """A length that goes with the root of an area, with half of its relative uncertainty."""
    length = length_of(area.value)
    if area.u is not None:
        return Quantity.prior(length, 0.5 * length * area.u / area.value if area.u else 0.0)
    bounds = (None if b is None else length_of(b) for b in (area.minimum, area.maximum))
    return Quantity(length, None, *bounds, status=area.status)


_OF_INTERFACE = (
    "interface_width_nm",
    "diffusivity_time_nm2",
    "interface_shape",
    "interface_side",
    "interface_table",
    "interface_roughness_nm",
    "conformal",
    "diffusion_time_s",
)
_OF_CONCRETE = (
    "interface_shape",
    "interface_side",
    "interface_table",
    "interface_roughness_nm",
    "conformal",
    "diffusion_time_s",
    "has_diffused",
    "enrichment",
)


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
        Name before it was made unique, ``"TiN"``; of a graded layer that of the whole.
    graded
        Name of the graded layer of which it is a part, unique in the stack; None: of none.
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
    interface_width_nm, interface_shape, interface_side, interface_table,
    interface_roughness_nm, conformal, diffusion_time_s, has_diffused, enrichment
        As in `Layer`, of the interface below; without meaning for the substrate. The width is
        that of `Layer.true_width`, the thickness of `Layer.true_thickness`.
    limit
        Tolerance limits of the layer; of a part of a graded one those of the whole.
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
    graded: str | None = None
    thickness_nm: Quantity = _ENDLESS
    interface_width_nm: Quantity = _NOTHING
    interface_shape: Shape = "erf"
    interface_side: Side = "below"
    interface_table: tuple[tuple[float, float], ...] = ()
    interface_roughness_nm: Quantity = _NOTHING
    conformal: float = 0.0
    diffusion_time_s: Quantity | None = None
    has_diffused: bool = False
    enrichment: tuple[str, ...] = ()
    limit: Limit | None = None

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
                graded = (entry.name or names.new(entry.label)) if entry.grading else None
                for sub in entry.sublayers():
                    name = entry.name if sub is entry and entry.name else names.new(sub.label)
                    layer = self._concrete(sub, name, groups)
                    own = {"label": entry.label, "graded": graded, "limit": entry.limit}
                    layers.append(replace(layer, **own))
        last = self.substrate.name or names.new(self.substrate.label)
        layers.append(self._concrete(self.substrate, last, groups))
        return _sharing(_sharing(layers, "density_group", _density_from), "rate_group", _rate_from)

    def elements(self) -> list[str]:
        """Element symbols in the order in which they first occur from the surface down."""
        owners = [owner for _, part in self.parts() for owner in self.owners_of(part)]
        found = [owner.atomic_fractions for owner in owners]
        return list(dict.fromkeys(symbol for fractions in found for symbol in fractions))

    def owners_of(self, part: Layer | Substrate) -> Sequence[Material | Layer | Substrate]:
        """What has the composition, density and rate of a layer: its materials, or itself."""
        return [self.materials[name] for name in part.materials] or [part]

    def not_held(self) -> Iterator[str]:
        """One line for each graded layer of which nobody says that it is exactly known."""
        for place, part in self.parts():
            if isinstance(part, Layer) and part.grading and part.true_thickness.u is None:
                yield (
                    f"{place} thickness_nm: an inversion holds a graded layer as it is written;"
                    f" write {{ value = {float(part.true_thickness):g}, u = 0 }} if it is known"
                )

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
            for name in dict.fromkeys(part.materials):
                if name not in self.materials:
                    near = did_you_mean(name, self.materials)
                    message = f"there is no [material.{shown_key(name)}]{near}"
                    key = "material" if part.material is not None else "grading"
                    yield Mistake(key, message, within=place)

    def _too_many(self) -> Iterator[Mistake]:
        total = 0
        for index, entry in enumerate(self.layers):
            period = entry.of if isinstance(entry, RepeatedLayers) else (entry,)
            repeat = entry.repeat or 0 if isinstance(entry, RepeatedLayers) else 1
            total += repeat * sum(max(len(layer.grading), 1) for layer in period)
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
            for sub in part.sublayers():
                shared = names.new(f"{sub.label} (all {entry.repeat})")
                layer = self._concrete(sub, shared, groups)
                layer = replace(layer, label=part.label, limit=part.limit)
                period.append((sub.label, part.label if part.grading else None, layer))
        loose = [group for key, group in _TIEABLE_GROUPS.items() if key not in entry.tie]
        for number in range(1, entry.repeat + 1):
            for label, whole, layer in period:
                name = names.new(f"{label} #{number}")
                own: dict[str, Any] = dict.fromkeys(loose, name)
                graded = None if whole is None else f"{whole} #{number}"
                yield replace(layer, name=name, graded=graded, **own)

    def _concrete(
        self, part: Layer | Substrate, name: str, groups: Mapping[str, str]
    ) -> ConcreteLayer:
        """A layer with the properties of its material, each in a group of its own or of that."""
        (owner,) = self.owners_of(part)
        material_group = name if part.material is None else groups[part.material]
        own: dict[str, Any] = {}
        if isinstance(part, Layer):
            own = {key: getattr(part, key) for key in _OF_CONCRETE}
            own["interface_width_nm"] = part.true_width
            own["thickness_nm"] = part.true_thickness
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
