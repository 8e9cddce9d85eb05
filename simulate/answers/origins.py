"""Where the uncertainty of each answer comes from: readings, or which prior."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from craterfront.answers.layer_answers import LayerAnswer, mass_weights
from craterfront.answers.linear_posterior import LinearPosterior
from craterfront.answers.prior_rows import PriorRow, prior_rows, row_of
from craterfront.answers.scale_comparison import WHOLE
from craterfront.fitting.inversion import Inversion

READINGS = "the readings"
DOMINATES = 0.5  # share of a variance from which a prior is said to dominate
_LEAST_SHARE = 0.005  # what is less is not named

_ADVICE = {
    "rate": "measure that rate",
    "common rate factor": "measure one rate",
    "shared rate factor": "measure those rates",
    "calibration of the instrument": "calibrate more closely",
    "density": "measure that density",
    "sensitivity": "calibrate that sensitivity",
    "thickness": "a better known layer",
    "final crater depth": "measure the crater's depth more closely",
    "curvature": "measure the crater's shape",
    "tilt": "measure the crater's shape",
    "initial roughness": "measure the roughness",
    "interface roughness": "measure the roughness",
    "relative spread": "measure the roughness in the crater",
    "final roughness": "measure the roughness in the crater",
    "mixing length": "calibrate the mixing length on a sharp layer",
    "escape depth": "calibrate the escape depth on a sharp layer",
}


@dataclass(frozen=True)
class Origin:
    """Where the variance of one answer comes from.

    Attributes
    ----------
    answer : str
        Such as ``thickness of TiN``.
    shares : dict of str to float
        By the name of the prior, `READINGS` for the data; the largest first. They sum to 1 but
        for what is too small to be named.
    largest : PriorRow, optional
        The prior with the largest share.
    """

    answer: str
    shares: Mapping[str, float]
    largest: PriorRow | None

    @property
    def dominating(self) -> PriorRow | None:
        """The largest prior, where it makes up at least half of the variance."""
        row = self.largest
        return None if row is None or self.shares[row.name] < DOMINATES else row

    def sentence(self) -> str:
        """In words; empty where no prior dominates."""
        row = self.dominating
        if row is None:
            return ""
        share = 100.0 * self.shares[row.name]
        text = f"{self.answer}: {share:.0f} % of its variance comes from the {row.described()}"
        return "; ".join(filter(None, (text, _ADVICE.get(row.kind))))

    def advice(self) -> str:
        """What would help most, with its share of the variance: more counts, or a better prior."""
        name, share = next(iter(self.shares.items()))
        told = f" ({100.0 * share:.0f} %)"
        if self.largest is None or name != self.largest.name:
            return f"more counts{told}"
        what = _ADVICE.get(self.largest.kind)
        return "" if what is None else what + told

    def as_dict(self) -> dict[str, Any]:
        """Plain numbers and strings."""
        return {
            "answer": self.answer,
            "variance_shares": dict(self.shares),
            "in_words": self.sentence(),
        }


def origins(
    inversion: Inversion, layers: Sequence[LayerAnswer], posterior: LinearPosterior
) -> list[Origin]:
    """Origins of all thicknesses, masses and resolved widths; last of all layers together."""
    assembly = inversion.likelihood.assembly
    quantity = "duration" if inversion.relative else "thickness"
    asked: dict[str, Mapping[int, float]] = {}
    for number, layer in enumerate(layers):
        if layer.resolved:
            asked[f"{quantity} of {layer.name}"] = {assembly.thickness_index(number): 1.0}
        if layer.areal_mass_g_m2 is not None:
            asked[f"mass of {layer.name}"] = mass_weights(inversion, [number])
        if layer.width.resolved:
            asked[f"width below {layer.name}"] = {assembly.width_index(number): 1.0}
    if len(layers) > 1:
        total: dict[int, float] = {}
        for number in range(len(layers)):
            index = assembly.thickness_index(number)
            total[index] = total.get(index, 0.0) + 1.0
        asked[f"{quantity} of {WHOLE}"] = total
    rows = prior_rows(inversion)
    found = [_origin(inversion, posterior, rows, *each) for each in asked.items()]
    return [origin for origin in found if origin is not None]


def _origin(
    inversion: Inversion,
    posterior: LinearPosterior,
    rows: Sequence[PriorRow],
    answer: str,
    weights: Mapping[int, float],
) -> Origin | None:
    """Origin of a weighted sum of parameters; None where it is exact, or nothing fixes it."""
    likelihood = inversion.likelihood
    slope = np.zeros(len(likelihood.free))
    parts: dict[PriorRow | None, float] = {}
    for index, weight in weights.items():
        parameter = likelihood.assembly.parameters[index]
        if index in likelihood.free:
            slope += weight * likelihood.coordinates.gradient(index, inversion.values)
        elif parameter.has_prior:
            parts[row_of(parameter)] = (weight * parameter.u) ** 2
    if np.any(slope):
        variance = posterior.variance(slope)
        if not np.isfinite(variance):
            return None
        shares = variance * posterior.variance_shares(slope)
        for row, part in zip([*rows, None], map(float, shares), strict=True):
            parts[row] = parts.get(row, 0.0) + part
    whole = sum(parts.values())
    if not whole > 0.0:
        return None
    ordered = sorted(parts.items(), key=lambda each: -each[1])
    named = {
        READINGS if row is None else row.name: part / whole
        for row, part in ordered
        if part >= _LEAST_SHARE * whole
    }
    largest = next((row for row, _ in ordered if row is not None and row.name in named), None)
    return Origin(answer, named, largest)
