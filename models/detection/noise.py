"""Noise of a reading: counting, flicker of the source, readout.

A reading is the mean intensity over an interval dt.

- Counting: counts are Poisson with mean (intensity with background) * counts_per_unit_s * dt.
- Flicker: the source fluctuates as a sum of Ornstein-Uhlenbeck processes, each of a relative
  standard deviation rms and a correlation time tau, averaged over dt; it multiplies all channels
  alike. A 1/f spectrum is such a sum, see `one_over_f`.
- Dead time: of the counts of a detector that is blind after each, see `dead_time`.
- Readout: normal, with standard deviation readout_per_sqrt_s / sqrt(dt).

So a faster sampling of the same seconds brings no information.
"""

import math
from collections.abc import Sequence

import numpy as np
from numba import njit

from craterfront.models.detection.dead_time import recorded_counts


def flicker_moments(rms: float, correlation_s: float, interval_s: float) -> tuple[float, float]:
    """Variance of the flicker averaged over an interval, and its correlation with the next one.

    Parameters
    ----------
    rms : float
        Relative standard deviation of the source at one moment.
    correlation_s, interval_s : float
        Correlation time and averaging interval [s], > 0.

    Returns
    -------
    variance, correlation : float
        Later intervals follow with exp(-interval/correlation_s) each.

    Notes
    -----
    With x = interval / tau: variance 2 rms^2 (x - 1 + exp(-x)) / x^2, covariance with the next
    interval rms^2 (1 - exp(-x))^2 / x^2 (derived by integrating the autocorrelation).
    """
    x = interval_s / correlation_s
    gone = -math.expm1(-x)
    both = 1.0 - x / 3.0 + x * x / 12.0 if x < 1e-4 else 2.0 * (x - gone) / (x * x)
    return rms * rms * both, gone * gone / (x * x * both)


@njit(cache=True, nogil=True)
def _averaged_process(interval, correlation, start, first, second):
    """Means over the intervals of a process of unit variance, from standard normal draws."""
    out = np.empty(interval.size)
    state = start
    for n in range(interval.size):
        x = interval[n] / correlation
        decay = math.exp(-x)
        gone = -math.expm1(-x)
        step = math.sqrt(gone * (1.0 + decay))
        # Integral over the interval given the state: variance and covariance with the next state.
        spread = 2.0 * x - 2.0 * gone - gone * gone if x > 1e-3 else x**3 * (2.0 / 3.0 - 0.5 * x)
        shared = gone * gone / step
        own = math.sqrt(max(spread - shared * shared, 0.0))
        integral = gone * state + shared * first[n] + own * second[n]
        out[n] = integral / x
        state = decay * state + step * first[n]
    return out


def flicker(
    rms: float, correlation_s: float, interval_s: np.ndarray, rng: np.random.Generator
) -> np.ndarray:
    """Relative deviation of the source, averaged over successive intervals.

    Parameters
    ----------
    rms, correlation_s : float
        See `flicker_moments`.
    interval_s : ndarray, shape (N,)
        Length of each interval [s].
    rng : numpy.random.Generator

    Returns
    -------
    ndarray, shape (N,)
    """
    start = rng.standard_normal()
    first, second = rng.standard_normal((2, interval_s.size))
    interval = np.ascontiguousarray(interval_s, dtype=float)
    return rms * _averaged_process(interval, float(correlation_s), start, first, second)


def noisy_readings(
    signal: np.ndarray,
    background: np.ndarray,
    interval_s: np.ndarray,
    rng: np.random.Generator,
    *,
    counts_per_unit_s: float | None = None,
    fluctuations: Sequence[tuple[float, float]] = (),
    readout_per_sqrt_s: float = 0.0,
    dead_time_s: np.ndarray | None = None,
) -> np.ndarray:
    """Readings of all channels.

    Parameters
    ----------
    signal : ndarray, shape (C, N)
        Noise-free intensity without background.
    background : ndarray, shape (C,)
        Background intensity of each channel; it does not flicker.
    interval_s : ndarray, shape (N,)
        Length of each sampling interval [s].
    rng : numpy.random.Generator
    counts_per_unit_s : float, optional
        Counts per second for one unit of intensity [1/s]; None: no counting noise.
    fluctuations : sequence of (float, float)
        Of the source: relative standard deviation and correlation time [s] of each process.
    readout_per_sqrt_s : float
        Standard deviation of the readout of one second [intensity s^(1/2)].
    dead_time_s : ndarray, shape (C,), optional
        Dead time of each counting detector [s]; 0 for none.

    Returns
    -------
    ndarray, shape (C, N)
    """
    source = np.ones(interval_s.size)
    for rms, correlation_s in fluctuations:
        source += flicker(rms, correlation_s, interval_s, rng)
    mean = signal * source
    readings = np.maximum(mean + background[:, None], 0.0)
    if counts_per_unit_s is not None:
        per_unit = counts_per_unit_s * interval_s
        events = readings * per_unit
        readings = rng.poisson(events) / per_unit
        for c, dead_s in enumerate(() if dead_time_s is None else dead_time_s):
            if dead_s > 0:
                readings[c] = recorded_counts(events[c], dead_s / interval_s, rng) / per_unit
    if readout_per_sqrt_s > 0:
        spread = readout_per_sqrt_s / np.sqrt(interval_s)
        readings = readings + spread * rng.standard_normal(readings.shape)
    return readings
