"""Densities and rates that nobody wrote: layers in which they follow from the same share them."""

from collections.abc import Callable, Hashable, Sequence
from dataclasses import replace
from typing import Any

from craterfront.samples.concrete_layer import ConcreteLayer
from craterfront.samples.unique_names import UniqueNames


def sharing_densities_and_rates(layers: Sequence[ConcreteLayer]) -> list[ConcreteLayer]:
    """The layers, with one group for all whose density or rate follows from the same."""
    return _sharing(_sharing(layers, "density_group", _density_from), "rate_group", _rate_from)


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
    names = UniqueNames(groups)
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
