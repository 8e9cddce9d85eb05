"""From layers and periods as they are written to the single layers of a stack."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

from craterfront.samples.concrete_layer import ConcreteLayer
from craterfront.samples.interface import INTERFACE_KEYS
from craterfront.samples.layer import Layer, RepeatedLayers
from craterfront.samples.shared_numbers import sharing_densities_and_rates
from craterfront.samples.solids import Material, Substrate
from craterfront.samples.unique_names import UniqueNames

_TIEABLE_GROUPS = {"thickness_nm": "thickness_group", "interface_width_nm": "width_group"}
_AS_WRITTEN = (*INTERFACE_KEYS, "has_diffused", "enrichment")


def expanded(
    entries: Sequence[Layer | RepeatedLayers],
    substrate: Substrate,
    materials: Mapping[str, Material],
) -> list[ConcreteLayer]:
    """All layers from the surface down with unique names; the substrate is the last.

    What is written once is one number: the density and rate of a material or of a layer, in all
    periods. What is not written follows from the composition: the density from the table, the rate
    from the yields and the density. Layers in which that is the same share it, since an error of it
    is the same in all of them.
    """
    whole = [entry for entry in entries if isinstance(entry, Layer)]
    expansion = _Expansion(materials, UniqueNames(part.name for part in (*whole, substrate)))
    layers: list[ConcreteLayer] = []
    for entry in entries:
        if isinstance(entry, RepeatedLayers):
            layers += expansion.periods(entry)
        else:
            layers += expansion.whole(entry)
    layers.append(expansion.last(substrate))
    return sharing_densities_and_rates(layers)


class _Expansion:
    """Gives out the names and groups of one stack."""

    def __init__(self, materials: Mapping[str, Material], names: UniqueNames) -> None:
        self._materials, self._names = materials, names
        self._groups = {material: names.new(f"material {material}") for material in materials}

    def whole(self, entry: Layer) -> Iterator[ConcreteLayer]:
        """A layer that stands by itself; a graded one as several."""
        graded = (entry.name or self._names.new(entry.label)) if entry.grading else None
        for sub in entry.sublayers():
            name = entry.name if sub is entry and entry.name else self._names.new(sub.label)
            layer = self._concrete(sub, name)
            yield replace(layer, label=entry.label, graded=graded, limit=entry.limit)

    def periods(self, entry: RepeatedLayers) -> Iterator[ConcreteLayer]:
        """The layers of all periods; thickness and width are their own unless they are tied."""
        period = []
        for part in entry.of:
            for sub in part.sublayers():
                layer = self._concrete(sub, self._names.new(f"{sub.label} (all {entry.repeat})"))
                layer = replace(layer, label=part.label, limit=part.limit)
                period.append((sub.label, part.label if part.grading else None, layer))
        loose = [group for key, group in _TIEABLE_GROUPS.items() if key not in entry.tie]
        for number in range(1, entry.repeat + 1):
            for label, whole, layer in period:
                name = self._names.new(f"{label} #{number}")
                own: dict[str, Any] = dict.fromkeys(loose, name)
                graded = None if whole is None else f"{whole} #{number}"
                yield replace(layer, name=name, graded=graded, **own)

    def last(self, substrate: Substrate) -> ConcreteLayer:
        """The substrate."""
        return self._concrete(substrate, substrate.name or self._names.new(substrate.label))

    def _concrete(self, part: Layer | Substrate, name: str) -> ConcreteLayer:
        """A layer with the properties of its material, each in a group of its own or of that."""
        owner = part if part.material is None else self._materials[part.material]
        material_group = name if part.material is None else self._groups[part.material]
        own: dict[str, Any] = {}
        if isinstance(part, Layer):
            own = {key: getattr(part, key) for key in _AS_WRITTEN}
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
