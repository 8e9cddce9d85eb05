"""Which parameters of an inversion are shown against each other, and what was drawn of them."""

from dataclasses import dataclass

import numpy as np

from craterfront.answers.results import Answer
from craterfront.fitting.inversion import Inversion

_MOST = 6
_MOST_THICKNESSES = 4
_LEAST_SHARE = 0.05  # of the variance of an answer


@dataclass(frozen=True, eq=False)
class Drawn:
    """Draws of one parameter.

    Attributes
    ----------
    name, unit : str
    best : float
        The most probable value.
    values : ndarray, shape (D,)
    """

    name: str
    unit: str
    best: float
    values: np.ndarray


def shown_parameters(inversion: Inversion, answer: Answer, draws: np.ndarray) -> list[Drawn]:
    """The thicknesses that are known least, then what the variances of the answers come from most.

    Parameters
    ----------
    inversion : Inversion
    answer : Answer
        Of the same inversion.
    draws : ndarray, shape (D, parameters)
        Values of all parameters.

    Returns
    -------
    list of Drawn
        At most six; thicknesses from the surface down, at nominal rates as durations.
    """
    assembly = inversion.likelihood.assembly
    layer_of: dict[int, int] = {}
    for layer in range(len(assembly.layers) - 1):
        layer_of.setdefault(assembly.thickness_index(layer), layer)
    spread = draws.std(axis=0) / np.maximum(np.abs(inversion.values), 1e-300)
    known_least = sorted(layer_of, key=lambda index: -spread[index])[:_MOST_THICKNESSES]
    chosen = [i for i in layer_of if i in known_least] + _origins(inversion, answer)
    found = []
    for index in [i for i in chosen if spread[i] > 1e-9][:_MOST]:
        p, scale = assembly.parameters[index], 1.0
        name, unit = p.name, p.unit
        if inversion.relative and index in layer_of:
            scale, unit = 1.0 / assembly.nominal_rate_nm_s(layer_of[index]), "s"
            name = name.replace("thickness", "duration", 1)
        found.append(
            Drawn(name, unit, scale * float(inversion.values[index]), scale * draws[:, index])
        )
    return found


def _origins(inversion: Inversion, answer: Answer) -> list[int]:
    """Parameters other than thicknesses, by their largest share in the variance of any answer."""
    share: dict[str, float] = {}
    for origin in answer.origins:
        for name, part in origin.shares.items():
            share[name] = max(part, share.get(name, 0.0))
    parameters = inversion.likelihood.assembly.parameters
    found = [
        index
        for index, p in enumerate(parameters)
        if p.kind != "thickness" and share.get(p.name, 0.0) >= _LEAST_SHARE
    ]
    return sorted(found, key=lambda index: -share[parameters[index].name])
