"""The most probable sample: the best fit of all starts, with the noise that it leaves."""

import numpy as np

from craterfront.fitting.alternatives import Alternative, alternatives
from craterfront.fitting.discrepancy import update_discrepancy
from craterfront.fitting.starts import coarse_fits
from craterfront.objective.estimation import Fit, minimise, minimise_patiently
from craterfront.objective.likelihood import Likelihood
from craterfront.progress import Progress

_ROUNDS = 5
_STEADY = 0.1  # relative change of a variance below which the noise model has settled


def best_fit(likelihood: Likelihood, report: Progress) -> tuple[Fit, list[Alternative]]:
    """The best of all starts, and what is about as probable."""
    report("coarse fit", 0.0)
    starts = coarse_fits(likelihood)
    best = _refined(likelihood, starts[0].x, report)
    report("other solutions", 0.85)
    others = alternatives(likelihood, best, starts[1:])
    if others and others[0].odds > 1.0:
        starts[1:] = [best, *(other.fit for other in others[1:])]
        best = _refined(likelihood, others[0].fit.x, report)
        others = alternatives(likelihood, best, starts[1:])
    return best, others


def _refined(likelihood: Likelihood, x: np.ndarray, report: Progress) -> Fit:
    """Noise, discrepancy and slices are brought up to date as the fit goes on."""
    likelihood.replan(x)
    likelihood.update_weights(likelihood.solve(x))
    for round_number in range(_ROUNDS):
        report("fit", 0.4 + 0.4 * round_number / _ROUNDS)
        likelihood.replan(x)
        x = minimise(likelihood.objective(), x, tolerance=1e-5).x
        likelihood.update_weights(likelihood.solve(x))
        if update_discrepancy(likelihood, x) < _STEADY:
            break
    objective = likelihood.objective()
    fit = minimise_patiently(objective, x, tolerance=1e-9)
    # What has come close to zero hardly shows and may have stopped there on its way.
    again = likelihood.coordinates.with_room(fit.x)
    if not np.array_equal(again, fit.x):
        other = minimise_patiently(objective, again, tolerance=1e-9)
        fit = min(fit, other, key=lambda each: each.cost)
    return fit
