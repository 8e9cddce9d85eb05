"""What the noise of single readings leaves unexplained: fluctuation, a model that falls short."""

from dataclasses import replace

import numpy as np

from craterfront.models.detection.readings import correlation_time
from craterfront.objective.curvature import pseudo_inverse
from craterfront.objective.likelihood import Likelihood
from craterfront.objective.noise_model import Fluctuation, NoiseModel, find_fluctuation, shortfall
from craterfront.objective.reading_residuals import ReadingResiduals
from craterfront.objective.solution import Solution


def update_discrepancy(likelihood: Likelihood, x: np.ndarray) -> float:
    """Bring the noise of a likelihood up to date at the minimum x.

    A common fluctuation, if the file says nothing of one; then for each channel, where its readings
    matter for the answer, how far the model falls short.

    Returns
    -------
    float
        Largest relative change of the variance of a reading.
    """
    before, total = likelihood.noise, _total_variance(likelihood)
    solution, rows = likelihood.solve(x), likelihood.information_rows(x, plain=True)
    bare = _without_discrepancy(likelihood, x, solution, rows)
    likelihood.take_noise(replace(before, fluctuation=bare.fluctuation))
    leverage = _leverage(likelihood, rows)
    found = [
        shortfall(*each)
        for each in zip(
            _deviations(likelihood, solution, bare),
            explained_variance(replace(likelihood.readings, noise=bare)),
            leverage,
            strict=True,
        )
    ]
    likelihood.take_noise(replace(bare, shortfall=np.array(found)))
    white = np.sqrt(leverage) * likelihood.whitened(likelihood.standardised(solution))
    correlation = np.array([correlation_time(row) for row in white])
    likelihood.take_noise(replace(likelihood.noise, correlation=correlation))
    return float(np.max(np.abs(np.log(_total_variance(likelihood) / total))))


def _without_discrepancy(
    likelihood: Likelihood, x: np.ndarray, solution: Solution, rows: np.ndarray
) -> NoiseModel:
    """Noise of single readings, and the common fluctuation."""
    none, single = np.zeros(len(likelihood.values)), np.ones(len(likelihood.values))
    bare = replace(likelihood.noise, shortfall=none, correlation=single)
    written = likelihood.assembly.setup.noise
    silent = written.flicker is None and written.one_over_f is None
    if silent and likelihood.profile.values_kind == "intensity":
        bare = replace(bare, fluctuation=_fluctuation(likelihood, x, solution, rows, bare))
    return bare


def explained_variance(readings: ReadingResiduals) -> np.ndarray:
    """Variance that noise without a shortfall of the model explains, shape (C, N)."""
    variance = _with_fluctuation(readings.variance, readings)
    # One count where hardly any is expected is no sign of a wrong model.
    return np.maximum(variance, readings.gain**2)


def _deviations(likelihood: Likelihood, solution: Solution, bare: NoiseModel) -> np.ndarray:
    """Readings minus model; of coarsely rounded ones as improbable as they are."""
    readings = replace(likelihood.readings, noise=bare)
    as_improbable = readings.of(solution.model) * np.sqrt(readings.variance)
    return np.where(readings.coarse, as_improbable, readings.values - solution.model)


def _fluctuation(
    likelihood: Likelihood, x: np.ndarray, solution: Solution, rows: np.ndarray, bare: NoiseModel
) -> Fluctuation | None:
    """A common fluctuation in the residuals about a solution."""
    readings = replace(likelihood.readings, noise=bare)
    slopes = rows[: readings.values.size].reshape(*readings.values.shape, -1)
    slopes = slopes * np.sqrt(likelihood.readings.variance / readings.variance)[..., None]
    residuals = (readings.values - solution.model) / np.sqrt(readings.variance)
    columns = np.concatenate([slopes, residuals[..., None]], axis=-1)
    columns[readings.censored] = 0.0
    own = likelihood.priors.of(x, solution)
    priors = np.column_stack([rows[readings.values.size :], own])
    return find_fluctuation(columns, priors, readings.loads, readings.interval)


def _leverage(likelihood: Likelihood, rows: np.ndarray) -> np.ndarray:
    """What each reading contributes to the answer, between 0 and 1, shape (C, N)."""
    values = likelihood.values
    count = values.size
    white = likelihood.whitened(rows[:count].reshape(*values.shape, -1))
    rows = np.vstack([white.reshape(count, -1), rows[count:]])
    of_readings = rows[:count]
    leverage = np.sum((of_readings @ pseudo_inverse(rows.T @ rows)) * of_readings, axis=1)
    leverage = leverage.reshape(values.shape)
    return np.where(likelihood.censored, 0.0, np.clip(leverage, 0.0, 1.0))


def _total_variance(likelihood: Likelihood) -> np.ndarray:
    """Of every reading, with all that the noise model holds, shape (C, N)."""
    readings = likelihood.readings
    variance = readings.variance * readings.noise.correlation[:, None]
    return _with_fluctuation(variance, readings)


def _with_fluctuation(variance: np.ndarray, readings: ReadingResiduals) -> np.ndarray:
    """Variances with what a common fluctuation adds."""
    fluctuation = readings.noise.fluctuation
    if fluctuation is None:
        return variance
    return variance + (fluctuation.spread * readings.signal) ** 2
