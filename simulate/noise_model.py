"""The noise of measured readings, and how far a model falls short of them."""

from dataclasses import dataclass

import numpy as np

from craterfront.models.noise import flicker_moments
from craterfront.models.readings import noise_level
from craterfront.setup import Noise

NOISE_FLOOR = 1e-4
"""Data without visible noise are taken to be good to this share of the channel's largest value."""

_LEAST_COUNTS = 0.05  # where the model is dark, a reading has the variance of this many counts


@dataclass(frozen=True)
class NoiseModel:
    """Variance of the readings, and the discrepancy: how far the model itself falls short.

    Attributes
    ----------
    kappa, rho2 : ndarray, shape (C,)
        Variance of a reading: (kappa * model + rho2) / interval.
    flicker_variance, flicker_correlation : float
        Common fluctuation of the source, averaged over a reading, and its correlation with the
        next.
    shortfall : ndarray, shape (C,)
        How far the model misses each channel, as a standard deviation in units of intensity that
        is the same for all its readings; 0 where the noise explains the residuals.
    correlation : ndarray, shape (C,)
        Number of readings over which residuals are correlated, at least 1: so much larger is the
        variance that they count with.
    counted : bool
        The gain was written in the file; otherwise it is estimated.
    """

    kappa: np.ndarray
    rho2: np.ndarray
    flicker_variance: float
    flicker_correlation: float
    shortfall: np.ndarray
    correlation: np.ndarray
    counted: bool

    def variance(self, model: np.ndarray, interval_s: np.ndarray) -> np.ndarray:
        """Variance of every reading about the model, shape (C, N)."""
        gain = self.kappa[:, None] / interval_s
        counting = gain * np.maximum(model, _LEAST_COUNTS * gain)
        return counting + self.added_variance(interval_s)

    def added_variance(self, interval_s: np.ndarray) -> np.ndarray:
        """The part that does not grow with the signal: readout and shortfall, shape (C, N)."""
        return self.rho2[:, None] / interval_s + self.shortfall[:, None] ** 2


def noise_about(
    model: np.ndarray,
    readings: np.ndarray,
    interval_s: np.ndarray,
    usable: np.ndarray,
    written: Noise,
) -> NoiseModel:
    """Noise level as written in the file, or from the scatter of the readings about a model.

    Parameters
    ----------
    model, readings : ndarray, shape (C, N)
    interval_s : ndarray, shape (N,)
    usable : ndarray of bool, shape (C, N)
        Readings that are not censored.
    written : Noise
        Of the experiment.
    """
    channels = len(model)
    counts = written.counts_per_unit_s
    counted = counts is not None
    kappa, rho2 = np.zeros(channels), np.zeros(channels)
    for c in range(channels):
        if counts is not None:
            kappa[c] = 1.0 / float(counts)
            rho2[c] = float(written.readout_per_sqrt_s) ** 2
            continue
        deviation = readings[c] - model[c]
        kappa[c], rho2[c] = noise_level(deviation, model[c], interval_s, usable[c])
        largest = float(np.max(np.abs(readings[c]))) or 1.0
        typical = float(interval_s.mean())
        if (kappa[c] * largest + rho2[c]) / typical < (NOISE_FLOOR * largest) ** 2:
            rho2[c] = (NOISE_FLOOR * largest) ** 2 * typical
    variance, with_next = 0.0, 0.0
    if written.flicker is not None and float(written.flicker.rms) > 0:
        variance, with_next = flicker_moments(
            float(written.flicker.rms),
            float(written.flicker.correlation_s),
            float(np.median(interval_s)),
        )
    none, single = np.zeros(channels), np.ones(channels)
    return NoiseModel(kappa, rho2, variance, with_next, none, single, counted)


def shortfall(deviation: np.ndarray, variance: np.ndarray, leverage: np.ndarray) -> float:
    """Standard deviation to add to the noise of a channel so that it explains the residuals.

    Residuals count with what their reading contributes to the answer (its leverage h). The fit
    takes up part of the noise: their mean square is 1 - h if the noise explains them. A shortfall
    is added where it exceeds that by more than three standard deviations.

    Parameters
    ----------
    deviation, variance, leverage : ndarray, shape (N,)
        Readings minus model, variance of the noise, and h between 0 and 1.
    """
    total = float(leverage.sum())
    if deviation.size < 8 or total <= 0:
        return 0.0
    effective = total**2 / float(np.sum(leverage**2))
    expected = max(float(leverage @ (1.0 - leverage)), 1e-12)

    def size(added: float) -> float:
        return float(leverage @ (deviation**2 / (variance + added))) / expected

    if size(0.0) <= 1.0 + 3.0 * np.sqrt(2.0 / effective):
        return 0.0
    low, high = 0.0, float(np.max(deviation**2)) * total / expected
    for _ in range(100):
        added = 0.5 * (low + high)
        low, high = (added, high) if size(added) > 1.0 else (low, added)
    return float(np.sqrt(high))
