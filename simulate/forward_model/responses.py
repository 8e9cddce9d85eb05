"""Channels as linear terms: which atoms out of which material each sensitivity multiplies."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from craterfront.experiments.channel import Channel
from craterfront.models.detection.emission import escaping_share, hydrogen_factor
from craterfront.notation.quantities import Quantity
from craterfront.samples.concrete_layer import ConcreteLayer


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


def optical_depths(
    responses: Sequence[Response], terms: np.ndarray, absorption_nm2_s: np.ndarray
) -> np.ndarray:
    """Optical depth of every channel's line.

    Parameters
    ----------
    responses : sequence of Response
    terms : ndarray, shape (R, N)
        What each response collects per time [1/(nm2 s)].
    absorption_nm2_s : ndarray, shape (C,)
        Optical depth per collected atom per nm2 and second; 0 for none.

    Returns
    -------
    ndarray, shape (C, N)
        Atoms absorb alike, out of whichever layer they came.
    """
    depth = np.zeros((absorption_nm2_s.size, terms.shape[1]))
    for response, term in zip(responses, terms, strict=True):
        depth[response.channel] += absorption_nm2_s[response.channel] * term
    return depth


def self_absorbed(
    responses: Sequence[Response], terms: np.ndarray, absorption_nm2_s: np.ndarray
) -> np.ndarray:
    """The terms as far as their light gets out, shape (R, N); arguments as of `optical_depths`.

    Absorption goes by the atoms and not by the signal, so sensitivities still enter linearly.
    """
    if not absorption_nm2_s.any():
        return terms
    share = escaping_share(optical_depths(responses, terms, absorption_nm2_s))
    return terms * share[[response.channel for response in responses]]


def changed_by_hydrogen(
    responses: Sequence[Response],
    terms: np.ndarray,
    hydrogen: np.ndarray,
    effect: np.ndarray,
    half: float,
) -> np.ndarray:
    """The terms as hydrogen in the discharge makes them, shape (R, N).

    Parameters
    ----------
    responses, terms
        As of `optical_depths`.
    hydrogen : ndarray, shape (N,)
        Atoms of hydrogen that are collected per time [1/(nm2 s)].
    effect : ndarray, shape (C,)
        Relative change by very much of it, 0 for none.
    half : float
        As much as makes half of the change [1/(nm2 s)].
    """
    factor = hydrogen_factor(np.maximum(hydrogen, 0.0), effect[:, None], half)
    return terms * factor[[response.channel for response in responses]]


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
