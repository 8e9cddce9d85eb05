"""The settings of a planned measurement that could be changed, and what that would give.

What adds information, noise and what is known before, needs no new run of the engine. Settings that
change the signal, such as the sampling interval or the crater, are run again.
"""

import math
from collections.abc import Callable, Iterator
from copy import copy
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from craterfront.experiments.depth_scale import DepthScale
from craterfront.forecasts.information import (
    COUNTS,
    FLUCTUATION,
    GUESSES,
    READOUT,
    Information,
)
from craterfront.forward_model.assembly import Assembly
from craterfront.notation.parameters import Parameter
from craterfront.objective.refusals import NotComputable

Figures = Callable[..., np.ndarray]
"""The uncertainties of all answers from an `Information` and the arguments of its `picture`."""

SAMPLING, DURATION = "sampling interval", "duration"

_SETTINGS = {
    "curvature": "crater curvature",
    "tilt": "crater tilt",
    "edge share": "crater edge",
    "initial roughness": "initial roughness",
    "relative spread": "growth of roughness",
    "final roughness": "growth of roughness",
    "mixing length": "mixing length",
    "escape depth": "escape depth",
    "residence time": "residence time",
}
"""What an analyst can set, by kind of parameter."""

_LITTLE = 1e-3  # of ln, where nothing is run again
_SOME = 0.1  # ... and where it is: large against changes of slices and numbers of readings


@dataclass(frozen=True)
class Setting:
    """Something that could be changed before the measurement.

    Attributes
    ----------
    name : str
    step : str
        The change by a factor of two that improves, in words.
    factor : float
        That factor: 2 or 1/2.
    rerun : bool
        Whether the signal changes, so that the engine has to run again.
    figures_at : callable
        Uncertainties of all answers for any factor, shape (A,).
    group : str
        Of priors, where it is what is known before; else empty.
    """

    name: str
    step: str
    factor: float
    rerun: bool
    figures_at: Callable[[float], np.ndarray]
    group: str = ""

    def elasticities(self) -> np.ndarray:
        """d ln u / d ln setting of every answer, by a central ratio, shape (A,)."""
        h = _SOME if self.rerun else _LITTLE
        more, less = self.figures_at(math.exp(h)), self.figures_at(math.exp(-h))
        with np.errstate(invalid="ignore"):
            return np.log(more / less) / (2.0 * h)

    def improved(self) -> np.ndarray:
        """Uncertainties of all answers after the step, shape (A,)."""
        return self.figures_at(self.factor)


def settings(base: Information, written: DepthScale, figures: Figures) -> list[Setting]:
    """All settings that a planned measurement has.

    Parameters
    ----------
    base : Information
    written : DepthScale
        Of the experiment.
    figures : callable
        See `Figures`.
    """
    return [
        *_of_noise(base, figures),
        *_of_priors(base, figures),
        *_of_runs(base, written, figures),
    ]


def _of_noise(base: Information, figures: Figures) -> Iterator[Setting]:
    noise = base.planned.likelihood.noise
    present = {
        COUNTS: (noise.kappa.any(), "twice the counts", 2.0),
        READOUT: (noise.rho2.any(), "half the readout noise", 0.5),
        FLUCTUATION: (noise.fluctuation is not None, "half the flicker", 0.5),
    }
    for name, (is_there, step, factor) in present.items():
        if is_there:
            at = _bound(lambda f, name: figures(base, noise={name: f}), name)
            yield Setting(name, step, factor, False, at)


def _of_priors(base: Information, figures: Figures) -> Iterator[Setting]:
    for group in base.groups:
        name = f"u of {group}" if group != GUESSES else GUESSES
        at = _bound(lambda f, group: figures(base, priors={group: f}), group)
        yield Setting(name, f"half the u of {group}", 0.5, False, at, group)


def _of_runs(base: Information, written: DepthScale, figures: Figures) -> Iterator[Setting]:
    planned = base.planned
    assembly, edges = planned.assembly, planned.likelihood.edges
    intervals, end = edges.size - 1, float(edges[-1])

    def run(assembly: Assembly, edges: np.ndarray) -> np.ndarray:
        try:
            changed = planned.like(written, assembly=assembly, edges_s=edges)
            return figures(Information.of(changed))
        except NotComputable:  # such as a crater beyond what the models allow
            return np.full_like(figures(base), np.nan)

    def with_sampling(f: float) -> np.ndarray:
        return run(assembly, np.linspace(0.0, end, max(round(intervals / f), 1) + 1))

    def with_duration(f: float) -> np.ndarray:
        count = max(round(intervals * f), 1)
        return run(assembly, end / intervals * np.arange(count + 1))

    yield Setting(SAMPLING, "half the sampling interval", 0.5, True, with_sampling)
    yield Setting(DURATION, "twice the duration", 2.0, True, with_duration)
    for name in dict.fromkeys(_SETTINGS.values()):
        chosen = [
            i
            for i, p in enumerate(assembly.parameters)
            if _SETTINGS.get(p.kind) == name and p.value != 0
        ]
        if chosen:
            at = _bound(lambda f, chosen: run(_with_values(assembly, chosen, f), edges), chosen)
            yield Setting(name, f"half the {name}", 0.5, True, at)


def _bound(
    function: Callable[[float, Any], np.ndarray], what: object
) -> Callable[[float], np.ndarray]:
    """A function of the factor alone, for one of several settings."""
    return lambda factor: function(factor, what)


def _with_values(assembly: Assembly, chosen: list[int], factor: float) -> Assembly:
    """The same with some parameters larger by a factor."""
    other = copy(assembly)
    other.parameters = [
        _scaled(p, factor) if i in chosen else p for i, p in enumerate(assembly.parameters)
    ]
    return other


def _scaled(p: Parameter, factor: float) -> Parameter:
    """A parameter with another value; an uncertainty that nobody wrote stays the same share."""
    value = factor * p.value
    u = p.u * factor if p.state == "assumed" else p.u
    return replace(p, value=value, u=u, lower=min(p.lower, value), upper=max(p.upper, value))
