"""Which widths, and what else may be zero, a planned measurement tells from zero."""

import math
from dataclasses import dataclass
from typing import Any

from craterfront.experiments.experiment import Experiment
from craterfront.fitting.limits import HELD, why_never_resolved
from craterfront.forecasts.information import Information
from craterfront.forecasts.smallest import detection
from craterfront.forward_model.assembly import Assembly
from craterfront.notation.json_numbers import finite_or_none
from craterfront.progress import Progress


@dataclass(frozen=True)
class Told:
    """Whether a number that may be zero can be told from it.

    Attributes
    ----------
    name : str
        For example ``width below TiN``.
    unit : str
    value : float
        As planned.
    smallest : float
        Smallest value that is called resolved in 95 % of all repeats, where zero is in 5 %;
        infinite for none.
    share : float
        Share of the repeats in which the planned value is resolved.
    why : str
        Why nothing can be told, or that the file holds it; else empty.
    """

    name: str
    unit: str
    value: float
    smallest: float
    share: float
    why: str = ""

    def as_dict(self) -> dict[str, Any]:
        """Plain numbers and strings; what nothing fixes is null."""
        return {
            "name": self.name,
            "unit": self.unit,
            "value": self.value,
            "smallest": finite_or_none(self.smallest),
            "share_resolved": finite_or_none(self.share),
            "note": self.why,
        }


def told_from_zero(base: Information, experiment: Experiment, report: Progress) -> dict[int, Told]:
    """What the measurement tells of all that may be zero, by parameter, widths first.

    Parameters
    ----------
    base : Information
        Of the planned measurement.
    experiment : Experiment
    report : callable
        Called with a stage and the share done.
    """
    assembly, free = base.planned.assembly, base.planned.likelihood.free
    widths = [assembly.width_index(layer) for layer in range(len(assembly.layers) - 1)]
    open_ones = [index for index in free if assembly.parameters[index].broadens]
    indices = list(dict.fromkeys([*widths, *open_ones]))
    found: dict[int, Told] = {}
    why = why_never_resolved(assembly)
    for number, index in enumerate(indices):
        report("smallest widths", 0.1 + 0.3 * number / len(indices))
        p = assembly.parameters[index]
        name = p.name.removeprefix("interface ")
        if index not in free:
            found[index] = Told(name, p.unit, p.value, math.inf, math.nan, HELD)
        elif p.kind == "width" and why:
            found[index] = Told(name, p.unit, p.value, math.inf, 0.0, why)
        else:
            seen = detection(base, index, experiment.depth_scale)
            found[index] = Told(name, p.unit, p.value, seen.smallest, seen.share)
    return found


def in_unit(assembly: Assembly, index: int, told: Told) -> Told:
    """A width in seconds where rates are nominal; the rest as it is."""
    if assembly.knows_rates or assembly.parameters[index].kind != "width":
        return told
    rate = _rate_across(assembly, index)
    return Told(told.name, "s", told.value / rate, told.smallest / rate, told.share, told.why)


def _rate_across(assembly: Assembly, width_index: int) -> float:
    """Geometric mean of the nominal rates on both sides of an interface [nm/s]."""
    rates = [assembly.nominal_rate_nm_s(i) for i in range(len(assembly.layers))]
    layers = range(len(assembly.layers) - 1)
    layer = next(i for i in layers if assembly.width_index(i) == width_index)
    return math.sqrt(rates[layer] * rates[layer + 1])
