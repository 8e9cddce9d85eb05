"""Fisher information of counted profiles, computed without anything of an inversion.

From the noise-free signal alone, by differences of sixth order.
"""

from collections.abc import Callable

import numpy as np
from scipy.linalg import toeplitz

from craterfront.models.detection.noise import flicker_moments

_SIXTH_ORDER = {1: 45.0 / 60.0, 2: -9.0 / 60.0, 3: 1.0 / 60.0}
REACH = 3.0
"""Steps on either side of the place at which a slope is asked for."""

_LEAST_COUNTS = 0.05  # where nothing is counted, so much is


def slopes(
    clean: Callable[[np.ndarray], np.ndarray], theta: np.ndarray, step: np.ndarray
) -> np.ndarray:
    """Slopes of noise-free counts (channel, reading) by parameters, last axis.

    Parameters
    ----------
    clean : callable
        The counts as a smooth function of the parameters.
    theta, step : ndarray, shape (P,)
    """
    columns = []
    for p in range(theta.size):
        slope = 0.0
        for k, weight in _SIXTH_ORDER.items():
            up, down = theta.copy(), theta.copy()
            up[p] += k * step[p]
            down[p] -= k * step[p]
            slope = slope + weight * (clean(up) - clean(down))
        columns.append(slope / step[p])
    return np.stack(columns, axis=-1)


def information(
    mean: np.ndarray,
    signal: np.ndarray,
    by_parameter: np.ndarray,
    flicker: tuple[float, float],
    interval_s: float,
) -> np.ndarray:
    """Fisher information of counts, shape (P, P).

    The covariance is diag(counting) + (signal of c) (signal of c') kernel, as the source flickers
    for all channels alike; it is inverted by Woodbury's identity.

    Parameters
    ----------
    mean, signal : ndarray, shape (C, N)
        Noise-free counts, and those of them that flicker: all but the background.
    by_parameter : ndarray, shape (C, N, P)
    flicker : (float, float)
        Relative standard deviation and correlation time [s].
    interval_s : float
    """
    counting = np.maximum(mean, _LEAST_COUNTS)
    found = np.einsum("cnp,cn,cnq->pq", by_parameter, 1.0 / counting, by_parameter)
    readings = mean.shape[1]
    variance, with_next = flicker_moments(*flicker, interval_s)
    later = with_next * np.exp(-np.arange(readings - 1) * interval_s / flicker[1])
    kernel = variance * toeplitz(np.append(1.0, later))
    together = np.einsum("cn,cnp->np", signal / counting, by_parameter)
    gain = np.sum(signal**2 / counting, axis=0)
    lost = kernel @ np.linalg.solve(np.eye(readings) + gain[:, None] * kernel, together)
    return found - together.T @ lost


def covariance(total: np.ndarray) -> np.ndarray:
    """Inverse of an information, that of priors included."""
    scale = np.sqrt(np.diag(total))
    return np.linalg.inv(total / np.outer(scale, scale)) / np.outer(scale, scale)
