"""Answers of a planned measurement as numbers of its Fisher information."""

import math
from collections import defaultdict
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from craterfront.forecasts.information import Information
from craterfront.forecasts.told_from_zero import Told, in_unit
from craterfront.objective.curvature import quadratic_form

_SURE = 0.95  # share of the repeats in which a width is resolved, from where on it has an u


@dataclass(frozen=True)
class PlannedAnswer:
    """An answer as a number of the Fisher information: factor * variance^power.

    Attributes
    ----------
    name, unit, value
        What is asked for, its unit, and its planned value.
    gradient : callable
        From an `Information`: the derivative of the number whose variance counts.
    factor, power : float
        A standard uncertainty has the power 1/2. A smallest width goes with the root of the
        standard uncertainty of its square: 1/4.
    without : int or None
        Parameter whose own prior has no say.
    """

    name: str
    unit: str
    value: float
    gradient: Callable[[Information], np.ndarray]
    factor: float = 1.0
    power: float = 0.5
    without: int | None = None


def planned_answers(base: Information, told: Mapping[int, Told]) -> list[PlannedAnswer]:
    """Every answer that a planned measurement will give.

    Parameters
    ----------
    base : Information
        Of the planned measurement.
    told : dict of int to Told
        What may be zero, by parameter.
    """
    return [*_layers(base), *_widths(base, told)]


def _layers(base: Information) -> list[PlannedAnswer]:
    """Thickness and mass of every layer, and of every graded layer as a whole."""
    assembly = base.planned.assembly
    spans = {(layer.name, i): [i] for i, layer in enumerate(assembly.layers[:-1])}
    graded: dict[str, list[int]] = {}
    for i, layer in enumerate(assembly.layers[:-1]):
        if layer.graded is not None:
            graded.setdefault(layer.graded, []).append(i)
    spans |= {(f"all of {name}", layers[0]): layers for name, layers in graded.items()}
    found: dict[tuple, PlannedAnswer] = {}
    for (name, _), layers in spans.items():
        for each, weights in (_thickness(base, name, layers), _mass(base, name, layers)):
            if any(index in base.open_parameters for index in weights):
                found.setdefault((each.name, *weights), each)
    return list(found.values())


def _thickness(
    base: Information, name: str, layers: list[int]
) -> tuple[PlannedAnswer, dict[int, float]]:
    """Of layers together; a duration at nominal rates where these are not known."""
    assembly, values = base.planned.assembly, base.planned.values
    weights: dict[int, float] = defaultdict(float)
    for layer in layers:
        rate = 1.0 if assembly.knows_rates else assembly.nominal_rate_nm_s(layer)
        weights[assembly.thickness_index(layer)] += 1.0 / rate
    value = sum(weight * float(values[index]) for index, weight in weights.items())
    what, unit = ("thickness", "nm") if assembly.knows_rates else ("duration", "s")
    return PlannedAnswer(f"{what} of {name}", unit, value, lambda i: i.gradient(weights)), weights


def _mass(
    base: Information, name: str, layers: list[int]
) -> tuple[PlannedAnswer, dict[int, float]]:
    """Mass per area of layers together; without weights where it means nothing."""
    assembly, values = base.planned.assembly, base.planned.values
    weights: dict[int, float] = defaultdict(float)
    mass = 0.0
    if assembly.knows_rates and all(assembly.layers[i].density_g_cm3 is not None for i in layers):
        for layer in layers:
            thickness, density = assembly.thickness_index(layer), assembly.density_index(layer)
            mass += 1e-3 * float(values[thickness] * values[density])
            weights[thickness] += 1e-3 * float(values[density])
            weights[density] += 1e-3 * float(values[thickness])
    return PlannedAnswer(f"mass of {name}", "g/m2", mass, lambda i: i.gradient(weights)), weights


def _widths(base: Information, told: Mapping[int, Told]) -> list[PlannedAnswer]:
    """The uncertainty of what is resolved, the smallest value of what may be zero."""
    assembly, found = base.planned.assembly, []
    for index, each in told.items():
        if each.why or not math.isfinite(each.smallest):
            continue
        shown = in_unit(assembly, index, each)
        if each.share >= _SURE:
            gradient = _gradient_of({index: shown.value / each.value})
            found.append(PlannedAnswer(each.name, shown.unit, shown.value, gradient))
            continue
        gradient = _gradient_of_square(index)
        variance = quadratic_form(gradient(base), base.picture(without=index).covariance)
        factor = shown.smallest / variance**0.25
        name = f"smallest {each.name}"
        found.append(PlannedAnswer(name, shown.unit, shown.value, gradient, factor, 0.25, index))
    return found


def _gradient_of(weights: Mapping[int, float]) -> Callable[[Information], np.ndarray]:
    return lambda information: information.gradient(weights)


def _gradient_of_square(index: int) -> Callable[[Information], np.ndarray]:
    return lambda information: information.gradient_of_square(index)
