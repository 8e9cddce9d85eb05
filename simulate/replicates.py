"""Replicate spots: mean, scatter from spot to spot, and the combined uncertainty of the mean.

What varies from spot to spot averages out; an error of what all inversions took for known does not.
"""

import csv
import io
import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from craterfront.inversion import Inversion
from craterfront.inversion_notes import of_several
from craterfront.json_numbers import without_infinities
from craterfront.models.effective_freedom import effective_degrees_of_freedom
from craterfront.problems import InputProblems
from craterfront.results import answer

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


@dataclass(frozen=True)
class Spots:
    """Combined answers of replicate spots.

    Attributes
    ----------
    rows : list of (str, str, str, Combined)
        Quantity, layer, unit and the mean.
    notes : list of str
    """

    rows: list[tuple[str, str, str, Combined]]
    notes: list[str]

    def as_csv(self) -> str:
        """One row for each mean."""
        text = io.StringIO()
        writer = csv.DictWriter(text, COLUMNS, lineterminator="\n")
        writer.writeheader()
        writer.writerows(self.as_dict()["means"])
        return text.getvalue()

    def as_dict(self) -> dict[str, Any]:
        """Plain numbers and strings; an infinite number is null."""
        return {
            "notes": self.notes,
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
    """Thicknesses, masses and resolved widths of several spots, inverted one by one.

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
    answers = [answer(found) for found in inversions]
    notes = of_several(
        (found.profile.source, each.doubts, each.notes)
        for found, each in zip(inversions, answers, strict=True)
    )
    unit = answers[0].unit
    shares = [_Shares(found) for found in inversions]
    rows: list[tuple[str, str, str, Combined]] = []
    for number, layer in enumerate(answers[0].layers):
        mine = [each.layers[number] for each in answers]
        assembly = inversions[0].likelihood.assembly
        thickness, density = assembly.thickness_index(number), assembly.density_index(number)
        if all(each.resolved for each in mine):
            what = "thickness" if unit == "nm" else "duration"
            values = [each.value for each in mine]
            rows.append((what, layer.name, unit, _mean(shares, values, [thickness])))
            masses = [m for m in (each.areal_mass_g_m2 for each in mine) if m is not None]
            if len(masses) == len(mine):
                mean = _mean(shares, masses, [thickness, density])
                rows.append(("areal mass", layer.name, "g/m2", mean))
        else:
            notes.append(f"{layer.name}: not resolved at every spot, so there is no mean")
        if all(each.width.resolved for each in mine):
            widths = [each.width.value_nm for each in mine]
            mean = _mean(shares, widths, [assembly.width_index(number)])
            rows.append(("width below", layer.name, unit, mean))
        elif any(each.width.resolved for each in mine):
            notes.append(f"width below {layer.name}: not resolved at every spot, so no mean")
    return Spots(rows, notes)


class _Shares:
    """What errors of readings and of priors make of the answers of one inversion."""

    def __init__(self, found: Inversion) -> None:
        self._found = found
        self._rows = found.jacobian
        size = np.maximum(np.linalg.norm(self._rows, axis=0), 1e-300)
        self._inverse = np.linalg.pinv(self._rows / size, rcond=1e-9) / size[:, None]

    def of(self, value: float, indices: Sequence[int]) -> tuple[np.ndarray, float, float]:
        """Of a product of parameters, in any unit.

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
        found, likelihood = self._found, self._found.likelihood
        slope, apart = np.zeros(self._rows.shape[1]), 0.0
        for index in indices:
            relative = value / float(found.values[index])
            parameter = likelihood.assembly.parameters[index]
            if index in likelihood.free:
                gradient = likelihood.coordinates.gradient(index, found.values)
                slope[: gradient.size] += relative * gradient
            elif parameter.has_prior:
                apart += (relative * parameter.u) ** 2
        change = slope @ self._inverse
        readings = likelihood.values.size
        return change[readings:], float(change[:readings] @ change[:readings]), apart


def _mean(shares: Sequence[_Shares], values: Sequence[float], indices: Sequence[int]) -> Combined:
    """Mean of a product of parameters; the priors are the same in all inversions.

    The variance that two spots have in common is the product of what each prior does to them, and
    its mean over all pairs counts.
    """
    parts = [each.of(value, indices) for each, value in zip(shares, values, strict=True)]
    n = len(parts)
    total = np.sum([by_prior for by_prior, _, _ in parts], axis=0)
    own = sum(float(by_prior @ by_prior) for by_prior, _, _ in parts)
    common = max((float(total @ total) - own) / (n * (n - 1)), 0.0)
    apart = float(np.mean([part for _, _, part in parts]))
    repeatability = float(np.mean([part for _, part, _ in parts]))
    return combined(np.array(values), common + apart, repeatability)
