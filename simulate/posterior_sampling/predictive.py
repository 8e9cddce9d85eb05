"""Readings that a sample would have given, and whether those measured look like them."""

import math
from dataclasses import dataclass

import numpy as np

from craterfront.models.detection.noise import flicker
from craterfront.objective.likelihood import Likelihood
from craterfront.objective.solution import Solution
from craterfront.posterior_sampling.linear_marginal import with_readings

BAD = 0.01
"""Posterior predictive p below which, or above one minus which, a model is called into question."""

_STRETCHES = 50  # in which a profile is divided to look for slow deviations


@dataclass(frozen=True)
class Check:
    """Posterior predictive check of one channel.

    Attributes
    ----------
    channel : str
    p_scatter : float
        Probability that readings of the model scatter about it at least as much as those measured
        (sum of squared standardised residuals).
    p_slow : float
        The same for the means of residuals over a fiftieth of the profile.
    """

    channel: str
    p_scatter: float
    p_slow: float

    def problems(self) -> list[str]:
        """What is bad, in words."""
        found = []
        if self.p_scatter < BAD:
            found.append(
                f"channel {self.channel}: the readings scatter more about the fit than the noise "
                f"model says (posterior predictive p = {self.p_scatter:.3f})"
            )
        if self.p_scatter > 1.0 - BAD:
            found.append(
                f"channel {self.channel}: the readings scatter less about the fit than the noise "
                f"model says (posterior predictive p = {self.p_scatter:.3f}); intervals may be wide"
            )
        if self.p_slow < BAD:
            found.append(
                f"channel {self.channel}: over longer stretches the fit misses readings by more "
                f"than noise would (posterior predictive p = {self.p_slow:.3f}); something is "
                "missing in the model"
            )
        return found


def replicate(likelihood: Likelihood, solution: Solution, rng: np.random.Generator) -> np.ndarray:
    """Readings with noise that the model of a solution would have given, shape (C, N).

    With all that the noise model holds: counting, readout, rounding, a common fluctuation, and the
    shortfall of the model, correlated over as many readings as it was found to be.
    """
    noise, interval = likelihood.noise, likelihood.interval
    model = solution.model
    if noise.fluctuation is not None:
        for rms, correlation_s in noise.fluctuation.processes:
            model = model + solution.signal * flicker(rms, correlation_s, interval, rng)
    level = np.maximum(model, 0.0)
    variance, added = noise.variance(level, interval), noise.added_variance(level, interval)
    readings = np.empty_like(model)
    for c, step in enumerate(likelihood.detectors.step):
        gain = noise.kappa[c] / interval
        if likelihood.readings.counted[c] and noise.correlation[c] <= 1.0 and step == 0:
            # The shifted Poisson distribution of the likelihood.
            shift = added[c] / gain
            readings[c] = gain * rng.poisson((level[c] + shift) / gain) - shift
            continue
        own = np.maximum(variance[c] - step**2 / 12.0, 0.0)
        readings[c] = model[c] + np.sqrt(own) * _correlated(
            model[c].size, noise.correlation[c], rng
        )
        if step > 0:
            readings[c] = step * np.round(readings[c] / step)
    return np.minimum(readings, likelihood.limit[:, None])


def _correlated(count: int, readings: float, rng: np.random.Generator) -> np.ndarray:
    """Unit variance, with an integrated correlation time of so many readings."""
    white = rng.standard_normal(count)
    if readings <= 1.0:
        return white
    from scipy.signal import lfilter

    kept = (readings - 1.0) / (readings + 1.0)
    white[1:] *= math.sqrt(1.0 - kept**2)
    return np.asarray(lfilter([1.0], [1.0, -kept], white))


def discrepancies(likelihood: Likelihood, solution: Solution, readings: np.ndarray) -> np.ndarray:
    """How far readings are from a model: single ones, and means of stretches; shape (2, C)."""
    residual = with_readings(likelihood, readings).standardised(solution)
    residual = np.where(likelihood.censored, 0.0, residual)
    stretches = np.array_split(residual, min(_STRETCHES, residual.shape[1] // 2), axis=1)
    slow = [stretch.sum(axis=1) ** 2 / stretch.shape[1] for stretch in stretches]
    return np.array([np.sum(residual**2, axis=1), np.sum(slow, axis=0)])


def log_likelihood(likelihood: Likelihood, solution: Solution) -> np.ndarray:
    """Logarithm of the likelihood of every reading, given those before it, shape (C, N).

    Up to constants that do not depend on the sample.
    """
    return -0.5 * likelihood.whitened(likelihood.standardised(solution)) ** 2


def checks(channels: list[str], measured: np.ndarray, replicated: np.ndarray) -> list[Check]:
    """From discrepancies of the readings and of replicates, shape (S, 2, C)."""
    p = np.mean(replicated >= measured, axis=0)
    return [Check(name, float(p[0, c]), float(p[1, c])) for c, name in enumerate(channels)]
