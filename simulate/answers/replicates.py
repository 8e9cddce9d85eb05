"""Replicate spots: mean, scatter from spot to spot, and the combined uncertainty of the mean.

What varies from spot to spot averages out; an error of what all inversions took for known does not.
"""

import csv
import io
import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from craterfront.answers.batch import DONE, DOUBTFUL
from craterfront.answers.layer_answers import LayerAnswer
from craterfront.answers.results import Answer, answer
from craterfront.fitting.inversion import Inversion
from craterfront.fitting.inversion_notes import by_profile
from craterfront.models.measurands.effective_freedom import effective_degrees_of_freedom
from craterfront.notation.json_numbers import without_infinities
from craterfront.problems import InputProblems

PROBABILITY = 0.95
COLUMNS = (
    "quantity",
    "layer",
    "unit",
    "count",
    "mean",
    "scatter",
    "repeatability",
    "common_u",
    "u",
    "degrees_of_freedom",
    "expanded_u",
    "status",
    "notes",
    "message",
)


@dataclass(frozen=True)
class Combined:
    """Mean of replicates.

    Attributes
    ----------
    count : int
    mean : float
    scatter : float
        Standard deviation from spot to spot, as observed.
    repeatability : float
        The part of it that the noise of the readings explains.
    common_u : float
        Standard uncertainty that all of them share.
    u : float
        Combined standard uncertainty of the mean.
    degrees_of_freedom : float
        Effective ones; may be infinite.
    expanded_u : float
        Half of the interval of 95 % coverage.
    """

    count: int
    mean: float
    scatter: float
    repeatability: float
    common_u: float
    u: float
    degrees_of_freedom: float
    expanded_u: float


def combined(
    values: np.ndarray, common_variance: float, repeatability_variance: float = 0.0
) -> Combined:
    """Mean of replicates; what they share is not reduced by their number.

    Parameters
    ----------
    values : ndarray, shape (n,)
        At least two.
    common_variance : float
        Of an error that all of them share, itself exactly known.
    repeatability_variance : float
        Of one value, expected from the noise of its readings.

    Notes
    -----
    With the standard deviation s of the values, ``u^2 = s^2 / n + u_common^2``, s with n - 1
    degrees of freedom; the expanded uncertainty is u times the quantile of the t distribution with
    the effective ones.
    """
    from scipy.stats import norm, t

    n = values.size
    if n < 2:
        raise ValueError(f"values must be at least 2, got {n}")
    scatter = float(np.std(values, ddof=1))
    of_mean = scatter**2 / n
    u = math.sqrt(of_mean + common_variance)
    parts = np.sqrt([of_mean, common_variance])
    freedom = effective_degrees_of_freedom(parts, np.array([n - 1, math.inf]))
    quantile = 0.5 + 0.5 * PROBABILITY
    factor = t.ppf(quantile, freedom) if math.isfinite(freedom) else norm.ppf(quantile)
    return Combined(
        n,
        float(np.mean(values)),
        scatter,
        math.sqrt(repeatability_variance),
        math.sqrt(common_variance),
        u,
        freedom,
        float(factor) * u,
    )


Row = tuple[str, str, str, Combined]
"""Quantity, layer, unit and the mean."""


@dataclass(frozen=True)
class Spots:
    """Combined answers of replicate spots.

    Attributes
    ----------
    rows : list of Row
    doubts : list of str
        What forbids to decide anything on one of the spots, and so on their means.
    notes : list of str
        What else a reader must know.
    """

    rows: list[Row]
    doubts: list[str]
    notes: list[str]

    @property
    def warnings(self) -> list[str]:
        """What a reader must know before any number, doubts first."""
        return [*self.doubts, *self.notes]

    def as_csv(self) -> str:
        """One row for each mean, with doubts and the number of notes as in a batch."""
        said = {
            "status": DOUBTFUL if self.doubts else DONE,
            "notes": len(self.notes),
            "message": "; ".join(self.doubts),
        }
        text = io.StringIO()
        writer = csv.DictWriter(text, COLUMNS, lineterminator="\n")
        writer.writeheader()
        writer.writerows(mean | said for mean in self.as_dict()["means"])
        return text.getvalue()

    def as_dict(self) -> dict[str, Any]:
        """Plain numbers and strings; an infinite number is null."""
        return {
            "doubts": self.doubts,
            "warnings": self.warnings,
            "means": [
                {
                    "quantity": quantity,
                    "layer": layer,
                    "unit": unit,
                    **without_infinities(asdict(mean)),
                }
                for quantity, layer, unit, mean in self.rows
            ],
        }


def combine_spots(inversions: Sequence[Inversion]) -> Spots:
    """Thicknesses, masses, resolved widths and depths of spots, inverted one by one.

    Parameters
    ----------
    inversions : sequence of Inversion
        With one experiment and the same calibration, if any.

    Raises
    ------
    InputProblems
        For less than two.
    """
    if len(inversions) < 2:
        raise InputProblems([f"spots: takes at least 2 profiles, got {len(inversions)}"])
    spots = [_Spot(found, answer(found)) for found in inversions]
    doubts = by_profile((spot.found.profile.source, spot.answer.doubts) for spot in spots)
    notes = by_profile((spot.found.profile.source, spot.answer.notes) for spot in spots)
    rows: list[Row] = []
    for number in range(len(spots[0].answer.layers)):
        for means_of in (_extents, _widths, _depths):
            means, missing = means_of(spots, number)
            rows += means
            notes += missing
    return Spots(rows, doubts, notes)


class _Spot:
    """One inversion, and what errors of readings and of priors make of its answers."""

    def __init__(self, found: Inversion, answers: Answer) -> None:
        self.found, self.answer = found, answers
        self._rows = found.jacobian
        size = np.maximum(np.linalg.norm(self._rows, axis=0), 1e-300)
        self._inverse = np.linalg.pinv(self._rows / size, rcond=1e-9) / size[:, None]

    def layer(self, number: int) -> LayerAnswer:
        """A layer, counted from the surface."""
        return self.answer.layers[number]

    def of_product(self, value: float, indices: Sequence[int]) -> dict[int, float]:
        """Derivatives of a product of parameters, in any unit, by each of them."""
        return {index: value / float(self.found.values[index]) for index in indices}

    def of_depth(self, number: int) -> dict[int, float]:
        """Derivatives of the depth of the interface below a layer by the thicknesses above it."""
        assembly = self.found.likelihood.assembly
        weights: dict[int, float] = defaultdict(float)
        for above in range(number + 1):
            thickness = assembly.thickness_index(above)
            for index, weight in self.of_product(self.layer(above).value, [thickness]).items():
                weights[index] += weight
        return weights

    def shares(self, weights: Mapping[int, float]) -> tuple[np.ndarray, float, float]:
        """Of a quantity with these derivatives by parameters.

        With J the derivatives of the residuals of readings and priors, it moves by its slope times
        1 / (J'J) J' times the errors of unit variance.

        Returns
        -------
        by_prior : ndarray
            Change by one standard deviation of each prior.
        by_readings : float
            Variance from the noise of the readings.
        apart : float
            Variance from priors on which no reading bears.
        """
        found, likelihood = self.found, self.found.likelihood
        slope, apart = np.zeros(self._rows.shape[1]), 0.0
        for index, weight in weights.items():
            parameter = likelihood.assembly.parameters[index]
            if index in likelihood.free:
                gradient = likelihood.coordinates.gradient(index, found.values)
                slope[: gradient.size] += weight * gradient
            elif parameter.has_prior:
                apart += (weight * parameter.u) ** 2
        change = slope @ self._inverse
        readings = likelihood.values.size
        return change[readings:], float(change[:readings] @ change[:readings]), apart


Means = tuple[list[Row], list[str]]
"""Means, and notes on those that there are not."""


def _extents(spots: Sequence[_Spot], number: int) -> Means:
    """Thickness or duration of a layer, and its mass per area."""
    layers = [spot.layer(number) for spot in spots]
    name, unit = layers[0].name, spots[0].answer.unit
    if not all(layer.resolved for layer in layers):
        thickness, depth = ("thickness", "depth") if unit == "nm" else ("duration", "time")
        return [], [
            f"{name}: not resolved at every spot, so there is no mean of its {thickness}, nor of"
            f" the {depth} of any interface below it"
        ]
    assembly = spots[0].found.likelihood.assembly
    thickness, density = assembly.thickness_index(number), assembly.density_index(number)
    what = "thickness" if unit == "nm" else "duration"
    values = [layer.value for layer in layers]
    rows: list[Row] = [(what, name, unit, _mean_of_product(spots, values, [thickness]))]
    masses = [m for m in (layer.areal_mass_g_m2 for layer in layers) if m is not None]
    if len(masses) == len(layers):
        mean = _mean_of_product(spots, masses, [thickness, density])
        rows.append(("areal mass", name, "g/m2", mean))
    return rows, []


def _widths(spots: Sequence[_Spot], number: int) -> Means:
    """Width of the interface below a layer."""
    layers = [spot.layer(number) for spot in spots]
    name, unit = layers[0].name, spots[0].answer.unit
    resolved = [layer.width.resolved for layer in layers]
    if not any(resolved):
        return [], []
    if not all(resolved):
        return [], [f"width below {name}: not resolved at every spot, so no mean"]
    index = spots[0].found.likelihood.assembly.width_index(number)
    mean = _mean_of_product(spots, [layer.width.value_nm for layer in layers], [index])
    return [("width below", name, unit, mean)], []


def _depths(spots: Sequence[_Spot], number: int) -> Means:
    """Depth of the interface below a layer, or the time of it.

    There is none below a layer that is not resolved, which is said of that layer.
    """
    layers = [spot.layer(number) for spot in spots]
    name, unit = layers[0].name, spots[0].answer.unit
    what = "depth below" if unit == "nm" else "time below"
    if any(layer.depth_u is None for layer in layers):
        return [], []
    shares = [spot.shares(spot.of_depth(number)) for spot in spots]
    return [(what, name, unit, _mean([layer.depth for layer in layers], shares))], []


def _mean_of_product(
    spots: Sequence[_Spot], values: Sequence[float], indices: Sequence[int]
) -> Combined:
    """Mean of a product of parameters, in any unit."""
    shares = [
        spot.shares(spot.of_product(value, indices))
        for spot, value in zip(spots, values, strict=True)
    ]
    return _mean(values, shares)


def _mean(values: Sequence[float], shares: Sequence[tuple[np.ndarray, float, float]]) -> Combined:
    """Mean of what the spots give; the priors are the same in all inversions.

    The variance that two spots have in common is the product of what each prior does to them, and
    its mean over all pairs counts.
    """
    n = len(shares)
    total = np.sum([by_prior for by_prior, _, _ in shares], axis=0)
    own = sum(float(by_prior @ by_prior) for by_prior, _, _ in shares)
    common = max((float(total @ total) - own) / (n * (n - 1)), 0.0)
    apart = float(np.mean([part for _, _, part in shares]))
    repeatability = float(np.mean([part for _, part, _ in shares]))
    return combined(np.array(values), common + apart, repeatability)
