"""Calibrated numbers that belong to a layer or to a channel."""

from collections.abc import Mapping, Sequence
from typing import Any

from craterfront.experiments.channel import Channel
from craterfront.experiments.crater_shape import ParabolicCrater
from craterfront.experiments.setup import Setup
from craterfront.instruments.instrument_file import InstrumentCalibration
from craterfront.instruments.instrument_numbers import (
    BACKGROUND,
    CURVATURE,
    MIXING_LENGTH,
    SENSITIVITY,
    material_name,
    same_material,
)
from craterfront.notation.quantities import Quantity
from craterfront.samples.by_layer import key_of_layer
from craterfront.samples.concrete_layer import ConcreteLayer
from craterfront.samples.stack import Stack

_OF_CHANNEL = {
    "self-absorption": "self_absorption_nm2_s",
    "hydrogen effect": "hydrogen_effect",
    BACKGROUND: "background",
}


def with_tables(
    setup: Setup, calibration: InstrumentCalibration, layers: Sequence[ConcreteLayer]
) -> Setup:
    """Crater curvature and mixing length, where file and calibration have them by material."""
    changes: dict[str, Any] = {}
    crater = setup.crater_made
    if isinstance(crater, ParabolicCrater) and isinstance(crater.curvature, dict):
        curvature = _table(crater.curvature, CURVATURE, calibration, layers)
        changes["crater"] = crater.rebuilt(curvature=curvature)
    if isinstance(setup.mixing.length_nm, dict):
        lengths = _table(setup.mixing.length_nm, MIXING_LENGTH, calibration, layers)
        changes["mixing"] = setup.mixing.rebuilt(length_nm=lengths)
    return setup.rebuilt(**changes)


def with_channels(
    setup: Setup,
    calibration: InstrumentCalibration,
    stack: Stack,
    layers: Sequence[ConcreteLayer],
) -> Setup:
    """Sensitivities, backgrounds and what else belongs to channels."""
    channels = setup.detection.channels(stack.elements())
    changed = tuple(_with_numbers(channel, calibration, layers) for channel in channels)
    if changed == channels:
        return setup.rebuilt(detection=setup.detection)
    return setup.rebuilt(detection=setup.detection.rebuilt(channel=changed))


def _with_numbers(
    channel: Channel, calibration: InstrumentCalibration, layers: Sequence[ConcreteLayer]
) -> Channel:
    changes: dict[str, Any] = {}
    mine = [number for number in calibration.number if number.channel == channel.name]
    for number in mine:
        if number.kind in _OF_CHANNEL:
            changes[_OF_CHANNEL[number.kind]] = number.as_quantity()
        elif number.material is None and not isinstance(channel.sensitivity, dict):
            changes["sensitivity"] = number.as_quantity()
    if any(number.kind == SENSITIVITY and number.material is not None for number in mine):
        known = [calibration.composition_of(n) for n in mine if n.material is not None]
        table = channel.sensitivity
        if not channel.is_written("sensitivity"):
            table = {
                material_name(layer): Quantity.default(1.0)
                for layer in layers
                if any(same_material(layer.composition, each) for each in known)
            }
        if isinstance(table, dict) and table:
            changes["sensitivity"] = _table(table, SENSITIVITY, calibration, layers, channel.name)
    return channel.rebuilt(**changes) if changes else channel


def _table(
    table: Mapping[str, Quantity],
    kind: str,
    calibration: InstrumentCalibration,
    layers: Sequence[ConcreteLayer],
    channel: str | None = None,
) -> dict[str, Quantity]:
    """A table by layer with calibrated numbers in it."""
    numbers = [
        (calibration.composition_of(number), number.as_quantity())
        for number in calibration.number
        if number.kind == kind and number.channel == channel and number.material is not None
    ]
    changed = dict(table)
    for layer in layers:
        key = key_of_layer(table, layer)
        for composition, quantity in numbers:
            if key is not None and same_material(layer.composition, composition):
                changed[key] = quantity
    return changed
