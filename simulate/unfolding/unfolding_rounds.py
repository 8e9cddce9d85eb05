"""The rounds of an unfolding: linearise, find the prior of maximum evidence, solve."""

from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from craterfront.experiments.experiment import Experiment
from craterfront.fitting.discrepancy import explained_variance
from craterfront.models.unfolding.linear_unfolding import (
    LinearReadings,
    Trial,
    Unfolded,
    contrasts,
    most_evident_prior,
)
from craterfront.models.unfolding.smoothness import Smoothness, candidates
from craterfront.objective.noise_model import shortfall
from craterfront.objective.scale import measured_crater_depth
from craterfront.progress import Progress
from craterfront.unfolding.unfolding_model import Mixture, UnfoldingModel
from craterfront.unfolding.unfolding_start import first_fractions

_MOST_ROUNDS = 12
_SEARCHED = 3  # first rounds in which the prior is found anew
_KERNEL_ROUNDS = (0, 2)  # in which the kernels are; they hardly depend on the composition
_SETTLED = 1e-3  # of a fraction
_SMALLEST_START = 1e-4  # amplitude from which the search begins


@dataclass(frozen=True)
class Settled:
    """What the rounds ended with.

    Attributes
    ----------
    posterior : Unfolded
    smoothness : Smoothness
        The prior of maximum evidence ...
    amplitude : ndarray
        ... and its amplitude for each measured element.
    change : float
        Largest change of a fraction in the last round.
    """

    posterior: Unfolded
    smoothness: Smoothness
    amplitude: np.ndarray
    change: float

    @property
    def is_steady(self) -> bool:
        """Whether another round would change hardly anything."""
        return self.change <= 10.0 * _SETTLED


def settle(model: UnfoldingModel, experiment: Experiment, report: Progress) -> Settled:
    """Linearise, find the prior, solve; until the fractions settle."""
    fractions, nuisance = first_fractions(model), np.zeros(len(model.nuisances))
    unknowns = _unknowns(model)
    spread = fractions[: len(model.elements)].std(axis=1)
    log_amplitude = np.log(np.maximum(spread, _SMALLEST_START))
    smoothness, near = next(candidates(model.cells.count)), None
    for number in range(_MOST_ROUNDS):
        mixture = model.mixture(fractions)
        if number in _KERNEL_ROUNDS:
            model.update_kernels(mixture, fractions)
        readings, design = model.linearised(mixture, fractions, nuisance, *unknowns)
        readings = _with_final_depth(readings, model, mixture, nuisance, experiment)
        if number < _SEARCHED:
            tried = partial(_searching, report, number)
            smoothness, log_amplitude = most_evident_prior(readings, log_amplitude, near, tried)
            near = smoothness.length_cells
        posterior = Trial(readings, smoothness).posterior(log_amplitude)
        change = float(np.abs(posterior.fractions - fractions).max())
        fractions, nuisance = posterior.fractions, posterior.nuisance
        _update_shortfall(model, posterior, design, mixture)
        if number >= _SEARCHED and change < _SETTLED:
            break
    return Settled(posterior, smoothness, np.exp(log_amplitude), change)


def _searching(report: Progress, number: int, share: float) -> None:
    """The first search takes most of the time."""
    done = 0.0 if number == 0 else 1.0 - 0.4 / number
    report("unfolding", done + share * (0.6 if number == 0 else 0.2))


def _unknowns(model: UnfoldingModel) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Contrast, offset and what has an amplitude."""
    count = len(model.elements)
    if model.complete:
        return contrasts(count), np.full(count, 1.0 / count), np.ones(count, dtype=bool)
    contrast = np.vstack([np.eye(count), -np.ones(count)])
    return contrast, np.append(np.zeros(count), 1.0), np.append(np.ones(count, dtype=bool), False)


def _with_final_depth(
    readings: LinearReadings,
    model: UnfoldingModel,
    mixture: Mixture,
    nuisance: np.ndarray,
    experiment: Experiment,
) -> LinearReadings:
    """The measured depth of the crater as one more reading."""
    measured = measured_crater_depth(experiment.depth_scale)
    if measured is None or model.likelihood.profile.axis == "depth":
        return readings
    final_nm, u = measured
    slopes, end = model.depth_slopes(mixture, nuisance), model.cells.supplied_s
    edges = model.depth_edges_nm(mixture, nuisance)
    depth = float(np.interp(end, model.cells.edges_s, edges))
    slope = np.array([np.interp(end, model.cells.edges_s, column) for column in slopes.T])
    row = np.append(np.zeros(readings.unknown), slope) / u
    wanted = (final_nm - depth) / u + row[readings.unknown :] @ nuisance
    return replace(
        readings, gram=readings.gram + np.outer(row, row), right=readings.right + wanted * row
    )


def _update_shortfall(
    model: UnfoldingModel, posterior: Unfolded, design: np.ndarray, mixture: Mixture
) -> None:
    """What the noise leaves unexplained counts as noise, as in an inversion."""
    likelihood = model.likelihood
    solution = model.solution(mixture, posterior.fractions, posterior.nuisance)
    likelihood.update_weights(solution)
    rows = design.reshape(-1, design.shape[-1])
    leverage = np.sum((rows @ posterior.covariance) * rows, axis=1).reshape(design.shape[:2])
    leverage = np.where(likelihood.censored, 0.0, np.clip(leverage, 0.0, 1.0))
    bare = replace(likelihood.noise, shortfall=np.zeros(len(leverage)))
    variance = explained_variance(replace(likelihood.readings, noise=bare))
    deviation = likelihood.values - solution.model
    found = [shortfall(*each) for each in zip(deviation, variance, leverage, strict=True)]
    likelihood.take_noise(replace(bare, shortfall=np.array(found)))
