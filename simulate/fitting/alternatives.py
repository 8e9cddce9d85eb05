"""Other samples that explain a profile about as well as the most probable one."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from craterfront.objective.estimation import Fit, minimise
from craterfront.objective.likelihood import Likelihood

_WORTH_TELLING = 1.0 / 20.0  # how probable, against the best, a solution is that is told of
_WORTH_REFINING = 30.0  # of the misfit of the best coarse fit, over which another is given up
_DISTINCT = 3.0  # standard uncertainties by which two solutions differ, at least


@dataclass(frozen=True)
class Alternative:
    """Another minimum.

    Attributes
    ----------
    fit : Fit
    values : ndarray
        Value of every parameter there.
    odds : float
        Its posterior probability against that of the best (both by Laplace's approximation).
    """

    fit: Fit
    values: np.ndarray
    odds: float

    def described(self, likelihood: Likelihood) -> str:
        """The sample in words."""
        assembly = likelihood.assembly
        layers = range(len(assembly.layers) - 1)
        indices = dict.fromkeys(assembly.thickness_index(layer) for layer in layers)
        found = (
            f"{assembly.parameters[i].name} {self.values[i]:.3g} {assembly.parameters[i].unit}"
            for i in indices
            if i in likelihood.free
        )
        return ", ".join(found)


def alternatives(likelihood: Likelihood, best: Fit, starts: Sequence[Fit]) -> list[Alternative]:
    """Distinct minima from other starts, the most probable first.

    Parameters
    ----------
    likelihood : Likelihood
        With the noise of the best fit; its slices are those of the best fit afterwards as well.
    best : Fit
    starts : sequence of Fit
        Coarse fits, the best first.

    Returns
    -------
    list of Alternative
        Those that are at least a twentieth as probable, or more probable than what was taken for
        the best.
    """
    kept = likelihood.terms
    of_best = _log_information(likelihood.information_rows(best.x))
    found: list[Alternative] = []
    for start in starts:
        if start.cost > _WORTH_REFINING * max(starts[0].cost, best.x.size):
            continue
        likelihood.replan(start.x)
        objective = likelihood.objective()
        fit = minimise(objective, start.x, tolerance=1e-5)
        jacobian = objective.jacobian(fit.x)
        of_this = _log_information(likelihood.information_rows(fit.x))
        log_odds = 0.5 * (best.cost - fit.cost + of_best - of_this)
        known = [best, *(each.fit for each in found)]
        if log_odds > math.log(_WORTH_TELLING) and _is_new(fit, known, jacobian):
            values = likelihood.coordinates.values(fit.x)
            found.append(Alternative(fit, values, math.exp(min(log_odds, 700.0))))
    likelihood.terms = kept
    return sorted(found, key=lambda each: -each.odds)


def _log_information(rows: np.ndarray) -> float:
    """Logarithm of the determinant of the information; what nothing fixes counts alike in all.

    The rows are those of all numbers, sensitivities and backgrounds as well: the odds are those of
    what is left when all of them are integrated out.
    """
    values = np.linalg.eigvalsh(rows.T @ rows)
    return float(np.sum(np.log(np.maximum(values, 1e-6))))


def _is_new(fit: Fit, known: Sequence[Fit], jacobian: np.ndarray) -> bool:
    """Whether a minimum is none of those that are known."""
    steps = [float(np.linalg.norm(jacobian @ (fit.x - other.x))) for other in known]
    return min(steps) > _DISTINCT
