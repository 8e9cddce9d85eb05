"""The sample: layers on a substrate, and the materials that layers share."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Annotated, Any, ClassVar

from pydantic import BeforeValidator, Field, PlainValidator

from craterfront.notation.table import Mistake, Name, Table, name_mistakes, named, numbered
from craterfront.problems import did_you_mean, shown, shown_key
from craterfront.samples.concrete_layer import ConcreteLayer
from craterfront.samples.expansion import expanded
from craterfront.samples.layer import MOST_LAYERS, Layer, RepeatedLayers
from craterfront.samples.solids import Material, Substrate


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
        """All layers from the surface down with unique names; the substrate is the last."""
        return expanded(self.layers, self.substrate, self.materials)

    def elements(self) -> list[str]:
        """Element symbols in the order in which they first occur from the surface down."""
        owners = [owner for _, part in self.parts() for owner in self._owners_of(part)]
        found = [owner.atomic_fractions for owner in owners]
        return list(dict.fromkeys(symbol for fractions in found for symbol in fractions))

    def _owners_of(self, part: Layer | Substrate) -> Sequence[Material | Layer | Substrate]:
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
        yield from self._names_used_twice()
        for place, part in self.parts():
            for name in dict.fromkeys(part.materials):
                if name not in self.materials:
                    near = did_you_mean(name, self.materials)
                    message = f"there is no [material.{shown_key(name)}]{near}"
                    key = "material" if part.material is not None else "grading"
                    yield Mistake(key, message, within=place)

    def _names_used_twice(self) -> Iterator[Mistake]:
        users: dict[str, str] = {}
        for index, entry in enumerate(self.layers):
            if isinstance(entry, Layer):
                yield from name_mistakes(users, numbered("layer", index), entry.name)
        if self.substrate is not None:
            yield from name_mistakes(users, "substrate", self.substrate.name)

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
