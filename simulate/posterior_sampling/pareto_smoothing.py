"""Importance weights whose largest ones are smoothed, and the diagnostic that comes with it.

The largest ratios of target and proposal follow a generalised Pareto distribution. Its shape k says
how many moments the ratios have, so whether a mean over them can be trusted, and its quantiles are
steadier than the ratios themselves (A. Vehtari, D. Simpson, A. Gelman, Y. Yao, J. Gabry, J. Mach.
Learn. Res. 25 (2024) 72).
"""

import math

import numpy as np

MOST_K = 0.7
"""Pareto k up to which a practical number of draws gives steady means (the same paper)."""

_LEAST_TAIL = 5  # ratios to which a distribution can be fitted


def smoothed_log_weights(log_ratios: np.ndarray) -> tuple[np.ndarray, float]:
    """Normalised logarithms of weights, and the Pareto k of the ratios.

    Parameters
    ----------
    log_ratios : ndarray, shape (S,)
        Logarithms of target over proposal, up to a constant; -inf where the target is 0.

    Returns
    -------
    log_weights : ndarray, shape (S,)
        Their exponentials add up to 1.
    k : float
        Infinite where there are too few different ratios to tell.
    """
    log_weights = log_ratios - np.max(log_ratios)
    count = log_weights.size
    length = min(count // 5, math.ceil(3.0 * math.sqrt(count)))
    order = np.argsort(log_weights)
    tail = order[-length:] if length else order[:0]
    k = math.inf
    if length >= _LEAST_TAIL and np.isfinite(log_weights[order[-length - 1]]):
        cutoff = float(log_weights[order[-length - 1]])
        excess = np.exp(log_weights[tail]) - math.exp(cutoff)
        positive, scale = excess[excess > 0], 0.0
        if positive.size >= _LEAST_TAIL:
            k, scale = fit_generalised_pareto(positive)
        elif not positive.size:  # all ratios are equal: the proposal is the target
            k = -math.inf
        if scale > 0:
            levels = (np.arange(length) + 0.5) / length
            quantiles = _pareto_quantiles(levels, k, scale) + math.exp(cutoff)
            log_weights = log_weights.copy()
            log_weights[tail] = np.minimum(np.log(quantiles), 0.0)
    return log_weights - _log_sum(log_weights), k


def _log_sum(log_values: np.ndarray) -> float:
    largest = float(np.max(log_values))
    return largest + math.log(float(np.sum(np.exp(log_values - largest))))


def _pareto_quantiles(levels: np.ndarray, k: float, scale: float) -> np.ndarray:
    if abs(k) < 1e-12:
        return -scale * np.log1p(-levels)
    return scale * np.expm1(-k * np.log1p(-levels)) / k


def fit_generalised_pareto(excess: np.ndarray) -> tuple[float, float]:
    """Shape k and scale of a generalised Pareto distribution.

    A quasi-Bayesian mean over a grid of profiles (J. Zhang, M. A. Stephens, Technometrics 51 (2009)
    316), with k drawn to 0.5 by as much as ten observations (the paper on smoothing, appendix).

    Parameters
    ----------
    excess : ndarray, shape (M,)
        Positive, in ascending order.
    """
    count = excess.size
    grid_size = 30 + int(math.sqrt(count))
    grid = 1.0 - np.sqrt(grid_size / (np.arange(1, grid_size + 1) - 0.5))
    grid = grid / (3.0 * excess[int(count / 4.0 + 0.5) - 1]) + 1.0 / excess[-1]
    shapes = np.log1p(-grid[:, None] * excess).mean(axis=1)
    log_profile = count * (np.log(-grid / shapes) - shapes - 1.0)
    weights = np.exp(log_profile - log_profile.max())
    theta = float(grid @ weights / weights.sum())
    shape = float(np.log1p(-theta * excess).mean())
    return (count * shape + 10.0 * 0.5) / (count + 10.0), -shape / theta


def effective_size(log_weights: np.ndarray) -> float:
    """Equal draws that give a mean as steady as weighted ones: 1 over the sum of their squares."""
    return 1.0 / math.exp(_log_sum(2.0 * log_weights))


def effective_size_of(values: np.ndarray, weights: np.ndarray) -> float:
    """The same for the mean of given values: their variance over that of the weighted mean.

    Parameters
    ----------
    values, weights : ndarray, shape (S,)
        The weights add up to 1.
    """
    off = values - weights @ values
    variance = float(weights @ off**2)
    return variance / float(weights**2 @ off**2) if variance > 0 else float("nan")
