"""What is taken out of residuals of unit variance: correlation, a common fluctuation."""

import numpy as np

from craterfront.models.readings import whiten
from craterfront.reading_residuals import ReadingResiduals


def whitened(columns: np.ndarray, readings: ReadingResiduals, signal: np.ndarray) -> np.ndarray:
    """Columns of residuals as they are with unit covariance.

    Parameters
    ----------
    columns : ndarray, shape (C, N) or (C, N, K)
        Residuals of unit variance, or their derivatives.
    readings : ReadingResiduals
    signal : ndarray, shape (C, N)
        What a fluctuation of the source multiplies.

    Returns
    -------
    ndarray
        Of the shape of the columns.
    """
    noise = readings.noise
    scaled = columns.reshape(*readings.values.shape, -1)
    scaled = scaled / np.sqrt(noise.correlation)[:, None, None]
    if noise.fluctuation is not None:
        scaled, _ = whiten(scaled, _loads(readings, signal), noise.fluctuation.averaged)
    return scaled.reshape(columns.shape)


def _loads(readings: ReadingResiduals, signal: np.ndarray) -> np.ndarray:
    """How strongly a common fluctuation enters each standardised reading."""
    variance = readings.variance * readings.noise.correlation[:, None]
    return np.where(readings.censored, 0.0, signal / np.sqrt(variance))
