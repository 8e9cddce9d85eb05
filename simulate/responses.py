"""Channels as linear terms: which atoms out of which material each sensitivity multiplies."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from craterfront.quantities import Quantity
from craterfront.sample import ConcreteLayer
from craterfront.setup import Channel


@dataclass(frozen=True)
class Response:
    """One linear term of a channel: a sensitivity times what `projection` collects.

    Attributes
    ----------
    channel : int
    sensitivity : Quantity
    projection : ndarray, shape (M, E)
        Weight of one atom of element e out of material m.
    label : str
        Channel, and layer where the sensitivity is by layer.
    """

    channel: int
    sensitivity: Quantity
    projection: np.ndarray
    label: str


def sensitivity_label(channel: Channel, layer: ConcreteLayer) -> str:
    """Which of a channel's sensitivities a layer has: "" where one holds for all."""
    if isinstance(channel.sensitivity, Quantity):
        return ""
    for name in (layer.name, layer.label, layer.material):
        if name in channel.sensitivity:
            return f"in {name}"
    return "elsewhere"


def find_responses(
    channels: Sequence[Channel],
    layers: Sequence[ConcreteLayer],
    material_of: Sequence[int],
    elements: Sequence[str],
) -> list[Response]:
    """Responses of all channels that have a signal.

    Parameters
    ----------
    channels, layers
    material_of : sequence of int, one for each layer
        Engine material of the layer.
    elements : sequence of str
    """
    responses = []
    for number, channel in enumerate(channels):
        terms: dict[str, tuple[Quantity, np.ndarray]] = {}
        for layer, material in zip(layers, material_of, strict=True):
            sensitivity = channel.sensitivity_in(layer)
            if sensitivity.value == 0 and sensitivity.status in ("plain", "default"):
                continue
            label = sensitivity_label(channel, layer)
            projection = np.zeros((max(material_of) + 1, len(elements)))
            _, projection = terms.setdefault(label, (sensitivity, projection))
            projection[material] = _weights(channel, elements)
        responses += [
            Response(number, sensitivity, projection, f"{channel.name} {label}".strip())
            for label, (sensitivity, projection) in terms.items()
        ]
    return responses


def _weights(channel: Channel, elements: Sequence[str]) -> np.ndarray:
    """Weight of one atom of each element in a channel."""
    if channel.element is None:
        weights = np.ones(len(elements))
    else:
        weights = np.array([float(e == channel.element) for e in elements])
    for symbol, share in channel.interference.items():
        if symbol in elements:
            weights[list(elements).index(symbol)] += float(share)
    return weights
