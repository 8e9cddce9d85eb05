"""Decisions on tolerance limits: conforms, does not conform, or undecided (JCGM 106)."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from craterfront.answers.layer_answers import LayerAnswer, LayerSum, layer_sum
from craterfront.cautions import ESTIMATE
from craterfront.fitting.inversion import Inversion
from craterfront.models.measurands.conformity import (
    Decision,
    acceptance_limits,
    conformance_probability,
    decision,
)
from craterfront.objective.estimation import Z95
from craterfront.samples.asked import Bounds, Limit

NO_DENSITY = "no density is known"
NO_SCALE = "no depths at nominal rates"
NOT_RESOLVED = "only an upper limit of the thickness is known"
TOO_THIN = "too thin to tell its mass"
TOO_UNCERTAIN = "too uncertain for any value to conform"


@dataclass(frozen=True)
class Ruling:
    """One decision.

    Attributes
    ----------
    of : str
        The layer, or the layers together.
    bounds : Bounds
        What was asked.
    probability : float
        Demanded of the decision.
    value, u : float, optional
        Of the limited quantity; None where it has none.
    conformance : float, optional
        Probability that the truth is within the limits; None where only a limit is known.
    decision : str
        conforms, does not conform, undecided.
    acceptance : tuple of (float or None)
        Values from which, and up to which, a sample would be said to conform with this relative
        uncertainty. None where there is no limit, or no value would be.
    why : str
        What stands in the way of a decision; else empty.
    """

    of: str
    bounds: Bounds
    probability: float
    value: float | None
    u: float | None
    conformance: float | None
    decision: Decision
    acceptance: tuple[float | None, float | None] = (None, None)
    why: str = ""

    def as_dict(self) -> dict[str, Any]:
        """Plain numbers and strings; what is not known is null."""
        suffix = self.bounds.suffix
        row: dict[str, Any] = {
            "of": self.of,
            "quantity": self.bounds.quantity,
            f"min_{suffix}": self.bounds.lower,
            f"max_{suffix}": self.bounds.upper,
            f"value_{suffix}": self.value,
            f"u_{suffix}": self.u,
            f"accepted_from_{suffix}": self.acceptance[0],
            f"accepted_to_{suffix}": self.acceptance[1],
            "conformance_probability": self.conformance,
            "probability_demanded": self.probability,
            "decision": self.decision,
            "caution": ESTIMATE,
        }
        if self.why:
            row["note"] = self.why
        return row


def decisions(
    inversion: Inversion,
    layers: Sequence[LayerAnswer],
    graded: Sequence[LayerSum],
    doubts: Sequence[str] = (),
) -> list[Ruling]:
    """Decisions on all limits of the file: of layers from the surface down, then of several.

    Parameters
    ----------
    inversion : Inversion
        Where it has doubts of its own, nothing is decided.
    layers : sequence of LayerAnswer
    graded : sequence of LayerSum
    doubts : sequence of str
        Further reasons to decide nothing.
    """
    against = [*([NO_SCALE] if inversion.relative else []), *inversion.doubts, *doubts]
    why = "; ".join(against)
    found: list[Ruling] = []
    wholes = {whole.name: whole for whole in graded}
    concrete = inversion.likelihood.assembly.layers[:-1]
    for layer, answer in zip(concrete, layers, strict=True):
        if layer.limit is None:
            continue
        if layer.graded is None:
            found += _rulings(why, layer.limit, answer.name, answer)
        elif layer.graded in wholes:  # once for all its parts
            found += _rulings(why, layer.limit, layer.graded, wholes.pop(layer.graded))
    for limit in inversion.experiment.limit:
        members = [
            i
            for i, layer in enumerate(concrete)
            if not limit.layers
            or not {layer.name, layer.label, layer.graded}.isdisjoint(limit.layers)
        ]
        name = " + ".join(limit.layers) or "all layers"
        together = layer_sum(inversion, name, members, [1.0] * len(concrete))
        found += _rulings(why, limit, name, together)
    return found


def _rulings(why_not: str, limit: Limit, name: str, answer: LayerAnswer | LayerSum) -> list[Ruling]:
    return [
        _no_ruling(limit, name, bounds, why_not)
        if why_not
        else _ruling(limit, name, bounds, answer)
        for bounds in limit.bounds()
    ]


def _no_ruling(limit: Limit, name: str, bounds: Bounds, why: str) -> Ruling:
    return Ruling(name, bounds, limit.probability, None, None, None, "undecided", why=why)


def _ruling(limit: Limit, name: str, bounds: Bounds, answer: LayerAnswer | LayerSum) -> Ruling:
    resolved = not isinstance(answer, LayerAnswer) or answer.resolved
    if bounds.quantity == "areal_mass":
        mass, u = answer.areal_mass_g_m2, answer.areal_mass_u_g_m2
        if mass is None or u is None:
            return _no_ruling(limit, name, bounds, NO_DENSITY if resolved else TOO_THIN)
        return _by_probability(limit, name, bounds, mass, u, (u / mass, u / mass))
    if not resolved:
        return _by_upper_limit(limit, name, bounds, answer.upper)
    sides = _ln_sd(answer.value, answer.lower), _ln_sd(answer.value, answer.upper)
    return _by_probability(limit, name, bounds, answer.value, answer.u, sides)


def _ln_sd(value: float, end: float) -> float:
    """Standard deviation of the logarithm that a 95 % interval has at one end."""
    return abs(math.log(end / value)) / Z95 if 0.0 < end < math.inf else math.inf


def _by_probability(
    limit: Limit,
    name: str,
    bounds: Bounds,
    value: float,
    u: float,
    ln_sd: tuple[float, float],
) -> Ruling:
    """Of a positive number, which is log-normal, on either side of its median for itself."""
    limits = (
        -math.inf if bounds.lower is None else math.log(bounds.lower),
        math.inf if bounds.upper is None else math.log(bounds.upper),
    )
    conformance = conformance_probability(math.log(value), *ln_sd, *limits)
    accepted = acceptance_limits(*ln_sd, *limits, limit.probability)
    acceptance = (None, None) if accepted is None else (_exp(accepted[0]), _exp(accepted[1]))
    found = decision(conformance, limit.probability)
    why = TOO_UNCERTAIN if accepted is None and found == "undecided" else ""
    return Ruling(name, bounds, limit.probability, value, u, conformance, found, acceptance, why)


def _exp(logarithm: float) -> float | None:
    return math.exp(min(logarithm, 700.0)) if math.isfinite(logarithm) else None


def _by_upper_limit(limit: Limit, name: str, bounds: Bounds, most: float) -> Ruling:
    """Of a layer that may be absent and is no thicker than a limit at 95 %."""
    found: Decision = "undecided"
    if limit.probability <= 0.95:
        if bounds.lower is not None and most < bounds.lower:
            found = "does not conform"
        elif bounds.lower is None and bounds.upper is not None and most <= bounds.upper:
            found = "conforms"
    return Ruling(name, bounds, limit.probability, None, None, None, found, why=NOT_RESOLVED)
